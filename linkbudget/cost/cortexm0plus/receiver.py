"""Generated receivers in C, run the three ways a controller can read.

``push``: a call for each byte, as in a receive interrupt. ``chunk``: a call for what has arrived, here one
whole message; for the fit also in small pieces, and three messages at once. ``whole``: a frame that somebody
else has cut out is decoded where it stands; extractors of text have no such function.

A chunk is read by a small function of ours that calls those of the receiver as a loop does: one that takes
the bytes, and one for each kind of message that hands out what is new. The latter is also called after the
last byte of a pushed message. With each call goes the ``BL`` of its caller.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from linkbudget.cost.cortexm0plus.cycles import BRANCH_WITH_LINK, Cycles
from linkbudget.cost.cortexm0plus.image import Image
from linkbudget.cost.cortexm0plus.machine import Machine, Runs
from linkbudget.cost.cortexm0plus.toolchain import Compiler, compiled, linked
from linkbudget.cost.pieces import Frames, Pieces, Sampled, in_pieces, in_whole, joined_samples
from linkbudget.errors import TargetError

if TYPE_CHECKING:
    import numpy.typing as npt

    Ints = npt.NDArray[np.int64]

__all__ = ["FORMS", "FormCost", "Receiver"]

FORMS = ("push", "chunk", "whole")
PIECES = (1, 3, 8, 20)
SEVERAL = 3
UNCOUNTED = ("driver_statuses", "driver_read")

DRIVER = """\
#include "PREFIX.h"

PREFIX_receiver driver_state;
OBJECTS
const uint8_t driver_statuses[] = {STATUSES};

PREFIX_status driver_push(PREFIX_receiver *state, uint8_t byte, uint32_t now);
PREFIX_status driver_push(PREFIX_receiver *state, uint8_t byte, uint32_t now)
{
    return PREFIX_push(state, byte, now);
}

int driver_read(const uint8_t *data, size_t n, uint32_t now);
int driver_read(const uint8_t *data, size_t n, uint32_t now)
{
    int fresh = 0;

    (void)PREFIX_feed(&driver_state, data, n, n, now);
TAKES
    return fresh;
}
"""
"""The objects a controller has, its reading step, and a push that may stand in the header as a function."""


@dataclass(frozen=True, eq=False)
class FormCost:
    """What one way of reading costs.

    Sums over all ``messages``; ``worst_message`` is the dearest of them, ``worst_byte`` the dearest pushed
    byte, those of damaged streams among them (both in the high reading; None: not pushed). ``code_bytes`` by
    symbol is what this way of reading needs and nothing else, ``static_bytes`` the RAM of its objects.
    """

    form: str
    messages: int
    bytes: int
    cycles: Cycles
    instructions: int
    worst_byte: int | None
    worst_message: int
    by_symbol: Mapping[str, int]
    code_bytes: Mapping[str, int]
    static_bytes: int
    stack_bytes: int
    samples: Sampled


class Receiver:
    """One generated receiver, compiled; ``idents`` are its messages by number.

    Raises `TargetError` when it does not compile.
    """

    def __init__(
        self,
        files: Mapping[str, str],
        prefix: str,
        idents: Sequence[str],
        *,
        compiler: Compiler,
        flags: Sequence[str],
        multiply: int = 1,
    ) -> None:
        header = files[f"{prefix}.h"]
        self.prefix, self.idents = prefix, tuple(idents)
        self.compiler, self.multiply = compiler, multiply
        self._inline = re.search(rf"static inline [^\n;]*\b{prefix}_push\(", header) is not None
        self._decodes = f" {prefix}_decode(" in header
        objects = [f"{prefix}_{ident}_t driver_{ident};" for ident in idents]
        objects += [f"{prefix}_message driver_message;"] if self._decodes else []
        statuses = ", ".join(f"{prefix}_got_{ident}".upper() for ident in idents)
        takes = "\n".join(
            f"    fresh += {prefix}_take_{ident}(&driver_state, &driver_{ident});" for ident in idents
        )
        driver = DRIVER.replace("OBJECTS", "\n".join(objects)).replace("STATUSES", statuses)
        driver = driver.replace("TAKES", takes)
        sources = {name: files[name] for name in (f"{prefix}.h", f"{prefix}.c")}
        sources["driver.c"] = driver.replace("PREFIX", prefix)
        self._compiled = compiled(sources, compiler=compiler, flags=flags)

    @property
    def forms(self) -> tuple[str, ...]:
        """The ways it can read."""
        return FORMS if self._decodes else FORMS[:2]

    def measured(self, form: str, frames: Frames) -> FormCost:
        """Return what reading these frames in one way costs.

        Raises `TargetError` when not every good frame was accepted: then the cost says nothing.
        """
        prefix = self.prefix
        if form == "whole":
            entries = [f"{prefix}_decode", "driver_message"]
        elif form == "chunk":
            entries = ["driver_read", f"{prefix}_start", "driver_state"]
        else:
            takes = [f"{prefix}_take_{ident}" for ident in self.idents]
            push = "driver_push" if self._inline else f"{prefix}_push"
            entries = [push, f"{prefix}_start", *takes, "driver_state", *map("driver_{}".format, self.idents)]
        image = linked(self._compiled, [*entries, "driver_statuses"], compiler=self.compiler)
        session = _Session(self, image, entries[0])
        run = {"push": session.push, "chunk": session.chunk, "whole": session.whole}[form]
        return run(frames)


class _Session:
    """A machine with the receiver in it, and what its calls took so far."""

    def __init__(self, receiver: Receiver, image: Image, reads: str) -> None:
        self.receiver, self.image, self.reads = receiver, image, reads
        self.machine = Machine(image, multiply=receiver.multiply)
        count = len(receiver.idents)
        self.statuses = list(self.machine.read(self._at("driver_statuses"), count))
        self.largest = 0
        self._buffer: int | None = None
        self.stack_bytes = 0
        self.by_symbol: dict[str, int] = {}
        self.instructions = 0
        self.low = self.high = 0

    def _at(self, name: str) -> int:
        address = self.image.address(name)
        assert address is not None, name
        return address

    def _calls(self, function: str, arguments: Iterable[Sequence[int]]) -> Runs:
        runs = self.machine.calls(function, arguments)
        self.stack_bytes = max(self.stack_bytes, runs.stack_bytes)
        return runs

    def _count(self, runs: Runs) -> Ints:
        """Add what calls took to the sums, and return the cost of each."""
        for name, cycles in runs.by_symbol.items():
            self.by_symbol[name] = self.by_symbol.get(name, 0) + cycles
        self.instructions += int(runs.instructions.sum())
        calls = len(runs.high) * BRANCH_WITH_LINK
        self.low += int(runs.low.sum()) + calls
        self.high += int(runs.high.sum()) + calls
        return runs.high + BRANCH_WITH_LINK

    def _start(self) -> None:
        self._calls(f"{self.receiver.prefix}_start", [(self._at("driver_state"), 0)])

    def _take(self, place: int) -> Runs:
        ident = self.receiver.idents[place]
        arguments = (self._at("driver_state"), self._at(f"driver_{ident}"))
        return self._calls(f"{self.receiver.prefix}_take_{ident}", [arguments])

    def _given(self, chunks: Sequence[bytes], *others: int) -> Iterator[tuple[int, ...]]:
        """Yield address, length and what else is passed, with each chunk in the buffer of the driver."""
        if self._buffer is None:
            self._buffer = self.machine.place(self.largest)
        end = self._buffer + self.largest
        for chunk in chunks:
            at = end - (len(chunk) + 3) // 4 * 4
            self.machine.write(at, chunk)
            yield at, len(chunk), *others

    def _cost(
        self, form: str, frames: Frames, messages: Ints, samples: Sampled, worst_byte: int | None = None
    ) -> FormCost:
        names = {
            "driver_push": f"{self.receiver.prefix}_push",
            "driver_read": "(calls of the reading step)",
        }
        code = {name: size for name, size in self.image.code_bytes.items() if name not in UNCOUNTED}
        return FormCost(
            form=form,
            messages=len(frames.good),
            bytes=sum(map(len, frames.good)),
            cycles=Cycles(self.low, self.high),
            instructions=self.instructions,
            worst_byte=worst_byte,
            worst_message=int(messages.max()),
            by_symbol={names.get(name, name): cycles for name, cycles in self.by_symbol.items()},
            code_bytes={names.get(name, name): size for name, size in code.items()},
            static_bytes=self.image.static_bytes,
            stack_bytes=self.stack_bytes,
            samples=samples,
        )

    def _checked(self, accepted: int, frames: Frames) -> None:
        if accepted != len(frames.good):
            raise TargetError(
                f"{self.reads}: {accepted} of {len(frames.good)} good frames were accepted;"
                " what it costs says nothing"
            )

    def push(self, frames: Frames) -> FormCost:
        """Push byte by byte; damaged streams come last and count for the dearest byte alone."""
        frames = frames.first()
        state, now, accepted, dearest = self._at("driver_state"), 0, 0, 0
        self._start()
        parts, messages = [], []
        for frame, place in zip(frames.good, frames.places, strict=True):
            runs = self._calls(self.reads, [(state, byte, now + at) for at, byte in enumerate(frame)])
            now += len(frame)
            accepted += int(runs.returned[-1]) == self.statuses[place]
            cost = self._count(runs)
            dearest = max(dearest, int(cost.max()))
            last = np.zeros(len(frame), dtype=np.int64)
            last[-1] = 1
            cost = cost + last * self._count(self._take(place))
            parts.append(Sampled(cost, last * 0, last * 0 + 1, last, last * len(frame)))
            messages.append(int(cost.sum()))
        self._checked(accepted, frames)
        found = self._cost("push", frames, np.array(messages), joined_samples(parts))
        return replace(found, worst_byte=max(dearest, *map(self._damaged, frames.damaged), 0))

    def _damaged(self, stream: bytes) -> int:
        """Return the dearest byte of a damaged stream."""
        self._start()
        state = self._at("driver_state")
        runs = self._calls(self.reads, [(state, byte, at) for at, byte in enumerate(stream)])
        return int(runs.high.max(initial=0)) + BRANCH_WITH_LINK

    def chunk(self, frames: Frames) -> FormCost:
        """Feed whole messages, then, for the samples alone, small pieces and several messages at once."""
        few = frames.first().good
        several = in_whole(few, SEVERAL)
        self.largest = -(-max(map(len, (*several.chunks, *frames.good))) // 4) * 4
        whole, runs = self._read(in_whole(frames.good))
        self._checked(int(runs.returned.sum()), frames)
        self._count(runs)
        found = self._cost("chunk", frames, whole.cycles, whole)
        others = [several, *(in_pieces(few, size) for size in PIECES if size < self.largest)]
        samples = joined_samples([whole, *(self._read(pieces)[0] for pieces in others)])
        return replace(found, samples=samples)

    def _read(self, pieces: Pieces) -> tuple[Sampled, Runs]:
        self._start()
        runs = self._calls(self.reads, self._given(pieces.chunks, 0))
        cost = runs.high + BRANCH_WITH_LINK
        sizes = np.array([len(chunk) for chunk in pieces.chunks], dtype=np.int64)
        ends, ended = np.array([pieces.ends, pieces.ended_bytes], dtype=np.int64)
        return Sampled(cost, sizes * 0 + 1, sizes, ends, ended), runs

    def whole(self, frames: Frames) -> FormCost:
        """Decode each frame where it stands."""
        self.largest = -(-max(map(len, frames.good)) // 4) * 4
        runs = self._calls(self.reads, self._given(frames.good, self._at("driver_message")))
        expected = np.array([self.statuses[place] for place in frames.places])
        self._checked(int((runs.returned == expected).sum()), frames)
        cost = self._count(runs)
        sizes = np.array([len(frame) for frame in frames.good], dtype=np.int64)
        return self._cost("whole", frames, cost, Sampled(cost, sizes * 0, sizes * 0, sizes * 0 + 1, sizes))
