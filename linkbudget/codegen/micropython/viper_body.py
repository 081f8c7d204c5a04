"""What is done with the body of a frame in viper: its check, which message it is, its values.

It is written where it is needed instead of called: on a board a call takes as long as twenty lines.
"""

from __future__ import annotations

from linkbudget.codegen.micropython.viper_checks import refuse_wrong_check
from linkbudget.codegen.plain.lines import Lines
from linkbudget.codegen.spec import DirectionSpec

__all__ = ["checking", "checking_text", "end_text", "opening_text"]

NEWEST = """\
    if s[1]:
        at = _KINDS_AT + 3 * kind
        slot = 2 * kind + (s[at] ^ 1)
    else:
        slot = int(_slot(memory, kind))
"""


def checking(spec: DirectionSpec, out: Lines, refusal: str) -> None:
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
        checking(spec, out, "return {}")
        out.add("return 0")
    return out.text()


def opening(spec: DirectionSpec, out: Lines) -> None:
    """Write what takes an intact body of ``size`` bytes and returns."""
    fmt = spec.fmt
    if fmt.sequence:
        with out.block("if s[5] < 256:"):
            out.add("s[_COUNTS + LOST] = s[_COUNTS + LOST] + ((b[BODY_AT] - s[5] - 1) & 255)")
        out.add("s[5] = b[BODY_AT]")
    out.add("n = size - LEAD_BYTES - CHECK_BYTES")
    payload = "BODY_AT + LEAD_BYTES"
    first = spec.messages[0]
    if len(spec.messages) == 1 and first.id is None:
        _take(out, 0, first.ident)
        return
    with out.block("if n == 0:"):
        out.add("return int(_fault(memory, REFUSED))")
    for message in spec.messages:
        with out.block(f"if b[{payload}] == {message.id}:"):
            _take(out, message.place, message.ident)
    out.add("return int(_fault(memory, UNKNOWN))")


def _take(out: Lines, kind: int, ident: str) -> None:
    out.add(f"kind = {kind}")
    for line in NEWEST.splitlines():
        out.add(line[4:])
    out.add("at = _VALUES_AT + slot * _STRIDE")
    with out.block(f"if int(read_{ident}(memory, n, at, octets, slot * OCTETS)):"):
        out.add("_done(memory, kind, slot, now)")
        out.add("return kind + 1")
    out.add("return int(_fault(memory, REFUSED))")


def opening_text(spec: DirectionSpec) -> str:
    """Return the function that takes an intact body."""
    out = Lines()
    out.add("@micropython.viper")
    with out.block("def _open(memory, octets, size: int, now: int) -> int:"):
        out.add('"""Take an intact body; return the message\'s number from 1, or minus a fault."""')
        out.add("s = ptr32(memory)")
        out.add("b = ptr8(int(s) + _RAW_AT)")
        opening(spec, out)
    return out.text()


def end_text(spec: DirectionSpec, unstuffing: str) -> str:
    """Return the piece of a delimiting with what is done to the body, of ``o`` bytes, written into it."""
    out = Lines()
    out.add("size = o")
    checking(spec, out, "return int(_fault(memory, {}))")
    opening(spec, out)
    body = "".join(f"    {line}\n" if line else "\n" for line in out.text().splitlines())
    head, mark, tail = unstuffing.partition("    # body\n    return 0\n")
    assert mark
    return head + body + tail
