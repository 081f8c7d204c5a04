"""What the receiving end needs for the messages of a link: time, room for bytes; and how old data get."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from math import ceil
from typing import Any

from linkbudget.budget.arrivals import Arrivals, arrivals, message_rates
from linkbudget.budget.backlog import stall_bytes, unread_bytes
from linkbudget.budget.freshness import age_at_use, held_peak_age, mean_age, on_time
from linkbudget.budget.handlers import delivery_delay, fifo_bytes_needed
from linkbudget.budget.longest_pass import PassBound, Sending, between_starts, longest_pass
from linkbudget.budget.processor import Core, Sizes, processor
from linkbudget.link.model import Link, Resolved
from linkbudget.units import exact

__all__ = ["ReceivingEnd", "bound_us", "receiving_end"]

LOSSES = "bytes can be lost, and then a message can be longer than any that was sent"
NO_AGE: dict[str, float | None] = dict.fromkeys(("minimum", "typical", "maximum", "mean", "peak"))


@dataclass(frozen=True)
class ReceivingEnd:
    """The figures of the receiving end; None has no bound, or needs a loop that is not described.

    ``longest_pass`` holds for messages at their rates, ``longest_pass_any_traffic`` for whole messages back
    to back. ``per_pass_bytes``, ``buffer_bytes_needed`` and ``fifo_bytes_needed`` are bytes at most,
    ``age_us`` has the least and the greatest age at use in microseconds. ``keeps_up``: the bytes that wait
    have a bound, so that ``buffer_bytes_needed`` is not only for one longest stall. ``loses_nothing``: buffer
    and FIFO are large enough. ``processor`` has what keeps each core busy and how soon it answers.
    """

    per_pass_bytes: int | None = None
    longest_pass: PassBound | None = None
    longest_pass_any_traffic: PassBound | None = None
    buffer_bytes_needed: int | None = None
    fifo_bytes_needed: int | None = None
    age_us: Mapping[str, float | None] = field(default_factory=lambda: NO_AGE)
    keeps_deadline: bool | None = None
    keeps_up: bool = False
    loses_nothing: bool = False
    processor: tuple[Core, ...] = ()
    warnings: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the keys of the ``budget`` JSON that concern the receiving end."""
        return {
            "per_pass_bytes": self.per_pass_bytes,
            "longest_pass_us": bound_us(self.longest_pass),
            "longest_pass_any_traffic_us": bound_us(self.longest_pass_any_traffic),
            "buffer_bytes_needed": self.buffer_bytes_needed,
            "fifo_bytes_needed": self.fifo_bytes_needed,
            "age_us": dict(self.age_us),
            "processor": [core.to_dict() for core in self.processor],
        }


def bound_us(bound: PassBound | None) -> float | None:
    """Return the length of a pass in microseconds."""
    return None if bound is None else bound.total_ns / 1000


def receiving_end(link: Link, sizes: Sizes) -> ReceivingEnd:
    """Return the figures of the receiving end; without a loop the age ends when the last byte arrives."""
    if not link.loop.described:
        warning = "there is no [loop]: ages end with the last byte, and nothing is said of passes"
        return ReceivingEnd(age_us=_wire_ages(link, sizes), warnings=(warning,))
    resolved = link.resolve()
    calm, full = arrivals(link, "to-controller", True), arrivals(link, "to-controller", False)
    sending = _sending(link, resolved)
    bound = longest_pass(resolved, calm, sending)
    needed: int | None = 0
    fifo: int | None = 0
    age, warnings, keeps_up = NO_AGE, list[str](), True
    if calm is not None:
        needed, keeps_up, warnings = _unread(resolved, calm, bound)
        fifo = needed if resolved.receiver.mode == "polled" else fifo_bytes_needed(resolved, calm)
        age = _ages(resolved, calm, bound, sizes)
        warnings += _overruns(resolved, needed, fifo)
    period = resolved.loop.period_ns
    return ReceivingEnd(
        per_pass_bytes=ceil(period / (resolved.character_time_s * 10**9)) if period else None,
        longest_pass=bound,
        longest_pass_any_traffic=longest_pass(resolved, full, sending),
        buffer_bytes_needed=needed,
        fifo_bytes_needed=fifo,
        age_us=age,
        keeps_deadline=bound is not None and on_time(resolved, bound),
        keeps_up=keeps_up,
        loses_nothing=not warnings,
        processor=processor(resolved, calm, sending, bound, sizes),
        warnings=tuple(warnings),
    )


def _unread(
    resolved: Resolved, traffic: Arrivals, bound: PassBound | None
) -> tuple[int | None, bool, list[str]]:
    """Return the room for bytes, whether it is enough in the long run, and what has to be said of it."""
    warnings = []
    if delivery_delay(resolved, traffic) is None:
        warnings.append(
            "receiver: it waits for several bytes and has no time-out (idle_bits = 0), so the last bytes of "
            "a message stay unseen until the next message comes"
        )
    needed = unread_bytes(resolved, traffic, bound)
    if needed is not None:
        return needed, True, warnings
    if bound is not None and resolved.reading.context != "own-core":
        needed = stall_bytes(resolved, traffic, bound)
    held = "no bound was found" if needed is None else f"{needed} bytes are for one longest stall"
    warnings.append(
        f"buffer_bytes_needed: {held}; were every pass the longest, reading would not keep up with the "
        f"messages: {LOSSES}"
    )
    return needed, False, warnings


def _overruns(resolved: Resolved, needed: int | None, fifo: int | None) -> list[str]:
    """Return what is too small. Bounds on passes and ages hold only while nothing is lost."""
    receiver = resolved.receiver
    rooms = [("fifo_bytes", receiver.fifo_bytes, fifo)]
    if receiver.mode != "polled":
        rooms.append(("buffer_bytes", receiver.buffer_bytes, needed))
    return [
        f"receiver.{name} = {room} is less than the {most} bytes that may wait there: {LOSSES}"
        for name, room, most in rooms
        if most is not None and most > room
    ]


def _sending(link: Link, resolved: Resolved) -> tuple[Sending, ...]:
    """Return what messages to the module may cost a pass: encoding, and the wire when writes block."""
    rates = message_rates(link)
    found = []
    for message in link.messages_of("to-module"):
        rate = rates[message.name]
        largest = link.codec("to-module").size(message.name).maximum
        waiting = largest if resolved.transmit.write == "blocking" else 0
        cost = resolved.transmit.per_message_ns + ceil(link.line.transmit_time(waiting) * 10**9)
        if rate is not None and cost:
            found.append(Sending(cost, int(10**9 / rate)))
    return tuple(found)


def _wire_ages(link: Link, sizes: Sizes) -> dict[str, float | None]:
    """Return the ages when the last byte arrives."""
    sent, gap = exact(link.sender.capture_to_send_us) / 10**6, exact(link.sender.gap_us) / 10**6
    ages = {}
    for which, choose in (("minimum", min), ("typical", max), ("maximum", max)):
        counts = [getattr(size, which) for size, _ in sizes.values()]
        times = [sent + link.line.transmit_time(count) + max(count - 1, 0) * gap for count in counts]
        ages[which] = float(choose(times) * 10**6) if times else None
    return NO_AGE | ages


def _ages(
    resolved: Resolved, traffic: Arrivals, bound: PassBound | None, sizes: Sizes
) -> dict[str, float | None]:
    """Return the age at use over all messages to the controller, and mean and mean peak age over time.

    Least, largest typical, largest; the mean is the typical age and half a period of the message, the peak
    that just before it is used. Both are the largest over the messages.
    """
    rows = [(rate, age_at_use(resolved, traffic, size, bound)) for size, rate in sizes.values()]
    means = [
        mean_age(float(10**6 / rate), float(age.typical / 1000))
        for rate, age in rows
        if age.typical is not None and rate is not None
    ]
    turn_us = 0.0 if bound is None else between_starts(resolved, bound.total_ns) / 1000
    peaks = [
        held_peak_age(float(10**6 / rate), float(age.typical / 1000) - turn_us / 2, turn_us)
        for rate, age in rows
        if age.typical is not None and rate is not None
    ]
    ages = [age for _, age in rows]
    return {
        "minimum": float(min(age.minimum for age in ages) / 1000),
        "typical": _largest_us([age.typical for age in ages]),
        "maximum": _largest_us([age.maximum for age in ages]),
        "mean": max(means) if len(means) == len(rows) else None,
        "peak": max(peaks) if len(peaks) == len(rows) else None,
    }


def _largest_us(times: Iterable[Fraction | None]) -> float | None:
    """Return the largest in microseconds; None as soon as one has no bound."""
    known = list(times)
    bounded = [time for time in known if time is not None]
    return float(max(bounded) / 1000) if bounded and len(bounded) == len(known) else None
