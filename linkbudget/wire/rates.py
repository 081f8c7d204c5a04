"""The standard rates of serial lines, and where each is listed."""

from __future__ import annotations

from fractions import Fraction

__all__ = ["COMMON_RATES", "POSIX_RATES", "PRACTICE_RATES", "STANDARD_RATES", "TABLE_RATES"]

# POSIX.1 <termios.h>; 0 (hang up) left out, and B134 stands for 134.5.
POSIX_RATES = (
    *map(Fraction, (50, 75, 110)),
    Fraction("134.5"),
    *map(Fraction, (150, 200, 300, 600, 1200, 1800, 2400, 4800, 9600, 19200, 38400)),
)
# Rates that most systems add (tcgetspeed manual page for the first two).
COMMON_RATES = tuple(map(Fraction, (57600, 115200, 230400, 460800, 921600)))
# Further rates of the tables in AVR datasheets; the first two also of modems (ITU-T V.32bis, V.34).
TABLE_RATES = tuple(map(Fraction, (14400, 28800, 76800, 250000, 500000, 1000000)))
# Common practice, no source.
PRACTICE_RATES = tuple(map(Fraction, (2000000, 3000000)))

STANDARD_RATES = tuple(sorted(POSIX_RATES + COMMON_RATES + TABLE_RATES + PRACTICE_RATES))
