"""Fixed-priority response times, and two bounds on utilisation.

Response times follow M. Joseph and P. Pandya, "Finding Response Times in a Real-Time System", The Computer
Journal 29(5), 1986, with blocking and release jitter as in A. Burns and A. Wellings, "Real-Time Systems and
Programming Languages", and with every job of the busy period looked at (J. Lehoczky, 1990; from memory), so
that a response longer than the period is right, too. All times are whole numbers of one unit, nanoseconds
unless you choose another; results are exact.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import prod

from linkbudget.errors import Fault, SettingsError
from linkbudget.units import is_whole_number

__all__ = [
    "Response",
    "Task",
    "hyperbolic_bound_met",
    "liu_layland_bound",
    "response_times",
    "utilisation",
]

# A set that uses all of the processor may have a busy period as long as the least common multiple of its
# periods; past so many steps it counts as having none.
MAX_STEPS = 100_000


@dataclass(frozen=True)
class Task:
    """A task: its cost and period (above 0), release jitter, blocking by lower ones, and deadline.

    The deadline, None for the period, counts from the release before jitter. Whole numbers in one
    unit of time, which is the caller's. Raises `SettingsError` with every fault.
    """

    name: str
    cost: int
    period: int
    jitter: int = 0
    blocking: int = 0
    deadline: int | None = None

    def __post_init__(self) -> None:
        lowest = {"cost": 0, "period": 1, "jitter": 0, "blocking": 0, "deadline": 1}
        faults = [
            Fault(f"{self.name}.{key}", getattr(self, key), f"a whole number from {least} up")
            for key, least in lowest.items()
            if getattr(self, key) is not None and not is_whole_number(getattr(self, key), least)
        ]
        if faults:
            raise SettingsError(faults)

    @property
    def latest(self) -> int:
        """The deadline; the period where none is given."""
        return self.period if self.deadline is None else self.deadline


@dataclass(frozen=True)
class Response:
    """The worst-case response of one task; ``time`` is None when no bound was found.

    ``iterates`` are the values the recurrence takes for the first job, from its cost on.
    """

    task: Task
    time: int | None
    iterates: tuple[int, ...]

    @property
    def meets_deadline(self) -> bool:
        """Return whether the response is known and in time."""
        return self.time is not None and self.time <= self.task.latest


def response_times(tasks: Iterable[Task]) -> list[Response]:
    """Return the worst-case response time of each task, given from highest to lowest priority.

    >>> [r.time for r in response_times([Task("a", 3, 7), Task("b", 3, 12), Task("c", 5, 20)])]
    [3, 6, 20]
    """
    ordered = list(tasks)
    return [_response(task, ordered[:index]) for index, task in enumerate(ordered)]


def _response(task: Task, higher: Sequence[Task]) -> Response:
    iterates: tuple[int, ...] = (task.cost,)
    if utilisation([*higher, task]) > 1:
        return Response(task, None, iterates)
    longest, job, window = 0, 0, task.cost
    steps = 0
    while True:
        fixed = task.blocking + (job + 1) * task.cost
        window = max(window, (job + 1) * task.cost)
        while True:
            demand = fixed + sum(-(-(window + other.jitter) // other.period) * other.cost for other in higher)
            steps += 1
            if steps > MAX_STEPS:
                return Response(task, None, iterates)
            if demand == window:
                break
            window = demand
            iterates += (window,) if job == 0 else ()
        longest = max(longest, window - job * task.period + task.jitter)
        if window <= (job + 1) * task.period - task.jitter:
            return Response(task, longest, iterates)
        job += 1


def utilisation(tasks: Iterable[Task]) -> Fraction:
    """Return the share of the processor the tasks take, exact."""
    return sum((Fraction(task.cost, task.period) for task in tasks), Fraction(0))


def liu_layland_bound(count: int) -> float:
    """Return n (2^(1/n) - 1): so many tasks with rate-monotonic priorities are schedulable below it.

    C. L. Liu and J. W. Layland, JACM 20(1), 1973. ``count`` from 1 up.
    """
    if count < 1:
        raise SettingsError(Fault("count", count, "a whole number from 1 up"))
    return float(count * (2 ** (1 / count) - 1))


def hyperbolic_bound_met(tasks: Iterable[Task]) -> bool:
    """Return whether prod(U + 1) <= 2, which suffices for rate-monotonic priorities; exact.

    E. Bini, G. C. Buttazzo, G. M. Buttazzo, 2003 (attribution from memory).
    """
    return prod((Fraction(task.cost, task.period) + 1 for task in tasks), start=Fraction(1)) <= 2
