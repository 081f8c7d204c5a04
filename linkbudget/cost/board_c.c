/* The part of the script for C that is the same for all links, behind the line of dashes. board_script.py
   puts the messages and the reading step in their places. */
/* --- */
#include <stddef.h>
#include <stdint.h>

#define DATE "" /* the day of this run, as "2026-11-30" */
#define BOARD "" /* what board this is */

/* FILL IN: a timer that counts up and wraps after 32 bits, and its ticks a second. The cycle counter of the
   processor is best. Without one, the processor time of the C library, which is for a computer. */
#ifndef BOARD_TICKS
#include <time.h>
#define BOARD_TICKS() ((uint32_t)clock())
#define BOARD_TICK_HZ ((unsigned long)CLOCKS_PER_SEC)
#endif

#define RUNS 5u
#define REPEATS 32u
#define EMPTY 256u

    FACTS
typedef struct {
    uint32_t ticks[RUNS][CHUNKS]; /* of all repetitions; where memory is short, lower RUNS to 3 */
    uint32_t timer; /* of EMPTY looks at the timer */
    unsigned accepted;
} board_times;

static board_times times;
static PREFIX_receiver receiver;
static union {
    MEMBERS
} got;

static unsigned read_step(const uint8_t *bytes, size_t n)
{
    unsigned fresh = 0u;
    size_t i;

    READ_STEP
    return fresh;
}

/* Times every chunk; returns whether all messages were accepted. Prints nothing. */
int measure_receiver(void);
int measure_receiver(void)
{
    unsigned run;
    unsigned repeat;
    unsigned i;
    uint32_t begin;

    times.accepted = 0u;
    PREFIX_start(&receiver, 0u);
    for (i = 0u; i < MESSAGES; i++) {
        times.accepted += read_step(data + chunks[i][0], chunks[i][1]);
    }
    for (run = 0u; run < RUNS; run++) {
        PREFIX_start(&receiver, 0u);
        for (i = 0u; i < CHUNKS; i++) {
            times.ticks[run][i] = 0u;
        }
        for (repeat = 0u; repeat < REPEATS; repeat++) {
            for (i = 0u; i < CHUNKS; i++) {
                begin = BOARD_TICKS();
                (void)read_step(data + chunks[i][0], chunks[i][1]);
                times.ticks[run][i] += BOARD_TICKS() - begin;
            }
        }
    }
    times.timer = 0u;
    for (i = 0u; i < EMPTY; i++) {
        begin = BOARD_TICKS();
        times.timer += BOARD_TICKS() - begin;
    }
    return times.accepted == MESSAGES;
}

#ifndef BOARD_PRINTS_NOTHING
#include <stdio.h>

static uint32_t median(unsigned chunk)
{
    uint32_t sorted[RUNS];
    unsigned i;
    unsigned j;

    for (i = 0u; i < RUNS; i++) {
        uint32_t one = times.ticks[i][chunk];
        for (j = i; j > 0u && sorted[j - 1u] > one; j--) {
            sorted[j] = sorted[j - 1u];
        }
        sorted[j] = one;
    }
    return sorted[RUNS / 2u];
}

void time_receiver(void);
void time_receiver(void)
{
    unsigned run;
    unsigned i;

    (void)measure_receiver();
    printf("{\"linkbudget_board\": 1, \"target\": \"c\", \"module\": \"C\", \"form\": \"FORM\", \"board\": \"%s\", ", BOARD);
#ifdef __VERSION__
    printf("\"version\": \"compiler %s\", ", __VERSION__);
#endif
    printf("\"date\": \"%s\", \"tick_hz\": %lu, \"repeats\": %u, ", DATE, BOARD_TICK_HZ, REPEATS);
    printf("\"timer\": [%lu, %u], \"accepted\": %u, \"expected\": %u, \"runs\": [", (unsigned long)times.timer, EMPTY,
           times.accepted, MESSAGES);
    for (run = 0u; run < RUNS; run++) {
        unsigned long sum = 0u;
        for (i = 0u; i < CHUNKS; i++) {
            sum += times.ticks[run][i];
        }
        printf("%s%lu", run ? ", " : "", sum);
    }
    printf("], \"columns\": [\"read_call\", \"byte\", \"message\", \"message_byte\"], \"samples\": [");
    for (i = 0u; i < CHUNKS; i++) {
        printf("%s[CALLS, %u, %u, %u, %lu]", i ? ", " : "", (unsigned)chunks[i][1], (unsigned)chunks[i][2],
               (unsigned)chunks[i][3], (unsigned long)median(i));
    }
    printf("]}\n");
}

#ifndef BOARD_NO_MAIN
int main(void)
{
    time_receiver();
    return 0;
}
#endif
#endif
