"""What the Python targets can write."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable

from linkbudget.codegen.spec import DirectionSpec, leaves
from linkbudget.errors import TargetError

__all__ = ["CODED", "refuse_foreign", "refuse_hiding", "refuse_taken"]

CODED = ("packed-bits", "packed-bytes", "delimited")

MODULES = frozenset(
    [
        "bluetooth",
        "cryptolib",
        "deflate",
        "esp",
        "esp32",
        "framebuf",
        "machine",
        "micropython",
        "neopixel",
        "network",
        "numpy",
        "pyb",
        "rp2",
        "uctypes",
        "vfs",
    ]
)
"""Modules that are not in the standard library of CPython: those of MicroPython (from memory), and NumPy."""


def refuse_hiding(spec: DirectionSpec) -> None:
    """Raise `TargetError` for a file that would be imported in place of a module of Python."""
    if spec.prefix in MODULES or spec.prefix in sys.stdlib_module_names:
        raise TargetError(
            f"prefix: {spec.prefix!r} would hide the module {spec.prefix} of Python; take another one"
        )


def refuse_foreign(spec: DirectionSpec, target: str, extracted: Iterable[str] = ()) -> None:
    """Raise `TargetError` for the first message whose encoding has no code.

    ``extracted`` are encodings that the target reads in another way, to be named as well.
    """
    for message in spec.messages:
        if message.encoding.name not in CODED:
            reason = (
                f"{message.name}.encoding: target {target} has no code for {message.encoding.name!r}; "
                f"allowed: {', '.join([*CODED, *extracted])}"
            )
            raise TargetError(reason)


def refuse_taken(spec: DirectionSpec, constants: str, parts: Iterable[str], target: str) -> None:
    """Raise `TargetError` when a constant made of names of the link is one of the module, or made twice."""
    taken = {name for part in parts for name in _assigned(part)}
    for name in _assigned(constants):
        if name in taken:
            reason = f"{_owner(spec, name)}: target {target} has another constant {name} already"
            raise TargetError(f"{reason}; another name for the message or one of its fields keeps them apart")
        taken.add(name)


def _owner(spec: DirectionSpec, constant: str) -> str:
    """Return the path of what a constant was made of: a message, or the field of one."""
    for message in spec.messages:
        head = message.ident.upper()
        for leaf in leaves(message.fields):
            if constant == f"{head}_{leaf.ident.upper()}":
                return leaf.path
        if constant == head or constant.startswith(f"{head}_"):
            return message.name
    return constant


def _assigned(text: str) -> list[str]:
    """Return the constants that a text assigns, in order."""
    heads = re.findall(r"^([A-Z][A-Z0-9_, ]*)(?::[^=\n]*)? = ", text, re.MULTILINE)
    return [name for head in heads for name in head.split(", ")]
