"""From a link and the name of a target to the files of that target."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from linkbudget.codegen.spec import describe
from linkbudget.codegen.target import check_delimiting, checked_options, target_of
from linkbudget.errors import warn

if TYPE_CHECKING:
    from linkbudget.codegen.spec import DirectionSpec
    from linkbudget.link.model import Link

__all__ = ["generate"]


def generate(
    link: Link, target: str, direction: str = "to-controller", *, prefix: str | None = None, **options: Any
) -> dict[str, str]:
    """Return file names and texts of the code for one direction of a link.

    ``prefix`` begins the names of functions, types and files; default: the direction, as in
    ``to_controller``. Other options are the target's own, see ``options`` of it. The same link gives the same
    files. Names that had to be changed are told as `LinkBudgetWarning`; raises `TargetError` with field path
    and reason for what the target cannot express, and for an unknown target or option; `SettingsError` for an
    unknown direction.

    >>> from linkbudget import Link
    >>> sorted(generate(Link.load("captures/bean-frames.toml"), "c"))
    ['to_controller.c', 'to_controller.h', 'to_controller_example.c', 'vectors.json']
    """
    chosen = target_of(target)
    settings = checked_options(chosen, options)
    spec = replace(describe(link.codec(direction), direction, prefix, chosen.reserved), link=link)
    check_delimiting(chosen, spec.fmt.delimiting)
    files = chosen.generate(spec, settings)
    # What reserves no word has no names of its own: a page calls everything as the link file does.
    for renamed in spec.renamed if chosen.reserved else ():
        warn(str(renamed))
    if spec.fmt.delimiting == "none":
        _tell_lengths(spec)
    return files


def _tell_lengths(spec: DirectionSpec) -> None:
    """Warn of messages that a receiver does not find where nothing in the bytes ends a frame."""
    most = spec.fmt.max_payload
    for message in spec.messages:
        least = message.size.minimum
        if least != most:
            warn(
                f"{message.name}: has payloads of {least} bytes; without delimiting a receiver finds only "
                f"those of max_payload, {most} bytes"
            )
