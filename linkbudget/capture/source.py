"""Files as bytes: opened, decompressed and cut into pieces, with faults as `CaptureError`.

Compression is seen from the first bytes, not from the name. A compressed file that was cut off gives what it
holds, with a warning.
"""

from __future__ import annotations

import codecs
import gzip
import os
import zlib
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from io import BufferedReader
from pathlib import Path
from typing import IO, Any, cast, overload

from linkbudget.capture.zstd import is_whole_zstd, open_zstd
from linkbudget.errors import CaptureError, warn

__all__ = [
    "COMPRESSED",
    "MARKS",
    "PIECE",
    "FilePath",
    "Source",
    "Watch",
    "decode_text",
    "open_for_writing",
    "stored_bytes",
]

FilePath = str | Path
Room = Callable[[int], memoryview]
Watch = Callable[[int, int], None]  # (bytes read so far, bytes to be read), of the file as it is stored
PIECE = 1 << 20
# Byte-order marks, and the encoding each stands for.
MARKS = {codecs.BOM_UTF8: "utf-8", codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}
COMPRESSED = (".gz", ".zst")
LONGEST_LINE = 1 << 24  # bytes; what has no line end for so long is no text, and must not fill the memory
# RFC 1952 section 2.3.1 (method 8 is the only one there is); RFC 8878 section 3.1.1.
GZIP_MAGIC, ZSTD_MAGIC = b"\x1f\x8b\x08", b"\x28\xb5\x2f\xfd"


def stored_bytes(path: FilePath) -> int:
    """Return the size of a file as it is stored, 0 of one that is not there."""
    try:
        return Path(path).stat().st_size
    except OSError:
        return 0  # whoever opens it says what is wrong


class Source:
    """The decompressed content of one file; ``warnings`` lists what was repaired while reading.

    It is read ``piece_bytes`` at a time. ``watch`` is told how far the reading is; a reader that goes through
    the file several times says so beforehand in ``passes``.
    """

    def __init__(self, path: FilePath, watch: Watch | None = None, piece_bytes: int = PIECE) -> None:
        self.path = Path(path)
        self.watch = watch
        self.piece_bytes = piece_bytes
        self.warnings: list[str] = []
        self.zstd = False
        self.passes = 1
        self.passed = 0
        self.offset = 0

    @contextmanager
    def open(self) -> Iterator[tuple[IO[bytes], IO[bytes]]]:
        """Give the content as a binary stream, and the file it is stored in."""
        with ExitStack() as opened:
            try:
                if self.path.is_dir():
                    raise CaptureError(self.path, "", "is a folder; expected a file")
                stored = opened.enter_context(self.path.open("rb"))
                magic = stored.read(4)
                stored.seek(0)
                content: IO[bytes] = stored
                if magic.startswith(GZIP_MAGIC):
                    content = cast("IO[bytes]", opened.enter_context(gzip.open(stored, "rb")))
                self.zstd = magic == ZSTD_MAGIC
                if self.zstd:
                    content = opened.enter_context(open_zstd(stored, self.path))
            except OSError as error:
                text = f"cannot be read: {error.strerror or error}"
                raise CaptureError(self.path, "", text) from error
            yield content, stored

    @overload
    def pieces(self, size: int | None = None) -> Iterator[bytes]: ...

    @overload
    def pieces(self, size: int | None = None, *, room: Room) -> Iterator[bytes | memoryview]: ...

    def pieces(
        self, size: int | None = None, *, room: Room | None = None
    ) -> Iterator[bytes] | Iterator[bytes | memoryview]:
        """Yield the content in pieces of at most ``size`` bytes; an empty file is a `CaptureError`.

        ``offset`` counts the bytes handed out. A file that is not compressed is read straight into what
        ``room(size)`` gives; the piece is then the part of it that was filled.
        """
        self.offset = 0
        with self.open() as (content, stored):
            total = os.fstat(stored.fileno()).st_size
            while piece := self.read_piece(content, size or self.piece_bytes, self.offset, room):
                self.offset += len(piece)
                if self.watch is not None:
                    passes = max(self.passes, self.passed + 1)
                    self.watch(self.passed * total + min(stored.tell(), total), passes * total)
                yield piece
        if not self.offset:
            cut = "the compressed file was cut off before any of its content"
            what = cut if self.warnings else "the file is empty"
            raise CaptureError(self.path, "byte 0", f"{what}; expected a capture")
        self.passed += 1

    def lines(self) -> Iterator[tuple[int, bytes, bool]]:
        r"""Yield (number from 1, line, whether it has an end) of the content, cut at ``\n``.

        A line that is too long to be one is a `CaptureError`.
        """
        rest, number = b"", 1
        for piece in self.pieces():
            head, *others = piece.split(b"\n")
            rest += head
            for line in others:
                yield number, rest, True
                rest, number = line, number + 1
            if len(rest) > LONGEST_LINE:
                text = f"longer than {LONGEST_LINE >> 20} MiB; expected lines of text"
                raise CaptureError(self.path, f"line {number}", text)
        if rest:
            yield number, rest, False

    def read_piece(
        self, stream: IO[bytes], size: int, offset: int, room: Room | None = None
    ) -> bytes | memoryview:
        """Return the next piece, empty at the end and where compressed content was cut off."""
        # read1 hands out what a cut-off archive still holds, where read would lose it with the error.
        read: Any = getattr(stream, "read1", stream.read)
        try:
            if room is not None and isinstance(stream, BufferedReader):
                into = room(size)
                return into[: stream.readinto1(into)]
            piece = bytes(read(size))
            if not piece and self.zstd and not is_whole_zstd(self.path):
                self.cut_off(offset)
            return piece
        except EOFError:
            self.cut_off(offset)
            return b""
        except (OSError, zlib.error, ValueError) as error:
            raise CaptureError(self.path, f"byte {offset}", f"cannot be read: {error}") from error
        except Exception as error:
            if type(error).__module__.split(".")[0] not in {"zstandard", "compression", "_zstd"}:
                raise
            raise CaptureError(self.path, f"byte {offset}", f"bad Zstandard data: {error}") from error

    def cut_off(self, offset: int) -> None:
        """Warn that compressed content ends too early; once, however often the file is gone through."""
        text = f"{self.path}: the compressed file was cut off at byte {offset} of its content"
        if text not in self.warnings:
            self.warnings.append(warn(text))

    def head(self, size: int = 1 << 16) -> bytes:
        """Return the first ``size`` bytes of the content, fewer when it is shorter."""
        found = b""
        for piece in self.pieces(size):
            found += piece
            if len(found) >= size:
                break
        return found[:size]


def decode_text(data: bytes) -> str:
    """Return bytes as text: by byte-order mark, else UTF-8, else Latin-1."""
    for mark, name in MARKS.items():
        if data.startswith(mark):
            return data[len(mark) :].decode(name, errors="replace")
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.reason == "unexpected end of data" and error.end == len(data):
            return data[: error.start].decode("utf-8")  # a head, or a file cut inside a letter
        return data.decode("latin-1")


def open_for_writing(path: FilePath) -> IO[bytes]:
    """Open a file for writing bytes, compressed when its name ends in ``.gz`` or ``.zst``."""
    if str(path).endswith(".gz"):
        return cast("IO[bytes]", gzip.GzipFile(path, "wb", mtime=0))
    if str(path).endswith(".zst"):
        return open_zstd(path, path, "wb")
    return Path(path).open("wb")
