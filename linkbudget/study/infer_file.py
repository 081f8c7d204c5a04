"""The link file of a guess: the text that the link writes of itself, with a comment above what was guessed.

What a recording cannot tell stands at the end as comments that say what to put there; nothing is made up.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from textwrap import wrap

from linkbudget.link.model import Link
from linkbudget.study.infer_notes import Note, field_path
from linkbudget.study.infer_ranges import RULE
from linkbudget.wire.receivers import ENVIRONMENTS, UARTS

__all__ = ["commented_toml"]

WIDTH = 79
_SECTION = re.compile(r"\[\[?([\w.-]+)\]\]?")
_KEY = re.compile(r"([\w-]+) = ")

CAUTION = (
    "Every verdict got with this file is of the model it describes, not of a mechanism, and the file itself "
    "is a guess: read it before you rely on it. Try a new codec with the linkage off or the motor supply "
    "off, and give that supply an emergency stop."
)
SURE = (
    "The confidence of a range is the probability that the next value lies within those seen, if they come "
    "in no particular order: 1 - 2/(n + 1) for n values. That of a delimiting or a check follows from the "
    "chance that stands beside it; others are a judgement, 0.5 for a bare guess."
)


def _names(rows: Iterable[str]) -> str:
    start = " " * 25 + "#   "
    text = ", ".join(f'"{name}"' for name in rows)
    return "\n".join(
        wrap(text, WIDTH - 2, initial_indent=start, subsequent_indent=start, break_on_hyphens=False)
    )


UNKNOWN = f"""
What a recording of the line cannot tell. Take the # away, put your own
numbers in, and leave out what you do not have; `linkbudget schema` describes
every key. Without [loop] there is a budget of the line, no replay.

bit_error_rate in [line]: measure it, or leave it out; errors in so short a
  recording say little.

use in [[message]]: "newest" (the default) for state such as a position,
  "every" for events such as a command, then with act_by_us = how old an event
  may be when it is acted on.

[sender]
capture_to_send_us =     # from the moment the data describe to the first
                         # start bit: exposure, search

[receiver]               # the controller's UART and driver
uart =                   # a preset of the hardware, one of
{_names(UARTS)}
environment =            # a preset of the driver, one of
{_names(ENVIRONMENTS)}
mode =                   # or their numbers: "polled", "interrupt", "dma"
fifo_bytes =
trigger_bytes =
idle_bits =
buffer_bytes =
latency_us =
interrupt_entry_us =
interrupt_byte_us =

[loop]                   # the control loop
period_us =
work_us =                # what a pass needs for everything but reading
source = ""              # where these numbers come from; measured ones
                         # begin with "measured"

[reading]                # how a pass takes bytes
strategy =               # "everything", "snapshot", "at-most" with
                         # limit_bytes, "whole-message" with timeout_us,
                         # "newest"

[parser]                 # what reading a message costs the controller;
                         # `linkbudget cost` measures it
read_call_us =
byte_us =
message_us =
message_byte_us =
source = ""

[require]                # what the link must keep; upper limits
missed_deadlines =
age_us =
"""


def commented_toml(link: Link, notes: Sequence[Note], source: str) -> str:
    """Return the link file, every guess with a comment that says what it rests on."""
    waiting: dict[str, list[Note]] = {}
    for note in notes:
        waiting.setdefault(note.what, []).append(note)
    body = list(_body(link, waiting))
    head = _comment(f"Guessed by linkbudget infer from {source or 'a recording'}.")
    head += [*_comment(CAUTION), "#", *_comment(f"Ranges are {RULE}."), *_comment(SURE)]
    rest = [line for group in waiting.values() for note in group for line in _comment(_text(note, note.what))]
    asked = UNKNOWN.strip()
    if "[sender]" in body:
        # A table stands in a TOML file once.
        asked = asked.replace("[sender]\n", "In [sender], above:\n")
    unknown = [f"# {line}".rstrip() for line in asked.splitlines()]
    return "\n".join([*head, *(["#", *rest] if rest else []), "", *body, "", *unknown, ""])


def _body(link: Link, waiting: dict[str, list[Note]]) -> Iterator[str]:
    """Yield the lines of the link's own file, comments above them; what was used leaves ``waiting``."""
    section = ""
    messages = iter(link.messages)
    fields: Iterator[str] = iter(())
    for line in link.to_toml().splitlines():
        found = _SECTION.fullmatch(line)
        key = _KEY.match(line)
        if found:
            section = found[1]
            if section == "message":
                message = next(messages)
                section = f"message.{message.name}"
                fields = iter([field.name for field in message.layout.fields])
                named = _KEY_NAME.format(message.name)
                yield from _above(waiting, [named, *_leftover(link, section, waiting)], "")
            yield from _above(waiting, [section], "")
        elif key:
            yield from _above(waiting, [f"{section}.{key[1]}"], "")
        elif line.startswith("  {"):
            path = field_path(section.removeprefix("message."), next(fields))
            inside = [what for what in waiting if what.startswith(f"{path}.")]
            yield from _above(waiting, [path, *inside], "  ")
        yield line


_KEY_NAME = "message.{}.name"
WRITTEN = ("encoding", "rate_hz", "direction", "key", "id", "use", "act_by_us")


def _leftover(link: Link, section: str, waiting: Mapping[str, list[Note]]) -> list[str]:
    """Return what is noted of a message and has no line of its own in the file, such as a field left out."""
    message = next(message for message in link.messages if f"message.{message.name}" == section)
    kept = [field_path(message.name, field.name) for field in message.layout.fields]
    written = [
        f"{section}.{key}" for key in WRITTEN if getattr(message, key, getattr(message.layout, key, None))
    ]
    return [
        what
        for what in waiting
        if what.startswith(f"{section}.")
        and what not in written
        and not any(what == path or what.startswith(f"{path}.") for path in kept)
    ]


def _above(waiting: dict[str, list[Note]], paths: Sequence[str], indent: str) -> Iterator[str]:
    for path in paths:
        for note in waiting.pop(path, ()):
            name = path.rpartition(".")[2]
            yield from _comment(_text(note, name), indent)


def _text(note: Note, name: str) -> str:
    sure = "" if note.confidence is None else f" (confidence {_share(note.confidence)})"
    return f"{name}: {note.origin}{sure}"


def _share(confidence: float) -> str:
    """Return a probability with as many digits as tell it from one."""
    return ">0.999" if confidence > 0.999 else f"{confidence:.2f}"


def _comment(text: str, indent: str = "") -> list[str]:
    """Return text as comment lines; what TOML allows in no comment is written as an escape."""
    clean = "".join(letter if letter.isprintable() else repr(letter)[1:-1] for letter in text)
    start = f"{indent}# "
    return wrap(clean, WIDTH, initial_indent=start, subsequent_indent=start + "  ", break_on_hyphens=False)
