"""Numbers of more than 30 bits in the MicroPython extractor of JSON, read and kept in pieces of 16 bits."""

from __future__ import annotations

from collections.abc import Sequence

from linkbudget.codegen.extract.plan import ExtractPlan, Wanted
from linkbudget.codegen.micropython.viper_layout import SMALL, pieces_of
from linkbudget.codegen.micropython.viper_reading import pieces
from linkbudget.codegen.plain.lines import Lines

__all__ = ["ABOUT", "NAMES", "held_words", "is_long", "keep_long", "long_fields", "long_row", "longs_table"]

ABOUT = "Numbers wider than 30 bits stand in pieces of 16 bits, lowest first.\n"
NAMES = ("SPILLED", "NUMBER", "SUM", "LONGS", "LONG_AT")
WIDTH = 64


def is_long(field: Wanted) -> bool:
    """Whether the arithmetic of a field does not fit a small integer."""
    return not field.fits(SMALL)


def long_fields(plan: ExtractPlan) -> Sequence[Wanted]:
    """Return the fields that are read in pieces, in the order of their rows and places."""
    return [field for field in plan.fields if is_long(field)]


def held_words(plan: ExtractPlan) -> dict[str, int]:
    """Return what is kept of them in a receiver's memory, with how many words each takes."""
    fields = len(long_fields(plan))
    return {"SPILLED": 1, "NUMBER": 4, "SUM": 4, "LONG_AT": 4 * fields} if fields else {}


def long_row(plan: ExtractPlan, field: Wanted, row: tuple[int, ...]) -> tuple[int, ...]:
    """Return the row of a field with the number of that in ``LONGS`` first, and an inverse no other has."""
    return (long_fields(plan).index(field), 0, 0, 0, *row[4:])


def longs_table(plan: ExtractPlan) -> str:
    """Return the table of what the fields need: 22 numbers each."""
    rows = []
    for field in long_fields(plan):
        low = field.units[0]
        inverse = field.inverse(WIDTH)
        base = field.number.low if field.number.kind != "scaled" else 0
        rows.append(
            (
                *pieces(-low, 4),
                *inverse.to_bytes(8, "big"),
                int(inverse != 1),
                field.twos,
                *pieces(field.most, 4),
                *pieces(base, 4),
            )
        )
    text = ",\n".join(f"        {', '.join(map(str, row))}" for row in rows)
    return (
        "# Of each number in pieces: less its lowest, the inverse of its step from the top down, whether it\n"
        "# is needed, the halvings, the most steps, and what is added again.\n"
        f'LONGS = array(\n    "i",\n    (\n{text},\n    ),\n)'
    )


def keep_long(out: Lines, plan: ExtractPlan, field: Wanted, at: int) -> None:
    """Write what puts the pieces of a number into its places, ``at`` from the first of the message on."""
    first = 4 * long_fields(plan).index(field)
    count = pieces_of(field.number)
    signed = "((s[LONG_AT + {0}] ^ 0x8000) - 0x8000)"
    if count == 1:
        out.add(f"s[o + {at}] = {signed.format(first + 1)} << 16 | s[LONG_AT + {first}]")
        return
    for place in range(count):
        top = place == count - 1 and field.number.low < 0
        piece = signed.format(first + place) if top else f"s[LONG_AT + {first + place}]"
        out.add(f"s[o + {at + place}] = {piece}")
