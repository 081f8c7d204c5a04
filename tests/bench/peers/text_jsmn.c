/* A general tokenizer (jsmn.h) and the conversion of what it finds, as it is commonly used. */
#include "jsmn_values.h"
#include "peer.h"

#define TOKENS 32

int parse(const uint8_t *data, size_t n, int32_t *out)
{
    static const char *const keys[FIELDS] = {"tick", "kind", "score", "a", "b", "c", "d"};
    static const char *const kinds[3] = {"whole", "split", "stone"};
    static const int32_t most[FIELDS] = {65535, 2, 100, 240, 240, 240, 240};
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
        for (int field = 0; field < FIELDS; field++) {
            int32_t value = -1;

            if (!same(text, &tokens[at], keys[field])) {
                continue;
            }
            if (field == KIND) {
                for (int kind = 0; kind < 3; kind++) {
                    if (same(text, &tokens[at + 1], kinds[kind])) {
                        value = kind;
                    }
                }
            } else if (tenths(text, &tokens[at + 1], &value)) {
                value /= field < A ? 10 : 4;
            }
            if (value < 0 || value > most[field]) {
                return 0;
            }
            out[field] = value;
            seen |= 1u << field;
        }
    }
    return seen == (1u << FIELDS) - 1u;
}
