"""The function that reads one packed message: the payload as one large number, fields cut out of it."""

from __future__ import annotations

from collections.abc import Sequence

from linkbudget.codegen.plain.lines import Lines, hexed, natural_order, runs_of
from linkbudget.codegen.plain.style import Style
from linkbudget.codegen.spec import Joined, Many, Maybe, MessageSpec, Number, Octets, Real, Record, Slot

__all__ = ["PackedReader"]

GIVE_UP = "return REFUSED"


class PackedReader:
    """Writes ``read_<message>(payload)``. ``at`` is the place in bits, None when only the code knows it."""

    def __init__(self, message: MessageSpec, style: Style) -> None:
        assert message.bit_order is not None
        self.message, self.style = message, style
        self.msb = message.bit_order == "msb"
        self.out = Lines()
        self.at: int | None = 0 if message.id is None else 8
        self.fixed = message.bits
        self.total_line = 0

    def text(self) -> str:
        """Return the source of the function."""
        message = self.message
        head = f"def read_{message.ident}(payload: bytes) -> Message | int:"
        with self.out.block(head):
            self.out.add(f'"""Return the {message.ident} message of a payload, or what is wrong with it."""')
            self._begin()
            values = self._fields(message.fields, message.slots)
            self._end()
            self.out.add(f"return {self.style.message(message, values)}")
            self._count_bits()
        return self.out.text()

    def _begin(self) -> None:
        if self.fixed is not None:
            with self.out.block(f"if len(payload) != {-(-self.fixed // 8)}:"):
                self.out.add(GIVE_UP)
            if not self.fixed:
                return
        self.total_line = len(self.out.lines)
        self.out.add(f'bits = int.from_bytes(payload, "{natural_order(self.message.bit_order or "")}")')

    def _count_bits(self) -> None:
        """Add the line that counts the bits of the payload, and drop the one that reads them, if need be."""
        if any("total" in line for line in self.out.lines):
            self.out.lines.insert(self.total_line, "    total = 8 * len(payload)")
        elif self.total_line and not any("bits" in line for line in self.out.lines[self.total_line + 1 :]):
            del self.out.lines[self.total_line]

    def _end(self) -> None:
        """Refuse bytes behind the message, and padding that is not zero."""
        if self.fixed is not None:
            spare = -self.fixed % 8
            if spare:
                mask = (1 << spare) - 1
                self._refuse_if(f"bits & {mask}" if self.msb else f"bits >> {self.fixed}")
            return
        at = self._place(0)
        rest = f"bits & (1 << total - {at}) - 1" if self.msb else f"bits >> {at}"
        self._refuse_if(f"total - {at} >= 8 or {rest}")

    def _refuse_if(self, condition: str) -> None:
        with self.out.block(f"if {condition}:"):
            self.out.add(GIVE_UP)

    def _place(self, more: int) -> str:
        if self.at is not None:
            return str(self.at + more)
        return f"at + {more}" if more else "at"

    def _to_variable(self) -> None:
        """Let the code keep the place from here on."""
        if self.at is not None:
            self.out.add(f"at = {self.at}")
            self.at = None

    def _cut(self, more: int, width: int) -> str:
        """Return the expression of so many bits from the present place and ``more`` on."""
        mask = hexed((1 << width) - 1)
        if not self.msb:
            place = self._place(more)
            shifted = "bits" if place == "0" else f"bits >> {place}"
            return f"{shifted} & {mask}"
        if self.fixed is not None and self.at is not None:
            size = -(-self.fixed // 8) * 8
            shift = size - self.at - more - width
            return f"bits >> {shift} & {mask}" if shift else f"bits & {mask}"
        place = f"at - {more + width}" if self.at is None else str(self.at + more + width)
        return f"bits >> total - {place} & {mask}"

    def _take(self, width: int, order: str | None) -> str:
        """Read a number of so many bits into a variable and go on behind it."""
        if not width:
            return "0"
        if self.fixed is None:
            self._refuse_if(f"total < {self._place(width)}")
        name = self.out.fresh()
        runs = runs_of(width, order, self.message.bit_order or "")
        parts = [
            self._cut(run.at, run.bits)
            if not run.shift
            else f"({self._cut(run.at, run.bits)}) << {run.shift}"
            for run in runs
        ]
        self.out.add(f"{name} = {' | '.join(parts)}")
        self._advance(width)
        return name

    def _advance(self, width: int) -> None:
        if self.at is not None:
            self.at += width
        else:
            self.out.add(f"at += {width}")

    def _fields(self, fields: Sequence[Slot], slots: Sequence[Slot | Joined]) -> list[str]:
        """Read slots in the order they are written; return the values in the order of the fields."""
        values: dict[str, str] = {}
        for slot in slots:
            if self.fixed is not None and slots is self.message.slots:
                # An extractor skips what nobody asked for.
                self.at = slot.at
            if isinstance(slot, Joined):
                self._joined(slot, values)
            else:
                values[slot.ident] = self._slot(slot)
        return [values[field.ident] for field in fields]

    def _joined(self, joined: Joined, values: dict[str, str]) -> None:
        number = self._take(joined.bits, joined.order)
        if number == "0":
            values.update({part.ident: self.style.value(part, str(part.low)) for part in joined.parts})
            return
        for part, radix in reversed(list(zip(joined.parts, joined.radices, strict=True))):
            name = self.out.fresh()
            if part is joined.parts[0]:
                self._refuse_if(f"{number} >= {radix}")
                self.out.add(f"{name} = {number}{_plus(part.low)}")
            else:
                self.out.add(f"{name} = {number} % {radix}{_plus(part.low)}")
                self.out.add(f"{number} = {number} // {radix}")
            values[part.ident] = self.style.value(part, name)

    def _slot(self, slot: Slot) -> str:
        if isinstance(slot, Number):
            return self.style.value(slot, self._number(slot))
        if isinstance(slot, Real):
            return self._real(slot)
        if isinstance(slot, Octets):
            return self._octets(slot)
        if isinstance(slot, Record):
            return self.style.record(slot, self._fields(slot.fields, slot.slots))
        return self._many(slot) if isinstance(slot, Many) else self._maybe(slot)

    def _number(self, slot: Number) -> str:
        width = slot.bits or 0
        name = self._take(width, slot.order)
        if name == "0":
            # Only one value is possible, and nothing of it is on the wire.
            return str(slot.low)
        if slot.signed:
            with self.out.block(f"if {name} >= {1 << (width - 1)}:"):
                self.out.add(f"{name} -= {1 << width}")
        if slot.codes:
            self._refuse_if(f"{name} not in {_codes(slot)}")
            place = self.out.fresh()
            self.out.add(f"{place} = {_codes(slot)}.index({name})")
            return place
        low, high = slot.written
        lowest, highest = (-(1 << width - 1), (1 << width - 1) - 1) if slot.signed else (0, (1 << width) - 1)
        if low > lowest and high < highest:
            self._refuse_if(f"not {low} <= {name} <= {high}")
        elif low > lowest:
            self._refuse_if(f"{name} < {low}")
        elif high < highest:
            self._refuse_if(f"{name} > {high}")
        if slot.offset:
            self.out.add(f"{name} += {slot.offset}")
        return name

    def _real(self, slot: Real) -> str:
        number = self._take(slot.width, slot.order)
        name = self.out.fresh()
        form = ">f" if slot.width == 32 else ">d"
        size = slot.width // 8
        self.out.add(f'{name}: float = struct.unpack("{form}", {number}.to_bytes({size}, "big"))[0]')
        self._refuse_if(f"not {slot.low!r} <= {name} <= {slot.high!r}")
        # A range that starts at zero has no use for the negative one.
        return f"{name} + 0.0" if slot.low == 0 else name

    def _count(self, slot: Octets | Many, fewest: int, most: int) -> str:
        width = slot.count_bits or 0
        if not width:
            return str(fewest)
        name = self._take(width, slot.order)
        low, high = fewest - slot.count_offset, most - slot.count_offset
        if low > 0:
            self._refuse_if(f"not {low} <= {name} <= {high}")
        elif high < (1 << width) - 1:
            self._refuse_if(f"{name} > {high}")
        if slot.count_offset:
            self.out.add(f"{name} += {slot.count_offset}")
        return name

    def _octets(self, slot: Octets) -> str:
        count = self._count(slot, slot.shortest, slot.longest)
        order = natural_order(self.message.bit_order or "")
        name = self.out.fresh()
        if count.isdigit() and (self.fixed is not None or int(count) == 0):
            width = 8 * int(count)
            data = f'({self._cut(0, width)}).to_bytes({count}, "{order}")' if width else 'b""'
            self.out.add(f"{name} = {data}")
            self._advance(width)
        else:
            self._to_variable()
            self._refuse_if(f"total < at + 8 * {count}")
            shift = f"total - at - 8 * {count}" if self.msb else "at"
            self.out.add(f'{name} = (bits >> {shift} & (1 << 8 * {count}) - 1).to_bytes({count}, "{order}")')
            self.out.add(f"at += 8 * {count}")
        if not slot.text:
            return name
        text = self.out.fresh()
        self.out.add(f"{text} = {self.style.text(name)}")
        self._refuse_if(f"{text} is None")
        return text

    def _many(self, slot: Many) -> str:
        count = self._count(slot, slot.fewest, slot.most)
        known = self.at
        self._to_variable()
        name = self.out.fresh()
        self.out.add(f"{name}: list[{self.style.type_of(slot.item)}] = []")
        with self.out.block(f"for _ in range({count}):"):
            before = len(self.out.lines)
            value = self._slot(slot.item)
            self.out.add(f"{name}.append({value})")
            assert len(self.out.lines) > before
        if known is not None and slot.element_bits is not None and slot.fewest == slot.most:
            self.at = known + slot.element_bits * slot.fewest
        return name

    def _maybe(self, slot: Maybe) -> str:
        there = self._take(slot.flag_bits or 0, None)
        if (slot.flag_bits or 0) > 1:
            self._refuse_if(f"{there} > 1")
        self._to_variable()
        name = self.out.fresh()
        self.out.add(f"{name}: {self.style.type_of(slot)} = None")
        with self.out.block(f"if {there}:"):
            self.out.add(f"{name} = {self._slot(slot.item)}")
            if self.at is not None:
                self._to_variable()
        return name


def _plus(number: int) -> str:
    return f" + {number}" if number > 0 else f" - {-number}" if number else ""


def _codes(slot: Number) -> str:
    return f"({', '.join(map(str, slot.codes))},)"
