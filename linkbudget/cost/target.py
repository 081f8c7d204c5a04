"""What receiving costs on a target: one row for each format and way of reading, and the table of them.

Every target is a row of `TARGETS`: a module with a function ``measure(job)`` that returns rows. A row of any
target says in `to_dict` at least ``target``, ``format``, ``present`` and ``form``; the figures are the
target's own (cycles of an emulated processor, or a ratio of times in a virtual machine).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from importlib import import_module
from os import PathLike, fspath
from typing import TYPE_CHECKING, Any, Protocol

from linkbudget.errors import Fault, SettingsError, unknown_name
from linkbudget.link.directions import direction_of

if TYPE_CHECKING:
    from linkbudget.codec import Codec
    from linkbudget.link.model import Link
    from linkbudget.traffic.stream import ByteCapture

__all__ = [
    "TARGETS",
    "CFunction",
    "CostRow",
    "LeftOut",
    "TargetCosts",
    "TargetJob",
    "format_names",
    "target_costs",
]

CORTEX_M0PLUS = "c:cortex-m0plus"
MICROPYTHON = "micropython"
TARGETS = {CORTEX_M0PLUS: "linkbudget.cost.emulated", MICROPYTHON: "linkbudget.cost.micropython_target"}
"""Name of a target to the module that measures it."""


class CostRow(Protocol):
    """One format read in one way on one target."""

    @property
    def verdict(self) -> str:
        """What there is to say of it first."""

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""


@dataclass(frozen=True)
class LeftOut:
    """A format that has no row, and why."""

    format: str
    reason: str

    def to_dict(self) -> dict[str, str]:
        """Return the JSON form."""
        return {"format": self.format, "reason": self.reason}


@dataclass(frozen=True)
class CFunction:
    """A function of the user's own: ``name(const uint8_t *data, size_t n)``, whatever it returns.

    ``sources`` are files of C by name; headers beside them are found in ``include``.
    """

    name: str
    sources: Mapping[str, str]
    include: tuple[str, ...] = ()


@dataclass(frozen=True)
class TargetJob:
    """What is to be measured: the present ``link`` and others that carry the same messages, by name.

    ``function``, or ``parser`` (the path of a file of MicroPython), stands in place of the generated code.
    ``compiler`` and ``flags`` concern targets in C.
    """

    target: str
    link: Link
    direction: str
    formats: Mapping[str, Link] = field(default_factory=dict)
    capture: ByteCapture | None = None
    function: CFunction | None = None
    parser: str | None = None
    compiler: str | None = None
    flags: tuple[str, ...] | None = None


@dataclass(frozen=True, eq=False)
class TargetCosts:
    """What receiving the messages of a link costs on targets.

    ``rows`` are the costs, one for each of ``targets`` and formats of the ``direction``; ``left_out`` are
    those that could not be measured, with the reason. ``fed`` says with what it was measured,
    ``not_modelled`` what the figures leave out; ``clock_hz`` is None where no clock was given: then there are
    cycles and no times.
    """

    link: Link
    direction: str
    targets: tuple[str, ...]
    rows: tuple[CostRow, ...]
    left_out: tuple[LeftOut, ...]
    fed: tuple[str, ...]
    not_modelled: tuple[str, ...]
    clock_hz: float | None
    warnings: tuple[str, ...] = ()

    @property
    def verdict(self) -> str:
        """What there is to say first: the present format, or the function, read as the link reads."""
        return self.rows[0].verdict if self.rows else "Nothing could be measured."

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "verdict": self.verdict,
            "direction": self.direction,
            "targets": list(self.targets),
            "clock_hz": self.clock_hz,
            "fed": list(self.fed),
            "rows": [row.to_dict() for row in self.rows],
            "left_out": [one.to_dict() for one in self.left_out],
            "not_modelled": list(self.not_modelled),
            "warnings": list(self.warnings),
        }

    def _repr_html_(self) -> str:
        rows = "".join(f"<tr><td>{escape(row.verdict)}</td></tr>" for row in self.rows)
        return f"<table><caption>{escape(self.verdict)}</caption>{rows}</table>"


@dataclass(frozen=True, eq=False)
class Measured:
    """What the module of a target returns."""

    rows: Sequence[CostRow]
    fed: str
    not_modelled: str
    left_out: Sequence[LeftOut] = ()
    warnings: Sequence[str] = ()


def format_names(codec: Codec) -> dict[str, Any]:
    """Return ``encoding``, ``delimiting`` and ``crc`` of one direction of a link, as rows tell them."""
    return {
        "encoding": " and ".join(dict.fromkeys(message.encoding.name for message in codec.messages)),
        "delimiting": codec.fmt.delimiting,
        "crc": "none" if codec.fmt.check is None else codec.fmt.check.name,
    }


def target_costs(
    link: Link,
    targets: str | Iterable[str] = CORTEX_M0PLUS,
    *,
    direction: str | None = None,
    formats: Mapping[str, Link] | None = None,
    capture: ByteCapture | None = None,
    function: CFunction | None = None,
    parser: str | PathLike[str] | None = None,
    compiler: str | None = None,
    flags: Sequence[str] | None = None,
) -> TargetCosts:
    """Return what receiving the messages of a link costs on targets, without a board.

    ``targets``: names of `TARGETS`. ``formats``: links with other formats for the same messages, by name,
    measured beside the present one. With a ``capture`` its messages are fed, else the test vectors of the
    generated code. ``function``: C of the user's own, measured in place of generated code; ``parser``: the
    path of a parser in MicroPython (`cost.measure.measure_parser`), measured likewise. ``compiler``
    (``"gcc"`` or ``"zig"``; default the first that is there) and ``flags`` (default ``-O2``) concern C.

    Raises `SettingsError` for an unknown target, direction or compiler; `TargetError` when a tool is missing
    (with the command that installs it) or the code does not compile, faults, leaves its objects or never
    ends; `CaptureError` when no message of the link is in the capture.
    """
    names = (targets,) if isinstance(targets, str) else tuple(dict.fromkeys(targets))
    faults = [unknown_name("target", name, TARGETS) for name in names if name not in TARGETS]
    way = ""
    try:
        way = direction_of(link, direction)
    except SettingsError as error:
        faults += error.faults
    if not names:
        faults.append(Fault("target", None, ", ".join(TARGETS), problem="none is given"))
    if faults:
        raise SettingsError(faults)
    found: list[Measured] = []
    for name in names:
        job = TargetJob(
            target=name,
            link=link,
            direction=way,
            formats=formats or {},
            capture=capture,
            function=function,
            parser=None if parser is None else fspath(parser),
            compiler=compiler,
            flags=None if flags is None else tuple(flags),
        )
        found.append(import_module(TARGETS[name]).measure(job))
    clock = link.parser.clock_hz
    return TargetCosts(
        link=link,
        direction=way,
        targets=names,
        rows=tuple(row for one in found for row in one.rows),
        left_out=tuple(out for one in found for out in one.left_out),
        fed=tuple(one.fed for one in found),
        not_modelled=tuple(one.not_modelled for one in found),
        clock_hz=None if clock is None else float(clock),
        warnings=tuple(text for one in found for text in one.warnings),
    )
