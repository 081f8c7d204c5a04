"""The reading step of a pass: how much is taken, and when the step ends.

Rules, in our own words.

- A *look* finds how many bytes can be read. One that finds none costs nothing. It is put off while a handler
  runs or a window holds the core.
- A *read* takes bytes at the instant of its look. With ``take = "per-byte"`` their number is fixed by the
  first look, and each is taken at a look of its own with a read call of its own; a look that finds none (the
  rest was lost meanwhile) ends the read.
- ``everything`` reads until a look finds none; ``snapshot`` reads once; ``at-most`` once and so many.
- ``newest`` reads once, and passes over the bytes up to the end of the last message but one that ends among
  those its look found. With ``per-byte`` the bytes so passed over need no read call.
- ``whole-message`` takes byte by byte until one message has ended, and waits for bytes. No byte is taken
  ``timeout`` after the first look or later; a byte whose parsing ends then ends the step. A wait also ends
  ``timeout_character`` after the look that began it. When the time is out, the part of a message read so far
  stays for the next step (``keep``) or is thrown away (``discard``).
- Reading on a core of its own is a step whenever a byte is there, until nothing is left.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from linkbudget.replay.windows import NEVER

if TYPE_CHECKING:
    from linkbudget.link.resolve import ReadingNs
    from linkbudget.replay.hardware import Hardware
    from linkbudget.replay.parser import Parser
    from linkbudget.replay.timeline import Core

__all__ = ["Reader"]


class Reader:
    """Reads from ``hardware`` on ``core`` the way ``settings`` say; ``step()`` is one reading step."""

    def __init__(self, settings: ReadingNs, hardware: Hardware, core: Core, parser: Parser) -> None:
        self.settings = settings
        self.hardware = hardware
        self.core = core
        self.parser = parser
        self.call_ns = parser.costs.read_call_ns
        self.per_byte = settings.take == "per-byte"
        self.step: Callable[[], None] = {
            "everything": self._everything,
            "snapshot": self._snapshot,
            "at-most": self._at_most,
            "newest": self._newest,
            "whole-message": self._whole_message,
        }[settings.strategy]
        self.steps: list[tuple[int, int]] = []
        """Start and end of each step on a core of its own."""
        self.step_ns = 0
        """Their time in all, handlers left out."""
        self.taken: dict[int, int] | None = None
        """When each byte was taken, by its rank, where that is noted."""

    def read_alone(self) -> None:
        """Read on a core of its own from time zero until nothing is left."""
        core = self.core
        while self.look() or core.wait(self.look_now, NEVER):
            start, handler = core.now, core.handler_ns()
            self.step()
            self.steps.append((start, core.now))
            self.step_ns += core.now - start - (core.handler_ns() - handler)

    def look(self) -> int:
        """Look as soon as the core may; returns the number of bytes found."""
        return self.hardware.look(self.core.free_at(self.core.now))

    def look_now(self) -> int:
        """Look at this instant."""
        return self.hardware.look(self.core.now)

    def _take(self, count: int) -> Sequence[int]:
        ranks = self.hardware.take(count, self.core.now)
        if self.taken is not None:
            self.taken.update(dict.fromkeys(ranks, self.core.now))
        return ranks

    def _everything(self) -> None:
        while count := self.look():
            self._read(count)

    def _snapshot(self) -> None:
        self._read(self.look())

    def _at_most(self) -> None:
        self._read(min(self.look(), self.settings.limit_bytes))

    def _read(self, count: int) -> None:
        """Read ``count`` bytes, the first of them at this instant."""
        if not count:
            return
        if not self.per_byte:
            self.parser.parse(self._take(count), self.call_ns)
            return
        self._take_one()
        for _ in range(count - 1):
            if not self.look():
                return
            self._take_one()

    def _take_one(self) -> bool:
        """Read one byte at this instant; returns whether it ended a message."""
        return self.parser.parse(self._take(1), self.call_ns)

    def _newest(self) -> None:
        count = self.look()
        if not count:
            return
        found = self.hardware.peek(count)
        ends = self.parser.tracker.peek(found)
        skipped = ends[-2] if len(ends) > 1 else 0
        if not skipped:
            self._read(count)
        elif self.per_byte:
            self._newest_per_byte(count, found[skipped - 1])
        else:
            ranks = self._take(count)
            self.parser.skip(ranks[:skipped], self.call_ns)
            self.parser.parse(ranks[skipped:], 0)

    def _newest_per_byte(self, count: int, last_skipped: int) -> None:
        for _ in range(count):
            if not self.look():
                return
            ranks = self._take(1)
            if ranks[0] <= last_skipped:
                self.parser.skip(ranks, 0)
            else:
                self.parser.parse(ranks, self.call_ns)

    def _whole_message(self) -> None:
        if not self.look():
            return
        until = self.core.now + self.settings.timeout_ns
        while not self._take_one():
            if not self._next_byte(until):
                if self.settings.on_timeout == "discard":
                    self.parser.discard()
                return

    def _next_byte(self, until: int) -> bool:
        """Look for the next byte of a message and wait for it; False when the time is out."""
        core, patience = self.core, self.settings.timeout_character_ns
        if core.now >= until or not core.free_before(until):
            return False
        if self.look_now():
            return True
        if patience:
            until = min(until, core.now + patience)
        return core.wait(self.look_now, until)
