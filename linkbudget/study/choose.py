"""A message format chosen: every candidate measured, those that meet the requirements ranked, and why."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from html import escape
from typing import Any

from linkbudget.errors import TargetError
from linkbudget.link.directions import direction_of
from linkbudget.link.model import Link
from linkbudget.link.resolve import MeasureParser
from linkbudget.study.choose_candidates import Format, LeftOut, candidates, present_format
from linkbudget.study.choose_figures import Candidate, NotExpressible, Scales, receive_cost_us
from linkbudget.study.choose_ranking import Miss, front_of, nearest_miss, order_key, stands_back
from linkbudget.study.choose_reasons import choice_reasons, missed_text, size_text
from linkbudget.study.entropy import Entropy, link_entropy
from linkbudget.study.recorded import RecordedMessages, recorded_messages
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import format_us

__all__ = ["RULES", "FormatChoice", "choose_format"]

Progress = Callable[[int, int], None]

RULES = {
    "order": (
        "with a check before without, unless [require] bounds undetected_per_year or misread_per_year and "
        "they are known; then typical wire time, longest, undetected_per_year, bytes_lost, misread_per_year"
    ),
    "bytes": (
        "least of any message, mean over messages as often as they are sent, most of any; with a capture the "
        "mean is that of the recorded messages, as they were for the present format, else written anew; "
        "without one it is of typical messages, with the escapes (slip, hdlc) of messages spread over ranges"
    ),
    "wire_time_us": "bytes * bits per character / baud rate, and the sender's gap between characters",
    "utilisation": "sum over the direction's messages of rate * wire time",
    "precision": "steps: half a step, step / sqrt(12); floats: half the distance at the largest magnitude",
    "undetected_per_year": (
        "frames a year * P(a bit of the frame is flipped) * share that passes: 2^-r with a check of r bits, "
        "or what passes of flips in frames longer than the order of the CRC where that is more; "
        "without one what passes of all single flips tried on sample frames"
    ),
    "misread_per_year": "undetected_per_year * share of them that the decoder accepts with another value",
    "bytes_lost": "until the next delimiter; counted: the frame, or without a check what its length claims",
    "age_us": (
        "the budget's bound on the age at use with the parser costs of the link file, which are those of the "
        "present format; null: no bound, or messages to the module, of which nothing is said"
    ),
    "receive_cost_us": (
        "[parser] on a typical message, for the present format; where it is measured for the first two, too; "
        "null: not known"
    ),
    "sender_must_change": "unless sample messages have the same bytes as at present",
    "over_limit_bits": (
        "8 * typical bytes - limit of theory; without a capture 8 * most, since ranges alone limit only the "
        "longest message"
    ),
    "on_front": "no other candidate is at least as good in every numeric column and better in one",
}


@dataclass(frozen=True, eq=False)
class FormatChoice:
    """The candidates of one direction of a link, measured and ranked.

    ``ranked`` meet every requirement that a format decides, best first; ``missed`` do not, nearest first. The
    order is by typical wire time, those without a check behind the others; a bound on ``undetected_per_year``
    or ``misread_per_year`` in ``[require]`` decides about checks instead (`linkbudget.study.choose_ranking`).
    ``present`` is one of them. ``left_out`` cannot carry the messages, each with its reason; ``reasons`` say
    in sentences why the first is first. ``limit`` says how few bits a message needs in theory. ``recorded``
    counts the messages of the capture, 0 without one. Every figure is of the model.
    """

    link: Link
    direction: str
    ranked: tuple[Candidate, ...]
    missed: tuple[Candidate, ...]
    present: Candidate
    left_out: tuple[LeftOut, ...]
    limit: Entropy
    recorded: int
    reasons: tuple[str, ...]
    warnings: tuple[str, ...] = ()

    @property
    def first(self) -> Candidate | None:
        """The first candidate; None when none meets the requirements."""
        return self.ranked[0] if self.ranked else None

    @property
    def candidates(self) -> tuple[Candidate, ...]:
        """All candidates, those that meet the requirements first."""
        return self.ranked + self.missed

    @property
    def front(self) -> tuple[Candidate, ...]:
        """The candidates that none beats in every respect, of those ranked (of all when none is)."""
        return tuple(candidate for candidate in self.candidates if candidate.on_front)

    @property
    def nearest_miss(self) -> Miss | None:
        """What the nearest candidate misses by most, when none meets the requirements."""
        found = nearest_miss(self.missed) if not self.ranked else None
        return found[1] if found else None

    @property
    def verdict(self) -> str:
        """The choice in one sentence."""
        first = self.first or self.missed[0]
        sizes = f"{size_text(first)} bytes"
        if first is not self.present:
            sizes += f" instead of {size_text(self.present)}"
        times = _wire(first) if first is self.present else f"{_wire(first)} instead of {_wire(self.present)}"
        told = f"{first.name}: {sizes}, {times} on the wire"
        miss = self.nearest_miss
        if miss is not None:
            return f"No candidate meets every requirement. Nearest: {told}; {missed_text(miss)}."
        return f"{told}{', as it is' if first is self.present else ''}."

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON of ``choose``; times in microseconds.

        ``verdict``, ``direction``, ``first``, ``present``, ``recorded_messages``, ``checked_first``,
        ``candidates`` (every figure of each), ``left_out``, ``limit``, ``nearest_miss``, ``reasons``,
        ``requirements``, ``rules`` (how each figure is reckoned) and ``warnings``.
        """
        miss = self.nearest_miss
        return {
            "verdict": self.verdict,
            "direction": self.direction,
            "first": self.first.name if self.first else None,
            "present": self.present.name,
            "recorded_messages": self.recorded,
            "checked_first": any(map(stands_back, self.candidates)),
            "candidates": [
                {"rank": rank if rank <= len(self.ranked) else None, **candidate.to_dict()}
                for rank, candidate in enumerate(self.candidates, 1)
            ],
            "left_out": [one.to_dict() for one in self.left_out],
            "limit": self.limit.to_dict(),
            "nearest_miss": miss.to_dict() if miss else None,
            "reasons": list(self.reasons),
            "requirements": self.require(),
            "rules": dict(RULES),
            "warnings": list(self.warnings),
        }

    def require(self) -> list[dict[str, Any]]:
        """Return the requirements of the first candidate, or of the nearest, as rows."""
        return [row.to_dict() for row in (self.first or self.missed[0]).requirements]

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{escape(one.name)}</td><td>{size_text(one)}</td><td>{_wire(one)}</td></tr>"
            for one in self.candidates[:20]
        )
        head = "<tr><th>format</th><th>bytes</th><th>on the wire</th></tr>"
        return f"<table><caption>{escape(self.verdict)}</caption>{head}{rows}</table>"


def _wire(candidate: Candidate) -> str:
    return format_us(float(candidate.wire_time.typical) * 1e6)


def choose_format(
    link: Link,
    capture: ByteCapture | None = None,
    *,
    direction: str | None = None,
    measure: MeasureParser | None = None,
    progress: Progress | None = None,
) -> FormatChoice:
    """Return the formats a direction of a link could have, ranked, with the reasons for the first.

    Ranked by typical wire time; formats without a check come behind those with one, unless ``[require]``
    bounds ``undetected_per_year`` or ``misread_per_year`` (and the line has a bit error rate to judge it by).
    With a ``capture`` typical sizes are those of its messages, written anew in each candidate, and the limit
    of theory is estimated from them. ``direction``: default to the controller, where there are messages.
    ``measure`` gives the edits of ``[parser]`` for a link in another format; it is asked for the first two.
    ``progress`` is called with (candidates done, candidates in all). Raises `CaptureError` when no message of
    the link is in the capture, `SettingsError` for a direction without messages.

    >>> from linkbudget import Link
    >>> choice = choose_format(Link.load("captures/bean-frames.toml"))
    >>> choice.first.name, float(choice.first.bytes.maximum)
    ('packed-bits (joined) in counted with CRC-8/AUTOSAR', 10.0)
    """
    direction = direction_of(link, direction)
    recorded = recorded_messages(link, capture, direction) if capture is not None else None
    scales = Scales(link, direction, recorded)
    limit = link_entropy(link, direction, recorded, scales.shares)
    formats, left_out = candidates(link, direction)
    present = scales.measure(present_format(link, direction), limit.limit_bits)
    found = [present, *_measured(scales, formats, left_out, limit.limit_bits, progress)]
    ranked, missed = _ordered(found)
    if measure is not None and direction == "to-controller":
        ranked, missed = _with_costs(ranked, measure), missed if ranked else _with_costs(missed, measure)
    present = next(one for one in (*ranked, *missed) if one.format.present)
    return FormatChoice(
        link=link,
        direction=direction,
        ranked=ranked,
        missed=missed,
        present=present,
        left_out=tuple(left_out),
        limit=limit,
        recorded=len(recorded.messages) if recorded else 0,
        reasons=tuple(choice_reasons(link, ranked, missed, present)),
        warnings=(*_warnings(link, scales, recorded, capture, limit), *_bounds([*ranked, *missed])),
    )


def _with_costs(ones: tuple[Candidate, ...], measure: MeasureParser) -> tuple[Candidate, ...]:
    """Return candidates of which the first two have a receive cost, where their parser can be measured."""
    return (*(_with_cost(one, measure) for one in ones[:2]), *ones[2:])


def _with_cost(one: Candidate, measure: MeasureParser) -> Candidate:
    if one.format.present:
        return one
    try:
        link = one.format.link.replace(**measure(one.format.link))
    except TargetError:
        return one
    return replace(one, receive_cost_us=receive_cost_us(link, one.bytes.typical))


def _measured(
    scales: Scales,
    formats: list[Format],
    left_out: list[LeftOut],
    limit_bits: float,
    progress: Progress | None,
) -> Iterator[Candidate]:
    """Yield every candidate measured; a way to write that a recorded message does not fit is left out."""
    impossible: set[str] = set()
    for done, made in enumerate(formats, 1):
        if progress is not None:
            progress(done, len(formats))
        if made.writing in impossible:
            continue
        try:
            yield scales.measure(made, limit_bits)
        except NotExpressible as error:
            impossible.add(made.writing)
            left_out.append(LeftOut(made.writing, str(error)))


def _ordered(found: list[Candidate]) -> tuple[tuple[Candidate, ...], tuple[Candidate, ...]]:
    """Return those that meet the requirements, best first, and the others; the front marked."""
    ranked = sorted((one for one in found if one.meets), key=order_key)
    missed = sorted((one for one in found if not one.meets), key=order_key)
    judged = ranked or missed
    judged = [
        replace(one, on_front=on)
        for one, on in zip(judged, front_of([c.figures() for c in judged]), strict=True)
    ]
    if ranked:
        return tuple(judged), tuple(missed)
    nearest = nearest_miss(judged)
    if nearest is None:
        return (), tuple(judged)
    return (), (nearest[0], *(one for one in judged if one is not nearest[0]))


def _longer_than_described(link: Link, recorded: RecordedMessages, direction: str) -> Iterator[str]:
    codec = link.codec(direction)
    for message in codec.messages:
        sizes = [one.frame_bytes for one in recorded.of(message.name)]
        most = codec.size(message.name).maximum
        if sizes and max(sizes) > most:
            yield (
                f"recorded {message.name!r} take up to {max(sizes)} bytes, and the link describes {most} at "
                "most: they are sent with blanks, more digits or keys than it says"
            )


def _bounds(found: Sequence[Candidate]) -> Iterator[str]:
    open_ones = [candidate.name for candidate in found if not candidate.bytes_exact]
    if open_ones:
        others = f" and {len(open_ones) - 1} more" if len(open_ones) > 1 else ""
        yield (
            f"least and most bytes of {open_ones[0]}{others} of {len(found)} candidates are bounds: no frame "
            "is outside, but whether one is as small and one as large is not proved"
        )


def _warnings(
    link: Link,
    scales: Scales,
    recorded: RecordedMessages | None,
    capture: ByteCapture | None,
    limit: Entropy,
) -> Iterator[str]:
    yield from capture.warnings if capture is not None else ()
    yield from recorded.warnings if recorded is not None else ()
    yield from _longer_than_described(link, recorded, scales.direction) if recorded is not None else ()
    if not link.bit_error_rate:
        yield "line.bit_error_rate is not given: nothing is said of undetected and misread frames"
    for name, rate in scales.rates.items():
        if rate is None:
            yield f"message {name!r} has no rate: it is left out of utilisation, and of frames a year"
    if link.parser.measure is not None:
        yield "the parser has yet to be measured: ages are those of a parser that takes no time"
    if not link.loop.described and scales.direction == "to-controller":
        yield "there is no [loop]: ages end with the last byte"
    yield from limit.warnings
