"""Bad input: one clear line that says what, where and what was expected; exit code 2; no traceback."""

from __future__ import annotations

import json
import shutil

import pytest

from linkbudget.capture.files import captures_dir

TEXT_LINK = captures_dir() / "bean-text.toml"
TEXT_CAPTURE = captures_dir() / "bean-text.vcd"

HEADER = "$timescale 1 us $end\n$scope module bench $end\n"
TWO_CHANNELS = (
    HEADER
    + "$var wire 1 ! rx $end\n$var wire 1 # tx $end\n$upscope $end\n$enddefinitions $end\n"
    + "#0\n1!\n1#\n"
    + "".join(f"#{1000 * k}\n0!\n0#\n#{1000 * k + 100}\n1!\n1#\n" for k in range(1, 40))
)

TYPOS = """
[line]
baudrat = 115200
format = "8X1"

[[message]]
name = "beans"
encoding = "json-objekt"
rate_hz = 30
fields = [{ name = "tick", kind = "countr", bits = 16 }]

[frame]
delimiting = "newlin"

[loop]
period_us = -5
"""


def refused(ran, *words):
    assert ran.code == 2, ran
    assert ran.err.startswith("linkbudget: ")
    assert "Traceback" not in ran.err
    for word in words:
        assert word in ran.err
    return ran.err.splitlines()


@pytest.mark.parametrize("name", ["empty.vcd", "empty.csv", "empty.jsonl"])
@pytest.mark.parametrize("command", ["decode", "replay"])
def test_empty_file(linkbudget, tmp_path, command, name):
    path = tmp_path / name
    path.write_bytes(b"")
    link = [TEXT_LINK] if command == "replay" else []
    ran = linkbudget(command, *link, path, "--json")
    assert len(refused(ran, name, "empty")) == 1
    assert ran.out == ""


def test_vcd_cut_off_in_its_header(linkbudget, tmp_path):
    path = tmp_path / "cut.vcd"
    text = TEXT_CAPTURE.read_text()
    path.write_text(text[: text.index("$enddefinitions")])
    ran = linkbudget("decode", path)
    assert len(refused(ran, "cut.vcd", "$enddefinitions")) == 1


def test_vcd_cut_off_in_its_changes_is_read_up_to_there_with_a_warning(linkbudget, tmp_path):
    path = tmp_path / "cut.vcd"
    text = TEXT_CAPTURE.read_text()
    path.write_text(text[: text.rindex("\n#") + 4])
    ran = linkbudget("decode", path, "--json")
    assert ran.code == 0
    assert json.loads(ran.out)["characters"] > 7000
    assert json.loads(ran.out)["warnings"]
    assert "warning: " in ran.err


def test_channel_that_is_not_there_lists_those_that_are(linkbudget, tmp_path):
    path = tmp_path / "two.vcd"
    path.write_text(TWO_CHANNELS)
    ran = linkbudget("decode", path, "--channel", "bench.rxd")
    assert len(refused(ran, "bench.rxd", "bench.rx", "bench.tx")) == 1


def test_several_channels_and_none_chosen_lists_them(linkbudget, tmp_path):
    path = tmp_path / "two.vcd"
    path.write_text(TWO_CHANNELS)
    assert len(refused(linkbudget("decode", path), "bench.rx", "bench.tx")) == 1
    assert linkbudget("decode", path, "--channel", "bench.tx", "--baudrate", "10000").code == 0


@pytest.mark.parametrize("baudrate", [9600, 57600, 230400, 1000000])
def test_wrong_baud_rate_tells_of_framing_errors_and_the_rate_that_fits(linkbudget, baudrate):
    ran = linkbudget("decode", TEXT_CAPTURE, "--baudrate", baudrate, "--json")
    refused(ran, "characters had framing errors", f"at {baudrate}", "the capture suggests 115200")
    # What was read is written all the same, so that it can be looked at.
    assert json.loads(ran.out)["line"]["baudrate"] == baudrate


def test_wrong_baud_rate_stops_a_replay(linkbudget):
    ran = linkbudget("replay", TEXT_LINK, TEXT_CAPTURE, "--baudrate", 57600, "--json")
    assert len(refused(ran, "most characters had framing errors", "the capture suggests 115200")) == 1
    assert ran.out == ""


def test_right_baud_rate_with_many_damaged_characters_is_no_wrong_rate(linkbudget, tmp_path):
    # At 10 kbaud with 100 us a bit: every other character has its stop bit low (data bits not all low).
    changes, at = [(0, 1)], 1000
    for index in range(40):
        levels = [0, 1, 0, 1, 0, 1, 0, 1, 0, index % 2, 1]
        changes += [(at + 100 * bit, level) for bit, level in enumerate(levels)]
        at += 3000
    path = tmp_path / "damaged.vcd"
    path.write_text(
        HEADER
        + "$var wire 1 ! rx $end\n$upscope $end\n$enddefinitions $end\n"
        + "".join(f"#{time}\n{level}!\n" for time, level in changes)
    )
    ran = linkbudget("decode", path, "--baudrate", 10000, "--json")
    assert ran.code == 0, ran.err
    assert json.loads(ran.out)["framing_errors"] == 20


@pytest.mark.parametrize("command", ["budget", "replay", "decode"])
def test_link_file_with_typos_has_a_line_for_each(linkbudget, tmp_path, command):
    path = tmp_path / "typos.toml"
    path.write_text(TYPOS)
    arguments = {"budget": [path], "replay": [path, TEXT_CAPTURE], "decode": [TEXT_CAPTURE, "--link", path]}
    lines = refused(linkbudget(command, *arguments[command]))
    wrong = {
        "line.baudrat": "'baudrate'",
        "line.format": "8X1",
        "message[0].encoding": "'json-object'",
        "message[0].fields[0].kind": "'counter'",
        "frame.delimiting": "'newline'",
        "loop.period_us": "-5",
    }
    for key_path, told in wrong.items():
        found = [line for line in lines if key_path in line]
        assert len(found) == 1, (key_path, lines)
        assert told in found[0]
        assert "typos.toml" in found[0]


@pytest.mark.parametrize("text", ["", "[line\n", "\x00\x01", "[[message]]\nname = 3\n"])
def test_link_file_that_is_none(linkbudget, tmp_path, text):
    path = tmp_path / "none.toml"
    path.write_text(text)
    refused(linkbudget("budget", path), "none.toml")


def test_link_file_that_is_no_text(linkbudget, tmp_path):
    path = tmp_path / "bytes.toml"
    path.write_bytes(b"\xff\xfe\x80")
    assert len(refused(linkbudget("budget", path), "bytes.toml")) == 1


def test_replay_of_a_capture_without_a_complete_frame(linkbudget, tmp_path):
    path = tmp_path / "part.jsonl"
    path.write_text('{"t_ns": 1000000, "hex": "7b22"}\n{"t_ns": 2000000, "hex": "7469"}\n')
    ran = linkbudget("replay", TEXT_LINK, path, "--json")
    assert len(refused(ran, "part.jsonl", "frame", "4 characters")) == 1
    assert ran.out == ""


def test_decode_of_a_capture_without_a_complete_frame(linkbudget):
    ran = linkbudget("decode", TEXT_CAPTURE, "--delimiting", "cobs", "--json")
    assert len(refused(ran, "no complete frame in 7516 characters")) == 1
    assert json.loads(ran.out)["frames"] == {"intact": 0, "rejected": 1, "reasons": {"truncated": 1}}


@pytest.mark.parametrize(
    ("name", "delimiting", "crc"),
    [("bean-text", "newline", "CRC-16/IBM-3740"), ("bean-frames", "cobs", "CRC-32/BZIP2")],
)
def test_frames_that_are_all_rejected_are_no_bad_input(linkbudget, name, delimiting, crc):
    options = ["--delimiting", delimiting, "--crc", crc, "--json"]
    ran = linkbudget("decode", captures_dir() / f"{name}.vcd", *options)
    assert ran.code == 0
    assert json.loads(ran.out)["frames"] == {"intact": 0, "rejected": 100, "reasons": {"check": 100}}


def test_line_that_never_falls_holds_no_character(linkbudget, tmp_path):
    path = tmp_path / "idle.vcd"
    path.write_text(HEADER + "$var wire 1 ! rx $end\n$upscope $end\n$enddefinitions $end\n#0\n1!\n#5000\n")
    ran = linkbudget("decode", path, "--baudrate", 9600, "--json")
    assert ran.code == 0
    document = json.loads(ran.out)
    assert (document["characters"], document["start_ns"], document["end_ns"]) == (0, None, None)
    assert "no character found" in ran.err
    refused(linkbudget("decode", path))
    refused(linkbudget("replay", TEXT_LINK, path), "0 characters")


def test_folder_in_place_of_a_file(linkbudget, tmp_path):
    assert len(refused(linkbudget("decode", tmp_path), "is a directory")) == 1


def test_unknown_keys_beside_a_good_link_name_the_nearest(linkbudget, tmp_path):
    path = tmp_path / "beans.toml"
    shutil.copy(TEXT_LINK, path)
    path.write_text(path.read_text().replace("period_us", "periode_us"))
    refused(linkbudget("budget", path), "loop.periode_us", "did you mean 'period_us'?")


def test_replay_of_other_traffic_than_the_links(linkbudget):
    ran = linkbudget("replay", TEXT_LINK, captures_dir() / "bean-frames.vcd", "--json")
    refused(ran, "bean-frames.vcd: none of the intact frames (17) is a message of the link")
    assert "listed" not in ran.err
    assert ran.out == ""


def test_replay_without_a_loop_names_the_file(linkbudget, tmp_path):
    path = tmp_path / "no-loop.toml"
    lines = TEXT_LINK.read_text().splitlines(keepends=True)
    path.write_text(
        "".join(line for line in lines if not line.startswith(("period_us", "phase_us", "work_us")))
    )
    refused(linkbudget("replay", path, TEXT_CAPTURE), f"{path}: loop.period_us: is missing")


@pytest.mark.parametrize("option", ["--baudrate", "--sample-rate"])
@pytest.mark.parametrize("rate", ["1e-300", "1e300", "1e-10", "2e18"])
def test_rates_that_nothing_has_are_refused(linkbudget, option, rate):
    refused(linkbudget("decode", TEXT_CAPTURE, option, rate), f"{rate} is not a number from 1e-06 to 1e+18")


@pytest.mark.parametrize("rate", ["1e-6", "1e18"])
def test_the_slowest_and_the_fastest_line_find_nothing_and_break_nothing(linkbudget, rate):
    ran = linkbudget("decode", TEXT_CAPTURE, "--baudrate", rate)
    refused(ran, "the capture suggests 115200 baud")
