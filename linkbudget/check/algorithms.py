"""The CRC algorithms by name, and one of one's own.

Field names and meaning are those of the public catalogue of parametrised CRC algorithms.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from functools import cached_property
from types import MappingProxyType

from linkbudget.check.catalogue import ALIASES, ROWS
from linkbudget.check.code import ByteOrder, Check, CheckCode
from linkbudget.check.crc import bitwise_crc, crc_function
from linkbudget.check.sums import SUMS, SimpleSum
from linkbudget.errors import Fault, SettingsError, nearest_name

__all__ = ["ALGORITHMS", "CrcAlgorithm", "check_code", "crc_algorithm"]

CHECK_MESSAGE = b"123456789"
MAX_WIDTH = 64


@dataclass(frozen=True)
class CrcAlgorithm(CheckCode):
    """One CRC: a row of the catalogue, or of one's own.

    ``width`` 1 to 64 bits; ``poly`` in normal notation, without its top bit; ``init``, ``xorout``, ``check``
    (over the ASCII digits 1 to 9) and ``residue`` as the catalogue defines them. A ``check`` that is given
    must be right. The check goes on the wire most significant byte first when ``refout`` is false, least
    significant byte first when it is true. Raises `SettingsError` with every fault.
    """

    name: str
    width: int
    poly: int
    init: int = 0
    refin: bool = False
    refout: bool = False
    xorout: int = 0
    check: int | None = None
    residue: int | None = None

    def __post_init__(self) -> None:
        faults = _faults(self)
        if faults:
            raise SettingsError(faults)

    def __getstate__(self) -> dict[str, object]:
        # The cached engine is a function of the fields and cannot be pickled.
        return {field.name: getattr(self, field.name) for field in fields(self)}

    @property
    def byte_order(self) -> ByteOrder:
        """``"little"`` when refout is true, else ``"big"``."""
        return "little" if self.refout else "big"

    @cached_property
    def engine(self) -> Callable[[bytes], int]:
        """The function from bytes to CRC, the fastest there is for one frame."""
        return crc_function(self.width, self.poly, self.init, self.refin, self.refout, self.xorout)

    def compute(self, data: bytes) -> int:
        """Return the CRC of ``data``.

        >>> hex(crc_algorithm("CRC-16/IBM-3740").compute(b"123456789"))
        '0x29b1'
        """
        return self.engine(data)


def _faults(row: CrcAlgorithm) -> list[Fault]:
    if isinstance(row.width, bool) or not isinstance(row.width, int) or not 1 <= row.width <= MAX_WIDTH:
        return [Fault("width", row.width, f"1 to {MAX_WIDTH} bits")]
    top = (1 << row.width) - 1
    faults = []
    for name, lowest in (("poly", 1), ("init", 0), ("xorout", 0), ("check", 0), ("residue", 0)):
        value = getattr(row, name)
        if value is None and name in {"check", "residue"}:
            continue
        if isinstance(value, bool) or not isinstance(value, int) or not lowest <= value <= top:
            faults.append(Fault(name, value, f"{lowest:#x} to {top:#x} (width {row.width})"))
    if faults or row.check is None:
        return faults
    found = bitwise_crc(
        CHECK_MESSAGE,
        width=row.width,
        poly=row.poly,
        init=row.init,
        refin=row.refin,
        refout=row.refout,
        xorout=row.xorout,
    )
    if found != row.check:
        faults.append(
            Fault("check", f"{row.check:#x}", f"{found:#x}, the CRC of 123456789 with these parameters")
        )
    return faults


ALGORITHMS: Mapping[str, CrcAlgorithm] = MappingProxyType({row[0]: CrcAlgorithm(*row) for row in ROWS})


def crc_algorithm(name: str | CrcAlgorithm) -> CrcAlgorithm:
    """Return the algorithm with this catalogue name or alias, whatever its case.

    Raises `SettingsError` with the nearest name. An algorithm is returned as it is.
    """
    if isinstance(name, CrcAlgorithm):
        return name
    wanted = str(name).strip().upper()
    row = ALGORITHMS.get(ALIASES.get(wanted, wanted))
    if row is None:
        known = [*ALGORITHMS, *ALIASES]
        raise SettingsError(
            Fault(
                "crc", name, "a name of the CRC catalogue, as in CRC-16/IBM-3740", nearest_name(wanted, known)
            )
        )
    return row


def check_code(which: str | Check | None) -> Check | None:
    """Return the check code meant: a CRC name or alias, ``sum8 xor8 fletcher16``, a code, or None.

    ``None`` and ``"none"`` mean no check. Raises `SettingsError` with the nearest name.
    """
    if which is None or isinstance(which, CrcAlgorithm | SimpleSum):
        return which
    if not isinstance(which, str):
        raise SettingsError(Fault("crc", which, "a name, a CrcAlgorithm, a SimpleSum or None"))
    word = which.strip().lower()
    if word == "none":
        return None
    if word in SUMS:
        return SUMS[word]
    try:
        return crc_algorithm(which)
    except SettingsError as error:
        known = [*ALGORITHMS, *ALIASES, *SUMS, "none"]
        allowed = "a name of the CRC catalogue, sum8, xor8, fletcher16 or none"
        nearest = nearest_name(word, SUMS) or nearest_name(which.strip().upper(), known)
        raise SettingsError(Fault("crc", which, allowed, nearest)) from error
