"""The extension point: what a target of code generation is, and the table of them."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any, Protocol

from linkbudget.codegen.spec import DirectionSpec
from linkbudget.errors import TargetError, nearest_name

__all__ = ["ANY_TEXT", "DELIMITINGS", "TARGETS", "Target", "check_delimiting", "checked_options", "target_of"]


ANY_TEXT = ("",)
"""What an option may be that is not one of a few words; it is empty by default."""


DELIMITINGS = ("cobs", "slip", "hdlc", "newline", "counted", "none")
"""What all targets have receivers for. A target that has one more says so itself."""


class Target(Protocol):
    """One language or form that code is written in. ``options``: own settings and what they may be.

    ``delimitings`` are those that it can write a receiver and a sender for.
    """

    name: str
    reserved: Collection[str]
    options: Mapping[str, tuple[str, ...]]
    delimitings: Collection[str]

    def generate(self, spec: DirectionSpec, options: Mapping[str, str]) -> dict[str, str]:
        """Return file names and texts; `TargetError` with field path and reason for what it cannot write."""


# Name -> (module, class); imported when it is asked for.
TARGETS: dict[str, tuple[str, str]] = {
    "c": ("linkbudget.codegen.c.target", "CTarget"),
    "micropython": ("linkbudget.codegen.micropython.target", "MicroPythonTarget"),
    "cpython": ("linkbudget.codegen.cpython.target", "CPythonTarget"),
    "sheet": ("linkbudget.codegen.sheet.target", "SheetTarget"),
}


def target_of(name: str) -> Target:
    """Return the target of this name; `TargetError` when there is none."""
    from importlib import import_module

    if name not in TARGETS:
        nearest = nearest_name(str(name), TARGETS)
        hint = f"; did you mean {nearest!r}?" if nearest else ""
        raise TargetError(f"target: there is no {name!r}; allowed: {', '.join(TARGETS)}{hint}")
    module, cls = TARGETS[name]
    made: Target = getattr(import_module(module), cls)()
    return made


def check_delimiting(chosen: Target, delimiting: str) -> None:
    """Raise `TargetError` for a delimiting that the target knows nothing of."""
    if delimiting not in chosen.delimitings:
        problem = f"target {chosen.name} cannot write {delimiting}"
        raise TargetError(f"frame.delimiting: {problem}; allowed: {', '.join(chosen.delimitings)}")


def checked_options(chosen: Target, options: Mapping[str, Any]) -> dict[str, str]:
    """Return the options of a target with its defaults; the first of those allowed is the default."""
    for name, value in options.items():
        if name not in chosen.options:
            known = ", ".join(chosen.options) or "none"
            nearest = nearest_name(name, chosen.options)
            hint = f"; did you mean {nearest!r}?" if nearest else ""
            raise TargetError(f"{name}: is no option of target {chosen.name}; allowed: {known}{hint}")
        if chosen.options[name] == ANY_TEXT and isinstance(value, str):
            continue
        if value not in chosen.options[name]:
            allowed = ", ".join(chosen.options[name])
            raise TargetError(f"{name}: {value!r} is not allowed; allowed: {allowed}")
    return {name: options.get(name, allowed[0]) for name, allowed in chosen.options.items()}
