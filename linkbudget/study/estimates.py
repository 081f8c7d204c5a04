"""Entropy estimated from counts, and what few samples do to it.

With *N* samples of *K* different values, value *i* seen *n_i* times:

- plug-in: H = -Σ (n_i/N) log2 (n_i/N). From few samples it comes out too low, by about (K - 1) / (2 N ln 2)
  bits (G. A. Miller, "Note on the bias of information estimates", 1955; W. Madow; from memory).
- The **Miller-Madow** correction adds that: H + (K - 1) / (2 N ln 2), *K* being the values seen. It mends the
  first order only: values that exist and were never seen are still missing from it. It says nothing any more
  when hardly any value came twice, so an estimate counts as *enough* from N = 5 K samples on (the correction
  then is below 0.15 bit), and never with a single sample.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["ENOUGH", "Estimate", "entropy_of", "estimate", "estimate_given"]

ENOUGH = 5
"""Samples per different value from which on an estimate is used."""


@dataclass(frozen=True)
class Estimate:
    """An entropy in bits, plug-in and corrected, from ``samples`` with ``values`` different ones."""

    samples: int
    values: int
    plugin_bits: float
    bits: float

    @property
    def enough(self) -> bool:
        """Whether there are samples enough to believe it."""
        return self.samples >= max(2, ENOUGH * self.values)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {**vars(self), "enough": self.enough}


def entropy_of(counts: Iterable[int]) -> float:
    """Return the entropy in bits of a distribution given as counts; 0 for none."""
    found = [count for count in counts if count]
    total = sum(found)
    # A sum of non-negative terms, so that a single value gives 0 and not -0.
    return sum(count / total * math.log2(total / count) for count in found)


def estimate(values: Sequence[Any]) -> Estimate | None:
    """Return the entropy of hashable values, corrected; None for none."""
    if not values:
        return None
    counts = Counter(values)
    plugin = entropy_of(counts.values())
    return Estimate(len(values), len(counts), plugin, plugin + _correction(len(counts), len(values)))


def estimate_given(pairs: Sequence[tuple[Any, Any]]) -> Estimate | None:
    """Return the entropy of the second of each pair given the first; ``values`` counts different pairs."""
    if not pairs:
        return None
    both, before = estimate(pairs), estimate([first for first, _ in pairs])
    assert both is not None
    assert before is not None
    plugin = both.plugin_bits - before.plugin_bits
    return Estimate(both.samples, both.values, plugin, max(0.0, both.bits - before.bits))


def _correction(values: int, samples: int) -> float:
    return (values - 1) / (2 * samples * math.log(2))
