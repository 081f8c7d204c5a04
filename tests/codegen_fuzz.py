"""Fuzzing of generated C with libFuzzer and the sanitizers, and the corpora kept of it.

``python tests/codegen_fuzz.py [SECONDS [SUBJECT ...]]`` fuzzes each subject of `codegen_subjects` (60 s by
default), then keeps the smallest corpus that takes the same branches: ``tests/data/codegen_corpus/NAME.gz``,
lines of hex (``NAME-bounds.gz`` beside it comes from `codegen_mutants`). An input is one byte of settings and
bytes for

- a receiver that is pushed, one that is fed in pieces, and one that is read from while bytes are pushed in
  between (as by an interrupt): all must tell the same of the same bytes, counters must add up, and each
  message taken must be one that came, whole;
- the decoder of whole frames, in place, on memory no longer than the frame;
- (bit 5 of the first byte) all of these with payloads put into good frames, so that what stands behind the
  check is reached;
- (top bit of the first byte) the encoders: with structs of arbitrary bytes, or with up to three bytes of a
  message changed, and any capacity.

An accepted message must be encoded again, into a frame that decodes to the same bytes; where values have one
payload only, into the payload it came from.
"""

from __future__ import annotations

import gzip
import json
import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from codegen_subjects import PREFIX, Subject, subjects

from linkbudget.codegen.c.members import Members
from linkbudget.codegen.spec import Many, Maybe, MessageSpec, Record, Slot
from linkbudget.frame.format import FrameFormat

CORPUS = Path(__file__).parent / "data" / "codegen_corpus"
LONGEST = 700
SANITIZE = ["-g", "-O1", "-fno-omit-frame-pointer", "-fno-sanitize-recover=all"]
COVER = ["-g", "-O0", "-fprofile-instr-generate", "-fcoverage-mapping"]

HARNESS = r"""
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
static void in_between(void);
#define FZ_BARRIER() in_between()
/* How often bytes are moved within a receiver, and how many. */
static uint32_t moved;

static void *moving(void *to, const void *from, size_t n)
{
    moved += 1u + (uint32_t)n;
    return memmove(to, from, n);
}
#define memmove moving
#include "fz.c"
#undef memmove

#define MUST(x) do { if (!(x)) { fprintf(stderr, "line %d: %s\n", __LINE__, #x); abort(); } } while (0)

static uint8_t *copy_of(const uint8_t *data, size_t n)
{
    /* Exactly as long as it must be: the sanitizer then sees the first byte beyond. */
    uint8_t *copy = malloc(n);

    MUST(copy != NULL);
    if (n > 0u) {
        memcpy(copy, data, n);
    }
    return copy;
}

/* What was told of an input, so that two programs can be compared. */
static uint32_t told;

static void tell(unsigned what, const uint8_t *data, size_t n)
{
    size_t i;

    told = (told ^ what) * 16777619u;
    for (i = 0u; i < n; i++) {
        told = (told ^ data[i]) * 16777619u;
    }
}

/* What runs over in a receiver stays in it: each byte of it is told where programs are compared. */
static void tell_all_of(const fz_receiver *state)
{
#ifdef TELL_ALL
    tell(0u, (const uint8_t *)state, sizeof *state);
#else
    (void)state;
#endif
}

/* --- what came and what was taken: frames, as the messages are encoded ------------------------------- */

typedef struct {
    uint8_t *bytes;
    size_t n;
} frame_t;

typedef struct {
    frame_t seen[KINDS][64];
    size_t count[KINDS];
} history_t;

static void keep(history_t *history, unsigned kind, frame_t frame)
{
    size_t at = history->count[kind]++ % 64u;

    tell(kind, frame.bytes, frame.n);
    free(history->seen[kind][at].bytes);
    history->seen[kind][at] = frame;
}

static int knows(const history_t *history, unsigned kind, frame_t frame)
{
    size_t i;

    for (i = 0u; i < 64u; i++) {
        const frame_t *seen = &history->seen[kind][i];

        if (seen->bytes != NULL && seen->n == frame.n && memcmp(seen->bytes, frame.bytes, frame.n) == 0) {
            return 1;
        }
    }
    return 0;
}

static frame_t newest(const history_t *history, unsigned kind)
{
    frame_t none = {NULL, 0u};
    size_t count = history->count[kind];

    return count > 0u ? history->seen[kind][(count - 1u) % 64u] : none;
}

static void forget(history_t *history)
{
    unsigned kind;
    size_t i;

    for (kind = 0u; kind < KINDS; kind++) {
        for (i = 0u; i < 64u; i++) {
            free(history->seen[kind][i].bytes);
        }
    }
    free(history);
}

static history_t *no_history(void)
{
    history_t *history = calloc(1u, sizeof *history);

    MUST(history != NULL);
    return history;
}

/* --- messages ---------------------------------------------------------------------------------------- */

WRITERS

typedef frame_t (*writer_t)(const void *message);
static const writer_t writers[KINDS] = {WRITER_NAMES};

/* Takes every message that is there. */
static void take_all(fz_receiver *state, history_t *history)
{
TAKES
}

/* --- an interrupt that pushes while the loop takes --------------------------------------------------- */

static fz_receiver *live;
static history_t *came;
static const uint8_t *more;
static size_t left;
static size_t burst;
static int inside;

static void note_published(fz_receiver *state, unsigned status)
{
    switch (status) {
NOTES
    default:
        break;
    }
}

static void push_one(fz_receiver *state, uint8_t byte, uint32_t now)
{
    uint16_t before[KINDS];
    unsigned kind;

    for (kind = 0u; kind < KINDS; kind++) {
        before[kind] = fz_count(state, (fz_status)(FIRST + kind));
    }
    (void)fz_push(state, byte, now);
    for (kind = 0u; kind < KINDS; kind++) {
        if (before[kind] != fz_count(state, (fz_status)(FIRST + kind))) {
            note_published(state, FIRST + kind);
        }
    }
}

static void in_between(void)
{
    if (live != NULL && inside == 0) {
        size_t step = left > burst ? burst : left;

        inside = 1;
        for (; step > 0u; step--) {
            push_one(live, *more, 5u);
            more++;
            left--;
        }
        inside = 0;
    }
}

static void interrupted(uint8_t settings, const uint8_t *data, size_t n)
{
    fz_receiver *state = malloc(sizeof *state);
    history_t *taken = no_history();
    size_t i;
    unsigned kind;

    MUST(state != NULL);
    came = no_history();
    fz_start(state, 0u);
    inside = 0;
    burst = 1u + 9u * (settings & 0x1Fu);
    more = data;
    left = n;
    live = state;
    for (i = 0u; i <= n; i++) {
        take_all(state, taken);
    }
    live = NULL;
    while (left > 0u) {
        push_one(state, *more, 5u);
        more++;
        left--;
    }
    for (kind = 0u; kind < KINDS; kind++) {
        for (i = 0u; i < 64u && i < taken->count[kind]; i++) {
            MUST(came->count[kind] > 64u || knows(came, kind, taken->seen[kind][i]));
        }
    }
    forget(came);
    forget(taken);
    free(state);
}

/* --- pushed and fed ---------------------------------------------------------------------------------- */

static fz_receiver *receiver(uint32_t now)
{
    fz_receiver *state = malloc(sizeof *state);

    MUST(state != NULL);
    memset(state, 0xA5, sizeof *state);
    fz_start(state, now);
    MUST(fz_age(state, now) == UINT32_MAX);
    return state;
}

static void streams(uint8_t settings, const uint8_t *data, size_t n)
{
    const uint32_t tick = (settings & 0x40u) != 0u ? 0x50000000u : 3u;
    const size_t most = 1u + (settings & 0x1Fu);
    const uint32_t then = UINT32_MAX - 40u;
    uint32_t now = then;
    fz_receiver *pushed = receiver(then);
    fz_receiver *fed = receiver(then);
    history_t *by_push = no_history();
    history_t *by_feed = no_history();
    uint32_t tally[FZ_STATUSES] = {0};
    uint32_t chance = settings;
    size_t i = 0u;
    unsigned what;

    while (i < n) {
        fz_status status = fz_push(pushed, data[i], now);

        MUST((unsigned)status < FZ_STATUSES);
        tell((unsigned)status, NULL, 0u);
        if (status != FZ_NOTHING) {
            tell_all_of(pushed);
        }
        tally[status]++;
        if (status != FZ_NOTHING) {
            take_all(pushed, by_push);
        }
        if (status >= FIRST && (unsigned)status < FZ_STATUSES) {
            MUST(fz_age(pushed, now) == 0u);
            /* As of a time taken before an interrupt brought it. */
            MUST(fz_age(pushed, now - 1u) == 0u);
        }
        now += tick;
        (void)fz_age(pushed, now);
        i++;
    }
    i = 0u;
    while (i < n) {
        size_t piece = 1u + (chance >> 8) % most;
        uint8_t *copy;
        size_t limit = (chance >> 16) % 7u != 0u ? (size_t)-1 : piece / 2u + 1u;
        size_t used;

        chance = chance * 1664525u + 1013904223u;
        piece = piece < n - i ? piece : n - i;
        copy = copy_of(&data[i], piece);
        used = fz_feed(fed, copy, piece, limit, now);
        MUST(used == (piece < limit ? piece : limit));
        free(copy);
        tell_all_of(fed);
        take_all(fed, by_feed);
        i += used;
    }
    for (what = 1u; what < FZ_STATUSES; what++) {
        const uint16_t count = fz_count(pushed, (fz_status)what);

        MUST(SEARCHES ? count >= (uint16_t)tally[what] : count == (uint16_t)tally[what]);
        MUST(count == fz_count(fed, (fz_status)what));
    }
    MUST(fz_count(pushed, (fz_status)999) == 0u);
    MUST(fz_high_water(pushed) == fz_high_water(fed));
    tell(fz_high_water(pushed), NULL, 0u);
    MUST(fz_most_waiting(fed) <= most);
    tell(fz_most_waiting(fed), NULL, 0u);
    tell(fz_longest_gap(pushed), NULL, 0u);
    for (what = 0u; what < KINDS; what++) {
        const frame_t one = newest(by_push, what);
        const frame_t other = newest(by_feed, what);

        MUST(one.n == other.n && (one.n == 0u || memcmp(one.bytes, other.bytes, one.n) == 0));
    }
MORE
    forget(by_push);
    forget(by_feed);
    free(pushed);
    free(fed);
}
CODEC
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    if (size == 0u) {
        return 0;
    }
    if ((data[0] & 0x80u) != 0u) {
        encoders(data[0], &data[1], size - 1u);
    } else if ((data[0] & 0x20u) != 0u) {
        good_frames(data[0], &data[1], size - 1u);
    } else {
        streams(data[0], &data[1], size - 1u);
        whole(&data[1], size - 1u);
        interrupted(data[0], &data[1], size - 1u);
    }
    return 0;
}
"""
# An extractor has no encoder: a message is compared as it stands.
PLAIN_WRITER = r"""
static frame_t write_IDENT(const void *given)
{
    frame_t frame = {copy_of(given, sizeof(fz_IDENT_t)), sizeof(fz_IDENT_t)};

    return frame;
}
"""
# With repeats the elements that are there, and nothing of what stands behind them.
LISTS_WRITER = r"""
static frame_t write_IDENT(const void *given)
{
    const fz_IDENT_t *message = given;
    fz_IDENT_t *copy = malloc(sizeof *copy);
    frame_t frame = {(uint8_t *)copy, sizeof(fz_IDENT_t)};
    size_t i;

    MUST(copy != NULL);
    memset(copy, 0, sizeof *copy);
    (void)i;
COPIES
    return frame;
}
"""
WRITER = r"""
static frame_t write_IDENT(const void *given)
{
    const fz_IDENT_t *message = given;
    uint8_t *frame = malloc(FZ_MAX_FRAME);
    uint8_t *again = malloc(FZ_MAX_FRAME);
    size_t n = fz_encode_IDENT(message SEQUENCE, frame, FZ_MAX_FRAME);
    fz_message *decoded = malloc(sizeof *decoded);
    uint8_t *copy;
    frame_t made;

    MUST(frame != NULL && again != NULL && decoded != NULL);
    MUST(n > 0u && n <= FZ_MAX_FRAME);
    copy = copy_of(frame, n - 1u);
    MUST(fz_encode_IDENT(message SEQUENCE, copy, n - 1u) == 0u);
    free(copy);
    copy = copy_of(frame, n);
    memset(decoded, 0x5A, sizeof *decoded);
    MUST(fz_decode(copy, n, decoded) == FZ_GOT_UPPER);
    MUST(fz_encode_IDENT(&decoded->as.IDENT SEQUENCE, again, FZ_MAX_FRAME) == n);
    MUST(memcmp(frame, again, n) == 0);
    free(decoded);
    free(copy);
    free(again);
    made.bytes = frame;
    made.n = n;
    return made;
}
"""
CODEC = r"""
static size_t body_of(uint8_t *frame, size_t n)
{
BODY
}

static void whole(const uint8_t *data, size_t n)
{
    uint8_t *copy = copy_of(data, n);
    fz_message *message = malloc(sizeof *message);
    fz_status status;

    MUST(message != NULL);
    memset(message, 0x5A, sizeof *message);
    /* Nothing may be read of a frame without bytes. */
    status = fz_decode(n > 0u ? copy : NULL, n, message);
    MUST((unsigned)status < FZ_STATUSES && status != FZ_NOTHING);
    tell((unsigned)status, NULL, 0u);
    if (status >= FIRST) {
        const void *as = &message->as;
        frame_t made = writers[status - FIRST](as);
        uint8_t *one = copy_of(data, n);
        uint8_t *other = copy_of(made.bytes, made.n);
        const size_t length = body_of(one, n);
        const size_t again = body_of(other, made.n);

        MUST(message->kind == status);
        tell(0u, made.bytes, made.n);
        MUST(ONE_PAYLOAD == 0 || (length == again && memcmp(one, other, length - CHECK) == 0));
        free(one);
        free(other);
        free(made.bytes);
    }
    free(message);
    free(copy);
}

/* Payloads, each behind its length, put into good frames: what no chance finds. */
static void good_frames(uint8_t settings, const uint8_t *data, size_t n)
{
    uint8_t *stream = malloc((n + 1u) * (FZ_MAX_FRAME + 1u));
    size_t end = 0u;
    size_t i = 0u;

    MUST(stream != NULL);
    while (i < n) {
        size_t length = (size_t)data[i] * (FZ_MAX_PAYLOAD / 255u + 1u);
        uint8_t frame[FZ_MAX_FRAME];
        fz_writer out;

        i++;
        length = length < n - i ? length : n - i;
        fz_open(&out, frame, FZ_MAX_FRAME NUMBER);
        for (; length > 0u; length--) {
            fz_put(&out, data[i]);
            i++;
        }
        length = fz_finish(&out);
        memcpy(&stream[end], frame, length);
        end += length;
        if (length > 0u) {
            whole(frame, length);
        }
    }
    streams(settings, stream, end);
    interrupted(settings, stream, end);
    free(stream);
}

/* A message as a payload gives it, with three of its bytes changed, or one of arbitrary bytes. */
static void encoders(uint8_t settings, const uint8_t *data, size_t n)
{
    size_t capacity = FZ_MAX_FRAME;
    size_t length = 0u;
    size_t i;
    uint8_t frame[FZ_MAX_FRAME];
    uint8_t *tight;
    fz_writer out;
    fz_message message;
    const unsigned kind = (settings & 0x0Fu) % KINDS;
    uint8_t *const bytes = (uint8_t *)&message.as;

    if (n < 8u) {
        return;
    }
    memset(&message, 0, sizeof message);
    if ((settings & 0x40u) != 0u) {
        memcpy(bytes, &data[8], n - 8u < sizeof message.as ? n - 8u : sizeof message.as);
    } else {
        fz_open(&out, frame, FZ_MAX_FRAME NUMBER);
        for (i = 8u; i < n; i++) {
            fz_put(&out, data[i]);
        }
        length = fz_finish(&out);
        if (length == 0u || fz_decode(frame, length, &message) != (fz_status)(FIRST + kind)) {
            memset(&message, 0, sizeof message);
        }
    }
    for (i = 1u; i < 7u; i += 2u) {
        bytes[data[i] % sizeof message.as] ^= data[i + 1u];
    }
    if ((settings & 0x20u) != 0u) {
        capacity = data[0] % (FZ_MAX_FRAME + 1u);
    }
    tight = malloc(capacity > 0u ? capacity : 1u);
    MUST(tight != NULL);
    length = 0u;
    switch (kind) {
ENCODES
    default:
        break;
    }
    MUST(length <= capacity);
    if (length > 0u) {
        MUST(fz_decode(tight, length, &message) == (fz_status)(FIRST + kind));
    }
    free(tight);
}
"""
NO_CODEC = r"""
static void whole(const uint8_t *data, size_t n)
{
    (void)data;
    (void)n;
}

static void good_frames(uint8_t settings, const uint8_t *data, size_t n)
{
    (void)settings;
    (void)data;
    (void)n;
}

static void encoders(uint8_t settings, const uint8_t *data, size_t n)
{
    (void)settings;
    (void)data;
    (void)n;
}
"""
COUNTERS = {
    "lost": "fz_lost(pushed) == fz_lost(fed)",
    "unknown": "fz_unknown(pushed) == fz_unknown(fed) && fz_unknown(pushed) <= fz_count(pushed, FZ_REFUSED)",
    "superseded": "SEARCHES || fz_superseded(pushed) == 0u",
}
STRETCH_BODY = """\
    fz_receiver started;
    fz_line line;
    size_t i;

    fz_start(&started, 0u);
    line = started.line;
    for (i = 0u; i < n; i++) {
        if (frame[i] != FZ_DELIMITER) {
            fz_add(&line, frame, frame[i]);
        }
    }
    return line.length;"""


def _copies(message: MessageSpec) -> str:
    """The statements that copy a message member by member; of elements those that are there."""

    def copies(slots: Sequence[Slot], at: str) -> Iterator[str]:
        members = Members(tuple(slots))
        for slot in slots:
            inner = slot.item if isinstance(slot, Maybe) else slot
            names = [members.helper(slot)] if isinstance(slot, Maybe) else []
            if not isinstance(inner, Many):
                yield from (f"    copy->{at}{name} = message->{at}{name};" for name in (*names, inner.ident))
                continue
            if inner.fewest < inner.most:
                names.append(members.helper(inner))
                count = f"message->{at}{members.helper(inner)}"
            else:
                there = f"message->{at}{names[0]} * " if names else ""
                count = f"{there}{inner.most}u"
            yield from (f"    copy->{at}{name} = message->{at}{name};" for name in names)
            yield f"    MUST({count} <= {inner.most}u);"
            yield f"    for (i = 0u; i < {count}; i++) {{"
            element = f"{at}{inner.ident}[i]"
            if isinstance(inner.item, Record):
                yield from copies(inner.item.fields, f"{element}.")
            else:
                yield f"    copy->{element} = message->{element};"
            yield "    }"

    return "\n".join(copies(message.fields, ""))


def harness(subject: Subject) -> str:
    """The text of the fuzz target of a subject."""
    spec = subject.spec
    idents = [message.ident for message in spec.messages]
    sequence = ", 0u" if spec.fmt.sequence else ""
    writer = PLAIN_WRITER if subject.extractor else WRITER
    if subject.extractor and any(isinstance(slot, Many) for m in spec.messages for slot in m.fields):
        writer = LISTS_WRITER
    copied = {message.ident: _copies(message) if writer is LISTS_WRITER else "" for message in spec.messages}

    def each(text: str) -> str:
        return "\n".join(
            text.replace("IDENT", i).replace("UPPER", i.upper()).replace("COPIES", copied[i]) for i in idents
        )

    takes = """\
    {
        fz_IDENT_t out;

        memset(&out, 0x77, sizeof out);
        if (fz_take_IDENT(state, &out) != 0) {
            keep(history, FZ_GOT_UPPER - FIRST, write_IDENT(&out));
        }
    }"""
    notes = """\
    case FZ_GOT_UPPER:
        keep(came, FZ_GOT_UPPER - FIRST, write_IDENT(&state->kept_IDENT[state->at_IDENT.newest]));
        break;"""
    encodes = """\
    case FZ_GOT_UPPER - FIRST:
        length = fz_encode_IDENT(&message.as.IDENT SEQUENCE, tight, capacity);
        break;"""
    text = HARNESS.replace("CODEC", NO_CODEC if subject.extractor else CODEC)
    body = "    (void)frame;\n    return n;" if subject.searches else STRETCH_BODY
    for name, value in {
        "WRITERS": each(writer),
        "WRITER_NAMES": ", ".join(f"write_{ident}" for ident in idents),
        "TAKES": each(takes),
        "NOTES": each(notes),
        "ENCODES": each(encodes),
        "BODY": body,
        "SEQUENCE": sequence,
        "NUMBER": ", data[0]" if spec.fmt.sequence else "",
        "MORE": "\n".join(
            f"    MUST({text});\n    tell(fz_{name}(pushed), NULL, 0u);"
            for name, text in COUNTERS.items()
            if f" fz_{name}(const" in subject.files[f"{PREFIX}.h"]
        ),
        "KINDS": f"{len(idents)}u",
        "FIRST": f"FZ_GOT_{idents[0].upper()}",
        "SEARCHES": str(int(subject.searches)),
        "ONE_PAYLOAD": str(int(subject.packed and not spec.fmt.sequence and not subject.searches)),
        "CHECK": f"{spec.fmt.check_bytes}u",
    }.items():
        text = re.sub(rf"\b{name}\b", lambda _, value=value: value, text)
    return text


def build(subject: Subject, folder: Path, files: dict[str, str] | None = None) -> Path:
    """Compile the fuzz target with sanitizers; returns the program."""
    return _compile(subject, folder, files, ["-fsanitize=fuzzer,address,undefined", *SANITIZE], "fuzz")


def _compile(
    subject: Subject, folder: Path, files: dict[str, str] | None, flags: list[str], name: str, more: str = ""
) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for file, text in {**(files or subject.files), f"{name}.c": harness(subject) + more}.items():
        (folder / file).write_text(text, encoding="utf-8")
    program = folder / name
    command = ["clang", "-std=c99", "-w", *flags, "-o", str(program), str(folder / f"{name}.c")]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[:3000]
    return program


REPLAY = r"""
int main(int argc, char **argv)
{
    int i;

    for (i = 1; i < argc; i++) {
        static uint8_t data[65536];
        FILE *file = fopen(argv[i], "rb");
        size_t n;

        MUST(file != NULL);
        n = fread(data, 1u, sizeof data, file);
        fclose(file);
        told = 0u;
        LLVMFuzzerTestOneInput(data, n);
        printf("%08lx\n", (unsigned long)told);
    }
    return 0;
}
"""


EDGES = ["-g", "-O0", "-fsanitize-coverage=inline-8bit-counters,no-prune,trace-cmp"]
CHOOSE = r"""
void __sanitizer_cov_8bit_counters_init(uint8_t *begin, uint8_t *end);

static uint8_t *edges;
static size_t edge_count;
static uint8_t taken[1u << 20];

void __sanitizer_cov_8bit_counters_init(uint8_t *begin, uint8_t *end)
{
    edges = begin;
    edge_count = (size_t)(end - begin);
}

/* How comparisons come out: one whose value is returned has no edge of its own. */
static uint8_t compared[1u << 18];
static uint8_t seen[1u << 18];

#define PLAIN __attribute__((no_sanitize("coverage")))
PLAIN static void compare(uintptr_t place, uint64_t a, uint64_t b)
{
    compared[(place & 0xFFFFu) << 2 | (a == b ? 0u : a < b ? 1u : 2u)] = 1u;
}

#define TRACE(name, type) \
    void name(type a, type b); \
    PLAIN void name(type a, type b) { compare((uintptr_t)__builtin_return_address(0), a, b); }
TRACE(__sanitizer_cov_trace_cmp1, uint8_t)
TRACE(__sanitizer_cov_trace_cmp2, uint16_t)
TRACE(__sanitizer_cov_trace_cmp4, uint32_t)
TRACE(__sanitizer_cov_trace_cmp8, uint64_t)
TRACE(__sanitizer_cov_trace_const_cmp1, uint8_t)
TRACE(__sanitizer_cov_trace_const_cmp2, uint16_t)
TRACE(__sanitizer_cov_trace_const_cmp4, uint32_t)
TRACE(__sanitizer_cov_trace_const_cmp8, uint64_t)
void __sanitizer_cov_trace_switch(uint64_t value, uint64_t *cases);
void __sanitizer_cov_trace_switch(uint64_t value, uint64_t *cases)
{
    (void)value;
    (void)cases;
}

PLAIN int main(int argc, char **argv)
{
    static char path[4096];
    FILE *list = fopen(argv[1], "r");
    int number = 0;

    MUST(argc == 2 && list != NULL && edge_count < sizeof taken);
    while (fgets(path, sizeof path, list) != NULL) {
        static uint8_t data[65536];
        FILE *file;
        size_t n, i;
        int adds = 0;

        path[strcspn(path, "\n")] = '\0';
        file = fopen(path, "rb");
        MUST(file != NULL);
        n = fread(data, 1u, sizeof data, file);
        fclose(file);
        memset(edges, 0, edge_count);
        memset(compared, 0, sizeof compared);
        LLVMFuzzerTestOneInput(data, n);
        for (i = 0u; i < edge_count; i++) {
            if (edges[i] != 0u && taken[i] == 0u) {
                taken[i] = 1u;
                adds = 1;
            }
        }
        for (i = 0u; i < sizeof compared; i++) {
            if (compared[i] > seen[i]) {
                seen[i] = 1u;
                adds = 1;
            }
        }
        if (adds != 0) {
            printf("%d\n", number);
        }
        number++;
    }
    return 0;
}
"""


def build_covered(subject: Subject, folder: Path) -> Path:
    """Compile the target so that a run over files says which branches it took."""
    return _compile(subject, folder, None, COVER, "cover", REPLAY)


TEXTS = ["aaaa", "a", "é", "€", "\ud7ff", "\U00010000", "\U0010ffff"]
# An infinity and what is no number, of both widths and in both orders of bytes.
REALS = ("7ff0000000000000", "fff0000000000000", "7ff8000000000000", "7f800000", "ff800000", "7fc00000")
PARTS = [b"\x00", b"\xff", *(bytes.fromhex(text)[::way] for text in REALS for way in (1, -1))]


def _texts(subject: Subject, name: str, payload: bytes) -> list[bytes]:
    """The payload with characters of every length in its text."""
    _, value = subject.codec.decode_payload(payload)
    if "word" not in value:
        return [payload]
    frames = [subject.codec.encode(name, {**value, "word": text}) for text in TEXTS]
    return [subject.codec.fmt.decode(frame) for frame in frames]


WORDS: list[str] | str = r"""
- -0 -1 +1 0 00 -00 . -. 1. .1 1.. 0.1 1.0.0 e e1 1e 1e+ 1e- 1ex 1e5 1E5 1e+5 1e-5 1e:5 1e/5 0e: 0.45
0.05 -0.45 1.25 0.4999 1e99 1e100 1e-99 0e99 x 1x 0.4 -0.4 0.40000 0.0000 0.2 0.6 -95.9 -96 96 96.0
96.01 -96.01 1000 100 1e16 12e17 1e18 123456789012345 1234567890123456 1000000000000001
100000000000000000 10000000000000001 0.1e1 10e-1 4e-1 0.0005 0.9995 0.99999 18446744073709551615
18446744073709551616 99999999999999999999 9e-30 0a 0A FF ff fg g0 0g 0G 0: /0 @0 `0
a\x07b a\tb a\r \xc3 \xc0\x80
\xed\xa0\x80 \xf4\x90\x80\x80 \xe0\x80\x80 ~ ~a \x00 a\x00b "\xe0\xa0\x80" "\xc3\xff" "\xe9\xff"
"""
WORDS = [word.encode("ascii").decode("unicode_escape") for word in WORDS.split()]
LONG = ["0" * 101, "1" + "0" * 101, "1." + "0" * 101, "0." + "0" * 105 + "1", "1" * 30, "0." + "0" * 30]
LONG += ["0" * 40 + "1", "", "1" + "0" * 14, "1" + "0" * 15, "0." + "9" * 15, "1e" + "1" * 101]


def _lines(payload: bytes, separator: bytes) -> list[bytes]:
    """A line with each of its words changed, left out or put in."""
    words = payload.split(separator)
    lines = []
    for at in range(len(words)):
        others = [word.strip().encode("latin-1") for word in WORDS] + [word.encode() for word in LONG]
        lines += [separator.join([*words[:at], other, *words[at + 1 :]]) for other in others]
        lines += [separator.join(words[:at]), separator.join([*words[:at], b"0", *words[at:]])]
        lines += [
            separator.join([*words[:at], *words[at + 1 :]]),
            separator.join(words[: at + 1]) + separator,
        ]
    return lines


JSON = [
    '"\\u0041"', '"\\n\\t\\b\\f\\r\\/\\\\\\""', '"\\uD800\\udC00"', '"\\uD800"', '"\\x"', '"\\u00g0"',
    '"\\u007f"', '"\\u0022"', '"\\u005C"', 'null', 'true', 'false', 'nul', 'nulx', 'trux', 'falsy', '[]',
    '[ ]', '[1,[2,{}]]', '[1', '[1}', '{}', '{ }', '{"a":{"b":[]}}', '{"a" : 1 , "b":2 }',
    '[[[[[[[[[]]]]]]]]]', '[[[[[[[[[[[[[[[[[[[[', '{"a":{"a":{"a":{"a":{"a":{"a":{"a":{"a":{"a":', '"a"',
    '\r1', '\t1', '\t\r"a"', '"' + "a" * 101 + '"', "1e" + "0" * 101, "1" * 101, '70000', '1.' + '5' * 20,
    '"\xe9\u20ac\U00010000\ud7ff\U0010ffff"', '"', '"\x01"', ' 1 ', '1 2', '-', '1.5e3', '1e+2', '1e-2',
    '1E99999', '01', '1.', '1e', '-0', '0.0', '1e1x', 'x', '', '}', '"whole"',
    '"' + "a" * 201 + '"', '5,"a":{"b":1.,"c":2},"d":3', '[1.,2]', '[1.5,2e1,3]', '"whol"', '"wh\\u006fle"',
]  # fmt: skip


def _objects(payload: bytes) -> list[bytes]:
    """A JSON object with each of its tokens changed, left out or followed by another."""
    tokens = [token for token in re.split(rb"([,:{}\[\]])", payload) if token]
    others = [
        *(text.encode("utf-8", "surrogatepass") for text in JSON),
        *(word.encode("latin-1") for word in WORDS),
    ]
    found = [b"".join([*tokens[:at], *tokens[at + 1 :]]) for at in range(len(tokens))]
    for at in range(len(tokens)):
        found += [b"".join([*tokens[:at], other, *tokens[at + 1 :]]) for other in others]
        found += [b"".join([*tokens[: at + 1], *tokens[at:]]), b" ".join([*tokens])]
        found.append(b"".join([*tokens[: at + 1], b" ", *tokens[at + 1 :]]))
        # Each character of it wrong.
        wrong = [tokens[at][:i] + b"_" + tokens[at][i + 1 :] for i in range(len(tokens[at]))]
        found += [b"".join([*tokens[:at], other, *tokens[at + 1 :]]) for other in wrong]
    return found


def _turned(one: object) -> object:
    """An object with its keys, and those of the objects in it, in the other order."""
    return {key: _turned(one[key]) for key in reversed(one)} if isinstance(one, dict) else one


NO_DIGITS = (b"/", b":", b"@", b"G")
ENDS = (b"\r\n", b"\n", b"\r", b"\r\r\n", b"\ra\n", b" \r\n")


def _checks(fmt: FrameFormat, line: bytes) -> list[bytes]:
    """The check of a line, as text, and what may be there in its place."""
    check = fmt.envelope.check_of(line)
    flipped = [check[:at] + bytes([byte ^ 1]) + check[at + 1 :] for at, byte in enumerate(check)]
    others = [check[:at] + byte + check[at + 1 :] for at in range(len(check)) for byte in NO_DIGITS]
    return [check, b" " + check, check + b"0", check[:-1], b"", check.lower(), *flipped, *others]


def _repeated(payload: bytes) -> list[bytes]:
    """A JSON document with more and fewer elements in each of its repeats, and with other things."""
    document = json.loads(payload)
    found = []
    for name, items in document.items() if isinstance(document, dict) else enumerate(document):
        if not isinstance(items, list):
            continue
        turned = [dict(reversed(one.items())) if isinstance(one, dict) else one for one in items]
        more = [items * 2, items * 5, [None, *items], [*items, 7], [*items, items]]
        for made in ([], [None], [[]], turned, *more):
            changed = dict(document) if isinstance(document, dict) else list(document)
            changed[name] = made
            whole = json.dumps(changed, separators=(",", ":")).encode()
            text = json.dumps(made, separators=(",", ":")).encode()
            # Each end one of the other kind, a key twice, a space where keys begin.
            ways = {text, text[:-1] + b"}", text.replace(b"{", b"{ ", 1), text.replace(b"}", b"]", 1)}
            ways |= {re.sub(rb"\{(.*?)\}", rb"{\1,\1}", text)}
            if made is turned:
                # Each character of it wrong.
                ways |= {text[:at] + b"_" + text[at + 1 :] for at in range(len(text))}
            found += [whole.replace(text, way, 1) for way in sorted(ways)]
    return found


def seeds(subject: Subject) -> list[bytes]:
    """What fuzzing starts from: streams of frames of the vectors, damaged and whole."""
    from linkbudget import cobs_encode, crc_algorithm
    from linkbudget.codegen.vectors import vectors

    found = vectors(subject.spec)
    good = [bytes.fromhex(vector["frame"]) for vector in found["good"]]
    damaged = [bytes.fromhex(vector["stream"]) for vector in found["damaged"]]
    streams = [b"\x07" + frame for frame in good + damaged[:: max(1, len(damaged) // 40)]]
    streams += [b"\x43" + b"".join(good[at : at + 3]) for at in range(0, len(good), 3)]
    payloads, changes = [b""], []
    for kind, message in enumerate(subject.spec.messages):
        own = [bytes.fromhex(v["payload"]) for v in found["good"] if v["message"] == message.name]
        own += _texts(subject, message.name, own[0])
        payloads += [way for payload in own for way in (payload, payload[:-1], payload + b"\x00")]
        for payload in (max(own, key=len), min(own, key=len), *own[-len(TEXTS) :]):
            whole = int.from_bytes(payload, "big")
            payloads += [(whole ^ 1 << bit).to_bytes(len(payload), "big") for bit in range(8 * len(payload))]
            separator = {"delimited": b" ~ " if b" ~ " in payload else b","}.get(subject.spec.family)
            if separator is not None:
                payloads += _lines(payload, separator)
            for at in range(len(payload)):
                payloads += [payload[:at] + part + payload[at + len(part) :] for part in PARTS]
        for payload in own:
            changes.append(bytes([0xA0 + kind]) + b"\x05" + bytes(6) + payload)
        size = 0 if subject.extractor else 200
        for base in (*own[:3], max(own, key=len), own[-len(TEXTS) % len(own)]):
            for at in range(size):
                for value in (1, 2, 4, 8, 0x10, 0x20, 0x40, 0x80, 0xFF, 0x4D, 0x66):
                    changes.append(bytes([0x80 + kind, 0, at, value, 0, 0, 0, 0, 0]) + base)
                changes.append(bytes([0x80 + kind, 0, at, 0x41, at + 1, 0x1F, at + 2, 0x41, 0]) + base)
        # Many at once: two come while one is taken.
        least = min(own, key=len)
        if len(least) < 256:
            changes.append(b"\x3f" + (bytes([len(least)]) + least) * 8)
        infinite = bytes(8) + bytes.fromhex("7ff0000000000000")[::-1]
        changes.append(bytes([0xC0 + kind]) + bytes(8) + infinite)
    streams += [b"\x07" + good[0][:at] for at in range(min(len(good[0]), 9))]
    streams += [b"\x07" + b"\x55" * 600 + good[0], b"\x2f\xff" + b"a" * 600]
    # Bytes on the line that give none of the body, then many that do.
    streams += [b"\x1f" + lost + b"\x55" * LONGEST for lost in (b"", b"\xdb\x01" * 300, b"\x7d" * 600)]
    streams.append(b"\x07" + cobs_encode((b"\x55" * 99 + b"\x00") * 3 + b"\x55") + b"\x00")
    fmt = subject.codec.fmt
    if fmt.delimiting == "counted" and fmt.header_check is not None:
        lengths = [number.to_bytes(fmt.length_bytes, fmt.length_order) for number in (0, 8, 90, 255)]
        check = crc_algorithm(fmt.header_check)
        streams += [b"\x07" + fmt.sync + check.append(length) + bytes(100) for length in lengths]
    if subject.extractor:
        change = _objects if subject.spec.family == "json" else lambda payload: _lines(payload, b",")
        chosen = payloads[1:40:9]
        if len(subject.spec.messages) > 1:
            # The first two of each message.
            good_of: dict[str, list[bytes]] = {}
            for vector in found["good"]:
                good_of.setdefault(vector["message"], []).append(bytes.fromhex(vector["payload"]))
            chosen = [payload for own in good_of.values() for payload in own[:2]]
        if subject.spec.family == "json":
            # Keys in the other order as well: then another one is the last.
            turned = [json.loads(payload) for payload in chosen]
            turned = [_turned(one) for one in turned if isinstance(one, dict)]
            chosen = [*chosen, *(json.dumps(one, separators=(",", ":")).encode() for one in turned)]
            # Of all messages at once.
            keys = [message.layout.key for message in subject.codec.messages if message.layout.key]
            chosen += [json.dumps({key: {} for key in keys}).encode()] if keys else []
        lines = [line for payload in chosen for line in change(payload)]
        if subject.spec.family == "json":
            lines += [line for payload in payloads[1:40:3] for line in _repeated(payload)]
        # Too long, where only the end of the line is there to see it.
        lines += [line[::-1].replace(b",", b" " * 90 + b",", 1)[::-1] for line in chosen]
        end = fmt.terminator.encode("latin-1")
        ended = [line + fmt.envelope.check_of(line) + end for line in lines]
        if fmt.check_bytes:
            # Behind the document: wrong digits, too few, too many or none, and half an end of the line.
            ended += [line + check + half for line in chosen for check in _checks(fmt, line) for half in ENDS]
        # In small pieces, and in such that hold a whole key.
        return [way + line + good[0] for line in ended for way in (b"\x07", b"\x1f")] + streams
    streams += [b"\x2f" + bytes([len(payload)]) + payload for payload in payloads if len(payload) < 256]
    streams += changes
    return [stream[:LONGEST] for stream in streams]


def kept(name: str) -> list[bytes]:
    """The corpus kept for a subject, with what notices that a bound was deleted (`codegen_mutants`)."""
    return list(dict.fromkeys([*_unpacked(CORPUS / f"{name}.gz"), *kept_for_bounds(name)]))


def kept_for_bounds(name: str) -> list[bytes]:
    """Inputs that take no other branches, and notice the deletion of a bound."""
    path = CORPUS / f"{name}-bounds.gz"
    return _unpacked(path) if path.exists() else []


def for_bounds(name: str, inputs: list[bytes]) -> None:
    """Keep such inputs."""
    if inputs:
        _pack(CORPUS / f"{name}-bounds.gz", inputs)


def _unpacked(path: Path) -> list[bytes]:
    return [bytes.fromhex(line) for line in gzip.decompress(path.read_bytes()).decode("ascii").split()]


def _pack(path: Path, inputs: list[bytes]) -> None:
    text = "".join(content.hex() + "\n" for content in inputs)
    path.write_bytes(gzip.compress(text.encode(), 9, mtime=0))


def written(folder: Path, inputs: Iterable[bytes]) -> list[Path]:
    """The inputs as files."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for number, data in enumerate(inputs):
        paths.append(folder / f"{number:05d}")
        paths[-1].write_bytes(data)
    return paths


def fuzz(program: Path, corpus: Path, seconds: int) -> tuple[int, int]:
    """Fuzz for some seconds; returns how many inputs were tried, and how many a second."""
    command = [str(program), f"-max_total_time={seconds}", f"-max_len={LONGEST}", "-seed=1", "-timeout=20"]
    command += ["-print_final_stats=1", "-use_value_profile=1", "-detect_leaks=1", "-close_fd_mask=1"]
    command += [f"-artifact_prefix={program.parent}/", str(corpus)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-5000:]
    runs = int(re.search(r"number_of_executed_units: (\d+)", done.stderr)[1])
    rate = int(re.search(r"average_exec_per_sec:\s+(\d+)", done.stderr)[1])
    return runs, rate


# --- coverage ----------------------------------------------------------------------------------------------


def untaken(program: Path, inputs: list[bytes]) -> tuple[list[str], int]:
    """Branches of the source that no input takes, as ``function: condition``, and how many there are."""
    folder = program.parent
    profile, data = folder / "raw.profraw", folder / "all.profdata"
    paths = written(folder / "inputs", inputs)
    environment = {**os.environ, "LLVM_PROFILE_FILE": str(profile)}
    subprocess.run([program, *paths], check=True, env=environment, stdout=subprocess.DEVNULL)
    subprocess.run(["llvm-profdata", "merge", "-o", data, profile], check=True)
    command = ["llvm-cov", "export", program, f"-instr-profile={data}"]
    report = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
    return _untaken(report["data"][0]["functions"], (folder / f"{PREFIX}.c").read_text(encoding="utf-8"))


def _untaken(functions: list[dict], text: str) -> tuple[list[str], int]:
    lines = text.splitlines()
    found, branches = set(), 0
    for function in functions:
        if not function["filenames"][0].endswith(f"/{PREFIX}.c"):
            continue
        name = function["name"].rpartition(":")[2]
        if function["count"] == 0:
            found.add(f"{name}: never called")
        for line, column, _, end, true, false, file, *_ in function["branches"]:
            branches += 2
            if function["filenames"][file].endswith(f"/{PREFIX}.c"):
                condition = lines[line - 1][column - 1 : end - 1].strip()
                found |= {
                    f"{name}: {condition} never {way}"
                    for way, n in (("true", true), ("false", false))
                    if not n
                }
    return sorted(found), branches


def smallest(subject: Subject, folder: Path, inputs: list[bytes]) -> list[bytes]:
    """A small part of the inputs that takes the same branches: shortest first, each that adds an edge."""
    program = _compile(subject, folder, None, EDGES, "choose", CHOOSE)
    inputs = sorted(inputs, key=lambda content: (len(content), content))
    # One after the other in one process; each line printed is the place of one to keep.
    listed = folder / "listed"
    listed.write_text("".join(f"{path}\n" for path in written(folder / "inputs", inputs)), encoding="utf-8")
    done = subprocess.run([program, listed], capture_output=True, text=True, check=True)
    return [inputs[int(line)] for line in done.stdout.split()]


def main(seconds: int, names: list[str]) -> None:
    CORPUS.mkdir(parents=True, exist_ok=True)
    for name in names:
        subject = subjects()[name]
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place)
            program = build(subject, folder / "fuzz") if seconds else folder
            begin = kept(name) if (CORPUS / f"{name}.gz").exists() else []
            written(folder / "corpus", [*seeds(subject), *begin])
            # No time at all: only what is there is chosen from.
            runs, rate = fuzz(program, folder / "corpus", seconds) if seconds else (0, 0)
            found = [path.read_bytes() for path in (folder / "corpus").iterdir()]
            inputs = smallest(subject, folder / "choose", found)
            covered = build_covered(subject, folder / "cover")
            _pack(CORPUS / f"{name}.gz", inputs)
            missing, branches = untaken(covered, inputs)
            print(
                f"{name}: {runs:,} inputs, {rate:,} a second, {len(inputs)} kept, {branches} branches",
                flush=True,
            )
            for line in missing:
                print(f"    {line}", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 60, sys.argv[2:] or list(subjects()))
