"""The layouts a candidate writes: as described, in coarser steps where those are allowed, told apart.

A coarser step is used only where ``[require]`` allows one: ``"step.beans.x" = 1`` says that steps of ``x``
may be as wide as 1. Nothing else about a message is changed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from linkbudget.codec import CodecMessage
from linkbudget.link.requirements import STEP
from linkbudget.message.encodings import Encoding
from linkbudget.message.fields import Field, Integer, Optional_, Real, Repeat, Scaled
from linkbudget.message.layout import MessageLayout
from linkbudget.units import Number, exact

__all__ = ["Precision", "coarser_layout", "precision_of", "told_apart"]


@dataclass(frozen=True)
class Precision:
    """What writing a field costs in precision: largest and rms quantisation error, in the field's unit.

    Steps: half a step, and step / √12 when the error is spread evenly (W. R. Bennett, 1948). Floats: half
    the distance between neighbours at the largest magnitude; the rms depends on the values, so it is None.
    Whole numbers in steps of 1, words, flags and bytes are exact and have no row.
    """

    message: str
    field: str
    step: float | None
    largest: float
    rms: float | None
    unit: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return dict(vars(self))


def coarser_layout(layout: MessageLayout, require: Mapping[str, Number]) -> MessageLayout:
    """Return the layout with each step as wide as ``require`` allows; as it is when none may grow."""
    start = f"{STEP}{layout.name}."
    allowed = {name.removeprefix(start): limit for name, limit in require.items() if name.startswith(start)}
    fields = tuple(_coarser(field, "", allowed) for field in layout.fields)
    return layout if fields == layout.fields else replace(layout, fields=fields)


def _coarser(field: Field, path: str, allowed: Mapping[str, Number]) -> Field:
    if isinstance(field, Optional_):
        return replace(field, field=_coarser(field.field, path, allowed))
    here = f"{path}{field.name}"
    if isinstance(field, Repeat) and field.fields:
        return replace(field, fields=tuple(_coarser(part, f"{here}.", allowed) for part in field.fields))
    limit = allowed.get(here)
    if limit is None:
        return field
    if isinstance(field, Scaled) and exact(limit) > exact(field.step):
        return replace(field, step=limit)
    if isinstance(field, Integer) and limit > 1 and field.bits is None:
        return Scaled(field.name, field.minimum, field.maximum, limit, field.unit, field.typical)
    return field


def told_apart(messages: Sequence[tuple[MessageLayout, Encoding]]) -> tuple[CodecMessage, ...]:
    """Return the messages of a direction with what tells them apart: an id (binary) or a key (text) each.

    Those that have one keep it; the others get the first free id, or their name as key. One message alone
    needs neither.
    """
    if len(messages) > 1:
        free = iter(sorted(set(range(256)) - {layout.id for layout, _ in messages}))
        messages = [(_with_mark(layout, encoding, free), encoding) for layout, encoding in messages]
    return tuple(CodecMessage(layout, encoding) for layout, encoding in messages)


def _with_mark(layout: MessageLayout, encoding: Encoding, free: Iterator[int]) -> MessageLayout:
    if encoding.family == "binary":
        return layout if layout.id is not None else replace(layout, id=next(free, None))
    return layout if layout.key is not None else replace(layout, key=layout.name)


def precision_of(layout: MessageLayout) -> tuple[Precision, ...]:
    """Return a row for each field of a layout that is rounded, in order, also inside groups."""
    return tuple(_rows(layout.name, layout.fields, ""))


def _rows(message: str, fields: Sequence[Field], path: str) -> Iterator[Precision]:
    for entry in fields:
        field = entry.field if isinstance(entry, Optional_) else entry
        here = f"{path}{field.name}"
        if isinstance(field, Repeat):
            yield from _rows(message, field.fields or (field.of,) if field.of else field.fields, f"{here}.")
        elif isinstance(field, Scaled):
            step = float(exact(field.step))
            yield Precision(message, here, step, field.largest_error, field.rms_error, field.unit)
        elif isinstance(field, Real):
            yield Precision(message, here, None, _float_error(field), None)


def _float_error(field: Real) -> float:
    primitive = field.primitive
    largest = max(abs(primitive.minimum), abs(primitive.maximum))
    # 24 or 53 significant bits (IEEE 754): neighbours below 2^e are 2^(e - bits) apart.
    return math.ldexp(1.0, math.frexp(largest)[1] - (24 if primitive.bits == 32 else 53) - 1)
