"""Which check code a construct Checksum computes, found by trying it."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import construct

from linkbudget.check.algorithms import ALGORITHMS
from linkbudget.check.code import ByteOrder, Check
from linkbudget.check.sums import SUMS

__all__ = ["known_check"]

SAMPLES = (b"", b"123456789", b"\x00", bytes(range(256)), b"\xff" * 9)
"""Inputs on which every check code of the tables differs from the others."""


def known_check(con: construct.Checksum, body: str) -> tuple[str, str | None] | str:
    """Return name and byte order of the check; or, as one text, why it cannot be taken.

    ``body`` names the RawCopy that the checksum must be computed over.
    """
    mark = b"body"
    try:
        over = con.bytesfunc(construct.Container({body: construct.Container(data=mark)}))
    except (AttributeError, KeyError, TypeError):
        over = None
    if over != mark:
        return f"is not computed over the data of {body!r}"
    field = con.checksumfield
    while type(field) is construct.Renamed:
        field = field.subcon
    known: list[Check] = [*ALGORITHMS.values(), *SUMS.values()]
    for check in known:
        for order, expected in _forms(field, check):
            if _agrees(con.hashfunc, expected):
                return check.name, order if check.check_bytes > 1 else None
    return "computes none of the known check codes"


Form = tuple[ByteOrder, Callable[[bytes], int | bytes]]


def _forms(field: construct.Construct, check: Check) -> Iterator[Form]:
    """Yield the byte orders in which a field can hold a check, and what the hash function then returns."""
    if getattr(field, "length", None) != check.check_bytes:
        return
    if type(field) is construct.Bytes:
        yield "big", lambda data: check.compute(data).to_bytes(check.check_bytes, "big")
        yield "little", lambda data: check.compute(data).to_bytes(check.check_bytes, "little")
    elif type(field) is construct.FormatField and field.fmtstr[-1] in "BHLQ":
        yield ("little" if field.fmtstr[0] == "<" else "big"), check.compute
    elif type(field) is construct.BytesInteger and not field.signed:
        yield ("little" if field.swapped else "big"), check.compute


def _agrees(hash_of: Callable[[bytes], object], expected: Callable[[bytes], int | bytes]) -> bool:
    try:
        return all(hash_of(sample) == expected(sample) for sample in SAMPLES)
    except (ArithmeticError, LookupError, TypeError, ValueError):
        return False  # a hash function that cannot take these bytes is none of ours
