"""The whole link: the line, every message in both directions, both ends, the loop and the requirements."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from os import PathLike
from typing import TYPE_CHECKING, Any

from linkbudget.errors import Fault, SettingsError, unknown_name
from linkbudget.frame.format import FrameFormat
from linkbudget.link.ends import Errored, Receiver, Sender, Transmit
from linkbudget.link.joints import Joint, Markers, Track
from linkbudget.link.keys import key_specs, plain, value_faults
from linkbudget.link.loop import Busy, Loop, Parser, Reading
from linkbudget.link.origins import numbers_from
from linkbudget.link.resolve import Resolved, resolve
from linkbudget.link.tables import DIRECTIONS, LineKeys, LinkKeys, MessageKeys
from linkbudget.link.writer import edited, link_table, link_toml, plain_table
from linkbudget.message.encodings import encoding
from linkbudget.units import Number

if TYPE_CHECKING:
    from linkbudget.codec import Codec
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

MESSAGE_SETTINGS = ("direction", "encoding", "rate_hz", "on_request", "use", "act_by_us")


@dataclass(frozen=True)
class Message:
    """One message of a link: its layout, and how it travels and is used.

    ``rate_hz`` is how often it is sent; ``on_request`` names the message it answers instead. ``use`` is
    ``newest`` for state and ``every`` for events; ``act_by_us`` is the age at use beyond which it is late.
    Raises `SettingsError` with every fault.
    """

    layout: MessageLayout
    direction: str = "to-controller"
    encoding: str | Mapping[str, Any] = "packed-bits"
    rate_hz: Number | None = None
    on_request: str | None = None
    use: str = "newest"
    act_by_us: Number | None = None

    def __post_init__(self) -> None:
        faults = []
        specs = key_specs(MessageKeys)
        for name in MESSAGE_SETTINGS:
            value = plain(getattr(self, name))
            object.__setattr__(self, name, value)
            if value is not None or specs[name].default is not None:
                faults += value_faults(specs[name], value, name)
        if not faults:
            faults += _encoding_faults(self.encoding)
        if faults:
            raise SettingsError(faults)

    @property
    def name(self) -> str:
        """Return the name of the layout."""
        return self.layout.name


def _encoding_faults(name: str | Mapping[str, Any]) -> list[Fault]:
    try:
        encoding(name)
    except SettingsError as error:
        return [replace(fault, path=f"encoding.{fault.path}") for fault in error.faults]
    return []


def _both_frames(frames: Mapping[str, FrameFormat]) -> dict[str, FrameFormat]:
    """Return a format for each direction; one that is not given takes the other's."""
    spare = next(iter(frames.values()), None) or FrameFormat()
    return {**dict.fromkeys(DIRECTIONS, spare), **frames}


@dataclass(frozen=True)
class Link:
    """The description of a link, as its file holds it; checked as a whole when it is built.

    ``line`` and ``messages`` are needed; ``sender``, ``receiver``, ``loop``, ``reading``, ``parser``,
    ``transmit``, ``busy`` windows, ``joints`` and ``markers`` are the sections of the file by these names
    (`linkbudget.link.ends`, `linkbudget.link.loop`, `linkbudget.link.joints`). ``frames`` maps each direction
    to its frame format; one that is left out has the other's. ``shared`` says that both directions use one
    pair, with ``turnaround_us`` between them. ``bit_error_rate`` is the probability that a bit is flipped on
    its way, 0 to 1. ``require`` maps a requirement to its upper limit. ``path`` is the file it was read from.
    Raises `SettingsError` with every fault.

    >>> link = Link.load("captures/bean-frames.toml")
    >>> [message.name for message in link.messages_of("to-controller")]
    ['beans']
    >>> link.replace(**{"line.baudrate": 9600}).line.character_time
    Fraction(1, 960)
    """

    line: UartLine
    messages: tuple[Message, ...]
    frames: Mapping[str, FrameFormat] = field(default_factory=dict)
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

    def __post_init__(self) -> None:
        from linkbudget.link.checks import link_faults

        for name, value in (
            ("messages", tuple(self.messages)),
            ("frames", _both_frames(self.frames)),
            ("busy", tuple(self.busy)),
            ("joints", tuple(self.joints)),
            ("require", plain(dict(self.require))),
        ):
            object.__setattr__(self, name, value)
        faults = self._setting_faults()
        faults += link_faults(self)
        if faults:
            raise SettingsError(faults)

    def _setting_faults(self) -> list[Fault]:
        faults = [
            Fault(f"frame.{name}", None, ", ".join(DIRECTIONS), problem="is no direction")
            for name in self.frames
            if name not in DIRECTIONS
        ]
        for name in ("shared", "turnaround_us", "bit_error_rate"):
            faults += value_faults(key_specs(LineKeys)[name], getattr(self, name), f"line.{name}")
        faults += value_faults(key_specs(LinkKeys)["require"], self.require, "require")
        return faults

    @classmethod
    def load(cls, path: str | PathLike[str]) -> Link:
        """Return the link described by a TOML file; `SettingsError` carries every fault in it."""
        from linkbudget.link.file import load_link

        return load_link(path)

    @classmethod
    def from_dict(cls, document: Mapping[str, Any]) -> Link:
        """Return the link described by a dict of the shape of the link file; `SettingsError` as `load`."""
        from linkbudget.link.file import link_from_dict

        return link_from_dict(document)

    def messages_of(self, direction: str) -> tuple[Message, ...]:
        """Return the messages of one direction, in the order of the file."""
        return tuple(message for message in self.messages if message.direction == direction)

    def codec(self, direction: str = "to-controller") -> Codec:
        """Return the codec of one direction: its frame format and its messages (one or more).

        Raises `SettingsError` for a direction without messages.

        >>> codec = Link.load("captures/bean-frames.toml").codec("to-controller")
        >>> codec.size("beans")
        SizeRange(minimum=12, typical=12, maximum=12)
        """
        from linkbudget.codec import Codec, CodecMessage

        if direction not in self.frames:
            raise SettingsError(unknown_name("direction", direction, DIRECTIONS))
        messages = [CodecMessage(message.layout, message.encoding) for message in self.messages_of(direction)]
        if not messages:
            others = ", ".join(f"{message.name} ({message.direction})" for message in self.messages)
            problem = f"no message goes {direction}; there is {others}"
            raise SettingsError(Fault("message", None, problem=problem, file=self.path))
        return Codec(self.frames[direction], tuple(messages))

    def resolve(self) -> Resolved:
        """Return what the receiver model needs: presets applied, times in whole nanoseconds.

        Raises `SettingsError` where something that the model needs is not said: a loop, its work, costs that
        have yet to be measured.
        """
        try:
            return resolve(self)
        except SettingsError as error:
            raise SettingsError([replace(fault, file=self.path) for fault in error.faults]) from None

    def to_dict(self) -> dict[str, Any]:
        """Return the tables of the link file, with what differs from the defaults; `from_dict` reads them.

        ``line``, ``message``, ``frame``, ``sender``, ``receiver``, ``loop``, ``reading``, ``parser``,
        ``transmit``, ``busy``, ``joint``, ``markers`` and ``require``.
        """
        table: dict[str, Any] = plain_table(link_table(self))
        return table

    def to_toml(self) -> str:
        """Return the text of a link file that describes this link."""
        return link_toml(self)

    def replace(self, **edits: Any) -> Link:
        """Return the link with keys of its file changed, as in ``replace(**{"loop.work_us": 100})``.

        A key path is that of a fault (``message[0].rate_hz``); a message or joint may be named instead
        (``message.beans.rate_hz``). None takes a key out of the file, so that its default holds again. Raises
        `SettingsError` for keys that there are not and for what becomes impossible.
        """
        from linkbudget.link.file import link_from_dict

        return link_from_dict(edited(link_table(self), edits), self.path)

    def numbers_from(self) -> dict[str, str]:
        """Return ``measured``, ``preset`` or ``assumed`` for the key path of every cost."""
        return numbers_from(self)
