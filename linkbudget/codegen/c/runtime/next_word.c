/* The next word, up to the separator or the end of the line; 0 when there is none. */
static int lb_next(lb_words *in, lb_word *word, const char *separator, size_t size)
{
    size_t stop;

    if (in->more == 0u) {
        return 0;
    }
    stop = lb_find(in->text, in->at, in->n, separator, size);
    word->text = &in->text[in->at];
    word->n = stop - in->at;
    in->more = stop < in->n ? 1u : 0u;
    in->at = in->more != 0u ? stop + size : stop;
    return 1;
}
