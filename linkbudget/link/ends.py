"""The two ends of a link: how the module sends, what receives it, what sending costs the controller.

Field names equal the keys of the link file, units included (``_us`` microseconds, ``_hz`` per second). A key
that is None was not given; `linkbudget.link.resolve` says what stands in for it.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass, replace
from typing import Annotated, ClassVar

from linkbudget.errors import Fault, SettingsError
from linkbudget.link.keys import Key, Section, Source, missing
from linkbudget.units import Number
from linkbudget.wire.baud_rows import GENERATORS
from linkbudget.wire.receivers import ENVIRONMENTS, UARTS
from linkbudget.wire.tolerance import TOLERANCE_PATTERN, Tolerance

__all__ = [
    "Errored",
    "Receiver",
    "Sender",
    "Transmit",
]

KEEP_OR_DROP = ("keep", "drop")

ClockHz = Annotated[Number | None, Key("Clock of this end's UART, after its own prescalers.", above=0)]
BaudGenerator = Annotated[
    str | None, Key("How this end's UART makes its baud rate of that clock.", choices=tuple(GENERATORS))
]
ClockTolerance = Annotated[
    str | None,
    Key(
        "How far this end's clock may be off: a kind of oscillator (crystal, resonator, rc, exact) or a "
        "figure.",
        pattern=TOLERANCE_PATTERN,
        example="50 ppm",
    ),
]


@dataclass(frozen=True)
class Sender(Section):
    """How the sender behaves."""

    SECTION: ClassVar[str] = "sender"
    capture_to_send_us: Annotated[
        Number,
        Key("Time from the moment the data describe to the first start bit of their message.", minimum=0),
    ] = 0
    gap_us: Annotated[
        Number, Key("Pause the sender leaves after each character of a message.", minimum=0)
    ] = 0
    jitter_us: Annotated[
        Number, Key("How much later than its even rate a message may be sent, at most.", minimum=0)
    ] = 0
    uart_clock_hz: ClockHz = None
    baud_generator: BaudGenerator = None
    clock_tolerance: ClockTolerance = None

    def cross_faults(self) -> list[Fault]:
        """Return a clock without a generator or the other way round, and a tolerance that is none."""
        return _clock_faults(self)


@dataclass(frozen=True)
class Errored(Section):
    """What the receiver's driver does with flagged characters."""

    SECTION: ClassVar[str] = "receiver.errored"
    framing: Annotated[
        str, Key("A character with a framing error: is it kept or dropped?", choices=KEEP_OR_DROP)
    ] = "keep"
    parity: Annotated[
        str, Key("A character with a parity error: is it kept or dropped?", choices=KEEP_OR_DROP)
    ] = "keep"
    break_: Annotated[
        str, Key("A break: kept (as one zero byte) or dropped?", choices=KEEP_OR_DROP, name="break")
    ] = "drop"


@dataclass(frozen=True)
class Receiver(Section):
    """The controller's UART and driver. ``uart`` and ``environment`` are presets; numbers given here win."""

    SECTION: ClassVar[str] = "receiver"
    uart: Annotated[
        str | None, Key("Preset for the hardware: FIFO, trigger, time-out.", choices=tuple(UARTS))
    ] = None
    environment: Annotated[
        str | None,
        Key(
            "Preset for the driver: software buffer and what happens when it is full.",
            choices=tuple(ENVIRONMENTS),
        ),
    ] = None
    mode: Annotated[
        str | None,
        Key(
            "How bytes reach the software: read straight from the FIFO, by an interrupt handler, or by DMA.",
            choices=("polled", "interrupt", "dma"),
        ),
    ] = None
    fifo_bytes: Annotated[int | None, Key("Depth of the hardware receive FIFO.", minimum=1)] = None
    on_fifo_full: Annotated[
        str | None,
        Key(
            'A byte that meets a full FIFO is lost; "flush": and the FIFO\'s content with it.',
            choices=("drop", "flush"),
        ),
    ] = None
    trigger_bytes: Annotated[int | None, Key("FIFO level that raises the interrupt.", minimum=1)] = None
    idle_bits: Annotated[
        Number | None,
        Key(
            "Bit times of silence after which a FIFO that is not empty raises the interrupt; 0: never.",
            minimum=0,
        ),
    ] = None
    buffer_bytes: Annotated[
        int | None, Key('Usable bytes of the software (or DMA) buffer; 0 with mode "polled".', minimum=0)
    ] = None
    overflow: Annotated[
        str | None,
        Key(
            "When the software buffer is full: the new byte is lost, the oldest is, or bytes stay behind.",
            choices=("drop-new", "drop-old", "stay"),
        ),
    ] = None
    reads_drain_fifo: Annotated[
        bool | None, Key("Whether every look of the loop first moves FIFO bytes into free buffer space.")
    ] = None
    visible: Annotated[
        str | None,
        Key(
            "DMA only: whether bytes are seen at once or after the next half, full or idle event.",
            choices=("at-once", "on-event"),
        ),
    ] = None
    latency_us: Annotated[
        Number, Key("Time from an interrupt request to the start of its handler.", minimum=0)
    ] = 0
    interrupt_entry_us: Annotated[Number, Key("Handler time for entering and leaving.", minimum=0)] = 0
    interrupt_byte_us: Annotated[Number, Key("Handler time per byte taken out of the FIFO.", minimum=0)] = 0
    errored: Annotated[Errored, Key("What the driver does with flagged characters.")] = dataclasses.field(
        default_factory=Errored
    )
    uart_clock_hz: ClockHz = None
    baud_generator: BaudGenerator = None
    clock_tolerance: ClockTolerance = None
    source: Source = ""

    def cross_faults(self) -> list[Fault]:
        """Return a clock without a generator or the other way round, and a tolerance that is none."""
        return _clock_faults(self)


def _clock_faults(end: Sender | Receiver) -> list[Fault]:
    if end.baud_generator is not None and end.uart_clock_hz is None:
        return [missing("uart_clock_hz", "the clock that baud_generator divides, in hertz")]
    if end.uart_clock_hz is not None and end.baud_generator is None:
        return [missing("baud_generator", f"what divides uart_clock_hz, one of: {', '.join(GENERATORS)}")]
    if end.clock_tolerance is None:
        return []
    try:
        Tolerance.parse(end.clock_tolerance)
    except SettingsError as error:
        return [replace(fault, path="clock_tolerance") for fault in error.faults]
    return []


@dataclass(frozen=True)
class Transmit(Section):
    """What sending to the module costs the loop."""

    SECTION: ClassVar[str] = "transmit"
    buffer_bytes: Annotated[int, Key("Bytes of the transmit buffer; 0: none.", minimum=0)] = 0
    write: Annotated[
        str,
        Key(
            "Whether a write returns when the bytes are sent or when they are in the buffer.",
            choices=("blocking", "buffered"),
        ),
    ] = "buffered"
    per_message_us: Annotated[
        Number, Key("Loop time per message sent (encoding and the call).", minimum=0)
    ] = 0
    source: Source = ""
