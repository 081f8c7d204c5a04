"""Which direction of a link is meant where none, or one without messages, is named."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linkbudget.errors import Fault, SettingsError
from linkbudget.link.tables import DIRECTIONS

if TYPE_CHECKING:
    from linkbudget.link.model import Link

__all__ = ["direction_of"]


def direction_of(link: Link, wanted: str | None) -> str:
    """Return the direction asked for; without one to-controller where messages go there, else to-module.

    Raises `SettingsError` for a direction in which no message goes.
    """
    there = [name for name in DIRECTIONS if link.messages_of(name)]
    if wanted is None:
        return there[0]
    if wanted not in there:
        raise SettingsError(Fault("direction", wanted, ", ".join(there), problem="has no messages"))
    return wanted
