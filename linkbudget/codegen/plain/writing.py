"""The function that writes one packed message: one large number, to which fields are added in order."""

from __future__ import annotations

from collections.abc import Sequence

from linkbudget.codegen.plain.lines import Lines, hexed, natural_order, runs_of
from linkbudget.codegen.plain.style import Style
from linkbudget.codegen.spec import Joined, Many, Maybe, MessageSpec, Number, Octets, Real, Record, Slot

__all__ = ["PackedWriter"]


class PackedWriter:
    """Writes ``write_<message>(message)``. ``at`` is the number of bits, None when only the code knows it."""

    def __init__(self, message: MessageSpec, style: Style) -> None:
        assert message.bit_order is not None
        self.message, self.style = message, style
        self.msb = message.bit_order == "msb"
        self.out = Lines()
        self.at: int | None = 0

    def text(self, annotation: str) -> str:
        """Return the source of the function; ``annotation`` is the type of the message."""
        message = self.message
        with self.out.block(f"def write_{message.ident}(message: {annotation}) -> bytes:"):
            self.out.add(
                f'"""Return the payload of the {message.ident} message; `ValueError` names what is wrong."""'
            )
            start = len(self.out.lines)
            if message.id is not None:
                self._append(str(message.id), 8, None, masked=False)
            # Fields of one value take no bits, and may still be given another one.
            self._fields(message.fields, message.slots, "message", top=True)
            self._finish()
        if any("bits" in line for line in self.out.lines[start:]):
            self.out.lines.insert(start, "    bits = 0")
        return self.out.text()

    def _finish(self) -> None:
        order = natural_order(self.message.bit_order or "")
        if self.at == 0:
            self.out.add('return b""')
            return
        if self.at is not None:
            size, spare = -(-self.at // 8), -self.at % 8
            value = f"(bits << {spare})" if spare and self.msb else "bits"
            self.out.add(f'return {value}.to_bytes({size}, "{order}")')
            return
        value = "(bits << -at % 8)" if self.msb else "bits"
        self.out.add(f'return {value}.to_bytes((at + 7) // 8, "{order}")')

    def _to_variable(self) -> None:
        if self.at is not None:
            self.out.add(f"at = {self.at}")
            self.at = None

    def _append(self, source: str, width: int, order: str | None, masked: bool = True) -> None:
        """Append the low bits of a number."""
        if not width:
            return
        runs = runs_of(width, order, self.message.bit_order or "")
        for run in runs:
            part = f"{source} >> {run.shift}" if run.shift else source
            if masked or len(runs) > 1:
                part = f"({part} & {hexed((1 << run.bits) - 1)})"
            if self.msb:
                self.out.add(f"bits = bits << {run.bits} | {part}")
            else:
                shift = "at" if self.at is None else str(self.at)
                self.out.add(f"bits |= {part} << {shift}" if shift != "0" else f"bits |= {part}")
            if self.at is None:
                self.out.add(f"at += {run.bits}")
            else:
                self.at += run.bits

    def _fields(
        self, fields: Sequence[Slot], slots: Sequence[Slot | Joined], owner: str, top: bool = False
    ) -> None:
        take = self.style.message_field if top else self.style.field
        places = {field.ident: place for place, field in enumerate(fields)}
        for slot in slots:
            if isinstance(slot, Joined):
                name = self.out.fresh()
                self.out.add(f"{name} = 0")
                for part, radix in zip(slot.parts, slot.radices, strict=True):
                    raw = self.style.number(part, take(owner, places[part.ident], part))
                    self.out.add(f"{name} = {name} * {radix} + {raw}{_minus(part.low)}")
                self._append(name, slot.bits, slot.order, masked=False)
            else:
                self._slot(slot, take(owner, places[slot.ident], slot))

    def _slot(self, slot: Slot, source: str) -> None:
        if isinstance(slot, Number):
            self._number(slot, source)
        elif isinstance(slot, Real):
            form = ">f" if slot.width == 32 else ">d"
            real, name = self.out.fresh(), self.out.fresh()
            self.out.add(f"{real} = {self.style.real(slot, source)}")
            self.out.add(f'{name} = int.from_bytes(struct.pack("{form}", {real}), "big")')
            self._append(name, slot.width, slot.order, masked=False)
        elif isinstance(slot, Octets):
            self._octets(slot, source)
        elif isinstance(slot, Record):
            self._fields(slot.fields, slot.slots, source)
        elif isinstance(slot, Many):
            self._many(slot, source)
        else:
            self._maybe(slot, source)

    def _number(self, slot: Number, source: str) -> None:
        name = self.out.fresh()
        raw = self.style.number(slot, source)
        self.out.add(
            f"{name} = {raw}{_minus(slot.offset)}" if not slot.codes else f"{name} = {_codes(slot)}[{raw}]"
        )
        if not slot.bits:
            return
        self._append(name, slot.bits, slot.order, masked=slot.signed)

    def _count(self, slot: Octets | Many, length: str) -> None:
        if slot.count_bits:
            name = self.out.fresh()
            self.out.add(f"{name} = {length}{_minus(slot.count_offset)}")
            self._append(name, slot.count_bits, slot.order, masked=False)

    def _octets(self, slot: Octets, source: str) -> None:
        name = self.out.fresh()
        self.out.add(f"{name} = {self.style.octets(slot, source)}")
        self._count(slot, f"len({name})")
        number = f'int.from_bytes({name}, "{natural_order(self.message.bit_order or "")}")'
        fixed = slot.shortest == slot.longest
        if not fixed:
            self._to_variable()
        width = str(8 * slot.shortest) if fixed else f"8 * len({name})"
        if self.msb:
            self.out.add(f"bits = bits << {width} | {number}")
        else:
            self.out.add(f"bits |= {number} << {'at' if self.at is None else self.at}")
        if self.at is None:
            self.out.add(f"at += {width}")
        else:
            self.at += 8 * slot.shortest

    def _many(self, slot: Many, source: str) -> None:
        name = self.out.fresh()
        self.out.add(f"{name} = {self.style.items(slot, source)}")
        self._count(slot, f"len({name})")
        known = self.at
        self._to_variable()
        item = self.out.fresh()
        with self.out.block(f"for {item} in {name}:"):
            before = len(self.out.lines)
            self._slot(slot.item, item)
            if len(self.out.lines) == before:
                self.out.add("pass")
        if known is not None and slot.element_bits is not None and slot.fewest == slot.most:
            self.at = known + slot.element_bits * slot.fewest

    def _maybe(self, slot: Maybe, source: str) -> None:
        name = self.out.fresh()
        self.out.add(f"{name} = {source}")
        self._to_variable()
        with self.out.block(f"if {name} is None:"):
            if self.msb:
                self.out.add(f"bits <<= {slot.flag_bits}")
            self.out.add(f"at += {slot.flag_bits}")
        with self.out.block("else:"):
            self._append("1", slot.flag_bits or 0, None, masked=False)
            self._slot(slot.item, name)
            self._to_variable()


def _minus(number: int) -> str:
    return f" - {number}" if number > 0 else f" + {-number}" if number else ""


def _codes(slot: Number) -> str:
    return f"({', '.join(map(str, slot.codes))},)"
