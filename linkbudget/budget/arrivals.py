"""How much can arrive: the most bytes and messages of one direction in any window of time.

Two limits hold at once. The *line* lets characters come no closer than their own length. The *rates* let a
message come once per period, early or late by the sender's jitter and by its wait for the other messages on
the wire. Both are upper bounds for traffic of whole, undamaged messages as the link file describes them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import floor

from linkbudget.link.model import Link
from linkbudget.units import exact

__all__ = ["Arrivals", "Line", "Stream", "arrivals", "message_rates"]

# A receiver that samples bits at their centre reads characters of up to half a bit in 9.5 faster than nominal
# ("Test Your EQ", Circuit Cellar); a sender that is faster cannot be received at all.
FASTEST = 1 - Fraction(1, 19)
MAX_STEPS = 10_000

Line = tuple[Fraction, Fraction]
"""A straight line: its height at 0, and its rise per nanosecond."""


@dataclass(frozen=True)
class Stream:
    """One message: the shortest time between two sendings, its lateness, and its bytes on the wire."""

    period_ns: Fraction
    jitter_ns: Fraction
    maximum_bytes: int
    wire_ns: Fraction


@dataclass(frozen=True)
class Arrivals:
    """Upper bounds on the traffic of one direction.

    ``spacing_ns`` is the least time between two arrivals, ``slowest_ns`` the most within a message;
    ``shortest`` and ``longest`` are the bytes on the
    wire of the smallest and the largest message. ``self_ending``: each message ends for the receiver with its
    own last byte. Without ``streams`` only the line limits the traffic.
    """

    spacing_ns: Fraction
    slowest_ns: Fraction
    shortest: int
    longest: int
    streams: tuple[Stream, ...] = ()
    self_ending: bool = True

    def bytes_in(self, window_ns: int) -> int:
        """Return the most bytes that can arrive in a window of this length, both ends included."""
        by_line = floor(window_ns / self.spacing_ns) + 1
        if not self.streams:
            return by_line
        return min(by_line, sum(count * stream.maximum_bytes for stream, count in self._counts(window_ns)))

    def messages_in(self, window_ns: int) -> int:
        """Return the most messages that can have a byte in a window of this length."""
        by_line = self.ends_in(self.bytes_in(window_ns)) + 1
        if not self.streams:
            return by_line
        return min(by_line, sum(count for _, count in self._counts(window_ns)))

    def below_bytes(self) -> list[Line]:
        """Return lines in the window's length; `bytes_in` is more than the lowest of them, everywhere.

        A whole part of x, plus one, is more than x.
        """
        lines = [(Fraction(0), 1 / self.spacing_ns)]
        if self.streams:
            sizes = [stream.maximum_bytes for stream in self.streams]
            lines.append(self._below_counts(sizes))
        return lines

    def below_messages(self) -> list[Line]:
        """Return lines in the window's length; `messages_in` is more than the lowest of them, everywhere."""
        lines = [(start / self.shortest + 1, rise / self.shortest) for start, rise in self.below_bytes()]
        if self.streams:
            lines.append(self._below_counts([1] * len(self.streams)))
        return lines

    def ends_in(self, count: int) -> int:
        """Return the most message ends among so many bytes in a row."""
        return (count - 1) // self.shortest + 1 if count > 0 else 0

    @property
    def rest_ns(self) -> Fraction:
        """The least silence after every message; 0 where another may follow at once."""
        if len(self.streams) != 1:
            return Fraction(0)
        stream = self.streams[0]
        return max(Fraction(0), stream.period_ns - stream.jitter_ns - stream.wire_ns)

    def _counts(self, window_ns: int) -> list[tuple[Stream, int]]:
        return [
            (stream, floor((window_ns + stream.jitter_ns + stream.wire_ns) / stream.period_ns) + 1)
            for stream in self.streams
        ]

    def _below_counts(self, weights: Sequence[int]) -> Line:
        weighed = list(zip(weights, self.streams, strict=True))
        start = sum((w * (one.jitter_ns + one.wire_ns) / one.period_ns for w, one in weighed), Fraction(0))
        return start, sum((w / one.period_ns for w, one in weighed), Fraction(0))


def message_rates(link: Link) -> dict[str, Fraction | None]:
    """Return how often each message is sent, per second; an answer as its request; None: not known."""
    by_name = {message.name: message for message in link.messages}
    rates: dict[str, Fraction | None] = {}
    for message in link.messages:
        source = message
        while source.on_request is not None:
            source = by_name[source.on_request]
        rates[message.name] = None if source.rate_hz is None else exact(source.rate_hz)
    return rates


def arrivals(link: Link, direction: str, at_rates: bool) -> Arrivals | None:
    """Return the limits of one direction's traffic; None when it has no messages.

    With ``at_rates`` the messages keep the rates of the link file. Without, or when a rate is not known or
    the rates are more than the line carries, whole messages may come back to back all the time, from a sender
    as fast as a receiver tolerates.
    """
    messages = link.messages_of(direction)
    if not messages:
        return None
    codec = link.codec(direction)
    sizes = {message.name: codec.size(message.name) for message in messages}
    shortest = min(size.minimum for size in sizes.values())
    longest = max(size.maximum for size in sizes.values())
    character_ns = link.line.character_time * 10**9
    rates = message_rates(link)
    known = [(sizes[message.name].maximum, rates[message.name]) for message in messages]
    streams = _streams(link, [(size, rate) for size, rate in known if rate is not None])
    slowest_ns = character_ns + exact(link.sender.gap_us) * 1000
    # Without a delimiter a receiver counts the bytes of the longest frame there could be.
    fmt = codec.fmt
    self_ending = fmt.delimiting != "none" or shortest == longest == fmt.size(fmt.max_payload).maximum
    if not at_rates or not streams or any(rate is None for _, rate in known):
        return Arrivals(character_ns * FASTEST, slowest_ns, shortest, longest, (), self_ending)
    return Arrivals(character_ns, slowest_ns, shortest, longest, streams, self_ending)


def _streams(link: Link, known: Sequence[tuple[int, Fraction]]) -> tuple[Stream, ...]:
    character_ns = link.line.character_time * 10**9
    gap_ns = exact(link.sender.gap_us) * 1000
    jitter_ns = exact(link.sender.jitter_us) * 1000
    streams = [Stream(10**9 / rate, jitter_ns, size, size * (character_ns + gap_ns)) for size, rate in known]
    queue_ns = _busy_period(streams)
    if queue_ns is None:
        return ()
    return tuple(
        Stream(
            stream.period_ns,
            stream.jitter_ns + queue_ns - stream.wire_ns,
            stream.maximum_bytes,
            stream.wire_ns,
        )
        for stream in streams
    )


def _busy_period(streams: Sequence[Stream]) -> Fraction | None:
    """Return the longest time the wire can be busy without a break; None when it never rests."""
    if sum((stream.wire_ns / stream.period_ns for stream in streams), Fraction(0)) >= 1:
        return None
    length = sum((stream.wire_ns for stream in streams), Fraction(0))
    for _ in range(MAX_STEPS):
        demand = sum(
            (
                (floor((length + stream.jitter_ns) / stream.period_ns) + 1) * stream.wire_ns
                for stream in streams
            ),
            Fraction(0),
        )
        if demand == length:
            return length
        length = demand
    return None
