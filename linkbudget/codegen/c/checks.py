"""The check code in C: one step per byte, and the value that goes on the wire.

CRC registers that shift left are kept at the top of their type, so that one rule serves every width. Without
a table: shifts and exclusive ors for the polynomial 1021 (a byte at a time: common practice, no source), a
table of 16 entries for any other.

Two bytes at once cost little more than one, where the polynomial has few terms. With x the register and the
bytes in 16 bits, the register behind them is the rest of x · t^16 by t^16 + t^12 + t^5 + 1; its quotient q is
x + q >> 4 + q >> 11, hence q = x + x >> 4 + x >> 8 + x >> 12 + x >> 11, and the rest is q + q << 5 + q << 12
in its low 16 bits (own derivation; the tests hold it against the rule for one byte).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from linkbudget.check.algorithms import CrcAlgorithm
from linkbudget.check.code import Check
from linkbudget.check.crc import reflect
from linkbudget.codegen.c.text import unsigned_bits

__all__ = ["CheckText"]


@dataclass(frozen=True)
class CheckText:
    """The C text of one check. ``name`` begins its functions, ``table``: a full table of 256 entries."""

    check: Check
    order: str
    hex_form: bool
    table: bool
    name: str = "lb_check"

    @property
    def bits(self) -> int:
        """Bits of the register's type."""
        return unsigned_bits((1 << self.check.width) - 1)

    @property
    def type(self) -> str:
        """The register's type."""
        return f"uint{self.bits}_t"

    @property
    def shift(self) -> int:
        """Bits below the register in its type."""
        crc = self.check
        return self.bits - crc.width if isinstance(crc, CrcAlgorithm) and not crc.refin else 0

    @cached_property
    def start(self) -> int:
        """The register before the first byte."""
        crc = self.check
        if not isinstance(crc, CrcAlgorithm):
            return 0
        return reflect(crc.init, crc.width) if crc.refin else crc.init << self.shift

    @cached_property
    def before_zero(self) -> int | None:
        """The register from which a byte of zero leads to `start`; None where no register does."""
        crc = self.check
        if not isinstance(crc, CrcAlgorithm):
            return 0
        if not crc.poly & 1:
            return None
        register = self.start
        poly = reflect(crc.poly, crc.width) if crc.refin else crc.poly << self.shift
        top = 1 << (self.bits - 1)
        for _ in range(8):
            if crc.refin:
                out = register >> (crc.width - 1)
                register = (register ^ poly * out) << 1 | out
            else:
                out = register >> self.shift & 1
                register = (register ^ poly * out) >> 1 | top * out
        return register

    @cached_property
    def residue(self) -> int | None:
        """The register behind a good body with its check; None where the check must be compared instead.

        A register is pushed through the bytes of its own check and ends at the same number for every body,
        when the check stands there as the register holds it.
        """
        crc = self.check
        natural = isinstance(crc, CrcAlgorithm) and crc.refin == crc.refout and crc.width % 8 == 0
        if not natural or self.hex_form or self.order != crc.byte_order:
            return None
        register = self.start
        for byte in crc.compute(b"").to_bytes(crc.check_bytes, crc.byte_order):
            register = self.stepped(register, byte)
        return register

    def stepped(self, register: int, byte: int) -> int:
        """Return the register of a CRC one byte later."""
        crc = self.check
        assert isinstance(crc, CrcAlgorithm)
        if crc.refin:
            poly = reflect(crc.poly, crc.width)
            register ^= byte
            for _ in range(8):
                register = register >> 1 ^ (poly if register & 1 else 0)
            return register
        top, mask = 1 << (self.bits - 1), (1 << self.bits) - 1
        register ^= byte << (self.bits - 8)
        for _ in range(8):
            register = (register << 1 & mask) ^ (crc.poly << self.shift if register & top else 0)
        return register

    def number(self, value: int) -> str:
        """Return a literal of the register's type."""
        if self.bits >= 32:
            return f"UINT{self.bits}_C(0x{value:0{self.bits // 4}X})"
        return f"0x{value:0{self.bits // 4}X}u"

    def step(self) -> str:
        """Return the function that takes one byte into the register."""
        if not isinstance(self.check, CrcAlgorithm):
            return self._function("step", _SUMS[self.check.name])
        if self.table:
            return self._function("step", self._table_step())
        if self.check.width == 16 and self.check.poly == 0x1021:
            return self._function("step", _SHIFTS_REFLECTED if self.check.refin else _SHIFTS)
        return self._function("step", self._nibble_step())

    @property
    def wide(self) -> str:
        """The type of a register in a loop over pairs; bits above those of `type` mean nothing there."""
        return "unsigned" if self._pairs is not None else self.type

    @property
    def _pairs(self) -> str | None:
        crc = self.check
        if self.table or not isinstance(crc, CrcAlgorithm) or (crc.width, crc.poly) != (16, 0x1021):
            return None
        return _PAIR_REFLECTED if crc.refin else _PAIR

    def pair(self) -> str:
        """Return the function that takes two bytes into the register."""
        body = self._pairs or _PAIR_OF_STEPS.replace("lb_step", f"{self.name}_step")
        kind = self.wide
        heads = (
            f"static inline unsigned {self.name}_both(unsigned first, unsigned second)",
            f"static inline {kind} {self.name}_pair({kind} check, unsigned both)",
        )
        order = "second << 8 | first" if self._pairs == _PAIR_REFLECTED else "first << 8 | second"
        return (
            f"/* Two bytes in one, in the order the check takes their bits. */\n"
            f"{heads[0]}\n{{\n    return {order};\n}}\n\n"
            f"/* {self.check.name}, two bytes. */\n{heads[1]}\n{{\n{body}}}\n"
        )

    def value(self) -> str:
        """Return the function that makes the check's value of the register."""
        crc = self.check
        lines = []
        result = "check"
        if isinstance(crc, CrcAlgorithm):
            if self.shift:
                result = f"(check >> {self.shift})"
            if crc.refin != crc.refout:
                lines = [
                    f"    {self.type} turned = 0u;",
                    "    uint8_t bit;",
                    "",
                    f"    for (bit = 0u; bit < {crc.width}u; bit++) {{",
                    f"        turned = ({self.type})(turned << 1);",
                    f"        if ((({self.type})({result} >> bit) & 1u) != 0u) {{",
                    "            turned++;",
                    "        }",
                    "    }",
                ]
                result = "turned"
            if crc.xorout:
                result = f"({result} ^ {self.number(crc.xorout)})"
        lines.append(f"    return ({self.type}){result};")
        text = "\n".join(lines)
        head = f"static inline {self.type} {self.name}_value({self.type} check)"
        return f"/* What goes on the wire. */\n{head}\n{{\n{text}\n}}\n"

    def bytes_of(self, value: str) -> list[str]:
        """Return the expressions of the check's bytes as they are written (before hex), in order."""
        count = self.check.check_bytes
        places = range(count) if self.order == "little" else range(count - 1, -1, -1)
        return [f"(uint8_t)({value} >> {8 * place})" if place else f"(uint8_t){value}" for place in places]

    def _function(self, what: str, body: str) -> str:
        head = f"static inline {self.type} {self.name}_{what}({self.type} check, uint8_t byte)"
        return f"/* {self.check.name}, one byte. */\n{head}\n{{\n{body}}}\n"

    def _entries(self, count: int) -> str:
        values = [self._entry(index, count) for index in range(count)]
        per_line = {8: 8, 16: 8, 32: 4, 64: 3}[self.bits]
        rows = [values[i : i + per_line] for i in range(0, count, per_line)]
        return ",\n".join("        " + ", ".join(map(self.number, row)) for row in rows)

    def _entry(self, index: int, count: int) -> int:
        """The register that 8 (or 4) zero bits make of an index at the place where bits leave it."""
        crc = self.check
        assert isinstance(crc, CrcAlgorithm)
        steps = 8 if count == 256 else 4
        if crc.refin:
            poly, register = reflect(crc.poly, crc.width), index
            for _ in range(steps):
                register = register >> 1 ^ (poly if register & 1 else 0)
            return register
        top, mask = 1 << (self.bits - 1), (1 << self.bits) - 1
        register = index << (self.bits - steps)
        for _ in range(steps):
            register = (register << 1 & mask) ^ (crc.poly << self.shift if register & top else 0)
        return register

    def _nibble_step(self) -> str:
        crc = self.check
        assert isinstance(crc, CrcAlgorithm)
        t = self.type
        top = self.bits - 4
        if crc.refin:
            rows = [
                f"check = ({t})((check >> 4) ^ by_nibble[(check ^ byte) & 0x0F]);",
                f"check = ({t})((check >> 4) ^ by_nibble[(check ^ (byte >> 4)) & 0x0F]);",
            ]
        else:
            rows = [
                f"check = ({t})((check << 4) ^ by_nibble[(uint8_t)(check >> {top}) ^ (byte >> 4)]);",
                f"check = ({t})((check << 4) ^ by_nibble[(uint8_t)(check >> {top}) ^ (byte & 0x0F)]);",
            ]
        lines = "".join(f"    {row}\n" for row in rows)
        table = f"    static const {t} by_nibble[16] = {{\n{self._entries(16)}\n    }};\n"
        return f"{table}\n{lines}    return check;\n"

    def _table_step(self) -> str:
        crc = self.check
        assert isinstance(crc, CrcAlgorithm)
        t = self.type
        table = f"    static const {t} by_byte[256] = {{\n{self._entries(256)}\n    }};\n\n"
        if self.bits == 8:
            return f"{table}    return by_byte[check ^ byte];\n"
        if crc.refin:
            return f"{table}    return ({t})((check >> 8) ^ by_byte[(check ^ byte) & 0xFF]);\n"
        top = self.bits - 8
        return f"{table}    return ({t})((check << 8) ^ by_byte[(uint8_t)(check >> {top}) ^ byte]);\n"


# Arithmetic in the width of ``int`` or ``unsigned``, with one narrowing: 32-bit processors pay for each.
_SHIFTS = """\
    unsigned mixed = (uint8_t)((check >> 8) ^ byte);

    mixed ^= mixed >> 4;
    return (uint16_t)(((unsigned)check << 8) ^ (mixed << 12) ^ (mixed << 5) ^ mixed);
"""
_SHIFTS_REFLECTED = """\
    unsigned mixed = (unsigned)check ^ byte;

    mixed = (uint8_t)(mixed ^ (mixed << 4));
    return (uint16_t)((check >> 8) ^ (mixed << 8) ^ (mixed << 3) ^ (mixed >> 4));
"""
_PAIR = """\
    unsigned mixed = (uint16_t)(check ^ both);
    unsigned more = mixed >> 11;

    mixed ^= mixed >> 4;
    mixed ^= mixed >> 8;
    mixed ^= more;
    return (mixed << 12) ^ (mixed << 5) ^ mixed;
"""
_PAIR_REFLECTED = """\
    unsigned mixed = check ^ both;
    unsigned more = mixed << 11;

    mixed ^= mixed << 4;
    mixed ^= mixed << 8;
    mixed = (uint16_t)(mixed ^ more);
    return (mixed >> 12) ^ (mixed >> 5) ^ mixed;
"""
_PAIR_OF_STEPS = """\
    return lb_step(lb_step(check, (uint8_t)(both >> 8)), (uint8_t)both);
"""
_SUMS = {
    "sum8": "    return (uint8_t)(check + byte);\n",
    "xor8": "    return (uint8_t)(check ^ byte);\n",
    "fletcher16": """\
    /* Both sums stay below 255, so one subtraction is enough. */
    uint16_t low = (uint16_t)((check & 0xFFu) + byte);
    uint16_t high;

    if (low >= 255u) {
        low = (uint16_t)(low - 255u);
    }
    high = (uint16_t)((check >> 8) + low);
    if (high >= 255u) {
        high = (uint16_t)(high - 255u);
    }
    return (uint16_t)((high << 8) | low);
""",
}
