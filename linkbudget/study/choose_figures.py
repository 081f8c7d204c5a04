"""The figures of one candidate: what it costs on the wire, what it loses, what it lets through."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property, partial
from typing import Any

from linkbudget.budget.arrivals import message_rates
from linkbudget.budget.bytetime import ByteBudget, ExactRange, byte_budget
from linkbudget.codec import Codec
from linkbudget.errors import Fault, SettingsError
from linkbudget.frame.format import FrameFormat
from linkbudget.link.loop import Parser
from linkbudget.link.model import Link
from linkbudget.link.requirements import Requirement, requirement_rows
from linkbudget.message.layout import MessageLayout
from linkbudget.study.choose_candidates import Format
from linkbudget.study.choose_layouts import Precision, precision_of
from linkbudget.study.recorded import RecordedMessages
from linkbudget.study.risk import (
    Flips,
    PayloadReader,
    Risk,
    bytes_lost,
    flips_per_frame,
    tried_risk,
)
from linkbudget.study.samples import spread, varied_values
from linkbudget.units import SizeRange, exact

__all__ = ["Candidate", "MessageSize", "NotExpressible", "Scales", "receive_cost_us"]

US = 10**6
SAMPLES = 12
"""Messages of each kind that damage is tried on, and by which senders are compared."""
ESCAPE_SAMPLES = 500
"""Messages over which escaped bytes are counted where none were recorded."""

Values = Mapping[str, list[Mapping[str, Any]]]


class NotExpressible(SettingsError):
    """A recorded message that a candidate has no bytes for."""


@dataclass(frozen=True)
class MessageSize:
    """Bytes on the wire of one message: ``minimum`` and ``maximum`` over all its values.

    ``typical`` is the mean of the recorded ones where there are any, else the typical message with as many
    escaped bytes (slip, hdlc) as messages spread over the ranges of the fields have in the mean.
    """

    name: str
    minimum: int
    typical: Fraction
    maximum: int
    exact: bool = True
    """Whether minimum and maximum are proved to be attained; otherwise no frame is outside."""

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        size = {"minimum": self.minimum, "typical": float(self.typical), "maximum": self.maximum}
        return {"name": self.name, "bytes": size, "bytes_exact": self.exact}


@dataclass(frozen=True)
class Candidate:
    """One format with its figures; those of several messages together are of one message.

    ``bytes`` and ``wire_time`` (seconds): the least of any message, the mean over messages as often as they
    are sent, the most of any. ``utilisation`` is that of the direction, None when no rate is known.
    ``undetected_per_year`` and ``misread_per_year`` are None when the line has no bit error rate.
    ``bytes_lost`` are bytes lost after one damaged byte, at most. ``age_us`` is the budget's bound on the age
    at use, None without one and to the module. ``receive_cost_us`` is the parser's time for one typical
    message, known for the present format; for the first two as well where their parser can be measured.
    ``over_limit_bits``: typical bits of a frame above the limit of theory, those of the longest where nothing
    is recorded. ``on_front``: no other candidate beats it in every respect.
    """

    format: Format
    messages: tuple[MessageSize, ...]
    bytes: ExactRange
    wire_time: ExactRange
    utilisation: ExactRange | None
    precision: tuple[Precision, ...]
    undetected_per_year: float | None
    misread_per_year: float | None
    bytes_lost: int
    bytes_lost_exact: bool
    age_us: float | None
    receive_cost_us: float | None
    sender_must_change: bool
    requirements: tuple[Requirement, ...]
    over_limit_bits: float | None = None
    on_front: bool = False

    @property
    def name(self) -> str:
        """The candidate in words."""
        return self.format.name

    @property
    def link(self) -> Link:
        """The link with this format."""
        return self.format.link

    @property
    def bytes_exact(self) -> bool:
        """Whether least and most bytes of every message are proved to be attained, and no mere bounds."""
        return all(message.exact for message in self.messages)

    @property
    def meets(self) -> bool:
        """Whether no requirement that can be judged is missed."""
        return all(row.met is not False for row in self.requirements)

    def figures(self) -> dict[str, float | None]:
        """Return the numeric columns in which candidates are compared: less is better in each.

        The receive cost is not among them: it is known for one candidate at most.
        """
        return {
            "wire_time_us.typical": float(self.wire_time.typical * US),
            "wire_time_us.maximum": float(self.wire_time.maximum * US),
            "undetected_per_year": self.undetected_per_year,
            "misread_per_year": self.misread_per_year,
            "bytes_lost": float(self.bytes_lost),
            "age_us": self.age_us,
            **{f"error.{row.message}.{row.field}": row.largest for row in self.precision},
        }

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        made, fmt = self.format, self.format.fmt
        return {
            "name": self.name,
            "encoding": made.writing,
            "joined": made.joined,
            "coarser_steps": made.coarser,
            "delimiting": fmt.delimiting,
            "crc": made.check,
            "present": made.present,
            "meets": self.meets,
            "on_front": self.on_front,
            "messages": [message.to_dict() for message in self.messages],
            "bytes": self.bytes.to_dict(),
            "bytes_exact": self.bytes_exact,
            "wire_time_us": self.wire_time.to_dict(US),
            "utilisation": None if self.utilisation is None else self.utilisation.to_dict(),
            "precision": [row.to_dict() for row in self.precision],
            "undetected_per_year": self.undetected_per_year,
            "misread_per_year": self.misread_per_year,
            "bytes_lost": self.bytes_lost,
            "bytes_lost_exact": self.bytes_lost_exact,
            "age_us": self.age_us,
            "receive_cost_us": self.receive_cost_us,
            "sender_must_change": self.sender_must_change,
            "over_limit_bits": self.over_limit_bits,
            "requirements": [row.to_dict() for row in self.requirements],
        }


class Scales:
    """What every candidate of a direction is measured with: rates, recorded messages, values to try."""

    def __init__(self, link: Link, direction: str, recorded: RecordedMessages | None) -> None:
        self.link, self.direction, self.recorded = link, direction, recorded
        self.names = [message.name for message in link.messages_of(direction)]
        self.rates = self._rates()
        self._readers: dict[str, PayloadReader] = {}
        self._trials: dict[tuple[str, str, FrameFormat], Flips] = {}
        self._payloads: dict[str, dict[str, list[bytes]]] = {}
        self._varied: dict[tuple[str, str], list[bytes]] = {}
        self._values: dict[MessageLayout, list[Mapping[str, Any]]] = {}

    def _rates(self) -> dict[str, Fraction | None]:
        given = message_rates(self.link)
        found = self.recorded
        return {
            name: given[name] if given[name] is not None or found is None else found.rate_hz(name)
            for name in self.names
        }

    @cached_property
    def shares(self) -> dict[str, Fraction]:
        """The share of each message in all that are sent: as recorded, by rates, or the same for all."""
        counts: dict[str, Fraction | int] = {}
        if self.recorded is not None:
            counts = {name: len(self.recorded.of(name)) for name in self.names}
        elif all(rate is not None for rate in self.rates.values()):
            counts = {name: rate or Fraction(0) for name, rate in self.rates.items()}
        else:
            counts = dict.fromkeys(self.names, 1)
        total = sum(counts.values(), Fraction(0))
        return {name: Fraction(count) / total for name, count in counts.items()}

    @cached_property
    def samples(self) -> Values:
        """Some values of each message: recorded ones, else values spread over the fields' ranges."""
        return {
            message.name: spread(self.recorded.values(message.name), SAMPLES)
            if self.recorded is not None and self.recorded.of(message.name)
            else list(varied_values(message.layout, SAMPLES))
            for message in self.link.messages_of(self.direction)
        }

    @cached_property
    def _compared(self) -> list[tuple[str, Mapping[str, Any], bytes]]:
        """Messages of every kind, and the frames in which they are sent at present."""
        codec = self.link.codec(self.direction)
        values = [(name, value) for name, some in self.samples.items() for value in some]
        for message in self.link.messages_of(self.direction):
            values += [(message.name, value) for value in varied_values(message.layout, SAMPLES)]
            values += [(message.name, codec.attain(message.name, which)) for which in ("minimum", "maximum")]
        found = []
        for name, value in values:
            frame = _frame(codec, name, value)
            if frame is not None:
                found.append((name, value, frame))
        return found

    def measure(self, made: Format, limit_bits: float | None = None) -> Candidate:
        """Return a candidate with its figures.

        Raises `NotExpressible` when a recorded message cannot be written in it.
        """
        link = made.link if made.link.parser.measure is None else replace(made.link, parser=Parser())
        budget = byte_budget(link)
        messages = self._sizes(made, budget)
        wire = self._of_one(messages, self._wire_time)
        risk = self._risk(made, messages)
        longest = max(message.maximum for message in messages)
        lost, lost_exact = bytes_lost(made.fmt, longest)
        age = budget.receiving.age_us["maximum"] if self.direction == "to-controller" else None
        size = self._of_one(messages, lambda count: count)
        use = self._utilisation(messages)
        return Candidate(
            format=made,
            messages=messages,
            bytes=size,
            wire_time=wire,
            utilisation=use,
            precision=tuple(row for one in made.codec.messages for row in precision_of(one.layout)),
            undetected_per_year=risk.undetected_per_year if risk else None,
            misread_per_year=risk.misread_per_year if risk else None,
            bytes_lost=lost,
            bytes_lost_exact=lost_exact,
            age_us=age,
            receive_cost_us=receive_cost_us(self.link, size.typical) if made.present else None,
            sender_must_change=not made.present and self._differs(made.codec),
            requirements=self._judged(made, budget, use, risk, age),
            over_limit_bits=None if limit_bits is None else self._payable(messages, size) - limit_bits,
        )

    def _payable(self, messages: Sequence[MessageSize], size: ExactRange) -> float:
        """Return the bits of a message to hold against the limit of theory.

        Typical ones where messages are recorded. The limit from ranges alone says how many bits the longest
        message has at least, whatever is typical.
        """
        if self.recorded is not None:
            return float(8 * size.typical)
        return float(8 * sum((self.shares[one.name] * one.maximum for one in messages), Fraction(0)))

    def _sizes(self, made: Format, budget: ByteBudget) -> tuple[MessageSize, ...]:
        planned = {row.name: row for row in budget.messages}
        found = []
        for name in self.names:
            size = planned[name].bytes
            typical = self._typical(made, name, size)
            if self.recorded is not None and self.recorded.of(name):
                sizes = self._recorded_sizes(made, name)
                typical = Fraction(sum(sizes), len(sizes))
            found.append(MessageSize(name, size.minimum, typical, size.maximum, planned[name].bytes_exact))
        return tuple(found)

    def _typical(self, made: Format, name: str, size: SizeRange) -> Fraction:
        """Return the bytes of the typical message; where bytes are escaped, as many as in varied messages.

        One message, whose values happen to be escaped or not, says nothing of the mean.
        """
        codec, framing = made.codec, made.fmt.framing
        planned, overhead = codec.payload_size(name).typical, made.fmt.overhead_bytes
        if not framing.escaped or planned > made.fmt.max_payload:
            return Fraction(size.typical)
        bodies = [
            made.fmt.envelope.wrap(payload)
            for payload in self._varied_payloads(made, name)
            if len(payload) <= made.fmt.max_payload
        ]
        together = b"".join(bodies)
        left = together.translate(None, framing.escaped)
        share = Fraction(len(together) - len(left), len(together) or 1)
        typical = framing.size(overhead + planned).minimum + share * (overhead + planned)
        return min(max(typical, Fraction(size.minimum)), Fraction(size.maximum))

    def _varied_payloads(self, made: Format, name: str) -> list[bytes]:
        key = "present" if made.present else made.writing
        if (key, name) not in self._varied:
            layout = made.codec.message(name).layout
            found = []
            if layout not in self._values:
                self._values[layout] = list(varied_values(layout, ESCAPE_SAMPLES))
            for value in self._values[layout]:
                try:
                    found.append(made.codec.encode_payload(name, value))
                except SettingsError:  # a text of ours that this encoding cannot hold
                    continue
            self._varied[key, name] = found
        return self._varied[key, name]

    def _recorded_sizes(self, made: Format, name: str) -> list[int]:
        """Return the bytes of all recorded messages: at present as they were, else written anew."""
        if made.present and self.recorded is not None:
            return [message.frame_bytes for message in self.recorded.of(name)]
        return [_frame_bytes(made.fmt, payload) for payload in self._recorded_payloads(made)[name]]

    def _recorded_payloads(self, made: Format) -> dict[str, list[bytes]]:
        """Return the payloads of all recorded messages, worked out once for each way to write them."""
        key = made.writing
        if key not in self._payloads:
            found: dict[str, list[bytes]] = {name: [] for name in self.names}
            for number, message in enumerate(self.recorded.messages if self.recorded else ()):
                try:
                    found[message.name].append(made.codec.encode_payload(message.name, message.value))
                except SettingsError as error:
                    problem = f"cannot be written: {error.faults[0]}"
                    raise NotExpressible(Fault(f"recorded message {number}", problem=problem)) from error
            self._payloads[key] = found
        return self._payloads[key]

    def _of_one(self, messages: Sequence[MessageSize], figure: Callable[[Fraction], Fraction]) -> ExactRange:
        typical = sum((self.shares[one.name] * figure(one.typical) for one in messages), Fraction(0))
        least, most = min(one.minimum for one in messages), max(one.maximum for one in messages)
        return ExactRange(figure(Fraction(least)), typical, figure(Fraction(most)))

    def _wire_time(self, count: Fraction) -> Fraction:
        gap = exact(self.link.sender.gap_us) / US if self.direction == "to-controller" else Fraction(0)
        return count * self.link.line.character_time + max(count - 1, Fraction(0)) * gap

    def _utilisation(self, messages: Sequence[MessageSize]) -> ExactRange | None:
        known = [(one, rate) for one in messages if (rate := self.rates[one.name]) is not None]
        if not known:
            return None
        parts = [
            sum((rate * self._wire_time(Fraction(getattr(one, which))) for one, rate in known), Fraction(0))
            for which in ("minimum", "typical", "maximum")
        ]
        return ExactRange(*parts)

    def _risk(self, made: Format, messages: Sequence[MessageSize]) -> Risk | None:
        """Return the risk over all messages; None without a bit error rate, or when a rate is not known."""
        error_rate = float(self.link.bit_error_rate)
        if not error_rate or any(rate is None for rate in self.rates.values()):
            return None
        total = Risk(0.0, 0.0)
        for one in messages:
            rate = self.rates[one.name] or Fraction(0)
            trial = partial(self._flips, made, one.name)
            total += tried_risk(made.fmt, trial, one.typical, rate, self.link.line, error_rate)
        return total

    def _flips(self, made: Format, name: str, fmt: FrameFormat) -> Flips:
        """Return the trial of one message in a frame format, made once for each way to write it."""
        key = "present" if made.present else made.writing
        if (key, name, fmt) not in self._trials:
            reader = self._readers.setdefault(key, PayloadReader(made.codec))
            payloads = self._sample_payloads(made, name)
            self._trials[key, name, fmt] = flips_per_frame(fmt, payloads, reader, self.link.line.bytesize)
        return self._trials[key, name, fmt]

    def _sample_payloads(self, made: Format, name: str) -> list[bytes]:
        payloads = []
        for value in self.samples[name]:
            try:
                payloads.append(made.codec.encode_payload(name, value))
            except SettingsError:  # a value of ours, not a recorded one: a text this encoding cannot hold
                continue
        return payloads or [made.codec.encode_payload(name, made.codec.attain(name, "typical"))]

    def _differs(self, codec: Codec) -> bool:
        return any(_frame(codec, name, value) != frame for name, value, frame in self._compared)

    def _judged(
        self,
        made: Format,
        budget: ByteBudget,
        use: ExactRange | None,
        risk: Risk | None,
        age: float | None,
    ) -> tuple[Requirement, ...]:
        """Return the requirements; those that a format does not decide are not judged."""
        shares = [share.maximum for share in budget.utilisation.values()] + ([use.maximum] if use else [])
        values: dict[str, Any] = {
            "utilisation": max(shares, default=None),
            "age_us": age,
            "undetected_per_year": risk.undetected_per_year if risk else None,
            "misread_per_year": risk.misread_per_year if risk else None,
        }
        layouts = [message.layout for message in made.link.messages]
        rows = requirement_rows(self.link.require, values, layouts)
        endless = self.direction == "to-controller" and age is None
        return tuple(replace(row, met=False) if row.name == "age_us" and endless else row for row in rows)


def receive_cost_us(link: Link, message_bytes: Fraction) -> float | None:
    """Return the parser's time for one message of this size; None when the link has no parser costs.

    Read calls, bytes, the message, and its share of the pauses; no handler time.
    """
    parser = link.parser
    costs = (parser.read_call_us, parser.byte_us, parser.message_us, parser.message_byte_us, parser.pause_us)
    if parser.measure is not None or not any(costs):
        return None
    read_call, byte, message, message_byte, pause = map(exact, costs)
    one_by_one = link.reading.one_by_one
    per_byte = byte + message_byte + (read_call if one_by_one else 0)
    if parser.pause_every_bytes:
        per_byte += pause / parser.pause_every_bytes
    return float(message + message_bytes * per_byte + (0 if one_by_one else read_call))


def _frame(codec: Codec, name: str, value: Mapping[str, Any]) -> bytes | None:
    try:
        return codec.encode(name, value)
    except SettingsError:
        return None


def _frame_bytes(fmt: FrameFormat, payload: bytes) -> int:
    # Every body of a length takes as much in most delimitings.
    size = fmt.framing.size(fmt.overhead_bytes + len(payload))
    return size.minimum if size.minimum == size.maximum else len(fmt.encode(payload))
