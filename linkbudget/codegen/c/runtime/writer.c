/* Where an encoder writes. ``room`` is 0 once something did not fit. */
typedef struct {
    uint8_t *buffer;
    size_t capacity;
    size_t length;
    size_t body;
    LB_WRITER_MEMBERS
    uint8_t room;
} lb_writer;

static void lb_out(lb_writer *out, uint8_t byte)
{
    if (out->length < out->capacity) {
        out->buffer[out->length] = byte;
        out->length++;
    } else {
        out->room = 0u;
    }
}
