"""What the Python targets can write."""

from __future__ import annotations

from linkbudget.codegen.spec import DirectionSpec
from linkbudget.errors import TargetError

__all__ = ["CODED", "refuse_foreign"]

CODED = ("packed-bits", "packed-bytes", "delimited")


def refuse_foreign(spec: DirectionSpec, target: str) -> None:
    """Raise `TargetError` for the first message whose encoding has no code."""
    for message in spec.messages:
        if message.encoding.name not in CODED:
            reason = (
                f"{message.name}.encoding: target {target} has no code for {message.encoding.name!r}; "
                f"allowed: {', '.join(CODED)}"
            )
            raise TargetError(reason)
