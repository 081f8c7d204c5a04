"""What follows from the lists that the oracle wrote: uses, fates, misses, ages, counts."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

HARDWARE, DROPPED, BUFFER = "hardware", "dropped", "buffer"  # what became of a character: lost here,
PARSED, SKIPPED, LEFT = "parsed", "skipped", "left over"  # or received and then this
ACTIVITIES = ("work", "reading", "waiting", "pause", "handler", "window")


@dataclass
class Pass:
    release: int
    start: int
    end: int = -1
    work_start: int = -1
    order: int = 0  # place of its start of work in the one log of acceptances and starts of work
    skipped: bool = False
    spent: dict[str, int] = field(default_factory=lambda: dict.fromkeys(ACTIVITIES, 0))


@dataclass
class Accepted:
    time: int
    order: int
    name: str
    payload: bytes
    value: Any
    last: int  # index of its last character
    used_by: int | None = None  # number of the pass
    sent: int | None = None


@dataclass
class Sent:
    characters: list[int]
    payload: bytes
    name: str | None
    value: Any
    fate: str = ""


class Books:
    """The second half of the oracle: everything here is read off the lists at the end."""

    case: Any
    link: Any
    loop: Any
    own_core: bool
    passes: list[Pass]
    accepted: list[Accepted]
    became: list[str | None]
    discarded: list[int]
    handlers: list[tuple[int, int, int]]
    high_water: int
    end_of_reading: int

    def is_message_end(self, index: int, stretch: int) -> bool:
        """A delimiter ends a message; with COBS only when something stands before it."""
        delimiter = self.case.frames.delimiter
        return self.case.data[index] == delimiter and (delimiter != 0 or stretch > 0)

    def sent_frames(self) -> list[Sent]:
        """The frames on the wire, found in all characters, flagged ones too (a break is one zero byte)."""
        frames, found, stretch = self.case.frames, [], []
        for index, value in enumerate(self.case.data):
            if value != frames.delimiter:
                stretch.append(index)
                continue
            if self.is_message_end(index, len(stretch)):
                payload = frames.judge(bytes(self.case.data[i] & 0xFF for i in stretch))
                if payload is not None:
                    name, content = frames.understand(payload) or (None, None)
                    found.append(Sent([*stretch, index], payload, name, content))
            stretch = []
        return found

    def ran(self) -> list[Pass]:
        return [this for this in self.passes if not this.skipped]

    def work_out_uses(self) -> None:
        self.sent = self.sent_frames()
        ends = [frame.characters[-1] for frame in self.sent]
        for message in self.accepted:
            if message.last in ends:
                message.sent = ends.index(message.last)
        waiting = [message for message in self.accepted if message.sent is not None]
        for number, this in enumerate(self.ran()):
            if self.own_core:
                ready = [message for message in waiting if message.time <= this.work_start]
            else:
                ready = [message for message in waiting if message.order < this.order]
            for name in {message.name for message in ready}:
                same = [message for message in ready if message.name == name]
                for message in same if self.case.uses.get(name) == "every" else same[-1:]:
                    message.used_by = number
            waiting = [message for message in waiting if message not in ready]

    def work_out_fates(self) -> None:
        lost = {index for index, became in enumerate(self.became) if became in (HARDWARE, DROPPED, BUFFER)}
        for number, frame in enumerate(self.sent):
            own, last = frame.characters, frame.characters[-1]
            accepted = next((m for m in self.accepted if m.sent == number), None)
            if accepted is not None and accepted.payload == frame.payload:
                place = self.accepted.index(accepted)
                newer = [m for m in self.accepted[place + 1 :] if m.name == accepted.name]
                if accepted.used_by is not None:
                    frame.fate = "used"
                else:
                    frame.fate = "superseded" if self.any_used(newer) else "pending"
            elif accepted is not None:
                frame.fate = "misread"
            elif all(index in lost for index in own):
                frame.fate = "lost"
            elif (
                self.became[last] == PARSED
                or any(index in lost for index in own)
                or any(index in self.discarded for index in own)
            ):
                frame.fate = "damaged"
            elif self.became[last] == SKIPPED:
                newer = [m for m in self.accepted if m.name == frame.name and m.last > last]
                frame.fate = "superseded" if self.any_used(newer) else "pending"
            else:
                frame.fate = "pending"

    @staticmethod
    def any_used(messages: list[Accepted]) -> bool:
        return any(message.used_by is not None for message in messages)

    def missed(self) -> list[bool]:
        """For each release in order, skipped ones in their place: whether its deadline was missed."""
        deadline = self.loop.deadline_ns
        return [this.skipped or this.end > this.release + deadline for this in self.passes]

    def longest_run_of_misses(self) -> int:
        longest = run = 0
        for miss in self.missed():
            run = run + 1 if miss else 0
            longest = max(longest, run)
        return longest

    def ages_at_use(self) -> list[tuple[str, int, int]]:
        """``(message, instant of use, age)`` of every use, in order."""
        extra, passes = self.link.sender.capture_to_send_ns, self.ran()
        found = []
        for message in self.used():
            at = passes[message.used_by or 0].work_start
            first = self.case.starts[self.sent[message.sent or 0].characters[0]]
            found.append((message.name, at, at - first + extra))
        return found

    def used(self) -> list[Accepted]:
        return [message for message in self.accepted if message.used_by is not None]

    def used_late(self) -> dict[str, int]:
        limits = self.link.act_by_ns
        late = dict.fromkeys(limits, 0)
        for name, _, age in self.ages_at_use():
            if name in limits and age > limits[name]:
                late[name] += 1
        return late

    def fates(self) -> list[str]:
        return [frame.fate for frame in self.sent]

    def end_of_replay(self) -> int:
        ends = [this.end for this in self.passes] + [end for _, end, _ in self.handlers]
        return max(*ends, self.end_of_reading, self.case.times[-1])

    def bytes_counted(self) -> dict[str, int]:
        count = self.became.count
        return {
            "received": count(PARSED) + count(SKIPPED) + count(LEFT),
            "overrun_hardware": count(HARDWARE) + count(DROPPED),
            "overrun_buffer": count(BUFFER),
            "parsed": count(PARSED) + count(SKIPPED),
            "left_over": count(LEFT),
            "buffer_high_water": self.high_water,
        }
