"""Busy windows: stretches of time in which something else holds the controller.

A row of windows is ``[phase + j * period, phase + j * period + length)`` for j = 0, 1, 2 ...: the first
instant belongs to the window, its end does not. Rows may overlap; what counts is whether any of them covers
an instant. Windows block the handler (none starts inside), the loop (it stands still) or both, so the model
holds one set for each.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from linkbudget.errors import Fault, SettingsError

__all__ = ["NEVER", "Windows", "never_free"]

NEVER = 1 << 62
"""A time later than any other: 146 years in nanoseconds."""

JUMP_LIMIT = 100_000
"""Windows that follow each other without a gap this often are taken to leave no time at all."""


class Windows:
    """The busy windows that block one thing, as ``(period, phase, length)`` rows in nanoseconds.

    Raises `SettingsError` for windows that leave no time between them.
    """

    __slots__ = ("rows",)

    def __init__(self, rows: Iterable[tuple[int, int, int]] = ()) -> None:
        self.rows = tuple(row for row in rows if row[2] > 0)
        for period, _, length in self.rows:
            if length >= period:
                raise SettingsError(
                    Fault("busy.length_us", length / 1000, f"less than the period {period} ns")
                )
        self.free_from(max((phase for _, phase, _ in self.rows), default=0))

    @classmethod
    def that_block(cls, what: str, busy: Sequence[tuple[int, int, int, str]]) -> Windows:
        """Return the windows of a link that block ``what`` (``handler`` or ``loop``)."""
        return cls(row[:3] for row in busy if row[3] in (what, "both"))

    def __bool__(self) -> bool:
        return bool(self.rows)

    def end_at(self, at: int) -> int:
        """Return the latest end of the windows that cover ``at``, or ``at`` itself when none does."""
        end = at
        for period, phase, length in self.rows:
            if at >= phase and (at - phase) % period < length:
                end = max(end, at - (at - phase) % period + length)
        return end

    def end_around(self, at: int) -> int:
        """Return the latest end of the windows that began before ``at`` and end after it, else ``at``."""
        end = at
        for period, phase, length in self.rows:
            if at > phase and 0 < (at - phase) % period < length:
                end = max(end, at - (at - phase) % period + length)
        return end

    def next_start(self, at: int) -> int:
        """Return the first window start at or after ``at``."""
        starts = [phase + max(0, -((phase - at) // period)) * period for period, phase, _ in self.rows]
        return min(starts, default=NEVER)

    def free_from(self, at: int) -> int:
        """Return the first instant at or after ``at`` that no window covers."""
        for _ in range(JUMP_LIMIT):
            end = self.end_at(at)
            if end == at:
                return at
            at = end
        raise never_free(len(self.rows))


def never_free(rows: int) -> SettingsError:
    """Return what is said of so many rows of windows that seem to leave no time."""
    return SettingsError(
        Fault("busy", rows, "windows that leave time between them", problem="blocks for ever")
    )
