"""Options that take the place of a link's frame format, for commands that replay."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from linkbudget.link.model import Link

__all__ = ["frame_options", "with_frame"]

Command = TypeVar("Command", bound=Callable[..., Any])


def frame_options(command: Command) -> Command:
    """Add ``--delimiting`` and ``--crc``."""
    for option in (
        click.option("--crc", metavar="NAME", help="Check code of a frame instead of the link's, or none."),
        click.option(
            "--delimiting", metavar="NAME", help="How frames are told apart, instead of the link's way."
        ),
    ):
        command = option(command)
    return command


def with_frame(link: Link, delimiting: str | None, crc: str | None) -> Link:
    """Return the link with what the options give; `SettingsError` for what no frame can be."""
    own = {"frame.delimiting": delimiting, "frame.crc": crc}
    changes = {key: value for key, value in own.items() if value is not None}
    return link.replace(**changes) if changes else link
