"""The standard rates, by the lists they come from."""

from __future__ import annotations

from fractions import Fraction

import pytest
from frame_cases import vectors

from linkbudget.wire.rates import COMMON_RATES, POSIX_RATES, PRACTICE_RATES, STANDARD_RATES, TABLE_RATES

LISTS = vectors("standard_rates")
V_SERIES = [rate for _, rates, _ in LISTS["v_series"]["rows"] for rate in rates]


def listed(name: str) -> list[Fraction]:
    return [Fraction(rate) for rate in LISTS[name]["rates"]]


def is_300_times_a_power_of_two_or_three_times_one(rate: Fraction) -> bool:
    multiple = rate / 300
    if multiple.denominator != 1:
        return False
    odd = multiple.numerator
    while odd % 2 == 0:
        odd //= 2
    return odd in (1, 3)


@pytest.mark.parametrize(
    ("name", "rates"), [("posix", POSIX_RATES), ("common", COMMON_RATES), ("tables", TABLE_RATES)]
)
def test_each_list_is_that_of_its_source(name, rates):
    assert list(rates) == listed(name)
    assert LISTS[name]["source"]
    assert LISTS[name]["status"]


def test_the_standard_rates_are_these_lists_and_two_of_common_practice():
    assert list(STANDARD_RATES) == sorted({*POSIX_RATES, *COMMON_RATES, *TABLE_RATES, *PRACTICE_RATES})
    assert Fraction(LISTS["posix"]["hang_up"]) not in STANDARD_RATES
    assert set(listed("synchronous")) < set(STANDARD_RATES)


def test_rates_of_modems_are_standard_rates_but_for_two_of_v_32bis():
    assert {rate for rate in V_SERIES if Fraction(rate) not in STANDARD_RATES} == {7200, 12000}
    assert {Fraction(back) for *_, back in LISTS["v_series"]["rows"] if back} < set(STANDARD_RATES)


@pytest.mark.parametrize("rate", sorted({*listed("posix"), *listed("common"), *listed("tables"), *V_SERIES}))
def test_rates_from_300_up_are_300_times_a_power_of_two_or_three_times_one(rate):
    expected = rate >= 300 and rate not in LISTS["multiples"]["others"]
    assert is_300_times_a_power_of_two_or_three_times_one(Fraction(rate)) is expected
