"""Scripts that time themselves on the board, and the tables made of the lines they print.

No board is here: the scripts run in a MicroPython for this host, in the port for WebAssembly where it is
named, compiled with gcc, and in the emulated Cortex-M0+. Costs that are known come back from lines made of
them; the bound of a printed digit is stated beside each check.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from c_codecs import missing
from m0plus import compiler
from marked_controllers import document, lines
from test_cost_target import BEANS, COBS, NEWLINE

from linkbudget import Link, SettingsError, board_script, fit_board, fit_costs, replay
from linkbudget.cost import micropython
from linkbudget.cost.board_line import read_board
from linkbudget.cost.board_script import streams
from linkbudget.cost.cortexm0plus.figures import Call, measure_c
from linkbudget.errors import CaptureError
from linkbudget.traffic.levels import Edges

COLUMNS = ("read_call", "byte", "message", "message_byte")
COSTS = {"read_call": 12.5, "byte": 7.25, "message": 250.0, "message_byte": 3.5}
WASM = os.environ.get("LINKBUDGET_MICROPYTHON_WASM")
STRICT = ("-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wsign-conversion", "-Werror")


def beans(tmp_path, encoding="packed-bits", frame=COBS, reading=""):
    path = tmp_path / "beans.toml"
    path.write_text(BEANS.format(encoding=encoding, frame=frame, reading=reading))
    return Link.load(path)


def written(files, folder):
    for name, text in files.items():
        (folder / name).write_text(text)
    return folder


def samples(noise_us=0.0, seed=1, **more):
    """Chunks of all sizes, with the time the costs give them."""
    chance = random.Random(seed)
    rows = []
    for number in range(60):
        size, ends = chance.randrange(1, 60), chance.randrange(3)
        ended = ends * chance.randrange(8, 20)
        counts = (1, size, ends, ended)
        us = sum(COSTS[name] * count for name, count in zip(COLUMNS, counts, strict=True))
        rows.append([*counts, us + noise_us * (number == 7)])
    return json.dumps({"columns": list(COLUMNS), "samples_us": rows, **more})


def test_costs_that_are_known_come_back():
    """Exact sums of costs: the fit is theirs to the last digit of a table, a billionth of a microsecond."""
    fitted = fit_board(samples(date="2026-11-30", board="bean sorter"))
    assert {name: round(fitted.fit.ns(name) / 1e3, 6) for name in COLUMNS} == COSTS
    assert fitted.to_toml() == (
        "[parser]\nread_call_us = 12.5\nbyte_us = 7.25\nmessage_us = 250\nmessage_byte_us = 3.5\n"
        'source = "measured on the board, bean sorter, 2026-11-30"\n'
    )
    assert fitted.to_dict()["fit"]["residual_us"]["rms"] < 1e-6


def test_a_disturbed_sample_moves_least_squares_and_not_what_is_taken():
    fitted = fit_board(samples(noise_us=90_000.0), date="2026-11-30")
    assert {name: round(fitted.fit.ns(name) / 1e3, 3) for name in COLUMNS} == COSTS
    assert fitted.least_squares.ns("read_call") != pytest.approx(12_500, rel=0.5)
    assert np.count_nonzero(fitted.fit.outliers) == 1
    assert any("by least squares" in note for note in fitted.notes)


def test_a_cost_is_never_lost_with_samples_left_out():
    """One odd sample of three messages outweighs the two with one: then least squares, and nothing is odd."""
    rows = [[1, 12, 1, 205], [1, 1, 0, 24], [1, 3, 0, 42], [1, 8, 0, 87], [1, 20, 1, 277], [1, 36, 3, 9999]]
    columns = ["read_call", "byte", "message"]
    fitted = fit_board(json.dumps({"columns": columns, "samples_us": rows + rows[:3]}), date="2026-11-30")
    assert fitted.fit.ns("message") > 0
    assert not fitted.fit.outliers.any()


def test_least_squares_are_those_of_numpy():
    """Where no cost comes out negative the fit is the ordinary one (numpy.linalg.lstsq)."""
    found = fit_board(samples(noise_us=40.0), date="2026-11-30")
    expected = np.linalg.lstsq(found.samples.counts, found.samples.time_ns, rcond=None)[0]
    own = fit_costs(found.samples, robust=False)
    assert [own.ns(name) for name in found.samples.names] == pytest.approx(expected.tolist(), rel=1e-9)


def test_lengths_and_costs_alone_tell_a_line_and_say_what_they_cannot_tell():
    """(length, cost): 40 µs and 5 µs a byte. What is a call and what a message nobody can know."""
    rows = [[size, 40 + 5 * size] for size in (8, 10, 14, 20, 31, 44)]
    fitted = fit_board(json.dumps({"samples_us": rows}), date="2026-11-30")
    assert fitted.fit.ns("byte") == pytest.approx(5000)
    assert fitted.fit.ns("message") + fitted.fit.ns("read_call") == pytest.approx(40_000)
    assert any("cannot be told apart" in note for note in fitted.notes)


def test_ticks_rounds_and_the_look_at_the_timer_are_taken_out():
    """150 ticks in 10 rounds at 1 MHz, 2 of 15 in each for the timer: 13 µs."""
    line = {"columns": ["message"], "samples": [[1, 150]] * 4, "tick_hz": 1_000_000, "repeats": 10}
    fitted = fit_board(json.dumps({**line, "timer": [512, 256]}), date="2026-11-30")
    assert fitted.fit.ns("message") == pytest.approx(13_000)


def test_samples_of_whole_passes_give_the_loop_its_work():
    rows = [[1, size, 600 + 7 * size] for size in (0, 0, 5, 9, 13, 20)]
    text = json.dumps({"columns": ["work", "byte"], "samples_us": rows})
    edits = fit_board(text, date="2026-11-30").edits()
    assert edits["loop.work_us"] == 600
    assert edits["loop.source"] == "measured on the board, 2026-11-30"
    assert edits["parser.byte_us"] == 7


def test_counters_that_grow_and_wrap_give_work_and_parser():
    """Counters of 16 bits that wrap: a pass works 300 µs, a byte costs 6 µs."""
    chance = random.Random(3)
    count = {"passes": 65_500, "bytes": 60_000, "busy_us": 65_000}
    told = ["> console"]
    for _ in range(12):
        passes, size = chance.randrange(2, 90), chance.randrange(1000)
        count["passes"] += passes
        count["bytes"] += size
        count["busy_us"] += 300 * passes + 6 * size
        told.append(json.dumps({"counters": {k: v % 65_536 for k, v in count.items()}, "counter_bits": 16}))
    edits = fit_board("\n".join(told), date="2026-11-30").edits()
    assert edits["loop.work_us"] == pytest.approx(300)
    assert edits["parser.byte_us"] == pytest.approx(6)


def test_counters_in_messages_of_a_recording_are_taken_over(tmp_path, linkbudget):
    """A status message of one's own: passes that work 300 µs, bytes at 6 µs, counters that wrap."""
    fields = [{"name": name, "kind": "counter", "bits": 16} for name in ("passes", "bytes", "busy_us")]
    message = {"name": "load", "direction": "to-module", "encoding": "packed-bytes", "fields": fields}
    table = beans(tmp_path).to_dict()
    link = Link.from_dict({**table, "message": [*table["message"], message]})
    (tmp_path / "link.toml").write_text(link.to_toml())
    codec, sent = link.codec("to-module"), b""
    for passes, size in ((65_000, 65_400), (65_090, 65_430), (65_180, 65_800), (65_300, 65_900)):
        busy = 300 * passes + 6 * size
        counts = {"passes": passes, "bytes": size, "busy_us": busy}
        sent += codec.encode("load", {name: count % 65_536 for name, count in counts.items()})
    (tmp_path / "sent.bin").write_bytes(sent)
    ran = linkbudget("cost", tmp_path / "link.toml", "--from-board", tmp_path / "sent.bin", "--json")
    found = json.loads(ran.out)
    assert found["costs_us"] == pytest.approx({"work": 300, "byte": 6})
    assert "[loop]\nwork_us = 300\n" in found["tables"]
    (tmp_path / "noise.bin").write_bytes(b"\x01\x00" * 9)
    ran = linkbudget("cost", tmp_path / "link.toml", "--from-board", tmp_path / "noise.bin")
    assert (ran.code, ran.out) == (2, "")
    assert "holds no message to-module with counters (load)" in ran.err


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "holds no line that begins with {"),
        ('{"linkbudget_board": 1, "samp', "line 1, column 25: is no JSON"),
        ('hello\n{"a": 1}', "line 2: has neither samples nor counters, but a"),
        ('{"samples": [[1, 2]], "columns": ["byte"]}', "line 1: tick_hz is missing"),
        ('{"samples_us": [[1, 2]], "columns": ["bite"]}', "line 1: columns is ['bite']"),
        ('{"samples_us": []}', "line 1: has no sample"),
        ('{"samples_us": [[1, 2, 3]]}', "line 1: sample 0 is [1, 2, 3]; expected 1 counts"),
        ('{"samples_us": [[1, "x"]]}', "line 1: sample 0 is 'x'; expected a number from 0 up"),
        ('{"samples_us": [[1, -2]]}', "line 1: sample 0 is -2; expected a number from 0 up"),
        ('{"samples": [[1, 2]], "tick_hz": 0}', "line 1: tick_hz is 0; expected more"),
        ('{"samples": [[1, 2]], "tick_hz": 9, "timer": 4}', "line 1: timer is 4; expected [ticks, looks]"),
        ('{"samples_us": [[1, 2]], "date": 5}', "line 1: date is 5"),
        ('{"samples_us": [[1, 2]], "accepted": 3, "expected": 4}', "line 1: 3 of 4 messages were accepted"),
        ('{"accepted": 3}', "line 1: its counters (accepted …) hold no times; expected busy_us"),
        ('{"counters": {"busy_us": 3}}', "line 1: has no counter of passes, read_calls"),
        (
            '{"counters": {"busy_us": 9, "bytes": 3}}\n{"counters": {"busy_us": 7, "bytes": 4}}',
            "line 2: busy_us goes back by 2",
        ),
    ],
)
def test_a_line_that_does_not_parse_is_told_with_its_place(text, said, tmp_path, linkbudget):
    with pytest.raises(CaptureError) as raised:
        read_board(text, "line.txt")
    assert str(raised.value).startswith("line.txt: ")
    assert said in str(raised.value)
    assert "\n" not in str(raised.value)


def test_a_date_that_is_none_and_another_kind_of_board_are_refused(tmp_path):
    with pytest.raises(SettingsError, match=r"date: '30\.11\.26' is not allowed; allowed: a day"):
        fit_board(samples(), date="30.11.26")
    with pytest.raises(SettingsError, match="none for 'pyhton'; allowed: micropython, c"):
        board_script(beans(tmp_path), "pyhton")


@pytest.mark.parametrize("kind", ["micropython", "c"])
def test_scripts_say_first_that_the_motor_supply_is_off_and_are_the_same_every_time(kind, tmp_path):
    link = beans(tmp_path)
    files = board_script(link, kind)
    script = files["time_receiver.py" if kind == "micropython" else "time_receiver.c"]
    assert "RUN IT WITH THE MOTOR SUPPLY OFF" in "".join(script.splitlines()[:4])
    assert "linkbudget cost LINK --from-board FILE" in script
    assert files == board_script(link, kind)


@pytest.mark.parametrize(
    ("encoding", "frame", "reading", "form"),
    [("packed-bits", COBS, "", "chunk"), ("json-object", NEWLINE, 'take = "per-byte"', "push")],
)
def test_the_script_for_micropython_times_itself_in_a_virtual_machine(
    encoding, frame, reading, form, tmp_path
):
    if not micropython.available():
        missing("micropython_unix")
    folder = written(board_script(beans(tmp_path, encoding, frame, reading), "micropython"), tmp_path)
    ran = subprocess.run(
        [*micropython.virtual_machine(), "time_receiver.py"], cwd=folder, capture_output=True, text=True
    )
    line = json.loads(ran.stdout)
    assert line["accepted"] == line["expected"] > 10
    assert line["allocated_bytes"] == 0  # viper
    fitted = fit_board(ran.stdout, date="2026-11-30")
    assert fitted.fit.ns("message") > 0
    assert fitted.times.json_ratio > 0
    calls = {row[0] for row in line["samples"]}
    assert calls == ({0} if form == "push" else {1})
    assert ("viper", form) == fitted.times.told[-2:]


@pytest.mark.skipif(not WASM or shutil.which("node") is None, reason="LINKBUDGET_MICROPYTHON_WASM is not set")
def test_the_script_runs_in_the_port_for_webassembly(tmp_path):
    """That port has no viper: a delimited line is on built-ins alone."""
    files = board_script(beans(tmp_path, "delimited", NEWLINE), "micropython")
    assert 'MODULE = "builtins"' in files["time_receiver.py"]
    folder = written(files, tmp_path)
    (folder / "job.json").write_text(json.dumps([{"module": str(folder / "to_controller.py")}]))
    # The runner puts the module where the script does not look for it by its name.
    script = files["time_receiver.py"].replace("import to_controller", "import module0")
    (folder / "time_receiver.py").write_text(script)
    runner = Path(__file__).parent / "vm_wasm.mjs"
    ran = subprocess.run(
        ["node", runner, WASM, folder / "time_receiver.py", folder / "job.json"],
        capture_output=True,
        text=True,
    )
    assert json.loads(ran.stdout)["accepted"] == 12, ran.stderr


@pytest.mark.parametrize(
    ("encoding", "frame", "reading"),
    [("packed-bits", COBS, ""), ("json-object", NEWLINE, 'take = "per-byte"')],
)
def test_the_script_in_c_compiles_strictly_and_times_itself(encoding, frame, reading, tmp_path):
    if shutil.which("gcc") is None:
        missing("gcc")
    folder = written(board_script(beans(tmp_path, encoding, frame, reading), "c"), tmp_path)
    sources = ["time_receiver.c", "to_controller.c"]
    built = ["gcc", *STRICT, "-Wmissing-prototypes", "-O1", *sources, "-o", "timed"]
    subprocess.run(built, cwd=folder, check=True)
    ran = subprocess.run(["./timed"], cwd=folder, capture_output=True, text=True, check=True)
    line = json.loads(ran.stdout)
    assert line["accepted"] == line["expected"] > 10
    assert len(line["runs"]) == 5
    assert "[parser]" in fit_board(ran.stdout, date="2026-11-30").to_toml()


def test_what_is_timed_fits_into_a_small_board(tmp_path):
    """Long messages: fewer of them, and larger pieces, so that rows and bytes stay few."""
    fields = {"name": "note", "kind": "label", "max_bytes": 1500}
    table = beans(tmp_path).to_dict()
    message = {"name": "notes", "direction": "to-controller", "encoding": "packed-bytes", "fields": [fields]}
    frame = {"delimiting": "cobs", "crc": "CRC-16/IBM-3740", "max_payload": 1600}
    link = Link.from_dict({**table, "message": [message], "frame": frame})
    frames = [link.codec().encode("notes", {"note": "x" * size}) for size in (1500, 0, 700)]
    found = streams(frames)
    assert len(found.rows) < 450
    assert len(found.data) < 20_000
    assert sum(ends for _, _, ends, _ in found.rows) >= 3
    script = board_script(link, "c")["time_receiver.c"]
    assert int(script.split("#define CHUNKS ")[1].split("u")[0]) < 450


TICKS = """\
#include <stdint.h>
uint32_t board_tick;
#define BOARD_TICKS() (board_tick += 3u)
#define BOARD_PRINTS_NOTHING
"""


def test_the_script_in_c_runs_on_the_emulated_processor(tmp_path):
    """Every look at the timer is three ticks: so is each empty measurement, and each chunk."""
    compiler("gcc")
    files = board_script(beans(tmp_path), "c")
    text = files["time_receiver.c"]
    for long, short in (("RUNS 5u", "RUNS 2u"), ("REPEATS 32u", "REPEATS 1u")):
        assert long in text
        text = text.replace(long, short)
    sources = {**files, "time_receiver.c": TICKS + text}
    figures = measure_c(sources, [Call("measure_receiver")], compiler="gcc", flags=("-O2", "-Wno-comment"))
    assert figures.runs[0].returned == 1
    chunks = int(text.split("#define CHUNKS ")[1].split("u")[0])
    assert figures.machine.value("board_tick", 4) == 3 * 2 * (2 * chunks + 256)


def test_the_command_writes_the_script_and_takes_the_line_over(tmp_path, linkbudget):
    beans(tmp_path)
    link, out = tmp_path / "beans.toml", tmp_path / "out"
    ran = linkbudget("cost", link, "--board-script", "c", "--out", out)
    assert ran.code == 0
    assert "motor supply off" in ran.out
    assert (out / "time_receiver.c").is_file()
    line = tmp_path / "line.txt"
    line.write_text(f"boot\n{samples(board='bean sorter')}\n>>> \n")
    new = tmp_path / "new.toml"
    ran = linkbudget("cost", link, "--from-board", line, "--date", "2026-11-30", "--write", new)
    assert (ran.code, ran.err) == (0, "")
    assert 'source = "measured on the board, bean sorter, 2026-11-30"' in ran.out.splitlines()
    told = Link.load(new)
    assert (told.parser.byte_us, told.parser.message_us) == (7.25, 250)
    assert told.numbers_from()["parser.byte_us"] == "measured"
    ran = linkbudget("cost", link, "--from-board", line, "--json")
    found = json.loads(ran.out)
    assert found["costs_us"]["byte"] == pytest.approx(7.25)
    assert any("--date" in note for note in found["notes"])
    assert set(found["least_squares"]["costs"]) == set(COLUMNS)


def test_marked_passes_in_a_capture_are_taken_over(tmp_path, linkbudget):
    """A controller whose costs are those of its link: the fit leaves them as they are."""
    loop = {"when_late": "free", "work_us": 600, "deadline_us": 5000}
    markers = {"channel": "pin", "meaning": "pass-end", "edge": "both"}
    link = Link.from_dict({**document(), "loop": loop, "markers": markers})
    capture = lines(60)
    ends = replay(link, capture, phases=1).passes.end + capture.start_times_ns[0]
    pin = Edges(ends, initial=0)
    path = tmp_path / "marked.vcd"
    path.write_text(vcd(capture, pin))
    toml = tmp_path / "link.toml"
    toml.write_text(link.to_toml())
    ran = linkbudget("cost", toml, "--from-board", path, "--date", "2026-11-30", "--json")
    assert ran.code == 0, ran.err
    found = json.loads(ran.out)
    assert found["source"] == "measured with pass markers, 2026-11-30"
    assert found["costs_us"]["work"] == pytest.approx(600, abs=0.01)
    assert "[loop]" in found["tables"]
    assert "[parser]" in found["tables"]


def vcd(capture, pin):
    """A VCD (IEEE 1364) with the line and the pin in whole nanoseconds, written by hand."""
    bit = 10_000
    changes = {0: ["1a", "0b"]}
    level = 1
    for start, byte in zip(capture.start_times_ns.tolist(), capture.data.tolist(), strict=True):
        for place, value in enumerate([0, *((byte >> bit_ & 1) for bit_ in range(8)), 1]):
            if value != level:
                changes.setdefault(start + place * bit, []).append(f"{value}a")
                level = value
    for number, at in enumerate(pin.times.tolist()):
        changes.setdefault(at, []).append(f"{1 - number % 2}b")
    head = "$timescale 1 ns $end $scope module top $end $var wire 1 a line $end $var wire 1 b pin $end"
    rows = "".join(f"#{at}\n" + "\n".join(told) + "\n" for at, told in sorted(changes.items()))
    return f"{head} $upscope $end $enddefinitions $end\n{rows}"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--board-script", "c"], "--board-script needs --out FOLDER"),
        (["--out", "x"], "--out is of --board-script"),
        (["--from-board", "LINK", "--out", "x"], "--out is of --board-script"),
        (["--from-board", "LINK", "--board-script", "c"], "two steps"),
        (["--from-board", "LINE", "--write", "LINK"], "is there already; give the name of a new file"),
        (["--from-board", "LINK"], "line 10, column 5: is no JSON"),
    ],
)
def test_wrong_usage_is_one_line(arguments, said, tmp_path, linkbudget):
    beans(tmp_path)
    line = tmp_path / "line.txt"
    line.write_text(samples())
    places = {"LINK": tmp_path / "beans.toml", "LINE": line}
    ran = linkbudget("cost", tmp_path / "beans.toml", *(places.get(one, one) for one in arguments))
    assert (ran.code, ran.out) == (2, "")
    assert said in ran.err
    assert len(ran.err.splitlines()) == 1
