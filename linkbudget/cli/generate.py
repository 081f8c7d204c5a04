"""``linkbudget generate``: the code for one direction of a link, written into a folder."""

from __future__ import annotations

import json
from pathlib import Path

import click

from linkbudget.cli.capture_input import INPUT_FILE, direction_option, json_option
from linkbudget.cli.output import Notes, emit, emit_document
from linkbudget.errors import SettingsError, warn

__all__ = ["command"]


@click.command("generate")
@click.argument("link", type=INPUT_FILE)
@click.option("--target", required=True, help="What is written: c, micropython, cpython or sheet.")
@click.option("--out", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder.")
@direction_option("Whose messages.  [default: to-controller]", default="to-controller")
@click.option("--prefix", default=None, help="Begins all names; default: the direction.")
@click.option("--option", "options", multiple=True, metavar="NAME=VALUE", help="A setting of the target.")
@json_option
@click.pass_obj
def command(
    notes: Notes,
    link: Path,
    target: str,
    out: Path,
    direction: str,
    prefix: str | None,
    options: tuple[str, ...],
    as_json: bool,
) -> None:
    """Write the codec for one direction of LINK: sources for both ends, which agree byte for byte.

    Files whose text is the same are left alone. Try new code with the motor supply off.

    \b
    Settings, the first is the default:
      c            check=small|table, fields=NAME,NAME or fields=*
      micropython  form=viper|builtins, fields=NAME,NAME or fields=*

    With fields= the code only receives, and reads those fields alone.
    """  # noqa: D301 (click knows \b, a backspace, as the mark of lines to be left as they are)
    from linkbudget.codegen import generate
    from linkbudget.link.model import Link

    files = generate(Link.load(link), target, direction, prefix=prefix, **_settings(options))
    _tell_replaced(out / "vectors.json", direction)
    states = {name: _write(out / name, text) for name, text in files.items()}
    if as_json:
        listed = [{"path": str(out / name), "state": state} for name, state in states.items()]
        emit_document({"target": target, "direction": direction, "files": listed}, notes)
        return
    emit("".join(f"{state:9}  {out / name}\n" for name, state in states.items()))


def _settings(options: tuple[str, ...]) -> dict[str, str]:
    settings = {}
    for option in options:
        name, sign, value = option.partition("=")
        if not sign or not name.isidentifier():
            raise SettingsError(f"--option: {option!r} is not NAME=VALUE, as in check=table")
        settings[name] = value
    return settings


def _tell_replaced(vectors: Path, direction: str) -> None:
    """Warn when the vectors of the other direction stand where those of this one go."""
    try:
        other = json.loads(vectors.read_bytes())["direction"]
    except (OSError, ValueError, KeyError, TypeError):
        return  # Not there, or none of ours: nothing is known about it.
    if other != direction:
        warn(f"{vectors}: was that of {other}; give each direction a folder of its own")


def _write(path: Path, text: str) -> str:
    """Write a file unless it has this text already; return what was done."""
    data = text.encode()
    if path.is_file() and path.read_bytes() == data:
        return "unchanged"
    new = not path.exists()
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    return "written" if new else "changed"
