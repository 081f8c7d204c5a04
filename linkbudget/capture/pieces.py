"""Capture files of any size and shape, read in pieces: levels, and the characters in them.

Joined, the pieces are what the whole file gives. What only the whole file tells is found by going through it
once more beforehand: which of several channels is meant, and for tables what their cells say together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import chain, islice
from typing import cast

import numpy as np

from linkbudget.capture.channels import only_channel
from linkbudget.capture.line import LineSetting, line_setting, suggested
from linkbudget.capture.readers import READERS, Options, identify
from linkbudget.capture.source import FilePath, Source, Watch
from linkbudget.capture.uses import without_use
from linkbudget.errors import CaptureError, Fault, SettingsError, nearest_name, warn
from linkbudget.traffic.estimate import RATE_EDGES
from linkbudget.traffic.incremental import CharacterDecoder
from linkbudget.traffic.join import join_levels
from linkbudget.traffic.levels import Edges, LevelCapture
from linkbudget.traffic.stream import BREAK, FRAMING, PARITY, ByteCapture
from linkbudget.units import INT64_MAX
from linkbudget.wire.uart import UartLine

__all__ = ["check_span", "errored", "known_shape", "open_bytes", "open_capture"]

# Unknown levels make changes that are none, so more are kept than an estimate looks at.
HEAD_EDGES = 2 * RATE_EDGES
# So large that the kernels are at full speed, so small that reading takes at most 64 MB beside its output.
PIECE = 1 << 21
FEW_PIECES = 4  # so many are rather kept than read again


def known_shape(path: FilePath, options: Options, shape: str | None) -> str:
    """Return the shape asked for, else that of the first reader that knows the file."""
    if shape is not None and shape not in READERS:
        raise SettingsError(Fault("shape", shape, ", ".join(READERS), nearest_name(shape, READERS)))
    return shape or identify(path, options)


def options_from(given: Mapping[str, object]) -> Options:
    """Return options by their names; `SettingsError` for names that are none."""
    unknown = sorted(given.keys() - Options.__dataclass_fields__.keys())
    if unknown:
        known = [*Options.__dataclass_fields__, "shape"]
        raise SettingsError(
            [Fault(name, given[name], ", ".join(known), nearest_name(name, known)) for name in unknown]
        )
    return Options(**given)  # type: ignore[arg-type]


def check_span(capture: LevelCapture, path: FilePath) -> None:
    """Refuse times that 64-bit nanoseconds cannot hold."""
    furthest = max(abs(capture.start), abs(capture.end))
    if furthest * capture.tick_s * 10**9 > INT64_MAX // 2:
        raise CaptureError(
            path, "", f"times up to {furthest} ticks of {capture.tick_s} s; expected below 146 years"
        )


def open_capture(
    path: FilePath,
    *,
    piece_bytes: int = PIECE,
    watch: Watch | None = None,
    shape: str | None = None,
    **options: object,
) -> Iterator[LevelCapture | ByteCapture]:
    """Yield the content of a capture in consecutive pieces; takes the options of `load_levels`, and ``line``.

    ``path`` is the file. A capture of levels yields `LevelCapture`, one of bytes `ByteCapture`; at least one.
    A piece comes from about ``piece_bytes`` of the file's content, and no more than a few pieces are in
    memory at once. ``watch(done, total)`` is told how far the reading is, in bytes of the file. A fault in
    the file is raised when the pieces before it have been handed out. Joined (`linkbudget.traffic.join`) the
    pieces are what `load_levels` or `load_bytes` gives. Raises `CaptureError` with the place in the file, and
    `SettingsError` for an unknown option or shape and for ``piece_bytes`` below 1, both when the first piece
    is asked for.
    """
    chosen = options_from(options)
    yield from pieces_of(path, known_shape(path, chosen, shape), chosen, piece_bytes, watch)


def pieces_of(
    path: FilePath,
    shape: str,
    options: Options,
    piece_bytes: int,
    watch: Watch | None,
    invert: bool = False,
) -> Iterator[LevelCapture | ByteCapture]:
    """Yield the pieces that the reader of ``shape`` gives, their times checked.

    The first one also says which options had no use.
    """
    if piece_bytes < 1:
        raise SettingsError(Fault("piece_bytes", piece_bytes, "1 or more"))
    first = True
    for piece in READERS[shape].pieces(Source(path, watch, piece_bytes), options):
        if isinstance(piece, LevelCapture):
            check_span(piece, path)
        told = without_use(piece, path, options, invert) if first else ()
        first = False
        yield replace(piece, warnings=(*piece.warnings, *told)) if told else piece


class Parts:
    """A watch for a file that may be read twice: which of the readings this is, and of how many.

    That is known after the first piece only; what was told by then is not taken back.
    """

    def __init__(self, watch: Watch) -> None:
        self.watch = watch
        self.part, self.parts = 0, 1
        self.furthest = 0.0

    def __call__(self, done: int, total: int) -> None:
        done, total = self.part * total + done, self.parts * total
        if done >= self.furthest * total:
            self.furthest = done / total
            self.watch(done, total)


def open_bytes(
    path: FilePath,
    line: UartLine | str | None = None,
    *,
    channel: str | int | None = None,
    invert: bool = False,
    piece_bytes: int = PIECE,
    watch: Watch | None = None,
    shape: str | None = None,
    **options: object,
) -> Iterator[ByteCapture]:
    """Yield the characters of a capture of levels or of bytes in consecutive pieces.

    Takes the options of `load_bytes` (``path``, ``line``, ``channel``, ``invert``, ``shape`` and so on);
    joined, the pieces are what that returns. ``piece_bytes`` and ``watch``
    are those of `open_capture`, and so are the errors: `CaptureError` and `SettingsError`.

    >>> pieces = open_bytes("captures/bean-frames.vcd", "115200 8N1", piece_bytes=20_000)
    >>> sum(len(piece) for piece in pieces)
    1200
    """
    if isinstance(line, str):
        line = UartLine.parse(line)
    chosen = options_from({"channel": channel, "line": line, **options})
    shape = known_shape(path, chosen, shape)
    parts = None if watch is None else Parts(watch)
    pieces = pieces_of(path, shape, chosen, piece_bytes, parts, invert)
    first = next(pieces)
    if isinstance(first, ByteCapture):
        yield first
        yield from cast("Iterator[ByteCapture]", pieces)
        return

    def again() -> Iterator[LevelCapture]:
        return cast("Iterator[LevelCapture]", pieces_of(path, shape, chosen, piece_bytes, parts, invert))

    name, levels = meant(first, cast("Iterator[LevelCapture]", pieces), again, path, parts)
    yield from Reading(path, name, chosen.line, invert).characters(levels)


def meant(
    first: LevelCapture,
    others: Iterator[LevelCapture],
    again: Callable[[], Iterator[LevelCapture]],
    path: FilePath,
    parts: Parts | None,
) -> tuple[str, Iterator[LevelCapture]]:
    """Return the name of the one channel that can be meant, and all pieces.

    With several channels all pieces have to be seen first; they are then read again, unless they are few.
    """
    if len({id(edges) for edges in first.channels.values()}) == 1:
        return only_channel(first, path)[0], chain([first], others)
    begin = [first, *islice(others, FEW_PIECES)]
    if len(begin) <= FEW_PIECES:
        return only_name(begin, path), iter(begin)
    if parts is not None:
        parts.parts = 2
    name = only_name(chain(begin, others), path)
    if parts is not None:
        parts.part = 1
    return name, again()


def only_name(pieces: Iterable[LevelCapture], path: FilePath) -> str:
    """Return the name of the one channel that can be meant in all the pieces: see `only_channel`."""
    changed: set[str] = set()
    first: LevelCapture | None = None
    for piece in pieces:
        first = first or piece
        changed |= {name for name, edges in piece.channels.items() if len(edges)}
    if first is None:
        raise SettingsError(Fault("pieces", 0, "at least one"))
    still, active = np.empty(0, dtype=np.int64), np.zeros(1, dtype=np.int64)
    own = {id(edges): Edges(still) for edges in first.channels.values()}
    own |= {id(first.channels[name]): Edges(active) for name in changed}
    channels = {name: own[id(edges)] for name, edges in first.channels.items()}
    return only_channel(LevelCapture(first.tick_s, channels, 0, 0), path)[0]


@dataclass
class Reading:
    """The reading of one channel that comes in pieces. ``head`` are the edges from which a line is judged."""

    path: FilePath
    name: str
    line: UartLine | None
    invert: bool
    count: int = 0
    errors: int = 0
    parity: int = 0
    head: list[LevelCapture] = field(default_factory=list)
    head_edges: int = 0

    @property
    def what(self) -> str:
        return f"{self.path}: channel {self.name}"

    def kept(self, piece: LevelCapture) -> LevelCapture:
        """Return a piece, its edges kept for judging the line while there are not enough of them."""
        if not self.enough:
            edges = piece.channels[self.name]
            self.head.append(replace(piece, channels={self.name: edges}, warnings=()))
            self.head_edges += len(edges)
        return piece

    @property
    def enough(self) -> bool:
        return self.head_edges >= HEAD_EDGES

    def judged(self) -> Edges:
        """Return the edges kept; where they are not all, nothing says where they end."""
        edges = join_levels(self.head).channels[self.name]
        return replace(edges, end=None) if self.enough else edges

    def characters(self, pieces: Iterator[LevelCapture]) -> Iterator[ByteCapture]:
        """Yield the characters."""
        waiting = []
        for piece in pieces:
            waiting.append(self.kept(piece))
            if self.enough or self.line is not None:
                break
        first = waiting[0].taken
        setting = line_setting(self.judged(), self.line, self.invert, self.what, str(self.path), first)
        decoder = CharacterDecoder(setting.line, waiting[0].tick_s, invert=setting.invert)
        told, taken = setting.warnings, {**first, "channel": self.name}
        for piece in chain(waiting, map(self.kept, pieces)):
            found = decoder.feed(piece.channels[self.name])
            taken = {**piece.taken, "channel": self.name}
            yield self.finished(found, taken, setting, (*piece.warnings, *told))
            told = ()
        found = decoder.close()
        counts = (self.count + len(found), self.errors + errored(found), self.parity + found.count(PARITY))
        suggestion = None if setting.estimated else suggested(setting, *counts, self.judged())
        said = (warn(f"{self.what}: {suggestion}"),) if suggestion else ()
        yield self.finished(found, taken, setting, (*found.warnings, *said))

    def finished(
        self, found: ByteCapture, taken: dict[str, str], setting: LineSetting, warnings: tuple[str, ...]
    ) -> ByteCapture:
        """Return a piece with all that is said about it, its characters counted."""
        self.count += len(found)
        self.errors += errored(found)
        self.parity += found.count(PARITY)
        return replace(
            found, estimated=setting.estimated, source=str(self.path), taken=taken, warnings=warnings
        )


def errored(found: ByteCapture) -> int:
    """Return how many characters had framing errors or were breaks."""
    return int(np.count_nonzero(found.flags & np.uint8(FRAMING | BREAK)))
