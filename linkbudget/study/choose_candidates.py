"""The closed list of candidates: every encoding × every delimiting × no check or one of three widths.

- Encodings: all of the library; packed-bits a second time with its ranges joined to one number, where that
  saves bytes; all of them once more in coarser steps, where ``[require]`` allows those and that saves bytes.
- Delimitings: cobs, slip, hdlc, newline, and counted with one sync byte (A5) and a length of as many bytes
  as it needs. A check in a line of text is written in hex digits.
- Checks: none, CRC-8/AUTOSAR, CRC-16/IBM-3740, CRC-32/ISO-HDLC; in hdlc CRC-16/IBM-SDLC instead, the frame
  check of RFC 1662 (appendix C). All start from ones: with a check that starts at zero and has no final xor,
  frames that run together pass.

Each direction keeps what its present frames have besides (sequence byte, layout byte). A candidate that
cannot carry the messages is left out, and the reason is kept: on a line of fewer than 8 data bits all but
lines of text.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

from linkbudget.codec import Codec, CodecMessage
from linkbudget.errors import SettingsError, quiet
from linkbudget.frame.format import FrameFormat
from linkbudget.frame.settings import MAX_PAYLOAD
from linkbudget.link.model import Link, Message
from linkbudget.message.encodings import ENCODINGS, Encoding, encoding
from linkbudget.message.encodings.packed_bits import PackedBits
from linkbudget.message.layout import MessageLayout
from linkbudget.study.choose_layouts import coarser_layout, told_apart
from linkbudget.units import SizeRange

__all__ = ["CHECKS", "DELIMITINGS", "Format", "LeftOut", "candidates", "present_format"]

DELIMITINGS = ("cobs", "slip", "hdlc", "newline", "counted")
CHECKS = (None, "CRC-8/AUTOSAR", "CRC-16/IBM-3740", "CRC-32/ISO-HDLC")
CHECKS_OF = {"hdlc": (None, "CRC-8/AUTOSAR", "CRC-16/IBM-SDLC", "CRC-32/ISO-HDLC")}
SYNC = b"\xa5"


@dataclass(frozen=True)
class Writing:
    """One way to write messages: an encoding, and steps as described or coarser."""

    encoding: Encoding
    coarser: bool = False

    @property
    def joined(self) -> bool:
        """Whether ranges share one number."""
        return isinstance(self.encoding, PackedBits) and bool(self.encoding.join)

    @property
    def name(self) -> str:
        """The encoding in words."""
        added = ["joined"] * self.joined + ["coarser steps"] * self.coarser
        return f"{self.encoding.name} ({', '.join(added)})" if added else self.encoding.name


@dataclass(frozen=True)
class Format:
    """One candidate: how the messages of a direction are written, framed and checked.

    ``link`` is the link with this format. ``present`` is the format the link has already.
    """

    writing: str
    codec: Codec
    link: Link
    present: bool = False
    joined: bool = False
    coarser: bool = False

    @property
    def fmt(self) -> FrameFormat:
        """The frame format."""
        return self.codec.fmt

    @property
    def check(self) -> str:
        """The name of the check, ``none`` without one."""
        return self.fmt.check.name if self.fmt.check is not None else "none"

    @property
    def name(self) -> str:
        """The candidate in words: ``packed-bits (joined) in cobs with CRC-16/IBM-3740``."""
        check = "without a check" if self.fmt.check is None else f"with {self.check}"
        return f"{self.writing} in {self.fmt.delimiting} {check}"


@dataclass(frozen=True)
class LeftOut:
    """What is no candidate, and why."""

    name: str
    reason: str

    def to_dict(self) -> dict[str, str]:
        """Return ``{"name", "reason"}``."""
        return dict(vars(self))


def present_format(link: Link, direction: str) -> Format:
    """Return the format that a direction of the link has."""
    codec = link.codec(direction)
    names = dict.fromkeys(Writing(message.encoding).name for message in codec.messages)
    return Format(" and ".join(names), codec, link, present=True)


def candidates(link: Link, direction: str) -> tuple[list[Format], list[LeftOut]]:
    """Return every candidate but the present format, and what is left out for which reason."""
    layouts = [message.layout for message in link.messages_of(direction)]
    coarser = [coarser_layout(layout, link.require) for layout in layouts]
    formats: list[Format] = []
    left_out: list[LeftOut] = []
    sizes: dict[str, Sequence[SizeRange]] = {}
    present = present_format(link, direction)
    for writing in _writings(coarser != layouts):
        try:
            messages = _messages(writing, coarser if writing.coarser else layouts)
            sizes[writing.name] = [message.encoding.size(message.layout) for message in messages]
        except SettingsError as error:
            left_out.append(LeftOut(writing.name, str(error.faults[0])))
            continue
        plain = next((name for name in _plainer(writing) if sizes.get(name) == sizes[writing.name]), None)
        if plain is not None:
            left_out.append(LeftOut(writing.name, f"saves no byte against {plain}"))
            continue
        for found in _framed(link, direction, writing, messages):
            if isinstance(found, LeftOut):
                left_out.append(found)
            elif not _same_settings(found, present):
                formats.append(found)
    return formats, left_out


def _writings(coarser: bool) -> Iterator[Writing]:
    for steps in (False, True) if coarser else (False,):
        for name in ENCODINGS:
            yield Writing(encoding(name), steps)
            if name == PackedBits.name:
                yield Writing(encoding(name, join="all"), steps)


def _plainer(writing: Writing) -> Iterator[str]:
    """Yield the ways to write that are simpler: without joining, without coarser steps."""
    if writing.joined:
        yield Writing(PackedBits(), writing.coarser).name
    if writing.coarser:
        yield Writing(writing.encoding).name


def _messages(writing: Writing, layouts: Sequence[MessageLayout]) -> tuple[CodecMessage, ...]:
    """Return the messages, told apart as they are where that is possible, else by new ids or keys."""
    pairs = [(layout, writing.encoding) for layout in layouts]
    wide = FrameFormat("counted", None, MAX_PAYLOAD, length_bytes=4)
    try:
        return Codec(wide, tuple(CodecMessage(*pair) for pair in pairs)).messages
    except SettingsError:
        return Codec(wide, told_apart(pairs)).messages


def _framed(
    link: Link, direction: str, writing: Writing, messages: tuple[CodecMessage, ...]
) -> Iterator[Format | LeftOut]:
    wide = Codec(FrameFormat("counted", None, MAX_PAYLOAD, length_bytes=4), messages)
    largest = max(wide.payload_size(message.name).maximum for message in messages)
    shortest = min(wide.payload_size(message.name).minimum for message in messages)
    bits = link.line.bytesize
    for delimiting in DELIMITINGS:
        if bits < 8 and (writing.encoding.family == "binary" or delimiting != "newline"):
            reason = f"needs bytes of 8 bits, and a character of the line has {bits}"
            yield LeftOut(f"{writing.name} in {delimiting}", reason)
            continue
        for check in CHECKS_OF.get(delimiting, CHECKS):
            try:
                fmt = _frame_format(link.frames[direction], delimiting, check, max(largest, 1))
                if shortest < fmt.min_payload:
                    reason = "a message without a byte, and no check, leaves no frame that can be seen"
                    yield LeftOut(f"{writing.name} in {delimiting} without a check", reason)
                    continue
                codec = Codec(fmt, messages)
            except SettingsError as error:
                # Every check would meet the same reason.
                yield LeftOut(f"{writing.name} in {delimiting}", str(error.faults[0]))
                break
            yield Format(
                writing.name,
                codec,
                _with_format(link, direction, codec),
                joined=writing.joined,
                coarser=writing.coarser,
            )


def _frame_format(present: FrameFormat, delimiting: str, check: str | None, largest: int) -> FrameFormat:
    own: dict[str, Any] = {}
    if delimiting == "counted":
        # A length counts sequence and layout bytes, too.
        own = {"sync": SYNC, "length_bytes": ((largest + 2).bit_length() + 7) // 8}
    if delimiting == "newline" and check is not None:
        own = {"check_form": "hex"}
    with quiet():  # A check that lets frames run together is ranked by what it lets pass.
        return FrameFormat(
            delimiting, check, largest, sequence=present.sequence, layout_id=present.layout_id, **own
        )


def _with_format(link: Link, direction: str, codec: Codec) -> Link:
    """Return the link with another format in one direction."""
    by_name = {message.name: message for message in codec.messages}
    messages = tuple(
        _written(message, by_name[message.name]) if message.direction == direction else message
        for message in link.messages
    )
    return replace(link, messages=messages, frames={**link.frames, direction: codec.fmt})


def _written(message: Message, as_written: CodecMessage) -> Message:
    used = as_written.encoding
    table = {"name": used.name, **used.options} if used.options else used.name
    return replace(message, layout=as_written.layout, encoding=table)


def _same_settings(one: Format, present: Format) -> bool:
    """Return whether a candidate is the present format but for the limit of its payloads."""
    mine, theirs = ({**fmt.to_dict(), "max_payload": None} for fmt in (one.fmt, present.fmt))
    return one.codec.messages == present.codec.messages and mine == theirs
