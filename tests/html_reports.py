"""Replays to make reports of, quick to run: the shipped captures, and long ones that are mostly silence."""

from __future__ import annotations

import json
import zlib
from base64 import b64decode
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from marked_controllers import by_library, document, lines

from linkbudget import ByteCapture, Link, Replay, load_bytes, replay

CAPTURES = Path(__file__).parent.parent / "captures"
FRAME_BYTES = 12
PERIOD_NS = 5_000_000
PAUSE_US = 6000


@cache
def shipped(name: str) -> tuple[Link, ByteCapture]:
    link = Link.load(CAPTURES / f"{name}.toml")
    return link, load_bytes(CAPTURES / f"{name}.vcd", link.line)


def changed(name: str, **changes: Any) -> tuple[Replay, ByteCapture]:
    """A shipped capture with a link in which ``section__key`` is another; replayed with activities."""
    link, capture = shipped(name)
    link = link.replace(**{path.replace("__", "."): value for path, value in changes.items()})
    return replay(link, capture, phases=1, trace=True), capture


def paused(places_ns: list[int], every_frames: int) -> tuple[Replay, ByteCapture]:
    """A frame of the shipped capture at each of these times; after every so many a pause of over a period.

    Joints are left out: they would take longest.
    """
    link, capture = shipped("bean-frames")
    frame = slice(0, FRAME_BYTES)
    at = np.repeat(np.array(places_ns), FRAME_BYTES) - capture.start_times_ns[0]
    times = len(places_ns)
    made = ByteCapture(
        np.tile(capture.times_ns[frame], times) + at,
        np.tile(capture.data[frame], times),
        np.tile(capture.flags[frame], times),
        capture.line,
        starts_ns=np.tile(capture.start_times_ns[frame], times) + at,
        source="made.vcd",
    )
    described = link.to_dict()
    described.pop("joint")
    described["require"] = {"missed_deadlines": 0}
    described["parser"] |= {"pause_us": PAUSE_US, "pause_every_bytes": FRAME_BYTES * every_frames}
    return replay(Link.from_dict(described), made, phases=1, trace=True), made


def one_late() -> tuple[Replay, ByteCapture]:
    """100,000 passes, of which the one at the second frame is late."""
    return paused([0, 50_000 * PERIOD_NS, 100_000 * PERIOD_NS], 2)


def one_in_five_late() -> tuple[Replay, ByteCapture]:
    """5,000 periods, with a frame in every fifth that makes its pass late and the next one skipped."""
    return paused([place * 5 * PERIOD_NS for place in range(1000)], 1)


def marked() -> tuple[Replay, ByteCapture]:
    """A controller that marked the ends of its passes, and has a busy window that its link does not know."""
    window = {"period_us": 170_000, "phase_us": 55_000, "length_us": 3000, "blocks": "loop"}
    pin = {"markers": {"channel": "pin", "meaning": "pass-end"}}
    capture = lines()
    real = Link.from_dict({**document(), "busy": [window], **pin})
    edges = by_library(real, capture, "pass-end")
    link = Link.from_dict({**document(), **pin})
    return replay(link, capture, phases=1, markers=edges, trace=True), capture


def data_of(page: str) -> tuple[dict[str, Any], dict[str, list[int]]]:
    """The facts and columns in a report, read with a decoder of our own."""
    facts = json.loads(between(page, '<script type="application/json" id="facts">'))
    data = zlib.decompress(b64decode(between(page, '<script type="text/plain" id="columns">')))
    columns, at = {}, 0
    for about in facts["columns"]:
        columns[about["name"]] = column(data[at : at + about["bytes"]], about["form"])
        assert len(columns[about["name"]]) == about["count"]
        at += about["bytes"]
    assert at == len(data)
    return facts, columns


def between(page: str, start: str) -> str:
    return page.split(start)[1].split("</script>")[0]


def column(data: bytes, form: str) -> list[int]:
    if form == "bytes":
        return list(data)
    numbers, number, shift = [], 0, 0
    for byte in data:
        number |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            numbers.append(number)
            number = shift = 0
    if form in ("signed", "moves"):
        numbers = [-(number + 1) // 2 if number & 1 else number // 2 for number in numbers]
    return (
        list(np.cumsum(np.array(numbers, dtype=np.int64)).tolist()) if form in ("steps", "moves") else numbers
    )
