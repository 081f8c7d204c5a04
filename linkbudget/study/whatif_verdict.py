"""The answer of a what-if study in sentences; every number comes from its rows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from linkbudget.study.whatif_rows import Row
from linkbudget.study.whatif_sets import FoundSet

__all__ = ["missing_text", "verdict_of"]


def verdict_of(present: Row, nearest: Row, sets: Sequence[FoundSet]) -> Iterator[str]:
    """Yield the sentences of the verdict."""
    if present.met is None:
        yield "The link file requires nothing that a replay can judge; the table says what each change does."
    elif present.met:
        yield "The link as it is meets every requirement that a replay judges."
        yield from _other_phases(present)
    elif sets and sets[0].row is not None:
        yield from _found(sets[0], sets[0].row)
        for other in sets[1:]:
            yield _other(other)
    else:
        yield f"{_none_text(sets)} meets every requirement."
        yield f"Nearest: {nearest.name}, with {missing_text(nearest)}."


def _found(found: FoundSet, row: Row) -> Iterator[str]:
    count = len(row.members)
    if count == 1:
        yield f"One change meets every requirement: {row.name}."
        yield from _other_phases(row)
        return
    yield f"{count} changes together meet every requirement: {' + '.join(row.members)}."
    yield from _other_phases(row)
    if found.smallest:
        yield "No single change tried does." if count == 2 else f"No set of fewer than {count} does."
    else:
        yield "None of them can be left out; whether fewer others would do was not tried to the end."


def _other_phases(row: Row) -> Iterator[str]:
    """Yield what has to be said when the loop's own phase is a kind one."""
    found = row.figures
    if found is not None and found.missed_max > found.missed_deadlines:
        yield f"With other phases of the loop it misses up to {found.missed_max:,} deadlines."


def _other(other: FoundSet) -> str:
    kept = f"{' and '.join(other.keeps)} as {'it is' if len(other.keeps) == 1 else 'they are'}"
    if other.row is None:
        near = other.nearest
        told = f"; nearest: {near.name}, with {missing_text(near)}" if near is not None else ""
        return f"With the {kept}, {_none_text([other]).lower()} does{told}."
    count = len(other.row.members)
    return f"With the {kept}, {'one does' if count == 1 else f'{count} do'}: {' + '.join(other.row.members)}."


def _none_text(sets: Sequence[FoundSet]) -> str:
    """Return who does not meet the requirements, saying no more than was tried."""
    tried = sets[0].tried if sets else ()
    if not tried:
        return "No change"
    most = tried[-1][0]
    if any(done < there for _, done, there in tried):
        return f"No set tried (up to {most} changes, not all sets)"
    return f"No set of up to {most} changes" if most > 1 else "No single change tried"


def missing_text(row: Row) -> str:
    """Return in words which requirements a row does not meet, and by how much."""
    assert row.figures is not None
    return "; ".join(
        f"no {one.name} at all"
        if one.value is None
        else f"{one.name} at {_figure(one.value)} instead of {_figure(one.limit)}"
        for one in row.figures.unmet
    )


def _figure(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 1e5 else f"{value:,.5g}"
