"""The shipped captures of the bean sorter: each holds what its sidecar says, and can be made again.

What they must decode to comes from ``make_captures.messages``, which shares no code with the library.
"""

from __future__ import annotations

import ast
import shutil
import tomllib
import warnings
from collections import Counter
from fractions import Fraction
from pathlib import Path

import make_captures
import numpy as np
import oracle_receiver
import pytest
from make_captures import record
from make_captures.mark import marked
from make_captures.messages import KINDS, LANES, WAYS, Report, as_frame, as_payload, as_text, reports
from make_captures.simulate import simulate, without
from oracle_frames import cobs_frames, line_frames
from oracle_receiver import Case, Oracle

from linkbudget import (
    ByteCapture,
    Link,
    UartLine,
    deframe_all,
    estimate_line,
    load_bytes,
    load_levels,
    replay,
)

CAPTURES = Path(__file__).parents[1] / "captures"
SIDECARS = sorted(CAPTURES.glob("*.sidecar.toml"))


def read(sidecar: Path) -> dict:
    return tomllib.loads(sidecar.read_text(encoding="utf-8"))


def value_of(report: Report) -> dict:
    lanes = {lane: pytest.approx(state * 0.4) for lane, state in zip(LANES, report.lanes, strict=True)}
    return {"tick": report.tick, "kind": KINDS[report.kind], "score": report.score, **lanes}


def load(capture: str, link: Link, channel: str | None = None):
    return load_bytes(CAPTURES / capture, link.line, channel=channel)


@pytest.fixture(params=SIDECARS, ids=lambda path: path.name.split(".")[0], scope="module")
def case(request):
    sidecar = read(request.param)
    link = Link.load(CAPTURES / sidecar["link"])
    return sidecar, link, load(sidecar["capture"], link, sidecar["settings"].get("channel"))


def test_every_capture_has_a_sidecar_and_a_link():
    described = {read(path).get(key) for path in SIDECARS for key in ("capture", "counted")} - {None}
    assert described == {path.name for path in CAPTURES.iterdir() if path.suffix != ".toml"}
    assert len(SIDECARS) == 8
    links = {path.name for path in CAPTURES.glob("*.toml")} - {path.name for path in SIDECARS}
    assert links == {read(path)["link"] for path in SIDECARS}


@pytest.mark.parametrize("sidecar", SIDECARS, ids=lambda path: path.name)
def test_sidecar_says_licence_making_and_that_costs_are_invented(sidecar):
    said = read(sidecar)
    assert said["licence"] == "CC0-1.0"
    assert "tests/make_captures" in said["made"]
    assert "invented for the demo" in said["costs"]
    assert said["settings"]["baudrate"] == Link.load(CAPTURES / said["link"]).line.baudrate


def test_link_files_say_what_is_invented_and_what_the_verdict_is_of():
    links = sorted({read(path)["link"] for path in SIDECARS})
    assert len(links) == 7
    for name in links:
        text = (CAPTURES / name).read_text(encoding="utf-8")
        source = tomllib.loads(text)["parser"]["source"]
        assert (
            source.startswith("measured ") if name.startswith("walk") else source == "invented for the demo"
        )
        assert "invented for the demo" in text
        assert "of the model" in text
        assert "motor\n# supply off" in text


def test_capture_holds_the_characters_frames_and_messages_of_its_sidecar(case):
    sidecar, link, capture = case
    expected = sidecar["expected"]
    found = capture.to_dict()
    for name in ("characters", "framing_errors", "breaks"):
        assert found[name] == expected[name], name
    assert (found["line"]["baudrate"], link.line.format) == tuple(
        sidecar["settings"][name] for name in ("baudrate", "format")
    )
    table = deframe_all(link.frames["to-controller"], capture.payload_bytes())
    good = np.count_nonzero(table.reason == 0)
    assert (good, len(table.reason) - good) == (expected["intact"], expected["rejected"])
    names = Counter(link.codec("to-controller").decode_payload(payload)[0] for payload in table.payloads())
    assert names == expected["messages"]


def test_capture_decodes_to_the_reports_that_were_sent(case):
    _, link, capture = case
    codec = link.codec("to-controller")
    payloads = deframe_all(link.frames["to-controller"], capture.payload_bytes()).payloads()
    sent = reports()
    assert len(payloads) == len(sent) == 100
    for payload, report in zip(payloads, sent, strict=True):
        name, value = codec.decode_payload(payload)
        assert (name, dict(value)) == ("beans", value_of(report))


@pytest.mark.parametrize("way", WAYS)
def test_line_is_recognised_without_any_setting(way):
    """The transmitter divides 48 MHz by 417, 0.08 % slow: the line is named 115200 and measured lower."""
    levels = load_levels(CAPTURES / f"bean-{way}.vcd")
    ((name, edges),) = levels.channels.items()
    assert name == read(CAPTURES / f"bean-{way}.sidecar.toml")["settings"]["channel"]
    estimate = estimate_line(edges)
    assert (estimate.line.baudrate, estimate.line.format) == (115200, "8N1")
    assert estimate.baudrate_measured == pytest.approx(48_000_000 / 417, rel=5e-4)
    assert estimate.confidence == 1


def test_our_codec_writes_the_frames_that_the_independent_script_wrote():
    codec = Link.load(CAPTURES / "bean-frames.toml").codec("to-controller")
    for report in reports():
        lanes = {lane: state * 4 / 10 for lane, state in zip(LANES, report.lanes, strict=True)}
        value = {"tick": report.tick, "kind": KINDS[report.kind], "score": report.score, **lanes}
        assert codec.encode("beans", value) == as_frame(report)


def assert_holds(expected: object, found: object, path: str = "replay") -> None:
    """Every number of the sidecar is the replay's; what the sidecar leaves out is not compared."""
    if isinstance(expected, dict):
        for name, part in expected.items():
            assert_holds(part, found[name], f"{path}.{name}")
    elif isinstance(expected, list):
        assert len(expected) == len(found), path
        for number, part in enumerate(expected):
            assert_holds(part, found[number], f"{path}[{number}]")
    elif isinstance(expected, float):
        assert found == pytest.approx(expected, abs=1e-5), path
    else:
        assert found == expected, path


@pytest.fixture(scope="module")
def replayed(case):
    sidecar, link, capture = case
    markers = None if link.markers is None else load_levels(CAPTURES / sidecar["capture"])
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        found = replay(link, capture, markers=markers).to_dict()
    assert [str(warning.message) for warning in said] == found["warnings"]
    return sidecar, found


def test_replay_says_what_the_sidecar_says(replayed):
    sidecar, found = replayed
    assert_holds(sidecar["expected"]["replay"], found)
    assert len(found["warnings"]) == sidecar["expected"]["warnings"]


def test_uncertain_arrivals_are_said_to_change_nothing(replayed):
    """The recorded capture's times have windows; the simulated ones are exact."""
    sidecar, found = replayed
    told = [text for text in found["warnings"] if "earlier" in text]
    assert len(told) == (sidecar["capture"] == "bean-pty.jsonl")
    if told:
        assert found["uncertain"]["figures"]["missed_deadlines"] == [0, 0]
    else:
        assert found["uncertain"] is None


def test_text_misses_deadlines_and_overshoots_and_frames_do_not():
    """The point of the demo, at every phase: some tens of misses a second against none."""
    text, frames = (read(CAPTURES / f"bean-{way}.sidecar.toml")["expected"]["replay"] for way in WAYS)
    seconds = reports()[-1].due_us / 1e6
    assert text["phase_sweep"]["missed_min"] / seconds > 30
    assert frames["phase_sweep"]["missed_max"] == 0
    settled = Link.load(CAPTURES / "bean-text.toml").joints[0].settle_band
    assert min(joint["overshoot"] for joint in text["motion"]) > 4 * settled
    assert max(joint["overshoot"] for joint in frames["motion"]) < settled / 2


def carried_by(way: str, line: UartLine) -> ByteCapture:
    """The reports at their times on another line, its characters back to back."""
    starts, data = [], b""
    for report in reports():
        message = WAYS[way](report)
        begin = Fraction(report.due_us, 10**6)
        starts += [round((begin + number * line.character_time) * 10**9) for number in range(len(message))]
        data += message
    ends = [start + round(line.character_time * 10**9) for start in starts]
    return ByteCapture(ends, list(data), [0] * len(data), line, starts_ns=starts)


CHANGES = {
    "as shipped": {},
    "half the work": {"loop.work_us": 750},
    "twice the baud rate": {"line.baudrate": 230400},
}


def verdict_of_second_simulation(link: Link, capture: ByteCapture, way: str) -> dict:
    """What a simulation written apart from the library says; it knows the messages from the script alone."""
    known = {
        as_text(report)[:-1] if way == "text" else as_payload(report): report.tick for report in reports()
    }

    def understand(payload: bytes):
        return ("beans", known[payload]) if payload in known else None

    frames = line_frames(understand, 128) if way == "text" else cobs_frames(understand, "CRC-16/IBM-3740", 16)
    case = Case(
        times=capture.times_ns.tolist(),
        starts=capture.start_times_ns.tolist(),
        data=capture.data.tolist(),
        flags=capture.flags.tolist(),
        link=link.resolve(),
        frames=frames,
        uses={"beans": "newest"},
    )
    oracle = Oracle(case).simulate()
    ran = [one for one in oracle.passes if not one.skipped]
    return {
        "passes": len(ran),
        "missed_deadlines": sum(oracle.missed()),
        "longest_pass_us": max(one.end - one.release for one in ran) / 1000,
        "used": sum(accepted.used_by is not None for accepted in oracle.accepted),
    }


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("change", CHANGES)
def test_second_simulation_says_the_same_before_and_after_a_change(way, change):
    link = Link.load(CAPTURES / f"bean-{way}.toml").replace(**CHANGES[change])
    same_line = "line.baudrate" not in CHANGES[change]
    capture = load(f"bean-{way}.vcd", link) if same_line else carried_by(way, link.line)
    found = replay(link, capture, phases=1).to_dict()
    found["used"] = found["messages"]["used"]
    expected = verdict_of_second_simulation(link, capture, way)
    assert {name: found[name] for name in expected} == expected


def test_each_change_moves_the_verdict_of_the_text_link():
    missed = {}
    for change, edits in CHANGES.items():
        link = Link.load(CAPTURES / "bean-text.toml").replace(**edits)
        missed[change] = replay(link, carried_by("text", link.line), phases=1).to_dict()["missed_deadlines"]
    assert missed["as shipped"] > missed["half the work"] > 0
    assert missed["as shipped"] > missed["twice the baud rate"] > 0


# How the captures are made.


def test_makers_share_no_code_with_the_library():
    sources = sorted(Path(make_captures.__file__).parent.glob("*.py"))
    assert len(sources) == 5
    oracle = sorted(Path(oracle_receiver.__file__).parent.glob("oracle_*.py"))
    assert len(oracle) >= 4
    for source in [*sources, *oracle]:
        for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [str(node.module)] if isinstance(node, ast.ImportFrom) else []
            assert not [name for name in names if name.split(".")[0] == "linkbudget"], source


def same_whatever_the_simulator_says(dump: str) -> str:
    for section in ("date", "version", "comment"):
        dump = without(section, dump)
    return dump


@pytest.mark.parametrize("way", WAYS)
def test_simulating_again_gives_the_shipped_capture(way):
    """Apart from the header's date and the simulator's version."""
    if shutil.which("iverilog") is None:
        pytest.skip("iverilog is not installed: cannot make the VCD captures again")
    shipped = (CAPTURES / f"bean-{way}.vcd").read_text(encoding="ascii")
    assert shipped.count("\n#") > 1000
    assert "$date" not in shipped
    assert same_whatever_the_simulator_says(simulate(way)) == same_whatever_the_simulator_says(shipped)


def test_marking_again_gives_the_shipped_capture():
    if shutil.which("iverilog") is None:
        pytest.skip("iverilog is not installed: cannot make the marked capture again")
    made = marked()
    assert len(made) == 2
    for name, text in made.items():
        shipped = (CAPTURES / name).read_text(encoding="ascii")
        assert same_whatever_the_simulator_says(text) == same_whatever_the_simulator_says(shipped)


def test_recording_again_through_a_terminal_gives_the_frames_written(tmp_path):
    """Times differ from run to run and are not looked at; bytes, order and windows are."""
    count = 15
    path = tmp_path / "again.jsonl"
    record.record(path, count)
    link = Link.load(CAPTURES / "bean-frames.toml")
    capture = load_bytes(path)
    assert (capture.line.baudrate, capture.line.format) == (115200, "8N1")
    assert capture.payload_bytes() == b"".join(as_frame(report) for report in reports(count))
    assert capture.window_ns is not None
    assert capture.window_ns.max() > 0
    fmt = link.frames["to-controller"]
    payloads = deframe_all(fmt, capture.payload_bytes()).payloads()
    decoded = [link.codec("to-controller").decode_payload(payload)[1] for payload in payloads]
    assert [dict(value) for value in decoded] == [value_of(report) for report in reports(count)]
