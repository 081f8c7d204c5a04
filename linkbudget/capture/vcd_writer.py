"""Value change dumps (IEEE Std 1364-2005, clause 18), written."""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from fractions import Fraction
from itertools import chain

from linkbudget.capture.source import FilePath, open_for_writing
from linkbudget.capture.vcd_header import UNITS
from linkbudget.errors import Fault, SettingsError, warn
from linkbudget.traffic.levels import Edges, LevelCapture

__all__ = ["save_vcd"]

SCALES = [
    (number, unit, Fraction(number, 10**power)) for unit, power in UNITS.items() for number in (100, 10, 1)
]


def identifier(number: int) -> str:
    """Return identifier code ``number``: one or more characters from ``!`` to ``~``."""
    code = ""
    while True:
        number, digit = divmod(number, 94)
        code += chr(33 + digit)
        if not number:
            return code
        number -= 1


def scale_of(tick_s: Fraction) -> tuple[str, int]:
    """Return the coarsest standard timescale that holds the tick exactly, and how many of it make one."""
    for number, unit, scale_s in SCALES:
        factor = tick_s / scale_s
        if factor.denominator == 1:
            return f"{number} {unit}", int(factor)
    raise SettingsError(
        Fault("tick_s", str(tick_s), "whole femtoseconds for VCD; save it as raw samples instead")
    )


def written_name(name: str) -> tuple[list[str], str]:
    """Return scopes and reference of a channel name; what VCD cannot hold becomes ``_``, with a warning."""
    parts = ["_".join(part.split()) or "_" for part in name.split(".")]
    parts = [f"_{part}" if part == "$end" else part for part in parts]
    if ".".join(parts) != name:
        warn(f"channel {name!r} is written as {'.'.join(parts)!r}, because a VCD cannot hold that name")
    *scopes, reference = parts
    stem, bracket, bit = reference.rpartition("[")
    return scopes, f"{stem} [{bit}" if bracket and stem and bit.rstrip("]").lstrip(
        "-"
    ).isdigit() else reference


def declarations(capture: LevelCapture, codes: dict[int, str], timescale: str) -> Iterator[str]:
    yield f"$timescale {timescale} $end"
    for name, edges in capture.channels.items():
        scopes, reference = written_name(name)
        yield from (f"$scope module {scope} $end" for scope in scopes)
        yield f"$var wire 1 {codes[id(edges)]} {reference} $end"
        yield from ("$upscope $end" for _ in scopes)
    yield "$enddefinitions $end"


def own_changes(code: str, edges: Edges) -> Iterator[tuple[int, str]]:
    for time, level in zip(edges.times.tolist(), edges.levels().tolist(), strict=True):
        yield time, f"{'01x'[level]}{code}"


def changes(signals: list[tuple[str, Edges]], capture: LevelCapture, factor: int) -> Iterator[str]:
    yield f"#{capture.start * factor}"
    yield "$dumpvars"
    yield from (f"{'01x'[edges.initial]}{code}" for code, edges in signals)
    yield "$end"
    now = capture.start
    merged = heapq.merge(*(own_changes(code, edges) for code, edges in signals), key=lambda change: change[0])
    for time, change in merged:
        if time != now:
            now = time
            yield f"#{time * factor}"
        yield change
    if now != capture.end:
        yield f"#{capture.end * factor}"


def save_vcd(capture: LevelCapture, path: FilePath) -> None:
    """Write the channels as a VCD; signals with several names share one identifier code.

    The tick becomes the coarsest of the 18 standard timescales that holds it exactly. `SettingsError` when
    the tick is no whole number of femtoseconds or a time is negative.
    """
    timescale, factor = scale_of(capture.tick_s)
    if capture.start < 0:
        raise SettingsError(Fault("start", capture.start, "times from 0 on, for VCD"))
    different = {id(edges): edges for edges in capture.channels.values()}
    codes = {key: identifier(number) for number, key in enumerate(different)}
    signals = [(codes[key], edges) for key, edges in different.items()]
    with open_for_writing(path) as file:
        for line in chain(declarations(capture, codes, timescale), changes(signals, capture, factor)):
            file.write(line.encode() + b"\n")
