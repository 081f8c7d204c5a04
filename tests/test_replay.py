"""A replay as a whole: its JSON, the bottleneck in each kind of trouble, requirements, warnings, sweep."""

from __future__ import annotations

import json
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkbudget.capture.files import load_bytes
from linkbudget.errors import CaptureError, LinkBudgetWarning, SettingsError
from linkbudget.link.model import Link
from linkbudget.replay.run import replay
from linkbudget.report.replay_page import replay_page
from linkbudget.report.terminal import page_text
from linkbudget.traffic.stream import BREAK, ByteCapture
from linkbudget.wire.uart import UartLine

LINE = UartLine(100_000)
"""One bit is 10 µs, one 8N1 character 100 µs."""


def link(**sections) -> Link:
    """A controller that reads places as lines of JSON in a loop of 5 ms."""
    document = {
        "line": {"baudrate": 100_000, "format": "8N1"},
        "message": [
            {
                "name": "place",
                "encoding": "json-object",
                "fields": [{"name": "x", "kind": "integer", "minimum": 0, "maximum": 99}],
            }
        ],
        "frame": {"delimiting": "newline", "crc": "none", "max_payload": 40},
        "receiver": {"mode": "interrupt", "buffer_bytes": 64},
        "loop": {"period_us": 5000, "work_us": 1000},
    }
    for name, section in sections.items():
        document[name] = {**document.get(name, {}), **section} if isinstance(section, dict) else section
    return Link.from_dict(document)


def lines(count: int, every_us: int = 20_000, at_us: int = 0, body=b'{"x":%d}\n', line=LINE) -> ByteCapture:
    """``count`` lines, one every ``every_us``, the characters of each back to back."""
    times, data = [], b""
    for number in range(count):
        text = body % number if b"%d" in body else body
        start = (at_us + number * every_us) * 1000
        times += [start + 100_000 * (place + 1) for place in range(len(text))]
        data += text
    return ByteCapture(np.array(times), np.frombuffer(data, np.uint8), np.zeros(len(data), np.uint8), line)


# --- the JSON ---------------------------------------------------------------------------------------------

KEYS = {
    "passes": None,
    "skipped": None,
    "missed_deadlines": None,
    "longest_run_of_misses": None,
    "longest_pass_us": None,
    "late_us": {"p50", "p99", "max"},
    "messages": {"sent", "used", "superseded", "pending", "misread", "damaged", "lost"},
    "by_message": {"place"},
    "bytes": {"received", "overrun_hardware", "overrun_buffer", "buffer_high_water"},
    "age_us": {"mean", "p50", "p99", "max"},
    "time_share": {"work", "reading", "waiting", "handler", "pause", "idle"},
    "phase_sweep": {"phases", "missed_min", "missed_max", "worst_phase_us"},
    "motion": None,
    "loop_margin": None,
    "bottleneck": {"what", "us", "share", "at_ns"},
    "never_catches_up": {"reading", "passes", "work"},
    "requirements": None,
    "uncertain": None,
    "markers": None,
    "warnings": None,
    "numbers_from": None,
}


def test_the_json_has_the_keys_that_others_rely_on():
    joint = {"name": "flap", "message": "place", "field": "x", "v_max": 100, "a_max": 1000}
    result = replay(link(joint=[joint], require={"missed_deadlines": 0}), lines(5))
    document = json.loads(json.dumps(result.to_dict()))
    assert list(document) == list(KEYS)
    for key, inner in KEYS.items():
        assert inner is None or set(document[key]) == inner, key
    assert set(document["by_message"]["place"]) == {*KEYS["messages"], "used_late"}
    motion = {"joint", "overshoot", "overshoot_mean", "rms_error", "settle_ms", "idle_share"}
    motion |= {"rest_time_share", "rests", "longest_rest_ms"}
    assert set(document["motion"][0]) == motion
    assert set(document["requirements"][0]) == {"name", "limit", "value", "met", "headroom"}
    assert set(document["numbers_from"].values()) <= {"measured", "preset", "assumed"}


def test_a_small_replay_added_up_by_hand():
    # Two lines of 8 characters, at 0 and 20 ms; passes at 0, 5 ... 25 ms, reading after 1 ms of work.
    document = replay(link(parser={"byte_us": 10, "message_us": 100}), lines(2)).to_dict()
    assert document["passes"] == 6
    assert document["longest_pass_us"] == 1000 + 8 * 10 + 100
    # The first line is complete at 0.8 ms, read by the pass at 0, used at 5 ms; the second at 25 ms.
    assert document["messages"] == {
        "sent": 2, "used": 2, "superseded": 0, "pending": 0, "misread": 0, "damaged": 0, "lost": 0,
    }  # fmt: skip
    assert document["age_us"]["max"] == 5000
    assert document["bytes"]["received"] == 16
    assert document["missed_deadlines"] == 0
    # From 0 to 26 ms: six times 1 ms of work, twice 0.18 ms of reading.
    assert document["time_share"]["work"] == pytest.approx(6 / 26)
    assert document["time_share"]["reading"] == pytest.approx(0.36 / 26)
    assert sum(document["time_share"].values()) == pytest.approx(1)


def test_time_zero_is_the_start_of_the_first_character():
    early, late = replay(link(), lines(3)), replay(link(), lines(3, at_us=123_456))
    assert early.run.passes.end.tolist() == late.run.passes.end.tolist()
    assert early.to_dict()["age_us"] == late.to_dict()["age_us"]
    assert late.bottleneck.at_ns - early.bottleneck.at_ns == 123_456_000


def test_arrays_of_a_result_are_read_only():
    result = replay(link(), lines(2))
    for name in ("release", "start", "end", "work", "reading", "handler"):
        with pytest.raises(ValueError, match="read-only"):
            getattr(result.passes, name)[0] = 1
    with pytest.raises(ValueError, match="read-only"):
        result.run.character_fate[0] = 1


def test_a_notebook_shows_a_table_that_says_it_is_of_the_model():
    text = replay(link(), lines(2))._repr_html_()
    assert text.startswith("<table>")
    assert "model" in text
    assert "<th>missed deadlines</th><td>0</td>" in text


# --- the bottleneck --------------------------------------------------------------------------------------

WHOLE = {"strategy": "whole-message", "timeout_us": 50_000}


def bottleneck(capture=None, **sections):
    return replay(link(**sections), lines(20, 23_000) if capture is None else capture, phases=1).bottleneck


def test_waiting_is_named_when_passes_wait_for_slow_bytes():
    found = bottleneck(reading=WHOLE, loop={"period_us": 1000, "work_us": 300})
    assert found.what == "waiting"
    assert 400 < found.us < 900
    assert 0 < found.share < 1


def test_the_parser_is_named_when_parsing_takes_the_time():
    assert bottleneck(parser={"message_us": 6000}).what == "parser"
    assert bottleneck(parser={"message_us": 6000}).us == pytest.approx(6000)
    assert bottleneck(parser={"message_us": 6000}).share == pytest.approx(6 / 7)


def test_pauses_handlers_and_other_work_are_named():
    assert bottleneck(parser={"pause_us": 7000, "pause_every_bytes": 20}).what == "pause"
    slow_handler = {"interrupt_byte_us": 90}
    assert (
        bottleneck(lines(3, 800), receiver=slow_handler, loop={"work_us": 900, "period_us": 1000}).what
        == "handler"
    )
    assert bottleneck(loop={"work_us": [1000, 6000]}).what == "work"
    window = [{"period_us": 50_000, "length_us": 6000, "blocks": "loop"}]
    assert bottleneck(busy=window).what == "work"


def test_a_pass_that_skips_releases_is_at_fault_even_within_its_deadline():
    found = bottleneck(parser={"message_us": 6000}, loop={"deadline_us": 20_000})
    assert found.what == "parser"


def test_lost_bytes_are_named_when_no_pass_is_late():
    polled = {"mode": "polled", "fifo_bytes": 4, "buffer_bytes": 0}
    found = bottleneck(receiver=polled)
    assert found.what == "FIFO"
    capture = lines(20, 23_000)
    result = replay(link(receiver=polled), capture, phases=1)
    assert found.share == pytest.approx(result.run.overrun_hardware / len(capture))
    assert found.us == pytest.approx(result.run.overrun_hardware * 100)
    assert bottleneck(receiver={"buffer_bytes": 4}).what == "buffer"
    broken = ByteCapture(
        capture.times_ns, capture.data, np.where(np.arange(len(capture)) == 3, BREAK, 0), capture.line
    )
    assert bottleneck(broken).what == "line"


def test_without_trouble_the_nearest_limit_is_named():
    assert bottleneck().what == "work"
    assert bottleneck().share == pytest.approx(0.2)
    busy_line = bottleneck(lines(20, 900))
    assert busy_line.what == "line"
    assert busy_line.share == pytest.approx(17 / 18)


def test_the_place_of_the_longest_pass_is_in_the_captures_own_time():
    result = replay(link(parser={"message_us": 6000}), lines(20, 23_000, at_us=777), phases=1)
    passes = result.passes
    longest = int(np.argmax(passes.end - passes.start))
    assert result.bottleneck.at_ns == 777_000 + passes.start[longest]


# --- requirements ----------------------------------------------------------------------------------------


def test_requirements_are_held_against_what_the_replay_shows():
    require = {
        "missed_deadlines": 0,
        "longest_pass_us": 900,
        "age_us": 10_000,
        "buffer_bytes": 8,
    }
    rows = {row["name"]: row for row in replay(link(require=require), lines(3)).require()}
    assert rows["missed_deadlines"]["met"] is True
    assert rows["longest_pass_us"] == {
        "name": "longest_pass_us", "limit": 900, "value": 1000.0, "met": False, "headroom": -100.0,
    }  # fmt: skip
    assert rows["age_us"]["met"] is True
    assert rows["buffer_bytes"]["value"] <= 8
    # No message is ever used, so no age is known: not met.
    slow = link(require={"age_us": 10**6}, reading={"strategy": "at-most", "limit_bytes": 1})
    assert replay(slow, lines(1)).require() == [
        {"name": "age_us", "limit": 10**6, "value": None, "met": False, "headroom": None}
    ]


def test_arguments_of_the_wrong_kind_are_named():
    with pytest.raises(SettingsError, match="link: 'str' is not allowed; allowed: a Link"):
        replay("link.toml", lines(3))
    with pytest.raises(SettingsError, match="capture: 'bytes' is not allowed; allowed: a ByteCapture"):
        replay(link(), b"{}")


def test_what_a_replay_cannot_judge_has_its_row_and_no_verdict():
    rows = {row["name"]: row for row in replay(link(require={"undetected_per_year": 1}), lines(3)).require()}
    assert rows["undetected_per_year"]["met"] is None


# --- warnings and refusals -------------------------------------------------------------------------------


def test_frames_that_are_no_message_are_counted_apart_with_a_warning():
    capture = lines(3, body=b'{"y":%d}\n')
    with pytest.warns(LinkBudgetWarning, match="3 of 3 intact frames are no message"):
        result = replay(link(), capture)
    assert result.to_dict()["by_message"]["(unrecognised)"]["damaged"] == 3
    assert len(result.warnings) == 1


def test_a_capture_without_a_frame_is_refused():
    with pytest.raises(CaptureError, match="no intact frame in 3 characters"):
        replay(link(), lines(1, body=b"abc"))
    with pytest.raises(CaptureError, match="no intact frame in 0 characters"):
        replay(link(), lines(0))


def test_a_capture_read_at_another_rate_is_pointed_out():
    capture = lines(2, line=UartLine(50_000))
    with pytest.warns(LinkBudgetWarning, match="read at 50000 baud, the link says 100000"):
        replay(link(), capture)


def test_uncertain_arrivals_give_two_verdicts():
    sure = lines(3)
    unsure = ByteCapture(sure.times_ns, sure.data, sure.flags, LINE, window_ns=np.full(len(sure), 900_000))
    with pytest.warns(LinkBudgetWarning, match="up to 900 µs earlier: what is reported is for the latest"):
        result = replay(link(), unsure)
    assert len(result.warnings) == 1


def test_a_loop_that_never_runs_is_pointed_out():
    with pytest.warns(LinkBudgetWarning, match="no pass of the loop"):
        document = replay(link(loop={"phase_us": 10**7}), lines(1), phases=1).to_dict()
    assert document["passes"] == 0
    assert document["late_us"] == {"p50": None, "p99": None, "max": None}
    assert document["longest_pass_us"] is None


def test_a_phase_sweep_needs_a_phase():
    with pytest.raises(SettingsError, match="phases"):
        replay(link(), lines(1), phases=-1)


def test_without_other_phases_the_own_one_stands_alone(monkeypatch):
    """Nothing but the run that is reported is made, and best and worst are its own."""
    slow = link(parser={"message_us": 5000}, reading=WHOLE, loop={"phase_us": 1250})
    capture = lines(10, 20_000)
    monkeypatch.setattr("linkbudget.replay.run.missed_deadlines", None)
    alone = replay(slow, capture, phases=0)
    missed = alone.run.missed_deadlines
    assert missed > 0
    assert alone.phase_sweep.to_dict() == {
        "phases": 1, "missed_min": missed, "missed_max": missed, "worst_phase_us": 1250.0,
    }  # fmt: skip


def test_the_page_tells_of_other_phases_as_far_as_there_are_some():
    slow = link(parser={"message_us": 5000}, reading=WHOLE, loop={"phase_us": 1250})
    pages = [
        page_text(replay_page(replay(slow, lines(10, 20_000), phases=phases).to_dict(), slow))
        for phases in (0, 1, 2)
    ]
    heads = ("missed, other phase", "missed, best phase", "missed, worst phase")
    assert [[head in page for head in heads] for page in pages] == [
        [False, False, False], [True, False, False], [False, True, True],
    ]  # fmt: skip


def test_the_page_says_what_idle_is_with_two_cores():
    for context, words in (("own-core", "neither core has anything to do"), ("last", "left over")):
        described = link(reading={"context": context})
        page = page_text(replay_page(replay(described, lines(2), phases=0).to_dict(), described))
        assert words in next(line for line in page.splitlines() if line.startswith("idle "))


# --- the sweep -------------------------------------------------------------------------------------------


def test_the_sweep_tries_phases_spread_over_one_period():
    slow = link(parser={"message_us": 3900}, reading=WHOLE)
    capture = lines(10, 20_000)
    sweep = replay(slow, capture, phases=8).phase_sweep
    alone = [
        replay(slow.replace(**{"loop.phase_us": phase}), capture, phases=1).run.missed_deadlines
        for phase in range(0, 5000, 625)
    ]
    assert sweep.phases == 8
    assert (sweep.missed_min, sweep.missed_max) == (min(alone), max(alone))
    assert sweep.worst_phase_us == 625 * alone.index(max(alone))
    assert len(set(alone)) > 1


def test_a_free_loop_has_no_phases_to_sweep():
    free = {"when_late": "free", "deadline_us": 4000, "period_us": None}
    document = link().to_dict()
    document["loop"] = {
        key: value for key, value in {**document["loop"], **free}.items() if value is not None
    }
    sweep = replay(Link.from_dict(document), lines(3)).phase_sweep
    assert (sweep.phases, sweep.worst_phase_us) == (1, 0.0)


@given(st.integers(0, 4999), st.sampled_from(["everything", "snapshot", "newest", "whole-message"]))
@settings(max_examples=15)
def test_equal_phases_give_equal_results(phase, strategy):
    reading = {**WHOLE, "strategy": strategy}
    changed = link(loop={"phase_us": phase}, reading=reading, parser={"byte_us": 90})
    first, second = (replay(changed, lines(6), phases=2).to_dict() for _ in range(2))
    assert first == second


def test_progress_counts_every_run():
    seen = []
    replay(link(), lines(2), phases=3, progress=lambda done, total: seen.append((done, total)))
    assert seen == [(0, 4), (1, 4), (2, 4), (3, 4), (4, 4)]


# --- the demo, and the clock -----------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "keeps"), [("bean-text", False), ("bean-frames", True)])
def test_the_shipped_captures_tell_their_story(name, keeps):
    from linkbudget.capture.files import captures_dir

    described = Link.load(captures_dir() / f"{name}.toml")
    result = replay(described, load_bytes(captures_dir() / f"{name}.vcd", described.line), phases=2)
    assert (result.run.missed_deadlines == 0) is keeps
    assert all(row["met"] for row in result.require()) is keeps


def test_ten_seconds_of_a_full_line_replay_within_seconds():
    """Not a benchmark: a bound so wide that only a change of order fails it."""
    full = lines(11_000, 900, body=b'{"x":10}\n')
    started = time.perf_counter()
    result = replay(link(parser={"byte_us": 5}, loop={"work_us": 1000}), full, phases=4)
    assert result.run.received == len(full) == 99_000
    assert time.perf_counter() - started < 30
