"""Raw sample dumps: 1, 2 or 4 bytes a sample, channel *n* is bit *n*; read and written."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from linkbudget.capture.channels import find_channel
from linkbudget.capture.source import FilePath, Source, open_for_writing
from linkbudget.errors import CaptureError, Fault, SettingsError, warn
from linkbudget.traffic.join import join_levels
from linkbudget.traffic.levels import UNKNOWN, Edges, LevelCapture
from linkbudget.units import exact

__all__ = ["load_samples", "sample_pieces", "save_samples"]

SIZES = (1, 2, 4)
LARGEST_DUMP = 1 << 30  # samples; a mistake in the tick should not fill the disk


def check_size(sample_bytes: int) -> None:
    if sample_bytes not in SIZES:
        raise SettingsError(Fault("sample_bytes", sample_bytes, "1, 2 or 4"))


def bit_edges(
    samples: npt.NDArray[np.uint32], bit: int, tick_s: Fraction, start: int, before: int | None
) -> Edges:
    """Return the changes of one bit in samples that begin with number ``start``; ticks are sample numbers.

    ``before`` is the sample before the first, None when there is none.
    """
    first = int(samples[0]) if before is None else before
    initial = first >> bit & 1
    levels = ((samples >> np.uint32(bit)) & np.uint32(1)).astype(np.uint8)
    times = np.flatnonzero(levels != np.concatenate((np.array([initial], dtype=np.uint8), levels[:-1])))
    end = start + samples.size - 1
    return Edges(times + start, initial, levels[times], tick_s, start if before is None else start - 1, end)


def sample_pieces(
    source: Source, *, sample_rate: float, sample_bytes: int = 1, channel: str | int | None = None
) -> Iterator[LevelCapture]:
    """Yield the bits of a raw dump in pieces; see `load_samples`."""
    check_size(sample_bytes)
    rate = exact(sample_rate)
    if rate <= 0:
        raise SettingsError(Fault("sample_rate", sample_rate, "more than 0 samples a second"))
    names = [str(bit) for bit in range(8 * sample_bytes)]
    if channel is not None:
        names = [find_channel(names, str(channel), source.path)]
    taken = {"shape": "raw samples", "sample_bytes": str(sample_bytes)}
    start, before, rest = 0, None, b""
    piece: LevelCapture | None = None
    for read in source.pieces():
        data = rest + read
        whole = len(data) // sample_bytes * sample_bytes
        data, rest = data[:whole], data[whole:]
        if not data:
            continue
        if piece is not None:
            yield piece
        samples = np.frombuffer(data, dtype=f"<u{sample_bytes}").astype(np.uint32, copy=False)
        channels = {name: bit_edges(samples, int(name), 1 / rate, start, before) for name in names}
        begin = start if before is None else start - 1
        start, before = start + samples.size, int(samples[-1])
        piece = LevelCapture(1 / rate, channels, begin, start - 1, (), taken, str(source.path))
    if piece is None:
        expected = f"less than one sample; expected {sample_bytes} bytes a sample"
        raise CaptureError(source.path, "byte 0", expected)
    told = list(source.warnings)
    if rest:
        end = f"the last sample was cut off at byte {source.offset} and is left out"
        told.append(warn(f"{source.path}: {end}"))
    yield replace(piece, warnings=tuple(told))


def load_samples(
    path: FilePath, *, sample_rate: float, sample_bytes: int = 1, channel: str | int | None = None
) -> LevelCapture:
    """Return the bits of a raw dump as channels ``0``, ``1`` ..., or only ``channel``.

    ``sample_rate`` is in samples a second; samples are ``sample_bytes`` long, least significant byte first. A
    last sample that was cut off is left out with a warning.
    """
    pieces = sample_pieces(Source(path), sample_rate=sample_rate, sample_bytes=sample_bytes, channel=channel)
    return join_levels(pieces)


def save_samples(capture: LevelCapture, path: FilePath, *, sample_bytes: int | None = None) -> None:
    """Write one sample a tick, channel by channel in order from bit 0, least significant byte first.

    Channels called ``0``, ``1`` ... keep their bit. `SettingsError` when there are unknown levels, too many
    channels, or too many ticks.
    """
    names = list(capture.channels)
    by_number = all(name.isascii() and name.isdigit() and int(name) < 32 for name in names)
    bits = [int(name) for name in names] if by_number else list(range(len(names)))
    needed = max(bits, default=0) // 8 + 1
    size = sample_bytes or next((size for size in SIZES if size >= needed), 0)
    check_size(size)
    count = capture.end - capture.start + 1
    faults = [Fault("ticks", count, f"at most {LARGEST_DUMP} samples")] if count > LARGEST_DUMP else []
    if size < needed:
        faults.append(Fault("channels", len(names), f"at most {8 * size} bits"))
    known = [(edges.initial, edges.levels()) for edges in capture.channels.values()]
    if any(initial == UNKNOWN or (levels == UNKNOWN).any() for initial, levels in known):
        faults.append(Fault("channels", "unknown levels", "0 and 1; a raw dump has no other"))
    if faults:
        raise SettingsError(faults)
    samples = np.zeros(count, dtype=np.uint32)
    for bit, edges in zip(bits, capture.channels.values(), strict=True):
        marks = np.concatenate(([0], edges.times - capture.start, [count]))
        levels = np.concatenate(([edges.initial], edges.levels())).astype(np.uint32)
        samples |= np.repeat(levels, np.diff(marks)) << np.uint32(bit)
    with open_for_writing(path) as file:
        file.write(samples.astype(f"<u{size}").tobytes())
