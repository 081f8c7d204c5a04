"""The check code of frames in viper: numbers of at most 30 bits, wider registers in pieces of 16."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from linkbudget.check.algorithms import CrcAlgorithm
from linkbudget.check.code import Check
from linkbudget.codegen.plain.lines import Lines, hexed

Register = Callable[[int], str]

__all__ = ["check_text", "cover_text", "refuse_wrong_check", "register_words"]

# What stands on the right of an operator is best a plain name: anything else is put aside and fetched again.
STEP_1021 = (
    "x = (r >> 8 ^ {byte}) & 255",
    "x = x >> 4 ^ x",
    "r = ((x << 4 ^ r) << 3 ^ x) << 5 ^ x",
)
"""The bits of r above the lowest 16 are left where they are."""
STEP_8408 = (
    "x = (r ^ {byte}) & 255",
    "x = (x << 4 ^ x) & 255",
    "r = r >> 8 ^ x << 8 ^ x << 3 ^ x >> 4",
)
NARROW = 30
"""Bits of the widest register that stands in one number."""
HEX = "(48 if x < 10 else 55)"


class _Bytes:
    """The loop over ``b[at:end]``, all of which is there."""

    small = False
    """Whether numbers are kept to the width of the register, where they do not wrap by themselves."""

    @contextmanager
    def each(self, out: Lines, registers: Sequence[str]) -> Iterator[None]:
        """Write the loop around what is done with a byte; ``registers`` begin with what they hold already."""
        with out.block("while at < end:"):
            yield
            out.add("at += 1")


WHOLE = _Bytes()


class _Pieces(_Bytes):
    """The same where the bytes come in pieces: the registers stand in the receiver meanwhile."""

    def __init__(self, small: bool) -> None:
        self.small = small

    @contextmanager
    def each(self, out: Lines, registers: Sequence[str]) -> Iterator[None]:
        """Write the loop, with what was kept in front of it, and what is kept behind it."""
        with out.block("if s[BEGUN]:"):
            for place, name in enumerate(registers):
                out.add(f"{name} = s[REGISTER + {place}]")
        with super().each(out, registers):
            yield
        out.add("s[BEGUN] = 1")
        for place, name in enumerate(registers):
            out.add(f"s[REGISTER + {place}] = {name}")
        with out.block("if s[OVER] == 0:"):
            out.add("return")


def register_words(check: Check) -> int:
    """Return in how many numbers the register of a check stands between pieces."""
    if isinstance(check, CrcAlgorithm):
        return 1 if check.width <= NARROW else -(-check.width // 16)
    return 2 if check.name == "fletcher16" else 1


def cover_text(check: Check, big: bool, small: bool) -> str:
    """Return the function that takes bytes that come in pieces into the check, and writes its digits.

    ``small``: for whoever has numbers that do not wrap.
    """
    out = Lines()
    out.add("@micropython.viper")
    # The first three stand in registers.
    with out.block("def _cover(at: int, end: int, r: int, memory, data):"):
        out.add(f'"""Take data[at:end] into the check ({check.name}); write its digits if r is not 0."""')
        out.add("s = ptr32(memory)")
        out.add("s[OVER] = r")
        out.add("b = ptr8(data)")
        for place, digit in enumerate(_octets(check, big, True, out, _Pieces(small))):
            out.add(f"s[EXPECTED + {place}] = {digit}")
    return out.text()


def check_text(check: Check | None, big: bool, hex_form: bool, name: str = "check_bytes") -> str:
    """Return the function that writes the check of ``buffer[at:at + n]`` to ``buffer[to:]``."""
    out = Lines()
    out.add("@micropython.viper")
    with out.block(f"def {name}(buffer, at: int, n: int, to: int):"):
        label = check.name if check is not None else "no check"
        out.add(
            f'"""Write the check ({label}) of n bytes from at on to the place behind them, or elsewhere."""'
        )
        if check is None:
            out.add("return")
            return out.text()
        out.add("b = ptr8(buffer)")
        out.add("end = at + n")
        for place, value in enumerate(_octets(check, big, hex_form, out)):
            out.add(f"b[to + {place}] = {value}")
    return out.text()


def refuse_wrong_check(out: Lines, check: Check, big: bool, hex_form: bool, refusal: str) -> None:
    """Write what compares the check of ``b[at:end]`` with the bytes behind it; ``refusal`` if wrong."""
    for place, value in enumerate(_octets(check, big, hex_form, out)):
        with out.block(f"if b[end + {place}] != {value}:" if place else f"if b[end] != {value}:"):
            out.add(refusal)


def _octets(check: Check, big: bool, hex_form: bool, out: Lines, data: _Bytes = WHOLE) -> Iterator[str]:
    """Write the loop over ``b[at:end]``, and yield the bytes of the check as they are sent."""
    size = check.check_bytes
    if isinstance(check, CrcAlgorithm):
        register = (_narrow if check.width <= NARROW else _wide)(check, out, data)
    else:
        register = _sum(check.name, out, data)
    for place in range(size):
        value = register(size - 1 - place if big else place)
        if not hex_form:
            yield f"({value})"
            continue
        for shift in (4, 0):
            out.add(f"x = ({value}) >> {shift} & 15")
            yield f"x + {HEX}"


def _sum(name: str, out: Lines, data: _Bytes) -> Register:
    if name == "fletcher16":
        out.add("low = 0")
        out.add("high = 0")
        with data.each(out, ("low", "high")):
            out.add("low = low + b[at]")
            with out.block("if low >= 255:"):
                out.add("low -= 255")
            out.add("high = high + low")
            with out.block("if high >= 255:"):
                out.add("high -= 255")
        return lambda place: "high" if place else "low"
    out.add("r = 0")
    with data.each(out, ("r",)):
        out.add("r = (r + b[at]) & 255" if name == "sum8" else "r = r ^ b[at]")
    return lambda place: "r"


def _reversed(number: int, width: int) -> int:
    return int(f"{number:0{width}b}"[::-1], 2)


def _narrow(crc: CrcAlgorithm, out: Lines, data: _Bytes) -> Register:
    width = crc.width
    if crc.refin:
        poly, start = _reversed(crc.poly, width), _reversed(crc.init, width)
        out.add(f"r = {hexed(start)}")
        with data.each(out, ("r",)):
            if width == 16 and poly == 0x8408:
                for line in STEP_8408:
                    out.add(line.format(byte="b[at]"))
            else:
                out.add("r = r ^ b[at]")
                out.add("k = 8")
                with out.block("while k:"):
                    with out.block("if r & 1:"):
                        out.add(f"r = r >> 1 ^ {hexed(poly)}")
                    with out.block("else:"):
                        out.add("r = r >> 1")
                    out.add("k -= 1")
        spare = 0
    else:
        spare = max(8 - width, 0)
        top, mask = width + spare - 1, hexed((1 << width + spare) - 1)
        out.add(f"r = {hexed(crc.init << spare)}")
        with data.each(out, ("r",)):
            if width == 16 and crc.poly == 0x1021:
                for line in STEP_1021:
                    out.add(line.format(byte="b[at]"))
                if data.small:
                    out.add("r = r & 0xFFFF")
            else:
                out.add(f"r = r ^ b[at] << {top - 7}")
                out.add("k = 8")
                with out.block("while k:"):
                    out.add("r = r << 1")
                    with out.block(f"if r >> {top + 1}:"):
                        out.add(f"r = (r ^ {hexed(crc.poly << spare)}) & {mask}")
                    out.add("k -= 1")
        if spare:
            out.add(f"r = r >> {spare}")
    if crc.refin != crc.refout:
        out.add("x = 0")
        out.add(f"k = {width}")
        with out.block("while k:"):
            out.add("x = x << 1 | r & 1")
            out.add("r = r >> 1")
            out.add("k -= 1")
        out.add("r = x")
    if crc.xorout:
        out.add(f"r = r ^ {hexed(crc.xorout)}")
    return lambda place: f"r >> {8 * place} & 255" if place else "r & 255"


def _wide(crc: CrcAlgorithm, out: Lines, data: _Bytes) -> Register:
    """A register in pieces of 16 bits, r0 the lowest; one that shifts up stands at the top of them."""
    width, count = crc.width, -(-crc.width // 16)
    spare = 0 if crc.refin else 16 * count - width

    def pieces(number: int) -> list[int]:
        return [number >> 16 * k & 0xFFFF for k in range(count)]

    start = _reversed(crc.init, width) if crc.refin else crc.init << spare
    poly = _reversed(crc.poly, width) if crc.refin else crc.poly << spare
    for k, piece in enumerate(pieces(start)):
        out.add(f"r{k} = {hexed(piece)}")
    with data.each(out, [f"r{k}" for k in range(count)]):
        out.add("r0 = r0 ^ b[at]" if crc.refin else f"r{count - 1} = r{count - 1} ^ b[at] << 8")
        out.add("k = 8")
        with out.block("while k:"):
            if crc.refin:
                out.add("x = r0 & 1")
                for k in range(count - 1):
                    out.add(f"r{k} = r{k} >> 1 | (r{k + 1} & 1) << 15")
                out.add(f"r{count - 1} = r{count - 1} >> 1")
            else:
                out.add(f"x = r{count - 1} >> 15")
                for k in range(count - 1, 0, -1):
                    out.add(f"r{k} = (r{k} << 1 | r{k - 1} >> 15) & 0xFFFF")
                out.add("r0 = r0 << 1 & 0xFFFF")
            with out.block("if x:"):
                for k, piece in enumerate(pieces(poly)):
                    if piece:
                        out.add(f"r{k} = r{k} ^ {hexed(piece)}")
            out.add("k -= 1")
    _shift_down(out, spare, count)
    if crc.refin != crc.refout:
        _reverse(out, width, count)
    for k, piece in enumerate(pieces(crc.xorout)):
        if piece:
            out.add(f"r{k} = r{k} ^ {hexed(piece)}")
    return lambda place: f"r{place // 2} >> 8" if place % 2 else f"r{place // 2} & 255"


def _shift_down(out: Lines, spare: int, count: int) -> None:
    if not spare:
        return
    for k in range(count - 1):
        out.add(f"r{k} = r{k} >> {spare} | r{k + 1} << {16 - spare} & 0xFFFF")
    out.add(f"r{count - 1} = r{count - 1} >> {spare}")


def _reverse(out: Lines, width: int, count: int) -> None:
    for k in range(count):
        out.add(f"y{k} = 0")
    out.add(f"k = {width}")
    with out.block("while k:"):
        for k in range(count - 1, 0, -1):
            out.add(f"y{k} = (y{k} << 1 | y{k - 1} >> 15) & 0xFFFF")
        out.add("y0 = (y0 << 1 | r0 & 1) & 0xFFFF")
        for k in range(count - 1):
            out.add(f"r{k} = r{k} >> 1 | (r{k + 1} & 1) << 15")
        out.add(f"r{count - 1} = r{count - 1} >> 1")
        out.add("k -= 1")
    for k in range(count):
        out.add(f"r{k} = y{k}")
