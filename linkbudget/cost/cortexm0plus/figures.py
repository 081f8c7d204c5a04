"""C functions measured in one call: compiled, linked, run, counted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from linkbudget.cost.cortexm0plus.image import Image
from linkbudget.cost.cortexm0plus.machine import Machine, Run
from linkbudget.cost.cortexm0plus.toolchain import FLAGS, Compiler, build, compiler_named

__all__ = ["Buffer", "Call", "Figures", "measure_c"]


class Buffer(NamedTuple):
    """An object of the caller, passed by its address; the same name is the same object in every call."""

    name: str
    size: int


class Call(NamedTuple):
    """A call of a function with numbers, bytes (by address, not to be written) and buffers."""

    function: str
    arguments: tuple[int | bytes | Buffer, ...] = ()


@dataclass(frozen=True)
class Figures:
    """What the calls took, each in ``runs``; ``code_bytes`` by symbol, ``static_bytes`` of RAM."""

    compiler: Compiler
    flags: tuple[str, ...]
    image: Image
    runs: tuple[Run, ...]
    machine: Machine

    @property
    def code_bytes(self) -> dict[str, int]:
        """Bytes of flash by symbol: what the called functions need and nothing else."""
        return self.image.code_bytes

    @property
    def stack_bytes(self) -> int:
        """The deepest stack of any call."""
        return max((run.stack_bytes for run in self.runs), default=0)


def measure_c(
    sources: Mapping[str, str],
    calls: Sequence[Call],
    *,
    compiler: str | None = None,
    flags: Sequence[str] = FLAGS,
    multiply: int = 1,
    limit: int | None = None,
    include: Sequence[str] = (),
) -> Figures:
    """Compile C files (name to text), run calls one after the other, and return what each took.

    ``compiler``: ``"gcc"``, ``"zig"`` or None, the first of them that is there. Static objects keep their
    values from call to call.

    Raises `TargetError` for what does not compile or is not installed, `EmulatedFault` for code that faults,
    leaves its objects or never ends.
    """
    chosen = compiler_named(compiler)
    entries = list(dict.fromkeys(call.function for call in calls))
    image = build(sources, entries, compiler=chosen, flags=flags, include=include)
    machine = Machine(image, multiply=multiply, limit=limit)
    placed: dict[bytes | str, int] = {}

    def word(argument: int | bytes | Buffer) -> int:
        if isinstance(argument, int):
            return argument
        key = argument.name if isinstance(argument, Buffer) else argument
        if key not in placed:
            if isinstance(argument, Buffer):
                placed[key] = machine.place(argument.size)
            else:
                placed[key] = machine.place(len(argument), argument, writable=False)
        return placed[key]

    runs = tuple(machine.call(call.function, *map(word, call.arguments)) for call in calls)
    return Figures(chosen, tuple(flags), image, runs, machine)
