/* Whether the bytes from ``at`` on can begin a frame: they are the sync bytes, as far as they go. */
static int lb_may_begin(const uint8_t *held, size_t n)
{
    static const uint8_t sync[] = LB_SYNC;
    size_t i;

    for (i = 0u; i < n && i < LB_SYNC_BYTES; i++) {
        if (held[i] != sync[i]) {
            return 0;
        }
    }
    return 1;
}
