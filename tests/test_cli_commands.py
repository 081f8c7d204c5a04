"""What the commands write for good input: the keys others rely on, and pages with the verdict first."""

from __future__ import annotations

import json
import re
from fractions import Fraction

import numpy as np
import pytest
from uart_waves import Wave

from linkbudget import Link, byte_budget, load_bytes, replay, save_capture
from linkbudget.capture.files import captures_dir
from linkbudget.report.decode_page import taken_row
from linkbudget.report.document import json_text, plain

CAPTURES = captures_dir()
NAMES = ("bean-text", "bean-frames")
BAUDRATE, CHARACTERS = 115200, 7516

DECODE_KEYS = {
    "line",
    "characters",
    "data_hex",
    "framing_errors",
    "parity_errors",
    "breaks",
    "events",
    "start_ns",
    "end_ns",
    "taken",
    "warnings",
}
BUDGET_KEYS = {
    "messages",
    "utilisation",
    "per_pass_bytes",
    "buffer_bytes_needed",
    "age_us",
    "schedulable",
    "requirements",
    "warnings",
}
REPLAY_KEYS = {
    "passes",
    "skipped",
    "missed_deadlines",
    "longest_run_of_misses",
    "longest_pass_us",
    "late_us",
    "messages",
    "by_message",
    "bytes",
    "age_us",
    "time_share",
    "phase_sweep",
    "motion",
    "bottleneck",
    "requirements",
    "warnings",
    "numbers_from",
}


def link_of(name):
    return CAPTURES / f"{name}.toml"


def capture_of(name):
    return CAPTURES / f"{name}.vcd"


def document_of(ran):
    assert (ran.code, ran.err) == (0, ""), ran.err
    return json.loads(ran.out)


def test_decode_alone_estimates_the_line(linkbudget):
    document = document_of(linkbudget("decode", capture_of("bean-text"), "--json"))
    assert document.keys() == DECODE_KEYS
    assert document["line"] == {
        "baudrate": BAUDRATE,
        "bytesize": 8,
        "parity": "N",
        "stopbits": 1,
        "inverted": False,
        "estimated": True,
    }
    assert document["characters"] == CHARACTERS
    assert bytes.fromhex(document["data_hex"]).count(b"\n") == 100


@pytest.mark.parametrize("options", [["--baudrate", "115200"], ["--baudrate", "115200", "--format", "8N1"]])
def test_decode_with_a_baud_rate_takes_8n1(linkbudget, options):
    document = document_of(linkbudget("decode", capture_of("bean-text"), *options, "--json"))
    assert document["line"]["estimated"] is False
    assert document["characters"] == CHARACTERS


def test_decode_with_a_format_alone_estimates_the_rate(linkbudget):
    document = document_of(linkbudget("decode", capture_of("bean-text"), "--format", "8N1", "--json"))
    assert document["line"]["stopbits"] == 1
    assert document["line"]["baudrate"] == BAUDRATE
    assert document["line"]["estimated"] is True


@pytest.mark.parametrize(
    ("seconds", "words"),
    [("1/10000000", "100 ns"), ("1/100", "10 ms"), ("1", "1 s"), ("1/24000000", "1/24000000 s")],
)
def test_decode_page_gives_a_tick_in_a_handy_unit(seconds, words):
    assert taken_row("timescale_s", seconds) == ("timescale", words)


def test_decode_page_says_what_was_read_off_the_file(linkbudget, tmp_path):
    path = tmp_path / "edges.csv"
    path.write_text("Time [us];rx\n0,0;1\n100,5;0\n200,5;1\n")
    ran = linkbudget("decode", path, "--baudrate", 9600)
    assert ran.code == 0
    assert re.search(r"^delimiter +semicolon$", ran.out, flags=re.MULTILINE)
    assert re.search(r"^decimal sign +comma$", ran.out, flags=re.MULTILINE)


def test_decode_times_are_the_ends_of_characters(linkbudget):
    document = document_of(linkbudget("decode", capture_of("bean-text"), "--times", "--json"))
    assert document.keys() == DECODE_KEYS | {"times_ns"}
    assert len(document["times_ns"]) == CHARACTERS
    assert document["times_ns"][-1] == document["end_ns"]


def test_decode_with_a_delimiting_counts_frames_of_any_length(linkbudget):
    options = ["--delimiting", "newline", "--json"]
    document = document_of(linkbudget("decode", capture_of("bean-text"), *options))
    assert document["frames"] == {"intact": 100, "rejected": 0, "reasons": {}}


@pytest.mark.parametrize("name", NAMES)
def test_decode_with_a_link_counts_messages(linkbudget, name):
    document = document_of(linkbudget("decode", capture_of(name), "--link", link_of(name), "--json"))
    assert document["frames"] == {"intact": 100, "rejected": 0, "reasons": {}}
    assert document["messages"] == {"beans": 100, "unreadable": 0}


def test_frames_that_hold_no_message_of_the_link_are_counted(linkbudget, tmp_path):
    path = tmp_path / "narrow.toml"
    text = link_of("bean-text").read_text()
    path.write_text(text.replace('"whole", "split", "stone"', '"whole", "split", "pebble"'))
    document = document_of(linkbudget("decode", capture_of("bean-text"), "--link", path, "--json"))
    readable = document["messages"]["beans"]
    assert 0 < readable < 100
    assert document["messages"]["unreadable"] == 100 - readable


def test_crc_replaces_the_check_of_the_link(linkbudget):
    options = ["--link", link_of("bean-frames"), "--crc", "CRC-16/MODBUS", "--json"]
    document = document_of(linkbudget("decode", capture_of("bean-frames"), *options))
    assert document["frames"] == {"intact": 0, "rejected": 100, "reasons": {"check": 100}}


@pytest.mark.parametrize("name", NAMES)
def test_budget_writes_what_the_library_computes(linkbudget, name):
    document = document_of(linkbudget("budget", link_of(name), "--json"))
    assert document.keys() >= BUDGET_KEYS
    assert document == plain(byte_budget(Link.load(link_of(name))).to_dict())


@pytest.mark.parametrize("name", NAMES)
def test_replay_writes_what_the_library_computes(linkbudget, name):
    document = document_of(linkbudget("replay", link_of(name), capture_of(name), "--phases", 2, "--json"))
    assert document.keys() >= REPLAY_KEYS
    link = Link.load(link_of(name))
    result = replay(link, load_bytes(capture_of(name), link.line), phases=2)
    assert document == plain(result.to_dict())


def test_replay_reads_the_capture_with_the_options_of_decode(linkbudget):
    name = "bean-text"
    options = ["--channel", "bench.camera.tx", "--baudrate", 115200, "--phases", 1, "--json"]
    assert document_of(linkbudget("replay", link_of(name), capture_of(name), *options))["passes"] > 0
    ran = linkbudget("replay", link_of(name), capture_of(name), "--delimiting", "cobs", "--json")
    assert ran.code == 2


def test_requirement_not_met_is_1_only_when_asked_for(linkbudget):
    arguments = ["replay", link_of("bean-text"), capture_of("bean-text"), "--phases", 1]
    assert linkbudget(*arguments).code == 0
    assert linkbudget(*arguments, "--require").code == 1
    assert linkbudget(*arguments, "--require", "--json").code == 1
    met = ["replay", link_of("bean-frames"), capture_of("bean-frames"), "--phases", 1, "--require"]
    assert linkbudget(*met).code == 0


def test_budget_notes_the_requirements_it_cannot_judge(linkbudget):
    ran = linkbudget("budget", link_of("bean-frames"), "--require")
    assert ran.code == 0
    assert "requirement 'overshoot' is not judged by this command" in ran.err
    assert linkbudget("budget", link_of("bean-text"), "--require").code == 1


def test_require_without_requirements_is_wrong_usage(linkbudget, tmp_path):
    path = tmp_path / "beans.toml"
    path.write_text(link_of("bean-frames").read_text().split("[require]")[0])
    for command in (["budget", path], ["replay", path, CAPTURES / "bean-frames.vcd"]):
        ran = linkbudget(*command, "--require")
        assert (ran.code, ran.out) == (2, "")
        assert "no [require] table" in ran.err


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("command", ["budget", "replay"])
def test_first_line_of_a_page_is_the_verdict_of_the_model(linkbudget, command, name):
    capture = [capture_of(name)] if command == "replay" else []
    ran = linkbudget(command, link_of(name), *capture)
    first = ran.out.splitlines()[0]
    assert first.startswith("In the model, ")
    assert first.endswith(".")
    assert max(map(len, ran.out.splitlines())) <= 80


def test_replay_page_says_the_numbers_of_the_document(linkbudget):
    name = "bean-text"
    page = linkbudget("replay", link_of(name), capture_of(name)).out
    document = document_of(linkbudget("replay", link_of(name), capture_of(name), "--json"))
    missed, due = document["missed_deadlines"], document["passes"] + document["skipped"]
    assert page.startswith(f"In the model, {missed:,} of {due:,} deadlines are missed; ")
    assert f"starts {document['bottleneck']['at_ns'] / 1e6:,.3f} ms into the capture" in " ".join(
        page.split()
    )
    for key in document["numbers_from"]:
        assert key.split(".")[1] in page


def test_page_of_several_messages_has_a_row_for_each(linkbudget, tmp_path):
    path = tmp_path / "two.toml"
    second = '[[message]]\nname = "status"\nencoding = "json-object"\nrate_hz = 1\n'
    second += 'fields = [{ name = "uptime", kind = "counter", bits = 32 }]\n\n[frame]'
    path.write_text(link_of("bean-text").read_text().replace("[frame]", second, 1))
    page = linkbudget("replay", path, capture_of("bean-text"), "--phases", 1).out
    rows = dict(re.findall(r"^(beans|status) +(\d+)", page, flags=re.MULTILINE))
    assert rows == {"beans": "100", "status": "0"}


def test_demo_explains_the_difference_with_numbers_of_its_results(linkbudget):
    ran = linkbudget("demo", "--json")
    document = document_of(ran)
    assert document.keys() == {"links", "difference", "warnings"}
    text, frames = (document["links"][name] for name in NAMES)
    assert text["replay"]["missed_deadlines"] > 0
    assert frames["replay"]["missed_deadlines"] == 0
    told = " ".join(document["difference"])
    for number in (
        text["replay"]["missed_deadlines"],
        text["budget"]["messages"][0]["bytes"]["maximum"],
        frames["budget"]["messages"][0]["bytes"]["maximum"],
    ):
        assert re.search(rf"\b{number:,}\b", told), number


def test_demo_page_begins_with_both_verdicts(linkbudget):
    ran = linkbudget("demo")
    assert (ran.code, ran.err) == (0, "")
    first = ran.out.splitlines()[0]
    assert re.fullmatch(
        r"In the model, bean-text misses [\d,]+ of [\d,]+ deadlines, bean-frames 0 of [\d,]+\.", first
    )
    for line in ran.out.splitlines():
        assert len(line) <= 80 or line.startswith("  linkbudget ")


def test_json_has_no_infinities_and_no_arrays_of_numpy():
    document = {
        "a": float("inf"),
        "b": np.arange(3),
        "c": Fraction(1, 2),
        "d": np.float64(0.5),
        "e": (1, None),
    }
    assert json.loads(json_text(document)) == {"a": None, "b": [0, 1, 2], "c": 0.5, "d": 0.5, "e": [1, None]}
    with pytest.raises(TypeError, match="object has no form in JSON"):
        json_text({"a": object()})


def test_budget_page_without_a_loop_says_what_is_not_known(linkbudget, tmp_path):
    path = tmp_path / "no-loop.toml"
    path.write_text(
        '[line]\nbaudrate = 115200\n[[message]]\nname = "beans"\nrate_hz = 30\n'
        'fields = [{ name = "tick", kind = "counter", bits = 16 }]\n'
    )
    ran = linkbudget("budget", path)
    assert ran.out.startswith("In the model, nothing is said of deadlines (no [loop])")
    assert "no bound" not in ran.out
    assert re.search(r"^longest pass +not known", ran.out, flags=re.MULTILINE)


ONE_WAY = """
[line]
baudrate = 115200
[[message]]
name = "ask"
direction = "to-module"
rate_hz = 10
fields = [{ name = "n", kind = "counter", bits = 8 }]
[frame]
max_payload = 16
[loop]
period_us = 5000
"""


def test_link_without_a_message_to_the_controller(linkbudget, tmp_path):
    path = tmp_path / "one-way.toml"
    path.write_text(ONE_WAY)
    document = document_of(linkbudget("decode", capture_of("bean-frames"), "--link", path, "--json"))
    assert document["frames"]["intact"] == 100
    assert "messages" not in document
    assert re.search(r"^age at use +- ", linkbudget("budget", path).out, flags=re.MULTILINE)
    ran = linkbudget("replay", path, capture_of("bean-frames"))
    assert ran.code == 2
    assert f"{path}: message: no message goes to-controller; there is ask (to-module)" in ran.err


def test_a_table_of_voltages_and_a_dump_of_wide_samples(linkbudget, tmp_path):
    wave = Wave(9600).idle(30).send(b"beans\n", [0]).idle(30)
    drawn, end = wave.changes(Fraction(1, 10**5))
    levels, level, changes_ = [], 1, dict(drawn)
    for tick in range(end):
        level = changes_.get(tick, level)
        levels.append(level)
    volts = tmp_path / "a.csv"
    volts.write_text("".join(f"{3.1 if level else 0.3}\n" for level in levels))
    options = [
        "--sample-rate",
        100_000,
        "--threshold",
        1.6,
        "--hysteresis",
        0.4,
        "--baudrate",
        9600,
        "--json",
    ]
    document = json.loads(linkbudget("decode", volts, *options).out)
    assert bytes.fromhex(document["data_hex"]) == b"beans\n"
    dump = tmp_path / "a.bin"
    dump.write_bytes(b"".join(bytes([0, level]) for level in levels))
    options = ["--sample-rate", 100_000, "--sample-bytes", 2, "--channel", 8, "--baudrate", 9600, "--json"]
    document = json.loads(linkbudget("decode", dump, *options).out)
    assert bytes.fromhex(document["data_hex"]) == b"beans\n"


def test_the_range_of_a_counter_may_be_given(linkbudget, tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("tick us,byte\n998000,0x41\n999500,0x42\n200,0x43\n")
    document = json.loads(
        linkbudget("decode", path, "--baudrate", 9600, "--wrap", 10**6, "--times", "--json").out
    )
    assert document["times_ns"] == [998_000_000, 999_500_000, 1_000_200_000]
    ran = linkbudget("decode", path, "--baudrate", 9600, "--wrap", 1)
    assert ran.code == 2


def test_decode_says_where_the_line_is_from_and_how_certain_the_times_are(linkbudget, tmp_path):
    path = tmp_path / "a.jsonl"
    rows = [{"t_ns": at * 10**7, "window_ns": at * 1000, "hex": "41"} for at in (3, 7)]
    path.write_text("".join(json.dumps(row) + "\n" for row in [{"baudrate": 9600}, *rows]))
    page = linkbudget("decode", path).out
    assert "2 characters at 9600 8N1 (as the file says), none damaged." in page
    assert re.search(r"times known to +7 µs +at worst", page)
    assert json.loads(linkbudget("decode", path, "--json").out)["longest_window_ns"] == 7000
    assert "(as given)" in linkbudget("decode", path, "--baudrate", "9600").out


def test_decode_says_that_the_line_is_from_a_parquet_file(linkbudget, tmp_path):
    pytest.importorskip("pyarrow")
    path = tmp_path / "a.jsonl"
    path.write_text('{"baudrate": 9600}\n{"t_ns": 30000000, "hex": "41"}\n')
    save_capture(load_bytes(path), tmp_path / "a.parquet")
    assert "9600 8N1 (as the file says)" in linkbudget("decode", tmp_path / "a.parquet").out


def test_decode_with_a_format_alone_estimates_the_baud_rate_alone(linkbudget):
    page = linkbudget("decode", captures_dir() / "bean-text.vcd", "--format", "8N1").out
    assert "at 115200 8N1 (baud rate estimated from the edges), none" in " ".join(page.split())
