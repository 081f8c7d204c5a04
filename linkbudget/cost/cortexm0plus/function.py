"""A function of the user's own, ``parse(const uint8_t *data, size_t n)``, called once for each message."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import numpy as np

from linkbudget.cost.cortexm0plus.cycles import BRANCH_WITH_LINK, Cycles
from linkbudget.cost.cortexm0plus.machine import Machine, Runs
from linkbudget.cost.cortexm0plus.receiver import FormCost
from linkbudget.cost.cortexm0plus.toolchain import Compiler, compiled, linked
from linkbudget.cost.pieces import Frames, Sampled
from linkbudget.errors import Fault, SettingsError

__all__ = ["measure_function"]

HEAP_BYTES = 8192
HEAP = f"""\
#include <stddef.h>

static char heap[{HEAP_BYTES}];
static size_t used;

void *_sbrk(int n);
void *_sbrk(int n)
{{
    char *at = &heap[used];

    if (n < 0 || used + (size_t)n > sizeof heap) {{
        return (void *)-1;
    }}
    used += (size_t)n;
    return at;
}}
"""
"""Memory for a C library whose functions allocate (sscanf, strtod); it is linked when they are."""


def measure_function(
    name: str,
    sources: Mapping[str, str],
    include: Sequence[str],
    frames: Frames,
    *,
    compiler: Compiler,
    flags: Sequence[str],
    multiply: int = 1,
) -> FormCost:
    """Return what a function costs that gets each message, its delimiters included, in a call of its own.

    Its static objects keep their values from call to call. What it returns is not looked at. The message
    cannot be written; writing beside its own objects and its stack is an `EmulatedFault`, and so is reading
    beside them. That is looked at in a first run, in which its objects stand apart from each other.

    Raises `SettingsError` when the sources have no such function, `TargetError` when they do not compile.
    """
    objects = compiled({**sources, "driver_heap.c": HEAP}, compiler=compiler, flags=flags, include=include)
    if not re.fullmatch(r"[A-Za-z_]\w*", name):
        raise SettingsError(Fault("function", name, "the name of a function in C"))
    image = linked(objects, [name], compiler=compiler)
    if not any(symbol.name == name and symbol.function for symbol in image.symbols):
        allowed = f"a function of {', '.join(sources)} that is not static"
        raise SettingsError(Fault("function", name, allowed))
    apart = linked(objects, [name], compiler=compiler, apart=True)
    _run(Machine(apart, strict=True), name, frames)
    runs = _run(Machine(image, multiply=multiply), name, frames)
    cost = runs.high + BRANCH_WITH_LINK
    calls = len(cost) * BRANCH_WITH_LINK
    sizes = np.array([len(frame) for frame in frames.good], dtype=np.int64)
    return FormCost(
        form="function",
        messages=len(frames.good),
        bytes=int(sizes.sum()),
        cycles=Cycles(int(runs.low.sum()) + calls, int(runs.high.sum()) + calls),
        instructions=int(runs.instructions.sum()),
        worst_byte=None,
        worst_message=int(cost.max()),
        by_symbol=runs.by_symbol,
        code_bytes=image.code_bytes,
        static_bytes=image.static_bytes,
        stack_bytes=runs.stack_bytes,
        samples=Sampled(cost, sizes * 0, sizes * 0, sizes * 0 + 1, sizes),
    )


def _run(machine: Machine, name: str, frames: Frames) -> Runs:
    largest = -(-max(map(len, frames.good)) // 4) * 4
    end = machine.place(largest, writable=False) + largest

    def given(chunk: bytes) -> tuple[int, int]:
        at = end - (len(chunk) + 3) // 4 * 4
        machine.write(at, chunk)
        return at, len(chunk)

    return machine.calls(name, map(given, frames.good))
