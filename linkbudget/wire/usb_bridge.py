"""USB-serial bridges as a table: how long they hold characters back before the host sees any of them.

A bridge collects characters into packets. A packet leaves when it is full, or when a latency timer ends that
starts anew with every packet; a short message therefore waits for the timer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from types import MappingProxyType

from linkbudget.errors import Fault, SettingsError, unknown_name
from linkbudget.units import Number, exact, is_finite_number, is_whole_number
from linkbudget.wire.baud_kinds import plain_number
from linkbudget.wire.uart import UartLine

__all__ = ["BRIDGES", "BridgeDelay", "UsbBridge", "find_bridge"]

SHORTEST_US, LONGEST_US = 1_000, 255_000


@dataclass(frozen=True)
class BridgeDelay:
    """How long the last character of a message waits in a bridge, in exact seconds.

    ``shortest`` to ``longest``, over every phase of the timer; ``fill`` is how long a whole packet takes to
    arrive on a line that is never idle; ``packets`` the fewest that a message takes.
    """

    shortest: Fraction
    longest: Fraction
    fill: Fraction
    packets: int

    def to_dict(self) -> dict[str, object]:
        """Return ``{"shortest_us", "longest_us", "fill_us", "packets"}``."""
        return {
            "shortest_us": float(self.shortest * 10**6),
            "longest_us": float(self.longest * 10**6),
            "fill_us": float(self.fill * 10**6),
            "packets": self.packets,
        }


@dataclass(frozen=True)
class UsbBridge:
    """One bridge: ``packet_bytes`` characters fill a packet, ``timer_us`` is its latency timer.

    ``source`` says where the figures come from, ``status`` how far they can be trusted. What USB itself adds
    (the host asks for packets once a frame or more often) is not in it. Raises
    `SettingsError` with every fault.
    """

    name: str
    packet_bytes: int
    timer_us: Number
    source: str = "as given"
    status: str = ""

    def __post_init__(self) -> None:
        faults = []
        if not is_whole_number(self.packet_bytes, 1):
            faults.append(Fault("packet_bytes", self.packet_bytes, "a whole number of bytes, 1 or more"))
        if not is_finite_number(self.timer_us) or not SHORTEST_US <= self.timer_us <= LONGEST_US:
            shown = plain_number(self.timer_us) if isinstance(self.timer_us, Fraction) else self.timer_us
            allowed = f"{SHORTEST_US} to {LONGEST_US} microseconds"
            faults.append(Fault("timer_us", shown, allowed))
        if faults:
            raise SettingsError(faults)

    def with_timer(self, timer_us: Number) -> UsbBridge:
        """Return the same bridge with its latency timer set to 1000 to 255000 microseconds."""
        return replace(self, timer_us=timer_us)

    def delay(self, line: UartLine, n_bytes: int) -> BridgeDelay:
        """Return how long the last of ``n_bytes`` characters waits that are sent back to back into silence.

        Nothing comes after them. At best the timer ends with the last character. At worst that comes just
        after a packet has left: after the timer's end, or, where packets fill before the timer ends, at the
        soonest one character later than a full one. ``n_bytes`` is a whole number from 1 up, else
        `SettingsError`.

        >>> bridge = UsbBridge("bench adapter", packet_bytes=62, timer_us=16_000)
        >>> bridge.delay(UartLine.parse("115200 8N1"), 12).longest
        Fraction(2, 125)
        """
        if not is_whole_number(n_bytes, 1):
            raise SettingsError(Fault("n_bytes", n_bytes, "a whole number of bytes, 1 or more"))
        timer = exact(self.timer_us) / 10**6
        fill = line.transmit_time(self.packet_bytes)
        alone = n_bytes <= self.packet_bytes or timer <= fill
        longest = timer if alone else timer - line.character_time
        return BridgeDelay(Fraction(0), longest, fill, -(-n_bytes // self.packet_bytes))


_ROWS = (
    UsbBridge(
        "full-speed",
        packet_bytes=62,
        timer_us=16_000,
        source="FTDI AN232B-04: 62 data and 2 status bytes a packet; timer 16 ms, 1 to 255 ms settable",
        status="verified; other families differ",
    ),
    UsbBridge(
        "high-speed",
        packet_bytes=510,
        timer_us=16_000,
        source="512-byte packets: public driver change; the 2 status bytes and the timer as at full speed",
        status="reported: public text, place not kept; status bytes and timer from memory",
    ),
)

BRIDGES: Mapping[str, UsbBridge] = MappingProxyType({row.name: row for row in _ROWS})


def find_bridge(name: str) -> UsbBridge:
    """Return the row of `BRIDGES` with this name; `SettingsError` with the nearest name otherwise."""
    row = BRIDGES.get(name)
    if row is None:
        raise SettingsError(unknown_name("bridge", name, BRIDGES))
    return row
