"""The link as the receiver model needs it: presets applied, every time in whole nanoseconds.

Each configured time is rounded half up to nanoseconds once, here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any, NamedTuple

from linkbudget.errors import Fault, SettingsError
from linkbudget.link.ends import Receiver
from linkbudget.link.loop import Loop, Parser, Reading
from linkbudget.link.presets import receiver_numbers
from linkbudget.units import exact, round_half_up, us_to_ns

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.wire.uart import UartLine

__all__ = [
    "BusyNs",
    "LoopNs",
    "MeasureParser",
    "ParserNs",
    "ReadingNs",
    "ReceiverNs",
    "Resolved",
    "SenderNs",
    "TransmitNs",
    "resolve",
]

MeasureParser = Callable[["Link"], Mapping[str, Any]]
"""What measures a parser: a link to the numbers of its ``[parser]``, as `Link.replace` takes them."""


@dataclass(frozen=True)
class ReceiverNs:
    """The receiver with presets applied; ``errored`` maps framing, parity and break to keep or drop."""

    mode: str
    fifo_bytes: int
    on_fifo_full: str
    trigger_bytes: int
    idle_bits: Fraction
    idle_ns: int
    buffer_bytes: int
    overflow: str
    reads_drain_fifo: bool
    visible: str
    latency_ns: int
    interrupt_entry_ns: int
    interrupt_byte_ns: int
    errored: Mapping[str, str]


@dataclass(frozen=True)
class LoopNs:
    """The loop; ``period_ns`` is 0 for a free loop whose file gives no period."""

    period_ns: int
    phase_ns: int
    work_ns: tuple[int, ...]
    deadline_ns: int
    when_late: str


@dataclass(frozen=True)
class ReadingNs:
    """The reading step; ``limit_bytes`` and ``timeout_ns`` are 0 where the strategy has none."""

    strategy: str
    context: str
    take: str
    limit_bytes: int
    timeout_ns: int
    timeout_character_ns: int
    on_timeout: str
    skip_byte_ns: int


@dataclass(frozen=True)
class ParserNs:
    """Parser costs; ``pause_every_bytes`` is 0 where there are no pauses."""

    read_call_ns: int
    byte_ns: int
    message_ns: int
    message_byte_ns: int
    pause_ns: int
    pause_every_bytes: int


class BusyNs(NamedTuple):
    """Busy windows: from ``phase_ns + j * period_ns`` for ``length_ns``."""

    period_ns: int
    phase_ns: int
    length_ns: int
    blocks: str


@dataclass(frozen=True)
class SenderNs:
    """The sender's times."""

    capture_to_send_ns: int
    gap_ns: int
    jitter_ns: int


@dataclass(frozen=True)
class TransmitNs:
    """What sending costs."""

    buffer_bytes: int
    write: str
    per_message_ns: int


@dataclass(frozen=True)
class Resolved:
    """A link with presets applied and all times in nanoseconds; bit and character times exact seconds.

    ``act_by_ns`` maps the name of each message that has an ``act_by_us`` to it.
    """

    bit_time_s: Fraction
    character_time_s: Fraction
    sender: SenderNs
    receiver: ReceiverNs
    loop: LoopNs
    reading: ReadingNs
    parser: ParserNs
    transmit: TransmitNs
    busy: tuple[BusyNs, ...]
    act_by_ns: Mapping[str, int]


def _receiver_ns(receiver: Receiver, line: UartLine) -> ReceiverNs:
    numbers, _ = receiver_numbers(receiver, line)
    numbers["idle_bits"] = exact(numbers["idle_bits"])
    errored = receiver.errored
    return ReceiverNs(
        **numbers,
        idle_ns=round_half_up(numbers["idle_bits"] * line.bit_time * 10**9),
        latency_ns=us_to_ns(receiver.latency_us),
        interrupt_entry_ns=us_to_ns(receiver.interrupt_entry_us),
        interrupt_byte_ns=us_to_ns(receiver.interrupt_byte_us),
        errored={"framing": errored.framing, "parity": errored.parity, "break": errored.break_},
    )


def _loop_ns(loop: Loop) -> LoopNs:
    if not loop.described:
        raise SettingsError(
            Fault("loop.period_us", None, "a number above 0; passes need a [loop]", problem="is missing")
        )
    period_ns = us_to_ns(loop.period_us or 0)
    work = loop.work_us if isinstance(loop.work_us, tuple) else (loop.work_us,)
    return LoopNs(
        period_ns=period_ns,
        phase_ns=us_to_ns(loop.phase_us),
        work_ns=tuple(us_to_ns(part) for part in work),
        deadline_ns=period_ns if loop.deadline_us is None else us_to_ns(loop.deadline_us),
        when_late=loop.when_late,
    )


def _reading_ns(reading: Reading) -> ReadingNs:
    return ReadingNs(
        strategy=reading.strategy,
        context=reading.context,
        take=reading.take,
        limit_bytes=reading.limit_bytes or 0,
        timeout_ns=us_to_ns(reading.timeout_us or 0),
        timeout_character_ns=us_to_ns(reading.timeout_character_us),
        on_timeout=reading.on_timeout,
        skip_byte_ns=us_to_ns(reading.skip_byte_us),
    )


def _parser_ns(parser: Parser) -> ParserNs:
    if parser.measure is not None:
        allowed = "numbers in [parser] (byte_us ...), which linkbudget.cost.resolve(link) measures"
        problem = f"{parser.measure!r} has to be measured before the link can be replayed"
        raise SettingsError(Fault("parser.measure", parser.measure, allowed, problem=problem))
    return ParserNs(
        read_call_ns=us_to_ns(parser.read_call_us),
        byte_ns=us_to_ns(parser.byte_us),
        message_ns=us_to_ns(parser.message_us),
        message_byte_ns=us_to_ns(parser.message_byte_us),
        pause_ns=us_to_ns(parser.pause_us),
        pause_every_bytes=parser.pause_every_bytes or 0,
    )


def resolve(link: Link) -> Resolved:
    """Return the link with presets applied and every time in whole nanoseconds.

    Raises `SettingsError` when there is no loop, or a parser that has yet to be measured.
    """
    line, sender, transmit = link.line, link.sender, link.transmit
    return Resolved(
        bit_time_s=line.bit_time,
        character_time_s=line.character_time,
        sender=SenderNs(
            us_to_ns(sender.capture_to_send_us), us_to_ns(sender.gap_us), us_to_ns(sender.jitter_us)
        ),
        receiver=_receiver_ns(link.receiver, line),
        loop=_loop_ns(link.loop),
        reading=_reading_ns(link.reading),
        parser=_parser_ns(link.parser),
        transmit=TransmitNs(transmit.buffer_bytes, transmit.write, us_to_ns(transmit.per_message_us)),
        busy=tuple(
            BusyNs(us_to_ns(busy.period_us), us_to_ns(busy.phase_us), us_to_ns(busy.length_us), busy.blocks)
            for busy in link.busy
        ),
        act_by_ns={
            message.name: us_to_ns(message.act_by_us)
            for message in link.messages
            if message.act_by_us is not None
        },
    )
