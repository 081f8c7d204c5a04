"""Value change dumps read by the compiled kernel, as far as it goes; the plain form reads the rest.

Both work on the same traces, so they can take turns at any token.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from linkbudget._jit import given
from linkbudget.capture import _kernels
from linkbudget.capture.padded import PaddedText
from linkbudget.capture.source import Source, stored_bytes
from linkbudget.capture.traces import SharedTrace, Traces
from linkbudget.capture.vcd import WHOLE, Body, Signals
from linkbudget.capture.vcd_header import LONGEST_WORD, Header, Tokens, read_header
from linkbudget.errors import CaptureError

__all__ = ["CompiledBody", "compiled_body"]

TOKEN = re.compile(rb"\S+")
LEAST_SEEN = 1 << 16  # bytes of changes from which those of the whole file are estimated
SMALLEST_CHANGE = 3  # bytes: level, code, white space


class Places(Tokens):
    """The tokens of a file, taken from ``held``; ``last`` is where in the file the last one begins.

    Before the first one that is where it will begin, or the end of a file without any.
    """

    def __init__(self, source: Source) -> None:
        super().__init__(source)
        self.held = PaddedText(source)
        self.begun = False
        self.last = 0

    def __iter__(self) -> Iterator[bytes]:
        while (token := self.next()) is not None:
            yield token

    def next(self) -> bytes | None:
        """Return the next token, None when there is none; see `Tokens` for a last one that was cut off."""
        held = self.held
        while True:
            match = TOKEN.search(held.text, held.at, held.size)
            if match is not None and match.end() < held.size:
                held.at, self.last, self.begun = match.end(), held.begin + match.start(), True
                return match[0]
            held.at = held.size if match is None else match.start()
            if not self.begun:
                self.last = held.begin + held.at
            self.bound()
            rest = None if match is None else match[0]
            if not held.more():
                break
        held.at = held.size
        if rest == b"$end":
            return rest
        if rest is not None:  # None also when asked again behind the last token
            self.unfinished = rest
        return None

    def bound(self) -> None:
        """Raise when what is held is too long to be one word."""
        if self.held.size - self.held.at > LONGEST_WORD:
            self.last = self.held.begin + self.held.at
            raise self.endless(0)

    def fault(self, expected: str, at: int | None = None) -> CaptureError:
        """Return an error that says in which line the last token stands."""
        left, lines = self.last, 1
        for piece in Source(self.source.path).pieces():
            lines += piece.count(b"\n", 0, max(left, 0))
            left -= len(piece)
            if left <= 0:
                break
        return CaptureError(self.source.path, f"line {lines}", expected)


class Codes:
    """The identifier codes as tables for the kernel; see there."""

    def __init__(self, signals: Signals) -> None:
        entries: dict[bytes, int] = {}
        scalars: list[int] = []
        sizes: list[int] = []
        first: list[int] = []
        bits: list[int] = []
        for code, traces in signals.bits.items():
            entries[code] = len(entries)
            numbers = [t.number if isinstance(t, SharedTrace) else _kernels.PASSED_OVER for t in traces]
            scalars.append(numbers[0] if len(numbers) == 1 else _kernels.PLAIN)
            sizes.append(len(numbers))
            first.append(len(bits))
            bits += numbers
        for code in signals.other - signals.bits.keys():
            entries[code] = len(entries)
            scalars.append(_kernels.PASSED_OVER)
            sizes.append(0)
            first.append(0)
        self.widest = max(sizes, default=0)
        self.arrays = (
            *hashed(entries),
            given(np.array(scalars, dtype=np.int32)),
            given(np.array(first, dtype=np.int64)),
            given(np.array(sizes, dtype=np.int64)),
            given(np.array(bits, dtype=np.int32)),
        )


def hashed(
    entries: dict[bytes, int],
) -> tuple[npt.NDArray[np.int32], npt.NDArray[np.uint64], npt.NDArray[np.int32]]:
    """Return the entries of codes of one sign, and a hash table of the longer ones up to the longest."""
    short = np.full(256, -1, dtype=np.int32)
    size = 1 << (2 * len(entries) + 1).bit_length()
    keys, numbers = [0] * size, np.full(size, -1, dtype=np.int32)
    for code, entry in entries.items():
        if len(code) == 1:
            short[code[0]] = entry
        elif len(code) <= _kernels.LONGEST_CODE:
            key = int.from_bytes(code + b"\1", "little")
            at = (key * int(_kernels.SPREAD) & (1 << 64) - 1) >> 32
            while keys[at % size]:
                at += 1
            keys[at % size], numbers[at % size] = key, entry
    return given(short), given(np.array(keys, dtype=np.uint64)), given(numbers)


class CompiledBody(Body):
    """The value changes, read by the kernel from the second time on."""

    tokens: Places

    def __init__(self, places: Places, signals: Signals, traces: Traces) -> None:
        super().__init__(places, iter(places), signals)
        self.places = places
        self.traces = traces
        self.codes = Codes(signals)
        traces.settle(max(places.source.piece_bytes // SMALLEST_CHANGE, self.codes.widest) + 1)
        self.expecting = False

    def read(self, until: int) -> bool:
        """Read changes; see `Body.read`."""
        source, begin = self.places.source, self.ended
        self.expecting = until == WHOLE
        while True:
            if self.start is not None and self.at > self.start:
                reason = self.run()
                if reason == _kernels.FULL:
                    continue
                if reason == _kernels.ENDED:
                    if source.offset > until and self.now > max(begin, self.start) + 1:
                        # At the time that it is now there may be more.
                        self.ended = self.now - 1
                        self.traces.finish(self.ended)
                        return True
                    self.places.bound()
                    if self.places.held.more():
                        continue
            token = self.places.next()
            if token is None:
                self.finish(self.at)
                self.ended = self.now
                self.traces.finish(self.ended)
                return False
            self.changes(iter([token]), WHOLE)

    def run(self) -> int:
        """Let the kernel read what it can of the text at hand; return why it stopped."""
        traces, held = self.traces, self.places.held
        arguments: list[Any] = [given(held.buffer), held.at, held.size, self.now, *self.codes.arrays]
        stopped = _kernels.vcd_changes(*arguments, *traces.arguments(), *traces.room())
        at, reason, count, now, too_long = (int(number) for number in stopped)
        held.at, self.at, self.now = at, now, now
        self.signals.too_long |= bool(too_long)
        traces.collect(count)
        if self.expecting and held.size >= LEAST_SEEN:
            # Should the file go on as it begins.
            self.expecting = False
            traces.expect(stored_bytes(self.places.source.path) / at * 1.02)
        return reason


def compiled_body(source: Source, channel: str | None) -> tuple[Header, Body]:
    """Return the declarations of a file, and its changes, still to be read."""
    places = Places(source)
    header = read_header(places, iter(places))
    traces = Traces()
    signals = Signals(header, channel, source.path, traces.make)
    return header, CompiledBody(places, signals, traces)
