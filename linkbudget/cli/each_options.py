"""The options of ``replay --each``, and the arguments that mean one file without it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

__all__ = ["OneFile", "each_options", "none_more", "one_needed"]

Function = TypeVar("Function", bound=Callable[..., Any])
NAMES = ("each", "out", "listed", "workers", "cluster")


class OneFile(click.Path):
    """A file that is there; with ``--each`` any name, as it may stand for several files."""

    def __init__(self) -> None:
        super().__init__(exists=True, dir_okay=False, path_type=Path)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the path; click's own error where there is no such file."""
        return Path(value) if is_each(ctx) else super().convert(value, param, ctx)


def is_each(context: click.Context | None) -> bool:
    """Return whether ``--each`` was said."""
    return context is not None and bool(context.params.get("each"))


def one_needed(context: click.Context, argument: click.Parameter, value: Path | None) -> Path | None:
    """Refuse a command line without a capture; with ``--each`` they may be in a list."""
    if value is None and not is_each(context):
        raise click.MissingParameter(ctx=context, param=argument)
    return value


def none_more(context: click.Context, argument: click.Parameter, value: tuple[str, ...]) -> tuple[str, ...]:
    """Refuse more than one capture without ``--each``."""
    if value and not is_each(context):
        problem = f"one link file and one capture, and then {' '.join(value)}; --each takes several of them"
        raise click.UsageError(problem, context)
    return value


def each_options(function: Function) -> Function:
    """Add the options of a batch to a command, which gets them as its argument ``each``, a dict."""

    def command(*arguments: Any, **options: Any) -> Any:
        own = {name: options.pop(name) for name in NAMES}
        if not own["each"]:
            refuse_alone(own)
        return function(*arguments, each=own, **options)

    command.__doc__ = function.__doc__
    command.__name__ = function.__name__
    command.__dict__.update(function.__dict__)
    for option in reversed(OPTIONS):
        command = option(command)
    return command  # type: ignore[return-value]


def refuse_alone(own: dict[str, Any]) -> None:
    """Refuse an option of a batch without one."""
    names = {"out": "--out", "listed": "--list", "workers": "--workers", "cluster": "--cluster"}
    for name, option in names.items():
        if own[name] is not None:
            raise click.UsageError(f"{option} is for --each")


OPTIONS: tuple[Callable[[Any], Any], ...] = (
    click.option("--each", is_flag=True, is_eager=True, help="Replay every capture against every link file."),
    click.option(
        "--out",
        type=click.Path(file_okay=False, path_type=Path),
        metavar="FOLDER",
        help="With --each: where results are kept, as Parquet files.",
    ),
    click.option(
        "--list",
        "listed",
        type=click.Path(exists=True, dir_okay=False, allow_dash=True, path_type=Path),
        metavar="FILE",
        help="With --each: names of captures, a line each; - is standard input.",
    ),
    click.option(
        "--workers",
        type=click.IntRange(1, 1024),
        metavar="N",
        help="With --each: processes on this machine.  [default: one for each CPU]",
    ),
    click.option(
        "--cluster",
        metavar="ADDRESS",
        help="With --each: replay on the workers of the Dask cluster with this scheduler.",
    ),
)
