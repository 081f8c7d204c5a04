"""The control loop of a link: its passes, its reading step, what parsing costs, what else holds it up.

Field names equal the keys of the link file; the meaning of each is that of the receiver model.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, ClassVar

from linkbudget.errors import Fault
from linkbudget.link.keys import Key, NumberOrList, Section, Source, given_keys, missing
from linkbudget.units import Number, us_to_ns

__all__ = [
    "Busy",
    "Loop",
    "Parser",
    "Reading",
]


@dataclass(frozen=True)
class Loop(Section):
    """The control loop. `Loop()` says that no loop is described; a budget of the line alone needs none."""

    SECTION: ClassVar[str] = "loop"
    period_us: Annotated[Number | None, Key("Control period: time from release to release.", above=0)] = None
    phase_us: Annotated[
        Number, Key("First release, counted from the start of the first character.", minimum=0)
    ] = 0
    work_us: Annotated[
        NumberOrList,
        Key("Time a pass needs for everything but reading; a list is used in turn by the passes.", minimum=0),
    ] = 0
    deadline_us: Annotated[
        Number | None, Key("Time after its release by which a pass must end; default: the period.", above=0)
    ] = None
    when_late: Annotated[
        str,
        Key(
            "After a late pass: wait for the next release, start at once, or have no releases at all.",
            choices=("next-release", "at-once", "free"),
        ),
    ] = "next-release"
    source: Source = ""

    def cross_faults(self) -> list[Fault]:
        """Return the faults between keys: a period is needed, and ``free`` needs more."""
        faults = []
        if self.when_late == "free":
            if self.deadline_us is None:
                faults.append(
                    missing("deadline_us", 'a number above 0, since when_late = "free" has no releases')
                )
            work = self.work_us if isinstance(self.work_us, tuple) else (self.work_us,)
            if min(us_to_ns(part) for part in work) == 0:
                allowed = (
                    'at least 1 ns each, since with when_late = "free" a pass that takes no time never ends'
                )
                faults.append(Fault("work_us", self.work_us, allowed))
        elif self.period_us is None and given_keys(self):
            faults.append(missing("period_us", "a number above 0"))
        return faults

    @property
    def described(self) -> bool:
        """Return whether there is a loop at all."""
        return self.period_us is not None or self.when_late == "free"


@dataclass(frozen=True)
class Reading(Section):
    """The reading step of a pass."""

    SECTION: ClassVar[str] = "reading"
    strategy: Annotated[
        str,
        Key(
            "How the reading step takes bytes: until none is left, what is there at its start, that up to a "
            "limit, one whole message with waiting, or only the newest message of what is there.",
            choices=("everything", "snapshot", "at-most", "whole-message", "newest"),
        ),
    ] = "everything"
    context: Annotated[
        str,
        Key(
            "Where the reading step stands: after the work, before it, or on a core of its own.",
            choices=("last", "first", "own-core"),
        ),
    ] = "last"
    take: Annotated[
        str,
        Key(
            "Whether a read takes all bytes in one call or each by a call of its own.",
            choices=("all", "per-byte"),
        ),
    ] = "all"
    limit_bytes: Annotated[int | None, Key("at-most: bytes taken in one step, at most.", minimum=1)] = None
    timeout_us: Annotated[
        Number | None, Key("whole-message: the step waits no longer than this after it began.", above=0)
    ] = None
    timeout_character_us: Annotated[
        Number, Key("whole-message: longest wait for the next byte; 0: no such limit.", minimum=0)
    ] = 0
    on_timeout: Annotated[
        str,
        Key("whole-message: keep or discard the part of a message read so far.", choices=("keep", "discard")),
    ] = "keep"
    skip_byte_us: Annotated[Number, Key("newest: time per byte that is passed over.", minimum=0)] = 0

    @property
    def one_by_one(self) -> bool:
        """Whether each byte is taken by a read call of its own."""
        return self.take == "per-byte" or self.strategy == "whole-message"

    def cross_faults(self) -> list[Fault]:
        """Return the keys the strategy needs and does not have."""
        faults = []
        if self.strategy == "at-most" and self.limit_bytes is None:
            faults.append(missing("limit_bytes", 'a whole number from 1 up, since strategy = "at-most"'))
        if self.strategy == "whole-message" and self.timeout_us is None:
            faults.append(missing("timeout_us", 'a number above 0, since strategy = "whole-message"'))
        return faults


@dataclass(frozen=True)
class Parser(Section):
    """What parsing costs the controller, as numbers or as a parser to be measured."""

    SECTION: ClassVar[str] = "parser"
    read_call_us: Annotated[Number, Key("Time of one read call that returns bytes.", minimum=0)] = 0
    byte_us: Annotated[Number, Key("Time per byte parsed.", minimum=0)] = 0
    message_us: Annotated[Number, Key("Time per message, at its last byte.", minimum=0)] = 0
    message_byte_us: Annotated[
        Number, Key("Time per byte of the message, at its last byte (decoding of the whole text).", minimum=0)
    ] = 0
    pause_us: Annotated[Number, Key("Length of a pause of the language (memory collection).", minimum=0)] = 0
    pause_every_bytes: Annotated[
        int | None, Key("Bytes parsed from one such pause to the next.", minimum=1)
    ] = None
    measure: Annotated[
        str | None, Key('Parser to be measured in place of the numbers, as "c:cortex-m0plus".')
    ] = None
    clock_hz: Annotated[Number | None, Key("Clock of the measured target.", above=0)] = None
    source: Source = ""

    def cross_faults(self) -> list[Fault]:
        """Return the fault of a pause whose distance is not given."""
        if self.pause_us and self.pause_every_bytes is None:
            return [missing("pause_every_bytes", "a whole number from 1 up, since pause_us is given")]
        return []


@dataclass(frozen=True)
class Busy(Section):
    """Windows in which something else holds the controller."""

    SECTION: ClassVar[str] = "busy"
    period_us: Annotated[Number, Key("Time from the start of one window to the next.", above=0)]
    length_us: Annotated[Number, Key("Length of a window; less than its period.", above=0)]
    phase_us: Annotated[Number, Key("Start of the first window.", minimum=0)] = 0
    blocks: Annotated[str, Key("What stands still in a window.", choices=("handler", "loop", "both"))] = (
        "both"
    )

    def cross_faults(self) -> list[Fault]:
        """Return the fault of windows that leave no time between them."""
        if self.length_us >= self.period_us:
            return [Fault("length_us", self.length_us, f"less than period_us = {self.period_us}")]
        return []
