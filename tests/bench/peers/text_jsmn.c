/* A general tokenizer (jsmn.h) and the conversion of what it finds, as it is commonly used. */
#define JSMN_STATIC
#include "jsmn.h"
#include "peer.h"

#include <string.h>

#define TOKENS 32

static int same(const char *text, const jsmntok_t *token, const char *word)
{
    const size_t length = strlen(word);

    return token->type == JSMN_STRING && (size_t)(token->end - token->start) == length &&
           memcmp(text + token->start, word, length) == 0;
}

static int tenths(const char *text, const jsmntok_t *token, int32_t *value)
{
    int32_t found = 0;
    int fraction = 0;

    if (token->type != JSMN_PRIMITIVE || token->start == token->end) {
        return 0;
    }
    for (int at = token->start; at < token->end; at++) {
        if (text[at] == '.' && fraction == 0) {
            fraction = 1;
        } else if (text[at] < '0' || text[at] > '9' || fraction > 1 || found > 100000) {
            return 0;
        } else {
            found = found * 10 + (text[at] - '0');
            fraction += fraction;
        }
    }
    *value = fraction > 1 ? found : found * 10;
    return 1;
}

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
