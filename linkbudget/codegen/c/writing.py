"""From a message to the bytes of a payload: C statements for packed encodings. Values out of range give 0."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import prod

from linkbudget.codegen.c.members import Members, count_type, element_fields, number_type, real_type
from linkbudget.codegen.c.reading import pieces
from linkbudget.codegen.c.text import indented, literal, unsigned_bits
from linkbudget.codegen.spec import Joined, Many, Maybe, MessageSpec, Number, Octets, Real, Record, Slot

__all__ = ["Writing", "limits"]


@dataclass
class Writing:
    """The statements that write one message; ``needs`` collects the runtime pieces they call."""

    message: MessageSpec
    owner: str
    needs: set[str] = field(default_factory=set)

    def statements(self) -> list[str]:
        """Return the statements that check and write the payload."""
        lines = [] if self.message.id is None else [f"lb_put(&out, {self.message.id}u);"]
        members = Members(self.message.fields)
        for slot in self.message.slots:
            lines += self._slot(slot, "value->", members, self.owner, 0)
        some = any("lb_put_bits(" in line for line in lines)
        if some and (self.message.bits is None or self.message.bits % 8):
            lines += ["if (out.used > 0u) {", "    lb_put(&out, out.bits);", "}"]
        return lines

    def _slot(self, slot: Slot | Joined, at: str, members: Members, owner: str, depth: int) -> list[str]:
        if isinstance(slot, Number):
            return self._number(slot, f"{at}{slot.ident}")
        if isinstance(slot, Joined):
            return self._joined(slot, at)
        if isinstance(slot, Real):
            return self._real(slot, f"{at}{slot.ident}")
        if isinstance(slot, Octets):
            return self._octets(slot, at, members)
        if isinstance(slot, Many):
            return self._many(slot, at, members, owner, depth)
        assert isinstance(slot, Maybe)
        has = f"{at}{members.helper(slot)}"
        lines = [*refuse(f"{has} > 1u"), *self._put(has, slot.flag_bits or 0, None, "uint8_t")]
        return [
            *lines,
            f"if ({has} != 0u) {{",
            *indented(self._slot(slot.item, at, members, owner, depth)),
            "}",
        ]

    def _put(self, value: str, bits: int, order: str | None, kind: str) -> list[str]:
        """Return the statements that write the low bits of a value of an unsigned type."""
        self.needs.add(f"put_bits_{self.message.bit_order}")
        lines = []
        for width, shift in pieces(bits, self.message.bit_order == "msb", order):
            part = f"({value} >> {shift})" if shift else value
            cast = "" if kind == "uint32_t" and not shift else "(uint32_t)"
            lines.append(f"lb_put_bits(&out, {cast}{part}, {width}u);")
        return lines

    def _number(self, number: Number, value: str) -> list[str]:
        own = number_type(number)
        lines = limits(value, number.low, number.high, own)
        bits = number.bits or 0
        if not bits:
            return lines
        kind = f"uint{max(unsigned_bits((1 << bits) - 1), 32)}_t"
        if number.codes:
            cases = [
                line
                for place, code in enumerate(number.codes)
                for line in (
                    f"case {literal(place, own)}:",
                    *indented(self._put(literal(code, kind), bits, number.order, kind)),
                    "    break;",
                )
            ]
            return [f"switch ({value}) {{", *cases, "default:", "    return 0u;", "}"]
        raw = f"({kind}){value}"
        if number.offset:
            raw = f"({raw} - ({kind}){literal(number.offset, own)})"
        if len(pieces(bits, self.message.bit_order == "msb", number.order)) > 1:
            raw = f"({raw})" if not number.offset else raw
        return [*lines, *self._put(raw, bits, number.order, kind)]

    def _joined(self, joined: Joined, at: str) -> list[str]:
        lines: list[str] = []
        values = prod(joined.radices)
        kind = f"uint{max(unsigned_bits(values - 1), 32)}_t"
        for part in joined.parts:
            lines += limits(f"{at}{part.ident}", part.low, part.high, number_type(part))
        if not joined.bits:
            return lines
        inner = [f"{kind} raw = 0u;", ""]
        for part, radix in zip(joined.parts, joined.radices, strict=True):
            own = number_type(part)
            digit = f"({kind}){at}{part.ident}"
            if part.low:
                digit = f"({digit} - ({kind}){literal(part.low, own)})"
            # A part of all values of the type: the parts before it have only one, and raw is 0 still.
            whole = radix >> max(unsigned_bits(values - 1), 32)
            inner.append(f"raw = {digit};" if whole else f"raw = raw * {literal(radix, kind)} + {digit};")
        inner += self._put("raw", joined.bits, joined.order, kind)
        return [*lines, "{", *indented(inner), "}"]

    def _real(self, real: Real, value: str) -> list[str]:
        self.needs.add(real_type(real))
        suffix = "f" if real.width == 32 else ""
        kind = f"uint{real.width}_t"
        given = f"{value} + 0.0{suffix}" if real.low == 0 else value
        lines = [
            f"const {real_type(real)} real = {given};",
            f"{kind} raw;",
            "",
            *refuse(f"!(real >= {real.low!r}{suffix} && real <= {real.high!r}{suffix})"),
            "memcpy(&raw, &real, sizeof raw);",
            *self._put("raw", real.width, real.order, kind),
        ]
        return ["{", *indented(lines), "}"]

    def _octets(self, octets: Octets, at: str, members: Members) -> list[str]:
        lines, length = self._count(octets, at, members)
        if not octets.longest:
            return lines
        value = f"{at}{octets.ident}"
        if octets.text:
            self.needs.add("utf8")
            lines += refuse(f"lb_is_utf8({value}, {length}) == 0")
        self.needs.add(f"put_bits_{self.message.bit_order}")
        inner = [
            f"{count_type(octets.longest + 1)} i;",
            "",
            f"for (i = 0u; i < {length}; i++) {{",
            f"    lb_put_bits(&out, {value}[i], 8u);",
            "}",
        ]
        return [*lines, "{", *indented(inner), "}"]

    def _count(self, slot: Octets | Many, at: str, members: Members) -> tuple[list[str], str]:
        """Return the statements that check and write a count, and the expression of it."""
        fewest, most = (slot.shortest, slot.longest) if isinstance(slot, Octets) else (slot.fewest, slot.most)
        if fewest == most:
            return [], f"{most}u"
        length = f"{at}{members.helper(slot)}"
        lines = limits(length, fewest, most, count_type(most))
        raw = f"({length} - {fewest}u)" if slot.count_offset else length
        return [*lines, *self._put(raw, slot.count_bits or 0, slot.order, "count")], length

    def _many(self, many: Many, at: str, members: Members, owner: str, depth: int) -> list[str]:
        lines, length = self._count(many, at, members)
        if not many.most:
            return lines
        index = f"i{depth}"
        value = f"{at}{many.ident}[{index}]"
        inner = element_fields(many)
        item = many.item
        if isinstance(item, Number):
            body = self._number(item, value)
        elif isinstance(item, Real):
            body = self._real(item, value)
        else:
            assert inner is not None
            slots = item.slots if isinstance(item, Record) else (item,)
            name = f"{owner}_{many.ident}"
            body = [
                line
                for slot in slots
                for line in self._slot(slot, f"{value}.", Members(inner), name, depth + 1)
            ]
        if not body:
            return lines
        loop = [
            f"{count_type(many.most + 1)} {index};",
            "",
            f"for ({index} = 0u; {index} < {length}; {index}++) {{",
            *indented(body),
            "}",
        ]
        return [*lines, "{", *indented(loop), "}"]


def refuse(condition: str) -> list[str]:
    """Return the statement that gives up when a condition holds."""
    return [f"if ({condition}) {{", "    return 0u;", "}"]


def limits(value: str, low: int, high: int, kind: str) -> list[str]:
    """Return the check of a value against its range, without comparisons its type makes needless."""
    unsigned = kind.startswith("u")
    bits = int(kind.strip("uint_"))
    least, most = (0, (1 << bits) - 1) if unsigned else (-(1 << (bits - 1)), (1 << (bits - 1)) - 1)
    parts = []
    if low > least:
        parts.append(f"{value} < {literal(low, kind)}")
    if high < most:
        parts.append(f"{value} > {literal(high, kind)}")
    return refuse(" || ".join(parts)) if parts else []
