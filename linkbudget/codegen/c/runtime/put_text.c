static void lb_put_text(lb_writer *out, const char *text, size_t n)
{
    size_t i;

    for (i = 0u; i < n; i++) {
        lb_put(out, (uint8_t)text[i]);
    }
}
