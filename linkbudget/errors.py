"""The exceptions and the warning of the library.

Two sides are kept apart: the caller asked for something impossible (`SettingsError`, `TargetError`), or the
wire or a file delivered something bad (`FrameError`, `CaptureError`). While streaming, a bad frame is an
event, not an exception; only one-shot decoding raises.
"""

from __future__ import annotations

import difflib
import threading
import warnings as _warnings
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import import_module
from typing import Any

__all__ = [
    "CaptureError",
    "Fault",
    "FrameError",
    "LinkBudgetError",
    "LinkBudgetWarning",
    "ParserError",
    "SettingsError",
    "TargetError",
    "import_extra",
    "nearest_name",
    "quiet",
    "unknown_name",
    "warn",
]


class LinkBudgetError(Exception):
    """Base of every error this library raises on purpose."""


class LinkBudgetWarning(UserWarning):
    """Something was assumed or repaired; also listed under ``"warnings"`` in JSON results."""


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong with a setting.

    ``path`` is the key path (``loop.period_us``, ``message[0].fields[2].bits``), ``value`` what was found
    there, ``allowed`` what would have been right, ``nearest`` the known name closest to a misspelt one,
    ``file`` the file it was read from. ``problem`` says what is wrong in words of its own, where "is not
    allowed" will not do.
    """

    path: str
    value: object = None
    allowed: str = ""
    nearest: str | None = None
    file: str | None = None
    problem: str = ""

    def __str__(self) -> str:
        where = ": ".join(str(part) for part in (self.file, self.path) if part)
        text = f"{where}: " if where else ""
        text += self.problem or f"{self.value!r} is not allowed"
        if self.allowed:
            text += f"; allowed: {self.allowed}"
        if self.nearest:
            text += f"; did you mean {self.nearest!r}?"
        return text


class SettingsError(LinkBudgetError, ValueError):
    """An impossible line, layout, frame or link file. Carries every fault found in ``.faults``.

    It is a ``ValueError`` as well. Each fault becomes one line of the text.

    >>> from linkbudget import UartLine
    >>> try:
    ...     UartLine(115200, bytesize=4, parity="X")
    ... except SettingsError as error:
    ...     [fault.path for fault in error.faults]
    ['bytesize', 'parity']
    """

    def __init__(self, faults: str | Fault | Iterable[Fault]) -> None:
        if isinstance(faults, str):
            faults = [Fault(path="", problem=faults)]
        elif isinstance(faults, Fault):
            faults = [faults]
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class FrameError(LinkBudgetError, ValueError):
    """Bad bytes given to a one-shot decode: ``.reason`` says what, ``.offset`` the byte where it shows."""

    def __init__(self, reason: str, offset: int = 0, message: str | None = None) -> None:
        self.reason = reason
        self.offset = offset
        super().__init__(message or f"{reason} at byte {offset}")


class CaptureError(LinkBudgetError, ValueError):
    """A bad capture file: ``.path``, ``.where`` (line or byte offset) and what was expected."""

    def __init__(self, path: object, where: str, message: str) -> None:
        self.path = str(path)
        self.where = where
        parts = [self.path, where] if where else [self.path]
        super().__init__(": ".join([*parts, message]))


class ParserError(LinkBudgetError):
    """A parser under measurement raised or never returned: ``.call`` (from 0), ``.fed`` in that call."""

    def __init__(self, message: str, call: int | None, fed: bytes) -> None:
        self.call = call
        self.fed = fed
        super().__init__(message)


class TargetError(LinkBudgetError):
    """A code-generation target cannot express the layout, or a tool is missing."""


def nearest_name(name: str, known: Iterable[str]) -> str | None:
    """Return the known name closest to a misspelt one, or None when nothing is close."""
    close = difflib.get_close_matches(name, list(known), n=1, cutoff=0.5)
    return close[0] if close else None


def import_extra(module: str, extra: str, why: str) -> Any:
    """Return a module of a package that an extra of ours brings.

    `SettingsError` where it is not installed, with ``why`` it is needed and the command that brings it.
    """
    try:
        return import_module(module)
    except ImportError:
        told = f"{module} is not installed, and {why}: pip install 'linkbudget[{extra}]' brings it"
        raise SettingsError(Fault("", problem=told)) from None


def unknown_name(path: str, name: object, known: Iterable[str]) -> Fault:
    """Return the fault of a name at ``path`` that is none of those ``known``, with the nearest of them."""
    names = list(known)
    return Fault(path, name, ", ".join(names), nearest_name(str(name), names))


def warn(message: str, stacklevel: int = 3) -> str:
    """Issue a `LinkBudgetWarning` and return its text, so that results can list it too."""
    _warnings.warn(message, LinkBudgetWarning, stacklevel=stacklevel)
    return message


@contextmanager
def quiet() -> Iterator[None]:
    """Keep our warnings back, as while many things are tried; only in a main thread: filters are shared."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    with _warnings.catch_warnings():
        _warnings.simplefilter("ignore", LinkBudgetWarning)
        yield
