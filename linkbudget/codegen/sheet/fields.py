"""The messages: which fields they have, where each stands, and how a value becomes bits."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import partial

from linkbudget.codegen.sheet.tables import table
from linkbudget.codegen.spec import (
    DirectionSpec,
    Joined,
    Many,
    Maybe,
    MessageSpec,
    Number,
    Octets,
    Real,
    Record,
    Slot,
)
from linkbudget.codegen.words import about
from linkbudget.message.encodings.delimited import Delimited
from linkbudget.message.number_forms import bound_text

__all__ = ["messages_section"]


def messages_section(spec: DirectionSpec) -> str:
    """Return the section of all messages."""
    return "## Messages\n\n" + "\n\n".join([_telling(spec), *(_message(spec, one) for one in spec.messages)])


def _telling(spec: DirectionSpec) -> str:
    messages = spec.messages
    if spec.family == "binary":
        if len(messages) == 1 and messages[0].id is None:
            return "There is one message; its fields are the whole payload."
        rows = [(f"`{message.id:02x}` ({message.id})", f"`{message.name}`") for message in messages]
        return "The first byte of the payload tells which message it is.\n\n" + table(
            ("First byte", "Message"), rows
        )
    keyed = [message for message in messages if message.key is not None]
    if not keyed:
        return "The payload is text in UTF-8." + (" There is one message." if len(messages) == 1 else "")
    where = "the first word" if spec.family == "delimited" else "the key"
    rows = [(f"`{message.key}`", f"`{message.name}`") for message in keyed]
    return f"The payload is text in UTF-8; {where} tells which message it is.\n\n" + table(
        ("Key", "Message"), rows
    )


def _message(spec: DirectionSpec, message: MessageSpec) -> str:
    size = message.size
    frame = spec.codec.size(message.name)
    parts = [f"### `{message.name}`"]
    sizes = [
        ("Payload, bytes", str(size.minimum), str(size.typical), str(size.maximum)),
        ("Frame on the wire, bytes", str(frame.minimum), str(frame.typical), str(frame.maximum)),
    ]
    if message.bit_order is not None:
        parts.append(_packed(message))
    else:
        parts.append(_words(message))
    parts.append(table(("Size", "least", "typical", "most"), sizes))
    return "\n\n".join(parts)


def _packed(message: MessageSpec) -> str:
    first = "top bit (7)" if message.bit_order == "msb" else "lowest bit (0)"
    whole = message.encoding.name == "packed-bytes"
    how = "Fields follow each other in whole bytes."
    if not whole:
        how = (
            f"Fields follow each other bit by bit; the {first} of byte 0 comes first. What is left of the "
            "last byte is zero, and a receiver refuses a message in which it is not. A place such as 2.7 is "
            "bit 7, the top one, of byte 2; bytes count from the start of the payload."
        )
        if any(map(partial(_is_uneven, message), message.slots)):
            how += (
                " A number whose low byte comes first, and whose bits fill no whole bytes, ends with the "
                "shorter one."
                if message.bit_order == "msb"
                else " A number whose high byte comes first, and whose bits fill no whole bytes, begins with "
                "the shorter one."
            )
    if any(isinstance(slot, Record) for slot in _nested(message.slots)):
        how += " The places of fields marked – count from the start of the element they are in."
    rows = list(_rows(message, message.slots, ""))
    text = how + "\n\n" + table(("Field", "Where", "Bits", "Holds", "Written as"), rows)
    words = [line for slot in message.slots for line in _choices(slot)]
    return text + ("\n\n" + "\n".join(words) if words else "")


def _nested(slots: Sequence[Slot | Joined]) -> Iterator[Slot | Joined]:
    """Yield every slot, and what is inside of repeats and options."""
    for slot in slots:
        yield slot
        if isinstance(slot, Many | Maybe):
            yield from _nested((slot.item,))
        elif isinstance(slot, Record):
            yield from _nested(slot.slots)


def _is_uneven(message: MessageSpec, slot: Slot | Joined) -> bool:
    """Whether bytes of a number here stand against the order of the bits, and one of them is shorter."""
    other = "little" if message.bit_order == "msb" else "big"
    for each in _nested((slot,)):
        bits = each.count_bits if isinstance(each, Octets | Many) else getattr(each, "bits", None)
        if bits and bits > 8 and bits % 8 and getattr(each, "order", None) == other:
            return True
    return False


def _rows(message: MessageSpec, slots: Sequence[Slot | Joined], indent: str) -> Iterator[tuple[str, ...]]:
    for slot in slots:
        if isinstance(slot, Joined):
            names = " × ".join(part.name for part in slot.parts)
            holds = "; ".join(f"{part.name}: {about(part)}" for part in slot.parts)
            yield (
                f"{indent}`{names}`",
                where(message, slot.at, slot.bits),
                str(slot.bits),
                holds,
                _joined_text(slot),
            )
            continue
        width = _width(slot)
        bits = str(width) if width is not None else "varies"
        yield (
            f"{indent}`{slot.name}`",
            where(message, slot.at, width),
            bits,
            about(slot),
            written(message, slot),
        )
        inner = _inner(slot)
        if isinstance(inner, Record):
            yield from _rows(message, inner.slots, indent + "– ")


def _inner(slot: Slot) -> Slot:
    """Return what is in the middle of repeats and options."""
    while isinstance(slot, Many | Maybe):
        slot = slot.item
    return slot


def _width(slot: Slot) -> int | None:
    if isinstance(slot, Number | Real):
        return slot.bits
    if isinstance(slot, Octets) and slot.shortest == slot.longest:
        return 8 * slot.longest + (slot.count_bits or 0)
    if isinstance(slot, Many) and slot.fewest == slot.most and slot.element_bits is not None:
        return slot.element_bits * slot.most + (slot.count_bits or 0)
    return None


def where(message: MessageSpec, at: int | None, width: int | None) -> str:
    """Return where bits stand: byte and bit, bit 7 being the top one of a byte."""
    if at is None:
        return "behind the field before it"

    def bit(place: int) -> str:
        return f"{place // 8}.{7 - place % 8 if message.bit_order == 'msb' else place % 8}"

    if width is None:
        return f"from byte {at // 8}" if at % 8 == 0 else f"from {bit(at)}"
    if not width:
        return "nowhere"
    if at % 8 == 0 and width % 8 == 0:
        first, last = at // 8, (at + width) // 8 - 1
        return f"byte {first}" if first == last else f"bytes {first} to {last}"
    return bit(at) if width == 1 else f"{bit(at)} to {bit(at + width - 1)}"


def written(message: MessageSpec, slot: Slot) -> str:
    """Return how a value becomes the number in these bits."""
    if isinstance(slot, Number):
        return _number(slot)
    if isinstance(slot, Real):
        return f"IEEE 754, {_order(slot.order)}; never NaN or infinite"
    if isinstance(slot, Octets):
        return _count(slot.count_bits, slot.count_offset, slot.order, "bytes") + "the bytes themselves"
    if isinstance(slot, Many):
        more = f", {slot.element_bits} bits each" if slot.element_bits is not None else ""
        return (
            _count(slot.count_bits, slot.count_offset, slot.order, "elements") + f"one after the other{more}"
        )
    if isinstance(slot, Maybe):
        flag = "one bit" if slot.flag_bits == 1 else "a byte"
        return f"{flag}: 1 when it is there, and then {written(message, slot.item)}; else 0 and nothing more"
    return "its fields"


def _number(slot: Number) -> str:
    order = f", {_order(slot.order)}" if (slot.bits or 0) > 8 else ""
    if not slot.bits:
        return "nothing: only one value is possible"
    if slot.codes:
        return f"the code of the word, below{order}"
    if slot.kind == "choice":
        return f"the number of the word, below{order}"
    if slot.kind == "flag":
        return "1 for true, 0 for false"
    if slot.kind == "scaled":
        sign = "+" if slot.minimum < 0 else "−"
        lowest = "value" if not slot.minimum else f"(value {sign} {bound_text(abs(slot.minimum))})"
        return f"{lowest} / {bound_text(slot.step)}, nearest whole number{order}"
    sign = ", two's complement" if slot.signed else ""
    offset = f"value − {slot.offset}" if slot.offset > 0 else f"value + {-slot.offset}"
    return f"{offset if slot.offset else 'the number'}{sign}{order}"


def _order(order: str | None) -> str:
    return "low byte first" if order == "little" else "high byte first"


def _count(bits: int | None, offset: int, order: str | None, what: str) -> str:
    if not bits:
        return ""
    less = f" less {offset}" if offset else ""
    width = f"{bits} bits" if bits != 1 else "one bit"
    more = f", {_order(order)}" if bits > 8 else ""
    return f"{width} with the number of {what}{less}{more}, then "


def _joined_text(slot: Joined) -> str:
    text = ""
    for part, radix in zip(slot.parts, slot.radices, strict=True):
        low = part.low
        name = part.name if not low else f"({part.name} {'−' if low > 0 else '+'} {abs(low)})"
        text = f"({text}) · {radix} + {name}" if text else name
    steps = [part.name for part in slot.parts if part.kind in {"scaled", "choice"}]
    note = f"; {', '.join(steps)} counted in steps or words from 0" if steps else ""
    more = f", {_order(slot.order)}" if slot.bits > 8 else ""
    return f"{text}{note}{more}"


def _choices(slot: Slot | Joined) -> Iterator[str]:
    if isinstance(slot, Joined):
        for part in slot.parts:
            yield from _choices(part)
    elif isinstance(slot, Number) and slot.kind == "choice":
        numbers = slot.codes or range(len(slot.options))
        words = ", ".join(f"{number} {word}" for number, word in zip(numbers, slot.options, strict=True))
        yield f"- `{slot.name}`: {words}"
    elif isinstance(slot, Many | Maybe):
        yield from _choices(slot.item)
    elif isinstance(slot, Record):
        for inner in slot.slots:
            yield from _choices(inner)


def _words(message: MessageSpec) -> str:
    encoding = message.encoding
    if isinstance(encoding, Delimited):
        if encoding.template is not None:
            how = f"A line of the shape `{encoding.template}`, a field in place of each pair of braces."
        else:
            how = f"Words in this order, with {encoding.separator!r} between them."
        how += (
            " Flags are 1 and 0, blobs hex digits; a repeat begins with its count; what is absent is an empty"
        )
        how += " word."
    else:
        how = f"A document in {encoding.name}; numbers in steps are written as decimals."
    if any(isinstance(slot, Record) for slot in _nested(message.fields)):
        how += " Fields marked – are those of each element of the repeat above them."
    return how + "\n\n" + table(("Field", "Holds"), list(_told(message.fields, "")))


def _told(slots: Sequence[Slot], indent: str) -> Iterator[tuple[str, str]]:
    for slot in slots:
        yield f"{indent}`{slot.name}`", about(slot)
        inner = _inner(slot)
        if isinstance(inner, Record):
            yield from _told(inner.fields, indent + "– ")
