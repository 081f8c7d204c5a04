"""Send policies tried on a recording: what each costs on the wire, and what the controller then knows.

What was true is what was recorded; between two sends the controller knows the value sent last. Errors are
taken at the instants of the recorded messages (each counts once), after what is sent at that very instant;
the time on the wire is left out. A *reaction* of the controller is a send after the first. It was *unneeded*
when it told nothing new, or when the very next recorded message takes it back: nothing new and taken back
mean that every watched field is within its band of what the controller knew before the send. Watched are the
fields that some ``moved`` policy of the study names, with its bands, else all but counters, of which any
change counts; a limit policy watches on which side of the limit its field is.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from html import escape
from itertools import pairwise
from typing import Any

from linkbudget.errors import CaptureError, Fault, SettingsError, unknown_name
from linkbudget.link.model import DIRECTIONS, Link, Message
from linkbudget.link.requirements import numeric_fields
from linkbudget.message.fields import Counter
from linkbudget.study.policy_kinds import (
    Crossing,
    Moved,
    OnRequest,
    Policy,
    Send,
    sides,
    within,
)
from linkbudget.study.recorded import RecordedMessage, recorded_messages
from linkbudget.study.samples import spread
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import Number, exact

__all__ = ["AlarmPoint", "FieldError", "PolicyResult", "PolicyStudy", "alarm_curve", "send_policies"]

CURVE_POINTS = 24
RULES = {
    "messages_per_s": "sends / time of the recording",
    "bytes_per_s": "bytes of the frames sent, as recorded, requests included, / time of the recording",
    "errors": "true - known at the instants of the recorded messages: rms, largest",
    "wrong_share": "share of the recorded messages at which a field that is no number was not as known",
    "unneeded": "reactions that told nothing new, or that the next recorded message takes back",
    "misses": "recorded messages labelled as alarms while the controller knew the field on the other side",
    "false_alarms": "recorded messages not labelled while the controller knew the field over the limit",
}


@dataclass(frozen=True)
class FieldError:
    """How far what the controller knew was from the truth, in the field's unit."""

    field: str
    rms: float
    largest: float
    unit: str = ""


@dataclass(frozen=True)
class AlarmPoint:
    """Misses and false alarms at one limit, in recorded messages."""

    limit: float
    misses: int
    false_alarms: int


@dataclass(frozen=True)
class PolicyResult:
    """What one policy does with a recording; without labels nothing is said of alarms."""

    policy: str
    sends: int
    messages_per_s: float
    bytes_per_s: float
    errors: tuple[FieldError, ...]
    wrong_share: Mapping[str, float]
    reactions: int
    unneeded: int
    misses: int | None = None
    false_alarms: int | None = None
    curve: tuple[AlarmPoint, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            **vars(self),
            "errors": [dict(vars(error)) for error in self.errors],
            "wrong_share": dict(self.wrong_share),
            "curve": [dict(vars(point)) for point in self.curve],
        }


@dataclass(frozen=True)
class PolicyStudy:
    """The policies of a study, of one message, over one recording of ``recorded`` messages."""

    message: str
    recorded: int
    policies: tuple[PolicyResult, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "message": self.message,
            "recorded": self.recorded,
            "policies": [result.to_dict() for result in self.policies],
            "rules": dict(RULES),
        }

    def require(self) -> list[dict[str, Any]]:
        """Return no rows: a link requires nothing of how its messages are sent."""
        return []

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{escape(one.policy)}</td><td>{one.messages_per_s:.3g}</td><td>{one.bytes_per_s:.4g}</td>"
            f"<td>{one.unneeded}</td></tr>"
            for one in self.policies
        )
        head = "<tr><th>policy</th><th>messages/s</th><th>bytes/s</th><th>unneeded</th></tr>"
        return f"<table><caption>{escape(self.message)}</caption>{head}{rows}</table>"


def send_policies(
    link: Link,
    capture: ByteCapture,
    policies: Sequence[Policy],
    *,
    message: str | None = None,
    labels: Sequence[bool] | tuple[str, object] | None = None,
) -> PolicyStudy:
    """Return what each policy does with the recorded messages of one name.

    ``message``: default the first message of the first direction. ``labels`` says of each recorded message
    whether it was a true alarm, or names a field and the value it then has. Raises `SettingsError` for a
    field the message has not or a wrong number of labels, `CaptureError` for fewer than two messages.
    """
    described = _message(link, message)
    faults = [fault for policy in policies for fault in policy.faults(described.layout)]
    if faults:
        raise SettingsError(faults)
    recorded = recorded_messages(link, capture, described.direction).of(described.name)
    if len(recorded) < 2:
        told = f"{len(recorded)} of {described.name!r} recorded; a send policy needs two messages or more"
        raise CaptureError(capture.source or "the capture", "", told)
    trial = _Trial(link, described, recorded, policies, _labels(described, recorded, labels))
    return PolicyStudy(described.name, len(recorded), tuple(trial.result(policy) for policy in policies))


def _message(link: Link, name: str | None) -> Message:
    if name is None:
        return next(message for direction in DIRECTIONS for message in link.messages_of(direction))
    names = [message.name for message in link.messages]
    if name not in names:
        raise SettingsError(unknown_name("message", name, names))
    return link.messages[names.index(name)]


def _labels(
    message: Message, recorded: Sequence[RecordedMessage], labels: Sequence[bool] | tuple[str, object] | None
) -> list[bool] | None:
    if labels is None:
        return None
    if isinstance(labels, tuple) and len(labels) == 2 and isinstance(labels[0], str):
        field, wanted = labels
        names = [one.name for one in message.layout.fields]
        if field not in names:
            raise SettingsError(unknown_name("labels", field, names))
        return [one.value.get(field) == wanted for one in recorded]
    if len(labels) != len(recorded):
        raise SettingsError(
            Fault("labels", len(labels), f"one for each of {len(recorded)} recorded messages")
        )
    return [bool(label) for label in labels]


class _Trial:
    """The recording, and what is the same for all policies."""

    def __init__(
        self,
        link: Link,
        message: Message,
        recorded: Sequence[RecordedMessage],
        policies: Sequence[Policy],
        labels: list[bool] | None,
    ) -> None:
        self.link, self.message, self.labels = link, message, labels
        self.codec = link.codec(message.direction)
        self.times = [one.arrival_ns for one in recorded]
        self.values = [one.value for one in recorded]
        self.sizes = [one.frame_bytes for one in recorded]
        # As many spaces as messages, so that sending every message gives the recorded rate.
        self.seconds = Fraction((self.times[-1] - self.times[0]) * len(recorded), (len(recorded) - 1) * 10**9)
        named = {name: band for one in policies if isinstance(one, Moved) for name, band in one.bands.items()}
        fields = [field.name for field in message.layout.fields if not isinstance(field, Counter)]
        self.watched: dict[str, Number] = named or dict.fromkeys(fields, 0)

    def result(self, policy: Policy) -> PolicyResult:
        """Return what one policy does."""
        sends = policy.sends(self.times, self.values)
        known = self._known(sends)
        total = sum(self._bytes(send, policy) for send in sends)
        crossing = policy if isinstance(policy, Crossing) else None
        alarms = self._alarms(crossing) if crossing is not None else None
        return PolicyResult(
            policy=policy.text,
            sends=len(sends),
            messages_per_s=float(len(sends) / self.seconds),
            bytes_per_s=float(total / self.seconds),
            errors=tuple(self._errors(known)),
            wrong_share=self._wrong(known),
            reactions=len(sends) - 1,
            unneeded=self._unneeded(sends, crossing),
            misses=alarms.misses if alarms else None,
            false_alarms=alarms.false_alarms if alarms else None,
            curve=self._curve(crossing) if crossing is not None and alarms else (),
        )

    def _known(self, sends: Sequence[Send]) -> list[Mapping[str, Any]]:
        """Return what the controller knows at each recorded instant; something is sent at the first."""
        at = [send.time_ns for send in sends]
        return [sends[bisect_right(at, time) - 1].value for time in self.times]

    def _bytes(self, send: Send, policy: Policy) -> int:
        if send.value is self.values[send.place]:
            size = self.sizes[send.place]
        else:
            size = len(self.codec.encode(self.message.name, send.value))
        asked = self.message.on_request
        if not isinstance(policy, OnRequest) or asked is None:
            return size
        other = next(one for one in self.link.messages if one.name == asked)
        return size + self.link.codec(other.direction).size(asked).typical

    def _errors(self, known: Sequence[Mapping[str, Any]]) -> Iterator[FieldError]:
        for name in numeric_fields(self.message.layout):
            field: Any = self.message.layout.field(name)
            off = [
                float(exact(true[name]) - exact(now[name]))
                for true, now in zip(self.values, known, strict=True)
            ]
            rms = math.sqrt(math.fsum(error * error for error in off) / len(off))
            yield FieldError(name, rms, max(map(abs, off)), getattr(field, "unit", ""))

    def _wrong(self, known: Sequence[Mapping[str, Any]]) -> dict[str, float]:
        numbers = numeric_fields(self.message.layout)
        return {
            field.name: sum(
                true.get(field.name) != now.get(field.name)
                for true, now in zip(self.values, known, strict=True)
            )
            / len(known)
            for field in self.message.layout.fields
            if field.name not in numbers and not isinstance(field, Counter)
        }

    def _unneeded(self, sends: Sequence[Send], crossing: Crossing | None) -> int:
        over = sides(crossing, self.values) if crossing is not None else []
        count = 0
        for before, send in pairwise(sends):
            after = send.place + 1
            if crossing is not None:
                # Every send but the first is a crossing, so that it always tells something new.
                count += after < len(over) and over[after] != over[send.place]
            else:
                told_nothing = within(send.value, before.value, self.watched)
                taken_back = after < len(self.values) and within(
                    self.values[after], before.value, self.watched
                )
                count += told_nothing or taken_back
        return count

    def _alarms(self, crossing: Crossing) -> AlarmPoint | None:
        if self.labels is None:
            return None
        pairs = list(zip(self.labels, sides(crossing, self.values), strict=True))
        misses = sum(label and not over for label, over in pairs)
        return AlarmPoint(float(crossing.limit), misses, sum(over and not label for label, over in pairs))

    def _curve(self, crossing: Crossing) -> tuple[AlarmPoint, ...]:
        if self.labels is None:
            return ()
        return alarm_curve(crossing, self.values, self.labels)


def alarm_curve(
    crossing: Crossing, values: Sequence[Mapping[str, Any]], labels: Sequence[bool]
) -> tuple[AlarmPoint, ...]:
    """Return misses and false alarms for limits over the field's recorded range, rising.

    One limit below (for ``above``; else above) all values, so that every message is over it, and the values
    themselves, spread out when there are many.
    """
    field = crossing.field
    found = sorted({exact(value[field]) for value in values})
    beside = found[0] - 1 if crossing.above else found[-1] + 1
    limits = sorted({beside, *spread(found, CURVE_POINTS), found[-1] if crossing.above else found[0]})
    points = []
    for limit in limits:
        over = sides(replace(crossing, limit=limit), values)
        misses = sum(label and not side for label, side in zip(labels, over, strict=True))
        false_alarms = sum(side and not label for label, side in zip(labels, over, strict=True))
        points.append(AlarmPoint(float(limit), misses, false_alarms))
    return tuple(points)
