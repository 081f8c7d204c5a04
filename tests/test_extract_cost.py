"""What the extractor of JSON costs on an emulated Cortex-M0+: a line of 65 bytes with seven numbers.

Cycles by the table of ARM's Technical Reference Manual (DDI 0484C, table 3-1), register lists without LR and
PC, memory without wait states. The bounds of cycles, and of the code of both ways together (4 kB), are what
was asked for; that of the code that takes single bytes is what was reached.
"""

from __future__ import annotations

import pytest
from extract_oracle import codec_of
from m0plus import compiler, needs_emulator

from linkbudget.codegen.c.target import CTarget
from linkbudget.codegen.c.words import RESERVED
from linkbudget.codegen.spec import describe
from linkbudget.message.fields import Counter, Integer, Scaled
from linkbudget.message.layout import MessageLayout

MIXED = MessageLayout(
    "beans",
    (
        Counter("tick", 16),
        Integer("score", 0, 100),
        *(Scaled(name, 0, 96, 0.4) for name in "xyw"),
        Integer("v", 0, 9),
        Integer("gap", 0, 99),
    ),
)
WHOLE = MessageLayout("beans", tuple(Integer(name, 0, 9999) for name in "abcdefg"))
LINES = {
    "mixed": (MIXED, b'{"tick":5123,"score":87,"x":12.4,"y":40.8,"w":7.2,"v":3,"gap":9}\n'),
    "whole": (WHOLE, b'{"a":1234,"b":1234,"c":1234,"d":1234,"e":1234,"f":1234,"g":1234}\n'),
}
DRIVER = """\
#include "link.h"

static link_receiver receiver;
static link_beans_t beans;
static volatile uint8_t seen;

void start(void) { link_start(&receiver, 0u); }
void chunk(const uint8_t *p, size_t n) { (void)link_feed(&receiver, p, n, n, 0u); }
int take(void) { return link_take_beans(&receiver, &beans); }
void push(const uint8_t *p, size_t n)
{
    size_t i;
    for (i = 0u; i < n; i++) {
        (void)link_push(&receiver, p[i], 0u);
    }
}
/* The same loop without a receiver. */
void read(const uint8_t *p, size_t n)
{
    size_t i;
    for (i = 0u; i < n; i++) {
        seen = p[i];
    }
}
"""
# Code that is not the receiver's: of the library, and what the driver has beside the calls.
OTHERS = {"memcpy", "memset", "start", "chunk", "take", "read"}


def measured(name: str, *calls):
    from linkbudget.cost.cortexm0plus.figures import Call, measure_c

    needs_emulator()
    compiler("gcc")
    layout, line = LINES[name]
    assert len(line) == 65
    spec = describe(codec_of(layout, max_payload=120), "to-controller", "link", RESERVED)
    files = CTarget().generate(spec, {"check": "small"})
    sources = {"link.h": files["link.h"], "link.c": files["link.c"], "drive.c": DRIVER}
    made = [Call(way, (piece, len(piece)) if piece else ()) for way, piece in calls]
    return measure_c(sources, made, compiler="gcc", flags=("-O2",))


def code(figures) -> int:
    return sum(size for name, size in figures.code_bytes.items() if name not in OTHERS)


@pytest.mark.parametrize("name", LINES)
def test_a_line_in_pieces_costs_no_more_than_was_asked_for(name):
    line = LINES[name][1]
    pieces = [("chunk", line[at : at + 16]) for at in range(0, len(line), 16)]
    calls = [("start", b""), ("chunk", line), ("take", b""), ("chunk", line), ("take", b""), *pieces]
    figures = measured(name, *calls, ("take", b""))
    runs = figures.runs
    assert [run.returned for run in (runs[2], runs[4], runs[-1])] == [1, 1, 1]
    # Without the function around the call.
    costs = [run.cycles.low - run.by_symbol["chunk"] for run in runs[3:-1] if "chunk" in run.by_symbol]
    assert len(costs) == 6
    assert costs[0] <= 1500
    assert sum(costs[1:]) <= 1800
    assert code(figures) <= 4096


@pytest.mark.parametrize("name", LINES)
def test_bytes_one_by_one_cost_no_more_than_was_asked_for(name):
    line = LINES[name][1]
    calls = [("start", b""), ("push", line), ("take", b""), ("push", line), ("take", b""), ("read", line)]
    figures = measured(name, *calls)
    runs = figures.runs
    assert [run.returned for run in (runs[2], runs[4])] == [1, 1]
    assert runs[3].cycles.low - runs[5].cycles.low <= 2500
    assert code(figures) <= 2850
