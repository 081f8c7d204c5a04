"""Two clocks: how far apart they are and how much faster one runs, from instants that both have seen.

* An *exchange* of question and answer gives the offset up to half the time on the way, because only the sum
  of both ways is known (RFC 5905 section 8; the error bound is Cristian's, 1989, from memory).
* Instants seen one way only, *x* when sent by one clock and *x + y* when received by the other, give the
  skew: *y* is a line, offset and skew, plus a delay that is never negative but varies. Least squares would
  take delays for skew. The line that lies below every point and as high as it can is the one of the linear
  programme of Moon, Skelly and Towsley (INFOCOM 1999): the edge of the lower convex hull above the mean of
  *x* (Zhang, Liu, Xia, INFOCOM 2002). The least delay cannot be told from the offset this way.

Everything is exact: instants are whole numbers, offset and skew fractions.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise

from linkbudget.errors import Fault, SettingsError
from linkbudget.units import round_half_up

__all__ = ["ClockFit", "ClockOffset", "Exchange", "fit_clock", "highest_line_below", "offset_of", "two_way"]


@dataclass(frozen=True)
class Exchange:
    """Four instants of a question and its answer, all in one unit.

    ``sent`` and ``returned`` are by the clock of the asking end, ``received`` and ``answered`` by the other.
    """

    sent: int | Fraction
    received: int | Fraction
    answered: int | Fraction
    returned: int | Fraction

    @property
    def offset(self) -> Fraction:
        """The other clock minus the asking end's, if both ways take equally long."""
        return Fraction(self.received - self.sent + self.answered - self.returned) / 2

    @property
    def delay(self) -> Fraction:
        """The time on both ways together."""
        return Fraction(self.returned - self.sent - (self.answered - self.received))


@dataclass(frozen=True)
class ClockOffset:
    """How much another clock is ahead, and by how much that may be wrong at most."""

    offset: Fraction
    error: Fraction


def offset_of(exchanges: Iterable[Exchange], least_delay: int | Fraction = 0) -> ClockOffset:
    """Return the offset that the exchange with the shortest way gives; its error is the smallest there is.

    ``least_delay`` is a time that one way always takes, which narrows the error.
    """
    delays = [(exchange.delay, number, exchange) for number, exchange in enumerate(exchanges)]
    if not delays:
        raise SettingsError(Fault("exchanges", 0, "at least one"))
    delay, _, best = min(delays)
    error = delay / 2 - Fraction(least_delay)
    if error < 0:
        allowed = f"at most half of the shortest way there and back, {delay}"
        raise SettingsError(Fault("least_delay", str(least_delay), allowed))
    return ClockOffset(best.offset, error)


def lower_hull(points: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Return the corners of the lower convex hull, from left to right (Andrew's monotone chain)."""
    hull: list[tuple[int, int]] = []
    for x, y in sorted(points):
        if hull and hull[-1][0] == x:
            continue  # a higher point at the same place
        while len(hull) > 1:
            (x0, y0), (x1, y1) = hull[-2:]
            if (y1 - y0) * (x - x0) < (y - y0) * (x1 - x0):
                break
            hull.pop()
        hull.append((x, y))
    return hull


def highest_line_below(xs: Sequence[int], ys: Sequence[int]) -> tuple[Fraction, Fraction]:
    """Return slope and intercept of the line that is below every point and whose sum of distances is least.

    One place alone gives slope 0. Where two edges of the hull serve equally well, the longer is taken.
    """
    if not xs or len(xs) != len(ys):
        raise SettingsError(Fault("points", len(xs), "at least one, as many instants as differences"))
    hull = lower_hull(zip(xs, ys, strict=True))
    if len(hull) == 1:
        return Fraction(0), Fraction(hull[0][1])
    total, count = sum(xs), len(xs)
    spanning = [edge for edge in pairwise(hull) if edge[0][0] * count <= total <= edge[1][0] * count]
    (x0, y0), (x1, y1) = max(spanning, key=lambda edge: edge[1][0] - edge[0][0])
    slope = Fraction(y1 - y0, x1 - x0)
    return slope, y0 - slope * x0


@dataclass(frozen=True)
class ClockFit:
    """The time of another clock as a line over one's own: ``other = own + offset_ns + skew * own``.

    Where instants were seen one way only, ``offset_ns`` includes the least delay. ``delay_ns`` is the largest
    delay above that.
    """

    offset_ns: Fraction
    skew: Fraction
    delay_ns: int = 0

    @property
    def skew_ppm(self) -> float:
        """How much faster the other clock runs, in millionths."""
        return float(self.skew * 10**6)

    def to_other(self, own_ns: int) -> int:
        """Return an instant of the own clock by the other one, in nanoseconds rounded half up."""
        return round_half_up(own_ns + self.offset_ns + self.skew * own_ns)

    def to_own(self, other_ns: int) -> int:
        """Return an instant of the other clock by the own one, in nanoseconds rounded half up."""
        return round_half_up((other_ns - self.offset_ns) / (1 + self.skew))

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form."""
        return {
            "offset_ns": round_half_up(self.offset_ns),
            "skew_ppm": self.skew_ppm,
            "delay_ns": self.delay_ns,
        }


def fit_clock(own_ns: Sequence[int], other_ns: Sequence[int]) -> ClockFit:
    """Return how the other clock runs, from instants at which something left here and arrived there."""
    differences = [other - own for own, other in zip(own_ns, other_ns, strict=True)]
    skew, offset = highest_line_below(own_ns, differences)
    above = (y - offset - skew * x for x, y in zip(own_ns, differences, strict=True))
    return ClockFit(offset, skew, round_half_up(max(above)))


def two_way(there: ClockFit, back: ClockFit, at_ns: int = 0) -> tuple[ClockFit, Fraction]:
    """Return how the other clock runs, from fits of what went there and of what came back; and the error.

    ``there`` has the own clock first, ``back`` the other one. The least delays of both ways are taken as
    equal; the error is how much the offset is wrong at most when they are not, at ``at_ns`` of the own clock.
    """
    # back says own = other + offset + skew * other, and so other = (own - offset) / (1 + skew).
    rate = 1 / (1 + back.skew)
    returning = ClockFit(-back.offset_ns * rate, rate - 1)
    offset, skew = (there.offset_ns + returning.offset_ns) / 2, (there.skew + returning.skew) / 2
    apart = there.offset_ns - returning.offset_ns + (there.skew - returning.skew) * at_ns
    return ClockFit(offset, skew, max(there.delay_ns, back.delay_ns)), apart / 2
