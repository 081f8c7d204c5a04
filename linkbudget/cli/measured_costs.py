"""Links whose parser is to be measured, as commands take them: with numbers in its place."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from linkbudget.cli.output import Notes
    from linkbudget.link.model import Link
    from linkbudget.link.resolve import MeasureParser

__all__ = ["measured", "measured_if_it_can_be"]


def measured(link: Link) -> tuple[Link, MeasureParser | None]:
    """Return the link with costs that are numbers, and what measures it in other formats.

    None when there was nothing to measure. Raises as `linkbudget.cost.resolve`.
    """
    if link.parser.measure is None:
        return link, None
    from linkbudget.cost.resolving import measurer, resolve

    return resolve(link), measurer(link)


def measured_if_it_can_be(link: Link, notes: Notes) -> tuple[Link, MeasureParser | None]:
    """Return the same for a command that can do without: what is missing is noted then."""
    from linkbudget.errors import TargetError

    try:
        return measured(link)
    except TargetError as error:
        notes.add(str(error))
        return link, None
