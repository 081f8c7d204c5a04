"""Plain byte files: characters without times."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from linkbudget.capture.source import FilePath, Source
from linkbudget.errors import CaptureError, warn
from linkbudget.traffic.join import join_bytes
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import INT64_MAX
from linkbudget.wire.uart import UartLine

__all__ = ["load_plain_bytes", "plain_pieces"]


def plain_pieces(source: Source, line: UartLine | None) -> Iterator[ByteCapture]:
    """Yield the characters of a plain file in pieces; see `load_plain_bytes`."""
    if line is None:
        shapes = "a VCD, a table or a log; to read it as plain bytes without times, give a baud rate"
        slip = " (by its name it is a link file)" if str(source.path).lower().endswith(".toml") else ""
        raise CaptureError(source.path, "byte 0", f"no capture recognised{slip}; expected {shapes}")
    width = 2 if line.bytesize == 9 else 1
    count, rest = 0, b""
    for piece in source.pieces():
        content = rest + piece
        whole = len(content) // width * width
        rest = content[whole:]
        found = back_to_back(content[:whole], line, count, source.path)
        count += len(found)
        yield found
    told = list(source.warnings)
    if rest:
        told.append(warn(f"{source.path}: the last character, of two bytes, was cut off and is left out"))
    text = f"no times in the file; its {count} bytes are laid out back to back at {line}"
    told.append(warn(f"{source.path}: {text}"))
    yield replace(back_to_back(b"", line, count, source.path), warnings=tuple(told))


def back_to_back(content: bytes, line: UartLine, before: int, path: Path) -> ByteCapture:
    """Return characters laid out behind ``before`` others; each end is exact, rounded half up once."""
    data = np.frombuffer(content, dtype="<u2" if line.bytesize == 9 else np.uint8).astype(np.uint16)
    limit = 1 << line.bytesize
    if data.size and int(data.max()) >= limit:
        at = int(np.argmax(data >= limit))
        raise CaptureError(path, f"character {before + at}", f"{int(data[at])}; expected 0 to {limit - 1}")
    character_ns = line.character_time * 10**9
    over, under = character_ns.numerator, character_ns.denominator
    if (before + data.size) * character_ns > INT64_MAX:
        raise CaptureError(
            path, f"character {before}", f"later than 292 years at {line}; expected a faster line"
        )
    times = [(2 * over * (before + k) + under) // (2 * under) for k in range(1, data.size + 1)]
    return ByteCapture(
        np.array(times, dtype=np.int64),
        data,
        np.zeros(data.size, dtype=np.uint8),
        line,
        source=str(path),
        taken={"shape": "plain bytes"},
    )


def load_plain_bytes(path: FilePath, line: UartLine | None) -> ByteCapture:
    """Return a file as the characters it holds, laid back to back from time 0, with a warning that says so.

    On a 9-bit line two bytes make a character, least significant first.
    """
    return join_bytes(plain_pieces(Source(path), line))
