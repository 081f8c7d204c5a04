"""How far requirements are from failing: by hand, by a fine scan, and where failing is no matter of more."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction

import pytest
from whatif_scenes import places, recorded, scene

from linkbudget import Link, headroom, load_bytes, replay
from linkbudget.capture.files import captures_dir
from linkbudget.link.requirements import Requirement
from linkbudget.study.headroom import GRID, RESOLUTION, Scan, edits_of
from linkbudget.study.resending import Recording, squeezed


def rows_of(link, capture, **options):
    found = headroom(link, capture, **options)
    return {(row.lever, row.requirement): row for row in found.rows}, found


def frames_demo():
    link = Link.load(captures_dir() / "bean-frames.toml")
    return link, load_bytes(captures_dir() / "bean-frames.vcd", link.line)


def test_a_loop_added_up_by_hand():
    # A pass that begins 3 ms after a message does finds all of it.
    link = scene(loop={"phase_us": 3000})
    capture = recorded(link, places(4))
    most = max(len(link.codec().encode("place", value)) for value in places(4))
    # 1 ms of work, 10 µs a byte and 100 µs a message: passes of 5 ms begin to be late beyond these factors.
    parse_us = 10 * most + 100
    rows, found = rows_of(link, capture)
    work = rows["work", "longest_pass_us"]
    true = (5000 - parse_us) / 1000
    assert work.value == 1000 + parse_us
    assert work.holds_to <= true < work.fails_at
    assert work.fails_at / work.holds_to <= 1 + RESOLUTION
    assert work.value_there == pytest.approx(1000 * work.fails_at + parse_us)
    parser = rows["parser", "longest_pass_us"]
    true = 4000 / parse_us
    assert parser.holds_to <= true < parser.fails_at
    assert parser.fails_at / parser.holds_to <= 1 + RESOLUTION
    joint = rows["joint", "longest_pass_us"]
    assert (joint.holds_to, joint.fails_at, joint.value_there, joint.tried_to) == (16, None, None, 16)
    assert found.replays > 0
    assert not any(row.holds_again for row in found.rows)


def test_every_factor_is_that_of_a_replay():
    link, capture = frames_demo()
    rows, _ = rows_of(link, capture)
    for lever in ("parser", "work", "joint"):
        row = rows[lever, "overshoot"]
        for factor, holds in ((row.holds_to, True), (row.fails_at, False)):
            if factor is not None:
                edits = edits_of(link, lever, Fraction(str(factor)))
                there = replay(link.replace(**edits), capture, phases=1).requirements
                found = next(one for one in there if one.name == "overshoot")
                assert found.met is holds, (lever, factor)
                if not holds:
                    assert found.value == row.value_there


def test_what_fails_as_it_is_has_none():
    link = scene(require={"missed_deadlines": 0, "longest_pass_us": 100})
    rows, _ = rows_of(link, recorded(link, places(3)))
    failing = rows["work", "longest_pass_us"]
    assert (failing.holds_to, failing.fails_at) == (None, 1)
    assert failing.value_there == failing.value
    assert rows["work", "missed_deadlines"].fails_at > 1


def test_nothing_is_replayed_when_everything_fails():
    link = scene(require={"longest_pass_us": 100})
    _, found = rows_of(link, recorded(link, places(3)))
    assert found.replays == 0
    assert {row.fails_at for row in found.rows} == {1}


def test_levers_a_link_has_not_say_why():
    link = scene(joint=None, parser=None, loop={"work_us": 0})
    _, found = rows_of(link, recorded(link, places(3)))
    assert set(found.left_out) == {"parser", "work", "joint"}
    assert {row.lever for row in found.rows} == {"messages"}


def test_more_messages_until_reading_cannot_keep_up():
    # 23 characters in 20 ms, and a pass of 5 ms reads 12: enough for twice as many and a little more.
    link = scene(
        reading={"strategy": "at-most", "limit_bytes": 12},
        receiver={"buffer_bytes": 4000},
        require={"age_us": 30_000},
        joint=None,
    )
    recording = Recording(link, recorded(link, places(60)))
    rows, _ = rows_of(link, recording.capture)
    row = rows["messages", "age_us"]
    assert 2 < row.fails_at < 2.5
    for factor, holds in ((row.holds_to, True), (row.fails_at, False)):
        there = squeezed(recording, Fraction(str(factor)))
        assert replay(link, there, phases=1).requirements[0].met is holds


def requirement(met, name="age_us"):
    return (Requirement(name, 10, 5 if met else 15, met, 0),)


def test_the_first_failure_counts_and_a_later_hold_is_told():
    scan = Scan("work", {Fraction(at): requirement(met) for at, met in ((1, True), (2, False), (3, True))})
    row = scan.row(0)
    assert (row.holds_to, row.fails_at, row.holds_again) == (1, 2, True)
    assert scan.wanted([0]) == [Fraction(3, 2)]
    scan.seen[Fraction(3, 2)] = requirement(False)
    assert scan.row(0).fails_at == 1.5


def test_a_replay_that_cannot_be_made_counts_as_failing():
    scan = Scan("work", {Fraction(1): requirement(True), Fraction(2): None})
    assert (scan.row(0).fails_at, scan.row(0).value_there) == (2, None)


def test_the_grid_rises_from_one():
    assert list(GRID) == sorted(GRID)
    assert GRID[0] == 1


def test_a_list_of_work_is_multiplied_part_by_part():
    assert edits_of(scene(loop={"work_us": [100, 300]}), "work", Fraction(3, 2)) == {
        "loop.work_us": [150, 450]
    }


def test_what_each_lever_changes():
    link = scene(reading={"skip_byte_us": 4}, parser={"pause_us": 3, "pause_every_bytes": 9})
    assert edits_of(link, "joint", Fraction(2)) == {"joint[0].v_max": 2000, "joint[0].a_max": 100_000}
    assert edits_of(link, "parser", Fraction(3)) == {
        "parser.byte_us": 30, "parser.message_us": 300, "parser.pause_us": 9, "reading.skip_byte_us": 12,
    }  # fmt: skip


def test_an_executor_finds_the_same():
    link = scene()
    capture = recorded(link, places(4))
    with ThreadPoolExecutor(2) as executor:
        assert headroom(link, capture, executor=executor).to_dict() == headroom(link, capture).to_dict()


def test_progress_comes_to_its_end():
    link = scene()
    seen = []
    found = headroom(link, recorded(link, places(2)), progress=lambda done, total: seen.append((done, total)))
    assert seen[-1][0] == found.replays
    assert all(done <= total for done, total in seen)
