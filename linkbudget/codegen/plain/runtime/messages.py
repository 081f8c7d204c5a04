"""What every receiver does with the bodies it finds: open them, keep messages, count."""

from __future__ import annotations

from linkbudget.codegen.plain.runtime.counters import Counters
from linkbudget.codegen.plain.runtime.envelope import fault_of
from linkbudget.codegen.plain.runtime.settings import CHECK_BYTES, LEAD_BYTES, SEQUENCE, Message


def decode_payload(payload: bytes) -> Message | int:
    """Stands for the function that a generated module has."""
    return tuple(payload)


def place_of(message: Message) -> int:
    """Stands for the function that a generated module has."""
    return message[0]


def since(now: int, before: int) -> int:
    """Stands for the function that a generated module has: the time between two moments."""
    return now - before


# ---------------------------------------------------------------------------------------------------------
class Messages:
    """Messages that have arrived, and what was counted on the way."""

    def __init__(self, newest: bool, keep: int) -> None:
        if keep < 1:
            raise ValueError("keep: at least 1")
        self.counters = Counters()
        self._newest = newest
        self._keep = keep
        self._queue: list[Message] = []
        self._last = 0
        self._any = False
        self._sequence = -1

    def take(self) -> Message | None:
        """Return the oldest message that was not taken yet, None when there is none."""
        return self._queue.pop(0) if self._queue else None

    def waiting(self) -> int:
        """Return how many messages can be taken."""
        return len(self._queue)

    def age(self, now: int) -> int:
        """Return the time since the last message was accepted; -1 when there was none.

        0 when it came in a handler or a thread after ``now`` was taken.
        Enter the safe state when it grows beyond what the mechanism allows.
        """
        return since(now, self._last) if self._any else -1

    def _open(self, body: bytes, now: int) -> int:
        """Take a body; return the message's number from 1, or the fault as a negative number."""
        fault = fault_of(body)
        if fault:
            return self._fault(fault)
        if SEQUENCE:
            if self._sequence >= 0:
                self.counters.lost += (body[0] - self._sequence - 1) & 255
            self._sequence = body[0]
        message = decode_payload(body[LEAD_BYTES : len(body) - CHECK_BYTES])
        if isinstance(message, int):
            return self._fault(message)
        self.counters.accepted += 1
        if self._any:
            self.counters.longest_gap = max(self.counters.longest_gap, since(now, self._last))
        self._last = now
        self._any = True
        self._keep_message(message)
        return place_of(message) + 1

    def _keep_message(self, message: Message) -> None:
        if self._newest:
            others = [one for one in self._queue if place_of(one) != place_of(message)]
            self.counters.superseded += len(self._queue) - len(others)
            self._queue = others
        elif len(self._queue) == self._keep:
            self._queue.pop(0)
            self.counters.superseded += 1
        self._queue.append(message)

    def _fault(self, fault: int) -> int:
        self.counters.add(fault)
        return -fault
