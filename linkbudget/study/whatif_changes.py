"""The changes that a what-if study tries, each alone: a closed list, made from what the link is now.

A change is a set of keys of the link file with new values, or a send policy. What cannot be tried on a link
is listed all the same, with the reason. Every value that nobody gave is an assumption and says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from linkbudget.errors import SettingsError, TargetError
from linkbudget.link.clock_margin import blamed, clock_margins, clock_notes, clocks_decide
from linkbudget.link.model import Link
from linkbudget.link.presets import receiver_numbers
from linkbudget.link.requirements import field_step, numeric_fields
from linkbudget.link.resolve import MeasureParser
from linkbudget.link.writer import link_table
from linkbudget.message.fields import Counter, Optional_
from linkbudget.study.choose_candidates import candidates, present_format
from linkbudget.study.policy_kinds import Moved, Policy
from linkbudget.study.resending import DIRECTION, Sending
from linkbudget.study.samples import spread
from linkbudget.units import Number, exact, format_us
from linkbudget.wire.receivers import ENVIRONMENTS, UARTS

if TYPE_CHECKING:
    from linkbudget.message.layout import MessageLayout

__all__ = ["BAUDRATES", "MAX_BAUDRATE", "Change", "builtin_changes", "with_costs"]

BAUDRATES = (9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600, 1_000_000, 2_000_000, 3_000_000)
# Common practice, no source: what most bridges, level shifters and drivers on a bench still carry.
MAX_BAUDRATE = 921_600
LAYOUT = ("packed-bits", "cobs", "CRC-16/IBM-3740")
MAX_TRIGGERS = 4
PRESENT_READING = "parser costs stay those measured for the present way of reading"
PRESENT_COSTS = "parser costs stay those of the present format: measure the new parser"


@dataclass(frozen=True)
class Change:
    """One change: ``edits`` maps key paths of the link file to values, ``sending`` is a send policy.

    ``kind`` says what is changed; of two changes of a kind only one can be made. ``cost`` says in words what
    the change asks for, ``notes`` what was assumed. ``reason``, when there is one, says why it cannot be
    tried.
    """

    name: str
    kind: str
    edits: Mapping[str, Any] = field(default_factory=dict)
    sending: Sending | None = None
    cost: str = ""
    notes: tuple[str, ...] = ()
    reason: str = ""


def _not(name: str, kind: str, reason: str) -> Change:
    return Change(name, kind, reason=reason)


def builtin_changes(
    link: Link, *, max_baudrate: Number | None = None, sendings: Sequence[Sending] | None = None
) -> list[Change]:
    """Return the list for a link. ``sendings``: policies to try in place of those made from the layouts.

    ``max_baudrate``: highest baud rate; by default what the clocks of both ends allow where the link
    describes them, else `MAX_BAUDRATE`.
    """
    found = list(_rates(link, max_baudrate))
    for made in _KINDS:
        found += made(link)
    return found + list(_policies(link, sendings))


def _rates(link: Link, stated: Number | None) -> Iterator[Change]:
    limit = stated
    if limit is None:
        limit = max(BAUDRATES) if clocks_decide(link) else MAX_BAUDRATE
    now = exact(link.line.baudrate)
    higher = [rate for rate in BAUDRATES if now < rate <= limit]
    if not higher:
        reason = f"no standard rate lies above {link.line.baudrate} and up to the stated limit of {limit}"
        yield _not("higher baud rate", "baud rate", reason)
    unjudged = f"up to a stated limit of {limit} baud; whether clocks and wires carry it was not judged"
    for rate in higher:
        name, edits = f"{rate} baud", {"line.baudrate": rate}
        reason, notes = _clocks_at(link, edits)
        if reason:
            yield _not(name, "baud rate", reason)
        else:
            cost = "both ends set another rate"
            yield Change(name, "baud rate", edits, cost=cost, notes=notes or (unjudged,))


def _clocks_at(link: Link, edits: Mapping[str, Any]) -> tuple[str, tuple[str, ...]]:
    """Return why the clocks of a link cannot do another rate, and what they leave of the margin if they can.

    Nothing of either for a link that describes no clock.
    """
    if not clock_margins(link):
        return "", ()
    try:
        faster = link.replace(**edits)
    except SettingsError as error:
        return "; ".join(fault.problem for fault in error.faults), ()
    direction, tightest = min(clock_margins(faster).items(), key=lambda row: row[1].left)
    off, holds = (f"{100 * float(abs(value)):.2f}%" for value in (tightest.total_error, tightest.limit))
    if not tightest.ok:
        why = f"the clocks would differ by {off}, and {holds} is tolerated; to blame: "
        return why + blamed(direction, tightest), ()
    told = f"the clocks differ by {off} of the {holds} tolerated; whether wires carry the rate was not judged"
    return "", (told, *clock_notes(link))


def _layout(link: Link) -> Iterator[Change]:
    writing, delimiting, check = LAYOUT
    name = f"{writing}/{delimiting}/{check.partition('/')[0]}"
    full = f"{writing} in {delimiting} with {check}"
    formats, left_out = candidates(link, DIRECTION)
    wanted = next((one for one in formats if one.name == full), None)
    if wanted is not None:
        yield Change(
            name,
            "format",
            _edits_to(link, wanted.link),
            cost="both ends write and read another format",
            notes=(f"{full}; {PRESENT_COSTS}",),
        )
    elif present_format(link, DIRECTION).name == full:
        yield _not(name, "format", "the link has it already")
    else:
        told = [one.reason for one in left_out if one.name in (writing, f"{writing} in {delimiting}")]
        yield _not(name, "format", told[0] if told else "the link has it already, but for a size limit")


def with_costs(link: Link, change: Change, measure: MeasureParser | None) -> Change:
    """Return a change of the format with the costs of its own parser, where those can be measured.

    Another way of reading keeps the costs of the present one, and says so: with numbers of its own it could
    not be made together with another format.
    """
    if measure is None or not change.edits or change.reason:
        return change
    try:
        edited = link.replace(**change.edits)
    except SettingsError:
        return change  # its row says why it cannot be tried
    if change.kind != "format":
        if edited.reading.one_by_one == link.reading.one_by_one:
            return change
        return replace(change, notes=(*change.notes, PRESENT_READING))
    try:
        costs = measure(edited)
    except TargetError as error:
        return replace(change, notes=(*change.notes, f"not measured: {error}"))
    told = f"parser costs {costs['parser.source']}"
    notes = tuple(one.replace(PRESENT_COSTS, told) for one in change.notes)
    return replace(change, edits={**change.edits, **costs}, notes=notes)


def _edits_to(old: Link, new: Link) -> dict[str, Any]:
    """Return the edits that give a link the messages and frames of another one."""
    before, after = link_table(old), link_table(new)
    # A direction without messages has no use for a format of its own.
    both = len({message.direction for message in new.messages}) > 1
    edits: dict[str, Any] = {"frame": after["frame"] if both else new.frames[DIRECTION].to_dict()}
    for number, (one, other) in enumerate(zip(before["message"], after["message"], strict=True)):
        for key in {**one, **other}:
            if one.get(key) != other.get(key):
                edits[f"message[{number}].{key}"] = other.get(key)
    return edits


def _push_parser(link: Link) -> Iterator[Change]:
    name, kind = "push parser", "parser"
    parser = link.parser
    if not (parser.message_byte_us or parser.pause_us):
        reason = "[parser] has neither message_byte_us nor pause_us: the present parser may be one already"
        yield _not(name, kind, reason)
        return
    byte_us = _number(exact(parser.byte_us) + exact(parser.message_byte_us) / 4)
    message_us = _number(exact(parser.message_us) / 5)
    edits = {
        "parser.byte_us": byte_us,
        "parser.message_us": message_us,
        "parser.message_byte_us": None,
        "parser.pause_us": None,
        "parser.pause_every_bytes": None,
        "parser.source": "assumed by a what-if study",
    }
    told = (
        f"costs assumed, no source: byte_us = byte_us + message_byte_us / 4 = {byte_us}, message_us / 5 = "
        f"{message_us}, nothing decoded at the end, no pauses; a change of this name with costs of your own "
        "replaces it"
    )
    yield Change(name, kind, edits, cost="a parser that picks the values out byte by byte", notes=(told,))


def _strategies(link: Link) -> Iterator[Change]:
    now, codec = link.reading, link.codec(DIRECTION)
    longest = max(codec.size(message.name).maximum for message in codec.messages)
    limits = sorted({max(1, longest // 4), max(1, longest // 2), longest, 2 * longest})
    wait = link.loop.period_us or link.loop.deadline_us
    ways: list[tuple[str, dict[str, Any], tuple[str, ...]]] = [
        ("read everything", {"reading.strategy": "everything"}, ()),
        ("read a snapshot", {"reading.strategy": "snapshot"}, ()),
        *(
            (f"read at most {limit} bytes", {"reading.strategy": "at-most", "reading.limit_bytes": limit}, ())
            for limit in limits
        ),
        (
            "read whole messages",
            {"reading.strategy": "whole-message", "reading.timeout_us": now.timeout_us or wait},
            () if now.timeout_us else (f"time-out assumed: {format_us(float(wait or 0))}, the period",),
        ),
        ("read the newest only", *_newest(link)),
    ]
    for name, edits, notes in ways:
        same = now.strategy == edits["reading.strategy"]
        if same and now.strategy == "at-most":
            same = now.limit_bytes == edits["reading.limit_bytes"]
        if same:
            yield _not(name, "strategy", "the link has it already")
        else:
            yield Change(name, "strategy", edits, cost="the reading step of the loop", notes=notes)


def _newest(link: Link) -> tuple[dict[str, Any], tuple[str, ...]]:
    edits: dict[str, Any] = {"reading.strategy": "newest"}
    notes = []
    if not link.reading.skip_byte_us and link.parser.byte_us:
        edits["reading.skip_byte_us"] = link.parser.byte_us
        notes.append(f"a byte passed over is assumed to cost byte_us = {link.parser.byte_us}")
    events = [message.name for message in link.messages_of(DIRECTION) if message.use == "every"]
    if events:
        notes.append(f"passes over messages of which every one is wanted: {', '.join(events)}")
    return edits, tuple(notes)


def _contexts(link: Link) -> Iterator[Change]:
    for context, name, cost in (
        ("first", "read before the work", "the order within a pass"),
        ("last", "read after the work", "the order within a pass"),
        ("own-core", "read on a core of its own", "a second core, and what the two share"),
    ):
        if link.reading.context == context:
            yield _not(name, "context", "the link has it already")
        else:
            yield Change(name, "context", {"reading.context": context}, cost=cost)


def _numbers(link: Link) -> dict[str, Any]:
    return receiver_numbers(link.receiver, link.line)[0]


def _buffers(link: Link) -> Iterator[Change]:
    numbers = _numbers(link)
    if numbers["mode"] == "polled":
        yield _not("larger buffer", "buffer", "a polled receiver has no software buffer")
        return
    environment = ENVIRONMENTS.get(link.receiver.environment or "")
    most = environment.buffer_range[1] if environment and environment.buffer_range else None
    for times in (2, 4):
        size = times * numbers["buffer_bytes"]
        name = f"buffer of {size} bytes"
        if most is not None and size > most:
            yield _not(name, "buffer", f"{link.receiver.environment} takes up to {most}")
        else:
            yield Change(name, "buffer", {"receiver.buffer_bytes": size}, cost="memory of the controller")


def _triggers(link: Link) -> Iterator[Change]:
    numbers, name = _numbers(link), "other FIFO trigger"
    if numbers["mode"] != "interrupt":
        yield _not(name, "trigger", f'mode = "{numbers["mode"]}" has no FIFO interrupt')
        return
    row = UARTS.get(link.receiver.uart or "")
    depth, now = numbers["fifo_bytes"], numbers["trigger_bytes"]
    levels: Sequence[int] = row.trigger_levels if row and row.trigger_levels else ()
    notes = () if levels else ("levels assumed: 1, half and all of the FIFO",)
    levels = levels or (1, depth // 2, depth)
    others = sorted({level for level in levels if 0 < level <= depth and level != now})
    if not others:
        yield _not(name, "trigger", f"a FIFO of {depth} has no level but {now}")
    for level in spread(others, MAX_TRIGGERS):
        edits = {"receiver.trigger_bytes": level}
        yield Change(
            f"trigger at {level} bytes", "trigger", edits, cost="a setting of the driver", notes=notes
        )


def _dma(link: Link) -> Iterator[Change]:
    numbers = _numbers(link)
    if numbers["mode"] == "dma":
        yield _not("DMA", "transfer", "the link has it already")
        return
    edits: dict[str, Any] = {"receiver.mode": "dma"}
    notes = []
    if not numbers["buffer_bytes"]:
        edits["receiver.buffer_bytes"] = 256
        notes.append("buffer assumed: 256 bytes")
    if numbers["visible"] == "at-once":
        notes.append('bytes are assumed to be seen at once (visible = "at-once")')
    yield Change("DMA", "transfer", edits, cost="a DMA channel and its driver", notes=tuple(notes))


def _handler(link: Link) -> Iterator[Change]:
    name, kind, receiver = "handler twice as fast", "handler", link.receiver
    costs = {f"receiver.{key}": getattr(receiver, key) for key in ("interrupt_entry_us", "interrupt_byte_us")}
    mode = _numbers(link)["mode"]
    if mode == "polled":
        yield _not(name, kind, "a polled receiver has no handler")
    elif not any(costs.values()):
        yield _not(name, kind, "the link gives the handler no cost")
    else:
        edits = {key: _number(exact(cost) / 2) for key, cost in costs.items() if cost}
        yield Change(name, kind, edits, cost="another handler", notes=("half of its cost is assumed",))


def _pauses(link: Link) -> Iterator[Change]:
    if not link.parser.pause_us:
        yield _not("no pauses", "pauses", "the link gives the parser no pauses")
        return
    edits = {"parser.pause_us": None, "parser.pause_every_bytes": None}
    yield Change("no pauses", "pauses", edits, cost="a parser that allocates nothing")


def _measured_dt(link: Link) -> Iterator[Change]:
    if not link.joints:
        yield _not("dt measured", "dt", "the link has no joint")
        return
    edits = {f"joint[{at}].dt": "measured" for at, joint in enumerate(link.joints) if joint.dt == "period"}
    if edits:
        yield Change("dt measured", "dt", edits, cost="the controller reads a clock")
    else:
        yield _not("dt measured", "dt", "the link has it already")


def _periods(link: Link) -> Iterator[Change]:
    loop = link.loop
    if loop.when_late == "free" or loop.period_us is None:
        yield _not("other period", "period", "a free loop has no period")
        return
    notes = ("deadline_us is given and stays",) if loop.deadline_us is not None else ()
    for numerator, denominator in ((1, 2), (3, 2), (2, 1)):
        period = _number(exact(loop.period_us) * numerator / denominator)
        name = f"period of {format_us(float(period))}"
        often = f"the joints are moved {denominator / numerator:.3g} times as often"
        yield Change(name, "period", {"loop.period_us": period}, cost=often, notes=notes)


def _policies(link: Link, given: Sequence[Sending] | None) -> Iterator[Change]:
    several = len(link.messages_of(DIRECTION)) > 1
    if given is None:
        made = {
            message.name: moved
            for message in link.messages_of(DIRECTION)
            if message.use == "newest" and (moved := _moved(message.layout)) is not None
        }
        named = {
            f"send what moved{f' of {name}' if several else ''}": Sending(name, moved)
            for name, moved in made.items()
        }
        if not named:
            reason = "no message is state (use = newest) with a numeric field"
            yield _not("send what moved", "send policy", reason)
    else:
        named = {f"send {one.policy.text}": one for one in given}
    for name, sending in named.items():
        yield Change(
            name,
            f"send policy of {sending.message}",
            sending=sending,
            cost="the sender decides what to send",
            notes=(f"{sending.policy.text}; mean age grows while nothing new is sent", *_off(sending.policy)),
        )


def _off(policy: Policy) -> Iterator[str]:
    """Yield how far off a controller may be that is not told everything; figures are those of the ages."""
    if isinstance(policy, Moved):
        yield "what the controller knows may be off by up to these bands, which no figure here counts"


def _moved(layout: MessageLayout) -> Moved | None:
    """Return the policy that sends what has moved by more than a step, or says another word."""
    numbers = numeric_fields(layout)
    bands: dict[str, Number] = {}
    for entry in layout.fields:
        inner = entry.field if isinstance(entry, Optional_) else entry
        if isinstance(inner, Counter):
            continue
        bands[inner.name] = field_step(inner) or 0 if inner.name in numbers else 0
    return Moved(bands) if any(name in numbers for name in bands) else None


def _number(value: Any) -> int | float:
    """Return an exact number as the link file holds it: whole where it is."""
    return int(value) if value == int(value) else float(value)


_KINDS: tuple[Callable[[Link], Iterator[Change]], ...] = (
    _layout,
    _push_parser,
    _strategies,
    _contexts,
    _buffers,
    _triggers,
    _dma,
    _handler,
    _pauses,
    _measured_dt,
    _periods,
)
