"""Layouts of every field kind, and values of a layout."""

from __future__ import annotations

from fractions import Fraction
from typing import Any, Literal

from hypothesis import strategies as st

from linkbudget.message.fields import (
    Blob,
    Choice,
    Counter,
    Field,
    Flag,
    Integer,
    Label,
    Optional_,
    Real,
    Repeat,
    Scaled,
)
from linkbudget.message.layout import MessageLayout

__all__ = ["field_values", "layouts", "message_values"]

WORDS = ("whole", "split", "stone", "husk", 'the "odd" one', "grün", "0")
NAMES = st.one_of(
    st.sampled_from(["tick", "kind", "score", "x", "y", "lane", "weight", "a", "b", "größe", 'say "hi"']),
    st.text(st.characters(codec="utf-8", categories=["L", "N"]), min_size=1, max_size=6),
)
PLAIN_TEXT = st.characters(codec="utf-8", exclude_characters=",", exclude_categories=["Cc", "Cs"])
ANY_TEXT = st.characters(codec="utf-8")


@st.composite
def integers(draw: st.DrawFn, name: str) -> Integer:
    ends = st.one_of(st.integers(-300, 300), st.integers(-(2**63), 2**63 - 1))
    low, high = sorted((draw(ends), draw(ends)))
    return Integer(name, low, high, draw(st.one_of(st.none(), st.integers(low, high))))


@st.composite
def scaled(draw: st.DrawFn, name: str) -> Scaled:
    """Ranges that the step divides, and ranges that it does not; decimals of up to five places."""
    unit = Fraction(1, 10 ** draw(st.integers(0, 5)))
    step = draw(st.integers(1, 2000)) * unit
    low = draw(st.integers(-100_000, 100_000)) * unit
    high = low + draw(st.integers(0, 5000)) * step + draw(st.integers(0, 1)) * unit
    kind = draw(st.sampled_from([float, Fraction]))
    return Scaled(name, kind(low), kind(high), kind(step), "mm")


@st.composite
def reals(draw: st.DrawFn, name: str) -> Real:
    bits: Literal[32, 64] = draw(st.sampled_from([32, 64]))
    ends = st.one_of(st.none(), st.floats(width=bits, allow_nan=False, allow_infinity=False))
    low, high = draw(ends), draw(ends)
    if low is not None and high is not None:
        low, high = sorted((low, high))
    return Real(name, bits, low, high)


@st.composite
def lengths(draw: st.DrawFn, shortest: int = 0) -> tuple[int, int]:
    low = draw(st.integers(shortest, 40))
    return low + draw(st.one_of(st.just(0), st.integers(0, 260))), low


def scalars(name: str, shortest: int = 0) -> st.SearchStrategy[Field]:
    words = st.lists(st.sampled_from(WORDS), min_size=1, unique=True)
    return st.one_of(
        integers(name),
        scaled(name),
        reals(name),
        words.map(lambda options: Choice(name, tuple(options))),
        st.just(Flag(name)),
        st.integers(1, 64).map(lambda bits: Counter(name, bits)),
        lengths(shortest).map(lambda ends: Blob(name, *ends)),
        lengths(shortest).map(lambda ends: Label(name, *ends)),
    )


@st.composite
def repeats(draw: st.DrawFn, name: str, fewest: int = 0, depth: int = 1) -> Repeat:
    low = draw(st.integers(fewest, 3))
    high = low + draw(st.integers(0, 20 if depth == 1 else 2))
    typical = draw(st.one_of(st.none(), st.integers(low, high)))
    of: Any = draw(scalars("each") if draw(st.booleans()) else groups(depth - 1, 1))
    return Repeat(name, of, high, low, typical)


@st.composite
def fields(draw: st.DrawFn, name: str, depth: int) -> Field:
    optional = draw(st.integers(0, 3)) == 0
    # What is optional and empty at once cannot be told from what is absent in every encoding.
    least = 1 if optional else 0
    kinds = [scalars(name, least)] * 3 + [repeats(name, least, depth)] * (depth > 0)
    made = draw(st.one_of(kinds))
    return Optional_(made) if optional else made


@st.composite
def groups(draw: st.DrawFn, depth: int = 2, fewest: int = 0) -> tuple[Field, ...]:
    names = draw(st.lists(NAMES, min_size=fewest, max_size=5, unique=True))
    return tuple(draw(fields(name, depth)) for name in names)


def layouts(depth: int = 2) -> st.SearchStrategy[MessageLayout]:
    """Layouts that every encoding can write."""
    return groups(depth).map(lambda made: MessageLayout("beans", made))


def message_values(
    layout: MessageLayout, text: st.SearchStrategy[str] = ANY_TEXT
) -> st.SearchStrategy[dict[str, Any]]:
    """Values of a layout, such as a user would write them."""
    return _group(layout.fields, text)


@st.composite
def _group(draw: st.DrawFn, made: tuple[Field, ...], text: st.SearchStrategy[str]) -> dict[str, Any]:
    value: dict[str, Any] = {}
    for field in made:
        inner = field.field if isinstance(field, Optional_) else field
        if inner is field or draw(st.booleans()):
            value[field.name] = draw(field_values(inner, text))
    return value


def field_values(field: Field, text: st.SearchStrategy[str] = ANY_TEXT) -> st.SearchStrategy[Any]:
    """Values of one field."""
    if isinstance(field, Integer):
        return st.integers(field.minimum, field.maximum)
    if isinstance(field, Scaled):
        return st.integers(0, field.primitive.count - 1).map(field.primitive.value)
    if isinstance(field, Choice):
        return st.sampled_from(field.options)
    if isinstance(field, Flag):
        return st.booleans()
    if isinstance(field, Counter):
        return st.integers(0, 2**field.bits - 1)
    if isinstance(field, Real):
        low, high = field.primitive.minimum, field.primitive.maximum
        made = st.floats(
            low, high, width=32 if field.bits == 32 else 64, allow_nan=False, allow_infinity=False
        )
        return made.map(lambda number: number + 0.0 if low == 0 else number)
    if isinstance(field, Blob):
        return st.binary(min_size=field.min_bytes, max_size=field.max_bytes)
    if isinstance(field, Label):
        return st.text(text, max_size=field.max_bytes).map(lambda made: fitted(made, field))
    assert isinstance(field, Repeat)
    element = _group(field.fields, text) if field.of is None else field_values(field.of, text)
    return st.lists(element, min_size=field.min_count, max_size=field.max_count)


def fitted(text: str, field: Label) -> str:
    """The text cut or filled up to the bytes the label may have."""
    while len(text.encode()) > field.max_bytes:
        text = text[:-1]
    return text + "a" * (field.min_bytes - len(text.encode()))
