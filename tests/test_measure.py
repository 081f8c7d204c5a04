"""Parsers measured: with a clock that the parser itself winds every figure is exact; wrong ones are seen."""

from __future__ import annotations

import gc
import json
import os
import time
import tomllib
from collections import namedtuple

import numpy as np
import pytest
from marked_controllers import document, lines

from linkbudget.cost import trial
from linkbudget.cost.answers import FieldCompare, compare_answers, messages_in, same
from linkbudget.cost.chunks import Expected, feeds_of
from linkbudget.cost.measure import measure_parser
from linkbudget.errors import CaptureError, ParserError, SettingsError
from linkbudget.frame.deframer import Deframer
from linkbudget.link.model import Link
from linkbudget.message.fields import Blob, Choice, Flag, Integer, Optional_, Real, Repeat, Scaled
from linkbudget.message.layout import MessageLayout

LINK = Link.from_dict(document())
CAPTURE = lines(80)
COSTS = {"read_call": 900, "byte": 70, "message": 25_000, "message_byte": 310}


class Wound:
    """A clock that stands still but for what a parser adds to it."""

    now = 0

    def __call__(self) -> int:
        return self.now


class Known:
    """A line reader that winds the clock by exactly what the model says it costs, pauses among it."""

    def __init__(self, clock: Wound, pause_ns: int = 0, every: int = 0, costs=COSTS) -> None:
        self.clock, self.pause_ns, self.every, self.costs = clock, pause_ns, every, costs
        self.held, self.parsed, self.found = b"", 0, []

    def feed(self, chunk: bytes):
        self.clock.now += self.costs["read_call"] + self.costs["byte"] * len(chunk)
        if self.every:
            due = (self.parsed + len(chunk)) // self.every - self.parsed // self.every
            self.clock.now += self.pause_ns * due
        self.parsed += len(chunk)
        self.held += chunk
        *ended, self.held = self.held.split(b"\n")
        for line in ended:
            self.clock.now += self.costs["message"] + self.costs["message_byte"] * (len(line) + 1)
        self.found = [self.value(line) for line in ended]
        return self.found

    def value(self, line: bytes):
        return json.loads(line)


def measured(parser=None, chunks=("replay", 3, 25), **settings):
    clock = Wound()
    return measure_parser(
        parser or Known(clock), CAPTURE, LINK, chunks=chunks, clock=clock, runs=2, **settings
    )


# --- costs ----------------------------------------------------------------------------------------------


def test_the_costs_of_a_known_parser_come_out_exactly():
    cost = measured()
    assert {name: cost.fit.ns(name) for name in COSTS} == pytest.approx(COSTS, rel=1e-9)
    assert cost.fit.rms_ns == pytest.approx(0, abs=1e-6)
    assert cost.right
    assert cost.verdict.startswith("All 240 messages right; ")
    assert "host, not the target" in cost.verdict
    assert cost.pauses is None
    # One line of L characters takes its message, its bytes, and its share of the calls.
    total = sum(cost.runs_ns) / len(cost.runs_ns)
    assert cost.per_message_us == pytest.approx(total / cost.messages / 1000)
    assert np.sum(cost.message_ns) <= total


def test_the_table_for_the_link_file_says_that_it_is_the_host():
    cost = measured()
    table = tomllib.loads(cost.to_toml("line reader on a laptop", "2026-11-30"))["parser"]
    assert table == {
        "read_call_us": 0.9, "byte_us": 0.07, "message_us": 25, "message_byte_us": 0.31,
        "source": "line reader on a laptop, host, not the target, 2026-11-30",
    }  # fmt: skip
    applied = LINK.replace(**cost.edits("line reader on a laptop"))
    assert applied.parser.message_us == 25
    assert applied.numbers_from()["parser.message_us"] == "assumed"


def test_the_table_of_a_wrong_parser_says_so_and_never_counts_as_measured():
    cost = measure_parser(lambda chunk: {}, CAPTURE, LINK, chunks="message", runs=1)
    edits = cost.edits("measured with a stopwatch")
    assert edits["parser.source"].startswith("of a parser that gives wrong messages, measured with")
    assert LINK.replace(**edits).numbers_from()["parser.byte_us"] == "assumed"


def test_one_chunking_alone_may_not_tell_everything_and_says_so():
    cost = measured(chunks="message")
    # Every call is one whole message: call and message, byte and byte of a message go together.
    assert cost.fit.groups == (("message", "read_call"), ("byte", "message_byte"))
    assert cost.fit.ns("message") == pytest.approx(25_900)
    assert cost.fit.ns("byte") == pytest.approx(380)
    assert len(cost.notes) == 2


@pytest.mark.parametrize("chunks", ["replay", 7, ("replay", 4)])
def test_pauses_are_taken_out_and_found(chunks):
    clock = Wound()
    cost = measure_parser(
        Known(clock, pause_ns=3_000_000, every=143), CAPTURE, LINK, chunks=chunks, clock=clock, runs=1
    )
    assert cost.pauses.mean_ns == pytest.approx(3_000_000)
    assert cost.pauses.regular
    assert 143 in [every for every, _ in cost.pauses.possible]
    assert abs(cost.pauses.every_bytes - 143) <= 1
    for name, ns in COSTS.items():
        together = [group for group in cost.fit.groups if name in group]
        assert together or cost.fit.ns(name) == pytest.approx(ns), name


def test_calls_that_took_too_long_without_any_order_are_no_pauses():
    class Stumbling(Known):
        def feed(self, chunk):
            if self.parsed in (21, 28, 35, 490, 497):
                self.clock.now += 2_000_000
            return super().feed(chunk)

    clock = Wound()
    cost = measure_parser(Stumbling(clock), CAPTURE, LINK, chunks=7, clock=clock, runs=1)
    assert cost.pauses is None
    assert np.count_nonzero(cost.fit.outliers) == 5
    assert any("5 calls" in note and "left out of the fit as odd" in note for note in cost.notes)


def test_what_disturbs_one_run_in_three_does_not_count(tmp_path):
    # Each run is a process of its own; a file tells them apart.
    class Disturbed(Known):
        def __init__(self, clock):
            super().__init__(clock)
            self.calls = 0

        def feed(self, chunk):
            self.calls += 1
            if self.calls == 1:
                (tmp_path / str(len(list(tmp_path.iterdir())))).touch()
            if self.calls == 5 and len(list(tmp_path.iterdir())) == 2:
                self.clock.now += 9_000_000
            return super().feed(chunk)

    clock = Wound()
    cost = measure_parser(Disturbed(clock), CAPTURE, LINK, chunks=(3, 25), clock=clock, runs=3)
    assert {name: cost.fit.ns(name) for name in COSTS} == pytest.approx(COSTS, rel=1e-9)
    assert not cost.fit.outliers.any()


def test_collections_of_memory_inside_calls_are_taken_out():
    class Collecting(Known):
        def feed(self, chunk):
            if self.parsed % 200 < len(chunk):
                gc.collect()  # the clock is wound while it runs, by the callback below
            return super().feed(chunk)

    clock = Wound()

    def winding(phase, info):
        if phase == "stop":
            clock.now += 40_000

    gc.callbacks.insert(0, winding)
    try:
        cost = measure_parser(Collecting(clock), CAPTURE, LINK, chunks=(3, 25), clock=clock, runs=1)
    finally:
        gc.callbacks.remove(winding)
    assert {name: cost.fit.ns(name) for name in COSTS} == pytest.approx(COSTS, rel=1e-9)
    assert not cost.fit.outliers.any()
    assert cost.pauses.mean_ns == pytest.approx(40_000)
    assert cost.collections == cost.pauses.count > 5
    assert not cost.pauses.regular


def test_an_iterator_is_timed_to_its_end():
    class Lazy(Known):
        def feed(self, chunk):
            yield from super().feed(chunk)

    clock = Wound()
    cost = measure_parser(Lazy(clock), CAPTURE, LINK, chunks=(3, 25), clock=clock, runs=1)
    assert {name: cost.fit.ns(name) for name in COSTS} == pytest.approx(COSTS, rel=1e-9)


def test_the_chunks_are_the_reads_of_a_replay():
    feed = feeds_of(LINK, CAPTURE, "replay")[0]
    assert b"".join(feed.chunks) == CAPTURE.payload_bytes()
    assert feed.how == "as a replay of the link reads them"
    # A loop that takes four bytes a pass feeds no more than that at a time.
    few = LINK.replace(**{"reading.strategy": "at-most", "reading.limit_bytes": 4})
    assert set(feeds_of(few, CAPTURE, "replay")[0].sizes.tolist()) == {1, 2, 3, 4}
    per_byte = LINK.replace(**{"reading.take": "per-byte"})
    assert set(feeds_of(per_byte, CAPTURE, "replay")[0].sizes.tolist()) == {1}


def test_bytes_that_a_replay_skips_or_loses_are_not_fed():
    busy = {"loop.work_us": 26_000, "reading.strategy": "newest", "loop.period_us": 40_000}
    newest = feeds_of(LINK.replace(**busy), CAPTURE, "replay")[0]
    assert 10 < len(newest.expected) < 80
    small = LINK.replace(**{**busy, "receiver.buffer_bytes": 12, "reading.strategy": "everything"})
    lossy = feeds_of(small, CAPTURE, "replay")[0]
    assert 0 < sum(lossy.sizes) < len(CAPTURE)
    found = Deframer(LINK.codec().fmt).feed(b"".join(lossy.chunks))
    assert len(lossy.expected) <= len(found)


def test_counts_of_a_feed_are_those_of_its_messages():
    feed = feeds_of(LINK, CAPTURE, 5)[0]
    assert feed.messages.sum() == 80
    assert feed.message_bytes.sum() == len(CAPTURE)
    assert [one.value["x"] for one in feed.expected] == [
        json.loads(line)["x"] for line in CAPTURE.payload_bytes().splitlines()
    ]


# --- answers --------------------------------------------------------------------------------------------


class Off(Known):
    """Reads every tenth message wrong."""

    def value(self, line):
        value = json.loads(line)
        return {"x": value["x"] + (value["x"] % 10 == 3)}


class Deaf(Known):
    """Overlooks messages whose number ends in 3, and reports those that end in 7 twice."""

    def feed(self, chunk):
        found = super().feed(chunk)
        found = [value for value in found if value["x"] % 10 != 3]
        return [value for value in found for _ in range(1 + (value["x"] % 10 == 7))]


def xs():
    return [json.loads(line)["x"] for line in CAPTURE.payload_bytes().splitlines()]


def test_a_fast_parser_that_is_wrong_is_noticed_before_anything_else():
    clock = Wound()
    cost = measured(Off(clock), chunks="message")
    wrong = sum(x % 10 == 3 for x in xs())
    answers = cost.answers[0]
    assert (answers.right, answers.wrong, answers.missing, answers.extra) == (80 - wrong, wrong, 0, 0)
    assert not cost.right
    assert cost.verdict.startswith(f"The parser is wrong: {80 - wrong} of 80 messages right, {wrong} wrong;")
    assert "What it costs says nothing" in cost.verdict
    assert cost.to_dict()["right"] is False


def test_missing_and_extra_messages_are_counted():
    clock = Wound()
    answers = measured(Deaf(clock), chunks="message").answers[0]
    # One that is missing beside one that is extra are a wrong one.
    assert answers.missing + answers.wrong == sum(x % 10 == 3 for x in xs())
    assert answers.extra + answers.wrong == sum(x % 10 == 7 for x in xs())
    assert answers.missing > answers.wrong
    assert answers.right == 80 - answers.missing - answers.wrong


def test_a_parser_that_finds_nothing_misses_everything():
    answers = measured(lambda chunk: None, chunks="message").answers[0]
    assert (answers.right, answers.missing, answers.extra) == (0, 80, 0)
    assert answers.first == f"message 0: nothing instead of {{'x': {xs()[0]}}}"


def test_a_function_a_class_and_an_iterator_are_parsers_too():
    class Lines:
        def __init__(self):
            self.held = b""

        def feed(self, chunk):
            *ended, self.held = (self.held + chunk).split(b"\n")
            yield from map(json.loads, ended)

    assert measured(Lines, chunks=4).right
    assert measured(Lines(), chunks=4).right
    assert measured(lambda line: json.loads(line), chunks="message").right
    assert measured(lambda line: ("place", json.loads(line)), chunks="message").right
    assert measured(lambda line: (json.loads(line)["x"],), chunks="message").right
    place = namedtuple("place", "x")
    assert measured(lambda line: place(json.loads(line)["x"]), chunks="message").right


def test_a_parser_that_collects_is_asked_at_the_end():
    class Collects:
        def __init__(self):
            self.all = []

        def __call__(self, chunk):
            self.all.append(json.loads(chunk))
            return True

    assert not measured(Collects, chunks="message").right
    assert measured(Collects, chunks="message", results=lambda parser: parser.all).right


def test_a_comparison_of_ones_own_decides():
    def by_parity(found, name, value):
        return name == "place" and found == value["x"] % 2

    parser = lambda line: [json.loads(line)["x"] % 2]  # noqa: E731
    assert measured(parser, chunks="message", compare=by_parity).right
    assert not measured(parser, chunks="message").right


def expected(*values):
    return [Expected("place", value, b"", number) for number, value in enumerate(values)]


NUMBERS = FieldCompare({"place": MessageLayout("place", (Integer("x", 0, 1000),))})


@pytest.mark.parametrize(
    ("found", "counts"),
    [
        ([1, 2, 3, 4], (4, 0, 0, 0)),
        ([1, 9, 3, 4], (3, 1, 0, 0)),
        ([1, 3, 4], (3, 0, 1, 0)),
        ([1, 2, 2, 3, 4], (4, 0, 0, 1)),
        ([2, 3, 4], (3, 0, 1, 0)),
        ([1, 2, 3], (3, 0, 1, 0)),
        ([1, 2, 3, 4, 5], (4, 0, 0, 1)),
        ([7, 8, 9, 6], (0, 4, 0, 0)),
        ([7, 8], (0, 2, 2, 0)),
        ([], (0, 0, 4, 0)),
    ],
)
def test_answers_are_paired_in_order(found, counts):
    answers = compare_answers([{"x": x} for x in found], expected(*({"x": x} for x in (1, 2, 3, 4))), NUMBERS)
    assert (answers.right, answers.wrong, answers.missing, answers.extra) == counts
    assert answers.all_right == (counts == (4, 0, 0, 0))
    assert (answers.first is None) == answers.all_right


@pytest.mark.parametrize(
    ("field", "value", "right", "wrong"),
    [
        (Integer("x", 0, 9), 7, [7, 7.0], [8, "7", True, None]),
        (Scaled("x", 0, 10, 0.4), 4.4, [4.4, 4.41, 4.59], [4.61, 4.19, "4.4"]),
        (Real("x"), 0.1, [0.1, np.float32(0.1).item()], [0.1001]),
        (Flag("x"), True, [True, 1], [False, 0, None]),
        (Choice("x", ("whole", "split")), "split", ["split"], [1, "whole", b"split"]),
        (Blob("x", 2), b"ab", [b"ab", bytearray(b"ab"), memoryview(b"ab")], ["ab", b"abc"]),
        (Repeat("x", Integer("y", 0, 9), 3), [1, 2], [[1, 2], (1, 2)], [[1], [1, 3], 12]),
        (Repeat("x", (Integer("y", 0, 9),), 3), [{"y": 1}], [[{"y": 1}]], [[{"y": 2}], [1, 2]]),
        (Optional_(Scaled("x", 0, 10, 0.5)), 2.5, [2.5, 2.6], [3]),
    ],
)
def test_values_are_right_within_what_their_field_resolves(field, value, right, wrong):
    for one in right:
        assert same(one, value, field), one
    for one in wrong:
        assert not same(one, value, field), one


def test_what_a_call_returns_is_none_one_or_several_messages():
    assert messages_in(None) == messages_in(False) == messages_in([]) == []
    assert messages_in({"x": 1}) == [{"x": 1}]
    assert messages_in((1, 2)) == [(1, 2)]
    assert messages_in([1, 2]) == messages_in(iter((1, 2))) == [1, 2]
    assert messages_in(0) == [0]


# --- what goes wrong --------------------------------------------------------------------------------------


def test_a_parser_that_raises_is_stopped_and_what_it_was_fed_is_said():
    with pytest.raises(ParserError) as caught:
        measured(lambda chunk: json.loads(chunk), chunks=6)
    message = str(caught.value)
    assert message.startswith("the parser raised JSONDecodeError: ")
    assert f"in call 1 of {-(-len(CAPTURE) // 6)}, fed bytes 0 to 5 of the stream (7b 22 78 22 3a" in message
    assert (caught.value.call, caught.value.fed) == (0, CAPTURE.payload_bytes()[:6])


def test_a_parser_that_never_returns_is_ended_and_where_is_said():
    def stuck(chunk):
        while len(chunk) == 3:
            pass

    with pytest.raises(ParserError, match=r"did not return within 0.2 s, in call \d+ of .* fed bytes \d+ to"):
        measured(stuck, chunks=(len(CAPTURE) - 3), timeout_s=0.2)


def test_a_parser_that_takes_its_process_down_is_noticed():
    with pytest.raises(ParserError, match=r"ended its process \(exit code 7\), in call 1 of"):
        measured(lambda chunk: os._exit(7), chunks=5)
    with pytest.raises(ParserError, match="raised SystemExit: 3, in call 1 of"):
        measured(lambda chunk: (_ for _ in ()).throw(SystemExit(3)), chunks=5)


def test_a_class_that_cannot_be_made_is_said():
    class Wants:
        def __init__(self, something):
            pass

    with pytest.raises(ParserError, match=r"raised TypeError: .*something.*, before its first call"):
        measured(Wants)


@pytest.mark.parametrize(
    ("parser", "settings", "piece"),
    [
        (3, {}, "parser: 'int' is not allowed; allowed: a function of a chunk, an object with feed"),
        (object, {}, "'object' is not allowed; allowed: a function"),
        (len, {"runs": 0}, "runs: 0 is not allowed; allowed: 1 or more"),
        (len, {"timeout_s": 0}, "timeout_s: 0 is not allowed"),
        (len, {"chunks": 0}, "chunks: 0 is not allowed; allowed: replay, message, or a number"),
        (len, {"chunks": "lines"}, "chunks: 'lines' is not allowed"),
        (len, {"chunks": ()}, "one chunking or more"),
        ("nowhere.py", {}, "there is no file 'nowhere.py'"),
    ],
)
def test_what_makes_no_sense_is_refused(parser, settings, piece):
    with pytest.raises(SettingsError, match=piece):
        measure_parser(parser, CAPTURE, LINK, **{"runs": 1, **settings})


def test_a_link_without_a_loop_needs_a_chunking():
    described = document()
    del described["loop"], described["reading"], described["parser"]
    with pytest.raises(SettingsError, match="the link describes no loop that reads"):
        measure_parser(len, CAPTURE, Link.from_dict(described))
    assert measure_parser(json.loads, CAPTURE, Link.from_dict(described), chunks="message", runs=1).right


def test_a_capture_of_something_else_is_refused():
    other = lines(3)
    strange = type(other)(other.times_ns, other.data * 0 + 65, other.flags, other.line)
    with pytest.raises(CaptureError, match="no message to-controller of the link in the"):
        measure_parser(len, strange, LINK)


def test_the_json_is_json_and_names_the_machine():
    cost = measure_parser(json.loads, CAPTURE, LINK, chunks="message", runs=1, clock=time.perf_counter_ns)
    found = json.loads(json.dumps(cost.to_dict()))
    assert found["where"] == "host, not the target"
    assert set(found["machine"]) == {"python", "machine", "system"}
    assert found["per_message_us"]["mean"] > 0
    assert found["answers"][0]["right"] == 80
    assert cost._repr_html_().startswith("<table><caption>All 80 messages right")


def test_where_processes_cannot_be_forked_the_parser_is_sent(monkeypatch):
    monkeypatch.setattr(trial, "context", lambda: trial.multiprocessing.get_context("spawn"))
    clock = time.perf_counter_ns
    assert measure_parser(json.loads, CAPTURE, LINK, chunks="message", runs=1, clock=clock).right
    with pytest.raises(
        SettingsError, match=r"cannot be sent there .*; allowed: a function or class at the top"
    ):
        measure_parser(lambda line: json.loads(line), CAPTURE, LINK, chunks="message", runs=1)
