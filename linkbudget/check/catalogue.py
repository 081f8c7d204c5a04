"""CRC parameters, one row an algorithm, and their common names. Data only.

Source: the public "Catalogue of parametrised CRC algorithms" (G. Cook, RevEng project). Columns: name, width,
poly (normal notation), init, refin, refout, xorout, check (the CRC of the ASCII digits 1 to 9) and residue
(the register after message and CRC, before xorout).
"""

from __future__ import annotations

__all__ = ["ALIASES", "ROWS"]

Row = tuple[str, int, int, int, bool, bool, int, int, int]

# fmt: off
ROWS: tuple[Row, ...] = (
    ("CRC-8/AUTOSAR", 8, 0x2F, 0xFF, False, False, 0xFF, 0xDF, 0x42),
    ("CRC-8/BLUETOOTH", 8, 0xA7, 0x00, True, True, 0x00, 0x26, 0x00),
    ("CRC-8/DARC", 8, 0x39, 0x00, True, True, 0x00, 0x15, 0x00),
    ("CRC-8/I-432-1", 8, 0x07, 0x00, False, False, 0x55, 0xA1, 0xAC),
    ("CRC-8/MAXIM-DOW", 8, 0x31, 0x00, True, True, 0x00, 0xA1, 0x00),
    ("CRC-8/NRSC-5", 8, 0x31, 0xFF, False, False, 0x00, 0xF7, 0x00),
    ("CRC-8/OPENSAFETY", 8, 0x2F, 0x00, False, False, 0x00, 0x3E, 0x00),
    ("CRC-8/ROHC", 8, 0x07, 0xFF, True, True, 0x00, 0xD0, 0x00),
    ("CRC-8/SAE-J1850", 8, 0x1D, 0xFF, False, False, 0xFF, 0x4B, 0xC4),
    ("CRC-8/SMBUS", 8, 0x07, 0x00, False, False, 0x00, 0xF4, 0x00),
    ("CRC-15/CAN", 15, 0x4599, 0x0000, False, False, 0x0000, 0x059E, 0x0000),
    ("CRC-16/ARC", 16, 0x8005, 0x0000, True, True, 0x0000, 0xBB3D, 0x0000),
    ("CRC-16/DNP", 16, 0x3D65, 0x0000, True, True, 0xFFFF, 0xEA82, 0x66C5),
    ("CRC-16/GENIBUS", 16, 0x1021, 0xFFFF, False, False, 0xFFFF, 0xD64E, 0x1D0F),
    ("CRC-16/IBM-3740", 16, 0x1021, 0xFFFF, False, False, 0x0000, 0x29B1, 0x0000),
    ("CRC-16/IBM-SDLC", 16, 0x1021, 0xFFFF, True, True, 0xFFFF, 0x906E, 0xF0B8),
    ("CRC-16/KERMIT", 16, 0x1021, 0x0000, True, True, 0x0000, 0x2189, 0x0000),
    ("CRC-16/M17", 16, 0x5935, 0xFFFF, False, False, 0x0000, 0x772B, 0x0000),
    ("CRC-16/MAXIM-DOW", 16, 0x8005, 0x0000, True, True, 0xFFFF, 0x44C2, 0xB001),
    ("CRC-16/MCRF4XX", 16, 0x1021, 0xFFFF, True, True, 0x0000, 0x6F91, 0x0000),
    ("CRC-16/MODBUS", 16, 0x8005, 0xFFFF, True, True, 0x0000, 0x4B37, 0x0000),
    ("CRC-16/OPENSAFETY-A", 16, 0x5935, 0x0000, False, False, 0x0000, 0x5D38, 0x0000),
    ("CRC-16/PROFIBUS", 16, 0x1DCF, 0xFFFF, False, False, 0xFFFF, 0xA819, 0xE394),
    ("CRC-16/UMTS", 16, 0x8005, 0x0000, False, False, 0x0000, 0xFEE8, 0x0000),
    ("CRC-16/USB", 16, 0x8005, 0xFFFF, True, True, 0xFFFF, 0xB4C8, 0xB001),
    ("CRC-16/XMODEM", 16, 0x1021, 0x0000, False, False, 0x0000, 0x31C3, 0x0000),
    ("CRC-17/CAN-FD", 17, 0x1685B, 0x00000, False, False, 0x00000, 0x04F03, 0x00000),
    ("CRC-24/BLE", 24, 0x00065B, 0x555555, True, True, 0x000000, 0xC25A56, 0x000000),
    ("CRC-24/INTERLAKEN", 24, 0x328B63, 0xFFFFFF, False, False, 0xFFFFFF, 0xB4F3E6, 0x144E63),
    ("CRC-24/LTE-A", 24, 0x864CFB, 0x000000, False, False, 0x000000, 0xCDE703, 0x000000),
    ("CRC-24/OPENPGP", 24, 0x864CFB, 0xB704CE, False, False, 0x000000, 0x21CF02, 0x000000),
    ("CRC-32/AUTOSAR", 32, 0xF4ACFB13, 0xFFFFFFFF, True, True, 0xFFFFFFFF, 0x1697D06A, 0x904CDDBF),
    ("CRC-32/BZIP2", 32, 0x04C11DB7, 0xFFFFFFFF, False, False, 0xFFFFFFFF, 0xFC891918, 0xC704DD7B),
    ("CRC-32/ISCSI", 32, 0x1EDC6F41, 0xFFFFFFFF, True, True, 0xFFFFFFFF, 0xE3069283, 0xB798B438),
    ("CRC-32/ISO-HDLC", 32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF, 0xCBF43926, 0xDEBB20E3),
    ("CRC-32/JAMCRC", 32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0x00000000, 0x340BC6D9, 0x00000000),
    ("CRC-32/MPEG-2", 32, 0x04C11DB7, 0xFFFFFFFF, False, False, 0x00000000, 0x0376E6E7, 0x00000000),
)
# fmt: on

# Common practice: these names are in wide use beside the catalogue's own.
ALIASES: dict[str, str] = {
    "CCITT-FALSE": "CRC-16/IBM-3740",
    "X-25": "CRC-16/IBM-SDLC",
    "FCS-16": "CRC-16/IBM-SDLC",
    "CCITT": "CRC-16/KERMIT",
    "CRC-32": "CRC-32/ISO-HDLC",
    "FCS-32": "CRC-32/ISO-HDLC",
    "CRC-32C": "CRC-32/ISCSI",
    "CRC-8": "CRC-8/SMBUS",
    "PEC": "CRC-8/SMBUS",
    "1-WIRE": "CRC-8/MAXIM-DOW",
    "MODBUS": "CRC-16/MODBUS",
    "XMODEM": "CRC-16/XMODEM",
}
