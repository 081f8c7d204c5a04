"""Frames without a delimiter: those that begin with their length, and those that are all equally long.

A length is believed when it leads from frame to frame: from sync bytes to sync bytes, or from pause to pause.
Looked for is what a frame format can state: sync bytes, then one or two bytes of length that count the
payload, the payload and the check, or the whole frame. A type byte in front of the length, a check of the
header or a check that covers the header are not looked for.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from linkbudget.frame.format import FrameFormat
from linkbudget.study.infer_checks import FoundCheck
from linkbudget.study.infer_frames import Asked, Framing, cut, framing_note, text_bits, with_check
from linkbudget.study.infer_notes import Note, of_all
from linkbudget.study.infer_times import Recording

__all__ = ["counted_framings", "fixed_framings"]

Order = Literal["big", "little"]
FIELDS: tuple[tuple[int, Order], ...] = ((1, "big"), (2, "big"), (2, "little"))
CHECK_SIZES = (1, 2, 3, 4, 8)
MOST_SYNC = 4
NEARLY_ALL = 0.8
PAIRS_TRIED = 6
LANDING_BITS = 8.0
"""One byte of sync, or of a pause, where the length said it would be."""
SEARCH_BITS = 12.0
"""Some thousand combinations are tried."""
LENGTH_BITS = 3.0
"""Two bursts of random traffic are equally long about once in eight times."""
GIVEN_UP = 40
LONGEST = 4096


@dataclass(frozen=True)
class Chain:
    """Frames, begin and end, each of which begins where the length before it said; and the leaps it took."""

    frames: tuple[tuple[int, int], ...]
    leaps: int


def counted_framings(recording: Recording, data: bytes, crc: Asked, hints: list[str]) -> Iterator[Framing]:
    """Yield the ways to cut the stream by lengths.

    ``hints`` gets what was found and no frame format can state: a check that covers the header.
    """
    begins = {0, *recording.burst_ends}
    for sync in _sync_candidates(recording, data):
        for size, order in FIELDS:
            header = len(sync) + size
            for behind in (0, header, *(header + check for check in CHECK_SIZES)):
                chain = _chain(data, sync, size, order, behind, begins)
                if chain is None:
                    continue
                found = _counted(recording, data, crc, sync, (size, order), behind, chain)
                if found is not None:
                    yield found
                if found is None or found.check is None:
                    hints += _hidden_check(data, crc, sync, chain)


def _sync_candidates(recording: Recording, data: bytes) -> list[bytes]:
    """Return what frames may begin with: what bursts have in common, else the commonest pairs of bytes."""
    heads = [data[begin : begin + MOST_SYNC] for begin, _ in recording.bursts() if begin < len(data)]
    if heads:
        found = [b""]
        for length in range(1, MOST_SYNC + 1):
            start, count = Counter(head[:length] for head in heads).most_common(1)[0]
            if count >= NEARLY_ALL * len(heads):
                found.append(start)
        return found
    pairs = Counter(data[at : at + 2] for at in range(len(data) - 1))
    grown = [_grown(data, pair) for pair, count in pairs.most_common(PAIRS_TRIED) if count > 2]
    return list(dict.fromkeys(sync[:length] for sync in grown for length in range(1, len(sync) + 1)))


def _grown(data: bytes, start: bytes) -> bytes:
    """Return some bytes with those in front of them and behind them that hardly ever differ."""
    while len(start) < MOST_SYNC:
        at = [place for place in _places(data, start) if 0 < place < len(data) - len(start)]
        sides = (Counter(data[p - 1] for p in at), Counter(data[p + len(start)] for p in at))
        best = max(range(2), key=lambda side: max(sides[side].values(), default=0))
        byte, count = sides[best].most_common(1)[0] if at else (0, 0)
        if not at or count < 0.95 * len(at):
            return start
        start = start + bytes([byte]) if best else bytes([byte]) + start
    return start


def _places(data: bytes, sync: bytes) -> Iterator[int]:
    at = data.find(sync)
    while at >= 0:
        yield at
        at = data.find(sync, at + len(sync))


def _chain(data: bytes, sync: bytes, size: int, order: Order, behind: int, begins: set[int]) -> Chain | None:
    """Follow the lengths through the stream; None when they mostly lead nowhere.

    ``behind`` is the length of a frame minus what its length field says.
    """
    header = len(sync) + size
    frames: list[tuple[int, int]] = []
    leaps = 0
    at = 0 if not sync else max(data.find(sync), 0)
    while at + header <= len(data):
        end = at + int.from_bytes(data[at + len(sync) : at + header], order) + behind
        lands = end == len(data) or (data.startswith(sync, end) and (bool(sync) or end in begins))
        if data.startswith(sync, at) and at + header < end <= min(at + LONGEST, len(data)) and lands:
            frames.append((at, end))
            at = end
            continue
        leaps += 1
        if leaps > GIVEN_UP and leaps > len(frames) // 4:
            return None
        at = _next(data, sync, at, begins)
        if at < 0:
            break
    return Chain(tuple(frames), leaps) if len(frames) > max(2, 4 * leaps) else None


def _next(data: bytes, sync: bytes, at: int, begins: set[int]) -> int:
    if sync:
        return data.find(sync, at + 1)
    return min((begin for begin in begins if begin > at), default=-1)


def _counted(
    recording: Recording,
    data: bytes,
    crc: Asked,
    sync: bytes,
    field: tuple[int, Order],
    behind: int,
    chain: Chain,
) -> Framing | None:
    size, order = field
    header = len(sync) + size
    bodies = [data[begin + header : end] for begin, end in chain.frames]
    check_bytes = max(behind - header, 0)
    check = crc.find(bodies, check_bytes or None)
    if check_bytes and check is None:
        return None
    counts = "frame" if not behind else "payload-and-check" if check and not check_bytes else "payload"
    fmt = FrameFormat(
        "counted",
        crc=None,
        sync=sync,
        length_bytes=size,
        length_order=order,
        length_counts="payload" if behind else "frame",
        max_payload=max(max(map(len, bodies)) - (check.code.check_bytes if check else 0), 1),
    )
    fmt = with_check(fmt, check, length_counts=counts)
    frames, rejected = cut(fmt, data)
    bits = _evidence(chain, len(sync), recording) + (check.bits if check else 0.0) + text_bits(frames)
    return Framing(fmt, tuple(frames), rejected, bits, _notes(fmt, chain, bodies, sync, bits), check)


def _hidden_check(data: bytes, crc: Asked, sync: bytes, chain: Chain) -> Iterator[str]:
    """Yield what to say when the end of the frames is a check that covers their header too."""
    lead = f"behind {sync.hex(' ')}" if sync else "in front"
    for skipped, what in ((0, "all of the frame"), (len(sync), "length and payload")):
        found = crc.find([data[begin + skipped : end] for begin, end in chain.frames])
        if found is not None:
            name = found.code.name
            yield f"frames with a length {lead} end in {name} over {what}, which no frame format states"
            return


def _evidence(chain: Chain, sync_bytes: int, recording: Recording) -> float:
    begins = set(recording.burst_ends)
    paused = sum(end in begins for _, end in chain.frames)
    landed = LANDING_BITS * (sync_bytes * (len(chain.frames) - 1) + paused)
    return landed - LANDING_BITS * chain.leaps - SEARCH_BITS


def _notes(
    fmt: FrameFormat, chain: Chain, bodies: Sequence[bytes], sync: bytes, bits: float
) -> tuple[Note, ...]:
    hits = len(chain.frames)
    origin = f"the length leads from frame to frame {of_all(hits, hits + chain.leaps, 'times')}"
    notes = [framing_note(fmt, origin, bits)]
    if sync:
        notes.append(Note("frame.sync", sync.hex(" "), "every frame begins with it", 0.95))
    lengths = len(set(map(len, bodies)))
    origin = f"{lengths} different lengths fit"
    if lengths == 1:
        origin = (
            "all frames are equally long, so this may be a constant byte that equals the length by chance"
        )
    notes.append(Note("frame.length_counts", fmt.length_counts, origin, 0.99 if lengths > 1 else 0.8))
    return tuple(notes)


def fixed_framings(recording: Recording, data: bytes, crc: Asked) -> Iterator[Framing]:
    """Yield the ways to cut the stream into frames of one length, known from pauses or sync bytes."""
    seen = set()
    for places, why in _equal_pieces(recording, data):
        length = places[0][1] - places[0][0]
        check = crc.find([data[begin:end] for begin, end in places])
        if (length, check) in seen:
            continue
        seen.add((length, check))
        found = _fixed(data, places, why, check)
        if found is not None:
            yield found


def _equal_pieces(recording: Recording, data: bytes) -> Iterator[tuple[list[tuple[int, int]], str]]:
    """Yield pieces that are all equally long, and what cuts them."""
    pieces = [(begin, end) for begin, end in recording.bursts() if end <= len(data)]
    yield from _usual(pieces, "stretches between two pauses")
    if not pieces:
        for sync in _sync_candidates(recording, data):
            places = list(_places(data, sync))
            yield from _usual(list(pairwise(places)), f"distances between two {sync.hex(' ')}")


def _usual(pieces: list[tuple[int, int]], what: str) -> Iterator[tuple[list[tuple[int, int]], str]]:
    lengths = Counter(end - begin for begin, end in pieces)
    length, count = lengths.most_common(1)[0] if lengths else (0, 0)
    if length > 1 and count > 3 and count >= NEARLY_ALL * len(pieces):
        equal = [piece for piece in pieces if piece[1] - piece[0] == length]
        yield equal, f"{of_all(count, len(pieces), what)} are {length} bytes long"


def _fixed(data: bytes, places: list[tuple[int, int]], why: str, check: FoundCheck | None) -> Framing | None:
    length = places[0][1] - places[0][0]
    fmt = FrameFormat("none", crc=None, max_payload=length)
    if check is not None:
        fmt = with_check(fmt, check, max_payload=length - check.code.check_bytes)
    elif any(begin % length for begin, _ in places):
        # Without a check nothing but the count of bytes tells where a frame begins, and here it does not.
        return None
    frames, rejected = cut(fmt, data)
    bits = LENGTH_BITS * len(places) + (check.bits if check else 0.0) + text_bits(frames) - SEARCH_BITS
    origin = why + ("" if check else "; without a check, a lost byte shifts all that follows")
    return Framing(fmt, tuple(frames), rejected, bits, (framing_note(fmt, origin, bits),), check)
