"""From the bytes of a payload to a message: C statements for packed encodings.

A message whose fields all stand at fixed places is read straight from its bytes, any other through a reader
that takes bits one after the other. Numbers are checked without a sign: *k* = number - lowest, modulo 2^bits,
must not be above the span, so one comparison refuses what is too small or too large.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from math import prod

from linkbudget.codegen.c.members import Members, count_type, element_fields, number_type, real_type
from linkbudget.codegen.c.text import comment, indented, literal, unsigned_bits
from linkbudget.codegen.spec import Joined, Many, Maybe, MessageSpec, Number, Octets, Real, Record, Slot
from linkbudget.errors import TargetError

__all__ = ["Reading", "pieces"]


@dataclass
class Reading:
    """The statements that read one message.

    ``needs`` collects the runtime pieces they call; ``shared`` are the bytes of a fixed payload that more
    than one field has bits in: they are loaded once, since a store to the struct may change bytes.
    """

    message: MessageSpec
    owner: str
    needs: set[str] = field(default_factory=set)
    shared: set[int] = field(default_factory=set)

    def function(self) -> str:
        """Return the function from payload to struct."""
        lines = self._moving() if self.size is None else self._fixed()
        n = "size_t n, " if self.size is None else ""
        head = f"static uint8_t lb_read_{self.message.ident}(const uint8_t *p, {n}{self.owner}_t *out)"
        says = f"/* Reads {comment(self.message.name)}; 0 when the bytes are none: then *out is of no use. */"
        text = "\n".join(indented(lines))
        return f"{says}\n{head}\n{{\n{text}\n}}\n"

    @property
    def size(self) -> int | None:
        """Bytes of a message whose fields all stand at fixed places; None for any other."""
        bits = self.message.bits
        return None if bits is None or not all(map(_is_fixed, self.message.slots)) else -(-bits // 8)

    def _fixed(self) -> list[str]:
        bits = self.message.bits or 0
        lines: list[str] = []
        touched = [_touched(slot) for slot in self.message.slots]
        times = Counter(byte for some in touched for byte in some)
        padded = (bits - 1) // 8 if bits % 8 else None
        if padded is not None:
            times[padded] += 1
        self.shared = {byte for byte, count in times.items() if count > 1}
        loaded: set[int] = set()
        for slot, some in zip(self.message.slots, touched, strict=True):
            new = sorted(self.shared & set(some) - loaded)
            lines += [f"const unsigned b{byte} = p[{byte}];" for byte in new]
            if padded in new:
                lines += self._padding(padded, bits)
            loaded.update(new)
            lines += self._slot(slot, "out->", Members(self.message.fields), self.owner, 0, fixed=True)
        if padded is not None and padded not in loaded:
            lines += self._padding(padded, bits)
        if not self.message.slots:
            lines.append("out->nothing = 0u;")
        if not any("p[" in line for line in lines):
            lines.insert(0, "(void)p;")
        return [*lines, "return 1;"]

    def _padding(self, byte: int, bits: int) -> list[str]:
        """Return the statements that refuse a last byte with anything behind the last bit."""
        mask = (1 << (8 - bits % 8)) - 1
        mask = mask if self.message.bit_order == "msb" else mask << bits % 8
        return _refuse(f"({self._byte(byte)} & {mask:#04x}u) != 0u")

    def _moving(self) -> list[str]:
        self.needs |= {"reader", f"bits_{self.message.bit_order}", "rest"}
        first = 0 if self.message.id is None else 8
        lines = ["lb_reader in = {p, 0u, 0u, 0u};", "", "in.end = 8u * (uint32_t)n;"]
        if first:
            lines.append(f"in.at = {first}u;")
        for slot in self.message.slots:
            lines += self._slot(slot, "out->", Members(self.message.fields), self.owner, 0, fixed=False)
        if not any("out->" in line for line in lines):
            lines.append("(void)out;")
        return [*lines, "return (uint8_t)lb_at_end(&in);"]

    # --- slots --------------------------------------------------------------------------------------------

    def _slot(
        self, slot: Slot | Joined, to: str, members: Members, owner: str, depth: int, fixed: bool
    ) -> list[str]:
        if isinstance(slot, Number):
            return self._block(self._number(slot, f"{to}{slot.ident}", fixed))
        if isinstance(slot, Joined):
            return self._block(self._joined(slot, to, fixed))
        if isinstance(slot, Real):
            return self._block(self._real(slot, f"{to}{slot.ident}", fixed))
        if isinstance(slot, Octets):
            return self._block(self._octets(slot, to, members, fixed))
        if isinstance(slot, Many):
            return self._block(self._many(slot, to, members, owner, depth))
        assert isinstance(slot, Maybe)
        return self._maybe(slot, to, members, owner, depth)

    @staticmethod
    def _block(lines: list[str]) -> list[str]:
        """One statement stands as it is, several get braces so that their names end with them."""
        return lines if len(lines) == 1 else ["{", *indented(lines), "}"]

    def _raw(self, bits: int, order: str | None, at: int | None, fixed: bool) -> tuple[str, list[str]]:
        """Return type and statements that put the next bits into ``raw``."""
        wide = unsigned_bits((1 << bits) - 1)
        kind = {8: "unsigned", 16: "unsigned"}.get(wide, f"uint{wide}_t")
        if fixed:
            assert at is not None
            expression = self._at(at, bits, order, kind)
            return kind, [f"{kind} raw = {expression};"]
        msb = self.message.bit_order == "msb"
        parts = pieces(bits, msb, order)
        if len(parts) == 1:
            cast = "" if kind == "uint32_t" else f"({kind})"
            return kind, [f"{kind} raw = {cast}lb_bits(&in, {bits}u);"]
        lines = [f"{kind} raw = 0u;", ""]
        for width, shift in parts:
            lines.append(f"raw |= ({kind})lb_bits(&in, {width}u)" + (f" << {shift};" if shift else ";"))
        return kind, lines

    def _at(self, at: int, bits: int, order: str | None, kind: str) -> str:
        """Return the expression of ``bits`` bits at the fixed bit ``at``."""
        msb = self.message.bit_order == "msb"
        natural = "big" if msb else "little"
        if bits == 8 and at % 8:
            # What does not belong to it falls off at the top.
            (high, up), (low, down) = _around(at, msb)
            return f"(uint8_t)({self._byte(high)} << {up} | {self._byte(low)} >> {down})"
        parts: list[tuple[int, str]] = []
        if bits <= 8 or order in (None, natural):
            parts = list(self._bytes_at(at, bits, msb))
        else:
            for width, shift in pieces(bits, msb, order):
                parts += [(shift + more, text) for more, text in self._bytes_at(at, width, msb)]
                at += width
        terms = [f"(({kind}){text} << {shift})" if shift else f"({kind}){text}" for shift, text in parts]
        return " | ".join(terms)

    def _byte(self, byte: int) -> str:
        """Return a byte of the payload, or the variable that holds it."""
        return f"b{byte}" if byte in self.shared else f"p[{byte}]"

    def _bytes_at(self, at: int, bits: int, msb: bool) -> list[tuple[int, str]]:
        """Return what each byte gives to a number of so many bits at a fixed place: shift and expression."""
        parts = []
        for byte in range(at // 8, -(-(at + bits) // 8)):
            low, high = max(at, 8 * byte), min(at + bits, 8 * byte + 8)
            width = high - low
            down = 8 * byte + 8 - high if msb else low - 8 * byte
            text = self._byte(byte)
            if down:
                text = f"({text} >> {down})"
            if down + width < 8:
                text = f"({text} & {(1 << width) - 1:#04x}u)"
            parts.append((at + bits - high if msb else low - at, text))
        return parts

    def _number(self, number: Number, target: str, fixed: bool) -> list[str]:
        own = number_type(number)
        bits = number.bits or 0
        if bits == 0:
            return [f"{target} = {literal(number.low, own)};"]
        kind, lines = self._raw(bits, number.order, number.at, fixed)
        if number.codes:
            return [*lines, "", *_codes(number, target, own)]
        return [*lines, "", *_ranged(number, target, own, kind, bits)]

    def _joined(self, joined: Joined, to: str, fixed: bool) -> list[str]:
        if joined.bits > 64:
            raise TargetError(f"{joined.path}: joined they need {joined.bits} bits; C99 has types up to 64")
        values = prod(joined.radices)
        parts = [(part, radix) for part, radix in zip(joined.parts, joined.radices, strict=True)]
        if joined.bits == 0:
            return [f"{to}{part.ident} = {literal(part.low, number_type(part))};" for part, _ in parts]
        kind, lines = self._raw(joined.bits, joined.order, joined.at, fixed)
        lines.append("")
        if values < 1 << joined.bits:
            lines += _refuse(f"raw >= {literal(values, kind)}")
        for index in range(len(parts) - 1, -1, -1):
            part, radix = parts[index]
            own = number_type(part)
            if radix == 1:
                lines.append(f"{to}{part.ident} = {literal(part.low, own)};")
                continue
            # Where all parts before it have only one value, it is what is left.
            first = prod(joined.radices[:index]) == 1
            digit = "raw" if first else f"raw % {literal(radix, kind)}"
            lines.append(f"{to}{part.ident} = {_shifted(digit, part.low, own, kind)};")
            if not first:
                lines.append(f"raw /= {literal(radix, kind)};")
        return lines

    def _real(self, real: Real, target: str, fixed: bool) -> list[str]:
        kind = real_type(real)
        _, lines = self._raw(real.width, real.order, real.at, fixed)
        self.needs.add(kind)
        suffix = "f" if real.width == 32 else ""
        low, high = (f"{bound!r}{suffix}" for bound in (real.low, real.high))
        lines = [f"{kind} value;", *lines]
        lines += [
            "",
            "memcpy(&value, &raw, sizeof value);",
            *_refuse(f"!(value >= {low} && value <= {high})"),
        ]
        if real.low == 0:
            lines += ["/* A range that begins at zero has no negative one. */"]
            lines += [f"{target} = value + 0.0{suffix};"]
        else:
            lines.append(f"{target} = value;")
        return lines

    def _octets(self, octets: Octets, to: str, members: Members, fixed: bool) -> list[str]:
        target = f"{to}{octets.ident}"
        text = []
        length = f"{octets.longest}u"
        if octets.shortest != octets.longest:
            length = f"{to}{members.helper(octets)}"
        if octets.text and octets.longest:
            self.needs.add("utf8")
            text = _refuse(f"lb_is_utf8({target}, {length}) == 0")
        if fixed:
            assert octets.at is not None
            if not octets.longest:
                return [f"{target}[0] = 0u;"]
            return [f"memcpy({target}, &p[{octets.at // 8}], {octets.longest}u);", *text]
        counter = count_type(octets.longest + 1)
        lines = self._count(octets, to, members)
        if not octets.longest:
            return [*lines, f"{target}[0] = 0u;"]
        lines += [
            f"for (i = 0u; i < {length}; i++) {{",
            f"    {target}[i] = (uint8_t)lb_bits(&in, 8u);",
            "}",
            *text,
        ]
        return [f"{counter} i;", *lines]

    def _count(self, slot: Octets | Many, to: str, members: Members) -> list[str]:
        """Return the statements that read a count into its member, if it is written at all."""
        fewest, most = (slot.shortest, slot.longest) if isinstance(slot, Octets) else (slot.fewest, slot.most)
        if fewest == most:
            return [""]
        bits = slot.count_bits or 0
        kind, lines = self._raw(bits, slot.order, None, fixed=False)
        own = count_type(most)
        span = most - fewest
        lines.append("")
        if fewest and not slot.count_offset:
            lines.append(f"raw -= {literal(fewest, kind)};")
        if span < (1 << bits) - 1:
            lines += _refuse(f"raw > {literal(span, kind)}")
        value = f"raw + {literal(fewest, kind)}" if fewest else "raw"
        lines.append(f"{to}{members.helper(slot)} = ({own})({value});")
        return ["", "{", *indented(lines), "}"]

    def _many(self, many: Many, to: str, members: Members, owner: str, depth: int) -> list[str]:
        index = f"i{depth}"
        length = f"{many.most}u" if many.fewest == many.most else f"{to}{members.helper(many)}"
        lines = self._count(many, to, members)
        target = f"{to}{many.ident}[{index}]"
        inner = element_fields(many)
        item = many.item
        if isinstance(item, Number):
            body = self._block(self._number(item, target, fixed=False))
        elif isinstance(item, Real):
            body = self._block(self._real(item, target, fixed=False))
        else:
            assert inner is not None
            slots = item.slots if isinstance(item, Record) else (item,)
            name = f"{owner}_{many.ident}"
            body = [
                line
                for slot in slots
                for line in self._slot(slot, f"{target}.", Members(inner), name, depth + 1, False)
            ]
        if not many.most:
            return lines
        return [
            f"{count_type(many.most + 1)} {index};",
            *lines,
            f"for ({index} = 0u; {index} < {length}; {index}++) {{",
            *indented(body),
            "}",
        ]

    def _maybe(self, maybe: Maybe, to: str, members: Members, owner: str, depth: int) -> list[str]:
        has = f"{to}{members.helper(maybe)}"
        lines = [f"{has} = (uint8_t)lb_bits(&in, {maybe.flag_bits}u);"]
        if maybe.flag_bits != 1:
            lines += _refuse(f"{has} > 1u")
        inner = self._slot(maybe.item, to, members, owner, depth, fixed=False)
        body = inner[1:-1] if inner[0] == "{" else indented(inner)
        return [*lines, f"if ({has} != 0u) {{", *body, "}"]


def _is_fixed(slot: Slot | Joined) -> bool:
    if isinstance(slot, Octets):
        return slot.shortest == slot.longest and slot.at is not None and slot.at % 8 == 0
    return isinstance(slot, Number | Joined | Real)


def _refuse(condition: str) -> list[str]:
    return [f"if ({condition}) {{", "    return 0;", "}"]


def pieces(bits: int, msb: bool, order: str | None) -> list[tuple[int, int]]:
    """Return the pieces of a number in the order they come: bits, and the place of their lowest bit."""
    natural = order in (None, "big" if msb else "little")
    if natural and bits <= 32:
        return [(bits, 0)]
    if natural:
        return [(bits - 32, 32), (32, 0)] if msb else [(32, 0), (bits - 32, 32)]
    if bits <= 8:
        return [(bits, 0)]
    groups = [(min(8, bits - low), low) for low in range(0, bits, 8)]
    # Low byte first within high bits first, or the other way round (see `bits.py` of the encodings).
    return groups if msb else groups[::-1]


def _touched(slot: Slot | Joined) -> range:
    """Return the bytes of the payload that a slot at a fixed place has bits in."""
    if isinstance(slot, Octets):
        # Copied as a whole.
        return range(0)
    assert isinstance(slot, Number | Joined | Real)
    at, bits = slot.at or 0, slot.bits or 0
    return range(at // 8, -(-(at + bits) // 8) if bits else at // 8)


def _around(at: int, msb: bool) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return the bytes that hold the upper and the lower part of 8 bits, and how far each is shifted."""
    first, skip = divmod(at, 8)
    if msb:
        return (first, skip), (first + 1, 8 - skip)
    return (first + 1, 8 - skip), (first, skip)


def _shifted(raw: str, low: int, own: str, kind: str) -> str:
    """Return the expression of ``raw`` + ``low`` in the type of the member."""
    if not low:
        return f"({own})({raw})" if not raw.isalnum() else f"({own}){raw}"
    if not own.startswith("u"):
        # Without a sign it cannot overflow; the conversion keeps the bits.
        return f"({own})(u{own})({raw} + (u{own}){literal(low, own)})"
    return f"({own})({raw} + {literal(low, own)})"


def _ranged(number: Number, target: str, own: str, kind: str, bits: int) -> list[str]:
    span = number.high - number.low
    lowest = number.low - number.offset
    lines = []
    full = span == (1 << bits) - 1
    if lowest:
        modulus = lowest % (1 << bits)
        if lowest > 0 and not number.signed:
            lines.append(f"raw -= {literal(lowest, kind)};")
        else:
            mask = f" & {literal((1 << bits) - 1, kind)}"
            lines.append(f"raw = (raw - {literal(modulus, kind)}){mask};")
    if not full:
        lines += _refuse(f"raw > {literal(span, kind)}")
    lines.append(f"{target} = {_shifted('raw', number.low, own, kind)};")
    return lines


def _codes(number: Number, target: str, own: str) -> list[str]:
    lines = ["switch (raw) {"]
    kind = "uint64_t" if (number.bits or 0) > 32 else "uint32_t" if (number.bits or 0) > 16 else "unsigned"
    for place, code in enumerate(number.codes):
        lines += [f"case {literal(code, kind)}:", f"    {target} = {literal(place, own)};", "    break;"]
    return [*lines, "default:", "    return 0;", "}"]
