"""What-if studies: every row is a replay of its link file, and the answer says no more than was tried."""

from __future__ import annotations

import json
import random
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from multiprocessing import get_context

import numpy as np
import pytest
from steady_links import steady_link, traffic
from whatif_scenes import places, recorded, scene

from linkbudget import (
    ByteCapture,
    CaptureError,
    Link,
    SettingsError,
    load_bytes,
    replay,
    save_capture,
    whatif,
)
from linkbudget.capture.files import captures_dir
from linkbudget.study.policy_kinds import policy
from linkbudget.study.whatif_changes import BAUDRATES, builtin_changes

SLOW = {"byte_us": 60, "message_us": 4200, "pause_us": 3000, "pause_every_bytes": 50}
"""A parser that is much too slow for a loop of 5 ms."""


def study(link, capture=None, changes=None, count=8, **options):
    capture = recorded(link, places(count)) if capture is None else capture
    options = {"max_sets": 8, "with_headroom": False, **options}
    return whatif(link, capture, changes, **options)


def by_name(result):
    return {row.name: row for row in (*result.rows, *result.left_out)}


def figures_of(result):
    """The figures of a replay that a row has, read from its JSON."""
    document = result.to_dict()
    counts = document["messages"]
    overshoots = [row["overshoot"] for row in document["motion"]]
    return {
        "missed_deadlines": document["missed_deadlines"],
        "deadlines": document["passes"] + document["skipped"],
        "longest_pass_us": document["longest_pass_us"],
        "age_us": document["age_us"]["max"],
        "sent": counts["sent"],
        "used": counts["used"],
        "lost": counts["lost"] + counts["damaged"],
        "misread": counts["misread"],
        "bytes_lost": document["bytes"]["overrun_hardware"] + document["bytes"]["overrun_buffer"],
        "overshoot": None if None in overshoots else max(overshoots, default=None),
        "requirements": document["requirements"],
    }


def assert_each_row_is_a_replay_of_its_files(result, rows, folder):
    """Write link file and traffic of rows, read them again, and replay those."""
    for number, row in enumerate(rows):
        link, capture = result.edited(row)
        (folder / f"{number}.toml").write_text(link.to_toml(), encoding="utf-8")
        if capture is not result.capture:
            save_capture(capture, folder / f"{number}.jsonl")
            capture = load_bytes(folder / f"{number}.jsonl")
        again = replay(Link.load(folder / f"{number}.toml"), capture, phases=1)
        told = row.to_dict()
        assert {key: told[key] for key in figures_of(again)} == figures_of(again), row.name


# --- rows -------------------------------------------------------------------------------------------------


def test_each_row_of_the_demo_is_a_replay_of_its_files(tmp_path):
    link = Link.load(captures_dir() / "bean-frames.toml")
    capture = load_bytes(captures_dir() / "bean-frames.vcd", link.line)
    result = study(link, capture)
    assert len(result.rows) > 20
    assert_each_row_is_a_replay_of_its_files(result, result.rows[::4], tmp_path)
    assert figures_of(replay(link, capture))["age_us"] == result.present.figures.age_us


@pytest.mark.filterwarnings("ignore::linkbudget.LinkBudgetWarning")
@pytest.mark.parametrize("seed", range(8))
def test_each_row_of_any_link_is_a_replay_of_its_files(tmp_path, seed):
    rng = random.Random(seed)
    link = replace(steady_link(rng), require={"missed_deadlines": 3})
    times, data, flags = (np.array(column) for column in zip(*traffic(link, rng, 6), strict=True))
    capture = ByteCapture(times, data, flags, link.line)
    result = study(link, capture, max_sets=0)
    assert len(result.rows) > 10
    assert_each_row_is_a_replay_of_its_files(result, result.rows, tmp_path)


def test_what_is_tried_on_the_demo():
    link = Link.load(captures_dir() / "bean-text.toml")
    changes = {change.name: change for change in builtin_changes(link)}
    assert {change.kind for change in changes.values()} == {
        "baud rate", "format", "parser", "strategy", "context", "buffer", "trigger", "transfer", "handler",
        "pauses", "dt", "period", "send policy of beans",
    }  # fmt: skip
    assert [name for name in changes if name.endswith(" baud")] == [
        "230400 baud",
        "460800 baud",
        "921600 baud",
    ]
    assert changes["packed-bits/cobs/CRC-16"].edits == {
        "message[0].encoding": "packed-bits",
        "frame": {"delimiting": "cobs", "crc": "CRC-16/IBM-3740", "max_payload": 8},
    }
    # The levels of a PL011 but the present one (ARM PL011 TRM, interrupt FIFO level select register).
    triggers = [change.edits for change in changes.values() if change.kind == "trigger"]
    assert triggers == [{"receiver.trigger_bytes": level} for level in (4, 8, 24, 28)]
    assert changes["DMA"].edits == {"receiver.mode": "dma"}
    assert changes["handler twice as fast"].edits == {
        "receiver.interrupt_entry_us": 2,
        "receiver.interrupt_byte_us": 0.25,
    }
    assert changes["push parser"].edits["parser.byte_us"] == 8.5
    assert "assumed, no source" in changes["push parser"].notes[0]
    assert changes["read whole messages"].reason == "the link has it already"


def test_every_change_says_what_it_costs_or_why_it_cannot_be_tried():
    links = [scene(), scene(joint=None, parser=None, receiver={"mode": "polled", "buffer_bytes": 0})]
    links += [Link.load(captures_dir() / f"{name}.toml") for name in ("bean-text", "bean-frames")]
    for link in links:
        for change in builtin_changes(link):
            assert bool(change.reason) != bool(change.edits or change.sending), change
            assert bool(change.reason) != bool(change.cost), change


def test_baud_rates_stop_at_the_stated_limit():
    names = [change.name for change in builtin_changes(scene(), max_baudrate=500_000) if change.edits]
    assert [name for name in names if "baud" in name] == ["115200 baud", "230400 baud", "460800 baud"]
    fast = scene(line={"baudrate": 3_000_000})
    (none,) = [change for change in builtin_changes(fast) if change.kind == "baud rate"]
    assert "no standard rate lies above 3000000" in none.reason
    assert list(BAUDRATES) == sorted(BAUDRATES)


def test_a_polled_receiver_without_joints_and_costs_has_less_to_change():
    link = scene(joint=None, parser=None, receiver={"mode": "polled", "buffer_bytes": 0, "fifo_bytes": 64})
    result = study(link)
    left_out = {row.name: row.reason for row in result.left_out}
    assert left_out["larger buffer"] == "a polled receiver has no software buffer"
    assert left_out["dt measured"] == "the link has no joint"
    assert left_out["no pauses"] == "the link gives the parser no pauses"
    assert "no FIFO interrupt" in left_out["other FIFO trigger"]
    assert by_name(result)["DMA"].edits == {"receiver.mode": "dma", "receiver.buffer_bytes": 256}


def test_bytes_passed_over_cost_what_the_link_says_or_what_parsing_does():
    def newest(**sections):
        return next(one for one in builtin_changes(scene(**sections)) if one.name == "read the newest only")

    assert newest().edits == {"reading.strategy": "newest", "reading.skip_byte_us": 10}
    assert newest().notes == ("a byte passed over is assumed to cost byte_us = 10",)
    assert newest(reading={"skip_byte_us": 2}).edits == {"reading.strategy": "newest"}


def test_a_buffer_is_not_larger_than_its_environment_takes():
    # 32 to 32766 bytes: source of the MicroPython rp2 port (the table of environments).
    link = scene(receiver={"environment": "micropython-rp2", "mode": "interrupt", "buffer_bytes": 10_000})
    changes = {change.name: change for change in builtin_changes(link)}
    assert changes["buffer of 20000 bytes"].edits == {"receiver.buffer_bytes": 20_000}
    assert changes["buffer of 40000 bytes"].reason == "micropython-rp2 takes up to 32766"


def test_a_change_that_makes_no_link_has_the_reason():
    # Half of the period is no longer than the deadline that is given; a window would fill a shorter one.
    link = scene(loop={"when_late": "free", "deadline_us": 4000})
    left_out = {row.name: row.reason for row in study(link).left_out}
    assert left_out["other period"] == "a free loop has no period"


def test_rows_are_sorted_by_what_they_buy():
    result = study(scene(parser=SLOW))
    keys = [(len(row.figures.unmet), row.figures.missed_deadlines) for row in result.rows]
    assert [unmet for unmet, _ in keys] == sorted(unmet for unmet, _ in keys)
    assert result.rows[0].figures.missed_deadlines < result.present.figures.missed_deadlines


def test_sender_and_hardware_are_told():
    rows = by_name(study(scene()))
    assert rows["115200 baud"].needs == (False, True)
    assert rows["send what moved"].needs == (False, True)
    assert rows["DMA"].needs == (True, False)
    assert rows["read on a core of its own"].needs == (True, False)
    assert rows["read a snapshot"].needs == (False, False)


def test_what_cannot_be_written_anew_is_counted_in_the_row():
    link = scene()
    capture = recorded(link, places(4))
    data = capture.data.copy()
    data[1] = 0xFF
    with pytest.warns(match="1 of 4 intact frames are no message"):
        rows = by_name(study(link, replace(capture, data=data)))
    first = len(link.codec().encode("place", places(1)[0]))
    told = f"{first} characters that belong to no intact message are left out"
    assert told in rows["packed-bits/cobs/CRC-16"].notes
    assert not any("left out" in note for note in rows["115200 baud"].notes)


def test_policies_given_take_the_place_of_those_made_up():
    link = scene()
    rows = by_name(study(link, policies=["moved:x=10", policy("every"), "request:0.05"], message="place"))
    assert "send what moved" not in rows
    assert rows["send moved:x=10"].figures.sent < rows["send every"].figures.sent == 8
    assert "other times than they were recorded" in rows["send request:0.05"].reason


# --- changes of one's own ---------------------------------------------------------------------------------


def test_a_change_of_ones_own_is_a_row():
    link = scene(loop={"phase_us": 3000})
    result = study(link, changes={"quick work": {"loop.work_us": 10, "loop.source": "measured"}})
    row = by_name(result)["quick work"]
    assert row.figures.longest_pass_us == result.present.figures.longest_pass_us - 990
    assert row.to_dict()["changes"] == {"loop.work_us": 10, "loop.source": "measured"}


def test_a_change_with_the_name_of_one_of_the_list_takes_its_place():
    mine = {"push parser": {"parser.byte_us": 1}}
    result = study(scene(parser=SLOW), changes=mine, max_sets=0)
    (row,) = [row for row in (*result.rows, *result.left_out) if row.name == "push parser"]
    assert row.edits == {"parser.byte_us": 1}


def test_every_fault_in_changes_is_told_with_the_nearest_key():
    wrong = {
        "a": {"loop.wrok_us": 5},
        "b": {"reading.strategy": "newst"},
        "c": {"require.age_us": 10},
        "d": {},
        "e": {"message.plaice.rate_hz": 3},
    }
    with pytest.raises(SettingsError) as caught:
        study(scene(), changes=wrong)
    lines = [str(fault) for fault in caught.value.faults]
    assert lines[0].startswith("changes.a.loop.wrok_us: ")
    assert "did you mean 'work_us'?" in lines[0]
    assert "did you mean 'newest'?" in lines[1]
    assert "changes.c.require.age_us: changes what the changes are judged by" in lines[2]
    assert "changes.d" in lines[3]
    assert "did you mean 'place'?" in lines[4]


# --- the answer -------------------------------------------------------------------------------------------


def test_a_link_that_meets_everything_needs_no_change():
    result = study(scene())
    assert result.verdict == "The link as it is meets every requirement that a replay judges."
    assert result.smallest is result.present
    assert result.sets == ()
    assert result.to_dict()["smallest"] == []


def test_one_change_that_does_it():
    result = study(scene(parser={"message_us": 5000}), changes={"mine": {"parser.message_us": 100}})
    assert result.smallest.name == "read on a core of its own" or len(result.smallest.members) == 1
    assert result.verdict.startswith("One change meets every requirement: ")
    # Less is asked for by the change of one's own than by a second core.
    assert result.smallest.members == ("mine",)


def test_two_changes_and_what_they_are_worth_in_all_phases():
    # 4.5 ms of work and 4.7 ms of parsing, and a pass must not be longer than 4 ms: neither alone will do.
    link = scene(
        loop={"work_us": 4500}, parser={"byte_us": 0, "message_us": 4700}, require={"longest_pass_us": 4000}
    )
    changes = {"small work": {"loop.work_us": 1000}, "small parser": {"parser.message_us": 2500}}
    result = study(link, changes=changes, max_sets=60)
    assert result.sets[0].row.members == ("read on a core of its own", "small work")
    found = result.sets[1]
    assert found.keeps == ("sender", "hardware")
    assert found.row.members == ("small work", "small parser")
    assert found.smallest
    assert found.tried[0][1] == found.tried[0][2]
    assert not any(row.met for row in result.rows)
    assert found.row.figures.phases == 16
    assert result.verdict == (
        "2 changes together meet every requirement: read on a core of its own + small work. No single "
        "change tried does. With the sender and hardware as they are, 2 do: small work + small parser."
    )
    link, capture = result.edited(found.row)
    assert all(row.met for row in replay(link, capture).requirements)


def test_a_kind_phase_is_told():
    # Parsing takes 4.2 ms: in time beside 0.1 ms of work, late beside 4 ms, which every fourth pass has.
    link = scene(
        loop={"work_us": [100, 100, 100, 4000]},
        parser={"byte_us": 0, "message_us": 4200},
        require={"missed_deadlines": 0},
    )
    capture = recorded(link, places(6), [2000 + 20_000 * number for number in range(6)])
    own = replay(link, capture)
    assert own.run.missed_deadlines == 0 < own.phase_sweep.missed_max
    result = study(link, capture)
    assert result.verdict == (
        "The link as it is meets every requirement that a replay judges. With other phases of the loop it "
        f"misses up to {own.phase_sweep.missed_max} deadlines."
    )


def test_when_nothing_does_the_nearest_is_told_with_what_it_lacks():
    link = scene(require={"age_us": 10, "missed_deadlines": 0})
    result = study(link, max_changes=2, max_sets=3)
    assert result.smallest is None
    assert result.verdict.startswith("No set tried (up to 2 changes, not all sets) meets every requirement.")
    assert f"Nearest: {result.nearest.name}, with age_us at " in result.verdict
    assert "instead of 10" in result.verdict
    assert result.require() == [row.to_dict() for row in result.nearest.figures.requirements]
    single = study(link, max_changes=1)
    assert single.verdict.startswith("No single change tried meets every requirement.")


def test_without_requirements_there_is_a_table_and_no_answer():
    result = study(scene(require=None), with_headroom=True)
    assert "requires nothing that a replay can judge" in result.verdict
    assert (result.smallest, result.sets, result.headroom) == (None, (), None)
    assert len(result.rows) > 20
    assert result.present.met is None


def test_what_a_replay_cannot_judge_is_told():
    link = scene(require={"undetected_per_year": 5, "missed_deadlines": 0}, line={"bit_error_rate": 1e-6})
    with pytest.warns(match="undetected_per_year"):
        result = study(link)
    assert any("undetected_per_year" in text for text in result.warnings)


def test_headroom_is_that_of_the_smallest_set():
    result = study(
        scene(parser={"message_us": 5000}),
        changes={"mine": {"parser.message_us": 100}},
        with_headroom=True,
        count=3,
    )
    document = result.to_dict()["headroom"]
    assert document["of"] == ["mine"]
    assert all(row["holds_to"] is not None for row in document["rows"])


# --- the JSON ---------------------------------------------------------------------------------------------

ROW_KEYS = [
    "name", "kind", "members", "changes", "policy", "applies", "reason", "met", "unmet", "missed_deadlines",
    "deadlines", "missed_min", "missed_max", "phases", "longest_pass_us", "age_us", "sent", "used", "lost",
    "misread", "bytes_lost", "overshoot", "requirements", "sender_must_change", "hardware", "cost", "notes",
]  # fmt: skip


def test_a_policy_that_holds_back_says_that_what_is_known_may_be_off():
    row = next(row for row in study(scene()).rows if row.sending is not None)
    assert "moved:x=1,kind=0" in row.notes[0]
    assert (
        row.notes[1]
        == "what the controller knows may be off by up to these bands, which no figure here counts"
    )


def test_the_json_has_the_keys_that_others_rely_on():
    document = json.loads(json.dumps(study(scene(parser=SLOW), with_headroom=True, count=3).to_dict()))
    assert list(document) == [
        "verdict", "present", "rows", "left_out", "smallest", "sets", "nearest", "headroom", "requirements",
        "rules", "numbers_from", "warnings",
    ]  # fmt: skip
    better = [row.pop("better") for row in document["rows"]]
    assert better == sorted(better, reverse=True)
    assert len(set(better)) == 2
    for row in (document["present"], *document["rows"], document["nearest"]):
        assert list(row) == ROW_KEYS
        assert row["applies"]
    assert set(document["left_out"][0]) == {"name", "kind", "reason"}
    assert set(document["sets"][0]) == {
        "name", "keeps", "found", "members", "smallest_shown", "none_can_be_left_out", "tried", "row",
        "nearest",
    }  # fmt: skip
    assert set(document["headroom"]) == {"of", "rows", "left_out", "levers", "grid", "resolution", "replays"}
    assert set(document["headroom"]["rows"][0]) == {
        "lever", "requirement", "limit", "value", "holds_to", "fails_at", "value_there", "tried_to",
        "holds_again",
    }  # fmt: skip


def test_a_notebook_shows_the_verdict():
    result = study(scene())
    assert result.verdict in result._repr_html_()


@pytest.mark.parametrize("kind", ["threads", "processes"])
def test_an_executor_finds_the_same(kind):
    link = scene(parser=SLOW)
    capture = recorded(link, places(4))
    executor = (
        ThreadPoolExecutor(2)
        if kind == "threads"
        else ProcessPoolExecutor(2, mp_context=get_context("spawn"))
    )
    with executor:
        there = study(link, capture, executor=executor, with_headroom=True)
    assert there.to_dict() == study(link, capture, with_headroom=True).to_dict()


def test_progress_comes_to_its_end():
    seen = []
    study(scene(parser=SLOW), progress=lambda done, total: seen.append((done, total)), count=3)
    assert seen[-1][0] == seen[-1][1]
    assert [done for done, _ in seen] == sorted(done for done, _ in seen)


# --- bad input --------------------------------------------------------------------------------------------


def test_a_capture_of_another_link_is_refused():
    link = scene(joint=None)
    other = link.replace(**{"message[0].fields[0].name": "y"})
    with pytest.raises(CaptureError, match=r"none of the intact frames \(8\) is a message of the link"):
        study(link, recorded(other, [{"y": value["x"], "kind": "whole"} for value in places(8)]))


def test_a_capture_without_frames_is_refused():
    link = scene()
    noise = recorded(link, places(1))
    noise = replace(noise, data=np.full(len(noise), 0x55, np.uint16))
    with pytest.raises(CaptureError, match="no intact frame in"):
        study(link, noise)


def test_a_link_without_a_loop_is_refused():
    link = scene(loop=None)
    with pytest.raises(SettingsError, match=r"loop\.period_us: is missing"):
        study(link, recorded(link, places(2)))


def test_other_things_than_a_link_and_a_capture_are_told():
    with pytest.raises(SettingsError, match="link: 'str' is not allowed; allowed: a Link"):
        whatif("bean-text.toml", None)
    with pytest.raises(SettingsError, match="capture: 'str' is not allowed; allowed: a ByteCapture"):
        whatif(scene(), "bean-text.vcd")


def test_wrong_policies_and_rows_are_told():
    with pytest.raises(SettingsError, match="message"):
        study(scene(), policies=["every"], message="plac")
    with pytest.raises(SettingsError, match="did you mean 'kind'"):
        study(scene(), policies=["moved:kin=3"])
    result = study(scene())
    with pytest.raises(SettingsError, match="did you mean 'DMA'"):
        result.row("DMAA")
    with pytest.raises(SettingsError, match="was not replayed: the link has it already"):
        result.row("read everything")
