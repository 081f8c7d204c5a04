"""The register values of the nRF52's two UART blocks, a list for each, for the clock of 16 MHz.

Source: public register descriptions, from memory but for the rates at 115200, 460800 and 921600 baud, which
were read. The descriptions print the rate beside each value. All of those remembered are 16 MHz divided by
the whole number floor(2^32 / value), which is how the memory was checked (``tests/test_baud.py``).
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

__all__ = ["NRF52", "NRF52_CLOCK_HZ", "NRF52_OLDER"]

NRF52_CLOCK_HZ = 16_000_000

NRF52: Mapping[int, int] = MappingProxyType(
    {
        1200: 0x0004F000,
        2400: 0x0009D000,
        4800: 0x0013B000,
        9600: 0x00275000,
        14400: 0x003AF000,
        19200: 0x004EA000,
        28800: 0x0075C000,
        31250: 0x00800000,
        38400: 0x009D0000,
        56000: 0x00E50000,
        57600: 0x00EB0000,
        76800: 0x013A9000,
        115200: 0x01D60000,
        230400: 0x03B00000,
        250000: 0x04000000,
        460800: 0x07400000,
        921600: 0x0F000000,
        1000000: 0x10000000,
    }
)

NRF52_OLDER: Mapping[int, int] = MappingProxyType(
    {
        1200: 0x0004F000,
        2400: 0x0009D000,
        4800: 0x0013B000,
        9600: 0x00275000,
        14400: 0x003B0000,
        19200: 0x004EA000,
        28800: 0x0075F000,
        31250: 0x00800000,
        38400: 0x009D5000,
        56000: 0x00E50000,
        57600: 0x00EBF000,
        76800: 0x013A9000,
        115200: 0x01D7E000,
        230400: 0x03AFB000,
        250000: 0x04000000,
        460800: 0x075F7000,
        921600: 0x0EBED000,
        1000000: 0x10000000,
    }
)
