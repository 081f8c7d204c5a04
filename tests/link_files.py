"""The link files of tests/data/links: good ones, and bad ones that say in comments what is wrong with them.

A bad file has one comment ``# fault: PATH | PIECE | PIECE …`` for each fault the reader must report: the key
path, and pieces of the line it prints. ``# schema: refuses`` or ``accepts`` says what the JSON Schema does.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

LINKS = Path(__file__).parent / "data" / "links"
GOOD = sorted((LINKS / "good").glob("*.toml"))
BAD = sorted((LINKS / "bad").glob("*.toml"))


@dataclass(frozen=True)
class Expected:
    """One fault a bad file must be reported for."""

    path: str
    pieces: tuple[str, ...]

    def is_told_by(self, line: str) -> bool:
        return line.startswith(f"{self.path}: ") and all(piece in line for piece in self.pieces)


def expected_faults(path: Path) -> list[Expected]:
    lines = path.read_text(encoding="utf-8").splitlines()
    rows = [line.removeprefix("# fault: ").split(" | ") for line in lines if line.startswith("# fault: ")]
    return [Expected(first.strip(), tuple(piece.strip() for piece in pieces)) for first, *pieces in rows]


def schema_refuses(path: Path) -> bool:
    text = path.read_text(encoding="utf-8")
    words = {word for word in ("refuses", "accepts") if f"# schema: {word}" in text}
    assert len(words) == 1, f"{path.name} says nothing of the schema"
    return words == {"refuses"}


def name_of(path: Path) -> str:
    return path.stem
