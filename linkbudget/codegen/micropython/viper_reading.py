"""The viper function that reads one packed message out of a buffer into an array of small integers."""

from __future__ import annotations

import re
import struct
from collections.abc import Sequence

from linkbudget.codegen.micropython.viper_layout import (
    PIECE,
    is_small,
    longest_octets,
    pieces_of,
    places_of,
    width_of_places,
)
from linkbudget.codegen.plain.lines import Lines, hexed, runs_of
from linkbudget.codegen.spec import Joined, Many, Maybe, MessageSpec, Number, Octets, Real, Record, Slot
from linkbudget.errors import TargetError

__all__ = ["ViperReader", "beyond", "float_bounds", "pieces", "signed_pieces"]

AT_ONCE = 24
"""Bits that `bits_msb` and `bits_lsb` return, so that the number is a small one on every port."""


def pieces(number: int, count: int) -> list[int]:
    """Return a number's two's complement in pieces of 16 bits, lowest first."""
    return [number >> PIECE * place & 0xFFFF for place in range(count)]


def signed_pieces(number: int, count: int, signed: bool) -> list[int]:
    """Return the pieces of a number with its sign turned round, so that they compare as the numbers do."""
    made = pieces(number, count)
    if signed:
        made[-1] ^= 0x8000
    return made


def beyond(names: Sequence[str], limits: Sequence[int], sign: str) -> str:
    """Return the condition that pieces (lowest first) are above (``>``) or below (``<``) a number."""
    condition = ""
    for name, limit in zip(names, limits, strict=True):
        here = f"{name} {sign} {limit}"
        condition = f"{here} or ({name} == {limit} and ({condition}))" if condition else here
    return condition


def float_bounds(slot: Real) -> tuple[list[int], list[int]]:
    """Return the least and the largest bits of a real number, turned so that they compare as integers do."""
    # A range that starts at zero takes the negative zero too.
    return _ordered(-0.0 if slot.low == 0 else slot.low, slot.width), _ordered(slot.high, slot.width)


def _ordered(value: float, width: int) -> list[int]:
    number = int.from_bytes(struct.pack(">f" if width == 32 else ">d", value), "big")
    number = number ^ (1 << width) - 1 if number >> width - 1 else number | 1 << width - 1
    return pieces(number, width // PIECE)


def _without_unused(text: str) -> str:
    """Return a function without the places it begins with and never reads: viper code keeps them."""
    for name in ("used", "total"):
        if len(re.findall(rf"\b{name}\b", text)) == 1:
            text = re.sub(rf"^    {name} = .*\n", "", text, flags=re.MULTILINE)
    return text


class ViperReader:
    """Writes ``read_<message>``. ``at``: the place in bits from the start of the buffer, or None."""

    def __init__(self, message: MessageSpec, payload_at: int) -> None:
        assert message.bit_order is not None
        self.message = message
        self.msb = message.bit_order == "msb"
        self.out = Lines()
        self.start = 8 * payload_at
        self.at: int | None = self.start + (0 if message.id is None else 8)
        self.fixed = message.bits
        self.refusal = "return 0"

    def lines_here(self) -> list[str]:
        """Return the lines that read a message of small numbers within a loop, from ``b`` to ``v``."""
        self.refusal = "break"
        places, _ = places_of(self.message)
        self._fields(self.message.fields, self.message.slots, "", {p.name: p.first for p in places})
        self._end()
        return self.out.text().splitlines()

    def text(self) -> str:
        """Return the source of the function."""
        message = self.message
        self.out.add("@micropython.viper")
        with self.out.block(f"def read_{message.ident}(memory, n: int, o: int, octets, q: int) -> int:"):
            self.out.add(
                f'"""Read the {message.ident} message; 0 when the n bytes of the payload are none."""'
            )
            self.out.add("v = ptr32(memory)")
            self.out.add("b = ptr8(int(v) + _RAW_AT)")
            if longest_octets(message):
                self.out.add("d = ptr8(octets)")
            self.out.add("used = 0")
            if self.fixed is not None:
                self._refuse_if(f"n != {-(-self.fixed // 8)}")
            self.out.add(f"total = {self.start} + 8 * _RAW_AT + (n << 3)")
            places, _ = places_of(message)
            self._fields(message.fields, message.slots, "o", {p.name: p.first for p in places})
            self._end()
            self.out.add("return 1")
        return _without_unused(self.out.text())

    def _end(self) -> None:
        if self.fixed is not None:
            spare = -self.fixed % 8
            if spare:
                self._refuse_if(self._fixed_bits(self.start + self.fixed, spare))
            return
        self._to_variable()
        self._refuse_if("total - at >= 8")
        read = "bits_msb" if self.msb else "bits_lsb"
        with self.out.block("if total > at:"):
            self._refuse_if(f"int({read}(memory, at, total - at))")

    def _refuse_if(self, condition: str) -> None:
        with self.out.block(f"if {condition}:"):
            self.out.add(self.refusal)

    def _to_variable(self) -> None:
        if self.at is not None:
            self.out.add(f"at = {self.at} + 8 * _RAW_AT")
            self.at = None

    def _fixed_bits(self, at: int, width: int) -> str:
        """Return the expression of bits at a known place."""
        terms = []
        done = 0
        while done < width:
            place, within = divmod(at + done, 8)
            take = min(8 - within, width - done)
            if self.msb:
                right, left = 8 - within - take, width - done - take
            else:
                right, left = within, done
            term = f"b[{place}] >> {right}" if right else f"b[{place}]"
            # A shift that reaches the end of the byte needs no mask.
            if take + right < 8:
                term = f"({term} & {(1 << take) - 1})"
            elif right:
                term = f"({term})"
            terms.append(f"{term} << {left}" if left else term)
            done += take
        return " | ".join(terms)

    def _bits(self, more: int, width: int) -> str:
        """Return the expression of bits from the present place and ``more`` on."""
        if self.at is not None:
            return self._fixed_bits(self.at + more, width)
        read = "bits_msb" if self.msb else "bits_lsb"
        terms = []
        for start in range(0, width, AT_ONCE):
            part = min(AT_ONCE, width - start)
            left = width - start - part if self.msb else start
            term = f"int({read}(memory, at + {more + start}, {part}))"
            terms.append(f"({term} << {left})" if left else term)
        return " | ".join(terms)

    def _part(self, width: int, order: str | None, low: int, count: int) -> str:
        """Return the expression of ``count`` bits of a number from its bit ``low`` on."""
        terms = []
        for run in runs_of(width, order, self.message.bit_order or ""):
            first, last = max(run.shift, low), min(run.shift + run.bits, low + count)
            if first >= last:
                continue
            inside = run.shift + run.bits - last if self.msb else first - run.shift
            term = self._bits(run.at + inside, last - first)
            left = first - low
            terms.append(f"({term}) << {left}" if left else f"({term})")
        return " | ".join(terms)

    def _advance(self, width: int) -> None:
        if self.at is not None:
            self.at += width
        else:
            self.out.add(f"at += {width}")

    def _need(self, width: int) -> None:
        if self.fixed is None:
            place = f"at + {width}" if self.at is None else f"{self.at + width} + 8 * _RAW_AT"
            self._refuse_if(f"total < {place}")

    def _take(self, width: int, order: str | None) -> str:
        """Read a number of at most 30 bits into a variable."""
        self._need(width)
        name = self.out.fresh("x")
        self.out.add(f"{name} = {self._part(width, order, 0, width)}")
        self._advance(width)
        return name

    def _take_pieces(self, width: int, order: str | None) -> list[str]:
        """Read a number of any width into variables of 16 bits each, lowest first."""
        self._need(width)
        names = []
        for low in range(0, width, PIECE):
            name = self.out.fresh("x")
            self.out.add(f"{name} = {self._part(width, order, low, min(PIECE, width - low))}")
            names.append(name)
        self._advance(width)
        return names

    def _fields(
        self, fields: Sequence[Slot], slots: Sequence[Slot | Joined], base: str, first: dict[str, int]
    ) -> None:
        for slot in slots:
            if self.fixed is not None and slots is self.message.slots:
                # An extractor skips what nobody asked for.
                assert slot.at is not None
                self.at = self.start + slot.at
            if isinstance(slot, Joined):
                self._joined(slot, base, first)
            else:
                self._slot(slot, base, first[slot.ident])

    def _store(self, base: str, place: int, value: str) -> None:
        at = f"{base} + {place}" if base and place else base or str(place)
        self.out.add(f"v[{at}] = {value}")

    def _slot(self, slot: Slot, base: str, place: int) -> None:
        if isinstance(slot, Number):
            self._number(slot, base, place)
        elif isinstance(slot, Real):
            self._real(slot, base, place)
        elif isinstance(slot, Octets):
            self._octets(slot, base, place)
        elif isinstance(slot, Record):
            self._record(slot, base, place)
        elif isinstance(slot, Many):
            self._many(slot, base, place)
        else:
            self._maybe(slot, base, place)

    def _record(self, slot: Record, base: str, place: int) -> None:
        first = {}
        for field in slot.fields:
            first[field.ident] = place
            place += width_of_places(field)
        self._fields(slot.fields, slot.slots, base, first)

    def _joined(self, joined: Joined, base: str, first: dict[str, int]) -> None:
        for part, radix in zip(joined.parts, joined.radices, strict=True):
            if not is_small(part):
                raise TargetError(
                    f"{part.path}: joined, and does not fit 30 bits; target micropython cannot part it"
                )
            if joined.bits > 30 and radix > 1 << 14:
                reason = f"{joined.path}: joined in {joined.bits} bits, and one part has {radix} values"
                raise TargetError(
                    f"{reason}; allowed with target micropython: 30 bits, or parts of up to 16384 values"
                )
        if not joined.bits:
            for part in joined.parts:
                self._store(base, first[part.ident], str(part.low))
            return
        narrow = joined.bits <= 30
        names = (
            [self._take(joined.bits, joined.order)]
            if narrow
            else self._take_pieces(joined.bits, joined.order)
        )
        for part, radix in list(zip(joined.parts, joined.radices, strict=True))[:0:-1]:
            rest = self.out.fresh("x")
            self.out.add(f"{rest} = 0")
            for name in reversed(names):
                self.out.add(f"{rest} = {rest} << 16 | {name}" if not narrow else f"{rest} = {name}")
                self.out.add(f"{name} = {rest} // {radix}")
                self.out.add(f"{rest} = {rest} % {radix}")
            self._store(base, first[part.ident], rest + _plus(part.low))
        part, radix = joined.parts[0], joined.radices[0]
        for name in names[1:]:
            self._refuse_if(name)
        self._refuse_if(f"{names[0]} >= {radix}")
        self._store(base, first[part.ident], names[0] + _plus(part.low))

    def _number(self, slot: Number, base: str, place: int) -> None:
        width = slot.bits or 0
        if not width:
            for k, piece in enumerate(_stored(slot.low, pieces_of(slot), slot.low < 0)):
                self._store(base, place + k, str(piece))
            return
        if slot.codes:
            self._coded(slot, base, place)
        elif width <= 30 and is_small(slot) and self._takes_all(slot):
            self._need(width)
            value = self._part(width, slot.order, 0, width)
            self._store(base, place, f"({value}){_plus(slot.offset)}" if slot.offset else value)
            self._advance(width)
        elif width <= 30 and is_small(slot):
            name = self._take(width, slot.order)
            if slot.signed:
                with self.out.block(f"if {name} >> {width - 1}:"):
                    self.out.add(f"{name} = {name} - {hexed(1 << width - 1)} - {hexed(1 << width - 1)}")
            self._bounds(slot, [name], None)
            self._store(base, place, name + _plus(slot.offset))
        else:
            self._wide(slot, base, place)

    def _takes_all(self, slot: Number) -> bool:
        """Whether every number of its bits is a value."""
        return not slot.signed and slot.written[0] <= 0 and slot.written[1] >= (1 << (slot.bits or 0)) - 1

    def _bounds(self, slot: Number, names: list[str], count: int | None) -> None:
        """Refuse what is out of range, where that can be."""
        width = slot.bits or 0
        low, high = slot.written
        lowest, highest = (-(1 << width - 1), (1 << width - 1) - 1) if slot.signed else (0, (1 << width) - 1)
        if low > lowest:
            limits = [low] if count is None else signed_pieces(low, count, slot.signed)
            self._refuse_if(beyond(names, limits, "<"))
        if high < highest:
            limits = [high] if count is None else signed_pieces(high, count, slot.signed)
            self._refuse_if(beyond(names, limits, ">"))

    def _coded(self, slot: Number, base: str, place: int) -> None:
        if max(slot.codes) >= 1 << 30 or (slot.bits or 0) > 30:
            raise TargetError(
                f"{slot.path}: its codes do not fit 30 bits; target micropython cannot read them"
            )
        name = self._take(slot.bits or 0, slot.order)
        chosen = self.out.fresh("x")
        self.out.add(f"{chosen} = -1")
        for number, code in enumerate(slot.codes):
            with self.out.block(f"if {name} == {code}:"):
                self.out.add(f"{chosen} = {number}")
        self._refuse_if(f"{chosen} < 0")
        self._store(base, place, chosen)

    def _wide(self, slot: Number, base: str, place: int) -> None:
        width = slot.bits or 0
        names = self._take_pieces(width, slot.order)
        top = width - PIECE * (len(names) - 1)
        if slot.signed and top < PIECE:
            with self.out.block(f"if {names[-1]} >> {top - 1}:"):
                self.out.add(f"{names[-1]} |= {hexed(0xFFFF & -(1 << top))}")
        turned = list(names)
        if slot.signed:
            turned[-1] = self.out.fresh("x")
            self.out.add(f"{turned[-1]} = {names[-1]} ^ 0x8000")
        self._bounds(slot, turned, len(names))
        count = max(pieces_of(slot), 2)
        fill = "0"
        if slot.signed and count > len(names):
            fill = self.out.fresh("x")
            self.out.add(f"{fill} = 0xFFFF if {names[-1]} >> 15 else 0")
        made = [*names, *[fill] * (count - len(names))][:count]
        if slot.offset:
            carry = self.out.fresh("x")
            self.out.add(f"{carry} = 0")
            summed = []
            for name, piece in zip(made, pieces(slot.offset, count), strict=True):
                total = self.out.fresh("x")
                self.out.add(f"{total} = {name} + {piece} + {carry}")
                self.out.add(f"{carry} = {total} >> 16")
                self.out.add(f"{total} = {total} & 0xFFFF")
                summed.append(total)
            made = summed
        if slot.low < 0:
            last = self.out.fresh("x")
            self.out.add(f"{last} = {made[-1]}")
            with self.out.block(f"if {last} >> 15:"):
                self.out.add(f"{last} -= 0x10000")
            made[-1] = last
        if is_small(slot):
            self._store(base, place, f"{made[1]} << 16 | {made[0]}")
        else:
            for k, name in enumerate(made):
                self._store(base, place + k, name)

    def _real(self, slot: Real, base: str, place: int) -> None:
        names = self._take_pieces(slot.width, slot.order)
        turned = [self.out.fresh("x") for _ in names]
        with self.out.block(f"if {names[-1]} >> 15:"):
            for name, one in zip(names, turned, strict=True):
                self.out.add(f"{one} = {name} ^ 0xFFFF")
        with self.out.block("else:"):
            for name, one in zip(names, turned, strict=True):
                flip = " | 0x8000" if name is names[-1] else ""
                self.out.add(f"{one} = {name}{flip}")
        least, most = float_bounds(slot)
        self._refuse_if(beyond(turned, least, "<"))
        self._refuse_if(beyond(turned, most, ">"))
        if slot.low == 0:
            # What is left with a sign is the negative zero.
            self.out.add(f"{names[-1]} &= 0x7FFF")
        for k, name in enumerate(names):
            self._store(base, place + k, name)

    def _count(self, slot: Octets | Many, fewest: int, most: int) -> str:
        width = slot.count_bits or 0
        if not width:
            return str(fewest)
        if width > 30:
            raise TargetError(
                f"{slot.path}: a count of {width} bits; allowed with target micropython: up to 30"
            )
        name = self._take(width, slot.order)
        low, high = fewest - slot.count_offset, most - slot.count_offset
        if low > 0:
            self._refuse_if(f"{name} < {low}")
        if high < (1 << width) - 1:
            self._refuse_if(f"{name} > {high}")
        if slot.count_offset:
            self.out.add(f"{name} += {slot.count_offset}")
        return name

    def _octets(self, slot: Octets, base: str, place: int) -> None:
        count = self._count(slot, slot.shortest, slot.longest)
        known = self.at
        self._to_variable()
        if self.fixed is None:
            self._refuse_if(f"total - at < ({count} << 3)")
        self._store(base, place, "used")
        self._store(base, place + 1, count)
        index = self.out.fresh("i")
        read = "bits_msb" if self.msb else "bits_lsb"
        self.out.add(f"{index} = 0")
        with self.out.block(f"while {index} < {count}:"):
            self.out.add(f"d[q + used + {index}] = int({read}(memory, at, 8))")
            self.out.add("at += 8")
            self.out.add(f"{index} += 1")
        if slot.text:
            self._refuse_if(f"int(utf8_ok(octets, q + used, {count})) == 0")
        self.out.add(f"used += {count}")
        if known is not None and count.isdigit():
            self.at = known + 8 * int(count)

    def _many(self, slot: Many, base: str, place: int) -> None:
        count = self._count(slot, slot.fewest, slot.most)
        self._store(base, place, count)
        known = self.at
        self._to_variable()
        index, inner = self.out.fresh("i"), self.out.fresh("o")
        self.out.add(f"{index} = 0")
        self.out.add(f"{inner} = {base} + {place + 1}")
        with self.out.block(f"while {index} < {count}:"):
            self._slot(slot.item, inner, 0)
            self.out.add(f"{inner} += {width_of_places(slot.item)}")
            self.out.add(f"{index} += 1")
        if known is not None and slot.element_bits is not None and slot.fewest == slot.most:
            self.at = known + slot.element_bits * slot.fewest

    def _maybe(self, slot: Maybe, base: str, place: int) -> None:
        there = self._take(slot.flag_bits or 0, None)
        if (slot.flag_bits or 0) > 1:
            self._refuse_if(f"{there} > 1")
        self._store(base, place, there)
        self._to_variable()
        with self.out.block(f"if {there}:"):
            before = len(self.out.lines)
            self._slot(slot.item, base, place + 1)
            self._to_variable()
            if len(self.out.lines) == before:
                self.out.add("pass")


def _stored(number: int, count: int, signed: bool) -> list[int]:
    """Return the pieces of a number as they stand in the array: the top one signed where the field is."""
    if count == 1:
        return [number]
    made = pieces(number, count)
    if signed and made[-1] >> 15:
        made[-1] -= 0x10000
    return made


def _plus(number: int) -> str:
    return f" + {number}" if number > 0 else f" - {-number}" if number else ""
