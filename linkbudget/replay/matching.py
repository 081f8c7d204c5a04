"""Message ends, frames and passes of a long replay held against each other; many of them compiled.

All of it comes in order. Each function has a plain form here, which says what is meant, and a kernel.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from linkbudget._jit import given, use_kernel
from linkbudget.replay.arrivals import CharacterFate
from linkbudget.replay.fates import LOST as LOST_FATES
from linkbudget.replay.rows import SentRows

__all__ = [
    "ACCEPTED",
    "DAMAGED",
    "LOST",
    "OF_THE_FRAME",
    "PENDING",
    "SKIPPED",
    "Matched",
    "caught_up",
    "chosen",
    "judged",
    "laid_out",
    "matched",
]

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Verdicts = npt.NDArray[np.uint8]

OF_THE_FRAME = -2
"""Instead of the number of a name: that of the sent frame which ends there."""
ACCEPTED, LOST, DAMAGED, SKIPPED, PENDING, VERDICTS = range(6)
"""Verdicts on a frame: settled by what was accepted; the others as in `fates.py`."""


def frozen(*arrays: npt.NDArray[np.generic]) -> None:
    for array in arrays:
        array.setflags(write=False)


class Matched(NamedTuple):
    """Message ends matched with the frames sent: which messages are accepted.

    ``before`` counts for each end the messages accepted up to it. A row of the other columns is an accepted
    message: the place of the frame that ends there (-1: none), the number of the name, the frame's start
    (0 without one), and the place of its end where the name was not `OF_THE_FRAME`, else -1.
    """

    before: Ints
    place: Ints
    name: Ints
    start_ns: Ints
    told: Ints


def matched(ends: Ints, characters: Ints, stop_names: Ints, broken: Ints, frames: SentRows) -> Matched:
    """Return what is accepted at message ends: rows (time, rank, stop or -1 - number of a broken stretch).

    ``characters`` are the last ones of the messages. The number of a message's name (-1: nothing accepted) is
    told by the stop (or is `OF_THE_FRAME`), that of broken stretches, in order, by ``broken``.
    """
    if not use_kernel("matched", characters.size):
        return plain_matched(ends, characters, stop_names, broken, frames)
    from linkbudget.replay import _book_kernels as kernels

    columns = [np.empty_like(characters) for _ in Matched._fields]
    read = (ends[:, 2], characters, stop_names, broken, frames.end, frames.name, frames.start_ns)
    count = kernels.matched(*map(given, read), *columns)
    found = Matched(columns[0], *(column[:count] for column in columns[1:]))
    frozen(*found)
    return found


def plain_matched(ends: Ints, characters: Ints, stop_names: Ints, broken: Ints, frames: SentRows) -> Matched:
    """Return what `matched` does, end by end."""
    place_of = {end - 1: place for place, end in enumerate(frames.end.tolist())}
    names = frames.name.tolist()
    before, rows, breaks = [], [], iter(broken.tolist())
    for row, (code, character) in enumerate(zip(ends[:, 2].tolist(), characters.tolist(), strict=True)):
        place = place_of.get(character, -1)
        told = int(stop_names[code]) if code >= 0 else next(breaks)
        name = told
        if told == OF_THE_FRAME:
            name = names[place] if place >= 0 else -1
        if name >= 0:
            start = int(frames.start_ns[place]) if place >= 0 else 0
            rows.append((place, name, start, -1 if told == OF_THE_FRAME else row))
        before.append(len(rows))
    columns = np.array(rows, dtype=np.int64).reshape(-1, 4).T
    found = Matched(np.array(before, dtype=np.int64), *map(np.ascontiguousarray, columns))
    frozen(*found)
    return found


def chosen(accepted_before: Ints, sent: Ints, name: Ints, equal: Bools, every: Bools) -> tuple[Ints, Ints]:
    """Return what passes use: rows (pass, place of the accepted message), and counts of those equal.

    ``accepted_before`` counts for each pass the messages accepted before its work. Of those whose frame is
    known (``sent``) all are used of a name in ``every``, of another the last one. The counts have a row for
    each name: as many used, and as many superseded at once.
    """
    if not use_kernel("chosen", sent.size):
        return plain_chosen(accepted_before, sent, name, equal, every)
    from linkbudget.replay import _book_kernels as kernels

    uses = np.empty((sent.size, 2), dtype=np.int64)
    counts = np.zeros((every.size, 2), dtype=np.int64)
    arrays = given(accepted_before), given(sent), given(name), given(equal), given(every)
    uses = uses[: kernels.chosen(*arrays, uses, counts)].copy()
    frozen(uses, counts)
    return uses, counts


def plain_chosen(
    accepted_before: Ints, sent: Ints, name: Ints, equal: Bools, every: Bools
) -> tuple[Ints, Ints]:
    """Return what `chosen` does, pass by pass."""
    uses, counts = [], np.zeros((every.size, 2), dtype=np.int64)
    at = 0
    for of_pass, upto in enumerate(accepted_before.tolist()):
        known = [place for place in range(at, max(at, upto)) if sent[place] >= 0]
        at = max(at, upto)
        newest = {int(name[place]): place for place in known}
        wanted = [place for place in known if every[name[place]]]
        wanted += [newest[own] for own in sorted(newest) if not every[own]]
        uses += [(of_pass, place) for place in wanted]
        for place in known:
            counts[name[place], 0 if place in wanted else 1] += equal[place]
    found = np.array(uses, dtype=np.int64).reshape(-1, 2)
    frozen(found, counts)
    return found, counts


def judged(frames: SentRows, accepted: Bools, lost: Ints, thrown: Ints, every: int) -> tuple[Verdicts, Ints]:
    """Return the verdict on frames, `ACCEPTED`, `LOST` and so on, and how often each came by name.

    ``lost`` are stretches of characters that were not parsed (first, count, fate), ``thrown`` those (first,
    last) of which what was parsed was thrown away; both in order, and none overlaps another. There are
    ``every`` names; a frame whose name is -1 counts for the last.
    """
    if not use_kernel("judged", accepted.size):
        return plain_judged(frames, accepted, lost, thrown, every)
    from linkbudget.replay import _book_kernels as kernels

    verdict, counts = np.empty(accepted.size, dtype=np.uint8), np.zeros((every, VERDICTS), dtype=np.int64)
    begin, end, name = given(frames.begin), given(frames.end), given(frames.name)
    kernels.judged(begin, end, name, given(accepted), given(lost), given(thrown), verdict, counts)
    frozen(verdict, counts)
    return verdict, counts


def plain_judged(
    frames: SentRows, accepted: Bools, lost: Ints, thrown: Ints, every: int
) -> tuple[Verdicts, Ints]:
    """Return what `judged` does, from the fate of each character."""
    first, last = (int(frames.begin[0]), int(frames.end[-1])) if accepted.size else (0, 0)
    inside = lost[(lost[:, 0] + lost[:, 1] > first) & (lost[:, 0] < last)]
    since, until = np.maximum(inside[:, 0], first), np.minimum(inside[:, 0] + inside[:, 1], last)
    fate = laid_out(np.stack([since - first, until - since, inside[:, 2]], axis=1), last - first)
    away = np.zeros(fate.size, dtype=bool)
    for begins, ends in thrown.tolist():
        away[max(begins - first, 0) : max(ends + 1 - first, 0)] = True
    missing, thrown_away = counted(np.isin(fate, LOST_FATES)), counted(away & (fate == CharacterFate.PARSED))
    begin, end = frames.begin - first, frames.end - first
    missed, ending = missing[end] - missing[begin], fate[end - 1]
    damaged = (missed > 0) | (ending == CharacterFate.PARSED) | (thrown_away[end] > thrown_away[begin])
    verdict = np.where(ending == CharacterFate.SKIPPED, SKIPPED, PENDING)
    verdict = np.where(damaged, DAMAGED, verdict)
    verdict = np.where(missed == end - begin, LOST, verdict)
    found = np.where(accepted, ACCEPTED, verdict).astype(np.uint8)
    counts = np.zeros((every, VERDICTS), dtype=np.int64)
    np.add.at(counts, (frames.name, found), 1)
    frozen(found, counts)
    return found, counts


def caught_up(ends: Ints, characters: Ints, times: Ints, base: int, before: int) -> tuple[int, int, int]:
    """Return the first and the last message end at which all before had been parsed when it arrived.

    -1 for none. ``ends`` and ``characters`` as for `matched`; ``times`` are the arrivals of characters from
    ``base`` on, and ``before`` is when the end before these was parsed. The third number is the most ends
    from one such to the next.
    """
    if not use_kernel("caught_up", characters.size):
        return plain_caught_up(ends, characters, times, base, before)
    from linkbudget.replay import _book_kernels as kernels

    first, last, gap = kernels.caught_up(given(ends[:, 0]), given(characters), given(times), base, before)
    return int(first), int(last), int(gap)


def plain_caught_up(
    ends: Ints, characters: Ints, times: Ints, base: int, before: int
) -> tuple[int, int, int]:
    """Return what `caught_up` does."""
    done = np.append(before, ends[:-1, 0])[: characters.size]
    places = np.flatnonzero(done <= times[characters - base])
    if not places.size:
        return -1, -1, 0
    return int(places[0]), int(places[-1]), int(np.max(np.diff(places), initial=0))


def laid_out(lost: Ints, count: int) -> Verdicts:
    """Return the fates of ``count`` characters: those of the rows (first, count, fate), else parsed.

    No row overlaps another.
    """
    if not use_kernel("laid_out", count):
        return plain_laid_out(lost, count)
    from linkbudget.replay import _book_kernels as kernels

    fate = np.full(count, CharacterFate.PARSED, dtype=np.uint8)
    kernels.laid_out(given(lost), fate)
    frozen(fate)
    return fate


def plain_laid_out(lost: Ints, count: int) -> Verdicts:
    """Return what `laid_out` does, stretch by stretch."""
    rows = lost[np.lexsort((lost[:, 1], lost[:, 0]))]
    edges = np.zeros(2 * len(rows) + 2, dtype=np.int64)
    edges[1:-1:2], edges[2:-1:2], edges[-1] = rows[:, 0], rows[:, 0] + rows[:, 1], count
    what = np.full(edges.size - 1, CharacterFate.PARSED, dtype=np.uint8)
    what[1::2] = rows[:, 2]
    fate = np.repeat(what, np.diff(edges))
    frozen(fate)
    return fate


def counted(characters: Bools) -> Ints:
    """Return how many of the marked characters lie before each character, and in all."""
    counts = np.zeros(characters.size + 1, dtype=np.int64)
    np.cumsum(characters, out=counts[1:])
    return counts
