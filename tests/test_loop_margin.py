"""Margins of loops with delay: published values, a simulated loop, and what a replay makes of its ages."""

from __future__ import annotations

from math import e, inf, pi, sqrt

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from test_replay import lines, link

from linkbudget.errors import SettingsError
from linkbudget.replay.loop_margin import (
    delayed_overshoot,
    proportional_loop,
    second_order_loop,
)
from linkbudget.replay.run import replay


def simulated(gain: float, delay: float, until: float, jitter=None, steps: int = 400) -> np.ndarray:
    """x' = -K x(t - D) from x = 1, in Heun steps; ``jitter`` adds so much to D at each step."""
    step = delay / steps if delay else 1e-3
    count = int(until / step)
    back = round(delay / step)
    x = np.ones(count + back + 1)
    for at in range(back, count + back):
        late = 0 if jitter is None else round(jitter(at * step) / step)
        first, second = x[max(at - back - late, 0)], x[max(at + 1 - back - late, 0)] if back else 0
        if back:
            x[at + 1] = x[at] - gain * step * (first + second) / 2
        else:
            x[at + 1] = x[at] * (1 - gain * step + (gain * step) ** 2 / 2)
    return x[back:]


# "On the Instability and Critical Damping Conditions, kτ = 1/e and kτ = π/2"; overshoots simulated.
@pytest.mark.parametrize(
    ("product", "per_cent"), [(0.5, 4.1), (0.6, 11.7), (0.75, 25.4), (1.0, 50), (1.25, 75)]
)
def test_overshoot_of_a_delayed_proportional_loop(product, per_cent):
    assert 100 * delayed_overshoot(product) == pytest.approx(per_cent, abs=0.1)
    assert proportional_loop(10 * product, 0.1).overshoot == pytest.approx(delayed_overshoot(product))


def test_overshoot_begins_at_1_over_e_and_grows():
    assert delayed_overshoot(0) == delayed_overshoot(1 / e) == 0
    products = np.linspace(0.4, 1.57, 40)
    overshoots = [delayed_overshoot(product) for product in products]
    assert overshoots == sorted(overshoots)
    assert overshoots[0] > 0
    # By hand for K D = 1: x = 1 - t, then 1 - t + (t - 1)^2 / 2, lowest at t = 2 with -1/2.
    assert delayed_overshoot(1) == pytest.approx(0.5, abs=1e-12)


@settings(max_examples=20)
@given(st.floats(0.4, 1.5))
def test_overshoot_is_that_of_a_simulated_loop(product):
    assert delayed_overshoot(product) == pytest.approx(-simulated(product, 1, 30).min(), abs=2e-3)


def test_a_proportional_loop_is_unstable_from_half_pi_on():
    assert proportional_loop(pi / 2 * 0.999, 1).stable
    unstable = proportional_loop(pi / 2 * 1.001, 1)
    assert not unstable.stable
    assert unstable.overshoot is None
    assert unstable.jitter_margin_s == 0
    assert unstable.gain_margin < 1
    for product, grows in ((1.5, False), (1.65, True)):
        x = np.abs(simulated(product, 1, 60))
        assert bool(x[-10_000:].max() > x[: x.size // 2].max()) is grows


def test_margins_of_a_proportional_loop_by_hand():
    """Crossover at K; phase there 90 degrees less K D; -180 degrees at pi / (2 D)."""
    found = proportional_loop(5, 0.1)
    assert found.crossover_rad_s == 5
    assert found.phase_margin_deg == pytest.approx(90 - 5 * 0.1 * 180 / pi)
    assert found.delay_margin_s == pytest.approx(pi / 10 - 0.1)
    assert found.gain_margin == pytest.approx(pi)
    assert proportional_loop(5).gain_margin == inf


def test_jitter_margin_of_a_proportional_loop():
    """For K/s: J < 1/K. Cervin, Lincoln, Eker, Arzen, Buttazzo, RTCSA 2004 (formula from memory)."""
    for gain in (0.1, 1, 40):
        assert proportional_loop(gain).jitter_margin_s == pytest.approx(1 / gain, rel=1e-6)


# Textbook; formula from memory, values recomputed: damping 0.5, in units of the natural frequency.
def test_margins_of_a_second_order_loop():
    found = second_order_loop(1, 0.5)
    assert found.crossover_rad_s == pytest.approx(0.7862, abs=5e-5)
    assert found.phase_margin_deg == pytest.approx(51.83, abs=5e-3)
    assert found.delay_margin_s == pytest.approx(1.1506, abs=5e-5)
    assert 100 * found.overshoot == pytest.approx(16.3, abs=0.05)
    faster = second_order_loop(20, 0.5)
    assert faster.delay_margin_s == pytest.approx(1.1506 / 20, abs=5e-6)
    assert second_order_loop(1, 1.5).overshoot == 0


@given(st.floats(0.1, 100), st.floats(0.05, 5))
@settings(max_examples=60)
def test_a_second_order_loop_by_its_definition(natural, damping):
    """|L| is 1 at the crossover, and the phase margin is what its phase lacks to -180 degrees."""
    found = second_order_loop(natural, damping)
    s = 1j * found.crossover_rad_s
    value = natural**2 / (s * (s + 2 * damping * natural))
    assert abs(value) == pytest.approx(1)
    assert np.degrees(np.angle(value)) + 180 == pytest.approx(found.phase_margin_deg)
    # The largest of ω |T| is at the natural frequency: ω_n / (2 ζ).
    assert found.jitter_margin_s == pytest.approx(2 * damping / natural, rel=1e-6)


@given(st.floats(0.1, 50), st.floats(0.1, 3), st.floats(0.01, 3))
@settings(max_examples=60)
def test_the_gain_margin_is_where_the_phase_is_minus_180_degrees(natural, damping, part):
    assume(abs(part - 1) > 1e-6)  # at the limit itself rounding decides
    delay = part * second_order_loop(natural, damping).delay_margin_s
    found = second_order_loop(natural, damping, delay)
    assert found.stable is (part < 1)
    assert (found.gain_margin > 1) is found.stable
    # With the delay at its margin the gain margin is 1.
    limit = second_order_loop(natural, damping, second_order_loop(natural, damping).delay_margin_s)
    assert limit.gain_margin == pytest.approx(1, rel=1e-6)


@given(st.floats(0.2, 30), st.floats(0.01, 0.95))
@settings(max_examples=20)
def test_the_jitter_margin_is_no_lower_than_a_fine_search_finds(gain, part):
    delay = part * pi / (2 * gain)
    frequencies = np.geomspace(gain / 100, 1000 * max(gain, 1 / delay), 400_000)
    loop = gain / (1j * frequencies) * np.exp(-1j * frequencies * delay)
    largest = np.max(frequencies * np.abs(loop / (1 + loop)))
    found = proportional_loop(gain, delay).jitter_margin_s
    assert found <= 1 / largest * (1 + 1e-3)
    assert found >= 1 / largest * (1 - 1e-2)


def test_a_delay_that_varies_within_the_jitter_margin_does_no_harm():
    """K = 1, D = 0.5: at random delays up to the margin more, the error dies down."""
    margin = proportional_loop(1, 0.5).jitter_margin_s
    assert 0.2 < margin < 1
    for period in (0.3, 1, 3.7, 6.1):
        x = simulated(1, 0.5, 60, jitter=lambda t, period=period: margin if t % period < period / 2 else 0)
        assert np.abs(x[-2000:]).max() < 0.01


def test_what_makes_no_loop_is_refused():
    with pytest.raises(SettingsError) as caught:
        second_order_loop(0, -1, float("nan"))
    assert [fault.path for fault in caught.value.faults] == ["natural_rad_s", "damping", "delay_s"]
    with pytest.raises(SettingsError, match="below pi / 2"):
        delayed_overshoot(1.6)


# --- in a replay -----------------------------------------------------------------------------------------

TRACK = {"kind": "sine", "amplitude": 3, "period_us": 10**6}
FLAP = {"name": "flap", "message": "place", "field": "x", "v_max": 100, "a_max": 1000}


def margins(**joint):
    return replay(link(joint=[{**FLAP, **joint}]), lines(40, 21_000), phases=1).to_dict()["loop_margin"]


def test_a_replay_gives_the_gains_its_ages_allow():
    (found,) = margins(reference="at-capture", track=TRACK)
    delay, jitter = found["delay_us"] * 1e-6, found["jitter_us"] * 1e-6
    assert 0.01 < delay < 0.03
    assert 0.003 < jitter < 0.006
    assert found["gain_no_overshoot_per_s"] == pytest.approx(1 / (e * delay))
    assert found["gain_unstable_per_s"] == pytest.approx(pi / 2 / delay)
    assert proportional_loop(found["gain_jitter_per_s"], delay).jitter_margin_s == pytest.approx(jitter)
    assert (found["gain_per_s"], found["margin"], found["jitter_ok"]) == (None, None, None)


def test_a_joint_with_a_gain_has_its_own_margin():
    (found,) = margins(gain_per_s=20)
    own = proportional_loop(20, found["delay_us"] * 1e-6)
    assert found["margin"] == own.to_dict()
    assert found["margin"]["stable"]
    assert found["jitter_ok"] is (found["jitter_us"] * 1e-6 < own.jitter_margin_s) is True
    (wild,) = margins(gain_per_s=200)
    assert wild["margin"]["stable"] is wild["jitter_ok"] is False
    assert wild["margin"]["delay_margin_us"] < 0


def test_a_place_without_a_gain_closes_no_loop():
    assert margins() == []
    once = replay(link(joint=[{**FLAP, "gain_per_s": 1}]), lines(1), phases=1)
    assert once.to_dict()["loop_margin"] == []


def test_the_page_shows_the_margins(linkbudget, tmp_path):
    from linkbudget.capture.files import save_capture

    (tmp_path / "link.toml").write_text(link(joint=[{**FLAP, "gain_per_s": 200}]).to_toml(), encoding="utf-8")
    save_capture(lines(40, 21_000), tmp_path / "capture.jsonl")
    ran = linkbudget("replay", tmp_path / "link.toml", tmp_path / "capture.jsonl", "--phases", 1)
    assert "Loops closed over the link" in ran.out
    assert "UNSTABLE" in ran.out
    assert max(map(len, ran.out.splitlines())) <= 80


def test_the_ticked_stopping_speed_stays_half_a_step_below_the_model():
    """v = -aT/2 + a sqrt(T^2/4 + 2d/a) stops within d at ticks of T (public notes on a ticked planner).

    The model's controller takes sqrt(2 a d), the limit of short ticks: never more than a T / 2 above it.
    """
    for distance, acceleration, tick in [(10, 100, 0.005), (0.5, 3000, 0.02), (90, 1200, 0.001)]:
        ticked = -acceleration * tick / 2 + acceleration * sqrt(tick**2 / 4 + 2 * distance / acceleration)
        smooth = sqrt(2 * acceleration * distance)
        assert 0 <= smooth - ticked <= acceleration * tick / 2
