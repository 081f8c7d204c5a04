"""Characters behind a USB-serial bridge: when the host gets what the wire carried.

The rules. A packet leaves with the character that fills it, or when the latency timer ends, with whatever is
there by then; both start the timer anew. At equal instants the character comes first. An end of the timer
with nothing to send starts it anew as well.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from linkbudget.errors import Fault, SettingsError
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import us_to_ns
from linkbudget.wire.usb_bridge import UsbBridge, find_bridge

__all__ = ["behind_bridge", "packets_of"]


def behind_bridge(capture: ByteCapture, bridge: UsbBridge | str, phase_ns: int = 0) -> ByteCapture:
    """Return a recording as a host behind a bridge sees it: every character at the time of its packet.

    ``bridge`` is a row or a name of `wire.usb_bridge.BRIDGES`; ``phase_ns`` an instant at which the timer
    ended, on the clock of the capture. ``starts_ns`` stay those of the wire, so that ages count the time in
    the bridge; ``window_ns`` is left out, because these are the instants at which a host can read. (A host
    that does not know the packets has to take each time as the end of a window of one timer period.)

    Raises `SettingsError` for an unknown bridge, and for a capture whose own times are uncertain.
    """
    row = find_bridge(bridge) if isinstance(bridge, str) else bridge
    if capture.window_ns is not None:
        problem = "the times of this capture are known to within windows only"
        raise SettingsError(Fault("window_ns", problem=problem, allowed="a capture of the wire itself"))
    times = np.empty(len(capture), np.int64)
    for sent_ns, first, behind in packets_of(capture, row, phase_ns):
        times[first:behind] = sent_ns
    return replace(
        capture,
        times_ns=times,
        starts_ns=capture.start_times_ns,
        taken={**capture.taken, "bridge": f"{row.name}, timer {row.timer_us} us"},
    )


def packets_of(capture: ByteCapture, bridge: UsbBridge, phase_ns: int = 0) -> Iterator[tuple[int, int, int]]:
    """Yield each packet: the instant it leaves in nanoseconds, its first character, and the one behind it."""
    period, size = us_to_ns(bridge.timer_us), bridge.packet_bytes
    times, count = capture.times_ns, len(capture)
    first = 0
    # The last end of the timer before the first character.
    before = int(times[0]) - 1 if count else 0
    began = before - (before - phase_ns) % period
    while first < count:
        # The first end of the timer that is not before the character: whole periods after it last began.
        ends = began + max(1, -(-(int(times[first]) - began) // period)) * period
        last = first + size - 1
        if last < count and int(times[last]) <= ends:
            ends, behind = int(times[last]), first + size
        else:
            behind = int(np.searchsorted(times, ends, side="right"))
        yield ends, first, behind
        began, first = ends, behind
