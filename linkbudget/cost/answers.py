"""What a parser found, held against what is there: a fast parser that is wrong is not fast.

A parser gives its messages as what it returns: None or False for none, a list or an iterator for any number,
anything else is one message. A message is a mapping of field names to values; a pair of name and mapping; a
tuple of the values in the order of the fields (of those there are); or an object with them as attributes.

A number is right within half a step of a scaled field, within 1e-6 of its size where it is a float (single
precision leaves no more), else when it is equal. What a message holds beyond its fields is ignored.

Found and expected messages are walked through side by side. Where they differ, the nearest place ahead (at
most 64 messages) at which they agree again is looked for; what lies before it is wrong in pairs, and what is
left over on one side is missing or extra.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from linkbudget.cost.chunks import Expected
    from linkbudget.message.fields import Field
    from linkbudget.message.layout import MessageLayout

__all__ = ["Answers", "Compare", "FieldCompare", "compare_answers", "messages_in"]

Compare = Callable[[Any, str, Mapping[str, Any]], bool]
"""(what the parser found, name of the message, its value) to whether that is right."""

AHEAD = 64
REAL = 1e-6
SHOWN = 120


@dataclass(frozen=True)
class Answers:
    """How many messages were expected, and how many found ones are right, wrong, missing or extra.

    ``first`` says of the first that is not right what was found and what was expected.
    """

    expected: int
    right: int
    wrong: int
    missing: int
    extra: int
    first: str | None = None

    @property
    def all_right(self) -> bool:
        """Whether everything was found and nothing else."""
        return self.right == self.expected and not self.extra

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form."""
        return asdict(self)


def messages_in(returned: Any) -> list[Any]:
    """Return the messages in what one call of a parser returned."""
    if returned is None or returned is False:
        return []
    if isinstance(returned, list):
        return returned
    return list(returned) if isinstance(returned, Iterator) else [returned]


@dataclass(frozen=True)
class FieldCompare:
    """The comparison that knows the fields of messages by name."""

    layouts: Mapping[str, MessageLayout]

    def __call__(self, found: Any, name: str, value: Mapping[str, Any]) -> bool:
        """Return whether what was found is this message."""
        if isinstance(found, tuple | list) and len(found) == 2 and isinstance(found[1], Mapping):
            if found[0] != name:
                return False
            found = found[1]
        return same_fields(found, value, self.layouts[name].fields)


def same_fields(found: Any, value: Mapping[str, Any], fields: Sequence[Field]) -> bool:
    """Return whether every field that has a value has it in what was found."""
    present = [field for field in fields if value.get(field.name) is not None]
    if isinstance(found, list | tuple) and not hasattr(found, "_fields"):
        ones = found
        if len(ones) != len(present):
            return False
    else:
        ones = [_get(found, field.name) for field in present]
    return all(same(one, value[field.name], field) for one, field in zip(ones, present, strict=True))


def _get(found: Any, name: str) -> Any:
    return found.get(name) if isinstance(found, Mapping) else getattr(found, name, None)


def same(found: Any, expected: Any, field: Field) -> bool:
    """Return whether a value is that of a field, within what its resolution leaves."""
    field = getattr(field, "field", field)  # what an optional field wraps
    if isinstance(expected, list | tuple):
        return _same_list(found, expected, field)
    if isinstance(expected, bytes):
        return isinstance(found, bytes | bytearray | memoryview) and bytes(found) == expected
    if isinstance(expected, bool) or not isinstance(expected, int | float):
        return bool(found == expected)
    if isinstance(found, bool) or not isinstance(found, int | float):
        return False
    step = getattr(field, "step", None)
    if step is not None:
        return abs(found - expected) < float(step) / 2
    slack = REAL * abs(expected) if isinstance(expected, float) else 0
    return abs(found - expected) <= slack


def _same_list(found: Any, expected: Sequence[Any], field: Field) -> bool:
    if not isinstance(found, list | tuple) or len(found) != len(expected):
        return False
    inner: Sequence[Field] = getattr(field, "fields", ())
    for one, other in zip(found, expected, strict=True):
        if isinstance(other, Mapping):
            if not same_fields(one, other, inner):
                return False
        elif not same(one, other, inner[0] if inner else field):
            return False
    return True


def compare_answers(found: Sequence[Any], expected: Sequence[Expected], compare: Compare) -> Answers:
    """Return how what a parser found agrees with what is there."""
    right = wrong = missing = extra = at = to = 0
    first = None
    while at < len(found) and to < len(expected):
        if compare(found[at], expected[to].name, expected[to].value):
            at, to, right = at + 1, to + 1, right + 1
            continue
        if first is None:
            first = f"message {to}: {_short(found[at])} instead of {_short(expected[to].value)}"
        over, short = _agree_again(found, at, expected, to, compare)
        wrong += min(over, short)
        extra += over - min(over, short)
        missing += short - min(over, short)
        at, to = at + over, to + short
    if first is None and at < len(found):
        first = f"after the last message: {_short(found[at])}, which is not there"
    if first is None and to < len(expected):
        first = f"message {to}: nothing instead of {_short(expected[to].value)}"
    return Answers(len(expected), right, wrong, missing + len(expected) - to, extra + len(found) - at, first)


def _agree_again(
    found: Sequence[Any], at: int, expected: Sequence[Expected], to: int, compare: Compare
) -> tuple[int, int]:
    """Return how many found and expected messages to pass over to where both agree again, nearest first."""
    left, ahead = len(found) - at, len(expected) - to
    for distance in range(1, 2 * AHEAD):
        # Equal parts first: a wrong value is likelier than one that is extra and one that is missing.
        for over in sorted(range(max(0, distance - AHEAD), min(distance, AHEAD) + 1), key=_middle(distance)):
            short = distance - over
            if over < left and short < ahead:
                one = expected[to + short]
                if compare(found[at + over], one.name, one.value):
                    return over, short
    both = min(left, ahead)
    return both, both


def _middle(distance: int) -> Callable[[int], int]:
    return lambda over: abs(2 * over - distance)


def _short(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= SHOWN else f"{text[:SHOWN]}…"
