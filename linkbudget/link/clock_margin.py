"""The clocks of a link's two ends: what each one misses of the rate, and whether the other can still read it.

An end is described by ``uart_clock_hz``, ``baud_generator`` and ``clock_tolerance`` of ``[sender]`` and
``[receiver]``; each UART reads with the same clock it sends with.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from linkbudget.errors import Fault, SettingsError
from linkbudget.link.ends import Receiver, Sender
from linkbudget.wire.margin_ends import DEFAULT_LOOKS, UartEnd, ends_margin
from linkbudget.wire.tolerance import EXACT, Tolerance

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.wire.margin import Margin
    from linkbudget.wire.uart import UartLine

__all__ = ["blamed", "clock_faults", "clock_margins", "clock_notes", "clocks_decide"]

# Who writes and who reads; each UART does both with one clock.
ENDS = {"to-controller": ("sender", "receiver"), "to-module": ("receiver", "sender")}
KEYS = ("uart_clock_hz", "baud_generator", "clock_tolerance")
KEY_OF = {"baudrate": "baud_generator", "clock_hz": "uart_clock_hz"}


def clock_margins(link: Link) -> dict[str, Margin]:
    """Return the sampling margin of each direction that has messages; nothing when no clock is described.

    An end that says nothing of its clock is taken as exact (`clock_notes` says so).
    """
    sections: dict[str, Sender | Receiver] = {"sender": link.sender, "receiver": link.receiver}
    if not any(_described(section) for section in sections.values()):
        return {}
    ends = {name: _end(section) for name, section in sections.items()}
    used = {message.direction for message in link.messages}
    return {
        direction: ends_margin(link.line, ends[writer], ends[reader])
        for direction, (writer, reader) in ENDS.items()
        if direction in used
    }


def blamed(direction: str, margin: Margin) -> str:
    """Return the section of the link file, or both, that takes more than its half of a margin exceeded."""
    writer, reader = ENDS[direction]
    return {"tx": f"[{writer}]", "rx": f"[{reader}]"}.get(margin.blame or "", "[sender] and [receiver]")


def clocks_decide(link: Link) -> bool:
    """Return whether both ends say how they make their rate, so that the margin says which rates work."""
    return link.sender.baud_generator is not None and link.receiver.baud_generator is not None


def clock_notes(link: Link) -> list[str]:
    """Return in words what the margins of a link assume."""
    margins = clock_margins(link)
    if not margins:
        return []
    notes = []
    for name in ("sender", "receiver"):
        section: Sender | Receiver = getattr(link, name)
        if not _described(section):
            notes.append(f"[{name}] says nothing of its clock: its baud rate is taken as exact")
        elif section.clock_tolerance is None:
            notes.append(f"[{name}] has no clock_tolerance: its clock is taken as exact")
        elif section.baud_generator is None:
            notes.append(f"[{name}] has no baud_generator: its rate is taken to be off by its clock alone")
    for direction in margins:
        reader = ENDS[direction][1]
        if not _end(getattr(link, reader)).looks_known:
            notes.append(f"[{reader}] is assumed to look at each bit {DEFAULT_LOOKS} times")
    return notes


def clock_faults(sections: Mapping[str, Sender | Receiver | None], line: UartLine) -> list[Fault]:
    """Return why an end cannot be set to the rate of the line."""
    faults = []
    for name, section in sections.items():
        try:
            if section is not None:
                _end(section).setting(line.baudrate)
        except SettingsError as error:
            faults += [
                Fault(f"{name}.{KEY_OF[fault.path]}", None, fault.allowed, problem=fault.problem)
                for fault in error.faults
            ]
    return faults


def _described(section: Sender | Receiver) -> bool:
    return any(getattr(section, key) is not None for key in KEYS)


def _end(section: Sender | Receiver) -> UartEnd:
    given = section.clock_tolerance
    tolerance = EXACT if given is None else Tolerance.parse(given)
    return UartEnd(section.baud_generator, section.uart_clock_hz, tolerance)
