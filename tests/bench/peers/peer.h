/* What every decoder of the bench has: the fields as whole numbers, in the order of the link file. */
#ifndef PEER_H
#define PEER_H

#include <stddef.h>
#include <stdint.h>

enum { TICK, KIND, SCORE, A, B, C, D, FIELDS };

/* Returns 1 when a message ended in these bytes and is good; its fields are in out. */
int parse(const uint8_t *data, size_t n, int32_t *out);

#endif
