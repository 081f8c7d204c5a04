"""What is watched from outside: the joints that follow fields, and the markers of a second channel."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Annotated, ClassVar

from linkbudget.errors import Fault
from linkbudget.link.keys import Key, Section, missing
from linkbudget.units import Number

__all__ = [
    "Joint",
    "Markers",
    "Track",
]


@dataclass(frozen=True)
class Track(Section):
    """The true path of what a camera on the joint sees, in the joint's unit."""

    SECTION: ClassVar[str] = "joint.track"
    kind: Annotated[
        str,
        Key(
            "steps: holds each position from its time on; table: straight lines between them, level outside; "
            "sine: offset + amplitude * sin(2 pi (t - phase) / period).",
            choices=("steps", "sine", "table"),
        ),
    ]
    times_us: Annotated[tuple[Number, ...], Key("Times, rising; steps and table.")] = ()
    positions: Annotated[tuple[Number, ...], Key("Positions at those times; steps and table.")] = ()
    amplitude: Annotated[Number | None, Key("Amplitude of a sine.")] = None
    period_us: Annotated[Number | None, Key("Period of a sine.", above=0)] = None
    phase_us: Annotated[Number, Key("Time of a rising zero crossing of a sine.")] = 0
    offset: Annotated[Number, Key("Middle of a sine.")] = 0

    def cross_faults(self) -> list[Fault]:
        """Return what the kind of track needs and does not have."""
        if self.kind == "sine":
            needs = {"amplitude": self.amplitude, "period_us": self.period_us}
            return [
                missing(name, 'a number, since kind = "sine"')
                for name, value in needs.items()
                if value is None
            ]
        faults = []
        if not self.times_us:
            faults.append(missing("times_us", f'at least one time, since kind = "{self.kind}"'))
        if any(late <= early for early, late in pairwise(self.times_us)):
            faults.append(Fault("times_us", list(self.times_us), "times that rise"))
        if len(self.positions) != len(self.times_us):
            faults.append(
                Fault("positions", list(self.positions), f"as many as times_us ({len(self.times_us)})")
            )
        return faults


@dataclass(frozen=True)
class Joint(Section):
    """A joint that follows a field: target = scale * value + offset."""

    SECTION: ClassVar[str] = "joint"
    message: Annotated[str, Key("Name of the message that holds the set point.")]
    field: Annotated[str, Key("Name of its numeric field.")]
    v_max: Annotated[Number, Key("Largest speed, joint units per second.", above=0)]
    a_max: Annotated[Number, Key("Largest acceleration, joint units per second squared.", above=0)]
    name: Annotated[str, Key("Name of the joint; default: the field's.")] = ""
    scale: Annotated[Number, Key("Joint units per field unit.")] = 1
    offset: Annotated[Number, Key("Target at field value 0, joint units.")] = 0
    start: Annotated[Number, Key("Where the joint rests before the first set point.")] = 0
    unit: Annotated[str, Key('Unit of the joint, for people: "mm", "deg".')] = ""
    dt: Annotated[
        str,
        Key(
            "Time step the controller computes with: the period, or the time since the last pass.",
            choices=("period", "measured"),
        ),
    ] = "period"
    reference: Annotated[
        str,
        Key(
            "absolute: the field is a place; at-capture: an error seen by a camera that moves with it.",
            choices=("absolute", "at-capture"),
        ),
    ] = "absolute"
    track: Annotated[Track | None, Key("at-capture: the true path of what the camera sees.")] = None
    actuator: Annotated[
        str,
        Key("Whether a new speed holds at once or from the next pulse on.", choices=("immediate", "pulse")),
    ] = "immediate"
    pulse_period_us: Annotated[Number | None, Key("Time from pulse to pulse.", above=0)] = None
    settle_band: Annotated[
        Number | None, Key("Distance from the target within which the joint counts as settled.", above=0)
    ] = None
    gain_per_s: Annotated[
        Number | None,
        Key(
            "Gain of a proportional loop closed over the field: speed per distance. For its margins of delay "
            "and jitter only; the motion in a replay does not depend on it.",
            above=0,
        ),
    ] = None

    def __post_init__(self) -> None:
        super().__post_init__()
        if not self.name:
            object.__setattr__(self, "name", self.field)

    def cross_faults(self) -> list[Fault]:
        """Return what the reference and the actuator need and do not have."""
        faults = []
        if self.reference == "at-capture" and self.track is None:
            faults.append(missing("track", 'a table, since reference = "at-capture"'))
        if self.actuator == "pulse" and self.pulse_period_us is None:
            faults.append(missing("pulse_period_us", 'a number above 0, since actuator = "pulse"'))
        return faults


@dataclass(frozen=True)
class Markers(Section):
    """A second channel of the capture, toggled by the controller."""

    SECTION: ClassVar[str] = "markers"
    channel: Annotated[str | int, Key("Name or number of the channel.", minimum=0)]
    meaning: Annotated[str, Key("What the controller marks.", choices=("pass-start", "pass-end", "parse"))]
    edge: Annotated[
        str,
        Key(
            'Which edges count; with "parse" the line is high from the first look of a reading step '
            "to its end.",
            choices=("rising", "falling", "both"),
        ),
    ] = "both"
