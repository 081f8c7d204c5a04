"""Both directions of a link on one clock: which answer belongs to which request, turnaround times, gaps.

The messages of each direction are read from its capture; on a shared pair one capture holds both, and a frame
belongs to the direction that has such a message. An answer (a message with ``on_request``) belongs to the
latest request of that name that ended before the answer starts and has no such answer yet; a request before
that one was not answered. Where times have windows, a turnaround time is known to an interval only.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from itertools import pairwise

from linkbudget.errors import CaptureError
from linkbudget.link.model import Link
from linkbudget.replay.figures import quantile
from linkbudget.replay.sent import SentFrame, sent_frames
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import format_count

__all__ = ["Exchanges", "Pair", "Seen", "pair_requests"]


@dataclass(frozen=True)
class Seen:
    """One message on the wire: start of its first character, end of its last, on the clock of the capture.

    ``window_ns`` says how much earlier it may have been.
    """

    direction: str
    name: str
    start_ns: int
    end_ns: int
    window_ns: int


@dataclass(frozen=True)
class Pair:
    """A request and its answer."""

    request: Seen
    answer: Seen

    @property
    def turnaround_ns(self) -> int:
        """The time from the end of the request to the start of the answer."""
        return self.answer.start_ns - self.request.end_ns

    @property
    def turnaround_between_ns(self) -> tuple[int, int]:
        """The shortest and the longest that it can have been, as far as the times are known."""
        shortest = self.turnaround_ns - self.answer.window_ns
        return max(0, shortest), self.turnaround_ns + self.request.window_ns


@dataclass(frozen=True)
class Exchanges:
    """The pairs of a recording in order of their answers, what found no partner, and the gaps on the wire.

    ``unanswered`` counts requests by name and ``unasked`` answers by name. ``gaps_ns`` is the silence between
    one message and the next; where messages of both directions are on the wire at once it is negative.
    """

    pairs: tuple[Pair, ...]
    unanswered: Mapping[str, int]
    unasked: Mapping[str, int]
    gaps_ns: tuple[int, ...]
    warnings: tuple[str, ...] = ()

    def turnaround_us(self, answer: str | None = None) -> dict[str, float | None]:
        """Return least, p50, p99 and max of the turnaround times, of one kind of answer or of all."""
        chosen = [pair for pair in self.pairs if answer in (None, pair.answer.name)]
        return spread_us([pair.turnaround_ns for pair in chosen])

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form.

        ``pairs`` counts answered requests; ``unanswered`` and ``unasked`` count by name; ``turnaround_us``
        is min, p50, p99 and max for each kind of answer, ``gaps_us`` those of the silence between messages,
        both known to ``uncertain_us``; ``overlaps`` counts messages that begin while another is on the wire.
        """
        answers = dict.fromkeys(pair.answer.name for pair in self.pairs)
        return {
            "pairs": len(self.pairs),
            "unanswered": dict(self.unanswered),
            "unasked": dict(self.unasked),
            "turnaround_us": {name: self.turnaround_us(name) for name in answers},
            "uncertain_us": max(map(uncertainty, self.pairs), default=0) / 1e3,
            "gaps_us": spread_us(self.gaps_ns),
            "overlaps": sum(1 for gap in self.gaps_ns if gap < 0),
            "warnings": list(self.warnings),
        }

    def _repr_html_(self) -> str:
        names = dict.fromkeys(pair.answer.name for pair in self.pairs)
        rows = "".join(
            f"<tr><td>{escape(name)}</td>"
            + "".join(
                f"<td>{value:,.1f}</td>" for value in self.turnaround_us(name).values() if value is not None
            )
            + "</tr>"
            for name in names
        )
        head = "<tr><th>answer</th><th>least</th><th>p50</th><th>p99</th><th>most</th></tr>"
        return f"<table><caption>Turnaround times in µs</caption>{head}{rows}</table>"


def uncertainty(pair: Pair) -> int:
    shortest, longest = pair.turnaround_between_ns
    return longest - shortest


def spread_us(values_ns: list[int] | tuple[int, ...]) -> dict[str, float | None]:
    """Return least, p50, p99 and max in microseconds, None of nothing."""
    if not values_ns:
        return dict.fromkeys(("min", "p50", "p99", "max"))
    middle = {f"p{percent}": quantile(values_ns, percent) / 1e3 for percent in (50, 99)}
    return {"min": min(values_ns) / 1e3, **middle, "max": max(values_ns) / 1e3}


def pair_requests(link: Link, to_module: ByteCapture, to_controller: ByteCapture | None = None) -> Exchanges:
    """Return the requests and answers of a link in captures of its two directions, on one clock.

    ``to_module`` and ``to_controller`` are the two captures. On a shared pair one holds both: give it alone.
    `CaptureError` when a direction shows no message of the link; requests need not be answered.
    """
    captures = {"to-module": to_module, "to-controller": to_controller or to_module}
    shared = to_controller is None
    seen: list[Seen] = []
    warnings: list[str] = []
    for direction, capture in captures.items():
        found, unreadable = messages_seen(link, capture, direction)
        if not found:
            told = f"no message {direction} of the link is intact in {len(capture):,} characters"
            raise CaptureError(capture.source or "the capture", "", f"{told}; expected one or more")
        if unreadable and not shared:
            frames = format_count(unreadable, "intact frame")
            warnings.append(f"{frames} {direction} without a message of the link")
        seen += found
    if shared:
        seen, ambiguous = told_apart(seen)
        warnings += ambiguous
    seen.sort(key=lambda message: (message.start_ns, message.end_ns))
    pairs, unanswered, unasked = paired(link, seen)
    gaps = tuple(after.start_ns - before.end_ns for before, after in pairwise(seen))
    return Exchanges(tuple(pairs), unanswered, unasked, gaps, tuple(warnings))


def told_apart(seen: list[Seen]) -> tuple[list[Seen], list[str]]:
    """Return the messages without those that fit a message of either direction, and what to say of these."""
    spans = Counter((message.start_ns, message.end_ns) for message in seen)
    kept = [message for message in seen if spans[message.start_ns, message.end_ns] == 1]
    both = sum(1 for count in spans.values() if count > 1)
    text = f"{format_count(both, 'frame')} fit a message of either direction and were left out"
    return kept, [text] if both else []


def messages_seen(link: Link, capture: ByteCapture, direction: str) -> tuple[list[Seen], int]:
    """Return the messages of one direction in a capture, and how many intact frames hold none of them."""
    if not link.messages_of(direction):
        return [], 0
    codec = link.codec(direction)
    frames = sent_frames(capture, codec.fmt, codec.decode_payload).frames
    zero = int(capture.start_times_ns[0]) if len(capture) else 0
    found = [seen_of(frame, direction, capture, zero) for frame in frames if frame.name is not None]
    return found, len(frames) - len(found)


def seen_of(frame: SentFrame, direction: str, capture: ByteCapture, zero: int) -> Seen:
    """Return a frame as a message on the wire."""
    windows = capture.window_ns
    window = 0 if windows is None else int(windows[frame.begin : frame.end].max())
    start, end = frame.start_ns + zero, frame.arrival_ns + zero
    return Seen(direction, str(frame.name), start, end, window)


def paired(link: Link, seen: list[Seen]) -> tuple[list[Pair], dict[str, int], dict[str, int]]:
    """Return the pairs, the requests without an answer, and the answers without a request."""
    asks = {message.name: message.on_request for message in link.messages if message.on_request}
    waiting: dict[str, list[Seen]] = {answer: [] for answer in asks}
    pairs: list[Pair] = []
    unanswered: Counter[str] = Counter()
    unasked: Counter[str] = Counter()
    for message in seen:
        for answer, request in asks.items():
            if request == message.name:
                waiting[answer].append(message)
        if message.name not in asks:
            continue
        ended = [request for request in waiting[message.name] if request.end_ns <= message.start_ns]
        if not ended:
            unasked[message.name] += 1
            continue
        pairs.append(Pair(ended[-1], message))
        unanswered.update(request.name for request in ended[:-1])
        waiting[message.name] = [request for request in waiting[message.name] if request not in ended]
    unanswered.update(request.name for requests in waiting.values() for request in requests)
    return pairs, dict(unanswered), dict(unasked)
