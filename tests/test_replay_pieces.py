"""A recording replayed piece by piece: the same figures as of the whole, and what is held stays small."""

from __future__ import annotations

import random
import warnings
from dataclasses import replace

import numpy as np
import pytest
from strategies import seeded_scene
from test_kernels import mode_set, needs_numba

from linkbudget import ByteCapture, CaptureError, Edges, Link, SettingsError, UartLine
from linkbudget.replay.long import Long, LongReplay, reason_against, replay_pieces
from linkbudget.replay.quantiles import KEPT_BITS, Quantiles
from linkbudget.replay.run import replay
from linkbudget.traffic.join import join_bytes

pytestmark = [needs_numba, pytest.mark.filterwarnings("ignore::linkbudget.LinkBudgetWarning")]


@pytest.fixture(autouse=True)
def compiled():
    with mode_set("always"):
        yield


def capture_of(made):
    line = UartLine(made.document["line"]["baudrate"])
    starts = None if made.starts_ns is None else np.array(made.starts_ns, dtype=np.int64)
    columns = (np.array(made.times_ns, dtype=np.int64), np.array(made.data, dtype=np.uint16))
    return ByteCapture(*columns, np.array(made.flags, dtype=np.uint8), line, starts_ns=starts)


def cut(capture, pick, most):
    """A capture in pieces of up to so many characters, some of them empty."""
    at = 0
    while at < len(capture):
        part = slice(at, at + pick(0, most))
        at = part.stop
        columns = {name: getattr(capture, name) for name in ("starts_ns", "window_ns")}
        columns = {name: None if column is None else column[part] for name, column in columns.items()}
        columns |= {name: getattr(capture, name)[part] for name in ("times_ns", "data", "flags")}
        yield replace(capture, **columns)


def outcome(call, *arguments, **keywords):
    try:
        return call(*arguments, **keywords).to_dict()
    except CaptureError as error:
        return str(error)


def summed_apart(result):
    """A result, and what is summed piece by piece and may differ in its last digits."""
    if not isinstance(result, dict):
        return result, []
    sums = [joint.pop(name) for joint in result["motion"] for name in ("overshoot_mean", "rms_error")]
    return result, [-1.0 if value is None else value for value in sums]


@pytest.mark.parametrize("start", range(0, 360, 60))
def test_pieces_give_what_the_whole_gives(start, monkeypatch):
    told = moved = 0
    for seed in range(start, start + 60):
        dice = random.Random(seed)
        made = seeded_scene(seed, dice.choice([9, 9, 40]))
        made.document["reading"]["context"] = dice.choice(["first", "last", "own-core"])
        monkeypatch.setattr("linkbudget.replay.long.CHUNK", dice.choice([5, 1 << 19]))
        link, capture = Link.from_dict(made.document), capture_of(made)
        pieces = cut(capture, dice.randint, dice.choice([1, 3, 20, 100]))
        whole, sums = summed_apart(outcome(replay, link, capture, phases=3))
        found, found_sums = summed_apart(outcome(replay_pieces, link, pieces, phases=3))
        assert found == whole, seed
        assert found_sums == pytest.approx(sums, rel=1e-9, abs=1e-12), seed
        told += isinstance(whole, dict)
        moved += max(sums, default=0) > 0
    assert told > 40
    assert moved > 8


@pytest.mark.parametrize("certain", [0, 0.5])
def test_uncertain_arrivals_give_the_same_ranges(certain):
    """Also where the windows begin in the middle: up to there all placements are the same."""
    wide = 0
    for seed in range(40):
        dice = random.Random(seed)
        made = seeded_scene(seed, 40)
        made.document["reading"]["context"] = dice.choice(["last", "own-core"])
        link, capture = Link.from_dict(made.document), capture_of(made)
        first = int(certain * len(capture))
        windows = [3_000, *(dice.choice([0, 3_000, 200_000]) for _ in range(8))]
        window = [0] * first + [windows[at // 7 % 9] for at in range(len(capture) - first)]
        capture = replace(capture, window_ns=np.array(window, dtype=np.int64))
        pieces = cut(capture, dice.randint, dice.choice([20, 100]))
        if seed % 2:
            pieces = (p if p.window_ns.any() else replace(p, window_ns=None) for p in pieces)
        whole, found = (
            outcome(call, link, given, phases=0)
            for call, given in ((replay, capture), (replay_pieces, pieces))
        )
        if isinstance(whole, str):
            assert found == whole
            continue
        ranges_found, ranges = (one["uncertain"]["figures"] for one in (found, whole))
        rms_found, rms = (one.pop("rms_error") for one in (ranges_found, ranges))
        assert all(
            a is b is None or a == pytest.approx(b, rel=1e-9) for a, b in zip(rms_found, rms, strict=True)
        )
        assert summed_apart(found)[0] == summed_apart(whole)[0], seed
        wide += sum(low != high for low, high in ranges.values())
    assert wide > 50


BEANS = {
    "line": {"baudrate": 921_600, "format": "8N1"},
    "message": [
        {
            "name": "beans",
            "encoding": "packed-bits",
            "fields": [{"name": "x", "kind": "integer", "minimum": 0, "maximum": 255}],
        }
    ],
    "frame": {"delimiting": "cobs", "crc": "CRC-16/IBM-3740", "max_payload": 8},
    "receiver": {
        "mode": "interrupt",
        "fifo_bytes": 16,
        "trigger_bytes": 8,
        "buffer_bytes": 64,
        "idle_bits": 30,
    },
    "loop": {"period_us": 1000, "work_us": [300, 300, 2500]},
    "parser": {"read_call_us": 2, "byte_us": 1, "message_us": 10},
}


def beans(pieces, messages=400):
    """Pieces of traffic that goes on and on, made as they are asked for."""
    codec = Link.from_dict(BEANS).codec("to-controller")
    frames = [codec.encode("beans", {"x": at % 256}) for at in range(messages)]
    data = np.frombuffer(b"".join(frames), dtype=np.uint8)
    character = 10 / 921_600 * 1e9
    times = np.round(np.arange(1, data.size + 1) * character).astype(np.int64)
    span = int(times[-1]) + 3_000_000
    flags = np.zeros(data.size, dtype=np.uint8)
    for at in range(pieces):
        yield ByteCapture(times + at * span, data, flags, UartLine(921_600))


@pytest.mark.parametrize("context", ["last", "own-core"])
def test_what_is_held_does_not_grow(context):
    """Neither characters nor frames nor accepted messages: less than a tenth of a piece after 50 of them."""
    link = Link.from_dict(BEANS).replace(**{"reading.context": context})
    long = Long(link, link.resolve(), 2)
    result = long.replay(beans(50), lambda: False)
    assert result.messages["sent"] == 20_000
    assert (result.messages["damaged"] > 0) == (context == "last")
    books = long.books
    held = [long.feed.times, books.frames.begin, books.pending.sent, long.own._accepted, *books._lost]
    assert max(len(one) for one in held) < 200
    assert max(one.machine.memory.size for one in long.placements.values()) < 1_000_000
    assert len(long.feed.stop_payloads) + len(long.feed.payloads) == 0
    if context == "own-core":
        own = long.own
        assert max(map(len, (own._passes, own._skipped, own._end_times, own.covered._starts))) < 200


@pytest.mark.parametrize("chunk", [3_000, 1 << 19])
def test_behind_a_character_that_the_driver_drops_the_streams_are_the_same_again(chunk, monkeypatch):
    """Kept frames are found by themselves only where a dropped character is among them."""
    monkeypatch.setattr("linkbudget.replay.long.CHUNK", chunk)
    link = Link.from_dict(BEANS).replace(**{"receiver.errored": {"framing": "drop"}})
    whole = next(beans(1, 2400))
    flags = whole.flags.copy()
    flags[[700, 5_000, 5_001]] = 1
    whole = replace(whole, flags=flags)
    long = Long(link, link.resolve(), 2)
    result = long.replay(cut(whole, lambda least, most: most, 2_000), lambda: False)
    assert result.lost["line"] == 3
    assert not long.feed.differs
    assert len(long.feed.stop_payloads) + len(long.feed.payloads) == 0
    assert result.to_dict() == replay(link, whole, phases=2).to_dict()


def test_the_longest_passes_are_kept():
    link = Link.from_dict(BEANS)
    result = replay_pieces(link, beans(6))
    assert isinstance(result, LongReplay)
    passes = replay(link, next(beans(1, 2400))).passes
    assert passes.release.size
    lengths = result.totals.worst[:, 2] - result.totals.worst[:, 1]
    assert (np.diff(lengths) <= 0).all()
    assert result.longest_pass_us == lengths[0] / 1e3


def test_stopped_it_tells_of_what_it_has_read_and_says_so():
    link = Link.from_dict(BEANS)
    read = []

    def pieces():
        for piece in beans(9):
            read.append(piece)
            yield piece

    asked = iter([False, False, True])
    part = replay_pieces(link, pieces(), stopped=lambda: next(asked))
    assert len(read) <= 4  # one ahead
    assert part.to_dict()["partial"] is True
    assert "interrupted" in part.warnings[-1]
    whole = replay_pieces(link, beans(3)).to_dict()
    assert {**part.to_dict(), "warnings": []} == {**whole, "warnings": [], "partial": True}


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"frame.delimiting": "counted"}, "do not end in a delimiter"),
    ],
)
def test_what_cannot_be_told_in_pieces_is_put_together_first(changes, why):
    link = Link.from_dict(BEANS).replace(**changes)
    assert why in reason_against(link, link.resolve())
    codec = link.codec("to-controller")
    data = b"".join(codec.encode("beans", {"x": at}) for at in range(40))
    times = np.arange(1, len(data) + 1, dtype=np.int64) * 10_851
    flags = np.zeros(len(data), dtype=np.uint8)
    capture = ByteCapture(times, np.frombuffer(data, dtype=np.uint8), flags, UartLine(921_600))
    with pytest.warns(match=why):
        found = replay_pieces(link, cut(capture, lambda least, most: most, 50))
    assert found.to_dict() == replay(link, capture).to_dict()


def test_without_kernels_the_pieces_are_put_together():
    link = Link.from_dict(BEANS)
    with mode_set("never"), pytest.warns(match="compiled"):
        found = replay_pieces(link, beans(2, 30))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        assert replay_pieces(link, beans(2, 30)).to_dict() == found.to_dict()


def test_nothing_to_replay_is_refused():
    link = Link.from_dict(BEANS)
    with pytest.raises(CaptureError, match="no intact frame in 0 characters"):
        replay_pieces(link, iter(()))
    with pytest.raises(SettingsError, match="phases"):
        replay_pieces(link, beans(1), phases=-1)


# --- quantiles --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("most", [10, 1 << 18])
def test_quantiles_are_exact_or_within_their_bound(most, monkeypatch):
    monkeypatch.setattr("linkbudget.replay.quantiles.MOST", most)
    monkeypatch.setattr("linkbudget.replay.quantiles.BATCH", 100)
    dice = np.random.default_rng(1)
    values = dice.integers(-(10**6), 10**9, 5000)
    told = Quantiles()
    for part in np.array_split(values, 37):
        told.add(part)
    ordered = np.sort(values)
    assert told.largest == ordered[-1]
    assert told.bound == (0 if most > 5000 else 2.0 ** (1 - KEPT_BITS))
    for percent in (1, 50, 99, 100):
        exact = int(ordered[-(-percent * 5000 // 100) - 1])
        assert abs(told.at(percent) - exact) <= told.bound * abs(exact)
        assert (told.at(percent) == exact) or told.bound


def test_no_values_have_no_quantiles():
    assert Quantiles().at(50) is None


# --- the public way ---------------------------------------------------------------------------------------


def test_replay_takes_pieces_as_they_come():
    link = Link.from_dict(BEANS)
    held = []

    def pieces():
        for piece in beans(5):
            held.append(piece.times_ns[0])
            yield piece

    found = replay(link, pieces(), phases=1)
    assert isinstance(found, LongReplay)
    assert len(held) == 5
    assert found.to_dict() == replay(link, join_bytes(beans(5)), phases=1).to_dict()


def test_what_needs_the_whole_recording_is_refused_for_pieces():
    link = Link.from_dict(BEANS)
    for name, value in {"trace": True, "progress": print, "markers": Edges(np.arange(2), initial=0)}.items():
        with pytest.raises(SettingsError, match=f"{name} is for whole recordings"):
            replay(link, beans(1), **{name: value})
    for wrong in (b"text", 7):
        with pytest.raises(SettingsError, match="or its pieces, as open_bytes gives them"):
            replay(link, wrong)


def windows_that_close(context, blocks):
    """A link whose second kind of window drifts into the gaps of the first, and closes them from 1 s on."""
    windows = [{"period_us": 1000, "length_us": 600, "blocks": blocks}]
    windows += [{"period_us": 1000.001, "length_us": 600, "phase_us": 399, "blocks": blocks}]
    link = Link.from_dict({**BEANS, "busy": windows, "reading": {"context": context}})
    codec = link.codec("to-controller")
    data = np.frombuffer(b"".join(codec.encode("beans", {"x": at}) for at in range(9)), dtype=np.uint8)
    times = np.arange(1, data.size + 1, dtype=np.int64) * 50_000_000
    return link, ByteCapture(times, data, np.zeros(data.size, dtype=np.uint8), UartLine(921_600))


@pytest.mark.parametrize("blocks", ["handler", "both"])
@pytest.mark.parametrize("context", ["last", "own-core"])
def test_windows_that_leave_handlers_no_time_are_refused_in_the_same_words(context, blocks):
    link, capture = windows_that_close(context, blocks)
    said = []
    for given, mode in ((capture, "never"), (iter([capture]), "always")):
        with mode_set(mode), pytest.raises(SettingsError, match="blocks for ever") as caught:
            replay(link, given, phases=1)
        said.append(str(caught.value))
    assert said[0] == said[1]


@pytest.mark.parametrize("context", ["last", "own-core"])
def test_a_loop_that_windows_hold_for_minutes_goes_on_behind_them(context):
    """They close from 1 s to 201 s, as one kind drifts by 1 ns in each of its periods."""
    link, capture = windows_that_close(context, "loop")
    found = []
    for given, mode in ((capture, "never"), (capture, "always"), (iter([capture]), "always")):
        with mode_set(mode):
            found.append(replay(link, given, phases=1).to_dict())
    assert found[0] == found[1] == found[2]
    assert found[0]["longest_pass_us"] > 199e6
