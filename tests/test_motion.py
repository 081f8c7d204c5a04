"""Joints: the controller by hand, the actuator, and move times against the trapezoid formulas."""

from __future__ import annotations

from math import sqrt
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from receiver_scenes import LINES, NAMES, captured, decode, play, resolved

from linkbudget.link.joints import Joint, Track
from linkbudget.replay.fates import uses_of
from linkbudget.replay.follower import Follower, Path, track_position
from linkbudget.replay.motion import _moves, _overshoots, _rests, _settle_ms, move_joint
from linkbudget.replay.sent import sent_frames

MS = 10**6


def joint(**keys) -> Joint:
    return Joint(**{"message": "place", "field": "n", "v_max": 50, "a_max": 100, **keys})


def run_to(target: float, period_ns: int, passes: int, **keys) -> Path:
    follower = Follower(joint(**keys))
    follower.target = target
    for release in range(0, passes * period_ns, period_ns):
        follower.act(release, period_ns)
    return follower.path()


def test_the_speed_changes_by_the_acceleration_and_stops_at_the_target():
    # a = 100, 0.1 s: 10 a step. Position 0, 1, 3 ...; the last steps are the distance itself.
    path = run_to(5.0, 100 * MS, 9)
    assert path.speeds[:3].tolist() == pytest.approx([10, 20, 20])
    # At 0.3 s position 5 - 0: 0 + 1 + 2 + 2 = 5, reached with speed 20: 20 -> 10 -> back.
    assert path.at([100 * MS, 200 * MS, 300 * MS]).tolist() == pytest.approx([1, 3, 5])


def test_before_the_first_target_the_joint_rests_at_its_start():
    follower = Follower(joint(start=7))
    follower.act(0, 100)
    assert follower.path().at([0, 50, 10**9]).tolist() == [7, 7, 7]


def test_a_late_pass_lets_the_joint_run_on():
    follower = Follower(joint(v_max=10, a_max=1e6))
    follower.target = 1.0
    follower.act(0, 100 * MS)
    follower.act(300 * MS, 100 * MS)
    # Speed 10 was meant for 0.1 s and held for 0.3 s: two units beyond, then back.
    assert follower.path().at(300 * MS) == pytest.approx(3.0)
    assert follower.speed == pytest.approx(-10)


def test_a_pulse_takes_the_new_speed_at_its_next_multiple():
    follower = Follower(joint(a_max=1e6, actuator="pulse", pulse_period_us=20_000))
    follower.target = 100.0
    follower.act(5 * MS, 5 * MS)
    assert follower.path().times_ns.tolist() == [0, 20 * MS]
    on_a_pulse = Follower(joint(a_max=1e6, actuator="pulse", pulse_period_us=20_000))
    on_a_pulse.target = 100.0
    on_a_pulse.act(20 * MS, 5 * MS)
    assert on_a_pulse.path().times_ns.tolist() == [0, 20 * MS]


def test_a_later_command_before_the_pulse_takes_the_place_of_the_earlier():
    follower = Follower(joint(a_max=1e6, actuator="pulse", pulse_period_us=20_000))
    follower.target = 100.0
    follower.act(5 * MS, 5 * MS)
    follower.target = -100.0
    follower.act(10 * MS, 5 * MS)
    path = follower.path()
    assert path.times_ns.tolist() == [0, 20 * MS]
    assert path.speeds.tolist() == [0, -50]


# Check values "Kinematics (any mechanics text; recomputed)": d/v + v/a when d >= v²/a, else 2·√(d/a).
# Columns: distance, v limit, a limit, move time, peak speed.
TRAPEZOIDS = [
    (100, 50, 100, 2.5, 50.0),
    (10, 50, 100, 0.632456, 31.622777),
    (90, 300, 1200, 0.55, 300.0),
    (60, 300, 1200, 0.447214, 268.328157),
    (1, 1, 1, 2.0, 1.0),
    (90, 600, 3000, 0.34641, 519.615242),
]


def move_time(distance: float, v_max: float, a_max: float, period_ns: int) -> tuple[float, float]:
    """Seconds until the joint is within a thousandth of the distance for good, and its peak speed."""
    passes = int(3 * 10**9 / period_ns)
    path = run_to(distance, period_ns, passes, v_max=v_max, a_max=a_max)
    away = np.abs(path.positions - distance) > distance / 1000
    return float(path.times_ns[np.flatnonzero(away)[-1] + 1]) * 1e-9, float(path.speeds.max())


@pytest.mark.parametrize(("distance", "v_max", "a_max", "seconds", "peak"), TRAPEZOIDS)
def test_moves_approach_the_trapezoid_as_the_period_shrinks(distance, v_max, a_max, seconds, peak):
    # Within a thousandth of the distance the trapezoid is √(2·distance/1000/a) before its end.
    expected = seconds - sqrt(2 * distance / 1000 / a_max)
    errors = []
    for period_ns in (10 * MS, MS, MS // 10):
        measured, fastest = move_time(distance, v_max, a_max, period_ns)
        errors.append(abs(measured - expected) / expected)
        assert fastest <= v_max * (1 + 1e-9)
    assert errors[0] > errors[1] > errors[2]
    assert errors[2] < 0.003
    assert fastest == pytest.approx(peak, rel=0.001)


def test_a_sample_that_is_late_moves_the_reaction_point():
    # Check values "v deg/s, delay s, v T deg": 300, 0.020, 6 and 120, 0.005, 0.6 (recomputed).
    for speed, delay_ns, way in [(300, 20 * MS, 6), (120, 5 * MS, 0.6), (60, 100 * MS, 6)]:
        path = Path(np.array([0]), np.array([0.0]), np.array([float(speed)]))
        assert float(path.at(delay_ns)) == pytest.approx(way)


# Same source, stopping distance v²/(2a): v limit, a limit, distance.
STOPS = [(50, 100, 12.5), (300, 1200, 37.5), (1, 1, 0.5), (600, 3000, 60.0)]


@pytest.mark.parametrize(("v_max", "a_max", "way"), STOPS)
def test_a_joint_at_full_speed_needs_the_published_way_to_stop(v_max, a_max, way):
    """Told at full speed to go no further, it goes on for v²/(2a) and comes back; to within a pass at v."""
    follower = Follower(joint(v_max=v_max, a_max=a_max))
    follower.target = 1e9
    now = 0
    while follower.speed < v_max:
        follower.act(now, MS)
        now += MS
    follower.act(now, MS)
    here = follower.target = float(follower.path().at(now))
    for release in range(now + MS, now + 4 * 10**9, MS):
        follower.act(release, MS)
    furthest = float(follower.path().positions.max()) - here
    assert furthest == pytest.approx(way, abs=2 * v_max / 1000)


@given(
    st.lists(st.tuples(st.integers(1, 40), st.floats(-100, 100)), min_size=1, max_size=30),
    st.floats(1, 500),
    st.floats(1, 5000),
)
@settings(max_examples=60)
def test_speed_and_acceleration_keep_their_limits(steps, v_max, a_max):
    follower = Follower(joint(v_max=v_max, a_max=a_max))
    now = 0
    for wait, target in steps:
        follower.target = target
        follower.act(now, MS)
        now += wait * MS
    path = follower.path()
    assert np.all(np.abs(path.speeds) <= v_max * (1 + 1e-9))
    changes = np.abs(np.diff(path.speeds))
    assert np.all(changes <= a_max * 1e-3 * (1 + 1e-9))


# --- tracks ----------------------------------------------------------------------------------------------


def test_tracks_are_steps_straight_lines_or_a_sine():
    steps = Track(kind="steps", times_us=(10, 20), positions=(1, 2))
    assert [track_position(steps, at, 5.0) for at in (9_999, 10_000, 19_999, 20_000, 10**9)] == [
        5,
        1,
        1,
        2,
        2,
    ]
    table = Track(kind="table", times_us=(10, 20), positions=(1, 2))
    assert [track_position(table, at, 5.0) for at in (0, 15_000, 30_000)] == [1, 1.5, 2]
    sine = Track(kind="sine", amplitude=2, period_us=40, phase_us=10, offset=1)
    assert [track_position(sine, at, 5.0) for at in (10_000, 20_000, 40_000)] == pytest.approx([1, 3, -1])


# --- figures ---------------------------------------------------------------------------------------------


def straight(*corners: tuple[int, float]) -> Path:
    times = np.array([time for time, _ in corners])
    positions = np.array([position for _, position in corners])
    speeds = np.append(np.diff(positions) / (np.diff(times) * 1e-9), 0.0)
    return Path(times, positions, speeds)


def test_overshoot_is_seen_from_where_the_joint_was():
    path = straight((0, 0.0), (10, 12.0), (20, 9.0), (30, 10.0), (40, 5.0))
    assert _overshoots(path, [(0, 10.0)], 30) == pytest.approx([2.0])
    # The second target comes at 10, when the joint is beyond it: passing 10 downwards to 9 is overshoot.
    assert _overshoots(path, [(0, 10.0), (10, 10.0)], 30) == pytest.approx([2.0, 1.0])
    assert _overshoots(path, [(0, 15.0)], 30) == [0.0]
    # The joint is on the target when it comes: either side counts.
    assert _overshoots(path, [(30, 10.0)], 40) == pytest.approx([5.0])


def test_settling_is_staying_within_the_band():
    path = straight((0, 0.0), (100, 10.0), (200, 12.0), (300, 10.0))
    # Within 1 of 10 for good from 250 on (12 to 10 takes 100).
    assert _settle_ms(path, [(0, 10.0)], 400, 1.0) == pytest.approx(250e-6)
    assert _settle_ms(path, [(0, 10.0)], 200, 1.0) is None
    assert _settle_ms(path, [], 400, 1.0) is None
    # Repeated targets within the band are one move; without a band it is 2 % of the move.
    assert len(_moves(path, [(0, 10.0), (50, 10.5), (90, 30.0)], 400, 1.0)) == 2
    assert _settle_ms(path, [(0, 10.0)], 400, None) == pytest.approx(290e-6)


# --- a joint on a replay ---------------------------------------------------------------------------------


def numbered(payload: bytes) -> tuple[str, dict[str, int]]:
    name, digits = decode(payload)
    return name, {"n": int(digits)}


def moved(data: bytes, times, sections, capture_to_send_ns=0, **keys):
    link = resolved(**sections)
    link = SimpleNamespace(loop=link.loop, sender=SimpleNamespace(capture_to_send_ns=capture_to_send_ns))
    sent = sent_frames(captured(data, times), LINES, numbered)
    run = play(data, times, read=numbered, **sections)
    uses = uses_of(run, sent, dict.fromkeys(NAMES.values(), "newest"))
    period = link.loop.period_ns
    releases = list(range(link.loop.phase_ns, times[-1] + period + 1, period))
    return move_joint(joint(**keys), run, sent, uses, link, releases)


POLLED = {"receiver": {"mode": "polled", "fifo_bytes": 32}, "reading": {"context": "first"}}
FAST = {"v_max": 1e9, "a_max": 1e18}


def test_the_target_is_scale_times_value_plus_offset():
    motion = moved(b"p5\n", [10, 20, 30], POLLED, scale=2, offset=1, **FAST)
    assert motion.targets == ((100, 11.0),)
    assert motion.joint == "n"
    assert motion.path.at(100 + 100) == pytest.approx(11.0)


def test_without_lateness_a_joint_is_its_own_ideal():
    motion = moved(b"p5\np8\n", [10, 20, 30, 400, 410, 420], POLLED, **FAST)
    assert motion.rms_error == pytest.approx(0)
    # Reading after the work uses each message a period later than the ideal follower does.
    late = moved(b"p5\np8\n", [10, 20, 30, 400, 410, 420], {**POLLED, "reading": {}}, **FAST)
    assert late.rms_error > 1


def test_a_camera_on_the_joint_sees_the_distance_to_its_track():
    track = Track(kind="table", times_us=(0, 1), positions=(0, 1000))
    keys = {"reference": "at-capture", "track": track, **FAST}
    motion = moved(b"p5\np5\n", [10, 20, 30, 400, 410, 420], POLLED, **keys)
    # Captured when their first characters start: at 0 and 390 ns, where the track is at 0 and 390.
    assert [target for _, target in motion.targets] == pytest.approx([0, 390])
    early = moved(b"p5\np5\n", [10, 20, 30, 400, 410, 420], POLLED, capture_to_send_ns=90, **keys)
    assert [target for _, target in early.targets] == pytest.approx([0, 300])


def test_a_misread_error_is_taken_from_where_the_joint_was_at_capture():
    # 12 loses a byte and becomes 1: the joint stands at 4 and is sent to 4 + 1.
    track = Track(kind="table", times_us=(0, 1), positions=(0, 1000))
    sections = {"receiver": {"mode": "polled", "fifo_bytes": 2}, "loop": {"phase_ns": 40, "period_ns": 150}}
    motion = moved(b"p12\np", [10, 20, 30, 195, 1000], sections, reference="at-capture", track=track, start=4)
    assert motion.targets[0][1] == pytest.approx(5)


def test_resting_passes_are_counted():
    motion = moved(b"p5\n", [10, 20, 30], POLLED, **FAST)
    # Passes at 0 and 100: the joint rests in the first and moves in the second.
    assert motion.idle_share == 0.5
    nothing = moved(b"x\n", [10, 20], POLLED)
    assert (nothing.idle_share, nothing.overshoot, nothing.settle_ms, nothing.rms_error) == (
        1.0,
        None,
        None,
        0.0,
    )


def test_rests_are_stretches_of_time_without_speed():
    # At rest to 10, moves to 30, rests to 70, moves to 80, rests to the end.
    path = Path(
        np.array([0, 10, 20, 30, 50, 70, 80]), np.zeros(7), np.array([0.0, 5.0, -5.0, 0.0, 1e-7, 3.0, 0.0])
    )
    assert _rests(path, 100, 1.0) == [10, 40, 20]
    assert _rests(path, 60, 1.0) == [10, 30]
    # Slower than a millionth of the largest speed is rest.
    assert _rests(path, 100, 0.01) == [10, 20, 20]
    assert _rests(Path(np.array([0]), np.array([1.0]), np.array([0.0])), 50, 1.0) == [50]


def test_the_share_of_time_at_rest():
    # Used at 100 by the pass that starts its work there; the joint is fast enough for one period.
    motion = moved(b"p5\n", [10, 20, 30], {**POLLED, "loop": {"period_ns": 50}}, **FAST)
    # Passes at 0, 50: the last one starts the only move, so that all time up to it is rest.
    assert (motion.rest_time_share, motion.rests, motion.longest_rest_ms) == (1.0, 1, 50e-6)
    nothing = moved(b"x\n", [10, 20], POLLED)
    assert nothing.rest_time_share == 1.0
