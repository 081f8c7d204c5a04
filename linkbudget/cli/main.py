"""The console entry: the group of commands, how they are loaded, and what each exit code means.

0 done; 1 done, and a stated requirement is not met (``--require``); 2 wrong usage or unreadable input, one
clear line for each fault; 70 a fault of ours (``EX_SOFTWARE`` of sysexits.h); 130 interrupted (128 + SIGINT).
A command is a module of this package that is imported when it is called, so that ``--help`` stays cheap.
"""

from __future__ import annotations

import gc
import os
import sys
import traceback
from collections.abc import Sequence
from importlib import import_module

import click

from linkbudget.cli.interrupts import EXIT_INTERRUPTED
from linkbudget.cli.output import Notes, say
from linkbudget.errors import LinkBudgetError, SettingsError, nearest_name

__all__ = ["COMMANDS", "cli", "main", "run"]

EXIT_UNREADABLE = 2
EXIT_OUR_FAULT = 70

# Name -> the line shown by `linkbudget --help`. The command itself is `linkbudget.cli.<name>:command`.
COMMANDS = {
    "baud": "Baud-rate settings of a clock, their error, and the sampling margin.",
    "budget": "Bytes and wire time of a described link.",
    "choose": "Message formats a link could have, ranked.",
    "cost": "What receiving costs on a target, without the board.",
    "crc": "Check codes: which there are, their values, how strong they are.",
    "decode": "Characters, frames and messages of a capture.",
    "demo": "The whole way on the shipped captures.",
    "generate": "Codec sources for one direction of a link.",
    "infer": "A link file guessed from recorded traffic.",
    "record": "A capture of what arrives at a serial port.",
    "replay": "What a capture does to the control loop of a link.",
    "schema": "JSON Schema of the link file.",
    "stress": "Damaged frames of a link, and which of them are believed.",
    "whatif": "Each change of a link tried on a capture, and the smallest set that works.",
}


class CommandTable(click.Group):
    """A group whose commands are the rows of `COMMANDS`, each imported when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the help page."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return the command of that name, imported now, or None when there is none."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = import_module(f"linkbudget.cli.{cmd_name}").command
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return name, command and remaining arguments; an unknown name is told the nearest one."""
        name = args[0]
        if name not in COMMANDS and not name.startswith("-"):
            nearest = nearest_name(name, COMMANDS)
            hint = f"did you mean {nearest!r}?" if nearest else f"there are: {', '.join(COMMANDS)}"
            raise click.UsageError(f"no command {name!r}; {hint}", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands from the table, without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=CommandTable, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="linkbudget", message="%(package)s %(version)s")
def cli() -> None:
    """Find out where a serial link spends its time, and whether a control loop keeps its deadline.

    Verdicts are of a model, not of the mechanism. Every command takes --json.
    """


def main() -> None:
    """Run the command line of this process and exit with its code."""
    if "_LINKBUDGET_COMPLETE" in os.environ:
        cli.main(prog_name="linkbudget")
    code = run(sys.argv[1:])
    # The process ends here. Otherwise Python would look once more through everything that numba has made for
    # circles of references, a fifth of a second.
    gc.freeze()
    sys.exit(code)


def run(args: Sequence[str]) -> int:
    """Run one command line and return its exit code; faults are told on standard error."""
    notes = Notes()
    try:
        with notes.collected(), cli.make_context("linkbudget", list(args), obj=notes) as context:
            code = cli.invoke(context)
        notes.tell()
        return int(code or 0)
    except click.exceptions.Exit as end:
        return end.exit_code
    except click.exceptions.NoArgsIsHelpError as error:
        error.show()
        return EXIT_UNREADABLE
    except (LinkBudgetError, click.ClickException, OSError) as error:
        for line in fault_lines(error, notes.texts):
            say(line)
        return EXIT_UNREADABLE
    except (KeyboardInterrupt, click.Abort):
        say("interrupted")
        return EXIT_INTERRUPTED
    except Exception as error:
        return our_fault(error)


def fault_lines(error: Exception, notes: Sequence[str] = ()) -> list[str]:
    """Return one line per fault of an error; what was noted before it is added to the last."""
    if isinstance(error, SettingsError):
        lines = [str(fault) for fault in error.faults]
    elif isinstance(error, click.ClickException):
        lines = [error.format_message() + usage_hint(error)]
    elif isinstance(error, OSError):
        lines = [f"{error.filename}: {error.strerror}" if error.filename else str(error)]
    else:
        lines = [str(error)]
    lines = [" ".join(line.split()) for line in lines]
    others = [text for text in notes if lines[-1] not in text and text not in lines[-1]]
    if others:
        lines[-1] += f" (noted before: {'; '.join(others)})"
    return lines


def usage_hint(error: click.ClickException) -> str:
    """Return where help is to be found, for an error of usage."""
    context = error.ctx if isinstance(error, click.UsageError) else None
    return f" (see {context.command_path} --help)" if context else ""


def our_fault(error: Exception) -> int:
    """Tell of an error that should not have come up, shortly, and return the exit code for it."""
    if os.environ.get("LINKBUDGET_TRACEBACK"):
        traceback.print_exception(error)
    say(
        f"a fault of ours, not of your input: {type(error).__name__}: {error}"
        " (LINKBUDGET_TRACEBACK=1 shows where; please report it)"
    )
    return EXIT_OUR_FAULT
