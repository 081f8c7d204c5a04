"""A frame format: how frames are delimited, how they are checked, and how long they may be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any, Literal

from linkbudget.check.algorithms import ALGORITHMS, CrcAlgorithm, check_code
from linkbudget.check.code import Check, buffer_bytes
from linkbudget.check.sums import SimpleSum
from linkbudget.errors import Fault, FrameError, SettingsError, warn
from linkbudget.frame.delimiting.protocol import Delimiting, Options
from linkbudget.frame.delimiting.table import DELIMITINGS
from linkbudget.frame.envelope import Envelope
from linkbudget.frame.events import Reason
from linkbudget.frame.extremes import frame_size, is_exact, largest, smallest
from linkbudget.frame.joined import joined_frames_pass
from linkbudget.frame.settings import catalogue_name, format_faults, sync_bytes, table_of
from linkbudget.units import SizeRange

__all__ = ["RUNS_TOGETHER", "FrameFormat"]

RUNS_TOGETHER = (
    "frames that run together because a delimiter was lost pass {}: take a check that starts elsewhere"
)


@dataclass(frozen=True)
class FrameFormat:
    r"""How payloads travel on the wire. Raises `SettingsError` with every fault.

    Frame = delimiting of ([sequence] [layout_id] payload [check]); the check covers what stands before it.

    ``delimiting``: ``cobs slip hdlc newline counted none``. ``crc``: a name of the CRC catalogue, a
    `CrcAlgorithm`, ``sum8 xor8 fletcher16``, or None for no check. ``max_payload``: bytes, 1 to 1048576.
    ``crc_order``: ``"big"`` or ``"little"`` instead of the order of the check. ``check_form``: ``"binary"``
    or ``"hex"`` (two upper case digits a byte; the only form that fits into newline). ``sequence``: one byte
    that counts the frames. ``layout_id``: one byte (0 to 255) both ends must agree on.

    For cobs, slip, hdlc: ``leading_delimiter`` puts one in front of each frame too, which ends line noise and
    boot text (default: hdlc only). For hdlc: ``async_map``, bit *k* set to escape octet *k* below 20 hex. For
    newline: ``terminator``, one character or two different ones. For counted: ``sync`` bytes (up to 8),
    ``length_bytes`` (1 to 4) in ``length_order``, ``length_counts`` ``"payload"``, ``"payload-and-check"`` or
    ``"frame"``, ``header_check`` over the length field.

    The default check starts at FFFF: with one that starts at 0 and has no final xor, frames that run together
    because a delimiter was lost pass the check. A `LinkBudgetWarning` says so (see `runs_together`).
    """

    delimiting: str = "cobs"
    crc: str | Check | None = "CRC-16/IBM-3740"
    max_payload: int = 64
    crc_order: str | None = None
    check_form: str = "binary"
    sync: bytes = b""
    length_bytes: int = 1
    length_counts: str = "payload"
    header_check: str | Check | None = None
    async_map: int = 0
    terminator: str = "\n"
    sequence: bool = False
    layout_id: int | None = None
    length_order: str = "big"
    leading_delimiter: bool | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "sync", sync_bytes(self.sync))
        faults = format_faults(self)
        if faults:
            raise SettingsError(faults)
        for name in ("crc", "header_check"):
            object.__setattr__(self, name, catalogue_name(getattr(self, name)))
        if self.runs_together:
            warn(RUNS_TOGETHER.format(self.check.name if self.check else None), stacklevel=4)

    def __getstate__(self) -> dict[str, object]:
        # What is cached is derived from the fields and holds functions that cannot be pickled.
        return {field.name: getattr(self, field.name) for field in fields(self)}

    @classmethod
    def from_dict(cls, table: Mapping[str, Any]) -> FrameFormat:
        """Return the format that a ``[frame]`` table describes; unknown keys are faults."""
        return cls(**table_of(cls, table))

    def to_dict(self) -> dict[str, object]:
        """Return delimiting, crc and max_payload, and what else differs from its default, in plain types."""
        table: dict[str, object] = {}
        for field in fields(self):
            value = getattr(self, field.name)
            if field.name in {"delimiting", "crc", "max_payload"} or value != field.default:
                table[field.name] = _plain(field.name, value)
        return table

    @cached_property
    def check(self) -> Check | None:
        """The check code, or None."""
        return check_code(self.crc)

    @cached_property
    def envelope(self) -> Envelope:
        """What is delimited: lead bytes, payload, check."""
        check = self.check
        order: Literal["big", "little"] = "big"
        if (self.crc_order or (check.byte_order if check is not None else "big")) == "little":
            order = "little"
        return Envelope(
            check, order, self.check_form == "hex", self.sequence, self.layout_id, self.max_payload
        )

    @cached_property
    def framing(self) -> Delimiting:
        """The delimiting, built with these settings."""
        return DELIMITINGS[self.delimiting].build(
            Options(
                min_body=self.overhead_bytes,
                max_body=self.overhead_bytes + self.max_payload,
                check_bytes=self.check_bytes,
                leading_delimiter=self.leading_delimiter,
                async_map=self.async_map,
                terminator=self.terminator.encode("latin-1"),
                sync=self.sync,
                length_bytes=self.length_bytes,
                length_order="little" if self.length_order == "little" else "big",
                length_counts=self.length_counts,
                header_check=check_code(self.header_check),
            )
        )

    @property
    def check_bytes(self) -> int:
        """Bytes of the check as written."""
        return self.envelope.check_bytes

    @property
    def overhead_bytes(self) -> int:
        """Bytes added to the payload before it is delimited: sequence, layout and check."""
        return self.envelope.lead_bytes + self.envelope.check_bytes

    @cached_property
    def runs_together(self) -> bool:
        """Whether frames that run together, because the delimiter between them was lost, pass the check.

        It is tried out on frames, so it holds for a check of one's own as well.
        """
        return joined_frames_pass(self)

    @property
    def delimiter(self) -> int | None:
        """The byte that ends a frame; None when a length tells."""
        return self.framing.delimiter

    @property
    def forbidden(self) -> bytes:
        """The byte values a payload must not hold; empty when any payload can be carried."""
        return self.framing.forbidden

    @property
    def min_payload(self) -> int:
        """Bytes of the shortest payload that a receiver can see: 1 where a frame could hold no byte at all.

        That is so for slip, hdlc and none without a check, a sequence or a layout byte: two delimiters in a
        row are no frame. Else 0. A `Codec` refuses messages that can be shorter.
        """
        return 0 if self.overhead_bytes or self.framing.shows_empty else 1

    @property
    def max_frame_bytes(self) -> int:
        """Bytes on the wire of the longest frame."""
        return frame_size(self, self.max_payload).maximum

    def encode(self, payload: bytes, sequence: int = 0) -> bytes:
        """Return the whole frame on the wire, delimiter included.

        ``sequence`` is used modulo 256 and only by formats that have it. Raises `SettingsError` when the
        payload is too long or holds a byte the delimiting cannot carry. One shorter than `min_payload` is
        written as the standards say, and dropped by every receiver.

        >>> FrameFormat().encode(b"123456789").hex()
        '0c31323334353637383929b100'
        """
        payload = buffer_bytes(payload)
        if len(payload) > self.max_payload:
            raise SettingsError(
                Fault("payload", f"{len(payload)} bytes", f"at most {self.max_payload} bytes")
            )
        for byte in self.forbidden:
            at = payload.find(byte)
            if at >= 0:
                problem = f"byte {byte:#04x} at {at} cannot be carried by {self.delimiting}"
                raise SettingsError(Fault("payload", problem=problem))
        return self.framing.encode(self.envelope.wrap(payload, sequence))

    def decode(self, frame: bytes) -> bytes:
        """Return the payload of one frame, with or without the delimiters at its ends.

        Raises `FrameError` with the reason and the byte where it shows.
        """
        return self.decode_numbered(frame)[0]

    def decode_numbered(self, frame: bytes) -> tuple[bytes, int | None]:
        """Return payload and sequence number (None without one) of one frame; `FrameError` as in `decode`."""
        frame = buffer_bytes(frame)
        try:
            return self.envelope.open(self.framing.decode(frame))
        except FrameError as error:
            offset = len(frame) if error.reason == Reason.CHECK else error.offset
            raise FrameError(error.reason, offset, f"{error.reason}: {error}") from None

    def size(self, payload_bytes: int) -> SizeRange:
        """Return the bytes on the wire, delimiter included, for payloads of exactly this length.

        Minimum and maximum are attained (see `attain`) if `size_is_exact`; else a `LinkBudgetWarning` says
        that no frame passes them and that is all. Typical is the mean over random bytes, rounded. Raises
        `SettingsError` for a length that is not 0 to ``max_payload``.
        """
        found = self._size(payload_bytes)
        if not is_exact(self, payload_bytes):
            warn(f"frame sizes of {payload_bytes} bytes are bounds: whether one is attained is not proved")
        return found

    def _size(self, payload_bytes: int) -> SizeRange:
        if not 0 <= payload_bytes <= self.max_payload:
            raise SettingsError(Fault("payload_bytes", payload_bytes, f"0 to {self.max_payload}"))
        return frame_size(self, payload_bytes)

    def size_is_exact(self, payload_bytes: int) -> bool:
        """Return whether `size` is proved to be attained; otherwise it is at most a check's bytes off.

        It is for every check of at most 16 bits but in rare cases beyond 2000 bytes. A longer check may leave
        it open where an ``async_map`` escapes more than two values, or where only few payloads exist. Raises
        `SettingsError` for a length that is not 0 to ``max_payload``.
        """
        self._size(payload_bytes)
        return is_exact(self, payload_bytes)

    def attain(self, payload_bytes: int, which: str) -> tuple[bytes, int]:
        """Return a payload of this length and a sequence number with the smallest or largest frame.

        ``which`` is ``"minimum"`` or ``"maximum"``, and ``payload_bytes`` 0 to ``max_payload``, else
        `SettingsError`. Where the size is not exact: of the frames found.
        """
        self._size(payload_bytes)
        find = {"minimum": smallest, "maximum": largest}.get(which)
        if find is None:
            raise SettingsError(Fault("which", which, "minimum, maximum"))
        found = find(self, payload_bytes)
        return found.payload, found.sequence


def _plain(name: str, value: object) -> object:
    """A setting as a file can hold it; a check of one's own becomes a table."""
    if isinstance(value, bytes):
        return value.hex(" ")
    if name in {"crc", "header_check"} and value is None:
        return "none"
    if isinstance(value, CrcAlgorithm):
        table = {field.name: getattr(value, field.name) for field in fields(value)}
        return (
            value.name
            if ALGORITHMS.get(value.name) == value
            else {k: v for k, v in table.items() if v is not None}
        )
    return value.name if isinstance(value, SimpleSum) else value
