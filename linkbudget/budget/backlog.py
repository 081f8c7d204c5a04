"""The bytes that wait to be read: how many at once at most, and in how many passes they are read."""

from __future__ import annotations

from collections.abc import Sequence

from linkbudget.budget.arrivals import Arrivals, Line
from linkbudget.budget.handlers import delivery_delay, handler_time
from linkbudget.budget.longest_pass import (
    CEILING_NS,
    PassBound,
    between_looks,
    between_starts,
    longest_pass,
    reading_cost,
)
from linkbudget.link.model import Resolved

__all__ = ["backlog_spacing", "passes_to_read", "reading_busy_period", "stall_bytes", "unread_bytes"]

MAX_PASSES = 10_000


def unread_bytes(resolved: Resolved, traffic: Arrivals, bound: PassBound | None) -> int | None:
    """Return the most bytes that wait to be read at once; None when there is no bound.

    The longest stall is the longest time from the first look of one pass to the last of the next: period and
    longest pass, busy windows and handlers included. A strategy that leaves bytes behind needs room for those
    of earlier passes, too, until the traffic lets it catch up.
    """
    if resolved.reading.context == "own-core":
        return _unread_own_core(resolved, traffic)
    if bound is None:
        return None
    passes = passes_to_read(resolved, traffic, bound)
    if passes is None:
        return None
    most, (first, spacing) = 0, _looks(resolved, traffic, bound)
    for steps in range(passes):
        window = first + steps * spacing
        arrived = _arrived(resolved, traffic, window)
        most = max(most, arrived - _served_bytes(resolved, traffic, steps, window, arrived))
    return most


def _arrived(resolved: Resolved, traffic: Arrivals, window: int) -> int:
    """Return the most bytes that arrive in a window, or had arrived and could not be seen at its start."""
    longer, hidden = _unseen(resolved, traffic)
    return traffic.bytes_in(window + longer) + hidden


def _unseen(resolved: Resolved, traffic: Arrivals) -> tuple[int, int]:
    """Return by how much a window grows for what arrived before it and was not seen, or by how many bytes."""
    delivery = delivery_delay(resolved, traffic)
    if delivery is not None:
        return delivery, 0
    receiver = resolved.receiver
    return 0, receiver.fifo_bytes if receiver.mode == "interrupt" else receiver.buffer_bytes


def stall_bytes(resolved: Resolved, traffic: Arrivals, bound: PassBound) -> int:
    """Return the most bytes that arrive in one longest stall."""
    return _arrived(resolved, traffic, _looks(resolved, traffic, bound)[0])


def _looks(resolved: Resolved, traffic: Arrivals, bound: PassBound) -> tuple[int, int]:
    """Return the longest time from a moment with nothing to read to the first reading step, and to the next.

    The first may come after the longest stall. While a backlog is left, a step finds what it wants and does
    not wait.
    """
    # Bytes taken one by one wait until their turn comes.
    window = between_looks(resolved, bound.total_ns)
    window += bound.total_ns if resolved.reading.take == "per-byte" else 0
    return window, backlog_spacing(resolved, traffic, bound)


def backlog_spacing(resolved: Resolved, traffic: Arrivals, bound: PassBound) -> int:
    """Return the longest time from one pass to the next while a backlog is left, so that none waits."""
    busy = longest_pass(resolved, traffic, waits=False)
    length = bound.total_ns if busy is None else min(bound.total_ns, busy.total_ns + bound.sending_ns)
    return between_starts(resolved, length)


def _served_bytes(resolved: Resolved, traffic: Arrivals, steps: int, window: int, arrived: int) -> int:
    """Return how many of the bytes that arrived were taken for sure by so many reading steps."""
    if resolved.reading.strategy == "at-most":
        return steps * resolved.reading.limit_bytes
    if resolved.reading.strategy == "whole-message":
        delivery = delivery_delay(resolved, traffic) or 0
        waiting = (traffic.messages_in(window + delivery) - steps) * traffic.longest
        return max(arrived - waiting, 0)
    return 0


def passes_to_read(resolved: Resolved, traffic: Arrivals, bound: PassBound) -> int | None:
    """Return in how many passes everything that has arrived is read; None when the backlog has no bound.

    (Or needs more than `MAX_PASSES`.)
    """
    strategy = resolved.reading.strategy
    if strategy not in ("at-most", "whole-message"):
        return 1
    longer, hidden = _unseen(resolved, traffic)
    count, lines, served = traffic.bytes_in, traffic.below_bytes(), resolved.reading.limit_bytes
    if strategy == "whole-message":
        if delivery_delay(resolved, traffic) is None or not _reads_in_time(resolved, traffic):
            return None
        count, lines, served = traffic.messages_in, traffic.below_messages(), 1
    first, spacing = _looks(resolved, traffic, bound)
    first += longer
    backlogs = [(start + rise * (first - spacing) + hidden, rise * spacing - served) for start, rise in lines]
    steps = 1
    while steps <= MAX_PASSES:
        if count(first + (steps - 1) * spacing) + hidden <= steps * served:
            return steps
        steps = _next_chance(backlogs, steps + 1)
    return None


def _next_chance(backlogs: Sequence[Line], steps: int) -> int:
    """Return the first number of steps, from ``steps`` on, that may be enough; past the limit when none is.

    ``backlogs`` are lines in the number of steps: more than the lowest of them is left to read. So nothing
    can be finished before one of them is below zero.
    """
    if any(start + rise * steps < 0 for start, rise in backlogs):
        return steps
    falling = [start // -rise + 1 for start, rise in backlogs if rise < 0]
    return min([*falling, MAX_PASSES + 1])


def _reads_in_time(resolved: Resolved, traffic: Arrivals) -> bool:
    """Return whether a whole message that is there is read before the time-out."""
    count = traffic.longest
    return reading_cost(resolved, traffic, count, count) <= resolved.reading.timeout_ns


def _unread_own_core(resolved: Resolved, traffic: Arrivals) -> int | None:
    busy = reading_busy_period(resolved, traffic)
    return None if busy is None else _arrived(resolved, traffic, busy)


def reading_busy_period(resolved: Resolved, traffic: Arrivals) -> int | None:
    """Return the longest time a core of its own reads without a break; None when it cannot keep up."""
    length = 0
    for _ in range(MAX_PASSES):
        count = _arrived(resolved, traffic, length)
        demand = reading_cost(resolved, traffic, count, count)
        demand += handler_time(resolved, traffic, length, count)
        if demand <= length:
            return length
        if demand > CEILING_NS:
            return None
        length = demand
    return None
