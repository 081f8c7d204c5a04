"""Costs fitted to samples: exact ones come back exactly, what cannot be told apart is named, outliers go."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import nnls

from linkbudget.cost.fit import Samples, fit_costs, nonnegative_fit
from linkbudget.errors import SettingsError

TRUE = {"work": 1_500_000, "byte": 350, "message": 90_000, "read_call": 8_000, "message_byte": 1_200}


def samples(count: int = 60, seed: int = 1, **change: object) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Counts as of passes that read now and then, and the times they take with `TRUE`."""
    chance = np.random.default_rng(seed)
    calls = chance.integers(0, 3, count)
    read = calls * chance.integers(1, 40, count)
    ended = np.where(read > 20, chance.integers(0, 3, count), 0)
    counts = {
        "work": np.ones(count),
        "byte": read,
        "message": ended,
        "read_call": calls,
        "message_byte": ended * chance.integers(20, 60, count),
    }
    counts.update(change)
    return counts, sum(TRUE[name] * np.asarray(column) for name, column in counts.items())


def test_exact_samples_give_back_the_costs():
    counts, times = samples()
    fit = fit_costs(Samples.of(times, counts))
    assert {name: cost.ns for name, cost in fit.costs.items()} == pytest.approx(TRUE, rel=1e-9)
    assert {cost.state for cost in fit.costs.values()} == {"fitted"}
    assert fit.groups == fit.near_groups == fit.notes == ()
    assert not fit.outliers.any()
    assert fit.variance_share == pytest.approx(1)
    assert fit.time_share == pytest.approx(1)


def test_a_line_added_up_by_hand():
    # Times 3, 5, 10 of 1, 2, 3 bytes with one call each: slope 3.5, intercept -1, which may not be negative;
    # through the origin the slope is (3 + 10 + 30) / 14.
    counts = {"byte": [1, 2, 3], "read_call": [1, 1, 1]}
    fit = fit_costs(Samples.of([3, 5, 10], counts), robust=False)
    assert fit.ns("byte") == pytest.approx(43 / 14)
    assert fit.costs["read_call"].state == "bound"
    assert fit.ns("read_call") == 0
    assert fit.notes == ("read_call would come out negative: taken as 0",)
    # Residuals -1/14, -16/14, 11/14: the standard error of the slope is sqrt(378 / 196 / 2 / 14).
    assert fit.costs["byte"].error_ns == pytest.approx(np.sqrt(378 / 196 / 2 / 14))


def test_the_standard_errors_are_those_of_the_textbook_line():
    # Intercept and slope of five points with y = 1 + 2 x + e, e = 1, -1, 0, -1, 1, orthogonal to 1 and x:
    # s^2 = 4 / 3, sum of (x - mean)^2 = 10, sum of x^2 = 55.
    counts = {"byte": [1, 2, 3, 4, 5], "read_call": np.ones(5)}
    fit = fit_costs(Samples.of([4, 4, 7, 8, 12], counts), robust=False)
    assert fit.ns("byte") == pytest.approx(2)
    assert fit.ns("read_call") == pytest.approx(1)
    assert fit.costs["byte"].error_ns == pytest.approx(np.sqrt(4 / 3 / 10))
    assert fit.costs["read_call"].error_ns == pytest.approx(np.sqrt(4 / 3 * 55 / 50))


def test_one_call_for_each_message_cannot_be_told_apart_and_is_said():
    counts, _ = samples()
    counts["message"] = counts["read_call"]
    counts["message_byte"] = np.zeros(60)
    times = sum(TRUE[name] * column for name, column in counts.items())
    fit = fit_costs(Samples.of(times, counts))
    assert fit.groups == (("message", "read_call"),)
    assert fit.ns("message") == pytest.approx(TRUE["message"] + TRUE["read_call"])
    assert fit.costs["message"].state == fit.costs["read_call"].state == "shared"
    assert fit.costs["message"].error_ns is None
    assert fit.notes == (
        "message and read_call cannot be told apart in these samples: their sum is known,"
        " how it is divided is not",
        "no sample contains message_byte: taken as 0",
    )


def test_messages_of_one_length_hide_the_cost_of_their_bytes():
    counts, _ = samples()
    counts["message_byte"] = 52 * counts["message"]
    fit = fit_costs(Samples.of(sum(TRUE[name] * column for name, column in counts.items()), counts))
    assert fit.groups == (("message", "message_byte"),)
    assert fit.ns("message") == pytest.approx(TRUE["message"] + 52 * TRUE["message_byte"])


def test_counts_that_nearly_go_together_are_named():
    counts, _ = samples()
    counts["message_byte"] = 52.0 * counts["message"]
    counts["message_byte"][np.flatnonzero(counts["message"])[0]] += 1
    chance = np.random.default_rng(3)
    times = sum(TRUE[name] * column for name, column in counts.items()) + chance.normal(0, 50, 60)
    fit = fit_costs(Samples.of(times, counts))
    assert fit.groups == ()
    assert fit.near_groups == (("message", "message_byte"),)
    assert fit.costs["message_byte"].error_ns > 10 * fit.costs["byte"].error_ns


@pytest.mark.parametrize("share", [0.1, 0.3])
def test_disturbed_samples_are_left_out_and_move_nothing(share):
    counts, times = samples(200)
    chance = np.random.default_rng(7)
    disturbed = chance.random(200) < share
    noisy = times + chance.normal(0, 300, 200)
    fit = fit_costs(Samples.of(noisy + np.where(disturbed, 6_000_000, 0), counts))
    assert np.array_equal(fit.outliers, disturbed)
    for name, cost in fit.costs.items():
        assert abs(cost.ns - TRUE[name]) < 5 * cost.error_ns, name
    assert fit.rms_ns == pytest.approx(300, rel=0.2)
    ordinary = fit_costs(Samples.of(noisy + np.where(disturbed, 6_000_000, 0), counts), robust=False)
    assert abs(ordinary.ns("work") - TRUE["work"]) > 1000 * fit.costs["work"].error_ns


def test_what_counts_as_far_away_is_six_robust_standard_deviations():
    # Residuals around a mean of 1000: half of them 10 away, so the spread is 14.826 and the limit 88.956.
    times = np.array([1010.0, 990.0] * 20 + [1000.0 + 88.0, 1000.0 - 88.0, 1000.0 + 90.0, 1000.0 - 90.0])
    fit = fit_costs(Samples.of(times, {"work": np.ones(44)}))
    assert fit.outliers.tolist() == [False] * 42 + [True] * 2
    assert fit.spread_ns == pytest.approx(14.826)
    assert fit.ns("work") == pytest.approx(1000)


def test_passes_that_read_may_scatter_more_than_idle_ones():
    counts, times = samples(400)
    for name in ("byte", "message", "read_call", "message_byte"):
        counts[name][:300] = 0
    times = sum(TRUE[name] * column for name, column in counts.items())
    chance = np.random.default_rng(5)
    times = times + chance.normal(0, np.where(counts["byte"] > 0, 5000, 20))
    fit = fit_costs(Samples.of(times, counts))
    assert np.count_nonzero(fit.outliers) < 5
    assert abs(fit.ns("byte") - TRUE["byte"]) < 5 * fit.costs["byte"].error_ns


@pytest.mark.parametrize(
    ("times", "counts", "piece"),
    [
        ([], {"byte": []}, "at least one"),
        ([1.0, np.nan], {"byte": [1, 2]}, "finite"),
        ([1, 2], {}, "1 to 12 costs"),
        ([1, 2], {"bytes": [1, 2]}, "allowed: work, message"),
        ([1, 2], {"byte": [1, 2, 3]}, "one count for each of 2"),
        ([1, 2], {"byte": [1, -2]}, "0 or more"),
    ],
)
def test_samples_that_make_no_sense_are_refused(times, counts, piece):
    with pytest.raises(SettingsError, match=piece):
        Samples.of(times, counts)


@given(
    st.integers(1, 6).flatmap(
        lambda width: st.tuples(
            st.lists(st.tuples(*[st.integers(0, 9)] * width), min_size=width, max_size=15),
            st.lists(st.integers(-50, 200), min_size=15, max_size=15),
        )
    )
)
def test_the_bounded_fit_leaves_what_scipy_leaves(drawn):
    rows, times = drawn
    counts = np.array(rows, dtype=np.float64)
    target = np.array(times[: len(rows)], dtype=np.float64)
    found = nonnegative_fit(counts, target)
    assert found.min() >= 0
    _, left = nnls(counts, target)
    # Where costs cannot be told apart the values differ; what they leave may not.
    assert np.linalg.norm(target - counts @ found) == pytest.approx(left, rel=1e-6, abs=1e-6)
