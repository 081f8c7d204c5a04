"""How old the data are when they are used.

Age at use runs from the moment the data describe to the start of the work of the pass that uses them: the
sender's time before the first start bit, the wire, handing over to the software, waiting for a reading step,
and waiting for the next work. With the reading step last, what one pass reads the next pass uses.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from linkbudget.budget.arrivals import Arrivals
from linkbudget.budget.backlog import backlog_spacing, passes_to_read, reading_busy_period
from linkbudget.budget.handlers import delivery_delay
from linkbudget.budget.longest_pass import PassBound, between_starts, start_delay
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
    "on_time",
    "peak_age",
    "random_age",
    "random_held_peak_age",
]


@dataclass(frozen=True)
class Age:
    """Age at use in nanoseconds; None where there is no bound, or no usual value."""

    minimum: Fraction
    typical: Fraction | None
    maximum: Fraction | None


def _kept(loss: float) -> float:
    """Return the share of updates that are not lost."""
    if not 0 <= loss < 1:
        raise SettingsError(Fault("loss", loss, "a share from 0 to below 1"))
    return 1 - loss


def mean_age(period: float, delay: float, loss: float = 0) -> float:
    """Return the mean age over time of updates every ``period``, each ``delay`` old when it arrives.

    D + T (1 + p) / (2 (1 - p)), *p* the share of updates lost at random, 0 up to below 1 (derived, and
    confirmed by simulation). Same unit for all times. Raises `SettingsError` for another ``loss``.
    """
    return delay + period * (1 + loss) / (2 * _kept(loss))


def peak_age(period: float, delay: float, loss: float = 0) -> float:
    """Return the mean age just before an update arrives: D + T / (1 - p). See `mean_age`."""
    return delay + period / _kept(loss)


def random_age(rate: float, delay: float, loss: float = 0) -> float:
    """Return the mean age over time of updates that come at random, ``rate`` in a unit of time.

    D + 1 / (λ (1 - p)): looked at at any instant, the newest is as old as a new one is to be waited for. It
    is the mean age just before an update arrives as well, for the same reason (derived). For updates that
    wait for one another see `linkbudget.budget.queues`.
    """
    if not rate > 0:
        raise SettingsError(Fault("rate", rate, "a number above 0"))
    return delay + 1 / (rate * _kept(loss))


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
        return delay + every / 2 + period / _kept(loss)
    if loss:
        raise SettingsError(Fault("loss", loss, "0 where updates come more often than looks"))
    return delay + period / 2 + every


def random_held_peak_age(rate: float, delay: float, every: float, loss: float = 0) -> float:
    """Return the same for updates that come at random: D + 1 / (λ (1 - p)) + T (derived)."""
    return random_age(rate, delay, loss) + every


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
    backlog = backlog_spacing(resolved, traffic, bound)
    if resolved.reading.context == "first":
        return delivery + max(spacing, phase) + (passes - 1) * backlog + bound.total_ns
    return delivery + max(spacing - min(resolved.loop.work_ns), phase) + passes * backlog + delay
