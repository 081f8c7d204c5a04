"""The receiver model against hand-computed scenes and against a second simulation written from its text."""

from __future__ import annotations

from collections import Counter
from copy import deepcopy
from typing import Any

import pytest
from hypothesis import event, given, settings
from oracle_link import resolved
from oracle_motion import Use, follow
from oracle_receiver import PARITY, Oracle
from pictures import Picture, by_library, by_oracle, case_of, differences, joint_of
from strategies import Scene, scenes, seeded_scene

from linkbudget import CaptureError, Deframer, Frame, FrameError, Link

ENGINES = {"oracle": by_oracle, "library": by_library}

# One character takes 1 us; the message is one number in a COBS frame of three bytes: 2, number, 0.
BASE: dict[str, Any] = {
    "line": {"baudrate": 10_000_000, "format": "8N1"},
    "message": [
        {
            "name": "place",
            "encoding": "packed-bits",
            "fields": [{"name": "n", "kind": "integer", "minimum": 0, "maximum": 200}],
        }
    ],
    "frame": {"delimiting": "cobs", "crc": "none", "max_payload": 20},
    "receiver": {"mode": "polled", "fifo_bytes": 8},
    "loop": {"period_us": 20, "work_us": 0},
    "reading": {"strategy": "everything", "context": "first"},
    "parser": {},
}
FRAME = bytes([2, 5, 0])
THREE = [1, 2, 3]


def scene(changes: dict[str, Any], times_us: list[float] = THREE, data: bytes = FRAME) -> Scene:
    """The base link with some keys changed (``"loop.work_us": 3``), and characters ending at these times."""
    document = deepcopy(BASE)
    for path, value in changes.items():
        section, _, key = path.partition(".")
        if key:
            document[section][key] = value
        else:
            document[section] = value
    return Scene(document, [round(time * 1000) for time in times_us], list(data), [0] * len(data), None)


@pytest.fixture(params=ENGINES)
def play(request):
    engine = ENGINES[request.param]

    def run(changes: dict[str, Any], times_us: list[float] = THREE, data: bytes = FRAME) -> Picture:
        return engine(scene(changes, times_us, data))

    return run


def us(pairs: list[tuple[int, ...]]) -> list[tuple[float, ...]]:
    return [tuple(value / 1000 for value in pair) for pair in pairs]


def spans(picture: Picture) -> list[tuple[float, ...]]:
    """Release, start and end of each pass in microseconds."""
    return us([(release, start, end) for release, start, _, end in picture["passes"]])


COSTS = {
    "parser.read_call_us": 1,
    "parser.byte_us": 0.5,
    "parser.message_us": 2,
    "parser.message_byte_us": 0.1,
}
INTERRUPT = {
    "receiver.mode": "interrupt",
    "receiver.latency_us": 0.2,
    "receiver.interrupt_entry_us": 0.3,
    "receiver.interrupt_byte_us": 0.1,
}


def test_reading_last_takes_what_came_and_looks_again(play):
    # Work 0-2; two bytes (the second arrives at that very instant): 1 + 2 * 0.5, to 4; then the third:
    # 1 + 0.5 + 2 + 3 * 0.1, to 7.8. Accepted after this pass's work, so the next pass uses it.
    picture = play(COSTS | {"loop.period_us": 10, "loop.work_us": 2, "reading.context": "last"})
    assert spans(picture) == [(0, 0, 7.8), (10, 10, 12)]
    assert picture["fates"] == ["used"]
    assert picture["uses"] == [(1, 10_000, "place", {"n": 5}, 10_000)]


def test_reading_first_uses_the_message_in_the_same_pass(play):
    picture = play(COSTS | {"loop.period_us": 10, "loop.work_us": 2})
    assert spans(picture) == [(0, 0, 2), (10, 10, 16.8)]  # 1 + 3 * 0.5 + 2 + 0.3 before the work
    assert picture["uses"] == [(1, 14_800, "place", {"n": 5}, 14_800)]


def test_handlers_lengthen_the_work(play):
    picture = play(INTERRUPT | {"loop.work_us": 10, "reading.context": "last"})
    assert us(picture["handlers"]) == [(1.2, 1.6), (2.2, 2.6), (3.2, 3.6)]
    assert spans(picture) == [(0, 0, 11.2), (20, 20, 30)]
    assert picture["fates"] == ["used"]


@pytest.mark.parametrize(("context", "end"), [("last", 1.6), ("first", 1.2)])
def test_work_that_ends_as_a_handler_starts_has_ended_and_a_look_has_to_wait(play, context, end):
    picture = play(INTERRUPT | {"loop.work_us": 1.2, "reading.context": context})
    assert spans(picture)[0] == (0, 0, end)


@pytest.mark.parametrize(
    ("full", "characters", "fate"),
    [("drop", ["left over", "left over", "hardware"], "damaged"), ("flush", ["hardware"] * 3, "lost")],
)
def test_a_full_fifo_loses_the_byte_or_everything(play, full, characters, fate):
    picture = play({"receiver.fifo_bytes": 2, "receiver.on_fifo_full": full, "loop.phase_us": 30})
    assert picture["characters"] == characters
    assert picture["fates"] == [fate]
    assert picture["passes"] == []  # the only release, 30, is later than 3 + 20


@pytest.mark.parametrize(
    ("overflow", "characters"),
    [
        ("drop-new", ["parsed", "parsed", "buffer"]),
        ("drop-old", ["buffer", "parsed", "parsed"]),
        ("stay", ["parsed"] * 3),
    ],
)
def test_a_full_buffer_loses_the_newest_the_oldest_or_none(play, overflow, characters):
    changes = {"receiver.fifo_bytes": 1, "receiver.buffer_bytes": 2, "receiver.overflow": overflow}
    picture = play(INTERRUPT | changes | {"receiver.latency_us": 0, "loop.phase_us": 5})
    assert picture["characters"] == characters
    if overflow == "stay":
        # The read at 5 frees space while a byte stays behind: a request, a handler from 5 to 5.4, and the
        # look that found nothing more to do until then takes the third byte.
        assert us(picture["handlers"])[-1] == (5, 5.4)
        assert spans(picture) == [(5, 5, 5.4)]
        assert picture["fates"] == ["used"]


def test_bytes_left_behind_raise_no_request_until_something_new_comes(play):
    changes = {"receiver.buffer_bytes": 1, "receiver.overflow": "stay", "loop.phase_us": 30}
    changes |= {"receiver.idle_bits": 25, "receiver.fifo_bytes": 4}
    picture = play(INTERRUPT | changes, [1, 2, 3, 20, 30], FRAME + FRAME[:2])
    # 1.2: one byte in. 2.2: the next stays (FIFO 1). 3: FIFO 2, not from below the trigger; its time-out at
    # 5.5: nothing fits. 20: FIFO 3, time-out at 22.5. At 30 the pass takes one byte: a request at once.
    starts = [start for start, _ in us(picture["handlers"])]
    assert starts[:4] == [1.2, 2.2, 5.5 + 0.2, 22.5 + 0.2]
    assert starts[4] == 30.2


def test_the_idle_timeout_counts_from_the_last_arrival(play):
    changes = {"receiver.trigger_bytes": 4, "receiver.idle_bits": 20}
    picture = play(INTERRUPT | changes)
    assert us(picture["handlers"]) == [(5.2, 5.8)]  # 3 + 2 + latency; 0.3 + 3 * 0.1


def test_an_arrival_at_the_very_timeout_starts_it_again(play):
    changes = {"receiver.trigger_bytes": 8, "receiver.idle_bits": 10}
    assert us(play(INTERRUPT | changes)["handlers"]) == [(4.2, 4.8)]


def test_looks_that_drain_the_fifo_need_no_handler(play):
    changes = {"receiver.trigger_bytes": 8, "receiver.reads_drain_fifo": True, "loop.phase_us": 5}
    picture = play(INTERRUPT | changes)
    assert picture["handlers"] == []
    assert picture["fates"] == ["used"]


def test_dma_loses_whole_rounds_that_overtook_the_reader(play):
    changes = {"receiver.mode": "dma", "receiver.buffer_bytes": 4, "loop.phase_us": 10}
    picture = play(changes, [1, 2, 3, 4, 5, 6], FRAME * 2)
    assert picture["characters"] == ["buffer"] * 4 + ["parsed"] * 2
    assert picture["fates"] == ["lost", "damaged"]


@pytest.mark.parametrize(("phase", "start", "fate"), [(5, 5, "pending"), (5.6, 5.7, "used")])
def test_dma_bytes_are_seen_after_the_event(play, phase, start, fate):
    changes = {"receiver.mode": "dma", "receiver.visible": "on-event", "receiver.buffer_bytes": 8}
    changes |= {"receiver.idle_bits": 20, "receiver.latency_us": 0.5, "receiver.interrupt_entry_us": 0.2}
    picture = play(changes | {"loop.phase_us": phase})
    assert us(picture["handlers"]) == [(5.5, 5.7)]
    assert spans(picture) == [(phase, start, start)]
    assert picture["fates"] == [fate]


def test_busy_windows_hold_up_loop_and_handlers(play):
    changes = {"busy": [{"period_us": 100, "phase_us": 2, "length_us": 3, "blocks": "both"}]}
    changes |= {"loop.work_us": 4, "reading.context": "last", "receiver.latency_us": 0}
    picture = play(INTERRUPT | changes)
    # 1-1.4 handler. The request of 2 waits for the end of the window, and takes two bytes: 5-5.5. Work:
    # 0-1, 1.4-2, 5.5-7.9.
    assert us(picture["handlers"]) == [(1, 1.4), (5, 5.5)]
    assert spans(picture)[0] == (0, 0, 7.9)
    spent = dict.fromkeys(["reading", "waiting", "pause"], 0)
    assert picture["spent"][0] == spent | {"work": 4000, "handler": 900, "window": 3000}


WHOLE = {
    "reading.strategy": "whole-message",
    "reading.timeout_us": 10,
    "parser.byte_us": 0.2,
    "loop.phase_us": 1,
}


def test_whole_message_waits_for_each_byte(play):
    picture = play(WHOLE)
    assert spans(picture)[0] == (1, 1, 3.2)
    assert (picture["spent"][0]["waiting"], picture["spent"][0]["reading"]) == (1600, 600)
    assert picture["fates"] == ["used"]


def test_whole_message_gives_up_between_characters(play):
    assert spans(play(WHOLE | {"reading.timeout_character_us": 0.5}))[0] == (1, 1, 1.7)


@pytest.mark.parametrize(("on_timeout", "fate"), [("keep", "used"), ("discard", "damaged")])
def test_the_timeout_wins_against_a_byte_at_the_same_instant(play, on_timeout, fate):
    changes = {"reading.timeout_character_us": 0.8, "reading.on_timeout": on_timeout}
    picture = play(WHOLE | changes | {"loop.period_us": 2, "reading.context": "last"})
    assert spans(picture) == [(1, 1, 2), (3, 3, 3.4), (5, 5, 5)]
    assert picture["fates"] == [fate]


@pytest.mark.parametrize(("byte", "end"), [(0.2, 2), (1.5, 2.5)])
def test_the_step_ends_at_its_timeout_or_with_the_parse_that_passes_it(play, byte, end):
    assert spans(play(WHOLE | {"reading.timeout_us": 1, "parser.byte_us": byte}))[0] == (1, 1, end)


def test_a_timeout_inside_a_handler_ends_the_wait_when_that_is_over(play):
    # The byte of 2 becomes available at 2.2 as its handler starts, which ends at 2.6; the time-out is at 2.3.
    changes = {"receiver.latency_us": 0.2, "reading.timeout_character_us": 0.5, "loop.phase_us": 1.6}
    picture = play(INTERRUPT | WHOLE | changes)
    assert spans(picture)[0] == (1.6, 1.6, 2.6)


def test_next_release_skips_and_at_once_does_not(play):
    late = {"loop.period_us": 10, "loop.work_us": [25, 1]}
    picture = play(late)
    assert spans(picture) == [(0, 0, 25)]
    assert picture["skipped"] == [10_000]
    assert picture["longest_run"] == 2
    picture = play(late | {"loop.when_late": "at-once"})
    assert spans(picture) == [(0, 0, 25), (10, 25, 26)]
    assert picture["missed_deadlines"] == 2


def test_a_free_loop_starts_pass_after_pass(play):
    free = {"loop.when_late": "free", "loop.work_us": 4, "loop.deadline_us": 4, "loop.period_us": 10}
    picture = play(free | COSTS)
    assert spans(picture) == [(0, 0, 4), (4, 4, 12.8), (12.8, 12.8, 16.8)]
    assert (picture["missed_deadlines"], picture["longest_run"]) == (1, 1)


def test_newest_passes_over_all_but_the_last_message(play):
    changes = COSTS | {"parser.message_byte_us": 0, "reading.strategy": "newest", "reading.skip_byte_us": 0.1}
    picture = play(changes | {"loop.phase_us": 10}, [1, 2, 3, 4, 5, 6], FRAME * 2)
    assert spans(picture) == [(10, 10, 14.8)]  # 1 + 3 * 0.1 + 3 * 0.5 + 2
    assert picture["characters"] == ["skipped"] * 3 + ["parsed"] * 3
    assert picture["fates"] == ["superseded", "used"]


@pytest.mark.parametrize(("every", "accepted", "end"), [(2, 7.5, 7.5), (3, 6.5, 7.5)])
def test_a_pause_follows_its_byte(play, every, accepted, end):
    pauses = {"parser.byte_us": 0.5, "parser.pause_us": 1, "parser.pause_every_bytes": every}
    picture = play(pauses | {"loop.phase_us": 5})
    assert [time / 1000 for time, *_ in picture["accepted"]] == [accepted]
    assert spans(picture) == [(5, 5, end)]


def test_per_byte_pays_a_call_for_each_and_fixes_how_many_at_the_first_look(play):
    changes = {"reading.take": "per-byte", "reading.strategy": "snapshot", "parser.read_call_us": 1}
    assert spans(play(changes | {"loop.phase_us": 2})) == [(2, 2, 4), (22, 22, 23)]


def test_at_most_leaves_the_rest(play):
    changes = {"reading.strategy": "at-most", "reading.limit_bytes": 2, "parser.byte_us": 1}
    assert spans(play(changes | {"loop.phase_us": 3, "loop.period_us": 10})) == [(3, 3, 5), (13, 13, 14)]


def test_a_core_of_its_own_reads_beside_the_passes(play):
    changes = {"parser.byte_us": 0.2, "parser.message_us": 1, "reading.context": "own-core"}
    picture = play(changes | {"loop.period_us": 2.1, "loop.work_us": 0.5})
    assert [time for time, *_ in picture["accepted"]] == [4200]  # 3 + 0.2 + 1
    assert spans(picture) == [(0, 0, 0.5), (2.1, 2.1, 2.6), (4.2, 4.2, 4.7)]
    # Accepted at the very start of the work of the third pass.
    assert picture["uses"] == [(2, 4200, "place", {"n": 5}, 4200)]


def test_handlers_run_on_the_core_that_reads(play):
    changes = {"reading.context": "own-core", "parser.byte_us": 0.9, "loop.work_us": 3}
    picture = play(INTERRUPT | changes)
    # Each byte is taken as its handler ends; the next handler lengthens its parse.
    assert us(picture["handlers"]) == [(1.2, 1.6), (2.2, 2.6), (3.2, 3.6)]
    assert spans(picture)[0] == (0, 0, 3)
    # 1.6-2.2, 2.6-2.9; 2.9-3.2, 3.6-4.2; 4.2-5.1
    assert [time for time, *_ in picture["accepted"]] == [5100]


def test_a_lost_digit_makes_a_misread(play):
    message = BASE["message"][0] | {"encoding": "json-object"}
    changes = {"message": [message], "frame.delimiting": "newline", "receiver.fifo_bytes": 16}
    text = b'{"n":15}\n'
    damaged = scene(changes | {"loop.phase_us": 10}, list(range(1, 10)), text)
    damaged.flags[5] = PARITY
    damaged.document["receiver"]["errored"] = {"parity": "drop"}
    for engine in ENGINES.values():
        picture = engine(damaged)
        assert picture["fates"] == ["misread"]
        assert [use[2:4] for use in picture["uses"]] == [("place", {"n": 5})]
        assert picture["bytes"]["overrun_hardware"] == 1


# --- what the generated scenes reach ----------------------------------------------------------------------

REACHED = {
    "receiver.mode": {"polled", "interrupt", "dma"},
    "receiver.on_fifo_full": {"drop", "flush"},
    "receiver.overflow": {"drop-new", "drop-old", "stay"},
    "receiver.reads_drain_fifo": {True, False},
    "receiver.visible": {"at-once", "on-event"},
    "reading.strategy": {"everything", "snapshot", "at-most", "whole-message", "newest"},
    "reading.context": {"last", "first", "own-core"},
    "reading.take": {"all", "per-byte"},
    "reading.on_timeout": {"keep", "discard"},
    "loop.when_late": {"next-release", "at-once", "free"},
    "fates": {"used", "superseded", "pending", "misread", "lost", "damaged"},
    "characters": {"parsed", "skipped", "left over", "hardware", "dropped", "buffer"},
    "spent": {"work", "reading", "waiting", "pause", "handler", "window"},
}


def test_generated_scenes_reach_every_rule():
    found: Counter[tuple[str, str]] = Counter()
    for seed in range(500):
        made = seeded_scene(seed)
        run = Oracle(case_of(made)).simulate()
        for section in ("receiver", "reading", "loop"):
            found.update((f"{section}.{key}", str(value)) for key, value in made.document[section].items())
        found.update({("fates", fate) for fate in run.fates()})
        found.update({("characters", str(became)) for became in run.became})
        found.update({("spent", what) for this in run.ran() for what, ns in this.spent.items() if ns})
    counts = {(name, value): found[name, str(value)] for name, values in REACHED.items() for value in values}
    assert {rule: count for rule, count in counts.items() if count < 5} == {}


class LateTimeouts(Oracle):
    """A time-out that meets the start of a handler or a window waits for its end."""

    def in_the_midst_of_a_stop(self, core: Any) -> bool:
        return self.stopped(core)


class ForgetfulFifo(Oracle):
    """Bytes left behind go on waiting for the time-out of an arrival long ago."""

    def move_into_buffer(self) -> int:
        before = self.idle_at
        taken = super().move_into_buffer()
        self.idle_at = before
        return taken


class SleepyLoop(Oracle):
    """Work that ends as a handler or a window starts has to wait for its end, too."""

    def step(self, core: Any) -> bool:
        return not self.stopped(core) and super().step(core)


class EagerRequests(Oracle):
    """A request while one is pending starts the latency again."""

    def raise_request(self) -> None:
        self.request = self.now


@pytest.mark.parametrize("wrong", [LateTimeouts, ForgetfulFifo, SleepyLoop, EagerRequests])
def test_generated_scenes_tell_a_wrong_model_from_the_right_one(wrong):
    """Else agreement would say little."""
    seeds = (seed for seed in range(2000) if core_of(wrong, seed) != core_of(Oracle, seed))
    assert next(seeds, None) is not None


def core_of(model: type[Oracle], seed: int) -> Any:
    run = model(case_of(seeded_scene(seed))).simulate()
    return run.passes, run.handlers, run.became, run.fates()


# --- the library against the oracle -----------------------------------------------------------------------


def compare(made: Scene) -> None:
    """Everything equal: passes, time spent, characters, messages, fates, the figures of the JSON, motion."""
    try:
        library = by_library(made)
    except CaptureError:
        assert not Oracle(case_of(made)).sent_frames()  # only a capture without any frame is refused
        return
    assert differences(by_oracle(made), library) == []


@pytest.mark.parametrize("start", range(0, 700, 50))
def test_the_library_agrees_with_the_second_simulation(start):
    for seed in range(start, start + 50):
        compare(seeded_scene(seed))


@settings(max_examples=60)
@given(scenes(most_pieces=5))
def test_the_library_agrees_with_the_second_simulation_on_what_hypothesis_finds(made):
    event(made.document["reading"]["strategy"])
    event(made.document["receiver"]["mode"])
    compare(made)


def test_a_longer_run_agrees():
    compare(seeded_scene(4242, most_pieces=150))


def test_both_read_links_and_frames_alike():
    """Two readers of the link file's numbers, two deframers, two decoders."""
    for seed in range(60):
        made = seeded_scene(seed)
        link = Link.from_dict(made.document)
        numbers = link.resolve()
        mine = resolved(made.document)
        for section in ("loop", "reading", "parser", "receiver"):
            for name, value in vars(getattr(mine, section)).items():
                theirs = getattr(getattr(numbers, section), name)
                if (name, mine.receiver.mode) != ("buffer_bytes", "polled"):
                    assert value == (list(theirs) if name == "work_ns" else theirs), name
        frames = Oracle(case_of(made)).sent_frames()
        found = Deframer(link.frames["to-controller"]).feed(bytes(made.data))
        assert [(f.characters[0], f.characters[-1] + 1, f.payload, f.name, f.value) for f in frames] == [
            (f.start, f.end, f.payload, *decoded(link, f.payload)) for f in found if isinstance(f, Frame)
        ]


def decoded(link: Link, payload: bytes) -> tuple[Any, Any]:
    try:
        return link.codec("to-controller").decode_payload(payload)
    except FrameError:
        return None, None


@pytest.mark.parametrize(
    ("distance", "v_max", "a_max", "move_time"),
    [(100, 50, 100, 2.5), (10, 50, 100, 0.632456), (90, 300, 1200, 0.55), (1, 1, 1, 2.0)],
)
def test_the_second_follower_approaches_the_trapezoid(distance, v_max, a_max, move_time):
    """Published move times d/v + v/a, 2 sqrt(d/a) (mechanics texts; recomputed), at 0.1 ms a step."""
    joint = joint_of({"v_max": v_max, "a_max": a_max})
    step = 100_000
    path = follow(joint, range(0, int(1.2e9 * move_time), step), [Use(0, distance, 0)], step, 0)
    # Half way is where it should be, and a quarter of the ramp's distance is left when it should be.
    ramp = min(v_max / a_max, move_time / 2)
    left = a_max * (ramp / 2) ** 2 / 2
    assert path.at(round(move_time * 1e9 / 2)) == pytest.approx(distance / 2, rel=2e-3)
    assert distance - path.at(round((move_time - ramp / 2) * 1e9)) == pytest.approx(left, rel=2e-2)
