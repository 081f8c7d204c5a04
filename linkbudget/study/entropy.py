"""How few bits the recorded messages could be written in: the limit that no format can go below.

For each field (estimates and their bias: `linkbudget.study.estimates`):

- **Plain**: the entropy of its values, Miller-Madow corrected.
- **Given the message before** (first order): H(before, now) - H(before) over the pairs, each corrected.
- **Difference**: the entropy of now - before of a numeric field, modulo the number of its values. It needs
  far fewer samples than pairs do (a counter's is always one), and is never less than the entropy given the
  message before, since now can be found from before and the difference.
- **States**: log2 of the number of values the layout allows, which needs no recording.

Each is, up to its error, no less than what a code needs for the field given the past, so the *limit* is the
sum over the fields of the smallest that is known from enough samples. A code that also makes use of what the
fields tell of each other, or of a longer past, could stay below it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from typing import Any

from linkbudget.link.model import Link
from linkbudget.message.layout import MessageLayout
from linkbudget.message.primitives import (
    Bytes,
    Float,
    Group,
    NamedState,
    Optional,
    Primitive,
    RangedInteger,
    State,
    Truth,
)
from linkbudget.message.primitives import Sequence as Items
from linkbudget.study.estimates import ENOUGH, Estimate, estimate, estimate_given
from linkbudget.study.recorded import RecordedMessages

__all__ = [
    "Entropy",
    "FieldEntropy",
    "MessageEntropy",
    "link_entropy",
    "message_entropy",
    "states_bits",
]

RULES = {
    "plain_bits": "plug-in entropy of the values, and the Miller-Madow correction (K - 1) / (2 N ln 2)",
    "conditional_bits": "given the message before: H(before, now) - H(before) over pairs, each corrected",
    "difference_bits": "entropy of now - before, corrected; when exact, no less than conditional_bits",
    "states_bits": "log2 of the number of values the layout allows",
    "limit_bits": f"sum of each field's smallest figure known from {ENOUGH} samples a value, or its states",
}


@dataclass(frozen=True)
class FieldEntropy:
    """The entropies of one field, in bits per value; ``per_message`` says how many values a message has.

    ``field`` is dotted inside groups; ``count of x`` and ``presence of x`` are what a list or an optional
    field adds. An estimate is None where there is nothing to make it from.
    """

    field: str
    per_message: float
    states_bits: float | None
    plain: Estimate | None = None
    conditional: Estimate | None = None
    difference: Estimate | None = None

    @property
    def known(self) -> dict[str, float]:
        """The figures that can be believed, bits per value."""
        found = {
            name: one.bits
            for name, one in (
                ("plain", self.plain),
                ("conditional", self.conditional),
                ("difference", self.difference),
            )
            if one is not None and one.enough
        }
        return found if self.states_bits is None else {**found, "states": self.states_bits}

    @property
    def limit(self) -> tuple[float | None, str]:
        """The smallest believable figure in bits a message, and which it is."""
        if not self.known:
            return None, "cannot tell"
        name = min(self.known, key=lambda name: self.known[name])
        return self.known[name] * self.per_message, name

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form; the estimates with all they rest on."""
        bits, source = self.limit
        estimates = {name: getattr(self, name) for name in ("plain", "conditional", "difference")}
        return {
            "field": self.field,
            "values_per_message": self.per_message,
            "states_bits": self.states_bits,
            **{name: None if one is None else one.to_dict() for name, one in estimates.items()},
            "limit_bits": bits,
            "limit_from": source,
        }


@dataclass(frozen=True)
class MessageEntropy:
    """The limit of one message: its fields, how many were recorded and how many of those were different.

    ``layout_bits`` is log2 of the number of messages the layout allows.
    """

    name: str
    fields: tuple[FieldEntropy, ...]
    recorded: int
    different: int
    layout_bits: float

    @property
    def limit_bits(self) -> float:
        """The limit in bits a message: never above what the layout's own states need."""
        parts = [field.limit[0] for field in self.fields] if self.recorded else [None]
        known = [bits for bits in parts if bits is not None]
        return min(self.layout_bits, sum(known)) if len(known) == len(parts) else self.layout_bits

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the samples are too few for."""
        if not self.recorded:
            return ()
        found = []
        if self.different == self.recorded:
            few = (
                f"no two of the {self.recorded} recorded {self.name!r} are alike"
                if self.recorded > 1
                else (f"one {self.name!r} was recorded")
            )
            found.append(
                f"{few}: their entropy as a whole cannot be told; what is given is summed over fields"
            )
        thin = [field.field for field in self.fields if field.plain is not None and not field.plain.enough]
        if thin:
            found.append(
                f"too few {self.name!r} were recorded for the entropy of {', '.join(thin)} (fewer than "
                f"{ENOUGH} for each value seen): their plain figure is still too low, and the limit takes "
                "another"
            )
        return tuple(found)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "name": self.name,
            "recorded": self.recorded,
            "different": self.different,
            "layout_bits": self.layout_bits,
            "limit_bits": self.limit_bits,
            "fields": [field.to_dict() for field in self.fields],
        }


@dataclass(frozen=True)
class Entropy:
    """The limit of a direction, bits a message: of each, and the mean as often as they are sent."""

    messages: tuple[MessageEntropy, ...]
    limit_bits: float
    warnings: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "limit_bits": self.limit_bits,
            "messages": [message.to_dict() for message in self.messages],
            "rules": dict(RULES),
            "warnings": list(self.warnings),
        }

    def require(self) -> list[dict[str, Any]]:
        """Return no rows: a link requires nothing of its entropy."""
        return []

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{escape(message.name)}</td><td>{escape(field.field)}</td><td>{field.limit[1]}</td>"
            f"<td>{'-' if field.limit[0] is None else f'{field.limit[0]:.2f}'}</td></tr>"
            for message in self.messages
            for field in message.fields
        )
        head = "<tr><th>message</th><th>field</th><th>figure</th><th>bits a message</th></tr>"
        return f"<table><caption>Limit: {self.limit_bits:.1f} bits a message</caption>{head}{rows}</table>"


def link_entropy(
    link: Link, direction: str, recorded: RecordedMessages | None, shares: Mapping[str, Any]
) -> Entropy:
    """Return the limit of one direction; without a recording that of the layouts' states alone.

    ``shares`` says how often each message is sent, as a share of all.
    """
    found = tuple(
        message_entropy(message.layout, recorded.values(message.name) if recorded else ())
        for message in link.messages_of(direction)
    )
    limit = sum(float(shares[message.name]) * message.limit_bits for message in found)
    return Entropy(found, limit, tuple(text for message in found for text in message.warnings))


def message_entropy(layout: MessageLayout, values: Sequence[Mapping[str, Any]]) -> MessageEntropy:
    """Return the entropies of a message from its recorded values, in the order they were sent."""
    states = [layout.to_primitive(value) for value in values]
    leaves = list(_leaves(layout.group, ""))
    columns: dict[str, list[tuple[Any, ...]]] = {path: [] for path, _ in leaves}
    for state in states:
        row: dict[str, list[Any]] = {path: [] for path, _ in leaves}
        _collect(layout.group, state, "", row)
        for path, found in row.items():
            columns[path].append(tuple(found))
    fields = tuple(_field(path, leaf, columns[path]) for path, leaf in leaves)
    return MessageEntropy(layout.name, fields, len(states), len(set(states)), states_bits(layout.group))


def _field(path: str, leaf: Primitive | int, column: Sequence[tuple[Any, ...]]) -> FieldEntropy:
    """Return the entropies of one field from its values in each message: one, or those of a list."""
    states = math.log2(leaf) if isinstance(leaf, int) else states_bits(leaf)
    together = [value for values in column for value in values]
    # What stands at the same place in the message before; nothing there is a value, too.
    pairs = [
        (before[place] if place < len(before) else None, value)
        for before, now in pairwise(column)
        for place, value in enumerate(now)
    ]
    steps = None
    if isinstance(leaf, RangedInteger) and not isinstance(leaf, NamedState | Truth) and not leaf.codes:
        steps = [(now - before) % leaf.count for before, now in pairs if before is not None]
    return FieldEntropy(
        field=path,
        per_message=len(together) / len(column) if column else 1.0,
        states_bits=states if math.isfinite(states) else None,
        plain=estimate(together),
        conditional=estimate_given(pairs),
        difference=estimate(steps) if steps and len(steps) == len(pairs) else None,
    )


def _leaves(primitive: Primitive, path: str) -> Iterator[tuple[str, Primitive | int]]:
    """Yield every field that holds one value, and how many counts a list or an optional field has."""
    if isinstance(primitive, Group):
        for member in primitive.members:
            yield from _leaves(member.primitive, f"{path}.{member.name}" if path else member.name)
    elif isinstance(primitive, Items):
        if primitive.maximum > primitive.minimum:
            yield f"count of {path}", primitive.maximum - primitive.minimum + 1
        yield from _leaves(primitive.item, path)
    elif isinstance(primitive, Optional):
        yield f"presence of {path}", 2
        yield from _leaves(primitive.item, path)
    else:
        yield path, primitive


def _collect(primitive: Primitive, state: State, path: str, row: dict[str, list[Any]]) -> None:
    if isinstance(primitive, Group):
        for member, part in zip(primitive.members, state, strict=True):
            _collect(member.primitive, part, f"{path}.{member.name}" if path else member.name, row)
    elif isinstance(primitive, Items):
        if primitive.maximum > primitive.minimum:
            row[f"count of {path}"].append(len(state))
        for item in state:
            _collect(primitive.item, item, path, row)
    elif isinstance(primitive, Optional):
        row[f"presence of {path}"].append(state is not None)
        if state is not None:
            _collect(primitive.item, state, path, row)
    else:
        row[path].append(state)


def states_bits(primitive: Primitive) -> float:
    """Return log2 of the number of values a primitive has: what a code for all of them needs at least.

    A float counts with all its bits; lists and bytes have the values of every length.
    """
    if isinstance(primitive, RangedInteger):
        return math.log2(primitive.count)
    if isinstance(primitive, Float):
        return 0.0 if primitive.minimum == primitive.maximum else float(primitive.bits)
    if isinstance(primitive, Group):
        return sum(states_bits(member.primitive) for member in primitive.members)
    if isinstance(primitive, Optional):
        return _log2_sum(0.0, states_bits(primitive.item))
    item = 8.0 if isinstance(primitive, Bytes) else states_bits(primitive.item)
    lengths = primitive.maximum - primitive.minimum + 1
    if item == 0:
        return math.log2(lengths)
    # A geometric sum: 2^(item * n) for every length n.
    shorter = -math.expm1(-item * lengths * math.log(2)) / -math.expm1(-item * math.log(2))
    return primitive.maximum * item + math.log2(shorter)


def _log2_sum(one: float, other: float) -> float:
    """Return log2(2^one + 2^other) without overflow."""
    high, low = max(one, other), min(one, other)
    return high + math.log2(1 + 2 ** (low - high))
