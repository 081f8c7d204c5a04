"""Zstandard files: opened with the module that is there, and whether one was cut off.

The module zstandard ends a file that was cut off as if it were whole, so the frames are walked through for
that: their headers say where each of their blocks ends (RFC 8878 section 3.1.1).
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import IO, cast

from linkbudget.errors import CaptureError

__all__ = ["is_whole_zstd", "open_zstd"]

MAGIC = 0xFD2FB528
SKIPPABLE = 0x184D2A50  # to 0x184D2A5F, section 3.1.2
WINDOW_DESCRIPTOR = 1
DICTIONARY_BYTES = (0, 1, 2, 4)
SIZE_BYTES = (0, 2, 4, 8)
RLE = 1  # a block of one byte that is repeated


def open_zstd(file: IO[bytes] | str | Path, path: object, mode: str = "rb") -> IO[bytes]:
    """Open a ``.zst`` file with the standard library (Python 3.14) or the package zstandard."""
    for module in ("compression.zstd", "zstandard"):
        try:
            return cast("IO[bytes]", import_module(module).open(file, mode))
        except ModuleNotFoundError:
            continue
    expected = "Python 3.14 or the package zstandard (extra zstd), or the file without this compression"
    raise CaptureError(path, "", f"compressed with Zstandard; expected {expected}")


def is_whole_zstd(path: Path) -> bool:
    """Return whether the last frame of a file has its end; what is no frame counts as one that has not."""
    size = path.stat().st_size
    with path.open("rb") as file:
        while file.tell() < size:
            magic = number(file, 4)
            if magic & ~0xF == SKIPPABLE and file.tell() + 4 <= size:
                file.seek(number(file, 4), 1)
            elif magic != MAGIC or not pass_frame(file, size):
                return False
        return file.tell() == size


def number(file: IO[bytes], count: int) -> int:
    return int.from_bytes(file.read(count), "little")


def pass_frame(file: IO[bytes], size: int) -> bool:
    """Go to the end of a frame, from behind its magic number; False when that is past the file's end."""
    descriptor = number(file, 1)
    single, checksum = descriptor >> 5 & 1, descriptor >> 2 & 1
    content = SIZE_BYTES[descriptor >> 6] or single
    file.seek((0 if single else WINDOW_DESCRIPTOR) + DICTIONARY_BYTES[descriptor & 3] + content, 1)
    last = 0
    while not last:
        header = file.read(3)
        if len(header) < 3:
            return False
        block = int.from_bytes(header, "little")
        last, kind, length = block & 1, block >> 1 & 3, block >> 3
        file.seek(1 if kind == RLE else length, 1)
    file.seek(4 * checksum, 1)
    return file.tell() <= size
