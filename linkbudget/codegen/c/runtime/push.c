lb_status lb_push(lb_receiver *state, uint8_t byte, uint32_t now)
{
    if (byte == LB_DELIMITER) {
        return lb_end(state, now);
    }
    lb_add(&state->line, state->body, byte);
    return LB_NOTHING;
}
