"""Options that name a file to be written: refused before any work when it cannot or must not be written."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

__all__ = ["file_option", "refuse_input"]

Command = TypeVar("Command", bound=Callable[..., Any])


def file_option(name: str, help_text: str) -> Callable[[Command], Command]:
    """Return an option for a file to be written, in a folder that is there."""
    return click.option(
        name,
        type=click.Path(dir_okay=False, path_type=Path),
        metavar="FILE",
        callback=_in_a_folder,
        help=help_text,
    )


def _in_a_folder(context: click.Context, option: click.Parameter, path: Path | None) -> Path | None:
    if path is not None and not path.parent.is_dir():
        raise click.UsageError(f"{option.opts[0]}: {path}: there is no folder {path.parent}", context)
    return path


def refuse_input(option: str, path: Path, read: tuple[Path | None, ...]) -> None:
    """Raise when a file to be written is one of those that a command reads: it must not be lost."""
    there = [file for file in read if file is not None and file.exists()]  # others are told of when read
    if path.exists() and any(map(path.samefile, there)):
        raise click.UsageError(f"{option}: {path} is an input of this command")
