"""Two ways of linking the same two ends, compared: a table, and a few sentences that say why.

Every number comes from the results and the link files; only the words are ours.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from linkbudget.report.replay_page import ACTIVITIES
from linkbudget.report.terminal import Document, figure, share, time

if TYPE_CHECKING:
    from linkbudget.link.model import Link

__all__ = ["Case", "comparison_rows", "differences"]


@dataclass(frozen=True)
class Case:
    """One link with its capture: what `decode`, `budget` and `replay` say of it."""

    name: str
    link: Link
    decode: Document
    budget: Document
    replay: Document

    @property
    def due(self) -> int:
        """Deadlines there were."""
        return int(self.replay["passes"] + self.replay["skipped"])

    @property
    def message(self) -> Document:
        """The budget of the first message to the controller."""
        rows: list[Document] = self.budget["messages"]
        return next(row for row in rows if row["direction"] == "to-controller")

    @property
    def way(self) -> str:
        """How messages are written, delimited and read."""
        encoding = next(m.encoding for m in self.link.messages if m.name == self.message["name"])
        delimiting = self.link.frames["to-controller"].delimiting
        return f"{encoding} with {delimiting}, read by {self.link.reading.strategy}"

    def worst_joint(self) -> Document | None:
        """The joint with the largest overshoot; None without joints or uses."""
        known = [row for row in self.replay["motion"] if row["overshoot"] is not None]
        return max(known, key=lambda row: row["overshoot"], default=None)

    def unit(self, joint: str) -> str:
        """The unit of a joint, with a space before it."""
        unit = next((entry.unit for entry in self.link.joints if entry.name == joint), "")
        return f" {unit}" if unit else ""


Row = tuple[str, Callable[[Case], str]]

DECODE_ROWS: tuple[Row, ...] = (
    ("characters", lambda case: figure(case.decode["characters"])),
    ("damaged characters", lambda case: figure(len(case.decode["events"]))),
    ("intact frames", lambda case: figure(case.decode["frames"]["intact"])),
)
BUDGET_ROWS: tuple[Row, ...] = (
    ("message, most", lambda case: f"{figure(case.message['bytes']['maximum'])} bytes"),
    ("on the wire", lambda case: time(case.message["wire_time_us"]["maximum"])),
    ("line busy, most", lambda case: share(case.budget["utilisation"]["to-controller"]["maximum"])),
    ("longest pass, bound", lambda case: time(case.budget["longest_pass_us"])),
)
REPLAY_ROWS: tuple[Row, ...] = (
    ("missed deadlines", lambda case: f"{figure(case.replay['missed_deadlines'])} of {case.due:,}"),
    ("missed, worst phase", lambda case: figure(case.replay["phase_sweep"]["missed_max"])),
    ("longest pass", lambda case: time(case.replay["longest_pass_us"])),
    ("messages used", lambda case: f"{figure(case.replay['messages']['used'])} of {sent(case)}"),
    ("bytes lost", lambda case: figure(lost_bytes(case))),
    ("age at use, oldest", lambda case: time(case.replay["age_us"]["max"])),
    ("overshoot, most", lambda case: overshoot(case)),
)


def sent(case: Case) -> str:
    """Return how many messages were sent."""
    return figure(case.replay["messages"]["sent"])


def lost_bytes(case: Case) -> int:
    """Return the bytes that found a FIFO or a buffer full."""
    counts = case.replay["bytes"]
    return int(counts["overrun_hardware"] + counts["overrun_buffer"])


def overshoot(case: Case) -> str:
    """Return how far the joint that strays most goes past its target."""
    joint = case.worst_joint()
    return "-" if joint is None else figure(joint["overshoot"], 3) + case.unit(joint["joint"])


def comparison_rows(rows: Sequence[Row], cases: Sequence[Case]) -> list[tuple[str, ...]]:
    """Return a table of figures, one column for each case."""
    return [(name, *(value(case) for case in cases)) for name, value in rows]


def differences(before: Case, after: Case) -> list[str]:
    """Return what changes from one way to the other and why, a sentence each."""
    found = [deadlines(before, after), bytes_on_wire(before, after)]
    if before.replay["missed_deadlines"]:
        found.append(late_passes(before, after))
    found.append(longest_passes(before, after))
    if lost_bytes(before) or lost_bytes(after):
        found.append(losses(before, after))
    found.append(freshness(before, after))
    if before.worst_joint() and after.worst_joint():
        found.append(joints(before, after))
    return found


def deadlines(before: Case, after: Case) -> str:
    """Return the two verdicts in one sentence."""
    one, other = before.replay, after.replay
    return (
        f"Reports as {before.way}: {one['missed_deadlines']:,} of {before.due:,} deadlines missed."
        f" As {after.way}: {other['missed_deadlines']:,} of {after.due:,}."
    )


def bytes_on_wire(before: Case, after: Case) -> str:
    """Return how much shorter a message is, and what that does to the line."""
    one, other = before.message, after.message
    times = one["bytes"]["maximum"] / other["bytes"]["maximum"]
    return (
        f"The same report takes {other['bytes']['maximum']:,} bytes instead of {one['bytes']['maximum']:,}"
        f" ({times:.2g} times fewer) and {time(other['wire_time_us']['maximum'])} on the wire instead of"
        f" {time(one['wire_time_us']['maximum'])}."
    )


def late_passes(before: Case, after: Case) -> str:
    """Return what the late passes spend their time on, and how much of all time receiving takes."""
    found = before.replay["bottleneck"]
    return (
        f"In the late passes of the first, {ACTIVITIES[found['what']]} takes {time(found['us'])} on average,"
        f" {share(found['share'])} of the pass. Reading, waiting for bytes and pauses take"
        f" {share(receiving(before))} of the time replayed in the first and {share(receiving(after))} in the"
        " second."
    )


def receiving(case: Case) -> float:
    """Return the share of the time replayed that the reading step takes."""
    shares = case.replay["time_share"]
    return float(shares["reading"] + shares["waiting"] + shares["pause"])


def longest_passes(before: Case, after: Case) -> str:
    """Return how the longest pass shrinks, and why it cannot grow again."""
    text = (
        f"The longest pass shrinks from {time(before.replay['longest_pass_us'])} to"
        f" {time(after.replay['longest_pass_us'])}"
    )
    limit, bound = after.link.reading.limit_bytes, after.budget["longest_pass_us"]
    if limit is None or bound is None:
        return f"{text}."
    return f"{text}: a pass now reads {limit:,} bytes at most, which bounds it to {time(bound)}."


def losses(before: Case, after: Case) -> str:
    """Return the bytes that were lost."""
    return f"Bytes lost to a full FIFO or buffer: {lost_bytes(before):,} against {lost_bytes(after):,}."


def freshness(before: Case, after: Case) -> str:
    """Return how old the data are when they are used."""
    one, other = before.replay["age_us"]["max"], after.replay["age_us"]["max"]
    return f"The oldest data in use are {time(one)} old in the first and {time(other)} in the second."


def joints(before: Case, after: Case) -> str:
    """Return how far the joints overshoot."""
    one, other = overshoot(before), overshoot(after)
    return f"The largest overshoot of a joint is {one} in the first and {other} in the second."
