"""What became of each message: exactly one fate for each sent frame, and every use by a pass.

Rules, in our own words.

- A frame accepted from the received bytes belongs to the sent frame that ends with the same character. One
  that ends with no sent frame's last character is not used.
- At the start of a pass's work, of each message with ``use = "newest"`` the last one accepted and not yet
  used is used, which supersedes the others; with ``every`` all of them are used, in order. What was accepted
  under a wrong value is used like the rest.
- Fates are tried in this order. Accepted with the payload that was sent: *used*, *superseded* (a later one
  of its message was used) or *pending*. Accepted with another payload: *misread*. No byte received: *lost*.
  Its end was parsed, or a byte of it is lost or was thrown away: *damaged*. Skipped: *superseded* when a
  later one of its message was used, else *pending*. Anything else is *pending*.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from linkbudget.errors import CaptureError
from linkbudget.replay.arrivals import CharacterFate

if TYPE_CHECKING:
    from linkbudget.replay.receiver import Accepted, Run
    from linkbudget.replay.sent import Sent, SentFrame

__all__ = ["UNRECOGNISED", "Fate", "Fates", "OtherTraffic", "Use", "judge", "other_traffic", "uses_of"]

UNRECOGNISED = "(unrecognised)"
"""The name under which sent frames are counted that are no message of the link."""


class OtherTraffic(CaptureError):
    """Nothing in the capture is a message of the link: a replay would tell nothing of the link."""


class Fate(StrEnum):
    """What became of a sent frame."""

    USED = "used"
    SUPERSEDED = "superseded"
    PENDING = "pending"
    MISREAD = "misread"
    DAMAGED = "damaged"
    LOST = "lost"


class Use(NamedTuple):
    """A use: by which pass and when (the start of its work), of which sent frame, accepted as what."""

    in_pass: int
    time_ns: int
    sent: int
    accepted: Accepted
    age_ns: int


@dataclass(frozen=True, eq=False)
class Fates:
    """The fate of each sent frame, in order, and all uses, in order."""

    sent: Sent
    fates: tuple[Fate, ...]
    uses: tuple[Use, ...]

    def counts(self, name: str | None = None) -> dict[str, int]:
        """Return ``sent`` and the number of each fate, of all messages or of one."""
        own = [fate for fate, of in zip(self.fates, self.names, strict=True) if name in (None, of)]
        return {"sent": len(own), **{fate.value: own.count(fate) for fate in Fate}}

    @cached_property
    def names(self) -> tuple[str, ...]:
        """The message name of each sent frame, `UNRECOGNISED` where it has none."""
        return tuple(frame.name or UNRECOGNISED for frame in self.sent.frames)

    def used_late(self, name: str, act_by_ns: int | None) -> int:
        """Return how many uses of a message, misreads included, came at an age above ``act_by_ns``."""
        if act_by_ns is None:
            return 0
        return sum(use.accepted.name == name and use.age_ns > act_by_ns for use in self.uses)


def other_traffic(by_message: Mapping[str, Mapping[str, int]]) -> str | None:
    """Return what to say when no intact frame is a message of the link, else None.

    ``by_message`` is that of a replay, whose verdict would be of traffic that is not the link's.
    """
    strange = by_message.get(UNRECOGNISED, {}).get("sent", 0)
    if not strange or strange != sum(counts["sent"] for counts in by_message.values()):
        return None
    return f"none of the intact frames ({strange}) is a message of the link; is this the link's traffic?"


def uses_of(run: Run, sent: Sent, use_of: Mapping[str, str], capture_to_send_ns: int = 0) -> tuple[Use, ...]:
    """Return every use, in order; ``use_of`` says for each message name ``newest`` or ``every``.

    The age at use is counted from ``capture_to_send_ns`` before the start of the sent frame.
    """
    uses: list[Use] = []
    before = 0
    for in_pass, upto in enumerate(run.passes.accepted_before.tolist()):
        if upto == before:
            continue
        now = int(run.passes.work_start[in_pass])
        for accepted in _chosen(run.accepted[before:upto], sent, use_of):
            number = sent.by_last_character[accepted.last_character]
            age = now - sent.frames[number].start_ns + capture_to_send_ns
            uses.append(Use(in_pass, now, number, accepted, age))
        before = upto
    return tuple(uses)


def _chosen(accepted: Iterable[Accepted], sent: Sent, use_of: Mapping[str, str]) -> list[Accepted]:
    """Return those of the newly accepted messages that are used, in order."""
    known = [one for one in accepted if one.last_character in sent.by_last_character]
    newest = {one.name: one for one in known}
    return [one for one in known if use_of[one.name] == "every" or newest[one.name] is one]


def judge(run: Run, sent: Sent, uses: tuple[Use, ...]) -> Fates:
    """Return the fate of each sent frame."""
    accepted = {one.last_character: one for one in run.accepted}
    used = {use.sent for use in uses}
    last_used = {use.accepted.name: use.sent for use in uses}
    missing = _counted(np.isin(run.character_fate, LOST))
    thrown_away = np.zeros(run.character_fate.size, dtype=bool)
    thrown_away[list(run.discarded)] = True
    discarded = _counted(thrown_away)

    def fate(number: int, frame: SentFrame) -> Fate:
        one = accepted.get(frame.last_character)
        newer_used = frame.name is not None and last_used.get(frame.name, -1) > number
        if one is not None:
            if one.payload != frame.payload:
                return Fate.MISREAD
            if number in used:
                return Fate.USED
            return Fate.SUPERSEDED if newer_used else Fate.PENDING
        missed = int(missing[frame.end] - missing[frame.begin])
        if missed == frame.end - frame.begin:
            return Fate.LOST
        last = run.character_fate[frame.last_character]
        if missed or last == CharacterFate.PARSED or discarded[frame.end] > discarded[frame.begin]:
            return Fate.DAMAGED
        skipped = last == CharacterFate.SKIPPED
        return Fate.SUPERSEDED if skipped and newer_used else Fate.PENDING

    return Fates(sent, tuple(fate(*numbered) for numbered in enumerate(sent.frames)), uses)


LOST = (CharacterFate.LOST_FIFO, CharacterFate.LOST_BUFFER, CharacterFate.DROPPED)


def _counted(characters: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """Return how many of the marked characters lie before each character, and in all."""
    counts = np.zeros(characters.size + 1, dtype=np.int64)
    np.cumsum(characters, out=counts[1:])
    return counts
