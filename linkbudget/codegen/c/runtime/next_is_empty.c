/* Whether the next word is there and empty. */
static int lb_next_is_empty(const lb_words *in, const char *separator, size_t size)
{
    if (in->more == 0u) {
        return 0;
    }
    return in->at == in->n || lb_begins(&in->text[in->at], in->n - in->at, separator, size) != 0;
}
