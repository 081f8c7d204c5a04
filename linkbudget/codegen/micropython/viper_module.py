"""The text of a MicroPython module that allocates nothing once its receiver is made."""

from __future__ import annotations

import re

from linkbudget.check.algorithms import check_code
from linkbudget.codegen.banner import banner
from linkbudget.codegen.micropython.plain_module import values_text
from linkbudget.codegen.micropython.viper_body import checking_text, end_text, opening_text
from linkbudget.codegen.micropython.viper_checks import check_text
from linkbudget.codegen.micropython.viper_fast import fast_lines
from linkbudget.codegen.micropython.viper_layout import longest_octets, places_of, width_of_places
from linkbudget.codegen.micropython.viper_reading import ViperReader
from linkbudget.codegen.micropython.viper_writing import ViperWriter
from linkbudget.codegen.plain.expressible import refuse_taken
from linkbudget.codegen.plain.lines import Lines
from linkbudget.codegen.plain.pieces import piece
from linkbudget.codegen.spec import DirectionSpec, Many, Maybe, Record
from linkbudget.codegen.words import about
from linkbudget.errors import TargetError

__all__ = ["RUNTIME", "copied", "module_text", "places_text"]

RUNTIME = "linkbudget.codegen.micropython.runtime"
COUNTERS = (
    "RECEIVED",
    "CHECK",
    "TOO_LONG",
    "TOO_SHORT",
    "BAD_STUFFING",
    "TRUNCATED",
    "BAD_LENGTH",
    "HEADER_CHECK_FAILED",
    "NO_SYNC",
    "LAYOUT",
    "UNKNOWN",
    "REFUSED",
    "ACCEPTED",
    "LOST",
    "SUPERSEDED",
    "HIGH_WATER",
    "LONGEST_GAP",
)
BITS_AT = 3
COPY = re.compile(r"^( *)# copy\n.*?^ *# end\n", re.MULTILINE | re.DOTALL)
FAST = re.compile(r"^( *)# fast\n.*?^ *# end\n", re.MULTILINE | re.DOTALL)
ONE_BY_ONE = 12
"""Values that are copied one by one instead of in a loop: that takes a third of the time."""
FAULT = """\
@micropython.viper
def _fault(memory, fault: int) -> int:
    s = ptr32(memory)
    s[_COUNTS + fault] = s[_COUNTS + fault] + 1
    return 0 - fault
"""
STRETCH = ("cobs", "slip", "hdlc", "newline")
USAGE = """
Values are whole numbers in an array("i"), see the places below: a choice is the place of its word, a scaled
field a count of steps. Numbers wider than 30 bits and real numbers stand in pieces of 16 bits, lowest first.
Nothing is allocated after Receiver(), neither by feed, push and take nor by the encode functions. Times wrap
after 30 bits, counters after 32; to read a counter beyond 30 bits makes an object on small ports.
Lengths are not checked, which would cost time: n is at most len(data), capacity at most len(out), values has
PLACES places, octets OCTETS bytes. Beyond them the memory of others is read and written.

Usage:

    receiver = Receiver()                   # the newest of each kind; Receiver(False, 9): the last 9 of all
    values = array("i", [0] * PLACES)
    n = port.readinto(buffer)               # a bytearray made beforehand
    if n:
        receiver.feed(buffer, n, now)       # give a smaller n to bound the work of a pass
    kind = receiver.take(values, octets)    # 0: none; octets: bytearray(OCTETS), used by blobs and labels
    while kind:                             # one of each kind may wait
        ...
        kind = receiver.take(values, octets)
    receiver.age(now)                       # enter the safe state when it grows too large
    receiver.counters[CHECK]                # damage, by the names below"""


def module_text(spec: DirectionSpec) -> str:
    """Return the whole module of one direction; `TargetError` for delimited text."""
    if spec.family != "binary":
        reason = f"{spec.messages[0].name}.encoding: {spec.messages[0].encoding.name} is text"
        raise TargetError(f"{reason}; target micropython writes it with form=builtins, or as an extractor")
    fmt = spec.fmt
    stretch = fmt.delimiting in STRETCH
    body_at = _body_at(spec)
    payload_at = body_at + fmt.envelope.lead_bytes
    doc = ("\n".join(banner(spec, f"Messages {spec.direction}, without allocation.")) + "\n" + USAGE).replace(
        "\\", "\\\\"
    )
    doc = doc.replace('"""', "'''")
    core = copied(
        _without_done(piece("core", RUNTIME)), max([places_of(message)[1] for message in spec.messages] + [1])
    )
    fast = fast_lines(spec)
    receiver = FAST.sub(
        lambda found: "".join(f"{found[1]}{line}\n" for line in fast),
        piece("stretch" if stretch else "search", RUNTIME),
    )
    parts = [
        f'"""{doc}\n"""\n\nimport micropython\nfrom array import array\nfrom micropython import const',
        _constants(spec, body_at),
        places_text(spec),
        "",
        core,
        check_text(fmt.check, fmt.envelope.order == "big", fmt.check_form == "hex"),
        FAULT,
        *(ViperReader(message, payload_at).text() for message in spec.messages),
        *(ViperWriter(message, fmt.envelope.lead_bytes).text() for message in spec.messages),
        *_framing(spec),
        receiver,
        *_encoders(spec),
    ]
    parts[BITS_AT] = _bits(parts)
    refuse_taken(spec, parts[2], [*parts[:2], *parts[3:]], "micropython")
    return "\n\n\n".join(part.strip("\n") for part in parts if part) + "\n"


def copied(core: str, places: int) -> str:
    """Return the piece ``core`` with the values of a message copied one by one, where they are few."""
    if places > ONE_BY_ONE:
        return core
    lines = [
        "v = ptr32(int(s) + 4 * _VALUES_AT + slot * (4 * _STRIDE))",
        *(f"values[{place}] = v[{place}]" for place in range(places)),
    ]
    return COPY.sub(lambda found: "".join(f"{found[1]}{line}\n" for line in lines), core)


def _without_done(core: str) -> str:
    """Return the piece ``core`` without what publishes a message: here that is written where it is needed."""
    return "\n\n\n".join(part for part in core.split("\n\n\n") if "\ndef _done(" not in f"\n{part}")


def _bits(parts: list[str]) -> str:
    """Return those of the helpers for bits that are called: on a board each takes memory."""
    helpers = piece("bits", RUNTIME).split("\n\n\n")
    code = "\n".join(parts)
    return "\n\n\n".join(one for one in helpers if one.split("def ")[1].split("(")[0] + "(" in code)


def _body_at(spec: DirectionSpec) -> int:
    fmt = spec.fmt
    if fmt.delimiting != "counted":
        return 0
    header = check_code(fmt.header_check)
    return len(fmt.sync) + fmt.length_bytes + (header.check_bytes if header is not None else 0)


def _constants(spec: DirectionSpec, body_at: int) -> str:
    fmt = spec.fmt
    check = fmt.check_bytes
    longest = body_at + spec.max_body
    numbers: dict[str, int] = {
        "KINDS": len(spec.messages),
        "PLACES": max([places_of(message)[1] for message in spec.messages] + [1]),
        "OCTETS": max(longest_octets(message) for message in spec.messages),
        "MAX_PAYLOAD": fmt.max_payload,
        "MAX_FRAME": spec.max_frame,
        "LEAD_BYTES": fmt.envelope.lead_bytes,
        "CHECK_BYTES": check,
        "SEQUENCE": int(fmt.sequence),
        "LAYOUT_ID": -1 if fmt.layout_id is None else fmt.layout_id,
        "BODY_AT": body_at,
    }
    if fmt.delimiting in STRETCH:
        delimiter, longest, leading = fmt.framing.receiver(fmt.envelope.open).rule  # type: ignore[attr-defined]
        numbers |= {
            "DELIMITER": delimiter,
            "LONGEST_STRETCH": longest,
            "EMPTY_IS_FRAME": int(fmt.framing.shows_empty and fmt.delimiting == "newline"),
            "LEADING": int(leading),
        }
        longest = max(longest + 1, spec.max_body)
        if fmt.delimiting == "hdlc":
            numbers |= {"MAP_LOW": fmt.async_map & 0xFFFF, "MAP_HIGH": fmt.async_map >> 16}
        if fmt.delimiting == "newline":
            numbers["FIRST"] = ord(fmt.terminator[0]) if len(fmt.terminator) == 2 else -1
    else:
        numbers["SYNC_BYTES"] = len(fmt.sync)
    # Behind the bytes held there is room for a check, to be compared with the one received.
    numbers |= {"SPARE": longest, "HELD": longest + max(check, 8)}
    lines = [f"{name} = const({value})" for name, value in numbers.items()]
    lines += ["# Places of the counters."]
    for place, name in enumerate(COUNTERS):
        lines.append(f"{name} = const({place})")
    return "\n".join(lines)


def places_text(spec: DirectionSpec) -> str:
    """Return the constants of the places of all fields, and of the numbers of messages and words."""
    lines = []
    for message in spec.messages:
        name = message.ident.upper()
        lines.append(f"{name} = const({message.place + 1})  # what take and push return for {message.name!r}")
        for place in places_of(message)[0]:
            field = f"{name}_{place.name.upper()}"
            more = f", {place.count} places" if place.count > 1 else ""
            lines.append(f"{field} = const({place.first})  # {about(place.slot)}{more}")
            inner = place.slot
            while isinstance(inner, Many | Maybe):
                inner = inner.item
            if isinstance(inner, Record):
                offset = 0
                for part in inner.fields:
                    lines.append(f"# in each element at {offset}: {part.name}, {about(part)}")
                    offset += width_of_places(part)
        lines += values_text(message, name)
    return "\n".join(line.replace("\n", " ") for line in lines)


def _framing(spec: DirectionSpec) -> list[str]:
    fmt = spec.fmt
    if fmt.delimiting in STRETCH:
        called = [opening_text(spec)] if any("_open(" in line for line in fast_lines(spec)) else []
        return [*called, end_text(spec, piece(fmt.delimiting, RUNTIME))]
    header = check_code(fmt.header_check)
    parts = [checking_text(spec), opening_text(spec), _unfit(spec)]
    if header is not None:
        parts.append(check_text(header, header.byte_order == "big", False, "header_check_bytes"))
    return [*parts, _need_of(spec), _stuff_counted(spec)]


def _unfit(spec: DirectionSpec) -> str:
    sync = spec.fmt.sync
    out = Lines()
    out.add("@micropython.viper")
    with out.block("def unfit(memory, n: int) -> int:"):
        out.add('"""Return how many bytes stand before what could begin the sync bytes."""')
        if not sync:
            out.add("return 0")
            return out.text()
        out.add("b = ptr8(int(ptr8(memory)) + _RAW_AT)")
        out.add("at = 0")
        with out.block("while at < n:"):
            condition = " and ".join(
                f"(at + {k} >= n or b[at + {k}] == {byte})" for k, byte in enumerate(sync)
            )
            with out.block(f"if {condition}:"):
                out.add("return at")
            out.add("at += 1")
        out.add("return n")
    return out.text()


def _length_places(spec: DirectionSpec) -> list[int]:
    """Return where the bytes of the length stand, the lowest first."""
    fmt = spec.fmt
    places = [len(fmt.sync) + place for place in range(fmt.length_bytes)]
    return places if fmt.length_order == "little" else places[::-1]


def _added(spec: DirectionSpec, body_at: int) -> int:
    return {"payload": -spec.fmt.check_bytes, "payload-and-check": 0, "frame": body_at}[
        spec.fmt.length_counts
    ]


def _need_of(spec: DirectionSpec) -> str:
    fmt = spec.fmt
    out = Lines()
    out.add("@micropython.viper")
    with out.block("def need_of(memory, n: int) -> int:"):
        out.add('"""Return the bytes that settle what comes next, or minus what is wrong with the header."""')
        if fmt.delimiting == "none":
            out.add(f"return {spec.max_body}")
            return out.text()
        body_at = _body_at(spec)
        header = check_code(fmt.header_check)
        out.add("b = ptr8(int(ptr8(memory)) + _RAW_AT)")
        with out.block(f"if n < {body_at}:"):
            out.add(f"return {body_at}")
        if header is not None:
            out.add(
                f"header_check_bytes(memory, _RAW_AT + {len(fmt.sync)}, {fmt.length_bytes}, _RAW_AT + SPARE)"
            )
            for place in range(header.check_bytes):
                at = len(fmt.sync) + fmt.length_bytes + place
                with out.block(f"if b[{at}] != b[SPARE + {place}]:"):
                    out.add("return 0 - HEADER_CHECK_FAILED")
        places = _length_places(spec)
        if len(places) == 4:
            # More than any payload, and more than a small integer holds.
            with out.block(f"if b[{places[3]}]:"):
                out.add("return 0 - BAD_LENGTH")
            places = places[:3]
        total = " | ".join(f"b[{at}] << {8 * k}" if k else f"b[{at}]" for k, at in enumerate(places))
        added = _added(spec, body_at)
        out.add(f"size = ({total}) - {added}" if added >= 0 else f"size = ({total}) + {-added}")
        with out.block(f"if size < {fmt.overhead_bytes} or size > {spec.max_body}:"):
            out.add("return 0 - BAD_LENGTH")
        out.add(f"return {body_at} + size")
    return out.text()


def _stuff_counted(spec: DirectionSpec) -> str:
    fmt = spec.fmt
    body_at = _body_at(spec)
    out = Lines()
    out.add("@micropython.viper")
    with out.block("def stuff(body, n: int, out, capacity: int) -> int:"):
        out.add('"""Write the frame of n bytes; return its length, 0 when it does not fit."""')
        out.add("b = ptr8(body)")
        out.add("f = ptr8(out)")
        with out.block(f"if n + {body_at} > capacity:"):
            out.add("return 0")
        if fmt.delimiting == "counted":
            for k, byte in enumerate(fmt.sync):
                out.add(f"f[{k}] = {byte}")
            out.add(f"x = n + {_added(spec, body_at)}")
            for k, at in enumerate(_length_places(spec)):
                out.add(f"f[{at}] = x >> {8 * k} & 255" if k else f"f[{at}] = x & 255")
            if check_code(fmt.header_check) is not None:
                at = len(fmt.sync)
                out.add(f"header_check_bytes(out, {at}, {fmt.length_bytes}, {at + fmt.length_bytes})")
        elif fmt.delimiting == "none":
            with out.block(f"if n != {spec.max_body}:"):
                out.add("return 0")
        out.add("i = 0")
        with out.block("while i < n:"):
            out.add(f"f[{body_at} + i] = b[i]")
            out.add("i += 1")
        out.add(f"return n + {body_at}")
    return out.text()


def _encoders(spec: DirectionSpec) -> list[str]:
    fmt = spec.fmt
    longest = fmt.envelope.lead_bytes + max(m.size.maximum for m in spec.messages) + fmt.check_bytes
    texts = [f"BODY_BYTES = const({longest})\nbody = bytearray(BODY_BYTES)"]
    for message in spec.messages:
        out = Lines()
        out.add("@micropython.viper")
        head = f"def encode_{message.ident}(values, octets, out, capacity: int, sequence: int) -> int:"
        with out.block(head):
            out.add(f'"""Write the frame of the {message.ident} message; return its length.')
            out.add()
            out.add(
                "0 when a value is out of range, or the frame does not fit. Not for an interrupt handler."
            )
            out.add('"""')
            out.add("b = ptr8(body)")
            out.add("i = 0")
            with out.block("while i < BODY_BYTES:"):
                out.add("b[i] = 0")
                out.add("i += 1")
            out.add(f"n = int(write_{message.ident}(values, octets, body))")
            with out.block("if n < 0 or n > MAX_PAYLOAD:"):
                out.add("return 0")
            if fmt.sequence:
                out.add("b[0] = sequence & 255")
            if fmt.layout_id is not None:
                out.add(f"b[{fmt.envelope.lead_bytes - 1}] = {fmt.layout_id}")
            out.add("n += LEAD_BYTES")
            out.add("check_bytes(body, 0, n, n)")
            out.add("return int(stuff(body, n + CHECK_BYTES, out, capacity))")
        texts.append(out.text())
    return texts
