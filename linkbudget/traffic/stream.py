"""Timed characters: what crossed the wire, each with its time and its flags."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from linkbudget.errors import Fault, SettingsError
from linkbudget.traffic.levels import first_disorder, frozen_array, nothing_taken
from linkbudget.units import round_half_up

if TYPE_CHECKING:
    from linkbudget.wire.uart import UartLine

__all__ = ["BREAK", "FRAMING", "PARITY", "ByteCapture"]

FRAMING, PARITY, BREAK = 1, 2, 4
LONGEST_CHARACTER_NS = 1 << 62
KINDS = {FRAMING: "framing", PARITY: "parity", BREAK: "break"}


@dataclass(frozen=True, eq=False)
class ByteCapture:
    """Every character of one direction, flagged ones too.

    ``times_ns`` are the ends of the characters in nanoseconds, not decreasing; ``data`` their values (a break
    is 0); ``flags`` 0 or a sum of `FRAMING`, `PARITY`, `BREAK`. ``starts_ns`` are the exact start edges where
    levels were recorded. ``window_ns`` says how much earlier each character may have ended. ``inverted``:
    idle is low; ``estimated``: the line was guessed. ``source`` is the file, ``taken`` what was read off it
    (shape, channel, delimiter ...). Arrays have one entry for each character and are read-only; captures are
    compared by identity. Raises `SettingsError` with every fault.

    >>> from linkbudget.wire.uart import UartLine
    >>> capture = ByteCapture([86806, 173611], [0x62, 0x65], [0, 0], UartLine.parse("115200 8N1"))
    >>> capture.payload_bytes(), capture.start_times_ns.tolist()
    (b'be', [0, 86805])
    """

    times_ns: npt.NDArray[np.int64]
    data: npt.NDArray[np.uint16]
    flags: npt.NDArray[np.uint8]
    line: UartLine
    starts_ns: npt.NDArray[np.int64] | None = field(default=None, kw_only=True)
    window_ns: npt.NDArray[np.int64] | None = field(default=None, kw_only=True)
    inverted: bool = field(default=False, kw_only=True)
    estimated: bool = field(default=False, kw_only=True)
    source: str = field(default="", kw_only=True)
    warnings: tuple[str, ...] = field(default=(), kw_only=True)
    taken: Mapping[str, str] = field(default_factory=nothing_taken, kw_only=True)

    def __post_init__(self) -> None:
        dtypes = {
            "times_ns": np.int64,
            "data": np.uint16,
            "flags": np.uint8,
            "starts_ns": np.int64,
            "window_ns": np.int64,
        }
        for name, dtype in dtypes.items():
            values = getattr(self, name)
            if values is not None:
                object.__setattr__(self, name, frozen_array(values, dtype, name))
        object.__setattr__(self, "warnings", tuple(self.warnings))
        object.__setattr__(self, "taken", MappingProxyType(dict(self.taken)))
        faults = self._faults()
        if faults:
            raise SettingsError(faults)

    def _faults(self) -> list[Fault]:
        count = self.times_ns.size
        faults = []
        for name in ("data", "flags", "starts_ns", "window_ns"):
            array = getattr(self, name)
            if array is not None and array.size != count:
                faults.append(Fault(name, array.size, f"one entry for each of {count} characters"))
        at = first_disorder(self.times_ns, equal=True)
        if at is not None:
            faults.append(Fault(f"times_ns[{at}]", int(self.times_ns[at]), "times that do not decrease"))
        if self.flags.size and int(self.flags.max()) > FRAMING | PARITY | BREAK:
            allowed = f"a sum of {FRAMING} (framing), {PARITY} (parity) and {BREAK} (break)"
            faults.append(Fault("flags", int(self.flags.max()), allowed))
        if not hasattr(self.line, "bytesize"):
            faults.append(Fault("line", self.line, 'a UartLine, as UartLine.parse("115200 8N1") gives it'))
        elif self.line.character_time * 10**9 >= LONGEST_CHARACTER_NS:
            faults.append(Fault("line", str(self.line), "a line whose character takes less than 146 years"))
        elif self.data.size and int(self.data.max()) >= 1 << self.line.bytesize:
            limit = (1 << self.line.bytesize) - 1
            faults.append(
                Fault("data", int(self.data.max()), f"0 to {limit}, for bytesize {self.line.bytesize}")
            )
        if self.window_ns is not None and self.window_ns.size and int(self.window_ns.min()) < 0:
            faults.append(Fault("window_ns", int(self.window_ns.min()), "0 or more"))
        return faults

    def __len__(self) -> int:
        return int(self.times_ns.size)

    @property
    def good_mask(self) -> npt.NDArray[np.bool_]:
        """True for each character that carries data: neither a framing error nor a break."""
        good: npt.NDArray[np.bool_] = np.equal(self.flags & np.uint8(FRAMING | BREAK), 0)
        return good

    @property
    def start_times_ns(self) -> npt.NDArray[np.int64]:
        """The start of each character: its exact start edge when known, else end minus character time."""
        if self.starts_ns is not None:
            return self.starts_ns
        character_ns = Fraction(self.line.character_time) * 10**9
        starts = self.times_ns + np.int64(round_half_up(-character_ns))
        starts.setflags(write=False)
        return starts

    def payload_bytes(self) -> bytes:
        """Return the good characters as bytes; of 9-bit characters the low eight bits."""
        return self.data[self.good_mask].astype(np.uint8).tobytes()

    def data_hex(self) -> str:
        """Return the good characters in hexadecimal: two digits each, three when bytesize is 9."""
        if self.line.bytesize == 9:
            return "".join(f"{value:03x}" for value in self.data[self.good_mask].tolist())
        return self.payload_bytes().hex()

    def count(self, flag: int) -> int:
        """Return how many characters carry ``flag`` (`FRAMING`, `PARITY` or `BREAK`)."""
        return int(np.count_nonzero(self.flags & np.uint8(flag)))

    def events(self) -> list[dict[str, object]]:
        """Return ``{"kind", "start_ns"}`` for every flagged character, in order of time."""
        starts = self.start_times_ns
        found: list[dict[str, object]] = []
        for at in np.flatnonzero(self.flags).tolist():
            flags = int(self.flags[at])
            found += [
                {"kind": kind, "start_ns": int(starts[at])} for flag, kind in KINDS.items() if flags & flag
            ]
        return found

    def to_dict(self, times: bool = False) -> dict[str, object]:
        """Return the JSON form: line, counts, ``data_hex``, events; with ``times`` also ``times_ns``.

        ``line`` (settings, ``inverted``, ``estimated``), ``characters``, ``framing_errors``,
        ``parity_errors`` and ``breaks`` count; ``events`` as in `events`; ``taken`` and ``warnings`` as in
        the capture. ``start_ns`` is the start of the first character and ``end_ns`` the end of the last, None
        without any.
        """
        line = {**self.line.to_dict(), "inverted": self.inverted, "estimated": self.estimated}
        result: dict[str, object] = {
            "line": line,
            "characters": len(self),
            "data_hex": self.data_hex(),
            "framing_errors": self.count(FRAMING),
            "parity_errors": self.count(PARITY),
            "breaks": self.count(BREAK),
            "events": self.events(),
            "start_ns": int(self.start_times_ns[0]) if len(self) else None,
            "end_ns": int(self.times_ns[-1]) if len(self) else None,
            "taken": dict(self.taken),
            "warnings": list(self.warnings),
        }
        if times:
            result["times_ns"] = self.times_ns.tolist()
        return result
