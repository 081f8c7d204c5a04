"""The extension point: what a delimiting and its receiver can do, and what each is built from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, Protocol

from linkbudget.check.code import Check
from linkbudget.frame.events import Event
from linkbudget.units import SizeRange

__all__ = ["Delimiting", "Kind", "OpenBody", "Options", "Receiver"]

OpenBody = Callable[[bytes], tuple[bytes, int | None]]
"""From a body to payload and sequence number; raises `FrameError` for a bad body."""


@dataclass(frozen=True)
class Options:
    """What a delimiting may need to know of the frame format; each takes what concerns it.

    ``min_body`` and ``max_body`` are the bytes that are delimited (lead, payload and check), ``check_bytes``
    the part of them that is the check.
    """

    min_body: int
    max_body: int
    check_bytes: int = 0
    leading_delimiter: bool | None = None
    async_map: int = 0
    terminator: bytes = b"\n"
    sync: bytes = b""
    length_bytes: int = 1
    length_order: Literal["big", "little"] = "big"
    length_counts: str = "payload"
    header_check: Check | None = None


class Receiver(Protocol):
    """Takes bytes as they come and gives back the events they complete. Never raises on bad bytes."""

    def push(self, byte: int) -> list[Event]:
        """Take one byte (0 to 255)."""

    def feed(self, data: bytes) -> list[Event]:
        """Take many bytes; the same events as from pushing each."""

    def close(self) -> list[Event]:
        """End the stream and report what is left."""

    def copy(self) -> Receiver:
        """Return an independent receiver in the same state."""

    @property
    def held_bytes(self) -> int:
        """Bytes kept in memory now; never more than the longest frame and a few."""


class Delimiting(Protocol):
    """One way to tell where a frame ends."""

    @property
    def delimiter(self) -> int | None:
        """The byte that ends a frame and is nowhere else in it; None when a length tells."""

    @property
    def forbidden(self) -> bytes:
        """The byte values a body must not hold; empty when any body can be carried."""

    @property
    def escaped(self) -> bytes:
        """The byte values sent as two bytes wherever they stand; the pair that always is comes last."""

    @property
    def shows_empty(self) -> bool:
        """Whether a body without a byte makes a frame that a receiver sees."""

    def encode(self, body: bytes) -> bytes:
        """Return the whole frame on the wire, delimiter included."""

    def decode(self, frame: bytes) -> bytes:
        """Return the body of one frame; `FrameError` when it is not one."""

    def size(self, body_bytes: int) -> SizeRange:
        """Return the bytes on the wire of a frame whose body has this length, over all bodies."""

    def receiver(self, open_body: OpenBody) -> Receiver:
        """Return a receiver at the start of a stream."""


@dataclass(frozen=True)
class Kind:
    """A row of the table of delimitings: how to build one, and which settings concern it."""

    build: Callable[[Options], Delimiting]
    settings: frozenset[str] = frozenset()
