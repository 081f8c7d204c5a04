"""The standard rates, by the lists they come from."""

from __future__ import annotations

from fractions import Fraction

import pytest

from linkbudget.wire.rates import COMMON_RATES, POSIX_RATES, STANDARD_RATES, TABLE_RATES

# POSIX.1 <termios.h>, symbols B50 to B38400 (cfspeed manual page); B134 stands for 134.5. Verified from text.
POSIX = [50, 75, 110, 134.5, 150, 200, 300, 600, 1200, 1800, 2400, 4800, 9600, 19200, 38400]
# Rates most systems add: 57600 and 115200 in the tcgetspeed manual page, the rest in a list of rates on a
# question-and-answer page. Verified from text.
ADDED = [57600, 115200, 230400, 460800, 921600]
# ITU-T V.21, V.22, V.22bis, V.32, V.32bis, V.34, in bit/s. Verified from text (lists of recommendations).
V_SERIES = [300, 1200, 2400, 4800, 9600, 7200, 12000, 14400, 28800]


def is_300_times_a_power_of_two_or_three_times_one(rate: Fraction) -> bool:
    multiple = rate / 300
    if multiple.denominator != 1:
        return False
    odd = multiple.numerator
    while odd % 2 == 0:
        odd //= 2
    return odd in (1, 3)


def test_the_lists():
    assert [float(rate) for rate in POSIX_RATES] == POSIX
    assert list(COMMON_RATES) == ADDED
    assert list(STANDARD_RATES) == sorted(set(STANDARD_RATES))
    assert {*POSIX_RATES, *COMMON_RATES, *TABLE_RATES} < set(STANDARD_RATES)


@pytest.mark.parametrize("rate", [*POSIX, *ADDED, *V_SERIES, 14400, 28800, 76800])
def test_rates_from_300_up_are_300_times_a_power_of_two_or_three_times_one(rate):
    """So says the collection these lists were taken from (recomputed there); 12000 of V.32bis is left out."""
    expected = rate >= 300 and rate != 12000
    assert is_300_times_a_power_of_two_or_three_times_one(Fraction(rate)) is expected
