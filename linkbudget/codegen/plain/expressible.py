"""What the Python targets can write."""

from __future__ import annotations

import re
from collections.abc import Iterable

from linkbudget.codegen.spec import DirectionSpec, leaves
from linkbudget.errors import TargetError

__all__ = ["CODED", "refuse_foreign", "refuse_taken"]

CODED = ("packed-bits", "packed-bytes", "delimited")


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
            raise TargetError(f"{reason}; another name for the message keeps them apart")
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
