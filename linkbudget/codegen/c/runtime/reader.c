/* Bits of a payload, taken one after the other. ``bad`` once more were asked for than there are. */
typedef struct {
    const uint8_t *data;
    uint32_t at;
    uint32_t end;
    uint8_t bad;
} lb_reader;
