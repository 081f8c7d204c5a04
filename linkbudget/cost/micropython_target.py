"""Receivers in MicroPython as a ratio to ``json.loads`` of the same messages, in a virtual machine here.

The generated modules of several formats (viper, and on built-ins alone), or one parser of the user's own.
How it is measured, so that the ratio is right, is in `micropython.py`. Every good frame has to be accepted.
The viper module is also run on an emulated Cortex-M0+, where that can be done (`viper_cycles.py`).

The reference is the same for all rows: the messages as JSON, as the link sends them where it sends JSON,
else written without spaces.
"""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from linkbudget.codegen.generate import generate
from linkbudget.codegen.spec import describe
from linkbudget.codegen.target import target_of
from linkbudget.codegen.vectors import vectors
from linkbudget.cost.answers import FieldCompare
from linkbudget.cost.chunks import Expected, Feed
from linkbudget.cost.emulated import format_name, recorded_feed
from linkbudget.cost.micropython import json_of, measure_file, virtual_machine
from linkbudget.cost.target import LeftOut, Measured, TargetJob, format_names
from linkbudget.cost.viper_cycles import ViperCycles, missing_for_cycles, viper_cycles
from linkbudget.errors import Fault, SettingsError, TargetError
from linkbudget.units import format_count

if TYPE_CHECKING:
    from linkbudget.cost.measure import ParserCost
    from linkbudget.link.model import Link

__all__ = ["FORMS", "VmCost", "measure", "receiver_text"]

PREFIX = "generated"
FED_BYTES = 7200
"""Messages are repeated up to this; fewer bytes make batches that are short against the step of the clock."""
RUNS = 4
TIMEOUT_S = 10.0
COUNTED = "Cycles of a Cortex-M0+"
FORMS = (("viper", "chunk"), ("viper", "push"), ("builtins", "chunk"))
"""Module and way of reading; other formats than the present one are read in chunks alone."""
NOT_MODELLED = (
    "A ratio carries over to a board, that of viper (machine code) less than that of bytecode; times do not."
    " Memory was collected before each batch; on a board what is allocated ends in pauses."
)


class Fed(NamedTuple):
    """Messages of a link with their frames: (name, value, frame), repeated, and in words what they are."""

    rows: Sequence[tuple[str, Mapping[str, Any], bytes]]
    texts: Sequence[str]
    told: str


@dataclass(frozen=True, eq=False)
class VmCost:
    """What one format read in one way costs; ``module`` is ``viper``, ``builtins`` or ``own``.

    ``cycles``: what a viper module takes on an emulated Cortex-M0+, None for others, and where that was not
    measured. ``encoding``, ``delimiting`` and ``crc`` are None for a parser of the user's own.
    """

    target: str
    format: str
    present: bool
    encoding: str | None
    delimiting: str | None
    crc: str | None
    module: str
    form: str
    cost: ParserCost
    cycles: ViperCycles | None = None

    @property
    def verdict(self) -> str:
        """How often as long as ``json.loads`` it takes, and what it allocates."""
        cost = self.cost
        if not cost.right:
            return f"{self.format}: {cost.verdict}"
        how = {"push": "pushed byte by byte", "chunk": "read in chunks"}
        told = f", {self.module} module, {how[self.form]}" if self.form in how else ""
        low, high = cost.json_ratio_quartiles or (0.0, 0.0)
        counted = "" if self.cycles is None else f" About {self.cycles.cycles:,.0f} cycles of a Cortex-M0+."
        return (
            f"{self.format}{told}: {cost.json_ratio_median:.2f} times as long as json.loads"
            f" (half of the runs {low:.2f} to {high:.2f}), {cost.allocated_bytes:,.0f} bytes"
            f" allocated a message.{counted}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form; times are those of the host."""
        cost = self.cost
        low, high = cost.json_ratio_quartiles or (None, None)
        return {
            "target": self.target,
            "format": self.format,
            "present": self.present,
            "encoding": self.encoding,
            "delimiting": self.delimiting,
            "crc": self.crc,
            "module": self.module,
            "form": self.form,
            "right": cost.right,
            "messages": cost.messages,
            "bytes": cost.bytes,
            "json_ratio": {"median": cost.json_ratio_median, "low": low, "high": high},
            "runs": len(cost.runs_ns),
            "allocated_bytes_per_message": cost.allocated_bytes,
            "host_us_per_message": cost.per_message_us,
            "where": "host, not the target",
            "machine": dict(cost.machine),
            "cortex_m0plus": None if self.cycles is None else self.cycles.to_dict(),
        }


def measure(job: TargetJob) -> Measured:
    """Return what the generated modules of each format cost, or a parser of the user's own."""
    virtual_machine()
    if job.function is not None:
        raise SettingsError(Fault("function", job.function.name, "a .py file: the target is micropython"))
    fed = fed_of(job)
    if job.parser is not None:
        return _own(job, fed)
    rows: list[VmCost] = []
    left_out: list[LeftOut] = []
    uncounted = missing_for_cycles()
    if uncounted is not None:
        left_out.append(LeftOut(COUNTED, uncounted))
    for name, link in {"": job.link, **job.formats}.items():
        told = name or format_name(link, job.direction)
        for module, form in FORMS:
            if name and form != "chunk":
                continue
            try:
                row, text, frames, kinds = _generated(job, link, fed, told, module, form, present=not name)
                rows.append(row)
            except TargetError as error:
                left_out.append(LeftOut(f"{told}, {module} module", str(error)))
            except SettingsError as error:
                left_out.append(LeftOut(f"{told}, {module} module", str(error.faults[0])))
            else:
                if module == "viper" and uncounted is None:
                    try:
                        rows[-1] = replace(row, cycles=viper_cycles(text, form, frames, kinds))
                    except TargetError as error:
                        left_out.append(LeftOut(f"{COUNTED}: {told}, {form}", str(error)))
    if not rows:
        raise TargetError("; ".join(f"{one.format}: {one.reason}" for one in left_out))
    return Measured(rows, fed.told, NOT_MODELLED, left_out)


def fed_of(job: TargetJob) -> Fed:
    """Return the messages that all formats are fed with: those of the recording, or test messages."""
    if job.capture is None:
        good = vectors(describe(job.link.codec(job.direction), job.direction, PREFIX))["good"]
        rows = [(one["message"], one["value"], bytes.fromhex(one["frame"])) for one in good]
        texts = [json_of(bytes.fromhex(one["payload"]), one["value"]) for one in good]
        told = format_count(len(good), "test message")
    else:
        feed = recorded_feed(job)
        rows = [(one.name, one.value, feed.chunks[one.chunk]) for one in feed.expected]
        texts = [json_of(one.payload, one.value) for one in feed.expected]
        told = format_count(len(rows), "recorded message")
    return Fed(rows, texts, told)


def feed_of(fed: Fed, frames: Sequence[bytes]) -> Feed:
    """Return frames as chunks, repeated to `FED_BYTES` or, where they are more, as many as have those."""
    chunks: list[bytes] = []
    expected: list[Expected] = []
    held = 0
    while held < FED_BYTES:
        for (name, value, _), text, frame in zip(fed.rows, fed.texts, frames, strict=True):
            expected.append(Expected(name, dict(value), text.encode(), len(chunks)))
            chunks.append(frame)
            held += len(frame)
            if held >= FED_BYTES:
                break
    sizes = np.array([len(chunk) for chunk in chunks], dtype=np.int64)
    ends = np.ones(len(chunks), dtype=np.int64)
    for column in (sizes, ends):
        column.setflags(write=False)
    return Feed("message by message", tuple(chunks), ends, sizes, tuple(expected))


@dataclass(frozen=True)
class Kinds:
    """The comparison for generated modules, of which the number of each message is looked at, from 1."""

    numbers: Mapping[str, int]

    def __call__(self, found: Any, name: str, value: Mapping[str, Any]) -> bool:
        """Return whether this number is that of the message."""
        return bool(found == self.numbers[name])


def _generated(
    job: TargetJob, link: Link, fed: Fed, told: str, module: str, form: str, *, present: bool
) -> tuple[VmCost, str, list[bytes], list[int]]:
    codec = link.codec(job.direction)
    # Delimited text has no codec in viper, but an extractor of all its fields.
    extracts = module == "viper" and any(one.encoding.name == "delimited" for one in codec.messages)
    options = {"form": module, "fields": "*" if extracts else ""}
    files = generate(link, "micropython", job.direction, prefix=PREFIX, **options)
    spec = describe(codec, job.direction, PREFIX, target_of("micropython").reserved)
    numbers = {message.name: message.place + 1 for message in spec.messages}
    frames = [frame if present else codec.encode(name, dict(value)) for name, value, frame in fed.rows]
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / f"{PREFIX}.py").write_text(files[f"{PREFIX}.py"], encoding="utf-8")
        reader = Path(folder) / "reader.py"
        reader.write_text(receiver_text(files[f"{PREFIX}.py"], PREFIX, form), encoding="utf-8")
        cost = measure_file(
            *(str(reader), [feed_of(fed, frames)], Kinds(numbers)),
            runs=RUNS,
            timeout_s=TIMEOUT_S,
            timed="read",
        )
    if not cost.right:
        answers = cost.answers[0]
        text = f"{answers.right} of {answers.expected} good frames were accepted; what it costs says nothing"
        raise TargetError(text)
    row = VmCost(
        target=job.target,
        format=told,
        present=present,
        **format_names(codec),
        module=module,
        form=form,
        cost=cost,
    )
    return row, files[f"{PREFIX}.py"], frames, [numbers[name] for name, _, _ in fed.rows]


READER = """\
from array import array
import {prefix} as generated


class Parser:
    def __init__(self):
        receiver = generated.Receiver({newest})
        self.feed_bytes = receiver.feed
        self.push = receiver.push
        self.take = receiver.take
{places}
    def read(self, chunk):
{feed}
        return {take}

    def feed(self, chunk):
        kind = self.read(chunk)
        return [kind] if kind else []
"""


def receiver_text(module_text: str, prefix: str, form: str) -> str:
    """Return a parser that reads with a generated module; its ``read`` does nothing else and is timed.

    ``form`` is ``push`` or ``chunk``. ``read`` returns the number of the newest message, 0 for none.
    """
    arrays = "\nPLACES = const(" in module_text
    extracts = "\n_MAX_LINE = const(" in module_text
    places, take = "", "self.place_of(self.take())"
    feed = "        self.feed_bytes(chunk, len(chunk), 0)"
    if arrays:
        places = (
            '        self.values = array("i", [0] * generated.PLACES)\n'
            "        self.octets = bytearray(generated.OCTETS) if generated.OCTETS else None\n"
        )
        take = "self.take(self.values, self.octets)"
    else:
        places = (
            "\n    def place_of(self, message):\n"
            "        return 0 if message is None else generated.place_of(message) + 1\n"
        )
    if form == "push":
        feed = "        push = self.push\n        for byte in chunk:\n            push(byte, 0)"
    newest = "" if extracts else "True"
    return READER.format(prefix=prefix, newest=newest, places=places, feed=feed, take=take)


def _own(job: TargetJob, fed: Fed) -> Measured:
    """Return what the user's parser costs, fed with the messages of the link as it is."""
    assert job.parser is not None
    layouts = {message.layout.name: message.layout for message in job.link.messages_of(job.direction)}
    feed = feed_of(fed, [frame for _, _, frame in fed.rows])
    cost = measure_file(job.parser, [feed], FieldCompare(layouts), runs=RUNS, timeout_s=TIMEOUT_S)
    row = VmCost(
        target=job.target,
        format=Path(job.parser).name,
        present=False,
        encoding=None,
        delimiting=None,
        crc=None,
        module="own",
        form="parser",
        cost=cost,
    )
    return Measured([row], fed.told, NOT_MODELLED)
