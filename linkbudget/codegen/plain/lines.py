"""Lines of source with indentation, fresh variable names, and where the bits of a number stand."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

__all__ = ["Lines", "Run", "hexed", "literal", "natural_order", "runs_of"]


def literal(value: str | bytes) -> str:
    """Return a text or bytes as source, in double quotes where that needs no escape."""
    made = repr(value)
    prefix = made[: made.index("'")] if "'" in made[:2] else None
    return made if prefix is None or '"' in made else f'{prefix}"{made[len(prefix) + 1 : -1]}"'


def hexed(number: int) -> str:
    """Return a number as hexadecimal source, digits in capitals."""
    return f"0x{number:X}"


class Lines:
    """Source lines as they are written, one after the other."""

    def __init__(self, depth: int = 0) -> None:
        self.lines: list[str] = []
        self.depth = depth
        self._number = 0

    def add(self, line: str = "") -> None:
        """Append a line at the present depth."""
        self.lines.append("    " * self.depth + line if line else "")

    def fresh(self, stem: str = "v") -> str:
        """Return a variable name that was not used yet."""
        self._number += 1
        return f"{stem}{self._number}"

    @contextmanager
    def block(self, head: str) -> Iterator[None]:
        """Indent what is added inside, under a line that opens a block."""
        self.add(head)
        self.depth += 1
        yield
        self.depth -= 1

    def text(self) -> str:
        """Return the lines as one text, without a line end behind the last."""
        return "\n".join(self.lines)


@dataclass(frozen=True)
class Run:
    """Bits of a number that stand together in the natural order: from ``at`` on, ``bits`` of them.

    ``shift`` is the place of the lowest of them in the number.
    """

    at: int
    bits: int
    shift: int


def natural_order(bit_order: str) -> str:
    """Return the byte order in which a number's bits follow each other without a break."""
    return "big" if bit_order == "msb" else "little"


def runs_of(bits: int, order: str | None, bit_order: str) -> list[Run]:
    """Return where the bits of a number stand, in the order they are written.

    In the other byte order groups of eight, counted from the low end, are written one by one; the top group
    may be shorter.
    """
    if bits <= 8 or order is None or order == natural_order(bit_order):
        return [Run(0, bits, 0)] if bits else []
    groups = [(low, min(8, bits - low)) for low in range(0, bits, 8)]
    runs, at = [], 0
    for low, width in groups if bit_order == "msb" else reversed(groups):
        runs.append(Run(at, width, low))
        at += width
    return runs
