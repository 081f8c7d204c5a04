/* A decoder of these lines written by hand: keys by their first letter, numbers digit by digit. It trusts the
   sender: what is no line of this shape is not seen. */
#include "peer.h"

static const uint8_t *number(const uint8_t *at, const uint8_t *end, int32_t *tenths)
{
    int32_t value = 0;

    while (at < end && *at >= '0' && *at <= '9') {
        value = value * 10 + (*at++ - '0');
    }
    value *= 10;
    if (at < end && *at == '.') {
        at++;
        value += *at++ - '0';
    }
    *tenths = value;
    return at;
}

int parse(const uint8_t *data, size_t n, int32_t *out)
{
    const uint8_t *at = data;
    const uint8_t *end = data + n;
    unsigned seen = 0u;
    int32_t tenths;

    while (at + 2 < end) {
        const uint8_t key = at[1] == '"' ? at[2] : 0u;

        at++;
        if (key == 0u) {
            continue;
        }
        while (at < end && *at != ':') {
            at++;
        }
        at++;
        if (key == 'k') {
            out[KIND] = at[2] == 'h' ? 0 : at[2] == 'p' ? 1 : 2;
            seen |= 1u << KIND;
            while (at < end && *at != ',' && *at != '}') {
                at++;
            }
            continue;
        }
        at = number(at, end, &tenths);
        if (key == 't' || key == 's') {
            out[key == 't' ? TICK : SCORE] = tenths / 10;
            seen |= 1u << (key == 't' ? TICK : SCORE);
        } else if (key >= 'a' && key <= 'd') {
            out[A + key - 'a'] = tenths / 4;
            seen |= 1u << (A + key - 'a');
        }
    }
    return seen == (1u << FIELDS) - 1u;
}
