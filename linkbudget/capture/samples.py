"""Raw sample dumps: 1, 2 or 4 bytes a sample, channel *n* is bit *n*; read and written."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import numpy.typing as npt

from linkbudget.capture.channels import find_channel
from linkbudget.capture.source import FilePath, Source, open_for_writing
from linkbudget.errors import CaptureError, Fault, SettingsError, warn
from linkbudget.traffic.levels import UNKNOWN, Edges, LevelCapture
from linkbudget.units import exact

__all__ = ["load_samples", "save_samples"]

SIZES = (1, 2, 4)
LARGEST_DUMP = 1 << 30  # samples; a mistake in the tick should not fill the disk


def check_size(sample_bytes: int) -> None:
    if sample_bytes not in SIZES:
        raise SettingsError(Fault("sample_bytes", sample_bytes, "1, 2 or 4"))


def bit_edges(samples: npt.NDArray[np.uint32], bit: int, tick_s: Fraction) -> Edges:
    """Return the changes of one bit; ticks are sample numbers."""
    levels = ((samples >> np.uint32(bit)) & np.uint32(1)).astype(np.uint8)
    times = np.flatnonzero(levels[1:] != levels[:-1]) + 1
    return Edges(times, int(levels[0]), levels[times], tick_s, 0, int(samples.size) - 1)


def load_samples(
    path: FilePath, *, sample_rate: float, sample_bytes: int = 1, channel: str | int | None = None
) -> LevelCapture:
    """Return the bits of a raw dump as channels ``0``, ``1`` ..., or only ``channel``.

    ``sample_rate`` is in samples a second; samples are ``sample_bytes`` long, least significant byte first. A
    last sample that was cut off is left out with a warning.
    """
    check_size(sample_bytes)
    rate = exact(sample_rate)
    if rate <= 0:
        raise SettingsError(Fault("sample_rate", sample_rate, "more than 0 samples a second"))
    names = [str(bit) for bit in range(8 * sample_bytes)]
    if channel is not None:
        names = [find_channel(names, str(channel), path)]
    source = Source(path)
    data = source.read_all()
    warnings = list(source.warnings)
    over = len(data) % sample_bytes
    if over:
        warnings.append(warn(f"{path}: the last sample was cut off at byte {len(data)} and is left out"))
        data = data[:-over]
    if not data:
        raise CaptureError(path, "byte 0", f"less than one sample; expected {sample_bytes} bytes a sample")
    samples = np.frombuffer(data, dtype=f"<u{sample_bytes}").astype(np.uint32, copy=False)
    channels = {name: bit_edges(samples, int(name), 1 / rate) for name in names}
    taken = {"shape": "raw samples", "sample_bytes": str(sample_bytes)}
    return LevelCapture(1 / rate, channels, 0, samples.size - 1, tuple(warnings), taken, str(path))


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
