"""How much delay and jitter a control loop over a link stands: margins of two loops, in closed form.

Two loops in which what is measured comes back late by a delay D:

- *proportional*: the speed is gain K times the error, L(s) = K/s · e^(-sD), as of a camera that moves with
  the joint and a controller that turns the error it was sent into a speed. It never overshoots for K·D <=
  1/e, and is unstable from K·D = π/2 on ("On the Instability and Critical Damping Conditions, kτ = 1/e and
  kτ = π/2").
- *second order*: L(s) = ω² / (s·(s + 2ζω)) · e^(-sD), the textbook loop of natural frequency ω and damping ζ.

The *delay margin* is how much more delay makes the loop unstable: phase margin over crossover frequency, less
D. The *gain margin* is the factor of the gain that does. The *jitter margin* J is for delays that vary by J
from one pass to the next: the loop is stable when abs(L/(1 + L)) < 1/(J·ω) at all frequencies (Cervin,
Lincoln, Eker, Årzén, Buttazzo, RTCSA 2004; the formula is from memory). That is enough and not necessary:
more jitter may do no harm.

A measurement that is held until the next one adds half the time between two to its delay (lecture notes on
the zero-order hold). The mean age over time of a replay has that in it already.

What this view leaves out: limits of speed and acceleration, and that the model's own joints with
``reference = "at-capture"`` add the position at capture to the error, which takes the delay out of the loop.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import atan, degrees, e, exp, factorial, fsum, inf, isfinite, pi, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from linkbudget.errors import Fault, SettingsError
from linkbudget.replay.figures import age_us

if TYPE_CHECKING:
    from linkbudget.link.joints import Joint
    from linkbudget.replay.fates import Use

__all__ = [
    "JointMargin",
    "LoopMargin",
    "delayed_overshoot",
    "joint_margin",
    "margin_of_ages",
    "proportional_loop",
    "second_order_loop",
]

# A loop that crosses zero later than this many delays has died down to less than a float can tell from 1.
LONGEST_CROSSING = 40
STEP = 0.01
BISECTIONS = 60
GRID = 4_000

Frequencies = npt.NDArray[np.float64]
Loop = Callable[[Any], Any]
"""An open loop without its delay, of s, for an array of frequencies."""


@dataclass(frozen=True)
class LoopMargin:
    """The margins of a loop at a delay; infinite where no delay, gain or jitter makes it unstable.

    ``delay_margin_s`` is what is left beyond the delay that the loop has; below 0 the loop is unstable.
    ``jitter_margin_s`` is the largest jitter of the delay at which stability is sure. ``crossover_rad_s`` is
    the frequency of gain 1 in radians a second, ``phase_margin_deg`` the margin of phase there in degrees.
    ``gain_margin`` is a factor. ``overshoot`` is that of a step, as a part of it; None for an unstable loop
    and for one of second order with a delay.
    """

    crossover_rad_s: float
    phase_margin_deg: float
    delay_margin_s: float
    gain_margin: float
    jitter_margin_s: float
    overshoot: float | None

    @property
    def stable(self) -> bool:
        """Return whether the loop is stable at its delay."""
        return self.delay_margin_s > 0

    def to_dict(self) -> dict[str, float | bool | None]:
        """Return the JSON form, times in microseconds; what is infinite is None."""
        figures = {
            "crossover_rad_s": self.crossover_rad_s,
            "phase_margin_deg": self.phase_margin_deg,
            "delay_margin_us": self.delay_margin_s * 1e6,
            "gain_margin": self.gain_margin,
            "jitter_margin_us": self.jitter_margin_s * 1e6,
        }
        known = {name: value if isfinite(value) else None for name, value in figures.items()}
        return {"stable": self.stable, **known, "overshoot": self.overshoot}


def proportional_loop(gain_per_s: float, delay_s: float = 0) -> LoopMargin:
    """Return the margins of x' = -K x(t - D): ``gain_per_s`` is K, ``delay_s`` D.

    K is above 0 and D from 0 up, else `SettingsError`.

    >>> round(proportional_loop(10, 0.1).overshoot, 3)
    0.5
    """
    _check(gain_per_s=(gain_per_s, True), delay_s=(delay_s, False))
    gain, delay = float(gain_per_s), float(delay_s)
    left = pi / (2 * gain) - delay
    return LoopMargin(
        crossover_rad_s=gain,
        phase_margin_deg=90 - degrees(gain * delay),
        delay_margin_s=left,
        gain_margin=pi / (2 * gain * delay) if delay else inf,
        jitter_margin_s=_jitter_margin(lambda s: gain / s, gain, delay, gain) if left > 0 else 0.0,
        overshoot=delayed_overshoot(gain * delay) if left > 0 else None,
    )


def second_order_loop(natural_rad_s: float, damping: float, delay_s: float = 0) -> LoopMargin:
    """Return the margins of ω² / (s (s + 2ζω)) with a delay.

    ``natural_rad_s`` is ω in radians a second, ``damping`` ζ, both above 0; ``delay_s`` from 0 up. Raises
    `SettingsError` for others.

    >>> round(second_order_loop(10, 0.5).phase_margin_deg, 1)
    51.8
    """
    _check(natural_rad_s=(natural_rad_s, True), damping=(damping, True), delay_s=(delay_s, False))
    natural, zeta, delay = float(natural_rad_s), float(damping), float(delay_s)
    # √(√(1 + 4ζ⁴) - 2ζ²), written so that nothing cancels for a large ζ.
    ratio = 1 / sqrt(sqrt(1 + 4 * zeta**4) + 2 * zeta**2)
    crossover, phase = natural * ratio, atan(2 * zeta / ratio)
    left = phase / crossover - delay
    stays = 1 / (2 * zeta / natural)
    return LoopMargin(
        crossover_rad_s=crossover,
        phase_margin_deg=degrees(phase - crossover * delay),
        delay_margin_s=left,
        gain_margin=_gain_margin(natural, zeta, delay) if delay else inf,
        jitter_margin_s=(
            _jitter_margin(lambda s: natural**2 / (s * (s + 2 * zeta * natural)), crossover, delay, 0, stays)
            if left > 0
            else 0.0
        ),
        overshoot=None if delay else exp(-pi * zeta / sqrt(1 - zeta**2)) if zeta < 1 else 0.0,
    )


def _check(**values: tuple[float, bool]) -> None:
    faults = [
        Fault(name, value, "a number above 0" if above else "a number from 0 up")
        for name, (value, above) in values.items()
        if not isfinite(value) or value < 0 or (above and value == 0)
    ]
    if faults:
        raise SettingsError(faults)


def _gain_margin(natural: float, zeta: float, delay: float) -> float:
    """Return 1/|L| where its phase is -π: atan(ω/(2ζω_n)) + ωD = π/2, which rises with ω."""
    low, high = 0.0, pi / (2 * delay)
    for _ in range(BISECTIONS):
        middle = (low + high) / 2
        if atan(middle / (2 * zeta * natural)) + middle * delay < pi / 2:
            low = middle
        else:
            high = middle
    return low * sqrt(low**2 + (2 * zeta * natural) ** 2) / natural**2


def _jitter_margin(loop: Loop, scale: float, delay: float, at_infinity: float, peak: float = 0) -> float:
    """Return 1 / max over ω of ω |L/(1 + L)|; ``at_infinity`` is the limit of that for high frequencies.

    The largest value lies at the crossover or in the first lobe of the delay; a grid finds the place, and a
    finer one around it the value. ``peak`` is a value that is known to be reached without a delay.
    """

    def sizes(frequencies: Any) -> Frequencies:
        s = 1j * frequencies
        values = loop(s) * np.exp(-s * delay)
        result: Frequencies = frequencies * np.abs(values / (1 + values))
        return result

    width = 20 * max(scale, pi / delay if delay else 0) / GRID
    coarse = width * np.arange(1, GRID + 1)
    place = coarse[int(np.argmax(sizes(coarse)))]
    fine = place + width * np.linspace(-1, 1, GRID + 1)[1:]
    largest = float(np.max(sizes(fine)))
    return 1 / max(largest, at_infinity, 0 if delay else peak)


def delayed_overshoot(gain_times_delay: float) -> float:
    """Return how far a proportional loop with a delay goes past a step, as a part of the step.

    For K·D from 0 to below π/2. The solution of x' = -K x(t - D) is a polynomial from delay to delay; it is
    lowest one delay after its first zero.
    """
    if not 0 <= gain_times_delay < pi / 2:
        raise SettingsError(Fault("gain_times_delay", gain_times_delay, "0 to below pi / 2"))
    if gain_times_delay <= 1 / e:
        return 0.0
    steps = int(LONGEST_CROSSING / STEP)
    first = next((n for n in range(1, steps) if _delayed(gain_times_delay, n * STEP) <= 0), None)
    if first is None:
        return 0.0
    low, high = (first - 1) * STEP, first * STEP
    for _ in range(BISECTIONS):
        middle = (low + high) / 2
        low, high = (middle, high) if _delayed(gain_times_delay, middle) > 0 else (low, middle)
    return -_delayed(gain_times_delay, high + 1)


def _delayed(gain: float, time: float) -> float:
    """Return x(t) of x' = -k x(t - 1), x = 1 up to 0, by the method of steps."""
    return fsum((-gain) ** n * (time - (n - 1)) ** n / factorial(n) for n in range(int(time) + 2))


@dataclass(frozen=True)
class JointMargin:
    """What the ages in a replay allow a loop that is closed over a joint's message.

    ``delay_us`` is the mean age over time, holding included; ``jitter_us`` how much the age at use varies.
    The gains, per second, are those up to which a proportional loop does not overshoot, from which it is
    unstable, and up to which this jitter does no harm to it; None where every gain is right. ``margin`` is
    that of the joint's own gain; None where its file gives none.
    """

    joint: str
    delay_us: float
    jitter_us: float
    gain_no_overshoot_per_s: float | None
    gain_unstable_per_s: float | None
    gain_jitter_per_s: float | None
    gain_per_s: float | None
    margin: LoopMargin | None

    @property
    def jitter_ok(self) -> bool | None:
        """Return whether the jitter is below the jitter margin of the joint's own gain; None without one."""
        return None if self.margin is None else self.jitter_us * 1e-6 < self.margin.jitter_margin_s

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form."""
        margin = None if self.margin is None else self.margin.to_dict()
        return {**vars(self), "margin": margin, "jitter_ok": self.jitter_ok}


def joint_margin(joint: Joint, uses: Sequence[Use], end_ns: int) -> JointMargin | None:
    """Return what the ages in a replay that ended at ``end_ns`` allow a loop closed over a joint's message.

    None when its field is a place and it has no gain (then there is no such loop), or when its message was
    used less than twice.
    """
    own = [use for use in uses if use.accepted.name == joint.message]
    if len(own) < 2:
        return None
    ages = [use.age_ns for use in own]
    return margin_of_ages(joint, age_us(own, end_ns)["mean"], max(ages) - min(ages))


def margin_of_ages(joint: Joint, mean_age_us: float | None, spread_ns: int) -> JointMargin | None:
    """Return the same from the mean age over time and by how much the ages at two or more uses differ."""
    if mean_age_us is None or (joint.reference != "at-capture" and joint.gain_per_s is None):
        return None
    delay, jitter = mean_age_us * 1e-6, spread_ns * 1e-9
    gain = None if joint.gain_per_s is None else float(joint.gain_per_s)
    return JointMargin(
        joint=joint.name,
        delay_us=mean_age_us,
        jitter_us=jitter * 1e6,
        gain_no_overshoot_per_s=1 / (e * delay) if delay else None,
        gain_unstable_per_s=pi / (2 * delay) if delay else None,
        gain_jitter_per_s=_largest_gain(delay, jitter) if jitter else None,
        gain_per_s=gain,
        margin=None if gain is None else proportional_loop(gain, delay),
    )


def _largest_gain(delay: float, jitter: float) -> float:
    """Return the largest gain whose jitter margin at this delay is still the jitter."""
    # Without a delay it is 1/J; a delay only lowers it, and from π/(2D) on there is no margin at all.
    low, high = 0.0, min(1 / jitter, pi / (2 * delay) if delay else inf)
    for _ in range(BISECTIONS // 2):
        middle = (low + high) / 2
        if proportional_loop(middle, delay).jitter_margin_s >= jitter:
            low = middle
        else:
            high = middle
    return low
