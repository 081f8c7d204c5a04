"""Links whose parser is to be measured, as commands take them: with numbers in its place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from linkbudget.cli.output import Notes
    from linkbudget.link.model import Link
    from linkbudget.link.resolve import MeasureParser

__all__ = ["measured", "measured_changes", "measured_if_it_can_be"]


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


def measured_changes(link: Link, changes: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, Any]]:
    """Return changes of a link; those that set ``parser.measure`` get the costs it measures.

    They are measured for the link as each change leaves it. One that the link refuses stays as it is: whoever
    tries it says why. Raises as `linkbudget.cost.resolve`, with the name of the change.
    """
    from linkbudget.cost.resolving import measurer
    from linkbudget.errors import SettingsError

    found = {}
    for name, edits in changes.items():
        found[name] = dict(edits)
        if edits.get("parser.measure") is None:
            continue
        try:
            edited = link.replace(**edits)
        except SettingsError:
            continue
        try:
            measure = measurer(edited)
        except SettingsError as error:
            faults = [
                replace(fault, path=f"changes.{name}.{fault.path}", file=None) for fault in error.faults
            ]
            raise SettingsError(faults) from None
        assert measure is not None
        found[name] |= measure(edited)
    return found
