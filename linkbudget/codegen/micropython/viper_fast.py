"""The way of a good COBS frame through ``feed``, in one loop: unstuffed, checked, read and published.

It takes a frame that stands whole in the bytes handed in. Whatever is unusual about one (it is cut, damaged,
unknown, refused) leaves nothing behind, and the bytes are taken one by one as always, which also counts what
is wrong. So what is accepted here is what would be accepted there.

Machine code of viper on a Cortex-M0+ costs least when it tests a number for zero, not for a value; when the
right side of an operator is a plain name; and when nothing is looked up.
"""

from __future__ import annotations

import ast
from collections.abc import Sequence

from linkbudget.check.algorithms import CrcAlgorithm
from linkbudget.codegen.micropython.viper_checks import STEP_1021, STEP_8408
from linkbudget.codegen.micropython.viper_layout import is_small, longest_octets
from linkbudget.codegen.micropython.viper_reading import ViperReader
from linkbudget.codegen.plain.lines import Lines, hexed
from linkbudget.codegen.spec import DirectionSpec, MessageSpec, Number

__all__ = ["fast_lines"]

POLY = 0x1021
LONGEST = 250
"""A stretch in which no code says 255, which stands for no zero behind its bytes."""
BYTES_A_NODE = 3.6
MOST_BYTES = 1640
"""Before MicroPython 1.26 a loop of viper has to be shorter than 2 kB on a Cortex-M0+, or it is refused."""


def fast_lines(spec: DirectionSpec) -> list[str]:
    """Return the lines that begin the loop of ``feed``; none where frames take another way."""
    fmt = spec.fmt
    if fmt.delimiting != "cobs" or not _checked_on_the_way(spec):
        return []
    longest: int = fmt.framing.receiver(fmt.envelope.open).rule[1]  # type: ignore[attr-defined]
    if longest > LONGEST:
        return []
    here: list[MessageSpec] = []
    found = _written(spec, here)
    for message in filter(_is_plain, spec.messages):
        text = _written(spec, [*here, message])
        if _bytes_of(text) <= MOST_BYTES:
            here, found = [*here, message], text
    return found.splitlines()


def _checked_on_the_way(spec: DirectionSpec) -> bool:
    """Whether the check is a CRC whose register says at its end that it was right."""
    fmt = spec.fmt
    check = fmt.check
    return (
        isinstance(check, CrcAlgorithm)
        and (check.width, check.poly, check.refin) == (16, POLY, check.refout)
        and fmt.check_form != "hex"
        and fmt.envelope.order == ("little" if check.refin else "big")
    )


def _is_plain(message: MessageSpec) -> bool:
    """Whether a message has nothing but small numbers at fixed places."""
    return message.bits is not None and all(
        isinstance(slot, Number) and is_small(slot) and (slot.bits or 0) <= 30 for slot in message.slots
    )


def _bytes_of(text: str) -> float:
    """Return about how many bytes of machine code lines become."""
    body = "while x:\n" + "".join(f"    {line}\n" for line in text.splitlines())
    counted = (ast.Name, ast.Constant, ast.BinOp, ast.Compare, ast.Subscript, ast.If, ast.While, ast.Call)
    return BYTES_A_NODE * sum(isinstance(node, counted) for node in ast.walk(ast.parse(body)))


def _residue(check: CrcAlgorithm) -> int:
    """Return what the register holds behind the check, before what it is exclusive-ored with at the end."""
    state = 0
    for octet in check.xorout.to_bytes(2, "little" if check.refin else "big"):
        state ^= octet if check.refin else octet << 8
        for _ in range(8):
            if check.refin:
                state = state >> 1 ^ (0x8408 if state & 1 else 0)
            else:
                state = (state << 1 ^ (POLY if state & 0x8000 else 0)) & 0xFFFF
    return state


def _written(spec: DirectionSpec, here: Sequence[MessageSpec]) -> str:
    """Return the lines; what ``here`` holds is read in them, for any other message a function is called."""
    check = spec.fmt.check
    assert isinstance(check, CrcAlgorithm)
    out = Lines()
    start = int(f"{check.init:016b}"[::-1], 2) if check.refin else check.init
    for line in ("start = i", "done = 0", "left = int(data[i])", "next = i + left"):
        out.add(line)
    out.add("last = i + LONGEST_STRETCH + 1")
    with out.block("if last > n:"):
        out.add("last = n")
    with out.block("if held or next >= last:"):
        out.add("left = 0")
    with out.block("if left:"):
        out.add("q = ptr8(int(b) - i - 1)")
        out.add(f"r = {hexed(start)}")
        with out.block("while True:"):
            out.add("i += 1")
            out.add("byte = int(data[i])")
            out.add("left -= 1")
            with out.block("if byte:"):
                with out.block("if left:"):
                    _byte(out, check, "byte")
                    out.add("continue")
                out.add("left = byte")
                out.add("next += byte")
                with out.block("if next < last:"):
                    _byte(out, check, "0")
                    out.add("continue")
            with out.block("elif left == 0:"):
                out.add("done = i - start")
            out.add("break")
    with out.block("while done:"):
        # Left where something is not as it should be.
        residue = _residue(check)
        with out.block(f"if r & 0xFFFF != {hexed(residue)}:" if residue else "if r & 0xFFFF:"):
            out.add("break")
        if spec.fmt.layout_id is not None:
            with out.block("if b[LEAD_BYTES - 1] != LAYOUT_ID:"):
                out.add("break")
        for message in here:
            _read_here(spec, out, message)
        if len(here) < len(spec.messages):
            _call(spec, out)
        else:
            out.add("break")
    out.add("i = start")
    with out.block("if done < 0:"):
        out.add("continue")
    return out.text()


def _byte(out: Lines, check: CrcAlgorithm, byte: str) -> None:
    """Write what keeps a byte of the body, and takes it into the check."""
    out.add(f"q[i] = {byte}")
    for line in STEP_8408 if check.refin else STEP_1021:
        line = line.format(byte=byte)
        out.add(line.replace("(r >> 8 ^ 0)", "r >> 8").replace("(r ^ 0)", "r"))


def _success(out: Lines) -> None:
    out.add("start = i + 1")
    out.add("done = -1")
    out.add("break")


def _water(out: Lines) -> None:
    with out.block("if done > s[_COUNTS + HIGH_WATER]:"):
        out.add("s[_COUNTS + HIGH_WATER] = done")


def _sequence(spec: DirectionSpec, out: Lines) -> None:
    if spec.fmt.sequence:
        with out.block("if s[5] < 256:"):
            out.add("s[_COUNTS + LOST] = s[_COUNTS + LOST] + ((b[0] - s[5] - 1) & 255)")
        out.add("s[5] = int(b[0])")


def _call(spec: DirectionSpec, out: Lines) -> None:
    out.add("x = done - 1 - LEAD_BYTES - CHECK_BYTES")
    with out.block("if x < 0 or x > MAX_PAYLOAD:"):
        out.add("break")
    _water(out)
    octets = "self.octets" if any(map(longest_octets, spec.messages)) else "memory"
    out.add(f"_open(memory, {octets}, done - 1, now)")
    _success(out)


def _read_here(spec: DirectionSpec, out: Lines, message: MessageSpec) -> None:
    lead, size = spec.fmt.envelope.lead_bytes, spec.fmt.check_bytes
    assert message.bits is not None
    named = "" if message.id is None else f"b[{lead}] == {message.id} and "
    with out.block(f"if s[1] and {named}done == {lead + -(-message.bits // 8) + size + 1}:"):
        _message(spec, out, message)


def _message(spec: DirectionSpec, out: Lines, message: MessageSpec) -> None:
    lead = spec.fmt.envelope.lead_bytes
    which, taken, turn = (f"s[_KINDS_AT + {3 * message.place + place}]" for place in range(3))
    out.add(f"k = {which} ^ 1")
    first = f"4 * (_VALUES_AT + {2 * message.place} * _STRIDE)"
    out.add(f"v = ptr32(int(s) + {first} + k * (4 * _STRIDE))")
    for line in ViperReader(message, lead).lines_here():
        out.add(line)
    _water(out)
    _sequence(spec, out)
    accepted, longest = "s[_COUNTS + ACCEPTED]", "s[_COUNTS + LONGEST_GAP]"
    out.add(f"{accepted} = {accepted} + 1")
    with out.block("if s[7]:"):
        out.add("x = now - s[6] & 0x3FFFFFFF")
        with out.block(f"if x > {longest}:"):
            out.add(f"{longest} = x")
    out.add("s[6] = now")
    out.add("s[7] = 1")
    if len(spec.messages) > 1:
        out.add(f"s[3] = s[3] + 1 - {taken}")
        out.add(f"s[11] = {message.place}")
    with out.block(f"if {taken}:"):
        out.add("s[_COUNTS + SUPERSEDED] = s[_COUNTS + SUPERSEDED] + 1")
    out.add(f"{which} = k")
    out.add(f"{turn} = {turn} + 1")
    out.add(f"{taken} = 1")
    _success(out)
