"""What a command writes: one document or one page on standard output, notes on standard error."""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING

from linkbudget.errors import LinkBudgetWarning

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["Notes", "emit", "emit_document", "emit_json", "emit_page", "progress_bar", "say"]


NOT_ASCII = re.compile(r"[^\x00-\x7f]")
PLAIN = str.maketrans({"µ": "u", "×": "x", "°": " deg", "±": "+/-", "≤": "<=", "…": "...", "–": "-"})
"""How signs are written where the encoding of the output has none of some of them."""


class Notes:
    """The warnings of this library that came up during a command, each text once, in order."""

    def __init__(self) -> None:
        self.texts: list[str] = []

    @contextmanager
    def collected(self) -> Iterator[None]:
        """Collect our warnings while the block runs; those of others are left to Python's own filters."""
        with warnings.catch_warnings():
            others = warnings.showwarning

            def show(message: Warning | str, category: type[Warning], *rest: object) -> None:
                if issubclass(category, LinkBudgetWarning):
                    self.add(str(message))
                else:
                    others(message, category, *rest)  # type: ignore[arg-type]

            warnings.showwarning = show  # type: ignore[assignment]
            warnings.simplefilter("always", LinkBudgetWarning)
            yield

    def add(self, text: str) -> None:
        """Note a text unless it is noted already."""
        if text not in self.texts:
            self.texts.append(text)

    def tell(self) -> None:
        """Write the notes as short lines on standard error."""
        for text in self.texts:
            say(f"warning: {text}")


def say(line: str) -> None:
    """Write one line on standard error, unless that was closed (print would then take standard output)."""
    if sys.stderr is not None:
        print(f"linkbudget: {line}", file=sys.stderr)


def emit(text: str) -> None:
    """Write text on standard output; without a reader, or with one that stopped, the exit code is the same.

    Characters that the output's encoding lacks are replaced (in plain ASCII, µs become us).
    """
    if sys.stdout is None:
        return
    encoding = sys.stdout.encoding or "utf-8"
    try:
        sys.stdout.write(written_in(text, encoding))
        sys.stdout.flush()
    except BrokenPipeError:
        # What is still buffered would raise again when the interpreter ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def emit_json(text: str) -> None:
    """Write JSON on standard output, with escapes (RFC 8259 section 7) for what its encoding lacks."""
    try:
        text.encode(getattr(sys.stdout, "encoding", None) or "utf-8")
    except UnicodeEncodeError:
        text = NOT_ASCII.sub(lambda found: json.dumps(found[0])[1:-1], text)
    emit(text)


def written_in(text: str, encoding: str) -> str:
    """Return a text without what an encoding lacks: units and signs in plain letters, the rest as ?."""
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        text = text.translate(PLAIN).encode(encoding, "replace").decode(encoding)
    return text


def emit_document(document: Mapping[str, object], notes: Notes) -> None:
    """Write a result as one JSON document, with the warnings of the command under ``"warnings"``."""
    from linkbudget.report.document import json_text

    listed = document.get("warnings", [])
    for text in listed if isinstance(listed, (list, tuple)) else []:
        notes.add(str(text))
    emit_json(json_text({**document, "warnings": notes.texts}))


def emit_page(parts: Iterable[RenderableType]) -> None:
    """Write a page for people: as wide as the terminal; 80 columns and no colours into a file or pipe."""
    from linkbudget.report.terminal import page_text

    terminal = sys.stdout is not None and sys.stdout.isatty()
    width = min(shutil.get_terminal_size().columns, 100) if terminal else 80
    emit(page_text(parts, width=width, colour=terminal))


@contextmanager
def progress_bar(what: str) -> Iterator[Callable[[int, int], None] | None]:
    """Give a function ``(done, total)`` that moves a bar on standard error; None when that is no terminal."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)

        def move(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total)

        yield move
