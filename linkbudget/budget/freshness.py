"""How old the data are when they are used, and how long bytes wait to be read.

Age at use runs from the moment the data describe to the start of the work of the pass that uses them: the
sender's time before the first start bit, the wire, handing over to the software, waiting for a reading step,
and waiting for the next work. With the reading step last, what one pass reads the next pass uses.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from linkbudget.budget.arrivals import Arrivals, Line
from linkbudget.budget.longest_pass import (
    PassBound,
    between_looks,
    between_starts,
    delivery_delay,
    handler_time,
    longest_pass,
    reading_cost,
    start_delay,
)
from linkbudget.errors import Fault, SettingsError
from linkbudget.link.model import Resolved
from linkbudget.units import SizeRange

__all__ = [
    "Age",
    "age_at_use",
    "held_age",
    "held_peak_age",
    "mean_age",
    "message_time",
    "passes_to_read",
    "peak_age",
    "random_age",
    "random_held_peak_age",
    "stall_bytes",
    "unread_bytes",
]

MAX_PASSES = 10_000
CEILING_NS = 10 * 10**9


@dataclass(frozen=True)
class Age:
    """Age at use in nanoseconds; None where there is no bound, or no usual value."""

    minimum: Fraction
    typical: Fraction | None
    maximum: Fraction | None


def mean_age(period: float, delay: float, loss: float = 0) -> float:
    """Return the mean age over time of updates every ``period``, each ``delay`` old when it arrives.

    D + T (1 + p) / (2 (1 - p)), *p* the share of updates lost at random, 0 up to below 1 (derived, and
    confirmed by simulation). Same unit for all times.
    """
    return delay + period * (1 + loss) / (2 * (1 - loss))


def peak_age(period: float, delay: float, loss: float = 0) -> float:
    """Return the mean age just before an update arrives: D + T / (1 - p). See `mean_age`."""
    return delay + period / (1 - loss)


def random_age(rate: float, delay: float, loss: float = 0) -> float:
    """Return the mean age over time of updates that come at random, ``rate`` in a unit of time.

    D + 1 / (λ (1 - p)): looked at at any instant, the newest is as old as a new one is to be waited for. It
    is the mean age just before an update arrives as well, for the same reason (derived). For updates that
    wait for one another see `linkbudget.budget.queues`.
    """
    return delay + 1 / (rate * (1 - loss))


def held_age(age: float, every: float) -> float:
    """Return the mean age over time of what is looked at once in ``every`` and held in between.

    ``age`` is the mean age where it is looked at. Half of ``every`` more, whatever the arrivals, as long as
    they keep no fixed phase to the looks (derived).
    """
    return age + every / 2


def held_peak_age(period: float, delay: float, every: float, loss: float = 0) -> float:
    """Return the mean age just before a look, once in ``every``, finds something new of periodic updates.

    The mean age when it was found and the mean time until the next is: D + T/2 + P / (1 - p) for updates that
    come no more often than looks; D + P/2 + T, a new one at each look, for more frequent ones, none of which
    may be lost (derived). Raises `SettingsError` for frequent ones with losses.
    """
    if period >= every:
        return delay + every / 2 + period / (1 - loss)
    if loss:
        raise SettingsError(Fault("loss", loss, "0 where updates come more often than looks"))
    return delay + period / 2 + every


def random_held_peak_age(rate: float, delay: float, every: float, loss: float = 0) -> float:
    """Return the same for updates that come at random: D + 1 / (λ (1 - p)) + T (derived)."""
    return random_age(rate, delay, loss) + every


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
    return window, _backlog_spacing(resolved, traffic, bound)


def _backlog_spacing(resolved: Resolved, traffic: Arrivals, bound: PassBound) -> int:
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


def age_at_use(resolved: Resolved, traffic: Arrivals, size: SizeRange, bound: PassBound | None) -> Age:
    """Return the age at use of one message with ``size`` bytes on the wire.

    The typical one is for typical sizes that arrive anywhere in the period, and passes in time; with passes
    that may be late there is none. The maximum is None when bytes may wait without bound.
    """
    sent = resolved.sender.capture_to_send_ns
    minimum = sent + _wire_ns(resolved, size.minimum)
    if bound is None:
        return Age(minimum, None, None)
    longest = _longest_wait(resolved, traffic, bound)
    maximum = None if longest is None else sent + _wire_ns(resolved, size.maximum) + longest
    if not on_time(resolved, bound):
        return Age(minimum, None, maximum)
    period, work = between_starts(resolved, bound.total_ns), resolved.loop.work_ns
    if resolved.reading.context == "last":
        minimum += max(0, period - bound.total_ns) if resolved.loop.when_late != "free" else 0
        waiting = Fraction(3 * period, 2) - Fraction(sum(work), len(work))
    else:
        # The work that uses a message comes after its own parsing.
        waiting = Fraction(period, 2) + message_time(resolved, size.typical)
    return Age(minimum, sent + _wire_ns(resolved, size.typical) + waiting, maximum)


def message_time(resolved: Resolved, count: int, whole: bool = False) -> Fraction:
    """Return the parser's time on one message of so many bytes, with its share of the pauses.

    It is the time after its last byte came: a step that waits for whole messages has read the others by then.
    With ``whole`` it is all of its time.
    """
    parser, reading = resolved.parser, resolved.reading
    waits = reading.strategy == "whole-message"
    read = 1 if waits and not whole else count
    calls = read if waits or reading.take == "per-byte" else 1
    pauses = Fraction(count * parser.pause_ns, parser.pause_every_bytes) if parser.pause_every_bytes else 0
    end = parser.message_ns + count * parser.message_byte_ns
    return calls * parser.read_call_ns + read * parser.byte_ns + end + Fraction(pauses)


def _wire_ns(resolved: Resolved, count: int) -> Fraction:
    gaps = max(count - 1, 0) * resolved.sender.gap_ns
    return count * resolved.character_time_s * 10**9 + gaps


def on_time(resolved: Resolved, bound: PassBound) -> bool:
    """Return whether a pass of that length ends by its deadline, and by the next release."""
    loop = resolved.loop
    return bound.total_ns <= loop.deadline_ns and (
        loop.when_late == "free" or bound.total_ns <= loop.period_ns
    )


def _longest_wait(resolved: Resolved, traffic: Arrivals, bound: PassBound) -> int | None:
    """Return the longest time from the last byte's arrival to the work that uses its message."""
    delivery = delivery_delay(resolved, traffic, last=True)
    delay = start_delay(resolved, traffic)
    if delivery is None or delay is None:
        return None
    spacing, phase = between_starts(resolved, bound.total_ns), resolved.loop.phase_ns
    if resolved.reading.context == "own-core":
        reading = reading_busy_period(resolved, traffic)
        return None if reading is None else delivery + reading + max(spacing, phase) + delay
    passes = passes_to_read(resolved, traffic, bound)
    if passes is None:
        return None
    # The bytes just missed a reading step, or wait for the first pass of all. Then come the passes that read.
    backlog = _backlog_spacing(resolved, traffic, bound)
    if resolved.reading.context == "first":
        return delivery + max(spacing, phase) + (passes - 1) * backlog + bound.total_ns
    return delivery + max(spacing - min(resolved.loop.work_ns), phase) + passes * backlog + delay
