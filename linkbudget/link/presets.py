"""The receiver's numbers: those of the link file, else of its presets, else the defaults.

A number in ``[receiver]`` wins over the row that ``environment`` names (the driver and its buffer), that over
the row that ``uart`` names (the hardware), that over the default.
"""

from __future__ import annotations

from typing import Any

from linkbudget.errors import Fault
from linkbudget.link.ends import Receiver
from linkbudget.wire.receivers import ENVIRONMENTS, UARTS
from linkbudget.wire.uart import UartLine

__all__ = ["DEFAULTS", "receiver_faults", "receiver_numbers"]

# The plainest UART there is, with an interrupt per byte and a buffer of 256 bytes.
DEFAULTS: dict[str, Any] = {
    "mode": "interrupt",
    "fifo_bytes": 1,
    "trigger_bytes": 1,
    "idle_bits": 0,
    "on_fifo_full": "drop",
    "buffer_bytes": 256,
    "overflow": "drop-new",
    "reads_drain_fifo": False,
    "visible": "at-once",
}


def preset_numbers(receiver: Receiver, line: UartLine) -> dict[str, Any]:
    """Return what the rows named by ``uart`` and ``environment`` say."""
    found: dict[str, Any] = {}
    if receiver.uart is not None:
        found |= UARTS[receiver.uart].settings(line)
    if receiver.environment is not None:
        found |= ENVIRONMENTS[receiver.environment].settings()
    return found


def receiver_numbers(receiver: Receiver, line: UartLine) -> tuple[dict[str, Any], dict[str, str]]:
    """Return the receiver's numbers, and for each whether it was ``given``, a ``preset`` or a ``default``.

    Every environment with a software buffer fills it from an interrupt handler. Where nothing names the mode,
    ``buffer_bytes = 0`` means ``polled`` and anything else ``interrupt``; a polled receiver has no software
    buffer, so an environment's is left out.
    """
    preset = preset_numbers(receiver, line)
    given = {key: value for key in DEFAULTS if (value := getattr(receiver, key)) is not None}
    numbers = DEFAULTS | preset | given
    origins = {key: "given" if key in given else "preset" if key in preset else "default" for key in DEFAULTS}
    if given.get("buffer_bytes") == 0 and "mode" not in given:
        numbers["mode"] = "polled"
    if numbers["mode"] == "polled" and "buffer_bytes" not in given:
        numbers["buffer_bytes"] = 0
    if "trigger_bytes" not in given:
        # A preset's trigger level cannot exceed a FIFO that was overridden to be smaller.
        numbers["trigger_bytes"] = min(numbers["trigger_bytes"], numbers["fifo_bytes"])
    return numbers, origins


def receiver_faults(receiver: Receiver, line: UartLine) -> list[Fault]:
    """Return what is wrong between the receiver's numbers, presets included."""
    numbers, _ = receiver_numbers(receiver, line)
    faults = []
    trigger, depth, room = numbers["trigger_bytes"], numbers["fifo_bytes"], numbers["buffer_bytes"]
    if trigger > depth:
        faults.append(Fault("receiver.trigger_bytes", trigger, f"at most fifo_bytes = {depth}"))
    if numbers["mode"] == "polled" and room > 0:
        faults.append(Fault("receiver.buffer_bytes", room, '0, since mode = "polled" has no software buffer'))
    if numbers["mode"] != "polled" and room == 0:
        allowed = f'at least 1, since mode = "{numbers["mode"]}" reads from a buffer'
        faults.append(Fault("receiver.buffer_bytes", room, allowed))
    return faults
