"""A frame format and its messages attacked: what damage is noticed, what is believed, what is lost after it.

Frames of sample messages are damaged in every way of `linkbudget.study.attacks`, intact frames follow, and
the direction's own receiver and decoder take it all. Each trial ends in one of four ways, tested in this
order:

*misread*: a message was accepted that nobody sent. *passed*: a payload that nobody sent passed the check (and
the length), and no message could be made of it: the layout was the last defence. *unharmed*: the message that
was hit arrived with its value (escapes and white space can be written in more than one way). *detected*: it
was refused or not seen at all.

Beside that, frames *lost after* the damage: intact ones that were not delivered, because the receiver had
lost its place. Nothing is looked up: a check that lets frames run together is found by letting them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from html import escape
from random import Random
from typing import TYPE_CHECKING, Any

from linkbudget.budget.arrivals import message_rates
from linkbudget.errors import Fault, SettingsError, unknown_name
from linkbudget.link.requirements import requirement_rows
from linkbudget.study.attacks import ATTACKS, Attack, Target
from linkbudget.study.risk import (
    PayloadReader,
    Risk,
    flips_per_frame,
    tried_risk,
)
from linkbudget.study.samples import spread, varied_values
from linkbudget.study.trials import Sample, outcomes
from linkbudget.units import exact

if TYPE_CHECKING:
    from linkbudget.codec import Codec
    from linkbudget.link.model import Link
    from linkbudget.link.requirements import Requirement

__all__ = ["AttackResult", "FrameStress", "stress_frames"]

MOST_FINDINGS = 3
"""Kinds of damage told of one by one."""
VARIED = 6
"""Values made for each message, beside the smallest, the typical and the largest."""
MOST_TRIALS = 50_000
"""Trials of one attack unless told otherwise: all pairs of bits of frames of up to 39 bytes."""


@dataclass(frozen=True)
class AttackResult:
    """What one kind of damage led to.

    ``tried`` = ``detected`` + ``unharmed`` + ``passed`` + ``misread``. ``everything``: no damage of the kind
    was left out on the samples. ``lost_after_max`` and ``lost_after_mean``: intact frames not delivered after
    the damage; ``lost_after_is_least`` says that the receiver had not found its place when the trial ended.
    ``example``: the first misread (or passed) stream as sent and received, with what it was read as.
    """

    name: str
    words: str
    tried: int = 0
    detected: int = 0
    unharmed: int = 0
    passed: int = 0
    misread: int = 0
    everything: bool = True
    lost_after_max: int = 0
    lost_after_mean: float = 0.0
    lost_after_is_least: bool = False
    example: Mapping[str, Any] | None = None

    @property
    def undetected(self) -> int:
        """Trials in which a payload that nobody sent passed the check: passed and misread."""
        return self.passed + self.misread

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form: the fields, ``undetected``, and the shares of trials."""
        shares = {
            f"{what}_share": getattr(self, what) / self.tried if self.tried else None
            for what in ("undetected", "misread")
        }
        example = None if self.example is None else dict(self.example)
        return {**vars(self), "undetected": self.undetected, **shares, "example": example}


@dataclass(frozen=True)
class FrameStress:
    """A direction of a link under attack.

    ``delimiting`` and ``check`` are those of its frames, ``check_bits`` the width of the check; ``attacks``
    are the results, one for each kind of damage. ``samples``: messages that were hit, drawn or ``recorded``;
    ``frame_bytes``: smallest and largest of them. ``findings`` says in sentences what a reader should know
    first. ``undetected_per_year`` and ``misread_per_year`` are reckoned as `choose_format` does (see
    `linkbudget.study.risk`): for flipped bits at the line's bit error rate, None without one or without
    message rates.
    """

    direction: str
    delimiting: str
    check: str | None
    check_bits: int
    samples: int
    recorded: bool
    frame_bytes: tuple[int, int]
    attacks: tuple[AttackResult, ...]
    findings: tuple[str, ...]
    undetected_per_year: float | None = None
    misread_per_year: float | None = None
    requirements: tuple[Requirement, ...] = ()

    def attack(self, name: str) -> AttackResult:
        """Return the result of one attack; `SettingsError` names those there are."""
        for result in self.attacks:
            if result.name == name:
                return result
        raise SettingsError(unknown_name("attack", name, [result.name for result in self.attacks]))

    @property
    def tried(self) -> int:
        """Trials of all attacks."""
        return sum(result.tried for result in self.attacks)

    @property
    def misread(self) -> int:
        """Misread messages of all attacks."""
        return sum(result.misread for result in self.attacks)

    @property
    def undetected(self) -> int:
        """Trials of all attacks in which something that nobody sent passed the check."""
        return sum(result.undetected for result in self.attacks)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "direction": self.direction,
            "delimiting": self.delimiting,
            "check": self.check,
            "check_bits": self.check_bits,
            "samples": self.samples,
            "recorded": self.recorded,
            "frame_bytes": {"minimum": self.frame_bytes[0], "maximum": self.frame_bytes[1]},
            "tried": self.tried,
            "undetected": self.undetected,
            "misread": self.misread,
            "undetected_per_year": self.undetected_per_year,
            "misread_per_year": self.misread_per_year,
            "attacks": [result.to_dict() for result in self.attacks],
            "findings": list(self.findings),
            "requirements": [row.to_dict() for row in self.requirements],
        }

    def require(self) -> list[dict[str, Any]]:
        """Return what the link requires of undetected and misread frames, as rows."""
        return [row.to_dict() for row in self.requirements]

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{escape(one.words)}</td><td>{one.tried}</td><td>{one.detected}</td>"
            f"<td>{one.unharmed}</td>"
            f"<td>{one.passed}</td><td>{one.misread}</td><td>{one.lost_after_max}</td></tr>"
            for one in self.attacks
        )
        head = "".join(
            f"<th>{word}</th>"
            for word in ("", "tried", "detected", "unharmed", "passed", "misread", "lost after")
        )
        caption = f"Frames {escape(self.direction)} attacked: {self.misread} of {self.tried} misread"
        return f"<table><caption>{caption}</caption><tr>{head}</tr>{rows}</table>"


def stress_frames(
    link: Link,
    direction: str = "to-controller",
    recorded: Sequence[bytes] | None = None,
    *,
    attacks: Sequence[str] | None = None,
    seed: int = 0,
    most_trials: int = MOST_TRIALS,
    progress: Callable[[int, int], None] | None = None,
) -> FrameStress:
    """Attack the frames of one direction of a link, on values of its messages.

    Sample messages are the smallest, the typical and the largest of each layout and some more; with
    ``recorded``, payloads of a recording (those that are no message of the link are left out), these instead.
    ``most_trials`` of one attack are made, whole messages at a time and one at least; pairs of flipped bits
    are all tried where they are no more, else so many are drawn. ``attacks``: names out of
    `linkbudget.study.attacks.ATTACKS`, default all. What an attack draws is drawn by ``seed``. ``progress``
    is called with the kinds of damage done and all of them. Raises `SettingsError` for a direction without
    messages and for unknown names.
    """
    codec = link.codec(direction)
    chosen = _chosen(attacks)
    read = PayloadReader(codec)
    chance = Random(seed)
    different = list(dict.fromkeys(one for one in recorded or () if read(one)))
    payloads = _made(codec) if recorded is None else spread(different, 3 + VARIED)
    if not payloads:
        problem = f"none of the recorded frames is a message that goes {direction}"
        raise SettingsError(Fault("capture", None, problem=problem))
    results = []
    for number, attack in enumerate(chosen):
        results.append(_attacked(codec, attack, payloads, link.line.bytesize, read, chance, most_trials))
        if progress is not None:
            progress(number + 1, len(chosen))
    risk = _risk(link, codec, read)
    sizes = [len(codec.fmt.encode(payload)) for payload in payloads]
    check = codec.fmt.check
    values = {
        "undetected_per_year": risk.undetected_per_year if risk else None,
        "misread_per_year": risk.misread_per_year if risk else None,
    }
    rows = requirement_rows(
        {name: limit for name, limit in link.require.items() if name in values},
        values,
        [message.layout for message in codec.messages],
    )
    return FrameStress(
        direction=direction,
        delimiting=codec.fmt.delimiting,
        check=None if check is None else check.name,
        check_bits=0 if check is None else check.width,
        samples=len(payloads),
        recorded=recorded is not None,
        frame_bytes=(min(sizes), max(sizes)),
        attacks=tuple(results),
        findings=tuple(findings(codec, results)),
        requirements=rows,
        **values,
    )


def _chosen(names: Sequence[str] | None) -> list[Attack]:
    known = {attack.name: attack for attack in ATTACKS}
    wrong = [name for name in names or () if name not in known]
    if wrong:
        raise SettingsError([unknown_name("attack", name, known) for name in wrong])
    return [attack for attack in ATTACKS if names is None or attack.name in names]


def _made(codec: Codec) -> list[bytes]:
    found: list[bytes] = []
    for message in codec.messages:
        values = [codec.attain(message.name, which) for which in ("typical", "minimum", "maximum")]
        values += map(dict, varied_values(message.layout, VARIED))
        for value in values:
            payload = codec.encode_payload(message.name, value)
            if len(payload) <= codec.fmt.max_payload and payload not in found:
                found.append(payload)
    return found


def _attacked(
    codec: Codec,
    attack: Attack,
    payloads: Sequence[bytes],
    bits: int,
    read: PayloadReader,
    chance: Random,
    most: int,
) -> AttackResult:
    count = dict.fromkeys(("detected", "unharmed", "passed", "misread"), 0)
    lost = lost_max = 0
    least, everything = False, True
    example: dict[str, Any] | None = None
    believed = False
    for hit in range(len(payloads)):
        tried = sum(count.values())
        if hit and tried + tried // hit > most:
            everything = False
            break
        sample = Sample(codec.fmt, payloads, hit, read)
        target = Target(
            codec.fmt, (sample.frames[0], sample.frames[1], sample.frames[2]), min(bits, 8), most, chance
        )
        everything = everything and attack.everything(target)
        made = (sample.trial(damage.data, damage.frames) for damage in attack.make(target))
        for trial, outcome in outcomes(codec.fmt, (one for one in made if one is not None), read):
            count[outcome.kind] += 1
            lost += outcome.lost
            lost_max = max(lost_max, outcome.lost)
            least = least or not outcome.settled
            telling = outcome.kind == "misread" or (outcome.kind == "passed" and example is None)
            if telling and not believed:
                believed = outcome.kind == "misread"
                example = {
                    "sent_hex": b"".join(sample.frames[: trial.hit]).hex(),
                    "received_hex": trial.data.hex(),
                    "payload_hex": (outcome.strange or b"").hex(),
                    "message": outcome.read[0] if outcome.read else None,
                    "value": dict(outcome.read[1]) if outcome.read else None,
                }
    tried = sum(count.values())
    return AttackResult(
        attack.name,
        attack.words,
        tried,
        **count,
        everything=everything,
        lost_after_max=lost_max,
        lost_after_mean=lost / tried if tried else 0.0,
        lost_after_is_least=least,
        example=example,
    )


def _risk(link: Link, codec: Codec, read: PayloadReader) -> Risk | None:
    """Return what single flips do in a year, as `choose` reckons it; None without error rate or rates."""
    error_rate = float(link.bit_error_rate)
    rates = message_rates(link)
    total = Risk(0.0, 0.0)
    for message in codec.messages:
        rate = rates[message.name]
        if not error_rate or rate is None:
            return None
        payload = codec.encode_payload(message.name, codec.attain(message.name, "typical"))
        trial = partial(flips_per_frame, payloads=[payload], read=read, bytesize=link.line.bytesize)
        size = exact(codec.size(message.name).typical)
        total += tried_risk(codec.fmt, trial, size, rate, link.line, error_rate)
    return total


def findings(codec: Codec, results: Sequence[AttackResult]) -> Iterator[str]:
    """Yield what a reader should know first, in sentences, from the results alone."""
    check = codec.fmt.check
    together = [
        one for one in results if one.name in {"delimiter-lost", "delimiters-lost"} and one.undetected
    ]
    if check is not None and codec.fmt.delimiter is not None and together:
        passed, tried = sum(one.undetected for one in together), sum(one.tried for one in together)
        text = f"frames that run together because a delimiter was lost pass {check.name}: {passed} of {tried}"
        if codec.fmt.runs_together:
            text += "; a good frame leaves its register where it started. Take one that starts elsewhere"
        if not any(one.misread for one in together):
            text += "; only the length of the messages gave them away"
        yield text
    if check is None:
        worst = max(results, key=lambda one: one.misread / one.tried if one.tried else 0.0)
        flips = next((one for one in results if one.name == "flip-1"), worst)
        yield (
            f"without a check {flips.misread} of {flips.tried} frames with {flips.words} were misread;"
            f" most with {worst.words}: {worst.misread} of {worst.tried}"
        )
        return
    # By chance one in 2 to the power of the width would pass; ten times that is no chance.
    others = [
        one
        for one in results
        if one not in together and one.undetected >= 3 and one.undetected > 10 * one.tried / 2**check.width
    ]
    others.sort(key=lambda one: -one.undetected / one.tried)
    for one in others[:MOST_FINDINGS]:
        yield f"{one.words}: {one.undetected} of {one.tried} passed {check.name}, {one.misread} were misread"
    if others[MOST_FINDINGS:]:
        yield f"more than by chance also: {', '.join(one.words for one in others[MOST_FINDINGS:])}"
