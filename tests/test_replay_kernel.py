"""The compiled receiver model where the registry's test does not reach: interrupted and taken up again."""

from __future__ import annotations

import itertools
import random
import warnings
from dataclasses import replace
from fractions import Fraction

import pytest
import strategies_kernels
from hypothesis import HealthCheck, given, settings
from receiver_scenes import LINES, back_to_back, decode, play, resolved
from strategies import seeded_scene
from test_kernels import comparable, mode_set, needs_numba

from linkbudget import Link, SettingsError
from linkbudget.frame.format import FrameFormat
from linkbudget.replay.arrivals import Traffic
from linkbudget.replay.receiver import missed_deadlines, plain_run, run_receiver, simulate

pytestmark = needs_numba


def both(case):
    """The run in plain form and by the kernel; None when the kernel leaves it to the plain form."""
    from linkbudget.replay.compiled import run_compiled

    numbers, characters, fmt, read = case
    traffic = Traffic(characters, numbers.receiver.errored, fmt, read)
    compiled = run_compiled(numbers, traffic)
    return comparable(plain_run(numbers, traffic)), None if compiled is None else comparable(compiled)


def seeded_case(seed, most_pieces=9):
    made = seeded_scene(seed, most_pieces)
    link = Link.from_dict(made.document)
    codec = link.codec("to-controller")
    characters = list(zip(made.times_ns, made.data, made.flags, strict=True))
    return link.resolve(), characters, codec.fmt, codec.decode_payload


@pytest.mark.parametrize(("chunk", "rows"), [(1, 4096), (2, 1), (5, 2), (64, 1)])
def test_a_run_that_is_left_and_taken_up_again_is_the_same(chunk, rows, monkeypatch):
    """One character more each time, or room for one row: back to the checkpoint nearly always."""
    monkeypatch.setattr("linkbudget.replay.compiled.CHUNK", chunk)
    monkeypatch.setattr("linkbudget.replay.machine.ROWS", rows)
    monkeypatch.setattr("linkbudget.replay.machine.RANGES", rows)
    monkeypatch.setattr("linkbudget.replay.compiled.room_for", lambda *_: {})
    for seed in range(chunk * 1000, chunk * 1000 + 250):
        plain, compiled = both(seeded_case(seed))
        assert compiled == plain, seed


@pytest.mark.parametrize("chunk", [1, 3, 65536])
def test_the_same_in_every_format(chunk, monkeypatch):
    monkeypatch.setattr("linkbudget.replay.compiled.CHUNK", chunk)
    left_to_the_plain_form = []

    @settings(max_examples=100, suppress_health_check=list(HealthCheck))
    @given(strategies_kernels.receiver_cases())
    def agree(case):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            plain, compiled = both(case.arguments)
        if compiled is None:
            left_to_the_plain_form.append(case.arguments[2])
        else:
            assert compiled == plain

    agree()
    assert all(fmt.delimiting == "counted" for fmt in left_to_the_plain_form)


def stretch_case(seed):
    """A long stretch of traffic for which the kernel takes short cuts, and what ends a short cut.

    Everything lies on a grid of half a character, so that arrivals, silences, handler starts, looks, releases
    and windows fall on the same instants again and again; a buffer fills and empties within a stretch.
    """
    pick = random.Random(seed).choice
    data = b"".join(pick([b"p12\n", b"r3\n", b"p123456789\n", b"\n"]) for _ in range(pick([40, 150])))
    rare = pick([7, 30, 200])  # one gap in so many characters
    gaps = [pick([15, 20, 25, 30, 40, 200, 5]) if pick(range(rare)) == 0 else 10 for _ in data]
    flags = [4 if pick(range(60)) == 0 else 0 for _ in data] if pick(range(4)) == 0 else [0] * len(data)
    mode = pick(["interrupt", "interrupt", "interrupt", "polled", "dma"])
    fifo = pick([1, 1, 8, 32])
    receiver = {"mode": mode, "fifo_bytes": fifo, "buffer_bytes": pick([3, 20, 64, 64, 500])}
    receiver |= {
        "trigger_bytes": pick([1, (fifo + 3) // 4, fifo]),
        "on_fifo_full": pick(["drop", "drop", "flush"]),
    }
    receiver |= {"overflow": pick(["drop-new", "drop-old", "stay"]), "reads_drain_fifo": pick(range(6)) == 0}
    receiver |= {"idle_ns": pick([0, 5, 10, 15, 20, 30]), "visible": pick(["at-once", "on-event"])}
    receiver |= {"latency_ns": pick([0, 0, 1, 5, 10, 25]), "interrupt_entry_ns": pick([0, 1, 5, 10, 15])}
    receiver |= {"interrupt_byte_ns": pick([0, 0, 1, 5])}
    loop = {"period_ns": pick([50, 100, 230, 1000]), "phase_ns": pick([0, 5, 13, 50])}
    loop |= {
        "work_ns": pick([(0,), (10,), (30, 5, 400), (95,)]),
        "when_late": pick(["next-release", "at-once"]),
    }
    reading = {"strategy": pick(["everything", "snapshot", "at-most", "whole-message", "newest"])}
    reading |= {"context": pick(["last", "first", "own-core"]), "take": pick(["all", "all", "per-byte"])}
    reading |= {"limit_bytes": 17, "timeout_ns": pick([50, 200]), "skip_byte_ns": pick([0, 1])}
    reading |= {"timeout_character_ns": pick([0, 20]), "on_timeout": pick(["keep", "discard"])}
    parser = {"read_call_ns": pick([0, 1, 5]), "byte_ns": pick([0, 1, 5]), "message_ns": pick([0, 3, 10])}
    if pick(range(5)) == 0:
        parser |= {"pause_ns": pick([1, 60]), "pause_every_bytes": pick([3, 20])}
    busy = [(pick([90, 400, 1000]), pick([0, 5, 30]), pick([1, 5, 40]), pick(["handler", "loop", "both"]))]
    sections = {"receiver": receiver, "loop": loop, "reading": reading, "parser": parser}
    numbers = resolved(**sections, busy=busy if pick(range(3)) == 0 else ())
    return numbers, list(zip(itertools.accumulate(gaps), data, flags, strict=True)), LINES, decode


@pytest.mark.parametrize("part", range(4))
def test_short_cuts_end_where_something_else_happens(part):
    modes = set()
    for seed in range(part * 1000, part * 1000 + 100):
        case = stretch_case(seed)
        plain, compiled = both(case)
        assert compiled == plain, seed
        modes.add(case[0].receiver.mode)
    assert modes == {"polled", "interrupt", "dma"}


def test_misses_are_counted_without_anything_else_at_every_phase():
    for seed in range(60):
        numbers, characters, fmt, read = stretch_case(seed)
        traffic = Traffic(characters, numbers.receiver.errored, fmt, read)
        for phase in (0, 7, 25):
            shifted = replace(numbers, loop=replace(numbers.loop, phase_ns=phase))
            with mode_set("always"):
                found = missed_deadlines(shifted, traffic)
            assert found == plain_run(shifted, traffic).missed_deadlines, (seed, phase)


def test_long_reading_steps_have_checkpoints_of_their_own(monkeypatch):
    """A parser slower than the line: one pass that lasts for ever."""
    monkeypatch.setattr("linkbudget.replay.compiled.CHUNK", 1000)
    data = b"p123\n" * 4000
    numbers = resolved(parser={"byte_ns": 13, "message_ns": 1}, receiver={"buffer_bytes": 50})
    characters = list(zip(back_to_back(data), data, [0] * len(data), strict=True))
    plain, compiled = both((numbers, characters, LINES, decode))
    assert compiled == plain
    assert len(plain["passes"]["start"]) < 10


# --- what is left to the plain form -----------------------------------------------------------------------

COUNTED = FrameFormat(delimiting="counted", crc="sum8", max_payload=40, sync="55", length_bytes=1)


def counted_case(buffer_bytes):
    data = b"".join(COUNTED.encode(b"p%d" % at) for at in range(30))
    characters = list(zip(back_to_back(data), data, [0] * len(data), strict=True))
    numbers = resolved(loop={"period_ns": 400}, receiver={"buffer_bytes": buffer_bytes})
    return numbers, characters, COUNTED, decode


def test_frames_found_by_their_length_are_compiled_as_long_as_no_byte_is_lost():
    plain, compiled = both(counted_case(256))
    assert compiled == plain
    assert len(plain["accepted"]) == 30


def test_frames_found_by_their_length_are_left_to_the_plain_form_when_bytes_are_lost():
    case = counted_case(20)
    assert both(case)[1] is None
    with mode_set("always"):
        found = run_receiver(*case)
    assert found.overrun_buffer > 0
    with mode_set("never"):
        assert comparable(run_receiver(*case)) == comparable(found)


@pytest.mark.parametrize(
    "section",
    [
        {"loop": {"work_ns": (1 << 41,)}},
        {"parser": {"byte_ns": 1 << 49}},
        {"reading": {"timeout_ns": 1 << 50}},
    ],
)
def test_times_beyond_what_64_bits_hold_are_left_to_the_plain_form(section):
    data = b"p1\n" * 9
    characters = list(zip(back_to_back(data), data, [0] * len(data), strict=True))
    plain, compiled = both((resolved(**section), characters, LINES, decode))
    assert compiled is None
    assert plain["passes"]["start"]


def test_a_trace_is_made_by_the_plain_form():
    numbers, characters, fmt, read = seeded_case(3)
    with mode_set("always"):
        run = simulate(numbers, Traffic(characters, numbers.receiver.errored, fmt, read), trace=True)
    assert run.activities is not None


def test_a_loop_without_time_is_refused_in_the_same_words():
    numbers = resolved(loop={"when_late": "free", "work_ns": (5, 0), "deadline_ns": 9})
    for mode in ("always", "never"):
        with mode_set(mode), pytest.raises(SettingsError, match="a pass could take no time"):
            run_receiver(numbers, [(10, 65, 0)], LINES, decode)


def test_without_any_character_passes_run_all_the_same():
    plain, compiled = both((resolved(), [], LINES, decode))
    assert compiled == plain
    assert plain["passes"]["start"] == ("<i8", [0, 100])


def test_the_messages_of_a_compiled_run_are_made_when_asked_for():
    with mode_set("always"):
        run = play(b"p12\nr3\n")
    assert "accepted" not in vars(run)
    assert [one.value for one in run.accepted] == [b"12", b"3"]
    assert replace(run, deadline_ns=7).accepted == run.accepted
    assert Fraction(run.received, 7) == 1


@pytest.mark.parametrize("seed", range(40))
def test_handlers_of_single_bytes_are_as_long_as_each_other(seed):
    """Of them the kernel notes only the starts, unless one may take nothing."""
    numbers, characters, fmt, read = stretch_case(seed)
    receiver = replace(numbers.receiver, mode="interrupt", fifo_bytes=1, trigger_bytes=1)
    traffic = Traffic(characters, receiver.errored, fmt, read)
    with mode_set("always"):
        compiled = simulate(replace(numbers, receiver=receiver), traffic)
    plain = plain_run(replace(numbers, receiver=receiver), traffic)
    assert comparable(compiled.handlers) == comparable(plain.handlers)
    assert compiled.handler_ns == plain.handler_ns == int((plain.handlers[1] - plain.handlers[0]).sum())


@pytest.mark.parametrize("mode", ["dma", "interrupt"])
def test_a_core_of_its_own_reads_in_stretches(mode, monkeypatch):
    """Each step reads what came, and ends before more comes; or now and then it does not."""
    for seed in range(60):
        monkeypatch.setattr("linkbudget.replay.compiled.CHUNK", [7, 64, 1 << 24][seed % 3])
        numbers, *rest = stretch_case(seed)
        receiver = replace(numbers.receiver, mode=mode, visible="at-once", reads_drain_fifo=False)
        strategy = ["everything", "snapshot", "at-most", "newest"][seed % 4]
        reading = replace(numbers.reading, context="own-core", strategy=strategy, take="all")
        plain, compiled = both((replace(numbers, receiver=receiver, reading=reading, busy=()), *rest))
        assert compiled == plain, seed
