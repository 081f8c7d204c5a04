lb_status lb_decode(uint8_t *frame, size_t n, lb_message *message)
{
    lb_status reason;
    size_t need;

#if LB_SYNCED
    if (n < LB_SYNC_BYTES || lb_may_begin(frame, n) == 0) {
        return LB_NO_SYNC;
    }
#endif
    /* Of less than a header it needs all of that: then it is too short. */
    reason = lb_header(frame, n, &need);
    if (reason != LB_NOTHING) {
        return reason;
    }
    if (n != need) {
        return n < need ? LB_TOO_SHORT : LB_TOO_LONG;
    }
    reason = lb_judge(&frame[LB_HEADER_BYTES], n - LB_HEADER_BYTES);
    return reason == LB_NOTHING ? lb_read(&frame[LB_HEADER_BYTES], n - LB_HEADER_BYTES, message) : reason;
}
