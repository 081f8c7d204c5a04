"""The byte-time budget of a link: what its messages cost on the wire, and what the receiving end needs.

All of it follows from the link alone; nothing is recorded. Every figure carries its unit and the rule it came
from (`ByteBudget.rows`).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from html import escape
from typing import Any

from linkbudget.budget.arrivals import message_rates
from linkbudget.budget.receiving import ReceivingEnd, bound_us, receiving_end
from linkbudget.link.clock_margin import clock_margins, clock_notes
from linkbudget.link.model import DIRECTIONS, Link, Message
from linkbudget.link.requirements import Requirement, requirement_rows
from linkbudget.units import SizeRange, exact
from linkbudget.wire.margin import Margin

__all__ = ["RULES", "ByteBudget", "ExactRange", "MessageBudget", "byte_budget"]

RULES = {
    "payload_bytes": "id or key and the encoded fields; the maximum is attained",
    "bytes": (
        "payload with check and delimiting, over all values and checks; typical: the frame of the typical "
        "value, escapes included; bytes_exact false: bounds"
    ),
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
    "fifo_bytes_needed": "up to the trigger, and what arrives until the handler has run",
    "age_us": (
        "capture to send, wire, handing over, waiting for a reading step and for the work that uses it; mean "
        "over time and mean just before the next use: no fixed phase between messages and passes"
    ),
    "processor": (
        "shares of each core in the long run: work, sending, parsing, handlers and busy windows, for largest "
        "messages at their rates; responses from request or release to end, at most; Liu and Layland: "
        "n (2^(1/n) - 1); hyperbolic: prod(U + 1) <= 2; both for largest costs and shortest periods"
    ),
    "clock_margin": (
        "total_error: (1 + sender) / (1 + receiver) - 1, at its worst; what the receiver tolerates: rule.text"
    ),
    "schedulable": "the wire is not overbooked; the longest pass ends by its deadline and the next release",
}
UNITS = {
    "per_pass_bytes": "bytes",
    "longest_pass_us": "us",
    "longest_pass_any_traffic_us": "us",
    "buffer_bytes_needed": "bytes",
    "fifo_bytes_needed": "bytes",
}
RANGE = ("minimum", "typical", "maximum")
US = 10**6


@dataclass(frozen=True)
class ExactRange:
    """A number of bytes, a time in seconds, or a share, as far as it depends on sizes; exact.

    ``minimum`` is for the smallest message, ``typical`` for the typical one, ``maximum`` for the largest.
    """

    minimum: Fraction
    typical: Fraction
    maximum: Fraction

    def to_dict(self, scale: int = 1) -> dict[str, float]:
        """Return ``{"minimum", "typical", "maximum"}``, multiplied by ``scale``."""
        return {name: float(getattr(self, name) * scale) for name in RANGE}


@dataclass(frozen=True)
class MessageBudget:
    """One message: its bytes, its time on the wire in seconds, its rate and largest rate.

    ``rate_hz`` is that of the requesting message for an answer, None where it is not known. ``bytes_exact``:
    least and most are proved to be attained; otherwise no frame is outside.
    """

    name: str
    direction: str
    payload_bytes: SizeRange
    bytes: SizeRange
    wire_time: ExactRange
    rate_hz: Fraction | None
    bytes_exact: bool = True

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
            "bytes_exact": self.bytes_exact,
            "payload_bytes": self.payload_bytes.to_dict(),
            "wire_time_us": self.wire_time.to_dict(US),
            "rate_hz": None if self.rate_hz is None else float(self.rate_hz),
            "rate_limit_hz": float(self.rate_limit_hz),
        }


@dataclass(frozen=True)
class ByteBudget:
    """The budget of a link. Times and shares are exact.

    ``receiving`` has the figures of the receiving end. ``utilisation`` maps each direction, and ``"shared"``
    for a shared pair, to shares of the wire. ``clock_margin`` maps each direction to what the clocks of its
    ends leave of the sampling margin; it is empty for a link that describes no clock. ``schedulable`` is None
    for a link without a loop. ``warnings`` says what was assumed.
    """

    messages: tuple[MessageBudget, ...]
    utilisation: Mapping[str, ExactRange]
    receiving: ReceivingEnd
    schedulable: bool | None
    requirements: tuple[Requirement, ...]
    warnings: tuple[str, ...] = ()
    clock_margin: Mapping[str, Margin] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return the ``budget`` JSON.

        ``messages`` (bytes, times in microseconds, rates in hertz), ``utilisation`` (shares),
        ``per_pass_bytes``, ``longest_pass_us``, ``longest_pass_any_traffic_us``, ``buffer_bytes_needed``,
        ``fifo_bytes_needed``, ``age_us``, ``processor``, ``schedulable``, ``clock_margin``, ``requirements``,
        ``rules`` (how each figure is reckoned) and ``warnings``. What has no bound, or needs a loop that is
        not described, is None.
        """
        return {
            "messages": [message.to_dict() for message in self.messages],
            "utilisation": {name: share.to_dict() for name, share in self.utilisation.items()},
            **self.receiving.to_dict(),
            "schedulable": self.schedulable,
            "clock_margin": {name: margin.to_dict() for name, margin in self.clock_margin.items()},
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
        end = self.receiving.to_dict()
        for key, unit in UNITS.items():
            yield key, end[key], unit, RULES[key]
        for which, age in self.receiving.age_us.items():
            yield f"age_us.{which}", age, "us", RULES["age_us"]
        for name, margin in self.clock_margin.items():
            for key, part in (("total_error", margin.total_error), ("left", margin.left)):
                yield f"clock_margin.{name}.{key}", float(part), "share", RULES["clock_margin"]

    def _repr_html_(self) -> str:
        cells = (
            f"<tr><td>{escape(name)}</td><td>{'-' if value is None else f'{value:g}'}</td>"
            f"<td>{escape(unit)}</td><td>{escape(rule)}</td></tr>"
            for name, value, unit, rule in self.rows()
        )
        return f"<table><tr><th></th><th>value</th><th>unit</th><th>rule</th></tr>{''.join(cells)}</table>"


def byte_budget(link: Link) -> ByteBudget:
    """Return the byte-time budget of a link.

    A link without ``[loop]`` has the figures of the wire alone. Raises `SettingsError` for parser costs that
    have yet to be measured.

    >>> from linkbudget import Link
    >>> budget = byte_budget(Link.load("captures/bean-frames.toml"))
    >>> budget.messages[0].bytes, float(budget.messages[0].wire_time.maximum)
    (SizeRange(minimum=12, typical=12, maximum=12), 0.0010416666666666667)
    >>> budget.utilisation["to-controller"].maximum, budget.schedulable
    (Fraction(1, 32), True)
    """
    rates = message_rates(link)
    messages = tuple(_message_budget(link, message, rates[message.name]) for message in link.messages)
    shares = _utilisation(link, messages)
    warnings = [
        f"message {message.name!r} has neither rate_hz nor on_request: it is left out of the utilisation"
        for message in messages
        if message.rate_hz is None
    ]
    warnings += [
        f"message {message.name!r}: no frame is larger or smaller than said, but whether one is as large and "
        "one as small is not proved"
        for message in messages
        if not message.bytes_exact
    ]
    sizes = {row.name: (row.bytes, row.rate_hz) for row in messages if row.direction == "to-controller"}
    end = receiving_end(link, sizes)
    schedulable = end.keeps_deadline
    if schedulable is not None:
        schedulable = schedulable and all(share.maximum <= 1 for share in shares.values())
    values: dict[str, Any] = {
        "utilisation": max((share.maximum for share in shares.values()), default=None),
        "age_us": end.age_us["maximum"],
        "longest_pass_us": bound_us(end.longest_pass),
        "buffer_bytes": end.buffer_bytes_needed if end.keeps_up else None,
        "overrun_bytes": 0 if end.loses_nothing else None,
        "missed_deadlines": 0 if schedulable else None,
    }
    layouts = [message.layout for message in link.messages]
    return ByteBudget(
        messages=messages,
        utilisation=shares,
        receiving=end,
        schedulable=schedulable,
        requirements=requirement_rows(link.require, values, layouts),
        warnings=(*warnings, *end.warnings, *clock_notes(link)),
        clock_margin=clock_margins(link),
    )


def _message_budget(link: Link, message: Message, rate_hz: Fraction | None) -> MessageBudget:
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
        rate_hz=rate_hz,
        bytes_exact=codec.size_is_exact(message.name),
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
