"""The whole link: the line, every message in both directions, both ends, the loop and the requirements."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from os import PathLike
from typing import TYPE_CHECKING, Any

from linkbudget.link.ends import Errored, Receiver, Sender, Transmit
from linkbudget.link.joints import Joint, Markers, Track
from linkbudget.link.loop import Busy, Loop, Parser, Reading
from linkbudget.link.resolve import Resolved, resolve
from linkbudget.units import Number

if TYPE_CHECKING:
    from linkbudget.codec import Codec
    from linkbudget.frame.format import FrameFormat
    from linkbudget.message.layout import MessageLayout
    from linkbudget.wire.uart import UartLine

__all__ = [
    "DIRECTIONS",
    "Busy",
    "Errored",
    "Joint",
    "Link",
    "Loop",
    "Markers",
    "Message",
    "Parser",
    "Reading",
    "Receiver",
    "Resolved",
    "Sender",
    "Track",
    "Transmit",
]

DIRECTIONS = ("to-controller", "to-module")


@dataclass(frozen=True)
class Message:
    """One message of a link: its layout, and how it travels and is used.

    ``rate_hz`` is how often it is sent; ``on_request`` names the message it answers instead. ``use`` is
    ``newest`` for state and ``every`` for events; ``act_by_us`` is the age at use beyond which it is late.
    """

    layout: MessageLayout
    direction: str = "to-controller"
    encoding: str = "packed-bits"
    rate_hz: Number | None = None
    on_request: str | None = None
    use: str = "newest"
    act_by_us: Number | None = None

    @property
    def name(self) -> str:
        """Return the name of the layout."""
        return self.layout.name


def _default_frames() -> Mapping[str, FrameFormat]:
    from linkbudget.frame.format import FrameFormat

    return {direction: FrameFormat() for direction in DIRECTIONS}


@dataclass(frozen=True)
class Link:
    """The description of a link, as its file holds it; checked as a whole when it is built.

    ``frames`` maps each direction to its frame format. ``shared`` says that both directions use one pair,
    with ``turnaround_us`` between them. ``require`` maps a requirement to its upper limit.
    """

    line: UartLine
    messages: tuple[Message, ...]
    frames: Mapping[str, FrameFormat] = field(default_factory=_default_frames)
    sender: Sender = field(default_factory=Sender)
    receiver: Receiver = field(default_factory=Receiver)
    loop: Loop = field(default_factory=Loop)
    reading: Reading = field(default_factory=Reading)
    parser: Parser = field(default_factory=Parser)
    transmit: Transmit = field(default_factory=Transmit)
    busy: tuple[Busy, ...] = ()
    joints: tuple[Joint, ...] = ()
    markers: Markers | None = None
    require: Mapping[str, Number] = field(default_factory=dict)
    shared: bool = False
    turnaround_us: Number = 0
    bit_error_rate: Number = 0
    path: str | None = field(default=None, compare=False)

    @classmethod
    def load(cls, path: str | PathLike[str]) -> Link:
        """Return the link described by a TOML file; `SettingsError` carries every fault in it."""
        from linkbudget.link.file import load_link

        return load_link(path)

    @classmethod
    def from_dict(cls, document: Mapping[str, Any]) -> Link:
        """Return the link described by a dict of the shape of the link file."""
        from linkbudget.link.file import link_from_dict

        return link_from_dict(document)

    def messages_of(self, direction: str) -> tuple[Message, ...]:
        """Return the messages of one direction, in the order of the file."""
        return tuple(message for message in self.messages if message.direction == direction)

    def codec(self, direction: str = "to-controller") -> Codec:
        """Return the codec of one direction: its frame format and its messages."""
        from linkbudget.codec import Codec, CodecMessage

        messages = [CodecMessage(message.layout, message.encoding) for message in self.messages_of(direction)]
        return Codec(self.frames[direction], messages)

    def resolve(self) -> Resolved:
        """Return what the receiver model needs: presets applied, times in whole nanoseconds."""
        return resolve(self)
