"""What became of each message: every fate once, by hand, and the rules of use."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from receiver_scenes import LINES, NAMES, captured, decode, judged, play
from test_receiver import settings_of_a_link, traffic

from linkbudget.replay.fates import UNRECOGNISED, Fate, judge, uses_of
from linkbudget.replay.figures import age_us, late_us, quantile, time_share
from linkbudget.replay.sent import sent_frames
from linkbudget.traffic.stream import BREAK, FRAMING, PARITY

POLLED = {"mode": "polled", "fifo_bytes": 32}


def names(fates) -> list[str]:
    return [fate.value for fate in fates.fates]


def used(fates) -> list[tuple[int, str]]:
    return [(use.time_ns, use.accepted.value.decode()) for use in fates.uses]


def test_a_message_is_used_by_the_pass_after_the_one_that_read_it():
    fates = judged(b"p1\n", receiver=POLLED)
    assert names(fates) == ["pending"]
    fates = judged(b"p1\np2\n", [10, 20, 30, 300, 310, 320], receiver=POLLED)
    # Read at 100, used at 200; the second read at 400, when the replay is nearly over.
    assert used(fates) == [(200, "1")]
    assert names(fates) == ["used", "pending"]


def test_with_reading_first_the_same_pass_uses_it():
    assert used(judged(b"p1\n", receiver=POLLED, reading={"context": "first"})) == [(100, "1")]


def test_the_newest_is_used_and_supersedes_the_others():
    fates = judged(b"p1\np2\nr3\n", receiver=POLLED, reading={"context": "first"})
    assert names(fates) == ["superseded", "used", "used"]
    assert used(fates) == [(100, "2"), (100, "3")]


def test_with_every_all_are_used_in_order():
    fates = judged(b"p1\np2\nr3\n", receiver=POLLED, reading={"context": "first"}, use="every")
    assert names(fates) == ["used", "used", "used"]
    assert used(fates) == [(100, "1"), (100, "2"), (100, "3")]


def test_all_bytes_lost_is_lost_and_some_lost_is_damaged():
    fates = judged(b"p1\np2\np3\n", receiver={"mode": "polled", "fifo_bytes": 4}, loop={"phase_ns": 90})
    assert names(fates) == ["used", "damaged", "lost"]


def test_a_damaged_message_that_is_accepted_is_misread_and_used_with_its_wrong_value():
    # The FIFO overruns inside the number: 12 becomes 1, and the line still ends where 12 ended.
    times = [10, 20, 30, 195, 1000]
    run = {"receiver": {"mode": "polled", "fifo_bytes": 2}, "loop": {"phase_ns": 40, "period_ns": 150}}
    fates = judged(b"p12\np", times, **run)
    assert names(fates) == ["misread"]
    assert used(fates)[0][1] == "1"
    assert fates.uses[0].sent == 0


def test_a_frame_that_ends_with_no_sent_frame_is_not_used():
    # Too long to be a frame as it was sent; the FIFO loses all but "p1", two bytes behind it, and the end.
    data = b"p1" + b"1" * 45 + b"\n"
    sections = {"receiver": {"mode": "polled", "fifo_bytes": 2}, "loop": {"phase_ns": 20, "period_ns": 450}}
    fates = judged(data, **sections)
    assert [one.payload for one in play(data, **sections).accepted] == [b"p111"]
    assert fates.sent.rejected == {"too-long": 1}
    assert (fates.fates, fates.uses) == ((), ())


def test_a_frame_whose_end_was_parsed_and_refused_is_damaged():
    # Only the end of the first line is lost; the second arrives whole and is read as one line with the first.
    sections = {"receiver": {"mode": "polled", "fifo_bytes": 2}, "loop": {"phase_ns": 35}}
    fates = judged(b"p1\np2\n", [10, 20, 30, 40, 50, 140], **sections)
    assert names(fates) == ["damaged", "damaged"]


def test_a_frame_that_is_no_message_of_the_link_is_listed_apart():
    fates = judged(b"what\np1\n", receiver=POLLED, reading={"context": "first"})
    assert names(fates) == ["damaged", "used"]
    assert fates.names == (UNRECOGNISED, "place")
    assert fates.counts(UNRECOGNISED)["damaged"] == 1
    assert fates.counts("place")["sent"] == 1


def test_skipped_messages_are_superseded_when_a_newer_one_is_used():
    sections = {"receiver": POLLED, "reading": {"strategy": "newest", "context": "first"}}
    assert names(judged(b"p1\np2\np3\n", **sections)) == ["superseded", "superseded", "used"]
    assert names(judged(b"p1\nr2\nr3\n", **sections)) == ["pending", "superseded", "used"]


def test_a_message_thrown_away_after_a_time_out_is_damaged():
    reading = {"strategy": "whole-message", "timeout_ns": 20, "on_timeout": "discard", "context": "first"}
    sections = {"receiver": POLLED, "loop": {"phase_ns": 10}, "reading": reading}
    fates = judged(b"p1\np2\n", [10, 20, 200, 210, 211, 212], **sections)
    assert names(fates) == ["damaged", "used"]


def test_flagged_characters_are_part_of_what_was_sent():
    sent = sent_frames(captured(b"p\x001\np2\n", flags=[0, BREAK, PARITY, 0, 0, FRAMING, 0]), LINES, decode)
    assert [(frame.name, frame.payload) for frame in sent.frames] == [(None, b"p\x001"), ("place", b"p2")]
    assert sent.frames[0].last_character == 3


def test_a_sent_frame_whose_flagged_character_the_driver_drops_is_damaged():
    errored = {"framing": "drop", "parity": "keep", "break": "drop"}
    fates = judged(b"p12\n", flags=[0, 0, FRAMING, 0], receiver={**POLLED, "errored": errored})
    assert names(fates) == ["misread"]
    fates = judged(b"p1\n", flags=[0, FRAMING, 0], receiver={**POLLED, "errored": errored})
    assert names(fates) == ["damaged"]


def test_the_age_at_use_counts_from_the_start_of_the_message():
    capture = captured(b"p1\n", [1010, 1020, 1030])
    sent = sent_frames(capture, LINES, decode)
    assert (sent.frames[0].start_ns, sent.frames[0].arrival_ns) == (0, 30)
    run = play(b"p1\n", receiver=POLLED, reading={"context": "first"})
    uses = uses_of(run, sent, dict.fromkeys(NAMES.values(), "newest"), capture_to_send_ns=7)
    assert [(use.time_ns, use.age_ns) for use in uses] == [(100, 107)]


def test_uses_after_their_time_are_counted():
    fates = judged(b"p1\n", receiver=POLLED, reading={"context": "first"}, use="every")
    assert [fates.used_late("place", limit) for limit in (None, 99, 100)] == [0, 1, 0]


def test_the_age_over_time_grows_between_uses():
    # Used at 100 and 400 with ages 100 and 110, until 500: areas 300*(100+400)/2 and 100*(110+210)/2.
    sections = {"receiver": POLLED, "reading": {"context": "first"}, "loop": {"work_ns": (60,)}}
    fates = judged(b"p1\np2\n", [10, 20, 30, 300, 310, 320], **sections)
    assert [(use.time_ns, use.age_ns) for use in fates.uses] == [(100, 100), (400, 110)]
    assert age_us(fates.uses, 500)["mean"] == pytest.approx((75_000 + 16_000) / 400 / 1000)
    assert age_us(fates.uses, 400)["mean"] == pytest.approx(250 / 1000)
    assert age_us(fates.uses[1:], 400) == {"mean": None, "p50": 0.11, "p99": 0.11, "max": 0.11}
    assert age_us((), 400) == {"mean": None, "p50": None, "p99": None, "max": None}


@pytest.mark.parametrize(
    ("percent", "expected"), [(1, 10), (20, 10), (21, 20), (50, 30), (80, 40), (81, 50), (99, 50), (100, 50)]
)
def test_quantiles_are_values_that_occurred(percent, expected):
    assert quantile([50, 30, 10, 20, 40], percent) == expected


def test_lateness_is_start_minus_release():
    run = play(b"p", [100], loop={"work_ns": (150, 10), "when_late": "at-once"}, receiver=POLLED)
    assert late_us(run) == {"p50": 0.0, "p99": 0.05, "max": 0.05}


def test_time_shares_add_up_to_one():
    parser = {"byte_ns": 5, "pause_ns": 30, "pause_every_bytes": 2}
    reading = {"strategy": "whole-message", "timeout_ns": 1000}
    sections = {"receiver": {"interrupt_entry_ns": 2}, "loop": {"phase_ns": 10, "work_ns": (20,)}}
    run = play(b"p1\n", [10, 20, 70], parser=parser, reading=reading, **sections)
    # Handlers 10-12, 20-22, 70-72; pass 12-32+2, bytes 34-44 and a pause to 74+2, the third byte 76-81;
    # passes at 110 only (the last arrival is at 70): 110-130. Nothing but handlers and a pass until 130.
    assert time_share(run) == pytest.approx(
        {
            "work": 40 / 130,
            "reading": 15 / 130,
            "waiting": 0,
            "handler": 6 / 130,
            "pause": 30 / 130,
            "idle": (130 - 91) / 130,
        }
    )
    assert sum(time_share(run).values()) == pytest.approx(1)


def test_on_two_cores_idle_is_what_neither_uses():
    own_core = {"context": "own-core"}
    run = play(b"p1\n", receiver=POLLED, loop={"work_ns": (25,)}, reading=own_core, parser={"byte_ns": 10})
    # Work 0-25 and 100-125, reading 10-40: 15 more. 125 - 65 are left.
    assert time_share(run)["work"] == pytest.approx(50 / 125)
    assert time_share(run)["reading"] == pytest.approx(30 / 125)
    assert time_share(run)["idle"] == pytest.approx(60 / 125)


def seen_by(sections, seen):
    data, times, flags = seen
    capture = captured(data, [time + 10 for time in times], flags)
    sent = sent_frames(capture, LINES, decode)
    run = play(data, times, flags=flags, **sections)
    return run, sent, judge(run, sent, uses_of(run, sent, dict.fromkeys(NAMES.values(), "newest")))


@given(settings_of_a_link(), traffic())
@settings(max_examples=150)
def test_every_sent_frame_has_one_fate_and_a_use_at_most(sections, seen):
    _, sent, fates = seen_by(sections, seen)
    counts = fates.counts()
    assert counts["sent"] == len(sent.frames) == sum(counts[fate] for fate in Fate)
    assert len({use.sent for use in fates.uses}) == len(fates.uses)
    for use in fates.uses:
        assert fates.fates[use.sent] in (Fate.USED, Fate.MISREAD)
        assert use.time_ns >= use.accepted.time_ns
        assert (use.accepted.payload == sent.frames[use.sent].payload) == (fates.fates[use.sent] is Fate.USED)


FREE = {"receiver": {"mode": "interrupt", "fifo_bytes": 8}, "loop": {"work_ns": (30,)}}


@pytest.mark.parametrize("strategy", ["everything", "snapshot", "at-most", "newest", "whole-message"])
@given(seen=traffic())
@settings(max_examples=40)
def test_with_a_free_parser_and_no_losses_messages_are_used_superseded_or_pending(strategy, seen):
    data, times, _ = seen
    reading = {"strategy": strategy, "limit_bytes": 3, "timeout_ns": 40}
    run, sent, fates = seen_by({**FREE, "reading": reading}, (data, times, [0] * len(data)))
    assert run.received == len(data)
    for frame, fate in zip(sent.frames, fates.fates, strict=True):
        allowed = {Fate.USED, Fate.SUPERSEDED, Fate.PENDING}
        assert fate in (allowed if frame.name else {Fate.DAMAGED, Fate.PENDING})
