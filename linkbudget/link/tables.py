"""The tables of the link file that become objects of other rooms: line, messages, formats; and the whole.

Each mirrors its table key by key, for the reader and the schema; `linkbudget.link.file` makes the objects.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar

from linkbudget.check.algorithms import ALGORITHMS
from linkbudget.check.catalogue import ALIASES
from linkbudget.check.sums import SUMS
from linkbudget.frame.delimiting.counted import LENGTH_COUNTS
from linkbudget.frame.delimiting.table import DELIMITINGS
from linkbudget.frame.settings import MAX_PAYLOAD
from linkbudget.link.ends import Receiver, Sender, Transmit
from linkbudget.link.joints import Joint, Markers
from linkbudget.link.keys import Key, Section
from linkbudget.link.loop import Busy, Loop, Parser, Reading
from linkbudget.message.encodings import ENCODINGS
from linkbudget.units import Number

__all__ = ["DIRECTIONS", "CheckKeys", "FormatKeys", "FrameKeys", "LineKeys", "LinkKeys", "MessageKeys"]

DIRECTIONS = ("to-controller", "to-module")
CHECKS = (*ALGORITHMS, *ALIASES, *SUMS, "none")
ORDERS = ("big", "little")


@dataclass(frozen=True)
class LineKeys(Section):
    """``[line]``."""

    SECTION: ClassVar[str] = "line"
    baudrate: Annotated[Number, Key("Bits per second.", above=0)]
    format: Annotated[
        str,
        Key(
            "Data bits 5 to 9, parity N E O M S, stop bits 1, 1.5 or 2.",
            pattern=r"^[5-9][NEOMSneoms](1|1\.5|2)$",
            example="8N1",
        ),
    ] = "8N1"
    shared: Annotated[bool, Key("Whether one pair carries both directions.")] = False
    turnaround_us: Annotated[
        Number, Key("Silence on a shared pair when the direction changes.", minimum=0)
    ] = 0
    bit_error_rate: Annotated[
        Number, Key("Share of bits that arrive flipped, at random.", minimum=0, maximum=0.5)
    ] = 0


@dataclass(frozen=True)
class CheckKeys(Section):
    """A CRC of one's own, with the field names of the catalogue of parametrised CRC algorithms."""

    SECTION: ClassVar[str] = "crc"
    name: Annotated[str, Key("Name, for people.")]
    width: Annotated[int, Key("Bits.", minimum=1, maximum=64)]
    poly: Annotated[int, Key("Polynomial in normal notation, without its top bit.", minimum=1)]
    init: Annotated[int, Key("Start value of the register.", minimum=0)] = 0
    refin: Annotated[bool, Key("Whether each byte goes in least significant bit first.")] = False
    refout: Annotated[bool, Key("Whether the register comes out reflected.")] = False
    xorout: Annotated[int, Key("What the result is combined with by exclusive or.", minimum=0)] = 0
    check: Annotated[int | None, Key("The CRC of the ASCII digits 1 to 9.", minimum=0)] = None
    residue: Annotated[int | None, Key("The register after message and CRC.", minimum=0)] = None


@dataclass(frozen=True)
class FormatKeys(Section):
    """One frame format. A key that is None was not given."""

    SECTION: ClassVar[str] = "frame"
    delimiting: Annotated[
        str | None, Key("How frames are told apart on the wire.", choices=tuple(DELIMITINGS))
    ] = None
    crc: Annotated[
        str | CheckKeys | None, Key("Check code: a name, or a CRC of one's own.", suggest=CHECKS)
    ] = None
    max_payload: Annotated[
        int | None, Key("Bytes of the longest payload.", minimum=1, maximum=MAX_PAYLOAD)
    ] = None
    crc_order: Annotated[str | None, Key("Byte order of the check on the wire.", choices=ORDERS)] = None
    check_form: Annotated[
        str | None, Key("Whether the check is written as bytes or as hex digits.", choices=("binary", "hex"))
    ] = None
    sync: Annotated[
        str | None,
        Key(
            "counted: bytes in front of the length, as hex digits.",
            pattern=r"^([0-9A-Fa-f]{2} ?){0,8}$",
            example="A5 5A",
        ),
    ] = None
    length_bytes: Annotated[int | None, Key("counted: bytes of the length.", minimum=1, maximum=4)] = None
    length_order: Annotated[str | None, Key("counted: byte order of the length.", choices=ORDERS)] = None
    length_counts: Annotated[
        str | None, Key("counted: what the length counts.", choices=tuple(LENGTH_COUNTS))
    ] = None
    header_check: Annotated[
        str | CheckKeys | None, Key("counted: check over the length.", suggest=CHECKS)
    ] = None
    async_map: Annotated[
        int | None,
        Key("hdlc: bit k set to escape octet k below 20 hex.", minimum=0, maximum=0xFFFFFFFF),
    ] = None
    terminator: Annotated[
        str | None,
        Key(
            "newline: one ASCII character, or two different ones.",
            pattern=r"^[\u0000-\u007f]{1,2}$",
            example="\\r\\n",
        ),
    ] = None
    sequence: Annotated[bool | None, Key("Whether a byte counts the frames.")] = None
    layout_id: Annotated[int | None, Key("A byte on which both ends must agree.", minimum=0, maximum=255)] = (
        None
    )
    leading_delimiter: Annotated[
        bool | None, Key("cobs, slip, hdlc: whether a delimiter stands in front of each frame, too.")
    ] = None


@dataclass(frozen=True)
class FrameKeys(FormatKeys):
    """``[frame]``: the format of both directions, and what one of them has different."""

    to_controller: Annotated[
        FormatKeys | None,
        Key("What frames to the controller have different.", name="to-controller"),
    ] = None
    to_module: Annotated[
        FormatKeys | None, Key("What frames to the module have different.", name="to-module")
    ] = None


@dataclass(frozen=True)
class MessageKeys(Section):
    """One ``[[message]]``."""

    SECTION: ClassVar[str] = "message"
    name: Annotated[str, Key("Name of the message; no two of a link share one.", pattern=r"^.+$")]
    fields: Annotated[tuple[Mapping[str, Any], ...], Key("The fields, in the order they are written.")]
    direction: Annotated[str, Key("Where it goes.", choices=DIRECTIONS)] = "to-controller"
    encoding: Annotated[
        str | Mapping[str, Any],
        Key("How its values are written: a name, or a table of name and options.", choices=tuple(ENCODINGS)),
    ] = "packed-bits"
    id: Annotated[
        int | None,
        Key(
            "Binary: first byte of the payload; needed when a direction has several.", minimum=0, maximum=255
        ),
    ] = None
    key: Annotated[
        str | None,
        Key("Text: key or first word that tells the messages of a direction apart.", pattern=r"^.+$"),
    ] = None
    rate_hz: Annotated[Number | None, Key("How often it is sent.", above=0)] = None
    on_request: Annotated[str | None, Key("Name of the message it answers, in place of a rate.")] = None
    use: Annotated[
        str,
        Key(
            "newest: only the newest counts (state); every: all count, in order (events).",
            choices=("newest", "every"),
        ),
    ] = "newest"
    act_by_us: Annotated[
        Number | None, Key("Age at use beyond which the message was used too late.", above=0)
    ] = None


@dataclass(frozen=True)
class LinkKeys(Section):
    """The whole link file."""

    line: Annotated[LineKeys, Key("The serial line.")]
    message: Annotated[tuple[MessageKeys, ...], Key("The messages, one or more.")]
    frame: Annotated[FrameKeys | None, Key("The frame format.")] = None
    sender: Annotated[Sender | None, Key("How the module sends.")] = None
    receiver: Annotated[Receiver | None, Key("The controller's UART and driver.")] = None
    loop: Annotated[Loop | None, Key("The control loop.")] = None
    reading: Annotated[Reading | None, Key("The reading step of a pass.")] = None
    parser: Annotated[Parser | None, Key("What parsing costs the controller.")] = None
    transmit: Annotated[Transmit | None, Key("What sending costs the controller.")] = None
    busy: Annotated[tuple[Busy, ...], Key("Windows in which something else holds the controller.")] = ()
    joint: Annotated[tuple[Joint, ...], Key("Joints that follow a field.")] = ()
    markers: Annotated[Markers | None, Key("A channel of the capture that the controller toggles.")] = None
    require: Annotated[
        Mapping[str, Number] | None, Key("What the link must keep: upper limits by name.", minimum=0)
    ] = None
