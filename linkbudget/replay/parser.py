"""The parser's time on the bytes of a read, and the messages it accepts.

Theory. A parser of text or frames costs a fixed time per read call, a time per byte, a time per message and,
where it decodes a whole text at the end, a time per byte of that message; a language with memory collection
adds a pause now and then. All of it is spent in the order of the bytes, on a core that handlers and windows
may hold up.

Rules, in our own words.

- A message ends for the parser where its deframer ends a frame, good or bad; that byte costs
  ``message + message_byte * n`` more, ``n`` being the bytes since the message end before it, this one
  included.
- A frame that decodes as a message of the link is accepted when the time of its last byte is spent. A pause
  that is due at that byte comes after that.
- The time of a read is spent in one stretch: a byte that costs nothing ends together with the one before it.
- Skipped bytes cost ``skip_byte`` each; they count neither toward the next pause nor as parsed otherwise,
  and a message that ends among them is only a place from which bytes are counted anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from linkbudget.replay.activities import Activity
from linkbudget.replay.arrivals import CharacterFate, MessageEnd, Tracker, Traffic

if TYPE_CHECKING:
    from linkbudget.link.resolve import ParserNs
    from linkbudget.replay.timeline import Core

__all__ = ["Accepted", "Parser"]


class Accepted(NamedTuple):
    """A message accepted from the received bytes; ``last_character`` is the index of its last character."""

    time_ns: int
    last_character: int
    payload: bytes
    name: str
    value: Any


class Parser:
    """A parser that runs on ``core`` and notes in ``fate`` what it has read."""

    def __init__(
        self, costs: ParserNs, skip_byte_ns: int, traffic: Traffic, core: Core, fate: bytearray
    ) -> None:
        self.costs = costs
        self.skip_byte_ns = skip_byte_ns
        self.traffic = traffic
        self.core = core
        self.fate = fate
        self.tracker = Tracker(traffic)
        self.since_end = 0
        self.parsed = 0
        self.reading_ns = 0
        self.pause_ns = 0
        self.accepted: list[Accepted] = []
        self.ends: list[tuple[int, int]] = []
        self.discarded: set[int] = set()

    def parse(self, ranks: Sequence[int], call_ns: int) -> bool:
        """Spend the time of a read of these bytes; returns whether its last byte ended a message."""
        costs, every = self.costs, self.costs.pause_every_bytes
        self._note(ranks, CharacterFate.PARSED)
        ends = self.tracker.feed(ranks)
        done, cost, count, following = 0, call_ns, len(ranks), iter(ends)
        end = next(following, None)
        while done < count:
            stop = count if end is None else end.length
            if every:
                stop = min(stop, done + every - self.parsed % every)
            cost += (stop - done) * costs.byte_ns
            self.parsed += stop - done
            self.since_end += stop - done
            done = stop
            if end is not None and end.length == stop:
                cost += costs.message_ns + costs.message_byte_ns * self.since_end
                self.since_end = 0
                self._spend(cost)
                self._end_message(end, ranks[stop - 1])
                end = next(following, None)
            else:
                self._spend(cost)
            cost = 0
            if every and self.parsed % every == 0:
                self.core.spend(costs.pause_ns, Activity.PAUSE)
                self.pause_ns += costs.pause_ns
        return bool(ends) and ends[-1].length == count

    def skip(self, ranks: Sequence[int], call_ns: int) -> None:
        """Pass over bytes whose messages are too old to be of use."""
        self._note(ranks, CharacterFate.SKIPPED)
        ends = self.tracker.feed(ranks)
        self.since_end = len(ranks) - ends[-1].length if ends else self.since_end + len(ranks)
        self._spend(call_ns + len(ranks) * self.skip_byte_ns)

    def discard(self) -> None:
        """Throw away the bytes since the last message end, and the count of them."""
        self.discarded.update(self.traffic.kept[rank] for rank in self.tracker.discard())
        self.since_end = 0

    def _spend(self, cost: int) -> None:
        self.core.spend(cost, Activity.READING)
        self.reading_ns += cost

    def _end_message(self, end: MessageEnd, rank: int) -> None:
        now, kept = self.core.now, self.traffic.kept
        self.ends.append((now, kept[rank]))
        for payload, last in end.frames:
            decoded = self.traffic.decode(payload)
            if decoded is not None:
                self.accepted.append(Accepted(now, kept[last], payload, *decoded))

    def _note(self, ranks: Sequence[int], fate: CharacterFate) -> None:
        first, count = ranks[0], len(ranks)
        if ranks[-1] - first + 1 == count:
            self.fate[first : first + count] = bytes((fate,)) * count
        else:
            for rank in ranks:
                self.fate[rank] = fate
