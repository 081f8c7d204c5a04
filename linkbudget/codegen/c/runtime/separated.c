/* Writes the separator in front of every word but the first. */
static void lb_separate(lb_writer *out, uint8_t *words, const char *separator, size_t size)
{
    if (*words != 0u) {
        lb_put_text(out, separator, size);
    }
    *words = 1u;
}
