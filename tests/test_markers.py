"""Passes that a controller marked: read from edges, held against the model, and costs fitted to them."""

from __future__ import annotations

import json
import tomllib
from fractions import Fraction

import numpy as np
import pytest
from marked_controllers import PARSER, by_library, by_oracle, document, lines, toggled

from linkbudget.capture.files import save_capture
from linkbudget.cost.markers import fit_markers
from linkbudget.errors import CaptureError, SettingsError
from linkbudget.link.joints import Markers
from linkbudget.link.model import Link
from linkbudget.link.resolve import LoopNs
from linkbudget.replay.markers import read_markers
from linkbudget.replay.run import replay
from linkbudget.replay.windows import NEVER
from linkbudget.traffic.levels import HIGH, LOW, UNKNOWN, Edges, LevelCapture

# --- edges ------------------------------------------------------------------------------------------------


def loop(when_late="next-release", work_ns=(200,), period_ns=1000) -> LoopNs:
    return LoopNs(period_ns, 0, work_ns, period_ns, when_late)


def read(edges, meaning="pass-start", edge="both", **timing):
    return read_markers(edges, Markers(channel="pin", meaning=meaning, edge=edge), loop(**timing))


def spans(marked):
    rows = zip(marked.start_ns.tolist(), marked.shortest_ns.tolist(), marked.longest_ns.tolist(), strict=True)
    return [(start, short if short == long else (short, long)) for start, short, long in rows]


def test_in_a_free_loop_a_pass_lasts_until_the_next_start():
    assert spans(read(toggled([10, 40, 45, 100]), when_late="free")) == [(10, 30), (40, 5), (45, 55)]


@pytest.mark.parametrize(("edge", "starts"), [("both", [10, 40, 45]), ("rising", [10]), ("falling", [40])])
def test_only_the_edges_that_count_are_starts(edge, starts):
    assert read(toggled([10, 40, 45, 100]), edge=edge, when_late="free").start_ns.tolist() == starts


def test_a_channel_that_begins_high_falls_first():
    edges = Edges(np.array([10, 40, 45, 100]), HIGH)
    assert read(edges, edge="rising", when_late="free").start_ns.tolist() == [40]


def test_a_channel_that_is_unknown_at_first_is_read_as_low_and_that_is_said():
    edges = Edges(np.array([5, 10, 40]), UNKNOWN, np.array([LOW, HIGH, LOW], np.uint8))
    marked = read(edges, when_late="free")
    assert marked.start_ns.tolist() == [10]
    assert marked.findings == ("the level is unknown 1 time and read as low",)


def test_time_zero_is_taken_off():
    edges = toggled([1010, 1040, 1100])
    marked = read_markers(edges, Markers(channel="pin", meaning="pass-start"), loop("free"), 1000)
    assert marked.start_ns.tolist() == [10, 40]


def test_steps_of_reading_are_the_stretches_in_which_the_line_is_high():
    assert spans(read(toggled([10, 25, 40, 45]), "parse")) == [(10, 15), (40, 5)]


def test_steps_cut_off_by_the_recording_are_left_out_and_that_is_said():
    marked = read(Edges(np.array([10, 25, 40, 45]), HIGH), "parse")
    assert spans(marked) == [(25, 15)]
    assert len(marked.findings) == 2
    assert "as the capture begins" in marked.findings[0]
    assert "as the capture ends" in marked.findings[1]


def test_a_loop_that_waits_for_the_next_release_tells_only_bounds():
    # The pass at 3000 is followed by one at 6000: it ended after the release at 5000.
    marked = read(toggled([1000, 2000, 3000, 6000, 7000, 8000, 9000]))
    assert spans(marked)[2] == (3000, (1998, 3000))
    assert spans(marked)[0] == (1000, (0, 1000))
    assert not marked.exact.any()
    assert marked.findings == (
        "2 releases without a pass, after 1 pass: skipped, or edges are missing;"
        " the markers alone cannot tell",
    )
    assert marked.period_ns == pytest.approx(1000)


def test_an_edge_between_releases_is_extra_and_its_place_is_said():
    marked = read(toggled([1000, 2000, 2430, 3000, 4000, 5000, 6000]))
    assert marked.start_ns.tolist() == [1000, 2000, 3000, 4000, 5000]
    assert marked.findings == ("1 edge left out as extra: lie between releases (at 0.002 ms)",)


def test_a_loop_that_starts_at_once_ends_a_late_pass_where_the_next_starts():
    # Releases at whole thousands; the pass at 3000 takes 1400, so the next begins at 4400.
    marked = read(toggled([0, 1000, 2000, 3000, 4400, 5000, 6000, 7000]), when_late="at-once")
    assert spans(marked)[3] == (3000, 1400)
    assert [length for _, length in spans(marked)][:3] == [(0, 1000)] * 3
    assert spans(marked)[4] == (4400, (0, 600))


def test_ends_of_passes_lie_on_a_grid_whose_phase_is_work_later():
    # Releases at 1000 k, work 200; the pass at 3000 reads for 1300 more and skips 4000.
    marked = read(toggled([1200, 2200, 4500, 5200, 6200, 7200, 8200]), "pass-end")
    assert spans(marked) == [
        (1000, (0, NEVER)), (2000, 200), (3000, 1500), (5000, 200), (6000, 200), (7000, 200), (8000, 200),
    ]  # fmt: skip


def test_the_first_pass_began_before_it_was_seen():
    marked = read(toggled([1200, 2200, 3200, 4200, 5200]), "pass-end")
    assert marked.exact.tolist() == [False, True, True, True, True]


def test_ends_closer_than_any_work_are_extra():
    marked = read(toggled([1200, 2200, 2210, 3200, 4200, 5200]), "pass-end")
    assert marked.start_ns.tolist() == [1000, 2000, 3000, 4000, 5000]
    assert "closer to the one before than a tenth of the work" in marked.findings[0]


def test_a_controller_whose_clock_runs_otherwise_keeps_its_own_grid():
    # 0.5 % slow over 2000 periods: ten periods away from the grid of the link at the end.
    starts = [round(k * 1_005_000) for k in range(2000)]
    marked = read(toggled(starts), period_ns=1_000_000)
    assert marked.period_ns == pytest.approx(1_005_000, rel=1e-9)
    assert marked.start_ns.size == 1999
    assert marked.findings == ("the releases are 1,005 µs apart, +0.50% from the link's period",)


@pytest.mark.parametrize(
    ("edges", "settings", "piece"),
    [
        (toggled([10]), {"when_late": "free"}, "1 edge on channel 'pin', of which 1 count; allowed: two"),
        (Edges(np.array([], np.int64), LOW), {}, "0 edges on channel 'pin'"),
        (toggled([0, 1370, 2888, 3000, 4444]), {}, "only 0 are whole periods after the one before"),
        (
            toggled([1200, 2200, 3200, 4200]),
            {"meaning": "pass-end", "work_ns": (100, 200)},
            "neither which work a pass did nor when it was released",
        ),
    ],
)
def test_edges_that_make_no_sense_are_refused(edges, settings, piece):
    with pytest.raises(SettingsError, match=piece):
        read(edges, **settings)


# --- the model beside marked passes --------------------------------------------------------------------

FREE = {"when_late": "free", "deadline_us": 2000}
PAUSES = {"pause_us": 1700, "pause_every_bytes": 190}


def link(described, meaning="pass-end", **edits) -> Link:
    made = Link.from_dict({**described, "markers": {"channel": "pin", "meaning": meaning}})
    return made.replace(**edits)


CONTROLLERS = {
    "ends of a loop that skips": ("pass-end", document(parser=PAUSES)),
    "ends of a loop that catches up": ("pass-end", document(parser=PAUSES, loop={"when_late": "at-once"})),
    "ends of a free loop": ("pass-end", document(parser=PAUSES, loop=FREE)),
    "starts of a free loop": ("pass-start", document(parser=PAUSES, loop=FREE)),
    "starts of a free loop that reads first": (
        "pass-start",
        document(parser=PAUSES, loop=FREE, reading={"context": "first", "strategy": "snapshot"}),
    ),
    "at most six bytes a pass": (
        "pass-end",
        document(parser=PAUSES, reading={"strategy": "at-most", "limit_bytes": 6}),
    ),
    "a read call for each byte": ("pass-end", document(reading={"take": "per-byte"})),
    "a loop with three works": ("pass-start", document(loop={**FREE, "work_us": [500, 900, 620]})),
    "a busy window": (
        "pass-end",
        {**document(), "busy": [{"period_us": 31_000, "length_us": 400, "blocks": "loop"}]},
    ),
}


@pytest.mark.parametrize(("meaning", "described"), CONTROLLERS.values(), ids=CONTROLLERS)
def test_a_controller_that_is_as_described_is_explained_to_the_nanosecond(meaning, described):
    capture = lines()
    edges = by_oracle(described, capture, meaning)
    found = replay(link(described, meaning), capture, phases=1, markers=edges).to_dict()["markers"]
    if meaning == "pass-end" and described["loop"].get("when_late") == "free":
        # Nobody saw the first pass start; what it left to the second is not known.
        assert found["explained"]["time"] > 0.9999
    else:
        assert found["explained"] == {"variance": 1.0, "time": 1.0}
        assert found["residual_us"]["largest"] == 0
    assert found["unexplained"] <= 1
    assert found["findings"] == [] or "without a pass" in found["findings"][0]
    assert found["exact"] > 50


def test_a_dearer_parser_than_described_shows_in_what_is_explained():
    described = document()
    capture = lines()
    edges = by_oracle(described, capture, "pass-end")
    cheap = link(described, **{"parser.message_us": 20, "parser.message_byte_us": 5})
    found = replay(cheap, capture, phases=1, markers=edges).to_dict()["markers"]
    assert 0 < found["explained"]["variance"] < 0.9
    assert found["measured_us"]["max"] - found["modelled_us"]["max"] > 300


def test_what_the_model_does_not_know_is_listed_where_it_was():
    # The real controller has a window of 3 ms that the link does not know.
    window = {"period_us": 170_000, "phase_us": 55_000, "length_us": 3000, "blocks": "loop"}
    capture = lines()
    zero = int(capture.start_times_ns[0])
    edges = by_library(link({**document(), "busy": [window]}), capture, "pass-end")
    found = replay(link(document()), capture, phases=1, markers=edges).markers
    listed = found.rows()
    windows = [zero + 55_000_000 + k * 170_000_000 for k in range(7)]
    for row in listed:
        begin, end = row["at_ns"], row["at_ns"] + 1000 * row["measured_us"]
        assert any(begin <= at + 3_000_000 and at <= end for at in windows), row
        assert row["measured_us"] - row["modelled_us"] == pytest.approx(row["difference_us"])
    # A window whose start finds the loop idle only delays the next pass.
    assert len([row for row in listed if row["difference_us"] > 2900]) >= 2
    assert found.shares["time_share"] < 0.99


def test_ends_of_passes_that_all_read_do_not_tell_where_releases_fall_and_that_is_said():
    described = document(loop={"period_us": 20_000})
    capture = lines()
    edges = by_oracle(described, capture, "pass-end")
    found = replay(link(described), capture, phases=1, markers=edges).to_dict()["markers"]
    assert any("where releases fall is not sure" in text for text in found["findings"])
    usual = document()
    edges = by_oracle(usual, capture, "pass-end")
    assert replay(link(usual), capture, phases=1, markers=edges).markers.findings == ()


def test_bounds_alone_are_kept_or_broken():
    described = document(parser=PAUSES)
    capture = lines()
    edges = by_oracle(described, capture, "pass-start")
    good = replay(link(described, "pass-start"), capture, phases=1, markers=edges).to_dict()["markers"]
    assert (good["exact"], good["outside_bounds"], good["unexplained"]) == (0, 0, 0)
    assert good["explained"] == {"variance": None, "time": None}
    assert good["measured_us"] == {"mean": None, "max": None}
    cheap = link(described, "pass-start", **{"parser.pause_us": 0})
    bad = replay(cheap, capture, phases=1, markers=edges).to_dict()["markers"]
    assert bad["unexplained"] == len(bad["unexplained_list"]) > 0
    assert bad["unexplained_list"][0]["measured_us"] is None


# --- costs fitted ------------------------------------------------------------------------------------------

WRONG = {
    "parser.read_call_us": 2, "parser.byte_us": 1, "parser.message_us": 60, "parser.message_byte_us": 3,
    "parser.pause_us": None, "parser.pause_every_bytes": None,
}  # fmt: skip
TRUE = {name.removesuffix("_us"): 1000.0 * us for name, us in PARSER.items()}


@pytest.mark.parametrize(("meaning", "described"), CONTROLLERS.values(), ids=CONTROLLERS)
def test_the_costs_of_a_known_controller_come_back(meaning, described):
    capture = lines()
    edges = by_oracle(described, capture, meaning)
    wrong = (
        WRONG
        if meaning == "pass-end" and described["loop"].get("when_late") != "free"
        else {
            **WRONG,
            "loop.work_us": [450, 800, 700] if isinstance(described["loop"]["work_us"], list) else 450,
        }
    )
    fitted = fit_markers(link(described, meaning, **wrong), capture, edges)
    assert fitted.settled
    true = TRUE
    if described["reading"].get("take") == "per-byte":  # every byte is a call, so their costs are one
        true = {**TRUE, "byte": TRUE["byte"] + TRUE["read_call"], "read_call": 0}
        assert fitted.fit.groups == (("byte", "read_call"),)
    for name, ns in true.items():
        assert fitted.costs_ns[name] == pytest.approx(ns, rel=1e-6), name
    works = [ns for name, ns in fitted.costs_ns.items() if name.startswith("work")]
    assert works == pytest.approx([1000.0 * us for us in np.atleast_1d(described["loop"]["work_us"])])
    assert fitted.after.shares == pytest.approx({"variance_share": 1, "time_share": 1}, abs=3e-5)
    pause = described["parser"].get("pause_every_bytes")
    if pause:
        assert fitted.pauses.regular
        assert pause in [every for every, _ in fitted.pauses.possible]
        assert abs(fitted.pauses.every_bytes - pause) <= 2
        assert fitted.costs_ns["pause"] == pytest.approx(1_700_000)
    else:
        assert fitted.pauses is None


READINGS = {
    "everything": {"strategy": "everything"},
    "snapshot, read first": {"strategy": "snapshot", "context": "first"},
    "on a core of its own": {"context": "own-core"},
}


def test_bytes_passed_over_have_a_cost_of_their_own():
    described = document(loop={**FREE, "work_us": 15_000}, reading={"strategy": "newest", "skip_byte_us": 2})
    capture = lines()
    edges = by_oracle(described, capture, "pass-start")
    exact = replay(link(described, "pass-start"), capture, phases=1, markers=edges).markers
    assert exact.shares == {"variance_share": 1, "time_share": 1}
    wrong = link(described, "pass-start", **{**WRONG, "loop.work_us": 450, "reading.skip_byte_us": 0})
    fitted = fit_markers(wrong, capture, edges)
    costs = fitted.costs_ns
    assert costs["skip_byte"] == pytest.approx(2000)
    assert tomllib.loads(fitted.to_toml())["reading"]["skip_byte_us"] == 2
    # Every pass makes one call and parses one message: only sums are known, and that is said.
    assert costs["work"] + costs["message"] + costs["read_call"] == pytest.approx(15_259_000)
    assert costs["byte"] + costs["message_byte"] == pytest.approx(38_000)
    told = [note for note in fitted.notes if "told apart" in note]
    assert len(told) == 3


def test_late_passes_of_a_loop_that_catches_up_are_enough():
    # Passes with a message end late; only of them, and of those behind them, starts tell the length.
    described = document(loop={"when_late": "at-once", "period_us": 900})
    capture = lines()
    edges = by_oracle(described, capture, "pass-start")
    wrong = {name: value for name, value in WRONG.items() if "pause" not in name}
    fitted = fit_markers(link(described, "pass-start", **wrong), capture, edges)
    assert 50 < np.count_nonzero(fitted.before.marked.exact) < 400
    assert fitted.settled
    for name, ns in {**TRUE, "work": 600_000}.items():
        cost = fitted.fit.costs[name]
        if cost.state != "shared":
            assert fitted.costs_ns[name] == pytest.approx(ns, rel=1e-3), name
    assert fitted.after.to_dict()["outside_bounds"] == 0
    assert fitted.after.shares["time_share"] > 0.999


@pytest.mark.parametrize("reading", READINGS.values(), ids=READINGS)
def test_marked_reading_steps_tell_the_parser_and_nothing_of_the_work(reading):
    described = document(parser=PAUSES, reading=reading)
    capture = lines()
    edges = by_oracle(described, capture, "parse")
    fitted = fit_markers(link(described, "parse", **WRONG), capture, edges)
    assert fitted.before.marked.what == "reading step"
    assert "work" not in fitted.costs_ns
    for name, ns in TRUE.items():
        assert fitted.costs_ns[name] == pytest.approx(ns, rel=1e-6), name
    assert fitted.costs_ns["pause"] == pytest.approx(1_700_000)
    assert abs(fitted.pauses.every_bytes - 190) <= 2
    assert fitted.after.shares == pytest.approx({"variance_share": 1, "time_share": 1}, abs=3e-5)
    assert "[loop]" not in fitted.to_toml()


def test_a_byte_that_hides_behind_waiting_goes_with_the_message_and_that_is_said():
    # Every message is waited for byte by byte, so only its last byte shows, and goes with the message.
    reading = {"strategy": "whole-message", "timeout_us": 50_000, "context": "first"}
    described = document(reading=reading, loop=FREE)
    capture = lines()
    edges = by_oracle(described, capture, "pass-start")
    fitted = fit_markers(link(described, "pass-start", **{**WRONG, "loop.work_us": 450}), capture, edges)
    assert fitted.settled
    assert fitted.costs_ns["work"] == pytest.approx(600_000)
    assert fitted.costs_ns["message_byte"] == pytest.approx(31_000, rel=1e-6)
    assert any("cannot be told apart" in note for note in fitted.notes)
    assert fitted.after.shares == pytest.approx({"variance_share": 1, "time_share": 1}, abs=1e-4)


def test_work_alone_where_another_core_reads():
    described = document(reading={"context": "own-core"}, loop=FREE)
    capture = lines()
    edges = by_oracle(described, capture, "pass-end")
    fitted = fit_markers(link(described, "pass-end", **{"loop.work_us": 100}), capture, edges)
    assert fitted.costs_ns == pytest.approx({"work": 600_000})
    assert tomllib.loads(fitted.to_toml())["loop"]["work_us"] == 600
    assert "[parser]" not in fitted.to_toml()


def test_noise_stays_within_the_standard_errors_and_pauses_are_found_in_it():
    described = document(parser=PAUSES, loop=FREE)
    capture = lines(200)
    edges = by_oracle(described, capture, "pass-start")
    chance = np.random.default_rng(11)
    jittered = np.sort(edges.times + np.round(chance.normal(0, 2000, len(edges))).astype(np.int64))
    fitted = fit_markers(
        link(described, "pass-start", **{**WRONG, "loop.work_us": 450}), capture, toggled(jittered.tolist())
    )
    assert fitted.settled
    assert fitted.fit.rms_ns == pytest.approx(2000 * np.sqrt(2), rel=0.2)
    for name, ns in {**TRUE, "work": 600_000, "pause": 1_700_000}.items():
        assert abs(fitted.costs_ns[name] - ns) < 5 * fitted.fit.costs[name].error_ns, name
    assert abs(fitted.pauses.every_bytes - 190) <= 1
    assert 0.99 < fitted.after.shares["variance_share"] < 1


def test_edges_sampled_in_steps_are_read_in_their_own_ticks():
    described = document()
    capture = lines()
    exact = by_oracle(described, capture, "pass-end")
    ticks = Edges(exact.times // 1000, LOW, tick_s=Fraction(1, 10**6))
    fitted = fit_markers(link(described, "pass-end", **WRONG), capture, ticks)
    # Every end is cut to the tick below it, which no fit can know: a read of one tick at most.
    for name, ns in TRUE.items():
        assert abs(fitted.costs_ns[name] - ns) < 1000 * (name == "read_call") + 0.02 * ns, name
    assert fitted.before.marked.tick_ns == 1000


def test_bounds_are_not_enough_for_a_fit_and_what_would_be_is_said():
    described = document()
    edges = by_oracle(described, lines(), "pass-start")
    with pytest.raises(SettingsError, match="only 0 have an exact length; allowed: 10 or more; mark the end"):
        fit_markers(link(described, "pass-start"), lines(), edges)


def test_the_tables_for_the_link_file_carry_source_and_date():
    described = document(parser=PAUSES, loop=FREE)
    capture = lines()
    edges = by_oracle(described, capture, "pass-start")
    wrong = link(described, "pass-start", **{**WRONG, "loop.work_us": 450})
    fitted = fit_markers(wrong, capture, edges)
    tables = tomllib.loads(fitted.to_toml(date="2026-11-30"))
    assert tables["loop"] == {"work_us": 600, "source": "measured with pass markers, 2026-11-30"}
    assert tables["parser"] | {"pause_every_bytes": 190} == {
        **PARSER, **PAUSES, "source": "measured with pass markers, 2026-11-30",
    }  # fmt: skip
    applied = fitted.apply(date="2026-11-30")
    assert applied.parser.message_us == 250
    assert applied.numbers_from()["parser.byte_us"] == "measured"
    assert applied.numbers_from()["loop.work_us"] == "measured"
    assert json.loads(json.dumps(fitted.to_dict()))["costs_us"]["work"] == pytest.approx(600)
    shown = fitted._repr_html_()
    assert "marked passes, which explain 100.0% of their time</caption>" in shown
    assert "<th>work (µs)</th><td>600</td>" in shown


def test_a_recording_that_begins_while_the_controller_runs():
    # The pin toggles and bytes are counted toward the next pause long before the recording begins.
    described = document(parser=PAUSES, loop=FREE)
    whole = lines(150)
    edges = by_oracle(described, whole, "pass-start")
    first = 31 + int(np.flatnonzero(whole.data[31:] == 10)[0])  # the next line begins behind this
    later = type(whole)(
        *(column[first + 1 :] for column in (whole.times_ns, whole.data, whole.flags)), whole.line
    )
    begun = int(later.start_times_ns[0]) - 1_000_000
    pin = toggled(edges.times[edges.times >= begun].tolist())
    fitted = fit_markers(link(described, "pass-start", **{**WRONG, "loop.work_us": 450}), later, pin)
    for name, ns in {**TRUE, "work": 600_000, "pause": 1_700_000}.items():
        assert fitted.costs_ns[name] == pytest.approx(ns, rel=1e-6), name
    assert fitted.pauses.first_bytes == pytest.approx(190 - (first + 1) % 190, abs=10)
    assert fitted.after.shares["variance_share"] == pytest.approx(1, abs=1e-4)
    assert fitted.before.marked.start_ns[0] < 0


def test_pauses_that_the_recording_is_too_short_for_are_kept():
    described = document(loop=FREE)
    capture = lines(30)
    edges = by_oracle(described, capture, "pass-start")
    described = document(loop=FREE, parser={"pause_us": 1700, "pause_every_bytes": 900})
    fitted = fit_markers(link(described, "pass-start"), capture, edges)
    assert "pause" in fitted.kept
    assert "parser.pause_us" not in fitted.edits()
    assert fitted.apply().parser.pause_us == 1700


# --- from files ---------------------------------------------------------------------------------------------


def levels(capture, pin) -> LevelCapture:
    """A recording of the line and of the pin, in steps of a nanosecond."""
    times = []
    for end, value in zip(capture.times_ns.tolist(), capture.data.tolist(), strict=True):
        bits = [1, 0, *(value >> k & 1 for k in range(8)), 1]
        begin = end - 100_000
        times += [begin + 10_000 * k for k in range(10) if bits[k] != bits[k + 1]]
    end = max(int(capture.times_ns[-1]), int(pin.times[-1])) + 10_000
    channels = {"bench.tx": Edges(np.array(times), HIGH), "bench.pin": pin}
    return LevelCapture(Fraction(1, 10**9), channels, 0, end)


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """A VCD of line and pin, and the link file of the controller that made it."""
    folder = tmp_path_factory.mktemp("marked")
    described, capture = document(parser=PAUSES), lines(40)
    save_capture(levels(capture, by_oracle(described, capture, "pass-end")), folder / "bench.vcd")
    (folder / "link.toml").write_text(link(described).to_toml())
    return folder


def test_the_command_finds_the_pin_and_takes_the_other_channel_for_the_line(recording, linkbudget):
    ran = linkbudget("replay", recording / "link.toml", recording / "bench.vcd", "--json", "--phases", 1)
    assert ran.code == 0
    found = json.loads(ran.out)["markers"]
    assert (found["channel"], found["meaning"]) == ("bench.pin", "pass-end")
    assert found["explained"] == {"variance": 1, "time": 1}
    page = linkbudget("replay", recording / "link.toml", recording / "bench.vcd", "--phases", 1).out
    assert "Held against the marked passes" in page
    assert "100.0%" in page


def test_the_page_shows_what_is_not_explained(recording, linkbudget, tmp_path):
    text = (recording / "link.toml").read_text()
    (tmp_path / "link.toml").write_text(text.replace("pause_us = 1700", "pause_us = 0"))
    page = linkbudget("replay", tmp_path / "link.toml", recording / "bench.vcd", "--phases", 1).out
    assert "Passes that the model does not explain" in page
    assert "1.7 ms" in page


@pytest.mark.parametrize(
    "command",
    [
        ["whatif", "--brief", "--sets", 1],
        ["stress", "--kind", "phase", "--trials", 1],
        ["decode"],
    ],
)
def test_commands_that_have_no_use_for_the_pin_read_the_line_beside_it(
    recording, linkbudget, tmp_path, command
):
    name, *options = command
    path = tmp_path / "link.toml"
    path.write_text((recording / "link.toml").read_text() + "\n[require]\nmissed_deadlines = 0\n")
    given = [recording / "bench.vcd", "--link", path] if name == "decode" else [path, recording / "bench.vcd"]
    ran = linkbudget(name, *given, *options, "--json")
    assert ran.code == 0, ran.err
    assert ran.out == linkbudget(name, *given, *options, "--json", "--channel", "tx").out


def test_a_pin_that_is_not_in_the_recording_is_named(recording, linkbudget, tmp_path):
    text = (recording / "link.toml").read_text()
    (tmp_path / "link.toml").write_text(text.replace('channel = "pin"', 'channel = "pun"'))
    ran = linkbudget("replay", tmp_path / "link.toml", recording / "bench.vcd", "--channel", "tx")
    assert ran.code == 2
    assert "no channel 'pun'; the channels are: bench.tx, bench.pin" in ran.err


def test_a_recording_of_bytes_has_no_pin_and_that_is_a_warning(recording, linkbudget, tmp_path):
    save_capture(lines(40), tmp_path / "bench.jsonl")
    ran = linkbudget("replay", recording / "link.toml", tmp_path / "bench.jsonl", "--json", "--phases", 1)
    assert ran.code == 0
    document = json.loads(ran.out)
    assert document["markers"] is None
    assert (
        "holds bytes, not levels: the passes marked on channel 'pin' are not in it" in document["warnings"][0]
    )


def test_markers_without_a_table_in_the_link_are_refused():
    with pytest.raises(SettingsError, match=r"markers: is missing; allowed: a \[markers\] table"):
        replay(Link.from_dict(document()), lines(), phases=1, markers=toggled([10, 20]))
    with pytest.raises(SettingsError, match="'str' is not allowed; allowed: Edges or a LevelCapture"):
        replay(link(document()), lines(), phases=1, markers="bench.vcd")
    only_line = LevelCapture(Fraction(1, 10**9), {"tx": toggled([1, 2])}, 0, 10)
    with pytest.raises(CaptureError, match="no channel 'pin'"):
        replay(link(document()), lines(), phases=1, markers=only_line)
