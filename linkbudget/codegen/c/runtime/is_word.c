static int lb_is(const lb_word *word, const char *text, size_t size)
{
    return word->n == size && lb_begins(word->text, word->n, text, size) != 0;
}
