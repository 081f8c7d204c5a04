"""The receiver of frames found by their length: counted and none.

Every place is a candidate until it fails; then the search goes on one byte behind its start.
"""

from __future__ import annotations

from linkbudget.codegen.plain.runtime.counted import BODY_AT, need_of
from linkbudget.codegen.plain.runtime.counters import NO_SYNC, TRUNCATED
from linkbudget.codegen.plain.runtime.envelope import fault_of
from linkbudget.codegen.plain.runtime.messages import Messages
from linkbudget.codegen.plain.runtime.settings import SYNC


# ---------------------------------------------------------------------------------------------------------
class Receiver(Messages):
    """Bytes in, messages out. Never raises on bad bytes; holds no more than one frame and its messages.

    ``newest``: of each kind only the newest message is kept, as set points want it. Otherwise all are, up to
    ``keep`` of them; then the oldest goes.
    """

    def __init__(self, newest: bool = False, keep: int = 64) -> None:
        super().__init__(newest, keep)
        self._held = bytearray()
        self._need = 1
        self._lost = False
        self._junk = False

    def push(self, byte: int, now: int = 0) -> int:
        """Take one byte; return 0, the number of the last message it completed (from 1), or minus a fault."""
        self.counters.received += 1
        self._held.append(byte)
        return self._search(now) if len(self._held) >= self._need else 0

    def feed(self, data: bytes | bytearray, n: int = -1, now: int = 0) -> int:
        """Take bytes, at most ``n`` of them when it is not negative; return how many were taken."""
        end = len(data) if n < 0 or n > len(data) else n
        at = 0
        while at < end:
            # What is decided must not depend on how the stream was cut: take no more than is needed next.
            step = self._need - len(self._held)
            step = min(end - at, step if step > 1 else 1)
            self._held.extend(data[at : at + step])
            at += step
            if len(self._held) >= self._need:
                self._search(now)
        self.counters.received += end
        return end

    def close(self) -> None:
        """End the stream: what is held is searched once more, the rest is counted as truncated."""
        while self._held:
            self._report_junk()
            if not self._lost:
                self._fault(TRUNCATED)
            self._give_up()
            self._search(self._last)
        self._report_junk()
        self._lost = False

    def _search(self, now: int) -> int:
        self.counters.high_water = max(self.counters.high_water, len(self._held))
        status = 0
        self._need = 1
        while len(self._held) >= self._need:
            found = self._try(now)
            # A message counts for more than the damage found on the way to it.
            if found > 0 or (status <= 0 and found):
                status = found
        return status

    def _try(self, now: int) -> int:
        if self._skip():
            return 0
        held = self._held
        fault = 0
        if len(held) >= len(SYNC):
            fault = self._report_junk()
        need = need_of(held)
        if need > len(held):
            self._need = need
            return fault
        if need > 0:
            body = bytes(held[BODY_AT:need])
            wrong = fault_of(body)
            if wrong == 0:
                self._lost = False
                self._held = held[need:]
                self._need = 1
                return self._open(body, now)
        else:
            wrong = -need
        if SYNC or not self._lost:
            fault = self._fault(wrong)
        self._give_up()
        self._need = 1
        return fault

    def _skip(self) -> bool:
        """Drop what cannot begin the sync bytes; return whether something was dropped."""
        at = self._unfit()
        if at == 0:
            return False
        if not self._lost:
            self._junk = True
        self._held = self._held[at:]
        return True

    def _unfit(self) -> int:
        held = self._held
        for at in range(len(held)):
            part = held[at : at + len(SYNC)]
            if part == SYNC[: len(part)]:
                return at
        return len(held)

    def _report_junk(self) -> int:
        if not self._junk:
            return 0
        self._junk = False
        self._lost = True
        return self._fault(NO_SYNC)

    def _give_up(self) -> None:
        """Give up the candidate at the front; the search goes on one byte later."""
        self._held = self._held[1:]
        self._lost = True
        self._skip()
