"""What a link can require of itself: names, units, and where each number comes from.

Each is an upper limit. A budget judges what can be known before anything is recorded, a replay the rest.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from linkbudget.errors import Fault, nearest_name
from linkbudget.message.fields import Integer, Optional_, Real, Repeat, Scaled
from linkbudget.message.layout import MessageLayout
from linkbudget.units import Number, exact

__all__ = [
    "REQUIREMENTS",
    "Requirement",
    "field_step",
    "find_field",
    "numeric_fields",
    "require_faults",
    "requirement_rows",
]

STEP = "step."
OF_JOINTS = ("overshoot", "rms_error")

REQUIREMENTS: dict[str, str] = {
    "missed_deadlines": "Passes that end after their deadline, skipped releases included.",
    "longest_pass_us": "Longest pass.",
    "late_us": "Latest start of a pass after its release.",
    "utilisation": "Share of the wire that is taken, of the busier direction.",
    "age_us": "Largest age of the data at use.",
    "buffer_bytes": "Bytes of the software buffer in use at once.",
    "overrun_bytes": "Bytes lost because FIFO or buffer was full.",
    "lost": "Messages lost or damaged.",
    "used_late": "Messages used later than their act_by_us.",
    "misread_per_year": "Damaged messages accepted with a wrong value, per year.",
    "undetected_per_year": "Damaged frames that pass the check at the line's bit error rate, per year.",
    "overshoot": "Largest overshoot of a joint, in its unit.",
    "rms_error": "RMS difference of a joint from an ideal follower, in its unit.",
}


@dataclass(frozen=True)
class Requirement:
    """One requirement held against a result: limit, value found, whether it is met, what is left.

    ``value`` and ``headroom`` are None where the result does not tell; ``met`` is None where it cannot judge.
    """

    name: str
    limit: float
    value: float | None
    met: bool | None
    headroom: float | None

    def to_dict(self) -> dict[str, Any]:
        """Return ``{"name", "limit", "value", "met", "headroom"}``."""
        return asdict(self)


def requirement_rows(
    require: Mapping[str, Number], values: Mapping[str, Number | None], layouts: Iterable[MessageLayout]
) -> tuple[Requirement, ...]:
    """Return every requirement of a link held against the values a result has; steps are found here.

    A name that ``values`` lacks, or has as None, cannot be judged.
    """
    known = {layout.name: layout for layout in layouts}
    rows = []
    for name, limit in require.items():
        value = values.get(name)
        if name.startswith(STEP):
            message, _, path = name.removeprefix(STEP).partition(".")
            value = field_step(find_field(known[message].fields, path))
        rows.append(_row(name, limit, value))
    return tuple(rows)


def _row(name: str, limit: Number, value: Number | None) -> Requirement:
    if value is None:
        return Requirement(name, _plain(limit), None, None, None)
    left = exact(limit) - exact(value)
    return Requirement(name, _plain(limit), _plain(value), left >= 0, _plain(left))


def _plain(value: Number) -> float:
    """Return a number as JSON writes it: whole ones without a point."""
    whole = int(value)
    return whole if whole == value else float(value)


def find_field(fields: Sequence[Any], path: str) -> Any | None:
    """Return the field a dotted path names, also inside groups; None when there is none."""
    head, _, rest = path.partition(".")
    for entry in fields:
        field = entry.field if isinstance(entry, Optional_) else entry
        if field.name != head:
            continue
        if not rest:
            return field
        return find_field(_inside(field), rest)
    return None


def _inside(field: Any) -> Sequence[Any]:
    return tuple(getattr(field, "fields", ()) or ()) if isinstance(field, Repeat) else ()


def field_step(field: Any) -> Number | None:
    """Return the distance between neighbouring values of a field; None where it has none."""
    if isinstance(field, Scaled):
        return field.step
    return 1 if isinstance(field, Integer) else None


def numeric_fields(layout: MessageLayout) -> list[str]:
    """Return the names of the fields that hold one number."""
    return [field.name for field in layout.fields if isinstance(field, Integer | Scaled | Real)]


def require_faults(
    require: Mapping[str, Number],
    layouts: Iterable[MessageLayout],
    unread: frozenset[str] = frozenset(),
    *,
    joints: bool,
) -> list[Fault]:
    """Return the requirements that name nothing this library knows, no step of a field, or no joint.

    Messages ``unread`` are there and could not be read; steps of their fields are not judged. ``joints``
    says whether the link has any: without one a limit on joints could never be judged.
    """
    known = {layout.name: layout for layout in layouts}
    faults = []
    for name, limit in require.items():
        path = f"require.{name}"
        if name.startswith(STEP):
            if name.split(".")[1] not in unread:
                faults += _step_faults(name, limit, path, known)
        elif name not in REQUIREMENTS:
            allowed = f'{", ".join(REQUIREMENTS)}, or "step.<message>.<field>"'
            nearest = nearest_name(name, REQUIREMENTS)
            faults.append(Fault(path, limit, allowed, nearest, problem="is no requirement"))
        elif name in OF_JOINTS and not joints:
            problem = "is a limit on joints, and the link has none"
            faults.append(Fault(path, limit, "a [[joint]], or this line left out", problem=problem))
    return faults


def _step_faults(name: str, limit: Number, path: str, known: Mapping[str, MessageLayout]) -> list[Fault]:
    message, _, field_path = name.removeprefix(STEP).partition(".")
    if message not in known:
        problem = f"names the message {message!r}, which there is not"
        return [Fault(path, limit, ", ".join(known), nearest_name(message, known), problem=problem)]
    fields = known[message].fields
    field = find_field(fields, field_path)
    if field is not None and field_step(field) is not None:
        return []
    stepped = [entry.name for entry in fields if field_step(entry) is not None]
    problem = (
        f"names the field {field_path!r}, which has no step" if field else f"names no field: {field_path!r}"
    )
    return [Fault(path, limit, ", ".join(stepped), nearest_name(field_path, stepped), problem=problem)]
