"""What a model leaves unexplained of measured times.

The spread of residuals is 1.4826 times the median of their sizes: the factor makes it the standard deviation
where they are normally distributed (common practice, no source), and half of them can be anything without
moving it. *Far away* is a residual larger than six of those and larger than the resolution of the clock.
"""

from __future__ import annotations

from typing import TypedDict

import numpy as np
import numpy.typing as npt

__all__ = ["Floats", "Shares", "far_ones", "shares", "spread"]

SPREAD_OF_MEDIAN = 1.4826
FAR_AWAY = 6
FEWEST_OF_A_KIND = 8

Floats = npt.NDArray[np.float64]


class Shares(TypedDict):
    """What a model explains of measured times; None where there is nothing to explain."""

    variance_share: float | None
    time_share: float | None


def shares(measured: Floats, residual: Floats) -> Shares:
    """Return what a model explains of measured times.

    One minus the sum of squared residuals over that of the differences from the mean (None when all measured
    are equal), and one minus the sum of the residuals' sizes over the sum of the times (None when it is 0).
    Both fall below zero for a model that is worse than none.
    """
    around = float(np.sum((measured - np.mean(measured)) ** 2)) if measured.size else 0.0
    total = float(np.sum(measured))
    return {
        "variance_share": 1 - float(np.sum(residual**2)) / around if around > 0 else None,
        "time_share": 1 - float(np.sum(np.abs(residual))) / total if total > 0 else None,
    }


def spread(residual: Floats) -> float:
    """Return the robust standard deviation of residuals around zero, 0 without any."""
    return SPREAD_OF_MEDIAN * float(np.median(np.abs(residual))) if residual.size else 0.0


def far_ones(
    residual: Floats, resolution: float, kinds: npt.NDArray[np.int64] | None = None
) -> npt.NDArray[np.bool_]:
    """Return which residuals are too far from zero to belong to the others.

    ``kinds`` sorts them, for passes that find nothing scatter less than passes that read: each is held
    against those of its own kind, one of a kind with fewer than eight against the kind that scatters most.
    """
    limit = np.full(residual.size, spread(residual))
    if kinds is not None:
        spreads = {
            kind: spread(residual[kinds == kind])
            for kind, count in zip(*np.unique(kinds, return_counts=True), strict=True)
            if count >= FEWEST_OF_A_KIND
        }
        widest = max(spreads.values(), default=spread(residual))
        for kind in np.unique(kinds):
            limit[kinds == kind] = spreads.get(kind, widest)
    far: npt.NDArray[np.bool_] = np.abs(residual) > np.maximum(FAR_AWAY * limit, resolution)
    return far
