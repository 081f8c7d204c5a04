"""Captures by name: files, folders, patterns; what is no capture is passed over, and counted.

A file that is named itself is always taken, unless it is a settings file. In a folder, and among what a
pattern matches, a file is taken when its name says that it holds a capture (`SUFFIXES`, also with ``.gz`` or
``.zst``) or its content does (a VCD, a log, a table, Parquet). Plain bytes can only be told by their name.
Everything else is passed over with the reason, and so is what is there twice. Folders, also those that ``**``
stands for, are gone through to their ends, without what is hidden and without following links to folders. One
that cannot be read is taken for a capture: whoever reads it says why.
"""

from __future__ import annotations

import glob
import os
import re
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from linkbudget.capture.readers import RAW_SUFFIXES, Options, identify, suffix_of
from linkbudget.capture.source import FilePath
from linkbudget.errors import CaptureError, Fault, SettingsError

__all__ = ["Found", "PassedOver", "find_captures", "is_special", "printable"]

SUFFIXES = {".vcd", ".csv", ".tsv", ".jsonl", ".parquet", *RAW_SUFFIXES}
# Texts that a lab keeps beside its recordings; a table in one of them is no recording.
DOCUMENTS = {".md", ".rst", ".html", ".xml", ".json", ".py", ".ini", ".yaml", ".yml"}
SETTINGS = "a settings file (.toml)"
HIDDEN = "hidden"
LINKED = "a link to a folder"
TWICE = "named before"
DOCUMENT = "a document by its name"
UNKNOWN = "neither its name nor its content is that of a capture"
OURS = "results of a batch"
SPECIAL = "a pipe or a device"
UNPRINTABLE = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
"""Control characters, ends of lines, and what stands for bytes of a name that are no UTF-8 (PEP 383)."""


def printable(name: str) -> str:
    r"""Return a name in one line that can be written anywhere; ``\n`` and ``\udcef`` where it cannot."""
    return UNPRINTABLE.sub(lambda found: found[0].encode("unicode_escape").decode(), name)


def is_special(path: FilePath) -> bool:
    """Return whether this is a pipe or a device, which cannot be read more than once."""
    return os.path.exists(path) and not os.path.isfile(path) and not os.path.isdir(path)


@dataclass(frozen=True)
class PassedOver:
    """A file or folder in which no capture was looked for, and why; of a folder, all that is in it."""

    path: str
    why: str

    def to_dict(self) -> dict[str, str]:
        """Return ``{"path", "why"}``."""
        return dict(vars(self))


@dataclass(frozen=True)
class Found:
    """Captures in the order of their names, and what was passed over."""

    captures: tuple[str, ...]
    passed_over: tuple[PassedOver, ...] = ()

    @property
    def reasons(self) -> dict[str, int]:
        """How many were passed over for each reason, the most frequent first."""
        return dict(Counter(one.why for one in self.passed_over).most_common())


def find_captures(
    names: FilePath | Iterable[FilePath],
    *,
    listed: Iterable[str] = (),
    results: Callable[[Path], bool] = lambda folder: False,
) -> Found:
    """Return the captures that names stand for: files, folders, or patterns with ``*``, ``?`` and ``[``.

    A folder that a pattern matches is gone through; ``**`` in a pattern stands for folders of any depth.
    ``listed`` names are files only, taken as they are: one that is not there is found to be missing when it
    is read. Folders of which ``results`` is true hold what came of captures, and are passed over. Raises
    `SettingsError` with every name that is none of these.
    """
    given = [names] if isinstance(names, str | Path) else list(names)
    faults: list[Fault] = []
    taken: dict[str, str] = {}
    passed: list[PassedOver] = []
    for name in given:
        kept = passed_over = 0
        for path, why in _under(name, results):
            if why:
                passed.append(PassedOver(printable(path), why))
                passed_over += 1
            else:
                kept += 1
                _take(path, taken, passed)
        if not kept and not passed_over:
            faults.append(_nothing(name))
    if faults:
        raise SettingsError(faults)
    for path in listed:
        _take(path, taken, passed)
    return Found(tuple(taken.values()), tuple(passed))


def _take(path: str, taken: dict[str, str], passed: list[PassedOver]) -> None:
    real = os.path.realpath(path)
    if real in taken:
        passed.append(PassedOver(printable(path), TWICE))
    else:
        taken[real] = path


def _nothing(name: FilePath) -> Fault:
    text = str(name)
    if is_special(text):
        return Fault("captures", text, "a file, which can be read twice", problem=f"{text}: is {SPECIAL}")
    if Path(text).is_dir():
        return Fault("captures", text, "a folder with captures in it", problem=f"{text}: the folder is empty")
    if glob.has_magic(text):
        return Fault("captures", text, "a pattern of captures", problem=f"{text}: matches no file")
    return Fault("captures", text, "a file, a folder or a pattern", problem=f"{text}: there is no such file")


def _under(name: FilePath, results: Callable[[Path], bool]) -> Iterator[tuple[str, str]]:
    """Yield (file, why it is passed over, nothing when it is not) for what a name stands for."""
    path = Path(name)
    if path.is_dir():
        yield from _in_folder(path, results)
    elif path.is_file():
        yield path.as_posix(), SETTINGS if _is_settings(path) else ""
    elif not path.exists() and glob.has_magic(str(name)):
        for text, why in sorted(set(_matches(str(name), results))):
            found = Path(text)
            if why or not os.path.isdir(found):
                yield found.as_posix(), why or _reason_against(found)
            elif "**" not in path.parts:
                yield from _in_folder(found, results)


def _matches(pattern: str, results: Callable[[Path], bool]) -> Iterator[tuple[str, str]]:
    """Yield what a pattern matches, and with the reason the folders that ``**`` does not go into.

    That of `glob.glob` follows links, and does not come to an end where they lead in circles.
    """
    parts = Path(pattern).parts
    if "**" not in parts:
        yield from ((path, "") for path in glob.glob(pattern))
        return
    at = parts.index("**")
    for start in glob.glob(str(Path(*parts[:at]))):
        for root, _, left in _folders(Path(start), results):
            yield from left
            below = Path(glob.escape(str(root)), *(parts[at + 1 :] or ["*"]))
            yield from _matches(str(below), results)


def _in_folder(folder: Path, results: Callable[[Path], bool]) -> Iterator[tuple[str, str]]:
    for root, files, left in _folders(folder, results):
        yield from left
        for name in files:
            path = root / name
            yield path.as_posix(), HIDDEN if name.startswith(".") else _reason_against(path)


def _folders(
    start: Path, results: Callable[[Path], bool]
) -> Iterator[tuple[Path, list[str], list[tuple[str, str]]]]:
    """Yield a folder and those in it, each with the names of its files and (folder, why it is left out).

    The last one may be the first once more, with those that cannot be read, and nothing against them.
    """
    unread: list[str] = []
    for root, folders, files in os.walk(start, onerror=lambda error: unread.append(str(error.filename))):
        paths = [Path(root, name) for name in sorted(folders)]
        reasons = [(path, _reason_against_folder(path, results)) for path in paths]
        folders[:] = [path.name for path, why in reasons if not why]
        yield Path(root), sorted(files), [(path.as_posix(), why) for path, why in reasons if why]
    if unread:
        yield start, [], [(path, "") for path in unread]


def _reason_against_folder(path: Path, results: Callable[[Path], bool]) -> str:
    if path.name.startswith("."):
        return HIDDEN
    if os.path.islink(path):
        return LINKED
    return OURS if results(path) else ""


def _reason_against(path: Path) -> str:
    """Return why a file is no capture; nothing when it is one, or when reading it says what is wrong."""
    if is_special(path):
        return SPECIAL
    if _is_settings(path):
        return SETTINGS
    suffix = suffix_of(path)
    if suffix in SUFFIXES:
        return ""
    if suffix in DOCUMENTS:
        return DOCUMENT
    try:
        return UNKNOWN if identify(path, Options()) == "bytes" else ""
    except CaptureError:
        return UNKNOWN if _is_empty(path) else ""  # whoever reads it says what is wrong


def _is_settings(path: Path) -> bool:
    return path.suffix.lower() == ".toml"


def _is_empty(path: Path) -> bool:
    return path.is_file() and not path.stat().st_size
