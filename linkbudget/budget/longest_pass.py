"""A safe upper bound for the length of a pass, from the link alone.

The pass is the lowest-priority task on its core: its work, what it sends and its reading step are its cost;
handlers and busy windows take their time out of it, as in response-time analysis (see
`linkbudget.budget.schedule`). What the reading step costs depends on how much has arrived, that on how long
passes are, so the length is the least fixed point of the sum; where there is none, passes have no bound.

The bound is never below what a replay shows for traffic the `Arrivals` allow, as long as nothing is lost: a
lost delimiter joins two messages into one longer one. It is often well above: every worst case is taken to
come at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from linkbudget.budget.arrivals import Arrivals
from linkbudget.budget.handlers import delivery_delay, handler_starts, handler_time, window_time
from linkbudget.link.model import Resolved

__all__ = [
    "CEILING_NS",
    "PassBound",
    "Sending",
    "between_looks",
    "between_starts",
    "longest_pass",
    "reading_cost",
    "start_delay",
]

MAX_STEPS = 5_000
# Ten seconds is beyond any control period; a pass that long has lost its loop.
CEILING_NS = 10 * 10**9


@dataclass(frozen=True)
class Sending:
    """What a pass may spend on a message to the module: time per message, and least time between two."""

    cost_ns: int
    period_ns: int


@dataclass(frozen=True)
class PassBound:
    """The longest pass in nanoseconds, and what it consists of in that worst case.

    ``reading_ns`` includes waiting for bytes. ``read_bytes`` is the most bytes a reading step takes.
    """

    total_ns: int
    work_ns: int
    reading_ns: int
    handler_ns: int
    windows_ns: int
    sending_ns: int
    read_bytes: int


def longest_pass(
    resolved: Resolved, traffic: Arrivals | None, sending: tuple[Sending, ...] = (), waits: bool = True
) -> PassBound | None:
    """Return the bound on the length of a pass; None when there is none (or it is past ten seconds).

    With ``waits`` false it is the bound for passes that find a whole message at their first look.
    """
    length = max(resolved.loop.work_ns)
    for _ in range(MAX_STEPS):
        bound = _pass_of(resolved, traffic, sending, length, waits)
        if bound.total_ns <= length:
            return bound
        if bound.total_ns > CEILING_NS:
            return None
        length = bound.total_ns
    return None


def _pass_of(
    resolved: Resolved, traffic: Arrivals | None, sending: tuple[Sending, ...], length: int, waits: bool
) -> PassBound:
    """Return what a pass consists of when passes are no longer than ``length``."""
    work = max(resolved.loop.work_ns)
    sent = sum((length // one.period_ns + 1) * one.cost_ns for one in sending)
    own_core = resolved.reading.context == "own-core"
    windows = window_time(resolved, length, ("loop", "both"))
    reading = handler = count = 0
    if traffic is not None and not own_core:
        count = read_bytes(resolved, traffic, length)
        looks = read_calls(resolved, traffic, count, length)
        reading = reading_cost(resolved, traffic, count, looks)
        handler = handler_time(resolved, traffic, length, looks)
        if waits and resolved.reading.strategy == "whole-message":
            reading = whole_message_time(resolved, traffic, handler + windows)
    total = work + sent + reading + handler + windows
    return PassBound(total, work, reading, handler, windows, sent, count)


def between_looks(resolved: Resolved, length: int) -> int:
    """Return the most time from the first look of one pass to the last of the next, passes being that long.

    Before the first pass bytes wait from time zero on.
    """
    return max(between_starts(resolved, length), resolved.loop.phase_ns) + length


def between_starts(resolved: Resolved, length: int) -> int:
    """Return the most time from the start of one pass to the next, passes being that long.

    A pass that ends before the next release is followed by it. A later one is followed at the release after
    that, or at once.
    """
    period = resolved.loop.period_ns
    if resolved.loop.when_late == "free":
        return length
    if resolved.loop.when_late == "at-once":
        return max(period, length)
    return period if length <= period else period + length


def read_bytes(resolved: Resolved, traffic: Arrivals, length: int) -> int:
    """Return the most bytes one reading step takes."""
    strategy, receiver = resolved.reading.strategy, resolved.receiver
    if strategy == "whole-message":
        return traffic.longest
    if strategy == "at-most":
        return min(resolved.reading.limit_bytes, capacity(resolved))
    # Bytes that were in the FIFO and not yet handed over at the last look come on top of what arrived since.
    hidden = {"interrupt": receiver.fifo_bytes, "dma": receiver.buffer_bytes, "polled": 0}[receiver.mode]
    if receiver.mode == "dma" and receiver.visible == "at-once":
        hidden = 0
    count = traffic.bytes_in(between_looks(resolved, length)) + hidden
    return count if strategy == "everything" else min(count, capacity(resolved))


def capacity(resolved: Resolved) -> int:
    """Return the most bytes that one look can find."""
    receiver = resolved.receiver
    if receiver.mode == "polled":
        return receiver.fifo_bytes
    return receiver.buffer_bytes + (receiver.fifo_bytes if receiver.reads_drain_fifo else 0)


def read_calls(resolved: Resolved, traffic: Arrivals, count: int, length: int) -> int:
    """Return the most read calls of one step that takes ``count`` bytes."""
    if resolved.reading.take == "per-byte" or resolved.reading.strategy == "whole-message":
        return count
    if resolved.reading.strategy != "everything":
        return min(count, 1)
    # After the first, a look finds something only when something was handed over since.
    receiver = resolved.receiver
    per_handler = receiver.mode == "interrupt" and not receiver.reads_drain_fifo
    more = handler_starts(resolved, traffic, length, 0) if per_handler else traffic.bytes_in(length)
    return min(count, 1 + more)


def reading_cost(resolved: Resolved, traffic: Arrivals, count: int, looks: int) -> int:
    """Return the processor time of reading ``count`` bytes in ``looks`` read calls, in nanoseconds."""
    parser = resolved.parser
    parsed, ends, skipped = count, traffic.ends_in(count), 0
    if resolved.reading.strategy == "newest" and ends > 1:
        # All but the last message are passed over; an unfinished one may follow it.
        parsed, ends = min(count, 2 * traffic.longest - 1), 1
        skipped = count
    if resolved.reading.strategy == "whole-message":
        ends = 1
    # At its end a message pays for its bytes that earlier steps read, too.
    owed = min(parsed + traffic.longest - 1, ends * traffic.longest) if ends else 0
    pauses = -(-count // parser.pause_every_bytes) if parser.pause_every_bytes else 0
    return (
        looks * parser.read_call_ns
        + parsed * parser.byte_ns
        + skipped * resolved.reading.skip_byte_ns
        + ends * parser.message_ns
        + owed * parser.message_byte_ns
        + pauses * parser.pause_ns
    )


def whole_message_time(resolved: Resolved, traffic: Arrivals, held_ns: int) -> int:
    """Return the longest time of a step that waits for a message to end, handlers and windows left out.

    ``held_ns`` is the most that those take out of it. With a time-out the last byte is taken before that, and
    may be the one that ends the message. Often the message has come and is read long before: see
    `time_to_message_end`. Where a time-out throws the part read away, what follows ends no sent message, so
    that there this shorter time holds only when no time-out can come at all.
    """
    reading = resolved.reading
    timed_out = reading.timeout_ns + reading_cost(resolved, traffic, 1, 1)
    ended = time_to_message_end(resolved, traffic)
    if ended is None:
        return timed_out
    patience = min(reading.timeout_ns, reading.timeout_character_ns or reading.timeout_ns)
    if reading.on_timeout == "discard" and ended + held_ns >= patience:
        return timed_out
    return min(timed_out, ended)


def time_to_message_end(resolved: Resolved, traffic: Arrivals) -> int | None:
    """Return the longest time from finding a byte of a message to having read its end; None: no bound.

    The bytes of a message follow each other at most ``slowest_ns`` apart and are seen after the delivery
    delay, the last byte's own at the latest; so byte *i* after the one found is there at a known time V(i),
    V(0) = 0. After the last byte *i* for which the step had to wait it only reads, so that it ends at most
    V(i) + (n - i) · (read call + byte) + what is due at the end. V is two straight lines, so the worst *i* is
    an end of one of them. Handlers and windows come on top.
    """
    delivery = delivery_delay(resolved, traffic)
    last = delivery_delay(resolved, traffic, last=True)
    if delivery is None or last is None or not traffic.self_ending:
        return None
    count, spacing, parser = traffic.longest, traffic.slowest_ns, resolved.parser
    each = parser.read_call_ns + parser.byte_ns
    latest = (count - 1) * spacing + last
    corner = max(0, ceil((latest - delivery) / spacing))
    worst = max(
        (min(place * spacing + delivery, latest) if place else 0) - place * each
        for place in {0, 1, corner - 1, corner, count - 1}
        if 0 <= place < count
    )
    return ceil(worst) + reading_cost(resolved, traffic, count, count)


def start_delay(resolved: Resolved, traffic: Arrivals | None) -> int | None:
    """Return the longest time for which handlers and windows can hold back the start of a pass."""
    delay = 0
    handlers = traffic is not None and resolved.reading.context != "own-core"
    for _ in range(MAX_STEPS):
        demand = window_time(resolved, delay, ("loop", "both"))
        if handlers and traffic is not None:
            demand += handler_time(resolved, traffic, delay, 0)
        if demand <= delay:
            return delay
        delay = demand
        if delay > CEILING_NS:
            return None
    return None
