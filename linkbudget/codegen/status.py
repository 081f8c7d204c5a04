"""The status message: what a receiver has counted, sent back so that a prediction can be held against it.

It goes in the other direction than the messages it is about. Every generated receiver counts; how a target
fills the message is in the sheet (`STATUS_FIELDS`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from linkbudget.codegen.spec import MessageSpec
from linkbudget.errors import Fault, SettingsError
from linkbudget.message.fields import Counter, Integer
from linkbudget.message.layout import MessageLayout

__all__ = ["STATUS_FIELDS", "StatusField", "is_status", "status_layout", "status_value"]

BITS = 16
LARGEST = (1 << BITS) - 1


@dataclass(frozen=True)
class StatusField:
    """One counter: its name, what it counts, its constant in viper modules, and where C code has it.

    ``wraps``: it starts again at 0; else it stays at the largest value.
    """

    name: str
    meaning: str
    viper: str
    c: str
    wraps: bool = True


STATUS_FIELDS = (
    StatusField("accepted", "messages accepted", "ACCEPTED", "the sum of lb_count(state, LB_GOT_…)"),
    StatusField("check", "frames whose check does not fit", "CHECK", "lb_count(state, LB_BAD_CHECK)"),
    StatusField("too_long", "frames that are too long", "TOO_LONG", "lb_count(state, LB_TOO_LONG)"),
    StatusField("too_short", "frames that are too short", "TOO_SHORT", "lb_count(state, LB_TOO_SHORT)"),
    StatusField("bad_stuffing", "wrong stuffing", "BAD_STUFFING", "lb_count(state, LB_BAD_STUFFING)"),
    StatusField("bad_length", "impossible lengths", "BAD_LENGTH", "lb_count(state, LB_BAD_LENGTH)"),
    StatusField(
        "header_check",
        "wrong checks of lengths",
        "HEADER_CHECK_FAILED",
        "lb_count(state, LB_BAD_HEADER_CHECK)",
    ),
    StatusField("no_sync", "stretches between frames", "NO_SYNC", "lb_count(state, LB_NO_SYNC)"),
    StatusField("layout", "frames of another layout", "LAYOUT", "lb_count(state, LB_OTHER_LAYOUT)"),
    StatusField("unknown", "messages of an unknown id or key", "UNKNOWN", "lb_unknown(state)"),
    StatusField(
        "refused",
        "messages with impossible values",
        "REFUSED",
        "lb_count(state, LB_REFUSED) - lb_unknown(state)",
    ),
    StatusField("lost", "numbers missing in the sequence", "LOST", "lb_lost(state), 0 without sequence"),
    StatusField(
        "superseded", "messages nobody took before a newer one came", "SUPERSEDED", "lb_superseded(state)"
    ),
    StatusField("high_water", "most bytes held", "HIGH_WATER", "lb_high_water(state)", wraps=False),
    StatusField(
        "longest_gap", "longest time between messages", "LONGEST_GAP", "lb_longest_gap(state)", wraps=False
    ),
)


def status_layout(name: str = "status", *, id: int | None = None, key: str | None = None) -> MessageLayout:
    """Return the layout of the status message, to be put among the messages of the other direction.

    Counters have 16 bits and wrap; ``high_water`` (bytes) and ``longest_gap`` (ticks of the receiver's clock)
    stay at 65535. ``id`` or ``key`` tell it from other messages, as for any message.
    """
    fields = [
        Counter(one.name, BITS) if one.wraps else Integer(one.name, 0, LARGEST, 0) for one in STATUS_FIELDS
    ]
    return MessageLayout(name, tuple(fields), id, key)


def status_value(counts: Mapping[str, int]) -> dict[str, int]:
    """Return the value of the status message for counts by name; what is not given is 0.

    Raises `SettingsError` for a negative count.
    """
    value = {}
    for one in STATUS_FIELDS:
        count = counts.get(one.name, 0)
        if count < 0:
            raise SettingsError(Fault(one.name, count, "0 or more"))
        value[one.name] = count & LARGEST if one.wraps else min(count, LARGEST)
    return value


def is_status(message: MessageSpec) -> bool:
    """Return whether a message has the fields of the status message, whatever it is called."""
    return [field.name for field in message.fields] == [one.name for one in STATUS_FIELDS]
