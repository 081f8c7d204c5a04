"""The byte-time budget of a link: what its messages cost on the wire, and what the receiving end needs.

All of it follows from the link alone; nothing is recorded. Every figure carries its unit and the rule it came
from (`ByteBudget.rows`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from html import escape
from math import ceil
from typing import Any

from linkbudget.budget.arrivals import Arrivals, arrivals, message_rates
from linkbudget.budget.freshness import age_at_use, mean_age, on_time, stall_bytes, unread_bytes
from linkbudget.budget.longest_pass import PassBound, Sending, delivery_delay, longest_pass
from linkbudget.link.model import DIRECTIONS, Link, Message, Resolved
from linkbudget.link.requirements import Requirement, requirement_rows
from linkbudget.units import SizeRange, exact

__all__ = ["RULES", "ByteBudget", "ExactRange", "MessageBudget", "byte_budget"]

RULES = {
    "payload_bytes": "id or key and the encoded fields; the maximum is attained",
    "bytes": "payload with check and delimiting",
    "wire_time_us": "bytes * bits per character / baud rate, and the sender's gap between characters",
    "rate_limit_hz": "1 / longest wire time: back to back, nothing else on the wire",
    "utilisation": "sum over the messages of rate * wire time",
    "utilisation.shared": (
        "both directions on one pair, and a turnaround at each change of direction: "
        "at most two for each message of the direction that sends less often"
    ),
    "per_pass_bytes": "control period / character time, rounded up: the line full",
    "longest_pass_us": (
        "work, sending, reading, handlers and busy windows, each at its worst, least fixed point; "
        "messages at their rates"
    ),
    "longest_pass_any_traffic_us": "the same with whole messages back to back",
    "buffer_bytes_needed": (
        "most bytes that arrive in the longest stall (control period and longest pass, busy windows "
        "included), and in the passes until a backlog is read"
    ),
    "age_us": "capture to send, wire, handing over, waiting for a reading step and for the work that uses it",
    "schedulable": "the wire is not overbooked; the longest pass ends by its deadline and the next release",
}
RANGE = ("minimum", "typical", "maximum")
US = 10**6


@dataclass(frozen=True)
class ExactRange:
    """A time or a share that depends on sizes: exact, for the smallest, the typical and the largest."""

    minimum: Fraction
    typical: Fraction
    maximum: Fraction

    def to_dict(self, scale: int = 1) -> dict[str, float]:
        """Return ``{"minimum", "typical", "maximum"}``, multiplied by ``scale``."""
        return {name: float(getattr(self, name) * scale) for name in RANGE}


@dataclass(frozen=True)
class MessageBudget:
    """One message: its bytes, its time on the wire in seconds, its rate and largest rate.

    ``rate_hz`` is that of the requesting message for an answer, None where it is not known.
    """

    name: str
    direction: str
    payload_bytes: SizeRange
    bytes: SizeRange
    wire_time: ExactRange
    rate_hz: Fraction | None

    @property
    def rate_limit_hz(self) -> Fraction:
        """How often the largest message could be sent with nothing else on the wire."""
        return 1 / self.wire_time.maximum

    def to_dict(self) -> dict[str, Any]:
        """Return the row of the ``budget`` JSON."""
        return {
            "name": self.name,
            "direction": self.direction,
            "bytes": self.bytes.to_dict(),
            "payload_bytes": self.payload_bytes.to_dict(),
            "wire_time_us": self.wire_time.to_dict(US),
            "rate_hz": None if self.rate_hz is None else float(self.rate_hz),
            "rate_limit_hz": float(self.rate_limit_hz),
        }


@dataclass(frozen=True)
class ByteBudget:
    """The budget of a link. Times are exact; what is None has no bound or needs a loop that is not described.

    ``utilisation`` maps each direction, and ``"shared"`` for a shared pair, to shares of the wire.
    ``longest_pass`` holds for messages at their rates, ``longest_pass_any_traffic`` for whole messages back
    to back. ``warnings`` says what was assumed.
    """

    messages: tuple[MessageBudget, ...]
    utilisation: Mapping[str, ExactRange]
    per_pass_bytes: int | None
    buffer_bytes_needed: int | None
    longest_pass: PassBound | None
    longest_pass_any_traffic: PassBound | None
    age_us: Mapping[str, float | None]
    schedulable: bool | None
    requirements: tuple[Requirement, ...]
    warnings: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the ``budget`` JSON."""
        return {
            "messages": [message.to_dict() for message in self.messages],
            "utilisation": {name: share.to_dict() for name, share in self.utilisation.items()},
            "per_pass_bytes": self.per_pass_bytes,
            "longest_pass_us": _bound_us(self.longest_pass),
            "longest_pass_any_traffic_us": _bound_us(self.longest_pass_any_traffic),
            "buffer_bytes_needed": self.buffer_bytes_needed,
            "age_us": dict(self.age_us),
            "schedulable": self.schedulable,
            "requirements": [row.to_dict() for row in self.requirements],
            "rules": dict(RULES),
            "warnings": list(self.warnings),
        }

    def require(self) -> list[dict[str, Any]]:
        """Return the requirements as rows: name, limit, value, met, headroom."""
        return [row.to_dict() for row in self.requirements]

    def rows(self) -> Iterator[tuple[str, float | None, str, str]]:
        """Yield every figure as name, value, unit and the rule it came from."""
        for message in self.messages:
            figures = message.to_dict()
            for key, unit in (("payload_bytes", "bytes"), ("bytes", "bytes"), ("wire_time_us", "us")):
                for which in RANGE:
                    yield f"{message.name}.{key}.{which}", figures[key][which], unit, RULES[key]
            yield f"{message.name}.rate_limit_hz", figures["rate_limit_hz"], "1/s", RULES["rate_limit_hz"]
        for name, share in self.utilisation.items():
            rule = RULES["utilisation.shared" if name == "shared" else "utilisation"]
            for which, value in share.to_dict().items():
                yield f"utilisation.{name}.{which}", value, "share", rule
        yield "per_pass_bytes", self.per_pass_bytes, "bytes", RULES["per_pass_bytes"]
        yield "buffer_bytes_needed", self.buffer_bytes_needed, "bytes", RULES["buffer_bytes_needed"]
        for key in ("longest_pass", "longest_pass_any_traffic"):
            yield f"{key}_us", _bound_us(getattr(self, key)), "us", RULES[f"{key}_us"]
        for which, age in self.age_us.items():
            yield f"age_us.{which}", age, "us", RULES["age_us"]

    def _repr_html_(self) -> str:
        cells = (
            f"<tr><td>{escape(name)}</td><td>{'-' if value is None else f'{value:g}'}</td>"
            f"<td>{escape(unit)}</td><td>{escape(rule)}</td></tr>"
            for name, value, unit, rule in self.rows()
        )
        return f"<table><tr><th></th><th>value</th><th>unit</th><th>rule</th></tr>{''.join(cells)}</table>"


def _bound_us(bound: PassBound | None) -> float | None:
    return None if bound is None else bound.total_ns / 1000


def byte_budget(link: Link) -> ByteBudget:
    """Return the byte-time budget of a link.

    A link without ``[loop]`` has the figures of the wire alone. Raises `SettingsError` for parser costs that
    have yet to be measured.
    """
    messages = tuple(_message_budget(link, message) for message in link.messages)
    shares = _utilisation(link, messages)
    warnings = [
        f"message {message.name!r} has neither rate_hz nor on_request: it is left out of the utilisation"
        for message in messages
        if message.rate_hz is None
    ]
    wire_fits = all(share.maximum <= 1 for share in shares.values())
    end = _receiving_end(link, messages, wire_fits, warnings)
    values: dict[str, Any] = {
        "utilisation": max((share.maximum for share in shares.values()), default=None),
        "age_us": end["age_us"]["maximum"],
        "longest_pass_us": _bound_us(end["longest_pass"]),
        "buffer_bytes": end["buffer_bytes_needed"],
        "missed_deadlines": 0 if end["schedulable"] else None,
    }
    layouts = [message.layout for message in link.messages]
    return ByteBudget(
        messages=messages,
        utilisation=shares,
        requirements=requirement_rows(link.require, values, layouts),
        warnings=tuple(warnings),
        **end,
    )


def _message_budget(link: Link, message: Message) -> MessageBudget:
    codec = link.codec(message.direction)
    size = codec.size(message.name)
    gap = exact(link.sender.gap_us) / US if message.direction == "to-controller" else Fraction(0)
    times = {
        which: link.line.transmit_time(count) + max(count - 1, 0) * gap
        for which, count in size.to_dict().items()
    }
    return MessageBudget(
        name=message.name,
        direction=message.direction,
        payload_bytes=codec.payload_size(message.name),
        bytes=size,
        wire_time=ExactRange(**times),
        rate_hz=message_rates(link)[message.name],
    )


def _utilisation(link: Link, messages: Iterable[MessageBudget]) -> dict[str, ExactRange]:
    """Return the share of the wire each direction takes, and on a shared pair both with turnarounds."""
    sent = [message for message in messages if message.rate_hz is not None]
    shares = {}
    per_second = {}
    for direction in dict.fromkeys(message.direction for message in sent):
        rows = [message for message in sent if message.direction == direction]
        shares[direction] = ExactRange(
            *(sum((_share(row, which) for row in rows), Fraction(0)) for which in RANGE)
        )
        per_second[direction] = sum((row.rate_hz or Fraction(0) for row in rows), Fraction(0))
    if link.shared and shares:
        changes = 2 * min(per_second.values()) if len(per_second) == len(DIRECTIONS) else Fraction(0)
        turning = changes * exact(link.turnaround_us) / US
        shares["shared"] = ExactRange(
            *(sum(getattr(share, which) for share in shares.values()) + turning for which in RANGE)
        )
    return shares


def _share(message: MessageBudget, which: str) -> Fraction:
    time: Fraction = getattr(message.wire_time, which)
    return (message.rate_hz or Fraction(0)) * time


def _receiving_end(
    link: Link, messages: Iterable[MessageBudget], wire_fits: bool, warnings: list[str]
) -> dict[str, Any]:
    """Return the figures that need a loop; without one the age ends when the last byte arrives."""
    incoming = {message.name: message for message in messages if message.direction == "to-controller"}
    if not link.loop.described:
        warnings.append("there is no [loop]: ages end with the last byte, and nothing is said of passes")
        return _without_loop(link, incoming)
    resolved = link.resolve()
    calm, full = arrivals(link, "to-controller", True), arrivals(link, "to-controller", False)
    sending = _sending(link, resolved)
    bound = longest_pass(resolved, calm, sending)
    if calm is not None and delivery_delay(resolved, calm) is None:
        warnings.append(
            "receiver: a trigger above one byte and no time-out (idle_bits = 0): the last bytes of a message "
            "stay in the FIFO until the next message comes"
        )
    needed = 0 if calm is None else _unread(resolved, calm, bound, warnings)
    period = resolved.loop.period_ns
    return {
        "per_pass_bytes": ceil(period / (resolved.character_time_s * 10**9)) if period else None,
        "longest_pass": bound,
        "longest_pass_any_traffic": longest_pass(resolved, full, sending),
        "buffer_bytes_needed": needed,
        "age_us": _ages(resolved, calm, bound, incoming),
        "schedulable": wire_fits and bound is not None and on_time(resolved, bound),
    }


def _unread(
    resolved: Resolved, traffic: Arrivals, bound: PassBound | None, warnings: list[str]
) -> int | None:
    needed = unread_bytes(resolved, traffic, bound)
    if needed is None and bound is not None and resolved.reading.context != "own-core":
        needed = stall_bytes(resolved, traffic, bound)
        warnings.append(
            f"buffer_bytes_needed = {needed} holds for one longest stall: were every pass the longest, "
            "reading would not keep up with the messages, and no buffer would do"
        )
    return needed


def _without_loop(link: Link, incoming: Mapping[str, MessageBudget]) -> dict[str, Any]:
    sent = exact(link.sender.capture_to_send_us)
    times = [message.wire_time for message in incoming.values()]
    ages = {which: [float(sent + getattr(time, which) * US) for time in times] for which in RANGE}
    return {
        "per_pass_bytes": None,
        "longest_pass": None,
        "longest_pass_any_traffic": None,
        "buffer_bytes_needed": None,
        "age_us": {
            "minimum": min(ages["minimum"], default=None),
            "typical": max(ages["typical"], default=None),
            "maximum": max(ages["maximum"], default=None),
        },
        "schedulable": None,
    }


def _sending(link: Link, resolved: Resolved) -> tuple[Sending, ...]:
    """Return what messages to the module may cost a pass: encoding, and the wire when writes block."""
    rates = message_rates(link)
    found = []
    for message in link.messages_of("to-module"):
        rate = rates[message.name]
        largest = link.codec("to-module").size(message.name).maximum
        waiting = largest if resolved.transmit.write == "blocking" else 0
        cost = resolved.transmit.per_message_ns + ceil(link.line.transmit_time(waiting) * 10**9)
        if rate is not None and cost:
            found.append(Sending(cost, int(10**9 / rate)))
    return tuple(found)


def _ages(
    resolved: Resolved,
    traffic: Arrivals | None,
    bound: PassBound | None,
    incoming: Mapping[str, MessageBudget],
) -> dict[str, float | None]:
    """Return the age at use over all messages to the controller, and the mean age over time.

    Least, largest typical, largest; the mean is the typical age and half a period of the message.
    """
    if traffic is None:
        return {"minimum": None, "typical": None, "maximum": None, "mean": None}
    rows = [(row, age_at_use(resolved, traffic, row.bytes, bound)) for row in incoming.values()]
    means = [
        mean_age(float(US / row.rate_hz), float(age.typical / 1000))
        for row, age in rows
        if age.typical is not None and row.rate_hz is not None
    ]
    ages = [age for _, age in rows]
    return {
        "minimum": float(min(age.minimum for age in ages) / 1000),
        "typical": _largest_us([age.typical for age in ages]),
        "maximum": _largest_us([age.maximum for age in ages]),
        "mean": max(means) if len(means) == len(rows) else None,
    }


def _largest_us(times: Iterable[Fraction | None]) -> float | None:
    """Return the largest in microseconds; None as soon as one has no bound."""
    known = list(times)
    bounded = [time for time in known if time is not None]
    return float(max(bounded) / 1000) if bounded and len(bounded) == len(known) else None
