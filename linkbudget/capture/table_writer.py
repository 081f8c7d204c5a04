"""Tables of levels (RFC 4180), written."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from linkbudget.capture.source import FilePath, open_for_writing
from linkbudget.errors import Fault, SettingsError
from linkbudget.traffic.levels import LevelCapture
from linkbudget.units import decimal_places

__all__ = ["save_table"]

MOST_PLACES = 30


def exact_places(tick_s: Fraction) -> int:
    """Return how many decimal places hold every multiple of the tick exactly."""
    places = decimal_places(tick_s)
    if places is None or places > MOST_PLACES:
        raise SettingsError(
            Fault("tick_s", str(tick_s), "an exact decimal, for a table; save it as raw samples instead")
        )
    return places


def written_rows(capture: LevelCapture) -> Iterator[tuple[int, list[str]]]:
    """Yield (tick, levels) at the start, at every change, and at the end."""
    names = list(capture.channels)
    now = ["01x"[capture.channels[name].initial] for name in names]
    yield capture.start, now
    merged: dict[int, list[tuple[int, str]]] = {}
    for at, name in enumerate(names):
        edges = capture.channels[name]
        for tick, level in zip(edges.times.tolist(), edges.levels().tolist(), strict=True):
            merged.setdefault(tick, []).append((at, "01x"[level]))
    if capture.end > capture.start:
        merged.setdefault(capture.end, [])
    for tick in sorted(merged):
        for at, level in merged[tick]:
            now[at] = level
        yield tick, now


def quoted(name: str) -> str:
    """Return a header cell, quoted where RFC 4180 section 2 asks for it."""
    return '"' + name.replace('"', '""') + '"' if any(sign in name for sign in ',"\r\n\t;') else name


def save_table(capture: LevelCapture, path: FilePath) -> None:
    """Write the channels as a comma-delimited table of edges (RFC 4180) with times in exact seconds.

    `SettingsError` when the tick is no decimal fraction of a second.
    """
    places = exact_places(capture.tick_s)
    scale = int(capture.tick_s * 10**places)
    with open_for_writing(path) as file:
        file.write((",".join(["time (s)", *map(quoted, capture.channels)]) + "\r\n").encode())
        for tick, levels in written_rows(capture):
            count = tick * scale
            whole, fraction = divmod(abs(count), 10**places)
            sign = "-" if count < 0 else ""
            time = f"{sign}{whole}.{fraction:0{places}d}" if places else f"{sign}{whole}"
            file.write((",".join([time, *levels]) + "\r\n").encode())
