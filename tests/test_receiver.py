"""The receiver model, rule by rule, on scenes computed by hand; then what must hold for any scene."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from receiver_scenes import LINES, accepted, decode, fates, handlers, play, resolved, spans

from linkbudget.errors import SettingsError
from linkbudget.replay.receiver import run_receiver
from linkbudget.traffic.stream import BREAK, FRAMING, PARITY

POLLED = {"mode": "polled", "fifo_bytes": 4}
LATE = {"phase_ns": 90}


# --- arrival and hardware FIFO ---------------------------------------------------------------------------


def test_a_byte_that_meets_a_full_fifo_is_lost():
    run = play(b"p12345", receiver=POLLED, loop=LATE)
    assert fates(run) == "PPPPFF"
    assert (run.received, run.overrun_hardware) == (4, 2)


def test_with_flush_the_content_of_the_fifo_is_lost_with_it():
    run = play(b"p12345", receiver={**POLLED, "on_fifo_full": "flush"}, loop=LATE)
    assert fates(run) == "FFFFFP"


def test_a_byte_that_arrives_at_the_instant_of_a_look_is_seen():
    run = play(b"p1\n", receiver=POLLED, loop={"phase_ns": 30})
    assert accepted(run) == [(30, "p1")]


@pytest.mark.parametrize(
    ("flag", "kind", "kept_byte"), [(FRAMING, "framing", 49), (PARITY, "parity", 49), (BREAK, "break", 0)]
)
def test_the_driver_keeps_or_drops_flagged_characters(flag, kind, kept_byte):
    everything_kept = {"framing": "keep", "parity": "keep", "break": "keep"}
    kept = play(b"p1\n", flags=[0, flag, 0], receiver={"errored": everything_kept})
    assert fates(kept) == "PPP"
    assert len(accepted(kept)) == (kept_byte != 0)
    dropped = play(b"p1\n", flags=[0, flag, 0], receiver={"errored": {**everything_kept, kind: "drop"}})
    assert fates(dropped) == "PDP"
    assert dropped.overrun_hardware == 1
    assert accepted(dropped) == []


# --- interrupt mode --------------------------------------------------------------------------------------


def test_the_arrival_that_reaches_the_trigger_raises_a_request():
    receiver = {"fifo_bytes": 4, "trigger_bytes": 2, "latency_ns": 3}
    receiver |= {"interrupt_entry_ns": 2, "interrupt_byte_ns": 1}
    assert handlers(play(b"p123", receiver=receiver)) == [(23, 27), (43, 47)]


def test_below_the_trigger_and_without_a_time_out_bytes_stay_where_they_are():
    run = play(b"p1\n", receiver={"fifo_bytes": 4, "trigger_bytes": 2})
    assert fates(run) == "PPL"
    assert run.left_over == 1


def test_silence_raises_a_request_when_the_fifo_is_not_empty():
    receiver = {"fifo_bytes": 4, "trigger_bytes": 4, "idle_ns": 15, "interrupt_byte_ns": 1}
    assert handlers(play(b"p1\n", receiver=receiver)) == [(45, 48)]


def test_an_arrival_at_the_end_of_the_silence_begins_a_new_one():
    receiver = {"fifo_bytes": 4, "trigger_bytes": 4, "idle_ns": 10, "interrupt_byte_ns": 1}
    assert handlers(play(b"p1\n", receiver=receiver)) == [(40, 43)]


@pytest.mark.parametrize("flags", [[0, BREAK, 0], [0, 0, 0]])
def test_a_lost_arrival_restarts_the_silence(flags):
    # The second character is dropped by the driver, or lost at the full FIFO.
    receiver = {"fifo_bytes": 1 if not any(flags) else 4, "trigger_bytes": 4, "idle_ns": 15}
    run = play(b"p1\n", [10, 20, 36], flags=flags, receiver=receiver)
    assert handlers(run)[0][0] == 35
    assert fates(run)[1] in "FD"


def test_a_handler_waits_for_the_one_before_it_and_takes_what_came_meanwhile():
    receiver = {"fifo_bytes": 8, "trigger_bytes": 1, "interrupt_entry_ns": 25}
    run = play(b"p1234", receiver=receiver)
    # At 10 one byte; requests at 20, and, as that one is pending, none at 30: at 35 two bytes; 40 -> 60 two.
    assert handlers(run) == [(10, 35), (35, 60), (60, 85)]


def test_drop_new_loses_what_does_not_fit_and_charges_for_it():
    receiver = {"fifo_bytes": 4, "trigger_bytes": 4, "buffer_bytes": 3, "interrupt_byte_ns": 1}
    run = play(b"p12\n", receiver=receiver, loop=LATE)
    assert fates(run) == "PPPB"
    assert handlers(run) == [(40, 44)]
    assert (run.overrun_buffer, run.buffer_high_water) == (1, 3)


def test_drop_old_loses_the_oldest_byte():
    receiver = {"buffer_bytes": 3, "overflow": "drop-old"}
    assert fates(play(b"p12\n", receiver=receiver, loop=LATE)) == "BPPP"


def test_stay_leaves_bytes_in_the_fifo_and_a_read_that_frees_space_calls_for_them():
    receiver = {"fifo_bytes": 4, "trigger_bytes": 4, "buffer_bytes": 3, "overflow": "stay"}
    run = play(b"p12\n", receiver={**receiver, "interrupt_byte_ns": 1, "latency_ns": 2}, loop=LATE)
    # Three bytes at 42. The read at 90 frees space: request, handler at 92 for the one that stayed.
    assert handlers(run) == [(42, 45), (92, 93)]
    assert fates(run) == "PPPL"


def test_bytes_that_stayed_wait_for_new_arrivals_not_for_the_end_of_an_old_silence():
    receiver = {"fifo_bytes": 4, "trigger_bytes": 2, "buffer_bytes": 1, "overflow": "stay", "idle_ns": 30}
    run = play(b"p1\n", [10, 20, 200], receiver=receiver, loop={"phase_ns": 230})
    # Handler at 20 leaves one byte; the silence since 20 calls for nothing. The arrival at 200 reaches the
    # trigger again: nothing fits, and two stay.
    assert [start for start, _ in handlers(run)][:2] == [20, 200]


def test_reads_drain_the_fifo_where_the_driver_does_so():
    receiver = {"fifo_bytes": 4, "trigger_bytes": 4, "reads_drain_fifo": True}
    run = play(b"p1\n", receiver=receiver, loop={"phase_ns": 50})
    assert accepted(run) == [(50, "p1")]
    assert handlers(run) == []


def test_a_handler_takes_the_processor_from_the_loop():
    receiver = {"interrupt_entry_ns": 3}
    run = play(b"p1\n", receiver=receiver, loop={"work_ns": (35,)})
    # Work from 0: handlers at 10, 20, 30 take 3 each; 35 + 9 = 44, when the character at 40 is no more.
    assert spans(run)[0] == (0, 44)
    assert run.passes.handler[0] == 9


def test_work_that_ends_as_a_handler_starts_has_ended_and_what_follows_waits():
    run = play(b"p\n", [10, 20], receiver={"interrupt_entry_ns": 3}, loop={"work_ns": (10,)})
    # The work ends at 10; the look of the reading step has to wait for the handler.
    assert run.passes.work[0] == 10
    assert spans(run)[0] == (0, 13)


def test_a_pass_released_while_a_handler_runs_starts_after_it():
    run = play(b"p", [100], receiver={"interrupt_entry_ns": 7})
    assert spans(run)[1] == (107, 107)
    assert run.passes.release.tolist() == [0, 100, 200]


# --- DMA -------------------------------------------------------------------------------------------------


def test_dma_bytes_cost_nothing_and_are_there_at_once():
    run = play(b"p1\n", receiver={"mode": "dma", "buffer_bytes": 8}, loop={"phase_ns": 30})
    assert accepted(run) == [(30, "p1")]
    assert handlers(run) == []


@pytest.mark.parametrize(("size", "expected"), [(2, "BBBBP"), (5, "BBBBB"), (3, "BBBPP"), (6, "PPPPP")])
def test_a_reader_that_was_overtaken_loses_whole_buffers(size, expected):
    assert fates(play(b"p123\n", receiver={"mode": "dma", "buffer_bytes": size}, loop=LATE)) == expected


def test_on_event_shows_bytes_at_half_at_full_and_after_silence():
    receiver = {"mode": "dma", "buffer_bytes": 6, "visible": "on-event", "idle_ns": 25}
    run = play(
        b"p12\nr12", receiver={**receiver, "interrupt_entry_ns": 1, "latency_ns": 2}, loop={"phase_ns": 45}
    )
    # Half at 30, full at 60, silence at 70 + 25. The look at 45 sees three of four bytes, the next one all.
    assert handlers(run) == [(32, 33), (62, 63), (97, 98)]
    assert accepted(run) == [(145, "p12")]


def test_half_of_an_odd_buffer_is_the_larger_half():
    receiver = {"mode": "dma", "buffer_bytes": 5, "visible": "on-event"}
    assert [start for start, _ in handlers(play(b"p1234", receiver=receiver))] == [30, 50]


def test_an_event_while_one_is_pending_is_merged_into_it():
    receiver = {"mode": "dma", "buffer_bytes": 4, "visible": "on-event", "latency_ns": 30}
    assert [start for start, _ in handlers(play(b"p123", receiver=receiver))] == [50]


# --- busy windows ----------------------------------------------------------------------------------------


def test_no_handler_starts_inside_a_window_that_blocks_handlers():
    run = play(b"p1", receiver={"fifo_bytes": 4}, busy=[(100, 10, 15, "handler")])
    assert [start for start, _ in handlers(run)] == [25]


def test_the_loop_stands_still_in_a_window():
    run = play(b"p", receiver=POLLED, loop={"work_ns": (20,)}, busy=[(1000, 5, 30, "loop")])
    assert spans(run)[0] == (0, 50)
    assert run.passes.window[0] == 30


def test_work_that_ends_as_a_window_begins_has_ended_and_a_look_waits():
    own_core = {"context": "own-core"}
    loop = {"work_ns": (5,)}
    run = play(b"p", receiver=POLLED, loop=loop, reading=own_core, busy=[(1000, 5, 30, "loop")])
    assert spans(run)[0] == (0, 5)
    run = play(b"p", receiver=POLLED, loop=loop, busy=[(1000, 5, 30, "loop")])
    assert spans(run)[0] == (0, 35)


def test_handlers_and_windows_that_overlap_count_once():
    receiver = {"interrupt_entry_ns": 10}
    run = play(b"p", receiver=receiver, loop={"work_ns": (20,)}, busy=[(1000, 15, 20, "loop")])
    # Work 0-10, handler 10-20 inside which a window begins, window until 35, work 35-45.
    assert spans(run)[0] == (0, 45)
    assert (run.passes.handler[0], run.passes.window[0]) == (10, 15)


def test_with_reading_on_its_own_core_windows_stop_the_passes_only():
    own_core = {"context": "own-core"}
    loop = {"work_ns": (10,)}
    run = play(b"p1\n", receiver=POLLED, loop=loop, reading=own_core, busy=[(1000, 5, 80, "loop")])
    assert spans(run)[0] == (0, 90)
    assert accepted(run) == [(30, "p1")]


def test_windows_that_leave_no_time_are_refused():
    with pytest.raises(SettingsError, match="for ever"):
        play(b"p", busy=[(10, 0, 5, "loop"), (10, 5, 5, "loop")])


# --- the loop --------------------------------------------------------------------------------------------


def test_releases_passed_over_are_skipped_and_missed():
    run = play(b"p", [400], loop={"work_ns": (250, 10)}, receiver=POLLED)
    # 0-250 skips 100 and 200; 300-310; 400-650 ends the replay at 500, which it skips.
    assert spans(run) == [(0, 250), (300, 310), (400, 650)]
    assert run.skipped.tolist() == [100, 200, 500]
    assert (run.missed_deadlines, run.longest_run_of_misses) == (5, 3)


def test_a_pass_that_ends_at_a_release_keeps_it():
    run = play(b"p", [100], loop={"work_ns": (100,)}, receiver=POLLED)
    assert spans(run) == [(0, 100), (100, 200), (200, 300)]
    assert (run.skipped.size, run.missed_deadlines) == (0, 0)


def test_at_once_starts_when_the_pass_before_ends():
    run = play(b"p", [100], loop={"work_ns": (150, 10), "when_late": "at-once"}, receiver=POLLED)
    assert spans(run) == [(0, 150), (150, 160), (200, 350)]
    assert run.missed.tolist() == [True, False, True]


def test_a_free_loop_has_no_releases_and_its_deadline_bounds_a_pass():
    loop = {"period_ns": 0, "phase_ns": 5, "work_ns": (30, 50), "deadline_ns": 40, "when_late": "free"}
    run = play(b"p", [100], loop=loop, receiver=POLLED)
    assert spans(run) == [(5, 35), (35, 85), (85, 115)]
    assert run.missed.tolist() == [False, True, False]


def test_a_free_loop_whose_pass_could_take_no_time_is_refused():
    loop = {"period_ns": 0, "work_ns": (10, 0), "deadline_ns": 40, "when_late": "free"}
    with pytest.raises(SettingsError, match="no time"):
        play(b"p", loop=loop)


def test_passes_run_up_to_one_period_after_the_last_arrival():
    assert play(b"p", [100]).passes.release.tolist() == [0, 100, 200]
    assert play(b"p", [99]).passes.release.tolist() == [0, 100]


def test_all_handlers_run_after_the_last_pass():
    receiver = {"fifo_bytes": 4, "trigger_bytes": 4, "idle_ns": 5000, "interrupt_entry_ns": 3}
    run = play(b"p", receiver=receiver)
    assert handlers(run) == [(5010, 5013)]
    assert run.end_ns == 5013


def test_many_idle_passes_are_the_same_as_one_by_one():
    slow = {"work_ns": (30, 40, 20)}
    at_once = play(b"p1\n", [10, 20, 5000], receiver=POLLED, loop=slow)
    # A window far away keeps the model from laying passes down together.
    one_by_one = play(b"p1\n", [10, 20, 5000], receiver=POLLED, loop=slow, busy=[(10**9, 10**8, 1, "loop")])
    assert spans(at_once) == spans(one_by_one)
    assert at_once.passes.work.tolist() == one_by_one.passes.work.tolist()
    assert len(at_once.passes) == 52


# --- the reading step ------------------------------------------------------------------------------------


def test_everything_reads_until_a_look_finds_none():
    run = play(b"p1\n", receiver=POLLED, loop={"phase_ns": 20}, parser={"byte_ns": 5})
    # At 20 two bytes until 30, when the third has come: until 35.
    assert spans(run)[0] == (20, 35)


def test_snapshot_reads_once():
    run = play(
        b"p1\n",
        receiver=POLLED,
        loop={"phase_ns": 20},
        parser={"byte_ns": 5},
        reading={"strategy": "snapshot"},
    )
    assert spans(run)[:2] == [(20, 30), (120, 125)]


def test_at_most_reads_so_many():
    reading = {"strategy": "at-most", "limit_bytes": 2}
    run = play(b"p1\n", receiver=POLLED, loop=LATE, parser={"byte_ns": 5}, reading=reading)
    assert fates(run) == "PPL"
    assert spans(run)[0] == (90, 100)


def test_per_byte_pays_a_read_call_for_each_and_fixes_their_number_at_the_first_look():
    reading = {"strategy": "snapshot", "take": "per-byte"}
    parser = {"byte_ns": 5, "read_call_ns": 10}
    run = play(b"p1\n", receiver=POLLED, loop={"phase_ns": 20}, parser=parser, reading=reading)
    # Two bytes are there at 20; the third comes at 30, while they are parsed, and is left for the next pass.
    assert spans(run)[:2] == [(20, 50), (120, 135)]


def test_per_byte_ends_where_a_look_finds_none():
    reading = {"strategy": "snapshot", "take": "per-byte"}
    receiver = {"mode": "polled", "fifo_bytes": 2, "on_fifo_full": "flush"}
    run = play(
        b"p12",
        [10, 20, 25],
        receiver=receiver,
        loop={"phase_ns": 20},
        parser={"byte_ns": 10},
        reading=reading,
    )
    assert fates(run) == "PPP"
    run = play(
        b"p123",
        [10, 20, 25, 28],
        receiver=receiver,
        loop={"phase_ns": 20},
        parser={"byte_ns": 10},
        reading=reading,
    )
    # One byte is taken at 20; 2 joins 1, and 3 flushes both: the look at 30 finds none.
    assert fates(run) == "PFFF"
    assert spans(run)[0] == (20, 30)


WHOLE = {"strategy": "whole-message", "timeout_ns": 1000}


def test_whole_message_waits_for_the_rest_and_leaves_what_follows():
    parser = {"byte_ns": 2, "read_call_ns": 1}
    run = play(
        b"p1\np2\n", receiver={**POLLED, "fifo_bytes": 9}, loop={"phase_ns": 10}, parser=parser, reading=WHOLE
    )
    # Looks at 10, 20, 30, each followed by 3 ns; ends at 33. The next pass finds the second message whole.
    assert spans(run)[:2] == [(10, 33), (110, 119)]
    assert run.passes.waiting.tolist()[:2] == [14, 0]
    assert run.passes.reading.tolist()[:2] == [9, 9]


def test_whole_message_does_nothing_when_its_first_look_finds_none():
    assert spans(play(b"p1\n", receiver=POLLED, loop={"phase_ns": 5}, reading=WHOLE))[0] == (5, 5)


def test_the_time_out_wins_against_a_byte_at_the_same_instant():
    reading = {**WHOLE, "timeout_ns": 20}
    run = play(b"p1\n", receiver=POLLED, loop={"phase_ns": 10}, reading=reading)
    assert spans(run)[0] == (10, 30)
    assert accepted(run) == [(110, "p1")]


def test_the_character_time_out_runs_from_the_look_that_found_none():
    reading = {**WHOLE, "timeout_character_ns": 6}
    run = play(b"p1\n", receiver=POLLED, loop={"phase_ns": 10}, parser={"byte_ns": 2}, reading=reading)
    assert spans(run)[0] == (10, 18)


def test_a_parse_that_reaches_the_time_out_ends_the_step():
    reading = {**WHOLE, "timeout_ns": 20}
    run = play(
        b"p1\n", [10, 11, 12], receiver=POLLED, loop={"phase_ns": 12}, parser={"byte_ns": 12}, reading=reading
    )
    # Takes at 12 and 24 (before 32); the parse that ends at 36 ends the step.
    assert spans(run)[0] == (12, 36)


def test_discard_throws_away_the_part_read_and_its_count():
    reading = {**WHOLE, "timeout_ns": 20, "on_timeout": "discard"}
    parser = {"message_byte_ns": 1}
    run = play(
        b"p1\np2\n",
        [10, 20, 200, 210, 211, 212],
        receiver=POLLED,
        loop={"phase_ns": 10},
        parser=parser,
        reading=reading,
    )
    # p1 is thrown away at 30; the rest of it is a line of no byte, and costs 1, not 3.
    assert sorted(run.discarded) == [0, 1]
    assert [last for _, last in run.ends] == [2, 5]
    assert run.ends[0][0] - run.passes.start[2] == 1
    assert [value for _, value in accepted(run)] == ["p2"]


def test_a_time_out_inside_a_handler_ends_the_wait_when_that_is_over():
    reading = {**WHOLE, "timeout_ns": 15}
    run = play(b"p1", [10, 20], receiver={"interrupt_entry_ns": 8}, loop={"phase_ns": 10}, reading=reading)
    # Handler 10-18, step begins at 18, byte at 20 handled until 28, taken at 28; time-out at 33.
    assert spans(run)[0] == (18, 33)
    run = play(
        b"p12", [10, 20, 30], receiver={"interrupt_entry_ns": 8}, loop={"phase_ns": 10}, reading=reading
    )
    # The handler of the third byte runs 30-38 over the time-out at 33, and the byte comes too late.
    assert spans(run)[0] == (18, 38)
    assert run.ends == ()


def test_a_wait_that_times_out_as_a_handler_starts_has_ended():
    reading = {**WHOLE, "timeout_ns": 12}
    run = play(
        b"p12", [10, 20, 30], receiver={"interrupt_entry_ns": 8}, loop={"phase_ns": 10}, reading=reading
    )
    assert spans(run)[0] == (18, 30)


def test_newest_passes_over_all_messages_but_the_last():
    parser = {"read_call_ns": 1, "byte_ns": 10, "message_ns": 100}
    reading = {"strategy": "newest", "skip_byte_ns": 2}
    data = b"p1\np2\np3\np"
    run = play(
        data,
        receiver={**POLLED, "fifo_bytes": 32},
        loop={"phase_ns": 200, "period_ns": 1000},
        parser=parser,
        reading=reading,
    )
    # Read call 1, six bytes passed over 12, four parsed 40, one message 100.
    assert spans(run)[0] == (200, 353)
    assert fates(run) == "SSSSSSPPPP"
    assert accepted(run) == [(343, "p3")]


def test_newest_with_one_message_is_a_snapshot():
    reading = {"strategy": "newest", "skip_byte_ns": 2}
    run = play(b"p1\np", receiver=POLLED, loop=LATE, parser={"byte_ns": 1}, reading=reading)
    assert fates(run) == "PPPP"


def test_newest_per_byte_skips_the_bytes_its_first_look_saw():
    reading = {"strategy": "newest", "skip_byte_ns": 2, "take": "per-byte"}
    parser = {"read_call_ns": 7, "byte_ns": 10}
    run = play(b"p1\np2\n", receiver={**POLLED, "fifo_bytes": 32}, loop=LATE, parser=parser, reading=reading)
    assert fates(run) == "SSSPPP"
    assert spans(run)[0] == (90, 90 + 3 * 2 + 3 * 17)


def test_own_core_reads_whenever_a_byte_is_there_and_until_nothing_is_left():
    own_core = {"context": "own-core"}
    run = play(
        b"p1\n",
        receiver={"interrupt_entry_ns": 2},
        reading=own_core,
        parser={"byte_ns": 500},
        loop={"work_ns": (7,)},
    )
    # Handlers 10-12, 20-22, 30-32; the first byte is parsed from 12, held up twice, until 516.
    assert accepted(run) == [(1516, "p1")]
    assert spans(run) == [(0, 7), (100, 107)]
    assert run.end_ns == 1516


# --- the parser ------------------------------------------------------------------------------------------


def test_a_message_costs_at_its_last_byte_and_is_accepted_then():
    parser = {"read_call_ns": 1, "byte_ns": 10, "message_ns": 100, "message_byte_ns": 1000}
    run = play(
        b"p1\np2\nr",
        receiver={**POLLED, "fifo_bytes": 9},
        loop={"phase_ns": 200, "period_ns": 9999},
        parser=parser,
    )
    assert accepted(run) == [(200 + 1 + 30 + 100 + 3000, "p1"), (200 + 1 + 60 + 200 + 6000, "p2")]
    assert spans(run)[0] == (200, 200 + 1 + 70 + 200 + 6000)


def test_a_bad_frame_ends_a_message_too():
    run = play(b"x\np1\n", receiver={**POLLED, "fifo_bytes": 9}, loop=LATE, parser={"message_ns": 50})
    assert [end for end, _ in run.ends] == [140, 190]
    assert accepted(run) == [(190, "p1")]


def test_a_pause_at_the_last_byte_follows_the_acceptance():
    parser = {"byte_ns": 10, "pause_ns": 500, "pause_every_bytes": 3}
    run = play(
        b"p1\np2\n",
        receiver={**POLLED, "fifo_bytes": 9},
        loop={"phase_ns": 90, "period_ns": 9999},
        parser=parser,
    )
    assert accepted(run) == [(120, "p1"), (650, "p2")]
    assert spans(run)[0] == (90, 1150)
    assert run.passes.pause[0] == 1000


def test_pauses_are_counted_over_the_whole_replay_without_skipped_bytes():
    reading = {"strategy": "newest"}
    parser = {"pause_ns": 500, "pause_every_bytes": 4}
    run = play(b"p1\np2\nr", receiver={**POLLED, "fifo_bytes": 9}, loop=LATE, parser=parser, reading=reading)
    assert run.parsed == 7
    assert run.pause_ns == 500
    run = play(b"p1\np2\n", receiver={**POLLED, "fifo_bytes": 9}, loop=LATE, parser=parser, reading=reading)
    assert run.pause_ns == 0


def test_a_handler_inside_the_parse_puts_the_acceptance_off():
    receiver = {"fifo_bytes": 9, "trigger_bytes": 3, "interrupt_entry_ns": 7}
    run = play(b"p1\np2\n", receiver=receiver, loop={"phase_ns": 40}, parser={"byte_ns": 10})
    # Bytes at 30 (handler until 37); parse 40-70, the handler at 60 takes 7.
    assert accepted(run)[0] == (77, "p1")


# --- the order of things within a pass -------------------------------------------------------------------


def test_reading_first_serves_the_work_of_the_same_pass():
    first = play(b"p1\n", receiver=POLLED, loop={"phase_ns": 30}, reading={"context": "first"})
    last = play(b"p1\n", receiver=POLLED, loop={"phase_ns": 30}, reading={"context": "last"})
    assert first.passes.accepted_before.tolist() == [1, 1]
    assert last.passes.accepted_before.tolist() == [0, 1]


def test_own_core_serves_work_that_starts_at_the_instant_of_acceptance():
    run = play(b"p1\n", receiver=POLLED, loop={"phase_ns": 30}, reading={"context": "own-core"})
    assert run.passes.accepted_before.tolist() == [1, 1]


# --- what holds for any scene ----------------------------------------------------------------------------

TIMES = st.sampled_from([0, 1, 3, 5, 10, 20, 35])


@st.composite
def settings_of_a_link(draw, errors=True):
    mode = draw(st.sampled_from(["polled", "interrupt", "dma"]))
    fifo = draw(st.sampled_from([1, 2, 3, 8]))
    receiver = {
        "mode": mode,
        "fifo_bytes": fifo,
        "trigger_bytes": draw(st.integers(1, fifo)),
        "on_fifo_full": draw(st.sampled_from(["drop", "flush"])),
        "idle_ns": draw(st.sampled_from([0, 10, 15, 40])),
        "buffer_bytes": draw(st.sampled_from([2, 3, 5, 64])),
        "overflow": draw(st.sampled_from(["drop-new", "drop-old", "stay"])),
        "reads_drain_fifo": draw(st.booleans()),
        "visible": draw(st.sampled_from(["at-once", "on-event"])),
        "latency_ns": draw(TIMES),
        "interrupt_entry_ns": draw(TIMES),
        "interrupt_byte_ns": draw(TIMES),
    }
    when_late = draw(st.sampled_from(["next-release", "at-once", "free"]))
    loop = {
        "period_ns": draw(st.sampled_from([30, 100, 170])),
        "phase_ns": draw(TIMES),
        "work_ns": tuple(draw(st.lists(TIMES, min_size=1, max_size=3))),
        "when_late": when_late,
    }
    if when_late == "free":
        loop["work_ns"] = tuple(time + 1 for time in loop["work_ns"])
    reading = {
        "strategy": draw(st.sampled_from(["everything", "snapshot", "at-most", "whole-message", "newest"])),
        "context": draw(st.sampled_from(["first", "last", "own-core"])),
        "take": draw(st.sampled_from(["all", "per-byte"])),
        "limit_bytes": draw(st.integers(1, 5)),
        "timeout_ns": draw(st.sampled_from([10, 25, 200])),
        "timeout_character_ns": draw(TIMES),
        "on_timeout": draw(st.sampled_from(["keep", "discard"])),
        "skip_byte_ns": draw(TIMES),
    }
    parser = {
        name: draw(TIMES) for name in ("read_call_ns", "byte_ns", "message_ns", "message_byte_ns", "pause_ns")
    }
    parser["pause_every_bytes"] = draw(st.sampled_from([0, 1, 4]))
    windows = [(100, 15, 20, "loop"), (90, 0, 15, "handler"), (130, 40, 30, "both")]
    busy = draw(st.lists(st.sampled_from(windows), unique=True, max_size=2))
    return {"receiver": receiver, "loop": loop, "reading": reading, "parser": parser, "busy": busy}


@st.composite
def traffic(draw):
    data = b"".join(
        draw(st.lists(st.sampled_from([b"p1\n", b"r22\n", b"x\n", b"p", b"\n"]), min_size=1, max_size=8))
    )
    gaps = draw(st.lists(st.sampled_from([0, 10, 10, 10, 15, 80]), min_size=len(data), max_size=len(data)))
    flags = draw(
        st.lists(st.sampled_from([0] * 9 + [FRAMING, PARITY, BREAK]), min_size=len(data), max_size=len(data))
    )
    return data, np.cumsum(gaps).tolist(), flags


def pieces(run):
    return sum(
        getattr(run.passes, name) for name in ("work", "reading", "waiting", "handler", "pause", "window")
    )


@given(settings_of_a_link(), traffic())
@settings(max_examples=300)
def test_no_character_and_no_time_is_lost_from_the_books(sections, seen):
    data, times, flags = seen
    run = play(data, times, flags=flags, **sections)
    assert run.received == run.parsed + run.left_over
    assert run.received + run.overrun_hardware + run.overrun_buffer == len(data)
    passes = run.passes
    assert (pieces(run) == passes.end - passes.start).all()
    assert (passes.waiting >= 0).all()
    if sections["reading"]["strategy"] != "whole-message":
        assert not passes.waiting.any()
        assert run.waiting_ns == 0
    assert run.waiting_ns >= 0
    assert (passes.work_start >= passes.start).all()
    assert (passes.start >= passes.release).all()
    assert (passes.start[1:] >= passes.end[:-1]).all()
    starts, ends = run.handlers
    assert (starts[1:] >= ends[:-1]).all()
    times_accepted = [one.time_ns for one in run.accepted]
    assert times_accepted == sorted(times_accepted)
    assert len(run.passes) + run.skipped.size == len({*passes.release.tolist(), *run.skipped.tolist()})


@given(settings_of_a_link(), traffic())
@settings(max_examples=60)
def test_a_second_run_with_the_same_phase_gives_the_same(sections, seen):
    data, times, flags = seen
    first, second = (play(data, times, flags=flags, **sections) for _ in range(2))
    assert spans(first) == spans(second)
    assert fates(first) == fates(second)
    assert first.accepted == second.accepted


@given(settings_of_a_link(), traffic())
@settings(max_examples=150)
def test_a_deframer_of_its_own_finds_what_the_shared_one_finds(sections, seen):
    """With the message ends found once for all, or by a deframer fed with every byte that was read."""
    data, times, flags = seen
    link = resolved(**sections)
    characters = list(zip(times, data, flags, strict=True))
    run = run_receiver(link, characters, LINES, decode)
    from linkbudget.frame.deframer import Deframer

    kept = [at for at in range(len(data)) if run.character_fate[at] in (1, 2)]
    if run.discarded or not kept:
        return
    deframer, ends = Deframer(LINES), []
    for at in kept:
        byte = 0 if flags[at] == BREAK else data[at]
        if deframer.push(byte) and run.character_fate[at] == 1:
            ends.append(at)
    assert [last for _, last in run.ends] == ends


@given(traffic(), st.sampled_from(["everything", "snapshot", "whole-message"]))
@settings(max_examples=60)
def test_a_longer_deadline_changes_only_the_misses(seen, strategy):
    data, times, flags = seen
    sections = {
        "reading": {"strategy": strategy, "timeout_ns": 50},
        "parser": {"byte_ns": 9},
        "loop": {"work_ns": (40,)},
    }
    link = resolved(**sections)
    characters = list(zip(times, data, flags, strict=True))
    tight = run_receiver(link, characters, LINES, decode)
    loose = run_receiver(replace(link, loop=replace(link.loop, deadline_ns=10**9)), characters, LINES, decode)
    assert spans(tight) == spans(loose)
    assert loose.missed_deadlines == loose.skipped.size
