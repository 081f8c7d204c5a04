"""A controller that reads places as lines of JSON, small enough for a study to take a second."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from linkbudget import ByteCapture, Link, UartLine

LINE = UartLine(100_000)
"""One bit is 10 µs, one 8N1 character 100 µs."""
CHARACTER_NS = 100_000


def scene(**sections: Any) -> Link:
    """A loop of 5 ms with 1 ms of work, a parser of 10 µs a byte and 100 µs a message, one joint.

    Sections are added to what is there, requirements take their place; None takes a section out.
    """
    document: dict[str, Any] = {
        "line": {"baudrate": 100_000, "format": "8N1"},
        "message": [
            {
                "name": "place",
                "encoding": "json-object",
                "fields": [
                    {"name": "x", "kind": "integer", "minimum": 0, "maximum": 99},
                    {"name": "kind", "kind": "choice", "options": ["whole", "stone"]},
                ],
            }
        ],
        "frame": {"delimiting": "newline", "crc": "none", "max_payload": 40},
        "receiver": {"mode": "interrupt", "buffer_bytes": 64},
        "loop": {"period_us": 5000, "work_us": 1000},
        "parser": {"byte_us": 10, "message_us": 100},
        "joint": [{"name": "flap", "message": "place", "field": "x", "v_max": 1000, "a_max": 50_000}],
        "require": {"missed_deadlines": 0, "longest_pass_us": 5000},
    }
    for name, section in sections.items():
        if section is None:
            del document[name]
        elif isinstance(section, dict) and name != "require":
            document[name] = {**document.get(name, {}), **section}
        else:
            document[name] = section
    return Link.from_dict(document)


def places(count: int) -> list[dict[str, Any]]:
    """Values of ``count`` messages."""
    return [{"x": 7 * number % 100, "kind": "stone" if number % 3 else "whole"} for number in range(count)]


def recorded(
    link: Link,
    values: Sequence[Mapping[str, Any]],
    starts_us: Sequence[int] | None = None,
    flags: Mapping[int, int] | None = None,
    name: str = "place",
) -> ByteCapture:
    """A recording with each message from its start on (default: every 20 ms), exact to the nanosecond."""
    codec = link.codec()
    starts_us = range(0, 20_000 * len(values), 20_000) if starts_us is None else starts_us
    starts, data = [], b""
    for start_us, value in zip(starts_us, values, strict=True):
        frame = codec.encode(name, value)
        starts += [1000 * start_us + CHARACTER_NS * place for place in range(len(frame))]
        data += frame
    marks = np.zeros(len(data), np.uint8)
    for at, flag in (flags or {}).items():
        marks[at] = flag
    begins = np.array(starts)
    return ByteCapture(begins + CHARACTER_NS, np.frombuffer(data, np.uint8), marks, LINE, starts_ns=begins)
