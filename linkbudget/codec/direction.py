"""One direction of a link: its frame format and its messages; bytes to messages and back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from copy import deepcopy
from dataclasses import dataclass
from functools import cached_property, partial

from linkbudget.codec.sizes import Attained, attained
from linkbudget.errors import Fault, SettingsError, unknown_name
from linkbudget.frame.format import FrameFormat
from linkbudget.message.encodings.base import WHICH
from linkbudget.message.telling import FAMILIES, CodecMessage, Telling
from linkbudget.units import SizeRange

__all__ = ["Codec", "CodecMessage"]


@dataclass(frozen=True)
class Codec:
    """One direction of a link.

    ``fmt`` is its frame format; ``messages``: `CodecMessage`s, or pairs of layout and encoding. Raises
    `SettingsError` with every fault: one name twice, messages that cannot be told apart, an encoding that
    writes bytes which the delimiting cannot carry, a layout that the encoding cannot write, a message that is
    always longer than ``max_payload`` (one that is so only sometimes is refused when it is encoded; compare
    `payload_size`), a message that is sometimes shorter than the format's ``min_payload``.

    >>> from linkbudget import Counter, FrameFormat, MessageLayout, Scaled, encoding
    >>> layout = MessageLayout("beans", (Counter("tick", bits=16), Scaled("a", 0, 96, 0.4, unit="mm")))
    >>> codec = Codec(FrameFormat("cobs", "CRC-16/IBM-3740"), ((layout, encoding("packed-bits")),))
    >>> frame = codec.encode("beans", {"tick": 7, "a": 12.5})
    >>> frame.hex(" "), codec.decode(frame)
    ('01 05 07 1f b6 d5 00', ('beans', {'tick': 7, 'a': 12.4}))
    """

    fmt: FrameFormat
    messages: tuple[CodecMessage, ...]

    def __post_init__(self) -> None:
        given = self.messages
        object.__setattr__(
            self, "messages", tuple(m if isinstance(m, CodecMessage) else CodecMessage(*m) for m in given)
        )
        # Only messages that can be told apart have payloads whose length says something.
        faults = list(self._faults()) or list(self._length_faults())
        if faults:
            raise SettingsError(faults)

    def _faults(self) -> Iterator[Fault]:
        if not self.messages:
            yield Fault("messages", (), "one message or more", problem="there is no message")
            return
        names = [message.name for message in self.messages]
        for index, name in enumerate(names):
            if name in names[:index]:
                yield Fault(f"messages[{index}].name", name, "a name no other message of the direction has")
        families = sorted({message.encoding.family for message in self.messages})
        if len(families) > 1:
            problem = f"encodings of different kinds in one direction: {', '.join(families)}"
            yield Fault(
                "messages", families, "binary, JSON or delimited text, not a mixture", problem=problem
            )
        else:
            yield from FAMILIES[families[0]].faults(self.messages)
        for message in self.messages:
            yield from self._message_faults(message)

    def _message_faults(self, message: CodecMessage) -> Iterator[Fault]:
        forbidden = set(self.fmt.forbidden) & message.encoding.alphabet
        if forbidden:
            written = ", ".join(f"{byte:#04x}" for byte in sorted(forbidden))
            problem = f"{message.encoding.name} can write {written}, which {self.fmt.delimiting} cannot carry"
            yield Fault(f"{message.name}.encoding", message.encoding.name, "a text encoding", problem=problem)
        try:
            message.encoding.size(message.layout)
        except SettingsError as error:
            for fault in error.faults:
                where = f"{message.name}.{fault.path}".rstrip(".")
                yield Fault(where, fault.value, fault.allowed, fault.nearest, problem=fault.problem)

    def _length_faults(self) -> Iterator[Fault]:
        for message in self.messages:
            smallest = self.payload_size(message.name).minimum
            if smallest > self.fmt.max_payload:
                problem = f"at least {smallest} bytes, but max_payload is {self.fmt.max_payload}"
                yield Fault(message.name, smallest, f"a max_payload of {smallest} or more", problem=problem)
            if smallest < self.fmt.min_payload:
                problem = (
                    f"can be without a byte, and with delimiting {self.fmt.delimiting} no receiver sees that"
                )
                allowed = "a check, or a message with an id, a key or a field of at least one byte"
                yield Fault(message.name, 0, allowed, problem=problem)

    @cached_property
    def telling(self) -> Telling:
        """How the messages are told apart."""
        return FAMILIES[self.messages[0].encoding.family](self.messages)

    def message(self, name: str) -> CodecMessage:
        """Return the message of this name; `SettingsError` when there is none."""
        for message in self.messages:
            if message.name == name:
                return message
        names = [message.name for message in self.messages]
        raise SettingsError(unknown_name("message", name, names))

    def encode_payload(self, name: str, value: Mapping[str, object]) -> bytes:
        """Return the payload of a message: id or key, and the encoded value.

        Raises `SettingsError` for a message there is not and for a value out of range.
        """
        message = self.message(name)
        return self.telling.payload(message, message.encoding.encode(message.layout, value))

    def encode(self, name: str, value: Mapping[str, object], sequence: int = 0) -> bytes:
        """Return the whole frame of a message on the wire.

        Raises `SettingsError` for a value out of range and for a payload longer than ``max_payload``.
        """
        return self.fmt.encode(self.encode_payload(name, value), sequence)

    def decode_payload(self, payload: bytes) -> tuple[str, dict[str, object]]:
        """Return name and value of a payload; `FrameError` with reason and offset when it is no message."""
        message, value = self.telling.read(bytes(payload))
        return message.name, value

    def decode(self, frame: bytes) -> tuple[str, dict[str, object]]:
        """Return name and value of one frame; `FrameError` when frame or payload is not accepted."""
        return self.decode_payload(self.fmt.decode(frame))

    def payload_size(self, name: str) -> SizeRange:
        """Return the bytes of the payload of a message, id or key included, whatever the frame carries.

        The encoding's ``attain`` has a value for each. Raises `SettingsError` for a message there is not.
        """
        message = self.message(name)
        plans, key = message.layout.plans, (message.encoding, "payload size")
        if key not in plans:
            plans[key] = SizeRange(*(len(self._payload(message, which)) for which in WHICH))
        found: SizeRange = plans[key]
        return found

    def _payload(self, message: CodecMessage, which: str) -> bytes:
        value = message.encoding.attain(message.layout, which)
        return self.telling.payload(message, message.encoding.encode(message.layout, value))

    def size(self, name: str) -> SizeRange:
        """Return the bytes of a message's frames on the wire, delimiter included.

        Minimum and maximum are over all values whose payload fits ``max_payload`` (and all sequence numbers,
        where frames have one); typical is the frame of the typical value, or the largest if that does not
        fit. No frame is ever outside, and `attain` has a value for each, if `size_is_exact`. Raises
        `SettingsError` for a message there is not.
        """
        low, high = (self._extreme(name, which) for which in ("minimum", "maximum"))
        typical = self._extreme(name, "typical").size
        return SizeRange(low.bound, typical, high.bound)

    def size_is_exact(self, name: str, which: str | None = None) -> bool:
        """Return whether minimum and maximum of `size`, or the one that is named, are proved to be attained.

        They may be bounds that are a few bytes off where escaping (or COBS beyond 254 bytes) meets one of: a
        check of more than 16 bits and few values to choose from, real numbers as text or very many steps
        without enough other fields, and messages of thousands of bytes.
        """
        wanted = WHICH if which is None else (which,)
        return all(some.size == some.bound for some in map(partial(self._extreme, name), wanted))

    def attain(self, name: str, which: str) -> dict[str, object]:
        """Return a value whose frame has the minimum, typical or maximum `size`.

        Where frames have a sequence number it must be that of `attain_sequence`. Where the size is not exact,
        it is the smallest or largest frame found. Raises `SettingsError` for a message there is not and for
        another ``which``.
        """
        return deepcopy(dict(self._extreme(name, which).value))

    def attain_sequence(self, name: str, which: str) -> int:
        """Return the sequence number, 0 to 255, with which the value of `attain` has its size.

        Raises `SettingsError` as `attain` does.
        """
        return self._extreme(name, which).sequence

    def _extreme(self, name: str, which: str) -> Attained:
        message = self.message(name)
        if which not in WHICH:
            raise SettingsError(Fault("which", which, ", ".join(WHICH)))
        # It follows from message and format alone, and a study makes many codecs of the same messages.
        plans, key = message.layout.plans, (message.encoding, self.fmt, which)
        if key not in plans:
            plans[key] = attained(self, message, which)
        found: Attained = plans[key]
        return found
