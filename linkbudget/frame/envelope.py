"""What the delimiting carries: sequence and layout bytes, payload, check. This is called the *body*."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from linkbudget.check.code import Check
from linkbudget.errors import FrameError
from linkbudget.frame.events import Reason

__all__ = ["Envelope"]


@dataclass(frozen=True)
class Envelope:
    """Body = [sequence] [layout id] payload [check]; the check covers everything before it.

    ``order`` is the byte order of the check; with ``hex_check`` each of its bytes is written as two upper
    case digits, the only form that is accepted back.
    """

    check: Check | None
    order: Literal["big", "little"]
    hex_check: bool
    sequence: bool
    layout_id: int | None
    max_payload: int

    @property
    def lead_bytes(self) -> int:
        """Bytes in front of the payload."""
        return self.sequence + (self.layout_id is not None)

    @property
    def check_bytes(self) -> int:
        """Bytes behind the payload, as written (two for each byte of a check in hex)."""
        if self.check is None:
            return 0
        return self.check.check_bytes * (2 if self.hex_check else 1)

    def check_of(self, covered: bytes) -> bytes:
        """Return the check of these bytes as it is written behind them."""
        if self.check is None:
            return b""
        value = self.check.compute(covered).to_bytes(self.check.check_bytes, self.order)
        return value.hex().upper().encode() if self.hex_check else value

    def wrap(self, payload: bytes, sequence: int = 0) -> bytes:
        """Return the body for this payload; ``sequence`` is taken modulo 256."""
        covered = payload
        if self.layout_id is not None:
            covered = bytes([self.layout_id]) + covered
        if self.sequence:
            covered = bytes([sequence & 0xFF]) + covered
        return covered + self.check_of(covered)

    def open(self, body: bytes) -> tuple[bytes, int | None]:
        """Return payload and sequence number (None without one); `FrameError` when the body is not good.

        The order of the tests decides the reason: length, check, layout.
        """
        size = len(body) - self.lead_bytes - self.check_bytes
        if size < 0:
            needed = self.lead_bytes + self.check_bytes
            raise FrameError(Reason.TOO_SHORT, len(body), f"{len(body)} bytes, expected at least {needed}")
        if size > self.max_payload:
            raise FrameError(
                Reason.TOO_LONG, len(body), f"a payload of {size} bytes, expected at most {self.max_payload}"
            )
        covered = body[: len(body) - self.check_bytes]
        if self.check is not None:
            self._verify(covered, body[len(covered) :])
        return self._take_lead(covered)

    def _verify(self, covered: bytes, found: bytes) -> None:
        expected = self.check_of(covered)
        if found != expected:
            name = self.check.name if self.check is not None else ""
            raise FrameError(
                Reason.CHECK, len(covered), f"{name} is {found.hex(' ')}, expected {expected.hex(' ')}"
            )

    def _take_lead(self, covered: bytes) -> tuple[bytes, int | None]:
        sequence = None
        at = 0
        if self.sequence:
            sequence = covered[0]
            at = 1
        if self.layout_id is not None:
            if covered[at] != self.layout_id:
                raise FrameError(Reason.LAYOUT, at, f"layout {covered[at]}, expected {self.layout_id}")
            at += 1
        return covered[at:], sequence
