/* What is made of the tokens of jsmn.h: whether one is a word, and a number in tenths. */
#ifndef JSMN_VALUES_H
#define JSMN_VALUES_H

#define JSMN_STATIC
#include "jsmn.h"

#include <stddef.h>
#include <stdint.h>
#include <string.h>

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

#endif
