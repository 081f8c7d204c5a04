"""One direction of a link: its frame format and its messages; bytes to messages and back."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from linkbudget.errors import Fault, FrameError, SettingsError, nearest_name
from linkbudget.frame.format import FrameFormat
from linkbudget.message.primitives import (
    Bytes,
    Float,
    NamedState,
    Primitive,
    RangedInteger,
    Stepped,
    Truth,
)
from linkbudget.message.telling import FAMILIES, CodecMessage, Telling
from linkbudget.units import SizeRange

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from linkbudget.frame.bulk import FrameTable

__all__ = ["Codec", "CodecMessage", "decode_messages"]


@dataclass(frozen=True)
class Codec:
    """One direction of a link.

    ``messages``: `CodecMessage`s, or pairs of layout and encoding. Raises `SettingsError` with every fault:
    one name twice, messages that cannot be told apart, an encoding that writes bytes which the delimiting
    cannot carry, a layout that the encoding cannot write, a message that is always longer than
    ``max_payload``. (One that is so only sometimes is refused when it is encoded; compare `payload_size`.)
    """

    fmt: FrameFormat
    messages: tuple[CodecMessage, ...]

    def __post_init__(self) -> None:
        given = self.messages
        object.__setattr__(
            self, "messages", tuple(m if isinstance(m, CodecMessage) else CodecMessage(*m) for m in given)
        )
        faults = list(self._faults())
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
            smallest = message.encoding.size(message.layout).minimum
        except SettingsError as error:
            for fault in error.faults:
                where = f"{message.name}.{fault.path}".rstrip(".")
                yield Fault(where, fault.value, fault.allowed, fault.nearest, problem=fault.problem)
            return
        if smallest > self.fmt.max_payload:
            problem = f"at least {smallest} bytes, but max_payload is {self.fmt.max_payload}"
            yield Fault(message.name, smallest, f"a max_payload of {smallest} or more", problem=problem)

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
        raise SettingsError(Fault("message", name, ", ".join(names), nearest_name(str(name), names)))

    def encode_payload(self, name: str, value: Mapping[str, object]) -> bytes:
        """Return the payload of a message: id or key, and the encoded value."""
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
        """Return the bytes of the payload of a message, id or key included."""
        message = self.message(name)
        size = message.encoding.size(message.layout)
        return SizeRange(*(self._payload_bytes(message, which) for which in size.to_dict()))

    def _payload_bytes(self, message: CodecMessage, which: str) -> int:
        value = message.encoding.attain(message.layout, which)
        return len(self.telling.payload(message, message.encoding.encode(message.layout, value)))

    def attain(self, name: str, which: str) -> dict[str, object]:
        """Return a value of the message whose payload has the minimum, typical or maximum size."""
        message = self.message(name)
        return message.encoding.attain(message.layout, which)

    def size(self, name: str) -> SizeRange:
        """Return the bytes of a message's frames on the wire, delimiter included.

        Minimum and maximum are those of the frame format for payloads of the smallest and the largest size
        (at most ``max_payload``); they are attained where the delimiting adds the same to every payload of
        one length. Typical is the frame of the typical value.
        """
        limit = self.fmt.max_payload
        payload = self.payload_size(name)
        low = self.fmt.size(payload.minimum).minimum
        high = self.fmt.size(min(payload.maximum, limit)).maximum
        if payload.typical > limit:
            return SizeRange(low, high, high)
        return SizeRange(low, len(self.encode(name, self.attain(name, "typical"))), high)


def decode_messages(frames: FrameTable, codec: Codec, name: str) -> NDArray[np.void]:
    """Return the values of one message in a table of frames as a structured array, a row for each, in order.

    Columns are the fields. Integers and counters take the smallest integer type that holds their range
    (beyond 64 bits: objects), scaled and real fields floats, flags booleans, choices and labels texts; blobs,
    repeats and optional fields are objects (bytes, lists, None where absent). Frames of other messages and
    those that are not accepted are left out. The array is read-only.
    """
    import numpy as np

    message = codec.message(name)
    rows = []
    for payload in frames.payloads():
        try:
            found, value = codec.decode_payload(payload)
        except FrameError:
            continue
        if found == name:
            rows.append(tuple(value.get(member.name) for member in message.layout.primitives))
    columns = [(member.name, _column(member.primitive)) for member in message.layout.primitives]
    table = np.array(rows, dtype=np.dtype(columns))
    table.setflags(write=False)
    return table


def _column(primitive: Primitive) -> str:
    if isinstance(primitive, NamedState):
        return f"U{max(len(option) for option in primitive.options)}"
    if isinstance(primitive, Truth):
        return "?"
    if isinstance(primitive, Stepped):
        return "f8"
    if isinstance(primitive, Float):
        return f"f{primitive.bits // 8}"
    if isinstance(primitive, Bytes) and primitive.text:
        return f"U{max(primitive.maximum, 1)}"
    if isinstance(primitive, RangedInteger) and primitive.number_bits <= 64:
        size = next(size for size in (1, 2, 4, 8) if primitive.number_bits <= 8 * size)
        return f"{'i' if primitive.signed else 'u'}{size}"
    return "O"
