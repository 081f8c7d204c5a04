"""The frame: what it is made of, its check, and what a receiver does with damage."""

from __future__ import annotations

from linkbudget.check.algorithms import CrcAlgorithm, check_code
from linkbudget.check.code import Check
from linkbudget.codegen.extract.plan import make_plan, refusals
from linkbudget.codegen.extract.wanted import ALL, wanted_names
from linkbudget.codegen.extract.words_plan import make_words_plan
from linkbudget.codegen.sheet.tables import table
from linkbudget.codegen.spec import DirectionSpec
from linkbudget.errors import TargetError
from linkbudget.frame.format import FrameFormat

__all__ = ["damage_section", "frame_section"]

COUNTS = {
    "payload": "the bytes between it and the check",
    "payload-and-check": "the bytes behind the header",
    "frame": "all bytes of the frame",
}
STUFFING = {
    "cobs": "Consistent overhead byte stuffing (S. Cheshire and M. Baker, 1999). The body is cut at its zero "
    "bytes; each piece is sent behind a code byte, its length plus 1, and the zero itself is left out. A "
    "piece of 254 bytes or more is sent as `ff` and 254 bytes, and the rest as the next piece; where the "
    "body ends with these 254 bytes, nothing follows. A byte `00` ends the frame and stands nowhere else.",
    "slip": "SLIP (RFC 1055). `c0` inside is sent as `db dc`, `db` as `db dd`; `c0` ends the frame.",
    "newline": "The body must not hold a byte of the line end.",
    "none": "Frames follow each other with nothing between them; all have the longest payload.",
}


def frame_section(spec: DirectionSpec) -> str:
    """Return the section about frame and check."""
    return "## Frame\n\n" + "\n\n".join([_parts(spec), _stuffing(spec.fmt), _check(spec.fmt)])


def _parts(spec: DirectionSpec) -> str:
    fmt = spec.fmt
    rows = []
    if fmt.delimiting == "counted":
        if fmt.sync:
            rows.append(("sync", str(len(fmt.sync)), f"always `{fmt.sync.hex(' ')}`"))
        counts = COUNTS[fmt.length_counts]
        order = (
            ""
            if fmt.length_bytes == 1
            else ", high byte first"
            if fmt.length_order == "big"
            else ", low byte first"
        )
        rows.append(("length", str(fmt.length_bytes), f"{counts}{order}"))
        header = check_code(fmt.header_check)
        if header is not None:
            rows.append(("header check", str(header.check_bytes), f"{header.name} over the length alone"))
    elif _leading(fmt):
        rows.append(
            ("delimiter", "1", f"`{fmt.delimiter:02x}`, so that noise before it is a frame of its own")
        )
    if fmt.sequence:
        rows.append(
            ("sequence", "1", "counts the frames, 255 is followed by 0; a gap says how many were lost")
        )
    if fmt.layout_id is not None:
        rows.append(
            ("layout id", "1", f"always `{fmt.layout_id:02x}`; another one is refused as another layout")
        )
    sizes = f"{fmt.min_payload} to {fmt.max_payload}"
    rows.append(("payload", str(fmt.max_payload) if fmt.delimiting == "none" else sizes, "one message"))
    if fmt.check is not None:
        rows.append(("check", str(fmt.check_bytes), "see below"))
    if fmt.delimiter is not None:
        end = fmt.terminator.encode("latin-1") if fmt.delimiting == "newline" else bytes([fmt.delimiter])
        rows.append(("end", str(len(end)), f"`{end.hex(' ')}`"))
    return "In this order:\n\n" + table(("Part", "Bytes", "Holds"), rows)


def _leading(fmt: FrameFormat) -> bool:
    return fmt.leading_delimiter is True or (fmt.leading_delimiter is None and fmt.delimiting == "hdlc")


def _stuffing(fmt: FrameFormat) -> str:
    if fmt.delimiting == "hdlc":
        octets = ", ".join(f"`{byte:02x}`" for byte in fmt.framing.escaped)
        return (
            "HDLC-like framing (RFC 1662, 4.2): "
            f"{octets} inside are sent as `7d` and the byte exclusive-or `20`; `7e` ends the frame."
        )
    if fmt.delimiting == "counted":
        return "Nothing inside is changed: the length tells where the frame ends."
    covered = (
        " Sequence, layout id, payload and check together are the body." if fmt.delimiting in STUFFING else ""
    )
    return STUFFING[fmt.delimiting] + covered


def _check(fmt: FrameFormat) -> str:
    check = fmt.check
    if check is None:
        return "There is no check: damage that keeps the shape of a message is not seen."
    order = "high byte first" if fmt.envelope.order == "big" else "low byte first"
    form = "as hex digits in capitals, two a byte, " if fmt.check_form == "hex" else ""
    text = f"The check is {check.name}, {form}{order}. It covers everything between {_start(fmt)} and itself."
    return text + "\n\n" + _parameters(check)


def _start(fmt: FrameFormat) -> str:
    return "the header" if fmt.delimiting == "counted" else "the start of the body"


def _parameters(check: Check) -> str:
    digits = -(-check.width // 4)
    if not isinstance(check, CrcAlgorithm):
        rule = {
            "sum8": "the sum of the bytes modulo 256",
            "xor8": "the exclusive or of the bytes",
            "fletcher16": "two sums modulo 255, the second over the first; the second is the high byte",
        }[check.name]
        return f"It is {rule}. Over the ASCII digits 1 to 9 it is `{check.compute(b'123456789'):0{digits}x}`."
    rows = [
        ("width", str(check.width)),
        ("polynomial, without its top bit", f"`{check.poly:0{digits}x}`"),
        ("register at the start", f"`{check.init:0{digits}x}`"),
        ("bytes go in", "lowest bit first" if check.refin else "top bit first"),
        ("result", "reversed" if check.refout else "as it is"),
        ("exclusive or at the end", f"`{check.xorout:0{digits}x}`"),
        ("over the ASCII digits 1 to 9", f"`{check.compute(b'123456789'):0{digits}x}`"),
    ]
    return table(("Parameter", ""), rows)


def damage_section(spec: DirectionSpec) -> str:
    """Return what a receiver does with bytes that are no message."""
    fmt = spec.fmt
    rows = []
    if fmt.check is not None:
        rows.append(("`check`", "the check does not fit the bytes before it"))
    # Without delimiting every frame has the same length, whatever its bytes are.
    if fmt.delimiting != "none":
        longer = f"a payload of more than {fmt.max_payload} bytes, or a stretch longer than any frame"
        rows.append(("`too-long`", longer))
    if fmt.overhead_bytes and fmt.delimiting != "none":
        rows.append(("`too-short`", f"fewer than {fmt.overhead_bytes} bytes, which every body has"))
    if fmt.delimiting in {"cobs", "slip", "hdlc"} or (
        fmt.delimiting == "newline" and len(fmt.terminator) == 2
    ):
        rows.append(("`bad-stuffing`", "bytes that no sender of this format writes"))
    if fmt.delimiting == "counted":
        rows.append(("`bad-length`", "a length outside of what the format allows"))
        if fmt.header_check is not None:
            rows.append(("`header-check`", "the check of the length does not fit it"))
        if fmt.sync:
            rows.append(("`no-sync`", "bytes between frames that are not the sync bytes"))
    if fmt.layout_id is not None:
        rows.append(("`layout`", "the check fits, but the other end speaks another layout"))
    if any(message.id is not None or message.key is not None for message in spec.messages):
        rows.append(("unknown", "an intact frame whose id or key is that of no message, or that has none"))
    if spec.family == "binary":
        what = "a wrong length, a value out of range, or padding that is not zero"
    else:
        what = "a field that is missing, of a wrong type or out of range"
    rows.append(("refused", f"an intact frame with {what}"))
    if fmt.sequence:
        rows.append(("lost", "numbers missing between two intact frames"))
    if fmt.delimiter is not None:
        again = "After damage the next delimiter starts afresh: every frame with one in front of it is found."
    elif fmt.delimiting == "none" and not fmt.overhead_bytes:
        again = (
            "Nothing in the bytes tells where a frame begins: after a byte that is lost or too many, all that"
            " follows is misread, until receiver and sender are started anew."
        )
    else:
        again = (
            "After damage the search goes on one byte behind the start of what failed, in the bytes held: "
            "the next intact frame is found unless a false one hides it."
        )
    rule = "A damaged frame is dropped whole and counted; nothing of it is used. A frame is never repaired."
    return f"## Damage\n\n{rule} {again}\n\n" + table(("Counted as", "When"), rows) + _limits(spec)


def _limits(spec: DirectionSpec) -> str:
    if spec.family == "binary":
        return "\n\nA sender refuses values outside of their range instead of sending them."
    text = "\n\nA sender refuses values outside of their range. A line that is cut is lost whole."
    return text + _extractor(spec)


def _extractor(spec: DirectionSpec) -> str:
    """What generated extractors refuse of that which is a message; or why there is none."""
    try:
        if spec.family == "json":
            lines = list(refusals(make_plan(spec, lists=True)))
        else:
            lines = list(refusals(make_words_plan(spec, wanted_names(spec, ALL)).plan))
    except TargetError as error:
        if spec.family != "json":
            return ""
        return f"\n\nNo extractor can be generated for this direction: {error}"
    if not lines:
        return ""
    return "\n\nGenerated extractors, beyond that:\n\n" + "\n".join(f"- {line}" for line in lines)
