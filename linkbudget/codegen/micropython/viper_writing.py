"""The viper function that writes one packed message from an array of small integers into a buffer."""

from __future__ import annotations

from collections.abc import Sequence

from linkbudget.codegen.micropython.viper_layout import (
    PIECE,
    is_small,
    longest_octets,
    pieces_of,
    places_of,
    width_of_places,
)
from linkbudget.codegen.micropython.viper_reading import beyond, float_bounds, pieces, signed_pieces
from linkbudget.codegen.plain.lines import Lines, hexed, runs_of
from linkbudget.codegen.spec import Joined, Many, Maybe, MessageSpec, Number, Octets, Real, Record, Slot

__all__ = ["ViperWriter"]

AT_ONCE = 24


class ViperWriter:
    """Writes ``write_<message>``: the payload length, or -1 for a value that a field cannot have."""

    def __init__(self, message: MessageSpec, payload_at: int) -> None:
        self.message = message
        self.put = f"put_{message.bit_order}"
        self.msb = message.bit_order == "msb"
        self.start = 8 * payload_at
        self.out = Lines()

    def text(self) -> str:
        """Return the source of the function."""
        message = self.message
        self.out.add("@micropython.viper")
        with self.out.block(f"def write_{message.ident}(values, octets, buffer) -> int:"):
            self.out.add(f'"""Write the {message.ident} message into zeros; -1 for a value out of range."""')
            self.out.add("v = ptr32(values)")
            if longest_octets(message):
                self.out.add("d = ptr8(octets)")
            # Places are signed 32 bits; where an integer has 64 they are read without their sign.
            self.out.add("big = 1")
            self.out.add("big = big << 31")
            self.out.add("o = 0")
            self.out.add(f"at = {self.start}")
            if message.id is not None:
                self._append(str(message.id), 8)
            places, _ = places_of(message)
            self._fields(message.fields, message.slots, "o", {p.name: p.first for p in places})
            self.out.add(f"return (at + 7 - {self.start}) >> 3")
        return self.out.text()

    def _refuse_if(self, condition: str) -> None:
        with self.out.block(f"if {condition}:"):
            self.out.add("return -1")

    def _append(self, name: str, width: int) -> None:
        """Append the low bits of a variable of at most 30 bits, in the natural order."""
        for start in range(0, width, AT_ONCE):
            part = min(AT_ONCE, width - start)
            low = width - start - part if self.msb else start
            value = f"{name} >> {low}" if low else name
            if width > AT_ONCE:
                value = f"({value}) & {hexed((1 << part) - 1)}"
            self.out.add(f"{self.put}(buffer, at, {part}, {value})")
            self.out.add(f"at += {part}")

    def _number_out(self, names: Sequence[str], piece: int, width: int, order: str | None) -> None:
        """Append a number from variables of ``piece`` bits each, lowest first, in its byte order."""
        for run in runs_of(width, order, self.message.bit_order or ""):
            cuts = []
            at = run.shift
            while at < run.shift + run.bits:
                stop = min(run.shift + run.bits, at - at % piece + piece)
                cuts.append((at, stop))
                at = stop
            for low, high in reversed(cuts) if self.msb else cuts:
                name, within = names[low // piece], low % piece
                part = f"{name} >> {within}" if within else name
                whole = within == 0 and high - low == piece
                temporary = self.out.fresh("y")
                self.out.add(
                    f"{temporary} = {part}"
                    if whole
                    else f"{temporary} = ({part}) & {hexed((1 << high - low) - 1)}"
                )
                self._append(temporary, high - low)

    def _load(self, base: str, place: int) -> str:
        """Load a place with its sign."""
        name = self.out.fresh("x")
        self.out.add(f"{name} = v[{base} + {place}]" if place else f"{name} = v[{base}]")
        with self.out.block(f"if {name} > 0x3FFFFFFF:"):
            self.out.add(f"{name} = {name} - big - big")
        return name

    def _fields(
        self, fields: Sequence[Slot], slots: Sequence[Slot | Joined], base: str, first: dict[str, int]
    ) -> None:
        for slot in slots:
            if isinstance(slot, Joined):
                self._joined(slot, base, first)
            else:
                self._slot(slot, base, first[slot.ident])

    def _slot(self, slot: Slot, base: str, place: int) -> None:
        if isinstance(slot, Number):
            self._number(slot, base, place)
        elif isinstance(slot, Real):
            self._real(slot, base, place)
        elif isinstance(slot, Octets):
            self._octets(slot, base, place)
        elif isinstance(slot, Record):
            first = {}
            for field in slot.fields:
                first[field.ident] = place
                place += width_of_places(field)
            self._fields(slot.fields, slot.slots, base, first)
        elif isinstance(slot, Many):
            self._many(slot, base, place)
        else:
            self._maybe(slot, base, place)

    def _small(self, slot: Number, base: str, place: int) -> str:
        """Load a number of one place, its range checked."""
        name = self._load(base, place)
        self._refuse_if(f"{name} < {slot.low} or {name} > {slot.high}")
        return name

    def _joined(self, joined: Joined, base: str, first: dict[str, int]) -> None:
        narrow = joined.bits <= 30
        count = 1 if narrow else -(-joined.bits // PIECE)
        names = [self.out.fresh("x") for _ in range(count)]
        for name in names:
            self.out.add(f"{name} = 0")
        for part, radix in zip(joined.parts, joined.radices, strict=True):
            value = self._small(part, base, first[part.ident])
            if part.low:
                self.out.add(f"{value} = {value}{_minus(part.low)}")
            if narrow:
                self.out.add(f"{names[0]} = {names[0]} * {radix} + {value}")
                continue
            # Parts of wider numbers have at most 16384 values, but for the first, which meets zeros.
            for name in names:
                if part is joined.parts[0]:
                    self.out.add(f"{name} = {value} & 0xFFFF")
                    self.out.add(f"{value} = {value} >> 16")
                    continue
                self.out.add(f"{value} = {name} * {radix} + {value}")
                self.out.add(f"{name} = {value} & 0xFFFF")
                self.out.add(f"{value} = {value} >> 16")
        self._number_out(names, 30 if narrow else PIECE, joined.bits, joined.order)

    def _number(self, slot: Number, base: str, place: int) -> None:
        width = slot.bits or 0
        if is_small(slot):
            name = self._small(slot, base, place)
            if slot.codes:
                code = self.out.fresh("x")
                self.out.add(f"{code} = 0")
                for number, value in enumerate(slot.codes):
                    with self.out.block(f"if {name} == {number}:"):
                        self.out.add(f"{code} = {value}")
                name = code
            if width <= 30:
                if slot.offset:
                    self.out.add(f"{name} = {name}{_minus(slot.offset)}")
                if width:
                    self._number_out([name], 30, width, slot.order)
                return
            names = [self.out.fresh("x"), self.out.fresh("x")]
            self.out.add(f"{names[0]} = {name} & 0xFFFF")
            self.out.add(f"{names[1]} = ({name} >> 16) & 0xFFFF")
            self._wide(slot, names)
            return
        count = pieces_of(slot)
        names = []
        for k in range(count):
            name = self._load(base, place + k)
            top = k == count - 1
            low, high = (-0x8000, 0x7FFF) if top and slot.low < 0 else (0, 0xFFFF)
            self._refuse_if(f"{name} < {low} or {name} > {high}")
            self.out.add(f"{name} = {name} & 0xFFFF")
            names.append(name)
        turned = list(names)
        if slot.low < 0:
            turned[-1] = self.out.fresh("x")
            self.out.add(f"{turned[-1]} = {names[-1]} ^ 0x8000")
        self._refuse_if(beyond(turned, signed_pieces(slot.low, count, slot.low < 0), "<"))
        self._refuse_if(beyond(turned, signed_pieces(slot.high, count, slot.low < 0), ">"))
        self._wide(slot, names)

    def _wide(self, slot: Number, names: list[str]) -> None:
        """Append a number in pieces: its offset taken off, its sign carried on."""
        width = slot.bits or 0
        if not width:
            return
        count = max(-(-width // PIECE), len(names))
        fill = "0"
        if slot.low < 0 and count > len(names):
            fill = self.out.fresh("x")
            self.out.add(f"{fill} = 0xFFFF if {names[-1]} >> 15 else 0")
        names = [*names, *[fill] * (count - len(names))]
        if slot.offset:
            carry = self.out.fresh("x")
            self.out.add(f"{carry} = 0")
            made = []
            for name, piece in zip(names, pieces(-slot.offset, count), strict=True):
                total = self.out.fresh("x")
                self.out.add(f"{total} = {name} + {piece} + {carry}")
                self.out.add(f"{carry} = {total} >> 16")
                self.out.add(f"{total} = {total} & 0xFFFF")
                made.append(total)
            names = made
        self._number_out(names, PIECE, width, slot.order)

    def _real(self, slot: Real, base: str, place: int) -> None:
        names = []
        for k in range(pieces_of(slot)):
            name = self._load(base, place + k)
            self._refuse_if(f"{name} < 0 or {name} > 0xFFFF")
            names.append(name)
        turned = [self.out.fresh("x") for _ in names]
        with self.out.block(f"if {names[-1]} >> 15:"):
            for name, one in zip(names, turned, strict=True):
                self.out.add(f"{one} = {name} ^ 0xFFFF")
        with self.out.block("else:"):
            for name, one in zip(names, turned, strict=True):
                self.out.add(f"{one} = {name}{' | 0x8000' if name is names[-1] else ''}")
        least, most = float_bounds(slot)
        self._refuse_if(beyond(turned, least, "<"))
        self._refuse_if(beyond(turned, most, ">"))
        if slot.low == 0:
            self.out.add(f"{names[-1]} = {names[-1]} & 0x7FFF")
        self._number_out(names, PIECE, slot.width, slot.order)

    def _count_out(self, slot: Octets | Many, base: str, place: int, fewest: int, most: int) -> str:
        name = self._load(base, place)
        self._refuse_if(f"{name} < {fewest} or {name} > {most}")
        if slot.count_bits:
            count = self.out.fresh("x")
            self.out.add(f"{count} = {name}{_minus(slot.count_offset)}")
            self._number_out([count], 30, slot.count_bits, slot.order)
        return name

    def _octets(self, slot: Octets, base: str, place: int) -> None:
        start = self._load(base, place)
        count = self._count_out(slot, base, place + 1, slot.shortest, slot.longest)
        self._refuse_if(f"{start} < 0 or {start} + {count} > OCTETS")
        if slot.text:
            self._refuse_if(f"int(utf8_ok(octets, {start}, {count})) == 0")
        index = self.out.fresh("i")
        self.out.add(f"{index} = 0")
        with self.out.block(f"while {index} < {count}:"):
            self.out.add(f"{self.put}(buffer, at, 8, d[{start} + {index}])")
            self.out.add("at += 8")
            self.out.add(f"{index} += 1")

    def _many(self, slot: Many, base: str, place: int) -> None:
        count = self._count_out(slot, base, place, slot.fewest, slot.most)
        index, inner = self.out.fresh("i"), self.out.fresh("o")
        self.out.add(f"{index} = 0")
        self.out.add(f"{inner} = {base} + {place + 1}")
        with self.out.block(f"while {index} < {count}:"):
            self._slot(slot.item, inner, 0)
            self.out.add(f"{inner} += {width_of_places(slot.item)}")
            self.out.add(f"{index} += 1")

    def _maybe(self, slot: Maybe, base: str, place: int) -> None:
        name = self._load(base, place)
        self._refuse_if(f"{name} < 0 or {name} > 1")
        self._append(name, slot.flag_bits or 0)
        with self.out.block(f"if {name}:"):
            before = len(self.out.lines)
            self._slot(slot.item, base, place + 1)
            if len(self.out.lines) == before:
                self.out.add("pass")


def _minus(number: int) -> str:
    return f" - {number}" if number > 0 else f" + {-number}" if number else ""
