"""Small links of the bean sorter, and recordings of them made from values and times."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from linkbudget import ByteCapture, FrameFormat, Link, MessageLayout, UartLine
from linkbudget.link.model import Message

LINE = UartLine(115200)
NEWLINE = FrameFormat("newline", None, 255)


def link_of(
    *fields: Any,
    encoding: str = "json-object",
    fmt: FrameFormat = NEWLINE,
    rate_hz: float | None = 30,
    require: Mapping[str, float] | None = None,
    bit_error_rate: float = 0,
) -> Link:
    """Return a link with one message ``beans`` to the controller and no loop.

    Without a bit error rate nothing is tried out, which is quick.
    """
    message = Message(MessageLayout("beans", fields), encoding=encoding, rate_hz=rate_hz)
    return Link(
        LINE, (message,), {"to-controller": fmt}, require=require or {}, bit_error_rate=bit_error_rate
    )


def record(
    link: Link,
    values: Iterable[Mapping[str, Any]],
    times_ns: Sequence[int] | None = None,
    name: str = "beans",
    direction: str = "to-controller",
) -> ByteCapture:
    """Return a recording of these values; each message ends at its time (default: every 100 ms)."""
    codec = link.codec(direction)
    frames = [codec.encode(name, value) for value in values]
    ends = times_ns if times_ns is not None else [10**8 * (number + 1) for number in range(len(frames))]
    character_ns = int(link.line.character_time * 10**9)
    times = [
        end - character_ns * (len(frame) - 1 - at)
        for end, frame in zip(ends, frames, strict=True)
        for at in range(len(frame))
    ]
    data = np.frombuffer(b"".join(frames), np.uint8)
    return ByteCapture(np.array(times), data, np.zeros(len(data), np.uint8), link.line)
