"""When a module sends: the policies, and how each is written down in words.

=============================  ========================================================================
``every``                      every message
``moved:a=0.4,b=0.4``          when a field has moved by more than its band since it was last sent
``limit:score>75``             when the field crosses the limit, either way
``limit:score>75,hysteresis=5``  the same, and back only when it has fallen to the limit minus 5
``best:beans=3,by=score``      every message, with the 3 elements of the list with the largest score
``request:0.1``                when the controller asks, every 0.1 s: the newest message there is
=============================  ========================================================================

The first message of a recording is always sent, so that the controller knows something.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple, Protocol

from linkbudget.errors import Fault, SettingsError, nearest_name
from linkbudget.link.requirements import numeric_fields
from linkbudget.message.fields import Field, Optional_, Repeat
from linkbudget.message.layout import MessageLayout
from linkbudget.units import Number, exact, round_half_up

__all__ = [
    "BestOf",
    "Crossing",
    "EveryMessage",
    "Moved",
    "OnRequest",
    "Policy",
    "Send",
    "policy",
    "sides",
    "within",
]

Value = Mapping[str, Any]
MAX_REQUESTS = 1_000_000


class Send(NamedTuple):
    """Something sent: when, its place among the recorded messages, and the value that goes on the wire."""

    time_ns: int
    place: int
    value: Value


class Policy(Protocol):
    """A rule for sending."""

    @property
    def text(self) -> str:
        """The policy in words, as `policy` reads it."""

    def faults(self, layout: MessageLayout) -> Iterator[Fault]:
        """Yield what the policy asks of a layout that has it not."""

    def sends(self, times_ns: Sequence[int], values: Sequence[Value]) -> list[Send]:
        """Return what is sent of the recorded messages, in order of time."""


@dataclass(frozen=True)
class EveryMessage:
    """Every message is sent."""

    text = "every"

    def faults(self, layout: MessageLayout) -> Iterator[Fault]:
        """Yield nothing: it suits every layout."""
        yield from ()

    def sends(self, times_ns: Sequence[int], values: Sequence[Value]) -> list[Send]:
        """Return all messages."""
        return [
            Send(time, index, value) for index, (time, value) in enumerate(zip(times_ns, values, strict=True))
        ]


@dataclass(frozen=True)
class Moved:
    """A message is sent when one of the fields has moved by more than its band since the last one sent.

    Of a field that is no number any change counts, whatever the band.
    """

    bands: Mapping[str, Number]

    @property
    def text(self) -> str:
        """``moved:field=band,…``."""
        return "moved:" + ",".join(f"{name}={_plain(band)}" for name, band in self.bands.items())

    def faults(self, layout: MessageLayout) -> Iterator[Fault]:
        """Yield fields that the layout has not, and bands below zero."""
        for name, band in self.bands.items():
            yield from _unknown_field(layout, name, [field.name for field in layout.fields])
            if band < 0:
                yield Fault(name, band, "a band of 0 or more")

    def sends(self, times_ns: Sequence[int], values: Sequence[Value]) -> list[Send]:
        """Return the messages that moved."""
        found: list[Send] = []
        for index, (time, value) in enumerate(zip(times_ns, values, strict=True)):
            if not found or not within(value, found[-1].value, self.bands):
                found.append(Send(time, index, value))
        return found


@dataclass(frozen=True)
class Crossing:
    """A message is sent when a numeric field crosses a limit.

    ``above``: over means larger than the limit, else smaller. With ``hysteresis`` it is no longer over only
    when it has come back by so much beyond the limit.
    """

    field: str
    limit: Number
    above: bool = True
    hysteresis: Number = 0

    @property
    def text(self) -> str:
        """``limit:field>limit``, and the hysteresis."""
        more = f",hysteresis={_plain(self.hysteresis)}" if self.hysteresis else ""
        return f"limit:{self.field}{'>' if self.above else '<'}{_plain(self.limit)}{more}"

    def faults(self, layout: MessageLayout) -> Iterator[Fault]:
        """Yield a field that is no number of the layout, and a hysteresis below zero."""
        yield from _unknown_field(layout, self.field, numeric_fields(layout), "a numeric field")
        if self.hysteresis < 0:
            yield Fault("hysteresis", self.hysteresis, "0 or more")

    def sends(self, times_ns: Sequence[int], values: Sequence[Value]) -> list[Send]:
        """Return the first message and those with which the side changes."""
        over = sides(self, values)
        return [
            Send(time, index, value)
            for index, (time, value) in enumerate(zip(times_ns, values, strict=True))
            if index == 0 or over[index] != over[index - 1]
        ]


@dataclass(frozen=True)
class BestOf:
    """Every message is sent, with the best ``count`` elements of a list alone, in the order they had.

    Best: the largest in the field ``by`` of the elements (without it the elements themselves), or the
    smallest. At a tie the earlier element stays.
    """

    field: str
    count: int
    by: str | None = None
    smallest: bool = False

    @property
    def text(self) -> str:
        """``best:field=count,by=field``."""
        by = "" if self.by is None else f",by={'-' if self.smallest else ''}{self.by}"
        return f"best:{self.field}={self.count}{by}"

    def faults(self, layout: MessageLayout) -> Iterator[Fault]:
        """Yield a field that is no list, an order that its elements have not, and too small a count."""
        lists = {field.name: field for field in map(_inner, layout.fields) if isinstance(field, Repeat)}
        yield from _unknown_field(layout, self.field, list(lists), "a list (kind repeat)")
        found = lists.get(self.field)
        if found is None:
            return
        if not isinstance(self.count, int) or not max(1, found.min_count) <= self.count <= found.max_count:
            yield Fault(self.field, self.count, f"{max(1, found.min_count)} to {found.max_count} elements")
        inside = [field.name for field in found.fields]
        if (self.by is None) != (found.of is not None) or (self.by is not None and self.by not in inside):
            allowed = ", ".join(inside) or "left out, since the elements are single values"
            yield Fault("by", self.by, allowed, nearest_name(str(self.by), inside))

    def sends(self, times_ns: Sequence[int], values: Sequence[Value]) -> list[Send]:
        """Return all messages, with shorter lists."""
        return [
            Send(time, index, self._shortened(value))
            for index, (time, value) in enumerate(zip(times_ns, values, strict=True))
        ]

    def _shortened(self, value: Value) -> Value:
        items = value.get(self.field)
        if not items or len(items) <= self.count:
            return value
        sign = 1 if self.smallest else -1
        worth = [sign * (item if self.by is None else item[self.by]) for item in items]
        best = sorted(range(len(items)), key=lambda place: worth[place])[: self.count]
        return {**value, self.field: [items[place] for place in sorted(best)]}


@dataclass(frozen=True)
class OnRequest:
    """The controller asks every so many seconds, the first time when the first message is there.

    The answer is the newest message there is, also when it was sent before.
    """

    every_s: Number

    @property
    def text(self) -> str:
        """``request:seconds``."""
        return f"request:{_plain(self.every_s)}"

    def faults(self, layout: MessageLayout) -> Iterator[Fault]:
        """Yield a time that is not above zero."""
        if self.every_s <= 0:
            yield Fault("every_s", self.every_s, "a time above 0, in seconds")

    def sends(self, times_ns: Sequence[int], values: Sequence[Value]) -> list[Send]:
        """Return the answers."""
        period = exact(self.every_s) * 10**9
        count = int((times_ns[-1] - times_ns[0]) / period) + 1
        if count > MAX_REQUESTS:
            raise SettingsError(
                Fault("every_s", self.every_s, "a longer time", problem=f"makes {count} requests")
            )
        found, newest = [], 0
        for number in range(count):
            time = times_ns[0] + round_half_up(number * period)
            while newest + 1 < len(times_ns) and times_ns[newest + 1] <= time:
                newest += 1
            found.append(Send(time, newest, values[newest]))
        return found


def sides(crossing: Crossing, values: Sequence[Value]) -> list[bool]:
    """Return for each value whether the field is over the limit, the hysteresis taken into account."""
    limit, hysteresis = exact(crossing.limit), exact(crossing.hysteresis)
    sign = 1 if crossing.above else -1
    over = False
    found = []
    for value in values:
        beyond = sign * (exact(value[crossing.field]) - limit)
        over = beyond > (-hysteresis if over else 0)
        found.append(over)
    return found


def within(one: Value, other: Value, bands: Mapping[str, Number]) -> bool:
    """Return whether every field is within its band of the other value; no numbers must be equal."""
    return all(_near(one.get(name), other.get(name), band) for name, band in bands.items())


def _near(one: Any, other: Any, band: Number) -> bool:
    if isinstance(one, int | float) and isinstance(other, int | float) and not isinstance(one, bool):
        return abs(exact(one) - exact(other)) <= exact(band)
    return bool(one == other)


def _inner(field: Field) -> Field:
    return field.field if isinstance(field, Optional_) else field


def _plain(number: Number) -> str:
    return f"{float(number):g}"


def _unknown_field(
    layout: MessageLayout, name: str, known: Sequence[str], what: str = "a field"
) -> Iterator[Fault]:
    if name not in known:
        allowed = f"{what} of {layout.name}: {', '.join(known) or 'there is none'}"
        yield Fault("field", name, allowed, nearest_name(name, known))


def policy(text: str) -> Policy:
    """Return the policy written down in words; `SettingsError` says what is expected.

    >>> policy("limit:score>75,hysteresis=5").hysteresis
    5.0
    """
    kind, _, rest = text.partition(":")
    make = _KINDS.get(kind.strip())
    if make is None:
        raise SettingsError(Fault("policy", text, ", ".join(_KINDS), nearest_name(kind, _KINDS)))
    example, build = make
    try:
        return build(rest.strip())
    except (ValueError, KeyError) as error:
        raise SettingsError(Fault("policy", text, f"written as in {example}")) from error


def _pairs(text: str) -> dict[str, str]:
    """Return ``a=1,b=2`` as a dict; `ValueError` when a part has no value or there is none."""
    pairs = dict(part.split("=", 1) for part in text.split(","))
    return {name.strip(): value.strip() for name, value in pairs.items()}


def _number(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def _every(text: str) -> Policy:
    if text:
        raise ValueError(text)
    return EveryMessage()


def _moved(text: str) -> Policy:
    return Moved({name: _number(band) for name, band in _pairs(text).items()})


def _limit(text: str) -> Policy:
    first, _, more = text.partition(",")
    above = ">" in first
    field, limit = first.split(">" if above else "<")
    rest = _pairs(more) if more else {}
    hysteresis = _number(rest.pop("hysteresis", "0"))
    if rest:
        raise ValueError(more)
    return Crossing(field.strip(), _number(limit), above, hysteresis)


def _best(text: str) -> Policy:
    pairs = _pairs(text)
    by = pairs.pop("by", None)
    ((field, count),) = pairs.items()
    return BestOf(
        field, int(count), by.removeprefix("-") if by else None, bool(by) and str(by).startswith("-")
    )


def _request(text: str) -> Policy:
    return OnRequest(_number(text))


_KINDS = {
    "every": ("every", _every),
    "moved": ("moved:x=0.4,y=0.4", _moved),
    "limit": ("limit:score>75 or limit:score<50,hysteresis=5", _limit),
    "best": ("best:beans=3,by=score", _best),
    "request": ("request:0.1", _request),
}
