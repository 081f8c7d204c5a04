"""Value change dumps (IEEE Std 1364-2005, clause 18), read.

Tokens are separated by white space and lines mean nothing, so a change may stand on the line of its time.
Every bit of a vector is a channel of its own (``bench.byte[3]``); names are dotted scope paths. Real and
string variables and events carry no level and are passed over. Values at the first time are the levels the
recording begins with, not changes, unless another value was there before.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator
from fractions import Fraction

import numpy as np

from linkbudget._jit import use_kernel
from linkbudget.capture.channels import find_channel
from linkbudget.capture.source import FilePath, Source, stored_bytes
from linkbudget.capture.vcd_header import Header, Tokens, read_header
from linkbudget.errors import warn
from linkbudget.traffic.levels import UNKNOWN, Edges, LevelCapture
from linkbudget.units import INT64_MAX

__all__ = ["load_vcd", "vcd_pieces"]

LEVELS = {ord("0"): 0, ord("1"): 1, **dict.fromkeys(b"xXzZ", UNKNOWN)}
TIME, DOLLAR = ord("#"), ord("$")
VECTOR, OTHER = b"bB", b"rRsS"
WHOLE = 1 << 62  # more bytes than any file has
BEFORE = -1  # the time of values that stand before the first time of the file
# Of many channels a piece is larger, because what it costs to hand out a channel is the same for each piece.
MANY_CHANNELS, BYTES_A_CHANNEL = 1 << 10, 256
DUMP_BLOCKS = {b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff"}


class Trace:
    """The changes of one bit as they are found; entry 0 is the level the recording begins with."""

    __slots__ = ("levels", "start", "times")

    def __init__(self) -> None:
        self.start = BEFORE
        self.times = array("q", (BEFORE,))
        self.levels = bytearray((UNKNOWN,))

    def put(self, at: int, level: int) -> None:
        """Note ``level`` from ``at`` on; of several at one time the last one holds."""
        levels = self.levels
        if levels[-1] == level:
            return
        if len(levels) == 1 and (at == BEFORE or (levels[0] == UNKNOWN and at == self.start)):
            levels[0] = level
        elif self.times[-1] != at:
            self.times.append(at)
            levels.append(level)
        else:
            levels[-1] = level
            if levels[-2] == level:
                del levels[-1], self.times[-1]

    def edges(self, tick_s: Fraction, start: int, end: int) -> Edges:
        """Return the changes as `Edges`, and begin afresh behind them."""
        times, levels = (
            np.array(self.times, dtype=np.int64),
            np.frombuffer(bytes(self.levels), dtype=np.uint8),
        )
        del self.times[1:], self.levels[:-1]
        return Edges(times[1:], int(levels[0]), levels[1:], tick_s, start, end)


class Signals:
    """The traces behind the identifier codes; a trace is None for a bit nobody asked for."""

    def __init__(
        self, header: Header, channel: str | None, path: object, make: Callable[[], Trace] | None = None
    ) -> None:
        self.names = named(header, path)
        wanted = None if channel is None else find_channel(self.names, channel, path)
        self.bits: dict[bytes, list[Trace | None]] = {}
        for variable in header.variables:
            self.bits.setdefault(variable.code, [None] * variable.size)
        for name, (code, place) in self.names.items():
            if wanted in (None, name) and self.bits[code][place] is None:
                self.bits[code][place] = (make or Trace)()
        if wanted is not None:
            self.names = {wanted: self.names[wanted]}
        self.whole = {code: bits[0] if len(bits) == 1 else None for code, bits in self.bits.items()}
        self.other = header.other_codes
        self.too_long = False

    def put_scalar(self, code: bytes, at: int, level: int) -> bool:
        """Note a scalar change; False when the code was never declared."""
        trace = self.whole.get(code)
        if trace is not None:
            trace.put(at, level)
            return True
        if code not in self.bits:
            return code in self.other
        self.put_vector(code, at, b"01x"[level : level + 1])
        return True

    def put_vector(self, code: bytes, at: int, digits: bytes) -> bool:
        """Note a vector change; False when the code was never declared."""
        bits = self.bits.get(code)
        if bits is None:
            return code in self.other
        self.too_long |= len(digits) > len(bits)
        digits = digits[-len(bits) :]
        # Short vectors are extended on the left: by 0 for 0 and 1, by x or z for themselves.
        fill = 0 if digits[0] in b"01" else UNKNOWN
        short = len(bits) - len(digits)
        for place, trace in enumerate(bits):
            if trace is not None:
                trace.put(at, fill if place < short else LEVELS[digits[place - short]])
        return True

    def traces(self) -> Iterator[Trace]:
        """Yield every trace that is kept."""
        for bits in self.bits.values():
            yield from (trace for trace in bits if trace is not None)

    def can_be_longer(self, code: bytes) -> bool:
        """Return whether ``code`` could be the beginning of another code, or is none at all."""
        codes = [*self.bits, *self.other]
        return code not in codes or any(other != code and other.startswith(code) for other in codes)


def named(header: Header, path: object) -> dict[str, tuple[bytes, int]]:
    """Return channel name to (identifier code, place of the bit); a name taken twice is made different."""
    names: dict[str, tuple[bytes, int]] = {}
    sizes: dict[bytes, int] = {}
    for variable in header.variables:
        if sizes.setdefault(variable.code, variable.size) != variable.size:
            header.warnings.append(
                warn(f"{path}: {variable.names[0]} has another size than its other name; left out")
            )
            continue
        for place, name in enumerate(variable.names):
            add_name(names, name, (variable.code, place), header, path)
    return names


def add_name(
    names: dict[str, tuple[bytes, int]], name: str, bit: tuple[bytes, int], header: Header, path: object
) -> None:
    free, count = name, 1
    while free in names and names[free] != bit:
        count += 1
        free = f"{name}~{count}"
    if free != name and free not in names:
        header.warnings.append(warn(f"{path}: two signals are called {name}; the second is named {free}"))
    names[free] = bit


class Body:
    """The value changes after the declarations, from the first time to the last."""

    def __init__(self, tokens: Tokens, stream: Iterator[bytes], signals: Signals) -> None:
        self.tokens = tokens
        self.stream = stream
        self.signals = signals
        self.start: int | None = None
        self.at = BEFORE
        self.now = 0
        self.ended = 0
        self.block = b""
        self.warnings: list[str] = []

    def read(self, until: int) -> bool:
        """Read changes; return True when there may be more, at the first new time past byte ``until``.

        All changes up to tick ``ended`` have then been read.
        """
        if self.changes(self.stream, until):
            return True
        self.finish(self.at)
        self.ended = self.now
        return False

    def changes(self, tokens: Iterator[bytes], until: int) -> bool:
        """Read the changes that begin with ``tokens``; what belongs to one is taken from ``stream``.

        Returns as `read` does. The loop names everything once because it runs for each token of the file.
        """
        whole, levels, source = self.signals.whole, LEVELS, self.tokens.source
        at = self.at
        for token in tokens:
            first = token[0]
            if first in levels:
                trace = whole.get(token[1:])
                if trace is not None:
                    trace.put(at, levels[first])
                elif not self.signals.put_scalar(token[1:], at, levels[first]):
                    raise self.unknown(token[1:])
            elif first == TIME:
                before, at = at, self.time(token)
                if source.offset > until and at > before > BEFORE:
                    self.at, self.ended = at, before
                    return True
            elif first in VECTOR:
                self.vector(token, next(self.stream, None), at)
            elif first in OTHER:
                next(self.stream, None)
            elif first == DOLLAR:
                self.command(token, at)
            else:
                expected = "a time (#), a value change (0 1 x z b r) or a $ command"
                raise self.tokens.fault(f"{show(token)}; expected {expected}")
        self.at = at
        return False

    def unknown(self, code: bytes) -> Exception:
        return self.tokens.fault(f"a change of {show(code)}; expected an identifier code declared by $var")

    def time(self, token: bytes) -> int:
        digits = token[1:]
        if not digits.isdigit() or len(digits) > 25 or int(digits) > INT64_MAX:
            raise self.tokens.fault(f"time {show(token)}; expected # and a decimal number below 2^63")
        now = int(digits)
        if self.start is None:
            self.start = now
            for trace in self.signals.traces():
                trace.start = now
        elif now < self.now:
            raise self.tokens.fault(f"time {now} after {self.now}; expected times that do not decrease")
        self.now = now
        return now

    def vector(self, token: bytes, code: bytes | None, at: int) -> None:
        digits = token[1:]
        if not digits or digits.strip(b"01xXzZ"):
            raise self.tokens.fault(f"vector {show(token)}; expected b and digits 0 1 x z")
        if code is None:
            self.block = token  # nothing after the digits: the file was cut off inside this change
            if self.tokens.unfinished and not self.signals.can_be_longer(self.tokens.unfinished):
                self.signals.put_vector(self.tokens.unfinished, at, digits)
        elif not self.signals.put_vector(code, at, digits):
            raise self.unknown(code)

    def command(self, token: bytes, at: int) -> None:
        if token == b"$end":
            self.block = b""
        elif token in DUMP_BLOCKS:
            self.block = token
            if token == b"$dumpoff":
                for trace in self.signals.traces():
                    trace.put(at, UNKNOWN)
        else:
            self.block = token
            if token != b"$comment":
                text = f"{self.tokens.source.path}: {show(token)} among the changes was passed over"
                self.warnings.append(warn(text))
            for inner in self.stream:
                if inner == b"$end":
                    self.block = b""
                    break

    def finish(self, at: int) -> None:
        """Use what a cut left of the last token, where the cut cannot have changed its meaning."""
        rest, path = self.tokens.unfinished, self.tokens.source.path
        if rest:
            if rest[0] in LEVELS and not self.signals.can_be_longer(rest[1:]):
                self.signals.put_scalar(rest[1:], at, LEVELS[rest[0]])
            elif rest[0] == TIME and rest[1:].isdigit() and self.now <= int(rest[1:][:25]) <= INT64_MAX:
                self.time(rest)
            self.warnings.append(
                warn(f"{path}: the last line has no end; the file may have been cut off in it")
            )
        elif self.block:
            self.warnings.append(warn(f"{path}: the file ends inside {show(self.block)}; it was cut off"))


def show(token: bytes) -> str:
    """Return a token as text for a message, shortened."""
    return repr(token[:40].decode("latin-1"))


def body_of(source: Source, channel: str | None) -> tuple[Header, Body]:
    """Return the declarations of a file, and its changes, still to be read."""
    if use_kernel("vcd", stored_bytes(source.path)):
        from linkbudget.capture.vcd_compiled import compiled_body

        return compiled_body(source, channel)
    tokens = Tokens(source)
    stream = iter(tokens)
    header = read_header(tokens, stream)
    return header, Body(tokens, stream, Signals(header, channel, source.path))


def vcd_pieces(
    source: Source, *, channel: str | None = None, piece_bytes: int | None = None
) -> Iterator[LevelCapture]:
    """Yield the channels of a VCD file in pieces; see `load_vcd`.

    A piece is what comes from ``piece_bytes`` of the file (default: as many as are read at a time), or more
    when there are many channels.
    """
    path = source.path
    header, body = body_of(source, channel)
    signals = body.signals
    taken = {"shape": "vcd", "timescale_s": str(header.tick_s)}
    told, more, start = header.warnings, True, None
    size = piece_bytes or source.piece_bytes
    if len(signals.names) >= MANY_CHANNELS:
        size = max(size, BYTES_A_CHANNEL * len(signals.names))
    while more:
        more = body.read(min(source.offset + size, WHOLE))
        begin = (body.start or 0) if start is None else start
        start = body.ended
        made: dict[tuple[bytes, int], Edges] = {}
        for bit in dict.fromkeys(signals.names.values()):
            trace = signals.bits[bit[0]][bit[1]]
            if trace is not None:
                made[bit] = trace.edges(header.tick_s, begin, body.ended)
        channels = {name: made[bit] for name, bit in signals.names.items()}
        if not more and signals.too_long:
            text = "a vector value has more digits than its variable; the last ones count"
            body.warnings.append(warn(f"{path}: {text}"))
        told = [*told, *body.warnings] if more else [*source.warnings, *told, *body.warnings]
        yield LevelCapture(header.tick_s, channels, begin, body.ended, tuple(told), taken, str(path))
        told, body.warnings = [], []


def load_vcd(path: FilePath, *, channel: str | None = None) -> LevelCapture:
    """Return the channels of a VCD file, or only ``channel``, in ticks of its ``$timescale``.

    ``channel`` is a dotted scope path, or the end of one when that is enough. A file that was cut off after
    its declarations loads up to the cut, with a warning; any other fault is a `CaptureError` with its line.
    """
    (capture,) = vcd_pieces(Source(path), channel=channel, piece_bytes=WHOLE)
    return capture
