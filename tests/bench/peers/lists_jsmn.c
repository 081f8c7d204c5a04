/* A general tokenizer (jsmn.h) on a line with repeats, and the conversion of what it finds. */
#include "jsmn_values.h"

#define TOKENS 32
#define MOST 8

typedef struct {
    uint16_t tick;
    uint8_t count;
    uint8_t kind[MOST];
    uint8_t x[MOST]; /* steps of 0.4 */
} beans_t;

static beans_t beans;

/* The tokens of a bean; returns how many, 0 for what is none. */
static int bean_of(const char *text, const jsmntok_t *tokens, uint8_t *kind, uint8_t *x)
{
    static const char *const kinds[3] = {"whole", "split", "stone"};
    unsigned seen = 0u;

    if (tokens[0].type != JSMN_OBJECT) {
        return 0;
    }
    for (int at = 1; at < 2 * tokens[0].size; at += 2) {
        int32_t value;

        if (same(text, &tokens[at], "kind")) {
            for (int which = 0; which < 3; which++) {
                if (same(text, &tokens[at + 1], kinds[which])) {
                    *kind = (uint8_t)which;
                    seen |= 1u;
                }
            }
        } else if (same(text, &tokens[at], "x")) {
            if (!tenths(text, &tokens[at + 1], &value) || value % 4 != 0 || value > 960) {
                return 0;
            }
            *x = (uint8_t)(value / 4);
            seen |= 2u;
        }
    }
    return seen == 3u ? 1 + 2 * tokens[0].size : 0;
}

int parse(const uint8_t *data, size_t n)
{
    const char *text = (const char *)data;
    jsmntok_t tokens[TOKENS];
    jsmn_parser parser;
    unsigned seen = 0u;
    int count;

    jsmn_init(&parser);
    count = jsmn_parse(&parser, text, n, tokens, TOKENS);
    if (count < 1 || tokens[0].type != JSMN_OBJECT) {
        return 0;
    }
    for (int at = 1; at + 1 < count; at += 2) {
        int32_t value;

        if (same(text, &tokens[at], "tick")) {
            if (!tenths(text, &tokens[at + 1], &value) || value > 655350) {
                return 0;
            }
            beans.tick = (uint16_t)(value / 10);
            seen |= 1u;
        } else if (same(text, &tokens[at], "beans")) {
            int next = at + 2;

            if (tokens[at + 1].type != JSMN_ARRAY || tokens[at + 1].size > MOST) {
                return 0;
            }
            for (int item = 0; item < tokens[at + 1].size; item++) {
                const int used = bean_of(text, &tokens[next], &beans.kind[item], &beans.x[item]);

                if (used == 0) {
                    return 0;
                }
                next += used;
            }
            beans.count = (uint8_t)tokens[at + 1].size;
            seen |= 2u;
            at = next - 2;
        }
    }
    return seen == 3u;
}
