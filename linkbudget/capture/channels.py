"""Channels by name: the one asked for, and the one meant when nothing is asked."""

from __future__ import annotations

import re
from collections.abc import Iterable

from linkbudget.errors import CaptureError, nearest_name
from linkbudget.traffic.levels import Edges, LevelCapture

__all__ = ["find_channel", "listed", "only_channel"]

AT_MOST_LISTED = 20
ONE_BIT = re.compile(r".*\[-?\d+\]")


def listed(names: Iterable[str]) -> str:
    """Return names as text, shortened when there are many."""
    names = list(names)
    text = ", ".join(names[:AT_MOST_LISTED])
    more = len(names) - AT_MOST_LISTED
    return f"{text} and {more} more" if more > 0 else text or "none"


def find_channel(names: Iterable[str], wanted: str, path: object) -> str:
    """Return the name that ``wanted`` means: the name itself, or the end of one dotted path only."""
    names = list(names)
    if wanted in names:
        return wanted
    ending = [name for name in names if name.endswith(f".{wanted}")]
    if len(ending) == 1:
        return ending[0]
    text = f"no channel {wanted!r}; the channels are: {listed(names)}"
    if len(ending) > 1:
        text = f"channel {wanted!r} is not one but: {listed(ending)}"
    nearest = nearest_name(wanted, names) if not ending else None
    raise CaptureError(path, "", text + (f"; did you mean {nearest!r}?" if nearest else ""))


def only_channel(capture: LevelCapture, path: object) -> tuple[str, Edges]:
    """Return the one channel that can be meant: the one that changes.

    Bits of vectors (``byte[3]``) count only when no other channel changes. Raises `CaptureError` with the
    list when there are several, or none.
    """
    active = capture.active()
    candidates = [name for name in active if not ONE_BIT.fullmatch(name)] or active
    if not candidates and len({id(edges) for edges in capture.channels.values()}) == 1:
        candidates = list(capture.channels)[:1]
    if len(candidates) == 1:
        return candidates[0], capture.channels[candidates[0]]
    if candidates:
        raise CaptureError(path, "", f"several channels change; choose one of: {listed(candidates)}")
    raise CaptureError(path, "", f"no channel changes; the channels are: {listed(capture.channels)}")
