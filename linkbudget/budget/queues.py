"""Messages that wait for one another: waiting times and ages of a queue with one server, in closed form.

The server is whatever takes one message at a time: the line, or a parser on a core of its own. Names are the
usual ones: first how messages come (``M`` at random, ``D`` evenly), then how long one takes (``M`` at random,
exponentially distributed, ``D`` always the same). First come, first served; all of it in the long run, for a
load (rate times mean service time) below 1, for ``D/D/1`` up to 1. Times are in one unit of your choice,
rates per that unit.

*Age* is the time since the newest message that has been served was made; it grows until the next one is
served. Sources: Pollaczek and Khinchine for waits; A. K. Erlang for their distribution (attribution from
memory); S. Kaul, R. Yates, M. Gruteser, "Real-time status: how often should one update?", IEEE INFOCOM 2012,
for ages (M/D/1 and D/M/1 from memory, confirmed by simulation in the tests). A formula for M/D/1 that is in
circulation, 1/λ + S + λS²/(1 - ρ), is wrong.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal, localcontext
from math import exp, floor, log

from linkbudget.errors import Fault, SettingsError, unknown_name
from linkbudget.units import is_finite_number

__all__ = [
    "QUEUES",
    "line_age",
    "mean_wait",
    "queue_age",
    "queue_peak_age",
    "queue_wait",
    "wait_distribution",
]

BISECTIONS = 200


def mean_wait(rate: float, service: float, mean_square: float) -> float:
    """Return how long messages that come at random wait: λ E[S²] / (2 (1 - ρ)), ``mean_square`` E[S²]."""
    _load_of(rate, service)
    return rate * mean_square / (2 * (1 - rate * service))


def queue_wait(kind: str, rate: float, service: float) -> float:
    """Return the mean time a message waits before it is served."""
    load = _load(kind, rate, service)
    waits: dict[str, Callable[[], float]] = {
        "M/M/1": lambda: mean_wait(rate, service, 2 * service**2),
        "M/D/1": lambda: mean_wait(rate, service, service**2),
        "D/M/1": lambda: service * (1 / (1 - _root(load)) - 1),
        "D/D/1": lambda: 0.0,
    }
    return waits[kind]()


def queue_age(kind: str, rate: float, service: float) -> float:
    """Return the mean age over time at the far end of the queue.

    >>> round(queue_age("M/D/1", 0.5, 1), 6)
    3.148721
    """
    load = _load(kind, rate, service)
    ages: dict[str, Callable[[], float]] = {
        "M/M/1": lambda: 1 + 1 / load + load**2 / (1 - load),
        "M/D/1": lambda: 1 / 2 + 1 / (2 * (1 - load)) + (1 - load) * exp(load) / load,
        "D/M/1": lambda: 1 / (2 * load) + 1 / (1 - _root(load)),
        "D/D/1": lambda: 1 + 1 / (2 * load),
    }
    return service * ages[kind]()


def queue_peak_age(kind: str, rate: float, service: float) -> float:
    """Return the mean age just before a message is served: time between two, waiting and service."""
    return 1 / rate + queue_wait(kind, rate, service) + service


def wait_distribution(load: float, wait: float) -> float:
    """Return the share of messages that wait no longer than ``wait`` service times in M/D/1."""
    if not 0 <= load < 1:
        raise SettingsError(Fault("load", load, "0 to below 1"))
    if not is_finite_number(wait) or wait < 0:
        raise SettingsError(Fault("wait", wait, "a number from 0 up"))
    with localcontext() as context:
        # Terms of both signs reach e^(2ρx); what is left of their sum is between 0 and 1.
        context.prec = 30 + int(wait)
        rho, x = Decimal(load), Decimal(wait)
        total = Decimal(0)
        for k in range(floor(wait) + 1):
            # (ρ (k - x))^k / k! e^(-ρ (k - x))
            power = Decimal(1)
            for factor in range(1, k + 1):
                power *= rho * (k - x) / factor
            total += power * (-rho * (k - x)).exp()
        return float((1 - rho) * total)


def line_age(rate: float, wire: float) -> float:
    """Return the mean age when messages made at random are sent one at a time, counted from their sending.

    ``wire`` is the time of one on the line, waiting in the sender left out, as in a replay, which sees a
    message only when it starts. W + E[Y²] / (2 E[Y]), Y the time from one end to the next: W when the next
    one waits already (with probability ρ), else a pause before it (derived, and equal to replays in the
    tests).
    """
    load = _load("M/D/1", rate, wire)
    return wire + load * wire / 2 + (1 - load) * (wire + 1 / rate)


QUEUES = ("M/M/1", "M/D/1", "D/M/1", "D/D/1")


def _load(kind: str, rate: float, service: float) -> float:
    if kind not in QUEUES:
        raise SettingsError(unknown_name("kind", kind, QUEUES))
    return _load_of(rate, service, full=kind == "D/D/1")


def _load_of(rate: float, service: float, full: bool = False) -> float:
    """Return rate times service time; a load of 1 is a fault unless the queue can be ``full``."""
    faults = [
        Fault(name, value, "a number above 0")
        for name, value in (("rate", rate), ("service", service))
        if not is_finite_number(value) or value <= 0
    ]
    if faults:
        raise SettingsError(faults)
    load = rate * service
    if load > 1 or (load == 1 and not full):
        allowed = "up to 1" if full else "below 1; at more the queue grows without end"
        raise SettingsError(Fault("rate * service", load, allowed))
    return load


def _root(load: float) -> float:
    """Return the root below 1 of β = exp(-(1 - β)/ρ)."""
    # The difference of both sides falls up to 1 + ρ ln ρ and is below 0 there.
    low, high = 0.0, 1 + load * log(load)
    for _ in range(BISECTIONS):
        middle = (low + high) / 2
        if exp(-(1 - middle) / load) > middle:
            low = middle
        else:
            high = middle
    return low
