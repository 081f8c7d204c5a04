"""What ``whatif --write`` saves: edited link files, and the traffic where it was sent again."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from linkbudget.cli.output import Notes

if TYPE_CHECKING:
    from linkbudget.study.whatif_result import WhatIf
    from linkbudget.study.whatif_rows import Row

__all__ = ["check_target", "write_rows"]


def write_rows(
    result: WhatIf, document: dict[str, Any], path: Path, read: tuple[Path, Path], notes: Notes
) -> list[str]:
    """Save rows and return the commands that replay the sets found; the dict gets ``files`` in each row.

    A ``path`` ending in ``.toml`` gets the smallest set alone. ``read`` are the link file and the capture,
    which are never written over.
    """
    alone = path.suffix == ".toml"
    if alone and not (result.smallest and result.smallest.members):
        notes.add(f"nothing was written to {path}: there is no set of changes that helps")
        return []
    folder = path.parent if alone else path
    folder.mkdir(parents=True, exist_ok=True)
    commands = []
    used: set[str] = set()
    for name, row, told in rows_of(result, document):
        if alone and row is not result.smallest:
            continue
        target = path if alone else folder / f"{file_name(name, used)}.toml"
        link, capture = saved(result, row, target, read)
        told["files"] = {"link": link, "capture": capture}
        if name != row.name:
            commands.append(shlex.join(["linkbudget", "replay", link, capture or str(read[1])]))
    return commands


def check_target(path: Path, read: Sequence[Path]) -> None:
    """Raise when rows cannot be saved there, before they are worked out."""
    alone = path.suffix == ".toml"
    folder = path.parent if alone else path
    if folder.exists() and not folder.is_dir():
        raise click.UsageError(f"--write: {folder} is a file; expected a directory or a file ending in .toml")
    if alone:
        _keep(path, read)


def rows_of(result: WhatIf, document: dict[str, Any]) -> Iterator[tuple[str, Row, dict[str, Any]]]:
    """Yield name, row and dict of every row that was replayed but that of the link as it is."""
    for row, told in zip(result.rows, document["rows"], strict=True):
        yield row.name, row, told
    for found, told in zip(result.sets, document["sets"], strict=True):
        if found.row is not None:
            yield f"set: {found.name}", found.row, told["row"]


def file_name(name: str, used: set[str]) -> str:
    """Return a name for files that is made of letters, digits and hyphens, and not used yet."""
    plain = re.sub(r"[^a-z0-9.]+", "-", name.lower()).strip("-.") or "change"
    found, count = plain, 1
    while found in used:
        count += 1
        found = f"{plain}-{count}"
    used.add(found)
    return found


def saved(result: WhatIf, row: Row, target: Path, read: Sequence[Path]) -> tuple[str, str | None]:
    """Save the link file of a row, and its traffic when that is not the recording; return where."""
    from linkbudget.capture.files import save_capture

    link, traffic = result.edited(row)
    again = traffic is not result.capture
    beside = target.with_suffix(".jsonl")
    for file in (target, *([beside] if again else [])):
        _keep(file, read)
    told = [f"Made by linkbudget whatif: {' + '.join(row.members)}.", *row.notes]
    comments = "".join(f"# {' '.join(line.split())}\n" for line in told)
    target.write_text(f"{comments}\n{link.to_toml()}", encoding="utf-8", newline="\n")
    if again:
        save_capture(traffic, beside)
    return str(target), str(beside) if again else None


def _keep(file: Path, read: Sequence[Path]) -> None:
    if file.exists() and any(file.samefile(other) for other in read):
        raise click.UsageError(f"--write: {file} is what this command reads; expected another place")
