"""Receivers in C on an emulated Cortex-M0+: the generated ones of several formats, or one of the user's own.

Generated code is measured with the test vectors of the link, or with the messages of a recording, and every
good frame has to be accepted. What a function of the user's own makes of them is not looked at.
"""

from __future__ import annotations

import importlib.util
import json
import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

from linkbudget.codegen.generate import generate
from linkbudget.codegen.spec import describe
from linkbudget.codegen.target import target_of
from linkbudget.codegen.vectors import vectors
from linkbudget.cost.chunks import Feed, feeds_of
from linkbudget.cost.cortexm0plus.toolchain import INSTALL
from linkbudget.cost.pieces import Frames
from linkbudget.cost.tables import cost_tables, in_us
from linkbudget.cost.target import CORTEX_M0PLUS, LeftOut, Measured, TargetJob, format_names
from linkbudget.errors import Fault, SettingsError, TargetError
from linkbudget.replay.measured import DIRECTION
from linkbudget.units import format_count, format_us

if TYPE_CHECKING:
    from linkbudget.cost.cortexm0plus.receiver import FormCost, Receiver
    from linkbudget.cost.cortexm0plus.toolchain import Compiler
    from linkbudget.link.model import Link

__all__ = ["COSTS", "EmulatedCost", "measure", "needs_extra", "present_cost"]

PREFIX = "link"
MOST_RECORDED = 200
COSTS = ("read_call", "byte", "message", "message_byte")
MODULES = ("unicorn", "capstone", "elftools")
NOT_MODELLED = (
    "Not modelled: wait states of the flash, caches, interrupts, and the UART's own registers; a"
    " multiplication takes one cycle (in some chips 32). Of two numbers the first leaves LR and PC out of a"
    " list of registers, the second counts them (the manual allows both)."
)


@dataclass(frozen=True, eq=False)
class EmulatedCost:
    """What one format read in one way costs on the emulated processor, and how it was compiled.

    ``encoding``, ``delimiting`` and ``crc`` are None for a function of the user's own.
    """

    target: str
    format: str
    present: bool
    encoding: str | None
    delimiting: str | None
    crc: str | None
    compiler: str
    flags: tuple[str, ...]
    clock_hz: float | None
    cost: FormCost

    @property
    def form(self) -> str:
        """How it was read: ``push``, ``chunk``, ``whole``, or ``function``."""
        return self.cost.form

    @cached_property
    def costs_cycles(self) -> dict[str, float]:
        """The costs of the receiver model in cycles."""
        return {name: self._fit.ns(name) for name in COSTS}

    @cached_property
    def _fit(self) -> Any:
        return self.cost.samples.fit()

    def us(self, cycles: float) -> float | None:
        """Return cycles as microseconds at the clock; None without one."""
        return None if self.clock_hz is None else cycles / self.clock_hz * 1e6

    @property
    def verdict(self) -> str:
        """What a message costs, and the dearest one."""
        mean, worst = self.cost.cycles.high / self.cost.messages, self.cost.worst_message
        times = [self.us(mean), self.us(worst)]
        mean_us, worst_us = (f" ({format_us(us)})" if us is not None else "" for us in times)
        clock = "" if self.clock_hz is None else f" at {self.clock_hz / 1e6:g} MHz"
        how = {"push": "pushed byte by byte", "chunk": "read in chunks", "whole": "decoded as a whole"}
        told = f", {how[self.form]}" if self.form in how else ""
        return (
            f"{self.format}{told}: {mean:,.0f} cycles{mean_us} a message on a Cortex-M0+{clock},"
            f" {worst:,}{worst_us} at worst."
        )

    def edits(self) -> dict[str, Any]:
        """Return the costs by key path, as `Link.replace` takes them.

        Raises `SettingsError` without a clock, by which cycles become time.
        """
        if self.clock_hz is None:
            allowed = "the clock of the processor, above 0, by which cycles become time"
            raise SettingsError(Fault("parser.clock_hz", None, allowed, problem="is missing"))
        what = "generated C" if self.form != "function" else self.format
        source = (
            f"measured on an emulated Cortex-M0+ at {self.clock_hz / 1e6:g} MHz without wait states: "
            f"{what}, {self.compiler}, {' '.join(self.flags)}"
        )
        ns = {name: cycles / self.clock_hz * 1e9 for name, cycles in self.costs_cycles.items()}
        return {**{f"parser.{name}_us": in_us(ns[name]) for name in COSTS}, "parser.source": source}

    def to_toml(self) -> str:
        """Return the table ``[parser]`` for a link file; raises as `edits`."""
        return cost_tables(self.edits())

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form; ``low`` and ``high`` are the readings of a register list."""
        cost, fit = self.cost, self._fit
        per = {"low": cost.cycles.low, "high": cost.cycles.high}
        residuals = [abs(value) for value in fit.residual_ns.tolist()]
        return {
            "target": self.target,
            "format": self.format,
            "present": self.present,
            "encoding": self.encoding,
            "delimiting": self.delimiting,
            "crc": self.crc,
            "form": cost.form,
            "compiler": self.compiler,
            "flags": list(self.flags),
            "clock_hz": self.clock_hz,
            "messages": cost.messages,
            "bytes": cost.bytes,
            "instructions": cost.instructions,
            "cycles": per,
            "cycles_per_byte": {name: count / cost.bytes for name, count in per.items()},
            "cycles_per_message": {name: count / cost.messages for name, count in per.items()},
            "worst_byte_cycles": cost.worst_byte,
            "worst_message_cycles": cost.worst_message,
            "us_per_byte": self.us(cost.cycles.high / cost.bytes),
            "us_per_message": self.us(cost.cycles.high / cost.messages),
            "worst_byte_us": None if cost.worst_byte is None else self.us(cost.worst_byte),
            "worst_message_us": self.us(cost.worst_message),
            "code_bytes": sum(cost.code_bytes.values()),
            "static_bytes": cost.static_bytes,
            "stack_bytes": cost.stack_bytes,
            "code_bytes_by_symbol": dict(cost.code_bytes),
            "cycles_by_symbol": dict(cost.by_symbol),
            "costs_cycles": self.costs_cycles,
            "costs_us": {name: self.us(cycles) for name, cycles in self.costs_cycles.items()},
            "fit": {
                "samples": len(residuals),
                "residual_cycles": {"rms": fit.rms_ns, "largest": max(residuals)},
                "explained": fit.variance_share,
                "notes": list(fit.notes),
            },
        }


def needs_extra() -> None:
    """Raise `TargetError` with the command that installs the emulator, when it is not there."""
    missing = [name for name in MODULES if importlib.util.find_spec(name) is None]
    if missing:
        raise TargetError(f"measuring for {CORTEX_M0PLUS} needs {' and '.join(missing)}: {INSTALL}")


class _Source(NamedTuple):
    """One format to be measured: its name, its link, its code, and what it is fed."""

    name: str
    link: Link
    present: bool
    files: Mapping[str, str]
    idents: Sequence[str]
    frames: Frames
    fed: str


def measure(job: TargetJob) -> Measured:
    """Return what the generated code of each format costs, or a function of the user's own."""
    if job.parser is not None:
        raise SettingsError(Fault("parser", job.parser, f"C: the target is {job.target}"))
    needs_extra()
    from linkbudget.cost.cortexm0plus.toolchain import FLAGS, compiler_named

    compiler = compiler_named(job.compiler)
    flags = FLAGS if job.flags is None else job.flags
    if job.function is not None:
        return _own(job, compiler, flags)
    sources, left_out = _sources(job)
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        made = [pool.submit(_receiver, source, compiler, flags) for source in sources]
    rows: list[EmulatedCost] = []
    for source, future in zip(sources, made, strict=True):
        try:
            rows += _rows(job, source, compiler, flags, future.result())
        except TargetError as error:
            if source.present:
                raise
            left_out.append(LeftOut(source.name, str(error)))
    first = reading_form(job.link)
    rows.sort(key=lambda row: (not row.present, row.present and row.form != first))
    return Measured(rows, sources[0].fed, NOT_MODELLED, left_out)


def present_cost(
    link: Link, direction: str, compiler: str | None, flags: Sequence[str] | None
) -> EmulatedCost:
    """Return what the generated code of a link costs, read as the link reads.

    Raises as `target.target_costs`.
    """
    needs_extra()
    from linkbudget.cost.cortexm0plus.toolchain import FLAGS, compiler_named

    chosen, flags = compiler_named(compiler), FLAGS if flags is None else tuple(flags)
    job = TargetJob(CORTEX_M0PLUS, link, direction)
    source = _source(job, "", link, present=True)
    receiver = _receiver(source, chosen, flags)
    return _row(job, source, chosen, flags, receiver.measured(reading_form(link), source.frames))


def reading_form(link: Link) -> str:
    """Return how the loop of a link reads: byte by byte, or what is there."""
    return "push" if link.reading.one_by_one else "chunk"


def _receiver(source: _Source, compiler: Compiler, flags: Sequence[str]) -> Receiver:
    from linkbudget.cost.cortexm0plus.receiver import Receiver

    return Receiver(source.files, PREFIX, source.idents, compiler=compiler, flags=flags)


def _rows(
    job: TargetJob, source: _Source, compiler: Compiler, flags: Sequence[str], receiver: Receiver
) -> list[EmulatedCost]:
    """Return a row for each way in which a receiver reads."""
    return [
        _row(job, source, compiler, flags, receiver.measured(form, source.frames)) for form in receiver.forms
    ]


def _row(
    job: TargetJob, source: _Source, compiler: Compiler, flags: Sequence[str], cost: FormCost
) -> EmulatedCost:
    codec = source.link.codec(job.direction)
    clock = job.link.parser.clock_hz
    return EmulatedCost(
        target=job.target,
        format=source.name,
        present=source.present,
        **format_names(codec),
        compiler=compiler.version,
        flags=(*compiler.target, "-std=c99", *flags),
        clock_hz=None if clock is None else float(clock),
        cost=cost,
    )


def _sources(job: TargetJob) -> tuple[list[_Source], list[LeftOut]]:
    """Return what can be measured, the present format first, and what cannot."""
    found, left_out = [], []
    for name, link in {"": job.link, **job.formats}.items():
        try:
            found.append(_source(job, name, link, present=not name))
        except TargetError as error:
            left_out.append(LeftOut(name or format_name(link, job.direction), str(error)))
        except SettingsError as error:
            left_out.append(LeftOut(name, str(error.faults[0])))
    if not found:
        raise TargetError("; ".join(f"{one.format}: {one.reason}" for one in left_out))
    return found, left_out


def format_name(link: Link, direction: str) -> str:
    """Return the format of a link in words: ``packed-bits in cobs with CRC-16/IBM-3740``."""
    codec = link.codec(direction)
    named = format_names(codec)
    check = "without a check" if codec.fmt.check is None else f"with {codec.fmt.check.name}"
    return f"{named['encoding']} in {named['delimiting']} {check}"


def _source(job: TargetJob, name: str, link: Link, *, present: bool) -> _Source:
    codec = link.codec(job.direction)
    files = generate(link, "c", job.direction, prefix=PREFIX)
    spec = describe(codec, job.direction, PREFIX, target_of("c").reserved)
    vectors = json.loads(files["vectors.json"])
    places = {message.name: message.place for message in spec.messages}
    damaged = [bytes.fromhex(one["stream"]) for one in vectors["damaged"]]
    if job.capture is None:
        good = [(one["message"], bytes.fromhex(one["frame"])) for one in vectors["good"]]
        fed = f"{format_count(len(good), 'test message')} of the generated code"
    else:
        good, fed = recorded(job, link, present=present)
    frames = Frames([frame for _, frame in good], [places[message] for message, _ in good], damaged)
    idents = [message.ident for message in spec.messages]
    return _Source(name or format_name(link, job.direction), link, present, files, idents, frames, fed)


def recorded_feed(job: TargetJob) -> Feed:
    """Return the messages of the recording, one by one; `SettingsError` for those to the module."""
    assert job.capture is not None
    if job.direction != DIRECTION:
        raise SettingsError(Fault("direction", job.direction, f"{DIRECTION}, which is what a capture holds"))
    (feed,) = feeds_of(job.link, job.capture, "message")
    return feed


def recorded(job: TargetJob, link: Link, *, present: bool) -> tuple[list[tuple[str, bytes]], str]:
    """Return messages of the recording, evenly spread where they are many, as the link writes them."""
    feed = recorded_feed(job)
    count = len(feed.expected)
    chosen = feed.expected
    if count > MOST_RECORDED:
        chosen = tuple(feed.expected[at * count // MOST_RECORDED] for at in range(MOST_RECORDED))
    codec = link.codec(job.direction)
    good = [
        (one.name, feed.chunks[one.chunk] if present else codec.encode(one.name, one.value)) for one in chosen
    ]
    share = "" if len(chosen) == count else f" of {count:,}"
    return good, f"{len(chosen):,}{share} recorded messages"


def _own(job: TargetJob, compiler: Compiler, flags: Sequence[str]) -> Measured:
    """Return what the user's function costs, fed with the messages of the link as it is."""
    from linkbudget.cost.cortexm0plus.function import measure_function

    function = job.function
    assert function is not None
    if job.capture is None:
        test = vectors(describe(job.link.codec(job.direction), job.direction, PREFIX))
        good = [(one["message"], bytes.fromhex(one["frame"])) for one in test["good"]]
        fed = f"{format_count(len(good), 'test message')} of the link"
    else:
        good, fed = recorded(job, job.link, present=True)
    frames = Frames([frame for _, frame in good], [0] * len(good))
    cost = measure_function(
        function.name, function.sources, function.include, frames, compiler=compiler, flags=flags
    )
    clock = job.link.parser.clock_hz
    row = EmulatedCost(
        target=job.target,
        format=f"{function.name}() of {', '.join(name for name in function.sources if name.endswith('.c'))}",
        present=False,
        encoding=None,
        delimiting=None,
        crc=None,
        compiler=compiler.version,
        flags=(*compiler.target, "-std=c99", *flags),
        clock_hz=None if clock is None else float(clock),
        cost=cost,
    )
    told = "whether what the function returns is right was not looked at"
    return Measured([row], fed, NOT_MODELLED, warnings=[told])
