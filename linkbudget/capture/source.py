"""Files as bytes: opened, decompressed and cut into pieces, with faults as `CaptureError`.

Compression is seen from the first bytes, not from the name. A compressed file that was cut off gives what it
holds, with a warning.
"""

from __future__ import annotations

import gzip
import zlib
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import IO, Any, cast

from linkbudget.errors import CaptureError, warn

__all__ = ["FilePath", "Source", "decode_text", "open_for_writing"]

FilePath = str | Path
PIECE = 1 << 20
GZIP_MAGIC, ZSTD_MAGIC = b"\x1f\x8b", b"\x28\xb5\x2f\xfd"


def open_zstd(path: FilePath) -> IO[bytes]:
    """Open a ``.zst`` file with the standard library (Python 3.14) or the package zstandard."""
    for module in ("compression.zstd", "zstandard"):
        try:
            return cast("IO[bytes]", import_module(module).open(path, "rb"))
        except ModuleNotFoundError:
            continue
    expected = "Python 3.14 or the package zstandard to read it, or the file decompressed"
    raise CaptureError(path, "", f"compressed with Zstandard; expected {expected}")


class Source:
    """The decompressed content of one file; ``warnings`` lists what was repaired while reading."""

    def __init__(self, path: FilePath) -> None:
        self.path = Path(path)
        self.warnings: list[str] = []

    def open(self) -> IO[bytes]:
        """Return the content as a binary stream."""
        try:
            if self.path.is_dir():
                raise CaptureError(self.path, "", "is a folder; expected a file")
            with self.path.open("rb") as file:
                magic = file.read(4)
            if magic.startswith(GZIP_MAGIC):
                return cast("IO[bytes]", gzip.open(self.path, "rb"))
            if magic == ZSTD_MAGIC:
                return open_zstd(self.path)
            return self.path.open("rb")
        except OSError as error:
            raise CaptureError(self.path, "", f"cannot be read: {error.strerror or error}") from error

    def pieces(self, size: int = PIECE) -> Iterator[bytes]:
        """Yield the content in pieces of at most ``size`` bytes; an empty file is a `CaptureError`."""
        offset = 0
        with self.open() as stream:
            while piece := self.read_piece(stream, size, offset):
                offset += len(piece)
                yield piece
        if not offset:
            raise CaptureError(self.path, "byte 0", "the file is empty; expected a capture")

    def read_piece(self, stream: IO[bytes], size: int, offset: int) -> bytes:
        """Return the next piece, empty at the end and where compressed content was cut off."""
        # read1 hands out what a cut-off archive still holds, where read would lose it with the error.
        read: Any = getattr(stream, "read1", stream.read)
        try:
            return bytes(read(size))
        except EOFError:
            self.warnings.append(
                warn(f"{self.path}: the compressed file was cut off at byte {offset} of its content")
            )
            return b""
        except (OSError, zlib.error, ValueError) as error:
            raise CaptureError(self.path, f"byte {offset}", f"cannot be read: {error}") from error
        except Exception as error:
            if type(error).__module__.split(".")[0] not in {"zstandard", "compression", "_zstd"}:
                raise
            raise CaptureError(self.path, f"byte {offset}", f"bad Zstandard data: {error}") from error

    def read_all(self) -> bytes:
        """Return the whole content."""
        return b"".join(self.pieces())

    def head(self, size: int = 1 << 16) -> bytes:
        """Return the first ``size`` bytes of the content, fewer when it is shorter."""
        found = b""
        for piece in self.pieces(size):
            found += piece
            if len(found) >= size:
                break
        return found[:size]


def decode_text(data: bytes) -> tuple[str, str]:
    """Return text and the name of its encoding: by byte-order mark, else UTF-8, else Latin-1."""
    for mark, name in ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be")):
        if data.startswith(mark):
            return data[len(mark) :].decode(name, errors="replace"), f"{name} with byte-order mark"
    try:
        return data.decode("utf-8"), "utf-8"
    except UnicodeDecodeError as error:
        if error.reason == "unexpected end of data" and error.end == len(data):
            return data[: error.start].decode("utf-8"), "utf-8"  # a head, or a file cut inside a letter
        return data.decode("latin-1"), "latin-1"


def open_for_writing(path: FilePath) -> IO[bytes]:
    """Open a file for writing bytes, compressed when its name ends in ``.gz``."""
    if str(path).endswith(".gz"):
        return cast("IO[bytes]", gzip.GzipFile(path, "wb", mtime=0))
    return Path(path).open("wb")
