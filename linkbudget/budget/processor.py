"""The processor of a link: what keeps it busy in the long run, and how soon handler, pass and reading answer.

*Shares* are of its time in the long run, for largest messages at their rates: work and what is sent per
period, parsing and handlers per message, busy windows. Above 1 in all, something has to give way, whatever
the order of things: releases are skipped, or bytes wait ever longer and are lost in the end.

*Response times* are upper bounds. Of the handler: from its request to its end, the latency, one handler that
runs already, windows that hold handlers back and its own largest load in it; its deadline is the moment the
FIFO runs over. Of a pass: from its release to its end, a fixed point in which handlers and windows are what
takes the processor away from it (`linkbudget.budget.longest_pass`, never below what a replay shows). Of a
reading step on a core of its own: the longest time it reads without a break.

Handlers run above passes, so that these are fixed-priority tasks. Two tests on utilisation alone say that all
deadlines are kept when every task ends by its next release: that of Liu and Layland and the hyperbolic one
(`linkbudget.budget.schedule`). They are enough and not necessary; here each task counts with its largest
cost and its shortest period.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import ceil, floor
from typing import Any

from linkbudget.budget.arrivals import Arrivals
from linkbudget.budget.backlog import reading_busy_period
from linkbudget.budget.freshness import message_time, on_time
from linkbudget.budget.handlers import handler_delay
from linkbudget.budget.longest_pass import PassBound, Sending
from linkbudget.budget.schedule import Task, hyperbolic_bound_met, liu_layland_bound, utilisation
from linkbudget.link.model import Resolved
from linkbudget.units import SizeRange

__all__ = ["Core", "Duty", "Sizes", "processor"]

Sizes = Mapping[str, tuple[SizeRange, Fraction | None]]
"""Bytes on the wire and rate of each message to the controller."""


@dataclass(frozen=True)
class Duty:
    """One thing a processor does: largest cost, shortest period, bound on its response, deadline; ns.

    ``response_ns`` is None where no bound was found, ``deadline_ns`` where there is none.
    """

    name: str
    cost_ns: int
    period_ns: int
    response_ns: int | None
    deadline_ns: int | None

    @property
    def met(self) -> bool | None:
        """Return whether it answers in time; None where there is no deadline."""
        if self.deadline_ns is None:
            return None
        return self.response_ns is not None and self.response_ns <= self.deadline_ns

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form, times in microseconds."""
        return {
            "name": self.name,
            "cost_us": self.cost_ns / 1000,
            "period_us": self.period_ns / 1000,
            "response_us": None if self.response_ns is None else self.response_ns / 1000,
            "deadline_us": None if self.deadline_ns is None else self.deadline_ns / 1000,
            "met": self.met,
        }


@dataclass(frozen=True)
class Core:
    """A processor core: shares of its time in the long run, its duties, and the two tests on utilisation.

    ``shares`` is None when some rate is not known, or when a free loop uses all time there is; ``tasks`` when
    the two tests do not apply, since one with a longer period comes before one with a shorter.
    """

    name: str
    shares: Mapping[str, Fraction] | None
    duties: tuple[Duty, ...]
    tasks: tuple[Task, ...] | None

    @property
    def utilisation(self) -> Fraction | None:
        """Return the sum of the shares."""
        return None if self.shares is None else sum(self.shares.values(), Fraction(0))

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        total, tasks = self.utilisation, self.tasks
        worst = utilisation(tasks) if tasks else None
        bound = liu_layland_bound(len(tasks)) if tasks else None
        return {
            "core": self.name,
            "utilisation": None if total is None else float(total),
            "shares": None if self.shares is None else {name: float(x) for name, x in self.shares.items()},
            "duties": [duty.to_dict() for duty in self.duties],
            "worst_utilisation": None if worst is None else float(worst),
            "liu_layland_bound": bound,
            "liu_layland_met": None if bound is None or worst is None else float(worst) <= bound,
            "hyperbolic_met": hyperbolic_bound_met(tasks) if tasks else None,
        }


def processor(
    resolved: Resolved,
    traffic: Arrivals | None,
    sending: Sequence[Sending],
    bound: PassBound | None,
    sizes: Sizes,
) -> tuple[Core, ...]:
    """Return the core of the passes, and that of the reading where it has one of its own."""
    own_core = resolved.reading.context == "own-core" and traffic is not None
    reading = _reading_shares(resolved, sizes)
    receives = [] if traffic is None else _handler(resolved, traffic)
    handlers = [] if traffic is None else [*map(_task, receives), *_silent_handler(resolved, traffic)]
    one_pass = _pass(resolved, bound)
    shares = _pass_shares(resolved, sending)
    own_tasks = [*_windows(resolved, ("loop", "both")), *map(_task, [one_pass] if one_pass.period_ns else [])]
    if not own_core:
        whole = None if shares is None or reading is None else {**reading, **shares}
        return (Core("passes", whole, (*receives, one_pass), _in_order([*handlers, *own_tasks])),)
    assert traffic is not None
    step = Duty("reading step", 0, 0, reading_busy_period(resolved, traffic), None)
    held = [*_windows(resolved, ("handler", "both")), *handlers]
    return (
        Core("passes", shares, (one_pass,), _in_order(own_tasks)),
        Core("reading", reading, (*receives, step), _in_order(held)),
    )


def _windows(resolved: Resolved, blocks: tuple[str, ...]) -> list[Task]:
    return [
        Task(f"busy[{at}]", busy.length_ns, busy.period_ns)
        for at, busy in enumerate(resolved.busy)
        if busy.blocks in blocks
    ]


def _in_order(tasks: Sequence[Task]) -> tuple[Task, ...] | None:
    """Return the tasks when those with shorter periods come first, as both tests need it; else None.

    Windows stand above handlers, handlers above passes. Windows that hold only the loop are above passes.
    """
    rank = {"busy": 0, "hand": 1, "pass": 2}
    ordered = sorted(tasks, key=lambda task: (rank[task.name[:4]], task.period))
    rising = all(above.period <= below.period for above, below in pairwise(ordered))
    return tuple(ordered) if rising else None


def _silent_handler(resolved: Resolved, traffic: Arrivals) -> list[Task]:
    """Return the handlers that silence calls for, at least a time-out and a shortest message apart."""
    receiver = resolved.receiver
    level = receiver.trigger_bytes > 1 if receiver.mode == "interrupt" else receiver.visible == "on-event"
    if receiver.mode == "polled" or not level or not receiver.idle_ns:
        return []
    apart = floor((traffic.shortest - 1) * traffic.spacing_ns) + receiver.idle_ns
    return [Task("handler after silence", receiver.interrupt_entry_ns, max(1, apart))]


def _task(duty: Duty) -> Task:
    return Task(duty.name, duty.cost_ns, duty.period_ns)


def _handler(resolved: Resolved, traffic: Arrivals) -> list[Duty]:
    """Return the receive handler, when there is one that takes time."""
    receiver = resolved.receiver
    cost, level, deadline = receiver.interrupt_entry_ns, 0, None
    if receiver.mode == "interrupt":
        level = receiver.trigger_bytes
        cost += level * receiver.interrupt_byte_ns
        # The byte that finds the FIFO full is lost.
        deadline = floor((receiver.fifo_bytes - level + 1) * traffic.spacing_ns)
    elif receiver.mode == "dma" and receiver.visible == "on-event":
        level = max(receiver.buffer_bytes // 2, 1)
    if not level:
        return []
    return [
        Duty("handler", cost, max(1, floor(level * traffic.spacing_ns)), handler_delay(resolved), deadline)
    ]


def _pass(resolved: Resolved, bound: PassBound | None) -> Duty:
    loop = resolved.loop
    cost = max(loop.work_ns) if bound is None else bound.work_ns + bound.reading_ns + bound.sending_ns
    response = None
    if bound is not None and (loop.when_late == "free" or on_time(resolved, bound)):
        response = bound.total_ns
    return Duty("pass", cost, loop.period_ns, response, loop.deadline_ns)


def _pass_shares(resolved: Resolved, sending: Sequence[Sending]) -> dict[str, Fraction] | None:
    loop = resolved.loop
    if loop.when_late == "free":
        return None
    windows = [busy for busy in resolved.busy if busy.blocks in ("loop", "both")]
    return {
        "work": Fraction(sum(loop.work_ns), len(loop.work_ns) * loop.period_ns),
        "sending": sum((Fraction(one.cost_ns, one.period_ns) for one in sending), Fraction(0)),
        "windows": sum((Fraction(busy.length_ns, busy.period_ns) for busy in windows), Fraction(0)),
    }


def _reading_shares(resolved: Resolved, sizes: Sizes) -> dict[str, Fraction] | None:
    """Return the shares of parsing and of handlers; None when some message has no known rate."""
    parsing = handlers = Fraction(0)
    for size, rate in sizes.values():
        if rate is None:
            return None
        parsing += rate * message_time(resolved, size.maximum, whole=True) / 10**9
        handlers += rate * _handlers_of(resolved, size.maximum) / 10**9
    return {"handlers": handlers, "reading": parsing}


def _handlers_of(resolved: Resolved, count: int) -> int:
    """Return the handlers' time on one message of so many bytes."""
    receiver = resolved.receiver
    if receiver.mode == "interrupt":
        starts = ceil(count / receiver.trigger_bytes)
        return starts * receiver.interrupt_entry_ns + count * receiver.interrupt_byte_ns
    if receiver.mode == "dma" and receiver.visible == "on-event":
        return receiver.interrupt_entry_ns
    return 0
