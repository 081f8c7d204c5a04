"""How text encodings write and read single values; JSON and delimited text share it."""

from __future__ import annotations

from collections.abc import Iterator

from linkbudget.errors import Fault
from linkbudget.message.encodings.decimals import longest_decimal, shortest_decimal
from linkbudget.message.encodings.floats import float_text, longest_float, shortest_float
from linkbudget.message.primitives import (
    BadValue,
    Bytes,
    Float,
    Group,
    Optional,
    Primitive,
    RangedInteger,
    Sequence,
    State,
    Stepped,
)

__all__ = ["decimal_faults", "leaves", "number_candidates", "number_text", "unhex"]


def number_text(primitive: RangedInteger | Float, state: State) -> str:
    """Return a number as text: integer, shortest exact decimal, or shortest float."""
    if isinstance(primitive, Float):
        return float_text(state, primitive.bits)
    return primitive.text(state) if isinstance(primitive, Stepped) else str(primitive.number(state))


def number_candidates(primitive: Primitive) -> tuple[State, ...] | None:
    """Return the states with the shortest and the longest text; None for what is no decimal or float."""
    if isinstance(primitive, Stepped):
        return shortest_decimal(primitive), longest_decimal(primitive)
    if isinstance(primitive, Float):
        return shortest_float(primitive), longest_float(primitive)
    return None


def leaves(primitive: Primitive, path: str = "") -> Iterator[tuple[str, Primitive]]:
    """Yield the scalars within a primitive, each with its path."""
    if isinstance(primitive, Group):
        inside = f"{path}." if path else ""
        for member in primitive.members:
            yield from leaves(member.primitive, inside + member.name)
    elif isinstance(primitive, Sequence | Optional):
        yield from leaves(primitive.item, path)
    else:
        yield path, primitive


def decimal_faults(group: Group) -> Iterator[Fault]:
    """Yield the scaled fields whose steps no decimal writes exactly, such as thirds."""
    for path, primitive in leaves(group):
        if isinstance(primitive, Stepped) and primitive.places is None:
            problem = f"steps of {primitive.step} from {primitive.minimum} have no exact decimals"
            allowed = "a decimal step and minimum, for text"
            yield Fault(path, primitive.step, allowed, problem=problem)


def unhex(primitive: Bytes, found: object, path: str) -> bytes:
    """Return the bytes of a text of hex digits; `BadValue` for anything else."""
    allowed = f"hex digits, two a byte; {primitive.allowed}"
    try:
        data = bytes.fromhex(found) if isinstance(found, str) else None
    except ValueError:
        data = None
    if data is None or len(str(found)) != 2 * len(data):  # fromhex skips spaces
        raise BadValue("wrong type", path, found, allowed)
    return data
