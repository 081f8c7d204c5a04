"""Fields in words, for comments of generated code and for the sheet."""

from __future__ import annotations

from linkbudget.codegen.spec import Many, Maybe, Number, Octets, Real, Record, Slot
from linkbudget.message.number_forms import bound_text

__all__ = ["about"]


def about(slot: Slot) -> str:
    """Return what a field holds: range, step, unit, words."""
    if isinstance(slot, Number):
        return _number(slot)
    if isinstance(slot, Real):
        return f"a real number of {slot.width} bits, {slot.low!r} to {slot.high!r}"
    if isinstance(slot, Octets):
        size = f"{slot.shortest}" if slot.shortest == slot.longest else f"{slot.shortest} to {slot.longest}"
        return f"a text of {size} bytes of UTF-8" if slot.text else f"{size} bytes"
    if isinstance(slot, Maybe):
        return f"{about(slot.item)}; may be absent"
    if isinstance(slot, Many):
        size = f"{slot.fewest}" if slot.fewest == slot.most else f"{slot.fewest} to {slot.most}"
        return f"{size} times {about(slot.item)}"
    assert isinstance(slot, Record)
    return f"a record of {', '.join(field.name for field in slot.fields)}"


def _number(slot: Number) -> str:
    unit = f" {slot.unit}" if slot.unit else ""
    if slot.kind == "choice":
        return ", ".join(slot.options)
    if slot.kind == "flag":
        return "true or false"
    if slot.kind == "counter":
        return f"counts {slot.low} to {slot.high} and starts again"
    if slot.kind == "scaled":
        last = slot.minimum + slot.high * slot.step
        steps = f"in steps of {bound_text(slot.step)}{unit}"
        return f"{bound_text(slot.minimum)} to {bound_text(last)}{unit} {steps}"
    return f"whole numbers {slot.low} to {slot.high}{unit}"
