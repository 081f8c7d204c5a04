"""The CRC algorithms by name, and one of one's own.

Field names and meaning are those of the public catalogue of parametrised CRC algorithms.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING

from linkbudget.check.catalogue import ALIASES, CHECK_MESSAGE, ROWS
from linkbudget.check.code import ByteOrder, Check, CheckCode
from linkbudget.check.crc import Engine, bitwise_crc, crc_engine, reflect
from linkbudget.check.sums import SUMS, SimpleSum
from linkbudget.errors import Fault, SettingsError, nearest_name
from linkbudget.units import is_whole_number

if TYPE_CHECKING:
    import numpy as np
    from _typeshed import ReadableBuffer
    from numpy.typing import ArrayLike, NDArray

__all__ = ["ALGORITHMS", "CrcAlgorithm", "Residues", "check_code", "crc_algorithm"]

MAX_WIDTH = 64
LARGE = 1 << 16
"""From so many bytes on it is asked whether a kernel is worth it."""


@dataclass(frozen=True)
class CrcAlgorithm(CheckCode):
    """One CRC: a row of the catalogue, or of one's own.

    ``width`` 1 to 64 bits; ``poly`` in normal notation, without its top bit; ``refin`` and ``refout``: bytes
    go in, and the register comes out, lowest bit first; ``init``, ``xorout``, ``check`` (over the ASCII
    digits 1 to 9) and ``residue`` as the catalogue defines them (`residues` has the other meanings of that
    word). A ``check`` or ``residue`` that is given must be right. The check goes on the wire most significant
    byte first when ``refout`` is false, least significant byte first when it is true. Raises `SettingsError`
    with every fault.
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
    def engine(self) -> Engine:
        """The fastest function from bytes to CRC that there is for one frame, and whose it is."""
        return crc_engine(self.width, self.poly, self.init, self.refin, self.refout, self.xorout)

    def compute(self, data: bytes) -> int:
        """Return the CRC of ``data``.

        >>> hex(crc_algorithm("CRC-16/IBM-3740").compute(b"123456789"))
        '0x29b1'
        """
        if len(data) >= LARGE:
            from linkbudget.check.many import large_crc

            return large_crc(self, data)
        return self.engine.function(data)

    def compute_many(self, buffer: ReadableBuffer, offsets: ArrayLike) -> NDArray[np.uint64]:
        """Return the CRC of each piece ``buffer[offsets[i]:offsets[i + 1]]`` as a read-only uint64 array.

        ``offsets`` has one entry more than there are pieces and never falls; `SettingsError` otherwise. Made
        for millions of short frames.
        """
        from linkbudget.check.many import compute_many

        return compute_many(self, buffer, offsets)

    @property
    def residues(self) -> Residues:
        """What is left when a message and its CRC have gone through, in each of the three meanings.

        >>> crc_algorithm("CRC-16/IBM-SDLC").residues
        Residues(register=61624, reversed=7439, returned=3911)
        """
        register = _residue(self)
        returned = None
        # In whole bytes a narrow CRC has zeros in front, unless it is reflected: then they are behind it.
        if self.refin == self.refout and (self.refin or self.width % 8 == 0):
            returned = _residue(self, 8 * self.check_bytes) ^ self.xorout
        return Residues(register, reflect(register, self.width), returned)

    @property
    def returns_to_start(self) -> bool:
        """Whether a message and its CRC, as `append` makes them, leave the register where it started."""
        returned = self.residues.returned
        start = reflect(self.init, self.width) if self.refout else self.init
        return returned is not None and returned ^ self.xorout == start


@dataclass(frozen=True)
class Residues:
    """The three things that are called the residue of a CRC.

    ``register``: the register after message and CRC, before xorout, as the catalogue has it (``residue`` of a
    row). ``reversed``: its bits in the opposite order, as notes on hardware print it. ``returned``: what
    ``compute`` gives over what ``append`` makes, after xorout; None where that depends on the message (refin
    unlike refout, or zeros between message and CRC because its width is not one of whole bytes).
    """

    register: int
    reversed: int
    returned: int | None


def _residue(row: CrcAlgorithm, steps: int | None = None) -> int:
    # The sent CRC clears the register but for xorout, which has then gone through ``width`` more steps.
    register = reflect(row.xorout, row.width) if row.refout else row.xorout
    top = 1 << row.width
    for _ in range(row.width if steps is None else steps):
        register <<= 1
        if register & top:
            register ^= top | row.poly
    return reflect(register, row.width) if row.refout else register


def _faults(row: CrcAlgorithm) -> list[Fault]:
    if not is_whole_number(row.width, 1, MAX_WIDTH):
        return [Fault("width", row.width, f"1 to {MAX_WIDTH} bits")]
    top = (1 << row.width) - 1
    faults = []
    for name, lowest in (("poly", 1), ("init", 0), ("xorout", 0), ("check", 0), ("residue", 0)):
        value = getattr(row, name)
        if value is None and name in {"check", "residue"}:
            continue
        if not is_whole_number(value, lowest, top):
            allowed = f"{lowest:#x} to {top:#x} (width {row.width})"
            if name == "poly" and isinstance(value, int) and top < value <= 2 * top + 1:
                allowed += ", in normal notation, without the top term"
                faults.append(Fault(name, f"{value:#x}", allowed, f"{value & top:#x}"))
            else:
                faults.append(Fault(name, value, allowed))
    if faults:
        return faults
    if row.residue is not None and row.residue != _residue(row):
        told = f"{_residue(row):#x}, the register after message and CRC with these parameters"
        faults.append(Fault("residue", f"{row.residue:#x}", told))
    if row.check is None:
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

    >>> hex(crc_algorithm("CRC-32/ISO-HDLC").compute(b"123456789"))
    '0xcbf43926'
    """
    if isinstance(name, CrcAlgorithm):
        return name
    wanted = str(name).strip().upper()
    row = ALGORITHMS.get(ALIASES.get(wanted, wanted))
    if row is None:
        raise SettingsError(_unknown(name, "a name of the CRC catalogue, as in CRC-16/IBM-3740", ()))
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
        allowed = "a name of the CRC catalogue, sum8, xor8, fletcher16 or none"
        raise SettingsError(_unknown(which, allowed, (*SUMS, "none"))) from error


def _unknown(name: object, allowed: str, others: tuple[str, ...]) -> Fault:
    """Return the fault of an unknown name: half a name is told its rows, another one the nearest name."""
    wanted = str(name).strip().upper()
    rows = [row for row in ALGORITHMS if wanted in row.split("/")]
    if len(rows) > 1:
        return Fault("crc", name, f"one of {', '.join(rows)}")
    known = {one.upper(): one for one in (*ALGORITHMS, *ALIASES, *others)}
    nearest = rows[0] if rows else known.get(nearest_name(wanted, known) or "")
    return Fault("crc", name, allowed, nearest)
