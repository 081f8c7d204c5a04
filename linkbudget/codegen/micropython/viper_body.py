"""What is done with the body of a frame in viper: its check, which message it is, its values.

It is written where it is needed instead of called: on a board a call takes as long as twenty lines.
"""

from __future__ import annotations

from collections.abc import Sequence

from linkbudget.codegen.micropython.viper_checks import refuse_wrong_check
from linkbudget.codegen.plain.lines import Lines
from linkbudget.codegen.spec import DirectionSpec

__all__ = ["checking_text", "end_text", "opening_text"]

PUBLISHING = """\
if s[1]:
    k = _KINDS_AT + 3 * kind
    slot = (kind << 1) + (s[k] ^ 1)
else:
    slot = int(_slot(memory, kind))
at = _VALUES_AT + slot * _STRIDE
# read
if right == 0:
    return int(_fault(memory, REFUSED))
if s[1] == 0:
    s[at + PLACES] = kind
    s[4] = s[4] + 1
else:
    if s[k + 1]:
        s[_COUNTS + SUPERSEDED] = s[_COUNTS + SUPERSEDED] + 1
    s[k] = s[k] ^ 1
    s[k + 2] = s[k + 2] + 1
    s[k + 1] = 1
s[_COUNTS + ACCEPTED] = s[_COUNTS + ACCEPTED] + 1
if s[7]:
    gap = now - s[6] & 0x3FFFFFFF
    if gap > s[_COUNTS + LONGEST_GAP]:
        s[_COUNTS + LONGEST_GAP] = gap
s[6] = now
s[7] = 1
return kind + 1"""


SUPERSEDING = "    if s[k + 1]:"


def _checking(spec: DirectionSpec, out: Lines, refusal: str) -> None:
    """Write what refuses a body of ``size`` bytes at BODY_AT of ``b``; ``refusal`` has room for the fault."""
    fmt = spec.fmt
    size, lead = fmt.check_bytes, fmt.envelope.lead_bytes
    out.add(f"end = BODY_AT + size - {size}" if size else "end = BODY_AT + size")
    if lead:
        with out.block("if end - BODY_AT < LEAD_BYTES:"):
            out.add(refusal.format("TOO_SHORT"))
    elif size:
        with out.block("if end < BODY_AT:"):
            out.add(refusal.format("TOO_SHORT"))
    with out.block("if end - BODY_AT > LEAD_BYTES + MAX_PAYLOAD:"):
        out.add(refusal.format("TOO_LONG"))
    if fmt.check is not None:
        out.add("at = BODY_AT")
        big = fmt.envelope.order == "big"
        refuse_wrong_check(out, fmt.check, big, fmt.check_form == "hex", refusal.format("CHECK"))
    if fmt.layout_id is not None:
        with out.block("if b[BODY_AT + LEAD_BYTES - 1] != LAYOUT_ID:"):
            out.add(refusal.format("LAYOUT"))


def checking_text(spec: DirectionSpec) -> str:
    """Return the function that says what is wrong with a body, 0 for nothing."""
    out = Lines()
    out.add("@micropython.viper")
    with out.block("def _check(memory, size: int) -> int:"):
        out.add('"""Return what is wrong with the body of so many bytes at BODY_AT, 0 for nothing."""')
        out.add("s = ptr32(memory)")
        out.add("b = ptr8(int(s) + _RAW_AT)")
        _checking(spec, out, "return {}")
        out.add("return 0")
    return out.text()


def _opening(spec: DirectionSpec, out: Lines) -> None:
    """Write what takes an intact body of ``size`` bytes and returns."""
    fmt = spec.fmt
    if fmt.sequence:
        with out.block("if s[5] < 256:"):
            out.add("s[_COUNTS + LOST] = s[_COUNTS + LOST] + ((b[BODY_AT] - s[5] - 1) & 255)")
        out.add("s[5] = b[BODY_AT]")
    out.add("n = size - LEAD_BYTES - CHECK_BYTES")
    payload = "BODY_AT + LEAD_BYTES" if fmt.envelope.lead_bytes else "BODY_AT"
    alone = len(spec.messages) == 1
    if alone and spec.messages[0].id is None:
        out.add("kind = 0")
    else:
        with out.block("if n == 0:"):
            out.add("return int(_fault(memory, UNKNOWN))")
        out.add("kind = -1")
        out.add(f"x = int(b[{payload}])")
        numbers = sorted((message.id or 0, message.place) for message in spec.messages)
        _choose(out, "x", [(number, f"kind = {place}") for number, place in numbers], known=False)
        with out.block("if kind < 0:"):
            out.add("return int(_fault(memory, UNKNOWN))")
    lines = PUBLISHING.splitlines()
    reading = lines.index("# read")
    for line in lines[:reading]:
        out.add(line)
    given = "(memory, n, at, octets, slot * OCTETS)"
    if alone:
        out.add(f"right = int(read_{spec.messages[0].ident}{given})")
    else:
        calls = [(message.place, f"right = int(read_{message.ident}{given})") for message in spec.messages]
        _choose(out, "kind", calls, known=True)
    for line in lines[reading + 1 :]:
        if line == SUPERSEDING and not alone:
            out.add("    s[3] = s[3] + 1 - s[k + 1]")
            out.add("    s[11] = kind")
        out.add(line)


def _choose(out: Lines, name: str, choices: Sequence[tuple[int, str]], known: bool) -> None:
    """Write the line that belongs to a number, by halves; ``known``: it is one of them, else none may fit."""
    if len(choices) > 1:
        middle = len(choices) // 2
        with out.block(f"if {name} < {choices[middle][0]}:"):
            _choose(out, name, choices[:middle], known)
        with out.block("else:"):
            _choose(out, name, choices[middle:], known)
        return
    number, line = choices[0]
    if known:
        out.add(line)
    else:
        with out.block(f"if {name} == {number}:"):
            out.add(line)


def opening_text(spec: DirectionSpec) -> str:
    """Return the function that takes an intact body."""
    out = Lines()
    out.add("@micropython.viper")
    with out.block("def _open(memory, octets, size: int, now: int) -> int:"):
        out.add('"""Take an intact body; return the message\'s number from 1, or minus a fault."""')
        out.add("s = ptr32(memory)")
        out.add("b = ptr8(int(s) + _RAW_AT)")
        _opening(spec, out)
    return out.text()


def end_text(spec: DirectionSpec, unstuffing: str) -> str:
    """Return the piece of a delimiting with what is done to the body, of ``o`` bytes, written into it."""
    out = Lines()
    out.add("size = o")
    _checking(spec, out, "return int(_fault(memory, {}))")
    _opening(spec, out)
    body = "".join(f"    {line}\n" if line else "\n" for line in out.text().splitlines())
    head, mark, tail = unstuffing.partition("    # body\n    return 0\n")
    assert mark
    return head + body + tail
