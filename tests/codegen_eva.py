"""Static analysis of generated C: Frama-C's EVA follows every value that any bytes can lead to.

The drivers start a receiver and give it bytes without end, each any of 256 and at any time; nothing else is
assumed. What EVA cannot see: an interrupt between two statements (``volatile`` is taken away, and the barrier
is empty), which the fuzzer plays instead; and a pointer that leaves an array for the next member of the same
object. So the arrays of a receiver are objects of their own here, and how much of those of a message is
reached, where that is not by an index, is asserted.

Pieces are of any length up to four bytes (six where frames are found by their length, eight where the text of
an object is looked at ahead, up to its longest key with quotes and colon), so that their places can be
followed. That longer ones are safe is then an argument, not part of the analysis: ``feed`` keeps
nothing from byte to byte but the receiver and the place in the piece, so where its loop begins anew it stands
as if called with what is left; each read of the piece is behind a comparison with its length, and each write
behind one with the room left, which short pieces reach from every length that is held. Pieces of up to 32
bytes are fuzzed, and must lead to the same as bytes pushed one by one.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from codegen_subjects import PREFIX, Subject

# The longest piece, by delimiting or subject: of many frames where the place in a piece is not followed.
PIECE = {"counted": 6, "none": 6, "extract-json": 8, "extract-keyed": 8, "extract-lists": 8}
# Where frames are found by their length, what is held and what it waits for are followed together.
HELD = "//@ dynamic_split state.line.length;\n        //@ dynamic_split state.line.need;"
OPTIONS = [
    "-eva-precision",
    "0",
    "-eva-split-limit",
    "400",
    "-machdep",
    "gcc_x86_64",
    "-warn-special-float",
    "none",
    "-eva-no-print",
]
# Functions in which ways are followed apart, and those whose answers are.
LEVELS = {
    "fz_start": 10,
    "fz_end": 100,
    "fz_header": 50,
    "fz_judge": 50,
    "fz_bits": 100,
    "fz_run": 40,
    "fz_step": 200,
}
RETURNS = ("fz_header", "fz_judge", "fz_step")
# Of a grammar: which places it can be at, which words and nodes, is kept by the piece. Elsewhere that is more
# to follow and shows no more: fields whose place moves took five times as long, and in pieces did not end.
SMALL_SETS = ("-eva-ilevel", "128", "-eva-widening-delay", "30")
HEAD = """\
#define FZ_BARRIER()
#define volatile
#include "fz.c"
#include "__fc_builtin.h"

static fz_receiver state;

static uint32_t any_time(void)
{
    return (uint32_t)Frama_C_unsigned_int_interval(0u, 0xFFFFFFFFu);
}

static void look(void)
{
TAKES
    (void)fz_age(&state, any_time());
    (void)fz_count(&state, (fz_status)Frama_C_interval(0, 255));
COUNTERS
}
"""
PUSH = """
int main(void)
{
    fz_start(&state, any_time());
    while (1) {
        SPLIT
        (void)fz_push(&state, (uint8_t)Frama_C_interval(0, 255), any_time());
        if (Frama_C_interval(0, 1) != 0) {
            look();
        }
    }
}
"""
FEED = """
static uint8_t data[PIECE];

int main(void)
{
    fz_start(&state, any_time());
    while (1) {
        size_t n = (size_t)Frama_C_interval(0, PIECE);
        size_t limit = Frama_C_interval(0, 1) != 0 ? any_time() : (size_t)-1;
        SPLIT
        Frama_C_make_unknown((char *)data, PIECE);
        (void)fz_feed(&state, data, n, limit, any_time());
        if (Frama_C_interval(0, 1) != 0) {
            look();
        }
    }
}
"""


@dataclass(frozen=True)
class Verdict:
    """What an analysis found: places where something can go wrong, and how much of the code it reached."""

    alarms: list[str]
    statements: int
    reached: int
    text: str


def driver(subject: Subject, way: str) -> str:
    """The program that is analysed: ``way`` is push or feed."""
    split = HELD if subject.searches else ""
    takes = "\n".join(
        f"    {{\n        fz_{m.ident}_t out;\n        (void)fz_take_{m.ident}(&state, &out);\n    }}"
        for m in subject.spec.messages
    )
    found = re.findall(r"^uint\d+_t (\w+)\(const fz_receiver \*state\);", subject.files[f"{PREFIX}.h"], re.M)
    counters = "\n".join(f"    (void){name}(&state);" for name in found)
    text = HEAD.replace("TAKES", takes).replace("COUNTERS", counters) + {"push": PUSH, "feed": FEED}[way]
    piece = PIECE.get(subject.name, PIECE.get(subject.codec.fmt.delimiting, 4))
    return text.replace("PIECE", str(piece)).replace("SPLIT", split)


def analyse(
    folder: Path,
    source: str,
    files: dict[str, str],
    options: tuple[str, ...] = (),
    limit: Callable[[], None] | None = None,
    whole: bool = True,
) -> Verdict:
    """Run EVA on a driver with the generated files.

    ``limit`` is called in its process before it starts; not ``whole``: it may stop before its end.
    """
    folder.mkdir(parents=True, exist_ok=True)
    code = apart(files[f"{PREFIX}.h"], files[f"{PREFIX}.c"])
    for name, text in {**files, f"{PREFIX}.c": code, "driver.c": source}.items():
        (folder / name).write_text(text, encoding="utf-8")
    levels = ",".join(f"{name}:{level}" for name, level in LEVELS.items() if f" {name}(" in code)
    levels += "".join(f",{name}:2000" for name in re.findall(r"^static \w+ (fz_read_\w+)", code, re.M))
    returns = ",".join(f"{name}:0" for name in RETURNS if f" {name}(" in code)
    command = ["frama-c", "-eva", *OPTIONS, "-eva-slevel-function", levels]
    command += ["-eva-split-return-function", returns] * bool(returns)
    command += SMALL_SETS if " fz_settle(" in code else ()
    command += [*options, str(folder / "driver.c")]
    done = subprocess.run(command, capture_output=True, text=True, preexec_fn=limit)
    text = done.stdout + done.stderr
    # A precondition of the C library that is not shown to hold is told as a warning, not counted as an alarm.
    alarms = re.findall(r"^\[eva:alarm\] \S*?([\w.]+:\d+: Warning: *\n.*)", text, re.M)
    reached = re.search(r"(\d+) statements reached \(out of (\d+)\)", text)
    assert reached or not whole, text[-2000:]
    # Stopped at the first alarm, or because its time was over.
    counts = (int(reached[2]), int(reached[1])) if reached else (0, 0)
    return Verdict(alarms, *counts, text)


# Where the analysis keeps states apart that it would otherwise join, and what it is to show besides: the
# function, what stands behind, what is followed. They are comments in the source and change nothing.
HINTS = (
    ("fz_accept", "    fz_status status = ", "split n"),
    ("fz_accept", "            fresh = fz_read_", "split place"),
    ("fz_feed", "    state->now = now;", "split n"),
    ("fz_bits", "    while (", "split in->at"),
    (r"fz_read_\w+", "    in.end = ", "dynamic_split in.at"),
    ("fz_search", "    while (held ", "dynamic_split at"),
    ("fz_search", "    while (held ", "dynamic_split need"),
    ("fz_search", "        if (status == FZ_NOTHING) {\n            if (need ", "split status"),
    ("fz_search", "        need = 1u;\n", "merge status"),
    ("fz_next", "    if (in->more", "split in->at"),
    ("fz_next", "    word->text = ", "split stop"),
    ("fz_find", "    while (at", "dynamic_split at"),
    *(
        (r"fz_read_\w+", "    if (fz_next(", f"dynamic_split {what}")
        for what in ("in.at", "in.more", "word.n")
    ),
    ("fz_step", "        for (; at < word->n", "loop widen_hints given, 99"),
    (
        "fz_digits",
        "    for (; at",
        "loop widen_hints *exponent, -1000; loop widen_hints *digits, 999999999999999",
    ),
    ("fz_at_over", "    if (word->length", "split state->word"),
    ("fz_at_ending", "    if (state->node", "split state->word"),
    # Where pieces are taken in as a whole.
    *(
        ("fz_feed", f"    while (i < n) {{\n        {behind}", hint)
        for behind, hint in (
            ("/*", "split n"),
            ("/*", "dynamic_split i"),
            ("/*", "dynamic_split state->line.length"),
            ("/*", "dynamic_split state->line.need"),
            ("if", "dynamic_split i"),
            ("if", "dynamic_split state->line.length"),
        )
    ),
    # A byte leads to the same wherever in a piece it stands: the places are joined while it is taken in, or
    # all reading of a message would be followed once for each of them.
    *(
        ("fz_feed", f"            {behind}", f"{how} {what}")
        for behind, how in (("(void)fz_push(", "merge"), ("i++;", "dynamic_split"))
        for what in ("i", "state->line.length")
    ),
    # Where an array of a message is not reached by an index.
    (r"fz_read_\w+", "    memcpy(out->word, ", "assert word.n <= sizeof(out->word)"),
    (r"fz_read_\w+", "    if (fz_hex_word(&word, out->raw, ", "assert word.n / 2 <= sizeof(out->raw)"),
    (r"fz_read_\w+", "        if (fz_is_utf8(out->word, ", "assert out->word_length <= sizeof(out->word)"),
    ("fz_is_utf8", "    while (i < n)", "split n"),
    ("fz_is_utf8", "            low = 0x80u;", "assert i < n"),
)


def apart(header: str, code: str) -> str:
    """The source with each array of its receiver as an object of its own: what leaves one is then seen.

    Extractors reach theirs by an index only, which is seen anyway: they stay as they are.
    """
    if f"}} {PREFIX}_receiver;" not in header:
        return code
    members = header[: header.index(f"}} {PREFIX}_receiver;")].rpartition("typedef struct {")[2]
    arrays = re.findall(r"^    (\w+) (\w+)\[(\w+)\];", members, re.M)
    assert len(arrays) == members.count("["), members
    for _, name, _ in arrays:
        code = re.sub(rf"\bstate->{name}\b", f"apart_{name}", code)
    objects = "".join(f"static {kind} apart_{name}[{size}];\n" for kind, name, size in arrays)
    return code.replace(f'#include "{PREFIX}.h"\n', f'#include "{PREFIX}.h"\n{objects}', 1)


def hinted(text: str, hints: tuple[tuple[str, str, str], ...] = HINTS) -> str:
    """The source with the hints, where it has these functions and statements."""
    for function, before, hint in hints:
        bodies = list(re.finditer(rf"^[\w ]+\b{function}\([^;]*?\)\n\{{\n.*?^\}}\n", text, re.M | re.S))
        for body in reversed(bodies):
            if before in body[0]:
                place = body.start() + body[0].index(before)
                text = f"{text[:place]}    //@ {hint};\n{text[place:]}"
    return text
