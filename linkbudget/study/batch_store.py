"""What a batch keeps in its folder: a file for each replay that is finished, and the tables of the whole.

A finished replay is known by what it was made of: the version of this library, the link (its tables, not its
comments), the content of the capture, how that was read, and the placements that were tried. None of it has
to do with names or dates, but for the suffix of a capture, which may decide how it is read. Its file is
written under another name first and then renamed, so that there is a whole one or none; one that is not what
it says it is, is not taken. Whoever starts the batch writes; the workers only read captures.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from linkbudget.capture.finding import is_special
from linkbudget.capture.readers import suffix_of
from linkbudget.capture.source import FilePath
from linkbudget.errors import Fault, SettingsError
from linkbudget.link.model import Link
from linkbudget.wire.uart import UartLine

__all__ = [
    "Content",
    "Store",
    "content_of",
    "digest_of",
    "identity_of",
    "is_store",
    "key_of",
    "written_whole",
]

FINISHED = "finished"
SHAPE = 1
"""Raised when the columns of finished replays change their meaning."""


class Content(tuple[int, str, str]):
    """Size and SHA-256 of a file, and the suffix that may decide how it is read."""

    __slots__ = ()

    @property
    def size(self) -> int:
        """Bytes of the file."""
        return self[0]

    @property
    def sha256(self) -> str:
        """Its SHA-256, in hexadecimal digits."""
        return self[1]

    @property
    def suffix(self) -> str:
        """Its suffix in small letters, that of a compression left out."""
        return self[2]


def content_of(path: FilePath) -> Content:
    """Return what a file holds, in short; `OSError` where it cannot be read, and for a pipe or a device."""
    if is_special(path):
        raise OSError(errno.EINVAL, "a pipe or a device; expected a file, which can be read twice")
    with Path(path).open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        return Content((file.tell(), digest, suffix_of(path)))


def digest_of(link: Link) -> str:
    """Return the SHA-256 of the tables of a link file, without comments and layout."""
    return hashlib.sha256(link.to_toml().encode()).hexdigest()


def identity_of(
    link_sha256: str, content: Content, line: UartLine, reading: Mapping[str, Any], phases: int
) -> dict[str, Any]:
    """Return what makes one replay another than a second one, as plain values."""
    from linkbudget import __version__

    return {
        "shape": SHAPE,
        "version": __version__,
        "link_sha256": link_sha256,
        "capture_bytes": content.size,
        "capture_sha256": content.sha256,
        "capture_suffix": content.suffix,
        "line": [str(line.baudrate), line.bytesize, line.parity, str(line.stopbits)],
        "reading": {name: value for name, value in sorted(reading.items()) if value is not None},
        "phases": phases,
    }


def key_of(identity: Mapping[str, Any]) -> str:
    """Return the name under which a replay of this identity is kept."""
    return hashlib.sha256(json.dumps(identity, sort_keys=True, default=str).encode()).hexdigest()


def is_store(folder: Path) -> bool:
    """Return whether a folder holds the results of a batch."""
    return os.path.isdir(folder / FINISHED)  # false also where one may not look


class Store:
    """The folder of a batch. Made when it is not there; `SettingsError` for one that holds other things."""

    def __init__(self, folder: FilePath) -> None:
        self.folder = Path(folder)
        if self.folder.exists() and not self.folder.is_dir():
            raise _unfit(self.folder, "is a file")
        if self.folder.is_dir() and not is_store(self.folder) and any(self.folder.iterdir()):
            raise _unfit(self.folder, "holds other things")
        (self.folder / FINISHED).mkdir(parents=True, exist_ok=True)

    def _path(self, key: str) -> Path:
        return self.folder / FINISHED / key[:2] / f"{key}.json"

    def find(self, key: str) -> dict[str, Any] | None:
        """Return the tables of a finished replay; None when there is none, or not a whole one."""
        try:
            text = self._path(key).read_text(encoding="utf-8")
            kept = json.loads(text)
            whole: bool = kept["key"] == key and kept["check"] == _check(kept)
            return kept["tables"] if whole else None
        except (FileNotFoundError, ValueError, KeyError, TypeError):
            return None

    def keep(self, key: str, identity: Mapping[str, Any], tables: Mapping[str, Any]) -> None:
        """Keep the tables of a replay that is finished."""
        kept = {"key": key, "identity": dict(identity), "tables": dict(tables)}
        path = self._path(key)
        path.parent.mkdir(exist_ok=True)
        with written_whole(path) as unfinished:
            unfinished.write_text(json.dumps({**kept, "check": _check(kept)}), encoding="utf-8")


@contextmanager
def written_whole(path: Path) -> Iterator[Path]:
    """Give another name in the same folder to write to; it takes the place of ``path`` when all went well.

    An `OSError` names ``path``, also where whoever writes does not say what the disk was full of.
    """
    unfinished = path.with_name(f".{path.name}.{os.getpid()}.unfinished")
    try:
        yield unfinished
        unfinished.replace(path)
    except OSError as error:
        if error.errno is None:
            raise
        raise OSError(error.errno, os.strerror(error.errno), str(path)) from error
    finally:
        unfinished.unlink(missing_ok=True)


def _check(kept: Mapping[str, Any]) -> str:
    """Return what tells that a kept replay is as it was written."""
    return hashlib.sha256(json.dumps(kept["tables"], sort_keys=True).encode()).hexdigest()


def _unfit(folder: Path, problem: str) -> SettingsError:
    allowed = "a new or empty folder, or that of a batch before"
    return SettingsError(Fault("out", str(folder), allowed, problem=f"{folder}: {problem}"))
