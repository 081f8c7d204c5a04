/* The generated receiver, one chunk at a time. */
#include "link.h"
#include "peer.h"

static link_receiver state;
static int begun;

int parse(const uint8_t *data, size_t n, int32_t *out)
{
    link_beans_t beans;

    if (begun == 0) {
        link_start(&state, 0u);
        begun = 1;
    }
    (void)link_feed(&state, data, n, n, 0u);
    if (link_take_beans(&state, &beans) == 0) {
        return 0;
    }
    out[TICK] = beans.tick;
    out[KIND] = beans.kind;
    out[SCORE] = beans.score;
    out[A] = beans.a;
    out[B] = beans.b;
    out[C] = beans.c;
    out[D] = beans.d;
    return 1;
}
