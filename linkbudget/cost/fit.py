"""Costs from samples: what a read call, a byte, a message take, when only sums of them were measured.

Theory. A sample is a stretch of time and how often each cost fell due in it. Costs are never negative, so the
fit is least squares with that bound: of all subsets of the costs (they are few) the one whose unbounded
solution is not negative and leaves the least sum of squares, and of equal ones the smallest. That is the
optimum, because at the bounded optimum the costs above zero solve the unbounded problem among themselves
(C. L. Lawson and R. J. Hanson, Solving Least Squares Problems, 1974, chapter 23; from memory).

The robust fit leaves out what does not belong: it begins with the least sum of absolute residuals, which half
the samples cannot move, leaves out those that are far away from others of their kind (`replay.residuals`; a
kind has the same costs in it), fits least squares to the rest, and repeats until the same are left out.

What samples cannot tell is said, never hidden:

* A cost that no sample contains is *absent*.
* Costs whose counts are exact multiples or sums of each other (every call ends one message) cannot be told
  apart. Their sum is known; it stands under the first of them in the order of `NAMES` that fits.
* Costs that nearly go together can *hardly* be told apart: a condition index above 30 with more than half of
  the variance of two or more of them (D. A. Belsley, E. Kuh, R. E. Welsch, Regression Diagnostics, 1980,
  section 3.2; from memory).
* A cost that would come out negative is 0 and *at the bound*.

Standard errors are those of ordinary least squares on the costs above zero; they are None where a cost is not
determined by the samples.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt

from linkbudget.errors import Fault, SettingsError
from linkbudget.replay.residuals import Floats, far_ones, shares, spread

__all__ = ["NAMES", "CostFit", "FittedCost", "Samples", "fit_costs", "nonnegative_fit"]

NAMES = ("work", "message", "byte", "read_call", "message_byte", "skip_byte", "pause")
"""The costs, in the order in which they take what cannot be told apart; ``work`` may have numbers behind."""

MOST_COSTS = 12  # 4096 subsets
DEPENDENT = 1e-7
LARGE_CONDITION = 30.0
ROUNDS = 60

Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Samples:
    """Measured stretches of time: ``time_ns`` float64[n], and the counts of each cost, float64[n, costs].

    Arrays are read-only. Made by `Samples.of`, which puts the costs in the order of `NAMES`.
    """

    names: tuple[str, ...]
    counts: Floats
    time_ns: Floats

    @classmethod
    def of(cls, time_ns: npt.ArrayLike, counts: Mapping[str, npt.ArrayLike]) -> Samples:
        """Return samples of these times and counts, one array of equal length for each cost.

        Raises `SettingsError` for no sample, unequal lengths, an unknown cost, and for numbers that are not
        finite or, as counts, negative.
        """
        times = np.array(time_ns, dtype=np.float64)
        faults = []
        if times.ndim != 1 or not times.size:
            faults.append(Fault("time_ns", times.shape, "one time for each sample, at least one"))
        elif not np.isfinite(times).all():
            faults.append(Fault("time_ns", None, "finite numbers", problem="holds what is no number"))
        columns = {name: np.array(column, dtype=np.float64) for name, column in counts.items()}
        if not 1 <= len(columns) <= MOST_COSTS:
            faults.append(Fault("counts", len(columns), f"1 to {MOST_COSTS} costs"))
        for name, column in columns.items():
            if name not in NAMES and not name.removeprefix("work").isdigit():
                faults.append(Fault(f"counts[{name!r}]", name, ", ".join(NAMES)))
            if column.shape != times.shape:
                faults.append(Fault(f"counts[{name!r}]", column.shape, f"one count for each of {times.size}"))
            elif not (np.isfinite(column) & (column >= 0)).all():
                faults.append(Fault(f"counts[{name!r}]", None, "0 or more", problem="holds other numbers"))
        if faults:
            raise SettingsError(faults)
        names = tuple(sorted(columns, key=_rank))
        matrix = np.column_stack([columns[name] for name in names])
        for array in (matrix, times):
            array.setflags(write=False)
        return cls(names, matrix, times)

    def __len__(self) -> int:
        return int(self.time_ns.size)


def _rank(name: str) -> tuple[int, str]:
    return (NAMES.index(name), "") if name in NAMES else (0, name.zfill(20))


@dataclass(frozen=True)
class FittedCost:
    """One cost: ``ns`` per unit, its standard error (None: not determined), and how it was come by.

    ``state`` is ``fitted``, ``bound`` (0, because the samples ask for less), ``shared`` (it cannot be told
    apart from others; see `CostFit.groups`) or ``absent`` (no sample contains it).
    """

    ns: float
    error_ns: float | None
    state: str

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form, in microseconds."""
        error = None if self.error_ns is None else self.error_ns / 1e3
        return {"us": self.ns / 1e3, "error_us": error, "state": self.state}


@dataclass(frozen=True, eq=False)
class CostFit:
    """Costs fitted to samples.

    ``groups`` are costs that cannot be told apart, ``near_groups`` those that hardly can. ``residual_ns`` is
    measured minus fitted for each sample, ``outliers`` marks those left out; ``spread_ns`` is the robust
    standard deviation of the residuals, ``rms_ns`` the ordinary one of the samples kept. ``variance_share``
    and ``time_share`` say how much of all samples, outliers included, the fit explains (`shares`). Arrays are
    read-only and have one entry for each sample.
    """

    costs: Mapping[str, FittedCost]
    groups: tuple[tuple[str, ...], ...]
    near_groups: tuple[tuple[str, ...], ...]
    residual_ns: Floats
    outliers: Bools
    spread_ns: float
    rms_ns: float
    variance_share: float | None
    time_share: float | None

    def ns(self, name: str) -> float:
        """Return a cost in nanoseconds, 0 for one that was not asked for."""
        return self.costs[name].ns if name in self.costs else 0.0

    @property
    def notes(self) -> tuple[str, ...]:
        """What the samples could not tell, in sentences."""
        return tuple(self._notes())

    def _notes(self) -> Iterator[str]:
        for group in self.groups:
            yield (
                f"{_listed(group)} cannot be told apart in these samples: their sum is known,"
                " how it is divided is not"
            )
        for group in self.near_groups:
            yield f"{_listed(group)} can hardly be told apart in these samples; see their standard errors"
        for state, text in (
            ("absent", "no sample contains {}: taken as 0"),
            ("bound", "{} would come out negative: taken as 0"),
        ):
            names = [name for name, cost in self.costs.items() if cost.state == state]
            if names:
                yield text.format(_listed(names))

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form; times in microseconds."""
        return {
            "costs": {name: cost.to_dict() for name, cost in self.costs.items()},
            "samples": int(self.residual_ns.size),
            "left_out": int(np.count_nonzero(self.outliers)),
            "residual_us": {
                "rms": self.rms_ns / 1e3,
                "spread": self.spread_ns / 1e3,
                "largest": float(np.abs(self.residual_ns).max()) / 1e3,
            },
            "explained": {"variance": self.variance_share, "time": self.time_share},
            "not_told_apart": [list(group) for group in self.groups],
            "hardly_told_apart": [list(group) for group in self.near_groups],
            "notes": list(self.notes),
        }


def _listed(names: Sequence[str]) -> str:
    *others, last = names
    return f"{', '.join(others)} and {last}" if others else last


def fit_costs(samples: Samples, *, robust: bool = True, resolution_ns: float = 1.0) -> CostFit:
    """Return the costs that explain the samples best, none of them negative.

    ``robust`` leaves out samples that do not belong (the rule is in the module's text); ``resolution_ns`` is
    the step of the clock, below which no residual counts as one.

    >>> samples = Samples.of([1_000, 2_000, 3_000, 90_000], {"byte": [10, 20, 30, 40]})
    >>> fit = fit_costs(samples)
    >>> round(fit.ns("byte")), fit.outliers.tolist()
    (100, [False, False, False, True])
    """
    counts, times = samples.counts, samples.time_ns
    outliers = np.zeros(times.size, dtype=bool)
    values = nonnegative_fit(counts, times)
    if robust:
        outliers = _left_out(counts, times, resolution_ns)
        values = nonnegative_fit(counts[~outliers], times[~outliers])
    residual = times - counts @ values
    for array in (residual, outliers):
        array.setflags(write=False)
    kept, inside = counts[~outliers], residual[~outliers]
    groups = dependent_groups(kept, samples.names)
    costs, near = _judged(kept, inside, values, samples.names, groups)
    return CostFit(
        costs=costs,
        groups=groups,
        near_groups=near,
        residual_ns=residual,
        outliers=outliers,
        spread_ns=spread(residual),
        rms_ns=float(np.sqrt(np.mean(inside**2))),
        **shares(times, residual),
    )


def _left_out(counts: Floats, times: Floats, resolution_ns: float) -> Bools:
    _, kinds = np.unique(counts > 0, axis=0, return_inverse=True)
    values = _least_absolute(counts, times, resolution_ns)
    outliers = far_ones(times - counts @ values, resolution_ns, kinds)
    for _ in range(ROUNDS):
        values = nonnegative_fit(counts[~outliers], times[~outliers])
        again = far_ones(times - counts @ values, resolution_ns, kinds)
        if np.array_equal(again, outliers) or again.all():
            break
        outliers = again
    return outliers


def _least_absolute(counts: Floats, times: Floats, resolution_ns: float) -> Floats:
    """Return the costs of the least sum of absolute residuals, by reweighted least squares."""
    values = nonnegative_fit(counts, times)
    floor = max(resolution_ns, 1e-9) / 16
    for _ in range(ROUNDS):
        weight = 1 / np.sqrt(np.maximum(np.abs(times - counts @ values), floor))
        following = nonnegative_fit(counts * weight[:, None], times * weight)
        if np.allclose(following, values, rtol=1e-10, atol=0):
            break
        values = following
    return following


def nonnegative_fit(counts: Floats, times: Floats) -> Floats:
    """Return the least-squares costs that are not negative; the earliest and fewest of equally good ones."""
    scale = np.sqrt(np.sum(counts**2, axis=0))
    scale[scale == 0] = 1.0
    columns = counts / scale
    if columns.shape[0] > columns.shape[1]:
        left, columns = np.linalg.qr(columns)
        rest = float(times @ times)
        times = left.T @ times
    else:
        rest = float(times @ times)
    count = columns.shape[1]
    kept = _independent(columns)
    values = np.zeros(count)
    values[kept] = np.linalg.lstsq(columns[:, kept], times, rcond=None)[0]
    if values.min(initial=0.0) < 0:
        values = _best_subset(columns, times, rest)
    result: Floats = values / scale
    return result


def _best_subset(columns: Floats, times: Floats, total: float) -> Floats:
    best, least = np.zeros(columns.shape[1]), float(times @ times)
    slack = 1e-12 * total
    for size in range(1, columns.shape[1] + 1):
        for subset in map(list, combinations(range(columns.shape[1]), size)):
            part = columns[:, subset]
            found, _, rank, _ = np.linalg.lstsq(part, times, rcond=DEPENDENT)
            if rank < size or found.min() < 0:
                continue
            left = float(np.sum((times - part @ found) ** 2))
            if left < least - slack:
                best, least = np.zeros(columns.shape[1]), left
                best[subset] = found
    return best


def _independent(columns: Floats) -> list[int]:
    """Return the columns that are no sum of earlier ones."""
    kept: list[int] = []
    basis: list[Floats] = []
    for at in range(columns.shape[1]):
        column = columns[:, at]
        length = float(np.linalg.norm(column))
        for _ in range(2):  # twice is enough (Kahan, as told by Parlett; from memory)
            for direction in basis:
                column = column - (direction @ column) * direction
        rest = float(np.linalg.norm(column))
        if length > 0 and rest > DEPENDENT * length:
            kept.append(at)
            basis.append(column / rest)
    return kept


def dependent_groups(counts: Floats, names: Sequence[str]) -> tuple[tuple[str, ...], ...]:
    """Return the sets of costs whose counts are multiples or sums of each other."""
    present = np.flatnonzero(counts.any(axis=0)).tolist()
    columns = counts[:, present] / np.linalg.norm(counts[:, present], axis=0)
    kept = _independent(columns)
    groups = []
    for at in range(len(present)):
        if at not in kept:
            parts = np.linalg.lstsq(columns[:, kept], columns[:, at], rcond=None)[0]
            with_it = [k for k, part in zip(kept, parts.tolist(), strict=True) if abs(part) > DEPENDENT * 10]
            groups.append(tuple(names[present[k]] for k in sorted([*with_it, at])))
    return tuple(groups)


def _judged(
    counts: Floats,
    residual: Floats,
    values: Floats,
    names: Sequence[str],
    groups: tuple[tuple[str, ...], ...],
) -> tuple[dict[str, FittedCost], tuple[tuple[str, ...], ...]]:
    """Return the costs with their standard errors, and those that hardly can be told apart."""
    together = {name for group in groups for name in group}
    used = [at for at in range(len(names)) if values[at] > 0]
    errors: dict[str, float] = {}
    near: tuple[tuple[str, ...], ...] = ()
    degrees = counts.shape[0] - len(used)
    if used:
        scale = np.linalg.norm(counts[:, used], axis=0)
        _, sizes, directions = np.linalg.svd(counts[:, used] / scale, full_matrices=False)
        parts = (directions / sizes[:, None]) ** 2
        if degrees > 0:
            variance = float(residual @ residual) / degrees * parts.sum(axis=0) / scale**2
            errors = {names[at]: float(np.sqrt(one)) for at, one in zip(used, variance, strict=True)}
        near = _nearly(parts, sizes, [names[at] for at in used])
    costs = {}
    for at, name in enumerate(names):
        if not counts[:, at].any():
            state = "absent"
        elif name in together:
            state = "shared"
        else:
            state = "fitted" if values[at] > 0 else "bound"
        costs[name] = FittedCost(float(values[at]), errors.get(name) if state == "fitted" else None, state)
    return costs, near


def _nearly(parts: Floats, sizes: Floats, names: Sequence[str]) -> tuple[tuple[str, ...], ...]:
    portions = parts / parts.sum(axis=0)
    found = []
    for size, portion in zip(sizes.tolist(), portions, strict=True):
        group = tuple(name for name, part in zip(names, portion.tolist(), strict=True) if part > 0.5)
        if sizes[0] > LARGE_CONDITION * size and len(group) > 1:
            found.append(group)
    return tuple(found)
