"""How long handlers and busy windows take, and how long they keep bytes from being seen; upper bounds.

Handlers preempt passes, so that what they take out of a stretch of time is a part of the pass bound
(`linkbudget.budget.longest_pass`). Until its handler has run, a byte waits in the FIFO.
"""

from __future__ import annotations

from math import ceil

from linkbudget.budget.arrivals import Arrivals
from linkbudget.link.model import Resolved

__all__ = [
    "delivery_delay",
    "fifo_bytes_needed",
    "handler_delay",
    "handler_starts",
    "handler_time",
    "window_time",
]


def handler_starts(resolved: Resolved, traffic: Arrivals, window: int, looks: int) -> int:
    """Return the most handlers in a window, one that runs and one that is due at its start included."""
    receiver = resolved.receiver
    arrived = traffic.bytes_in(window)
    silences = 0
    if receiver.idle_ns:
        silences = min(arrived + 1, window // receiver.idle_ns + 1)
    if receiver.mode == "dma":
        half = max(receiver.buffer_bytes // 2, 1)
        return 2 + arrived // half + 1 + silences if receiver.visible == "on-event" else 0
    by_level = (arrived + receiver.fifo_bytes) // receiver.trigger_bytes
    # A read that frees space for bytes left in the FIFO raises a request of its own.
    by_reads = looks if receiver.overflow == "stay" else 0
    return 2 + by_level + silences + by_reads


def handler_time(resolved: Resolved, traffic: Arrivals, window: int, looks: int) -> int:
    """Return the most time that handlers take out of a window, in nanoseconds."""
    receiver = resolved.receiver
    if receiver.mode == "polled":
        return 0
    starts = handler_starts(resolved, traffic, window, looks)
    if receiver.mode == "dma":
        return starts * receiver.interrupt_entry_ns
    # One FIFO load may be in the hands of a handler at the start, another may wait for it to end.
    taken = traffic.bytes_in(window) + 2 * receiver.fifo_bytes
    return starts * receiver.interrupt_entry_ns + taken * receiver.interrupt_byte_ns


def window_time(resolved: Resolved, window: int, blocks: tuple[str, ...]) -> int:
    """Return the most time that busy windows take out of a window, in nanoseconds."""
    return sum(
        ((window + busy.length_ns) // busy.period_ns + 1) * busy.length_ns
        for busy in resolved.busy
        if busy.blocks in blocks
    )


def delivery_delay(resolved: Resolved, traffic: Arrivals, last: bool = False) -> int | None:
    """Return the longest time from a byte's arrival until a look can see it; None when it may never come.

    With a trigger above one byte and no time-out the last bytes of a message wait for the next message. With
    ``last`` it is the delay of a message's last byte, which waits for no other byte of its message.
    """
    receiver = resolved.receiver
    if receiver.mode == "polled" or (receiver.mode == "dma" and receiver.visible == "at-once"):
        return 0
    if receiver.mode == "interrupt" and receiver.reads_drain_fifo:
        return 0
    level = receiver.trigger_bytes if receiver.mode == "interrupt" else -(-receiver.buffer_bytes // 2)
    held = handler_delay(resolved)
    if level == 1:
        return held
    if not receiver.idle_ns:
        return None
    if traffic.rest_ns > receiver.idle_ns:
        following = 0 if last else ceil(min(level, traffic.longest) * traffic.slowest_ns)
        return following + receiver.idle_ns + held
    # Every byte that comes in time puts the time-out off, until there are enough of them.
    silences = level // traffic.shortest + 1
    return ceil(level * traffic.slowest_ns) + silences * receiver.idle_ns + held


def handler_delay(resolved: Resolved) -> int:
    """Return the longest time from a request to the end of its handler, in nanoseconds."""
    receiver = resolved.receiver
    load = receiver.interrupt_entry_ns
    load += receiver.fifo_bytes * receiver.interrupt_byte_ns if receiver.mode == "interrupt" else 0
    blocked = window_time(resolved, 0, ("handler", "both"))
    # A handler that runs already comes before it.
    return receiver.latency_ns + 2 * load + blocked


def fifo_bytes_needed(resolved: Resolved, traffic: Arrivals) -> int | None:
    """Return the most bytes the FIFO holds until a handler takes them; None where none empties it.

    The trigger's, and those that arrive until its handler starts.
    """
    receiver = resolved.receiver
    if receiver.mode != "interrupt":
        return None
    return receiver.trigger_bytes - 1 + traffic.bytes_in(handler_delay(resolved))
