"""What the cores of a replay did and when: by hand, against the sums of the passes, against the oracle."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from oracle_receiver import Oracle
from pictures import capture_of, case_of
from receiver_scenes import LINES, back_to_back, decode, resolved
from strategies import seeded_scene
from test_receiver import settings_of_a_link, traffic

from linkbudget import Link
from linkbudget.replay.activities import Activities, Activity, lay_out
from linkbudget.replay.arrivals import Traffic
from linkbudget.replay.receiver import Run, simulate
from linkbudget.replay.run import characters_of

WORK, READING, WAITING, PAUSE, WINDOW = Activity


def traced(data: bytes, times=None, *, flags=None, **sections) -> Run:
    times = back_to_back(data) if times is None else times
    characters = list(zip(times, data, flags or [0] * len(data), strict=True))
    link = resolved(**sections)
    return simulate(link, Traffic(characters, link.receiver.errored, LINES, decode), trace=True)


def stretches(activities: Activities | None) -> list[tuple[int, int, int]]:
    assert activities is not None
    columns = (activities.start, activities.end, activities.kind)
    return list(zip(*(column.tolist() for column in columns), strict=True))


def test_a_run_that_was_not_asked_for_them_has_none():
    link = resolved()
    run = simulate(link, Traffic([(10, 10, 0)], link.receiver.errored, LINES, decode))
    assert run.activities is None
    assert run.reading_activities is None


def test_handlers_cut_the_work_and_bytes_come_after_it():
    """Three handlers of 2 ns at 10, 20, 30; work of 15 from 5 on; then 4 ns for each of the bytes."""
    run = traced(
        b"p1\n",
        receiver={"interrupt_entry_ns": 2},
        loop={"work_ns": (15,), "phase_ns": 5, "period_ns": 1000},
        parser={"byte_ns": 4},
    )
    assert stretches(run.activities)[:4] == [
        (5, 10, WORK),
        (12, 20, WORK),
        (22, 24, WORK),
        (24, 30, READING),
    ]
    assert stretches(run.activities)[4:] == [(32, 38, READING), (1005, 1020, WORK)]
    assert run.reading_activities is None


def test_waiting_for_the_rest_of_a_message_and_a_pause():
    """Byte 1 at 10, byte 2 at 30: looked for at 11, waited for up to 30; a pause after every second byte."""
    run = traced(
        b"p\n",
        times=[10, 30],
        loop={"phase_ns": 10, "period_ns": 1000},
        reading={"strategy": "whole-message", "timeout_ns": 500},
        parser={"byte_ns": 1, "pause_ns": 6, "pause_every_bytes": 2},
    )
    assert stretches(run.activities) == [
        (10, 11, READING),
        (11, 30, WAITING),
        (30, 31, READING),
        (31, 37, PAUSE),
    ]


def test_windows_count_where_there_was_something_to_do():
    """Windows [5, 15), [45, 55), [85, 95) ...: in the work, between passes, before a pass that is due."""
    run = traced(
        b"\n",
        times=[10],
        loop={"work_ns": (20,), "period_ns": 90},
        busy=[(40, 5, 10, "loop")],
    )
    assert stretches(run.activities) == [
        (0, 5, WORK),
        (5, 15, WINDOW),
        (15, 30, WORK),
        (90, 95, WINDOW),
        (95, 115, WORK),
    ]


def test_reading_on_a_core_of_its_own_has_its_own_stretches():
    run = traced(
        b"p1\n",
        receiver={"interrupt_entry_ns": 2},
        loop={"work_ns": (15,), "period_ns": 100},
        reading={"context": "own-core"},
        parser={"byte_ns": 4},
    )
    assert stretches(run.activities) == [(0, 15, WORK), (100, 115, WORK)]
    assert stretches(run.reading_activities) == [(12, 16, READING), (22, 26, READING), (32, 36, READING)]


def test_stretches_that_touch_are_one_within_a_pass_and_two_across_passes():
    passes = np.array([0, 10]), np.array([10, 20])
    none = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    notes = [(0, 4, WORK), (4, 4, PAUSE), (4, 10, WORK), (10, 20, WORK)]
    assert stretches(lay_out(notes, passes, none)) == [(0, 10, WORK), (10, 20, WORK)]
    assert stretches(lay_out([], none, none)) == []


def test_when_each_character_was_taken_is_known():
    """Two bytes fit: the second lies there until 49, so the third fits and the fourth is lost."""
    run = traced(
        b"p12\n7",
        times=[10, 20, 46, 47, 460],
        receiver={"mode": "polled", "fifo_bytes": 2},
        loop={"phase_ns": 45, "period_ns": 400},
        reading={"take": "per-byte", "strategy": "snapshot"},
        parser={"byte_ns": 4},
    )
    assert run.taken is not None
    assert run.taken.tolist() == [45, 49, 445, -1, 845]
    lost = traced(b"p12", receiver={"mode": "polled", "fifo_bytes": 1}, loop={"phase_ns": 25})
    assert lost.taken is not None
    assert lost.taken.tolist() == [25, -1, 125]


def test_they_cannot_be_changed():
    run = traced(b"\n")
    for activities in (run.activities, traced(b"\n", reading={"context": "own-core"}).reading_activities):
        with pytest.raises(ValueError, match="read-only"):
            activities.kind[:] = 0


def sums(activities: Activities, starts: np.ndarray, ends: np.ndarray, kind: int) -> list[int]:
    """Time of one kind inside each of the spans; a stretch that goes over an edge would not be counted."""
    mine = activities.kind == kind
    start, end = activities.start[mine], activities.end[mine]
    before = np.append(0, np.cumsum(end - start))
    return (before[np.searchsorted(end, ends, "right")] - before[np.searchsorted(start, starts)]).tolist()


@given(settings_of_a_link(), traffic())
@settings(max_examples=300)
def test_the_sums_of_a_pass_are_its_columns(sections, seen):
    data, times, flags = seen
    run = traced(data, times, flags=flags, **sections)
    passes, found = run.passes, run.activities
    assert found is not None
    assert run.taken is not None
    assert ((run.taken >= 0) == np.isin(run.character_fate, (1, 2))).all()
    assert (run.taken >= np.where(run.taken < 0, -1, times)).all()
    assert (found.end > found.start).all()
    assert (found.start[1:] >= found.end[:-1]).all()
    for kind in Activity:
        column = getattr(passes, kind.name.lower())
        assert sums(found, passes.start, passes.end, kind) == column.tolist()
    others = found.kind != WINDOW
    of_passes = sum(getattr(passes, kind.name.lower()).sum() for kind in (WORK, READING, WAITING, PAUSE))
    assert (found.end - found.start)[others].sum() == of_passes
    reading = run.reading_activities
    assert (reading is not None) == run.own_core
    if reading is not None:
        length = reading.end - reading.start
        totals = [int(length[reading.kind == kind].sum()) for kind in (READING, WAITING, PAUSE)]
        assert totals == [run.reading_ns, run.waiting_ns, run.pause_ns]
        assert totals == [sum(sums(reading, *run.steps, kind)) for kind in (READING, WAITING, PAUSE)]


class Watched(Oracle):
    """The second simulation of the tests, which writes down what each core does while time passes."""

    def let_time_pass(self, then: int) -> None:
        for number, core in enumerate(reversed(self.cores)):
            activity = self.activity(core)
            due = core.want is not None and (core.want[0] != "turn" or core.want[1] <= self.now)
            if due and activity not in (None, "handler"):
                self.seen[number].append((self.now, then, Activity[activity.upper()]))
        super().let_time_pass(then)

    def watch(self) -> Watched:
        self.seen: tuple[list[tuple[int, int, int]], ...] = ([], [])
        self.simulate()
        return self


def joined(seen: list[tuple[int, int, int]], cuts: set[int]) -> list[tuple[int, int, int]]:
    """Stretches of the same kind that touch, unless a pass or reading step starts there."""
    rows: list[tuple[int, int, int]] = []
    for start, end, kind in seen:
        if rows and rows[-1][1:] == (start, kind) and start not in cuts:
            rows[-1] = (rows[-1][0], end, kind)
        else:
            rows.append((start, end, kind))
    return rows


@pytest.mark.parametrize("first", range(0, 300, 100))
def test_the_second_simulation_sees_the_same(first):
    compared = 0
    for seed in range(first, first + 100):
        scene = seeded_scene(seed)
        watched = Watched(case_of(scene)).watch()
        link = Link.from_dict(scene.document)
        codec, capture = link.codec("to-controller"), capture_of(scene, link)
        link_ns = link.resolve()
        traffic = Traffic(characters_of(capture), link_ns.receiver.errored, codec.fmt, codec.decode_payload)
        run = simulate(link_ns, traffic, trace=True)
        of_passes = joined(watched.seen[0], set(run.passes.start.tolist()))
        assert stretches(run.activities) == of_passes, seed
        if run.own_core:
            alone = joined(watched.seen[1], set(run.steps[0].tolist()))
            assert stretches(run.reading_activities) == alone, seed
        compared += len(of_passes)
    assert compared > 500
