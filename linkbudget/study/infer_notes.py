"""What was guessed, from what, and how sure the guess is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from linkbudget.message.layout import MessageLayout

__all__ = ["Kind", "Note", "between", "field_path", "listed", "of_all"]


@dataclass(frozen=True)
class Note:
    """One guess. ``what`` is a key path of the link file, ``origin`` what the guess rests on.

    ``confidence``: for a delimiting or a check one minus the chance that ``origin`` states; for a range see
    `infer_ranges.stays_inside`; for a choice one minus the share of words seen once (I. J. Good, 1953); else
    a judgement, 0.5 for a bare guess. None where nothing in a recording could tell.
    """

    what: str
    value: object
    origin: str
    confidence: float | None = None

    def to_dict(self) -> dict[str, object]:
        """Return ``{"what", "value", "from", "confidence"}``."""
        return {
            "what": self.what,
            "value": self.value,
            "from": self.origin,
            "confidence": None if self.confidence is None else round(self.confidence, 6),
        }


@dataclass(frozen=True)
class Kind:
    """One kind of message: its layout and encoding, and the places of its payloads among all payloads."""

    layout: MessageLayout
    encoding: str | dict[str, Any]
    rows: tuple[int, ...]
    notes: tuple[Note, ...] = ()


def field_path(message: str, field: str) -> str:
    """Return the path under which a field is noted."""
    return f"message.{message}.fields.{field}"


def of_all(count: int, total: int, what: str) -> str:
    """Return a count with the number it is part of: ``all 40 frames``, ``38 of 40 frames``."""
    return f"all {total} {what}" if count == total else f"{count} of {total} {what}"


def between(low: object, high: object) -> str:
    """Return a range for people: ``3 to 8``, ``3``."""
    return f"{low}" if low == high else f"{low} to {high}"


def listed(items: list[str], most: int = 4) -> str:
    """Return the first few items as a list for people."""
    shown = ", ".join(items[:most])
    return shown if len(items) <= most else f"{shown} and {len(items) - most} more"
