"""The command line as a whole: exit codes, notes, the one document of ``--json``, pages in a pipe."""

from __future__ import annotations

import json
import subprocess
import sys
import warnings
from pathlib import Path

import click
import pytest

from linkbudget.capture.files import captures_dir
from linkbudget.cli import main, output
from linkbudget.cli.main import COMMANDS
from linkbudget.errors import CaptureError, Fault, LinkBudgetWarning, SettingsError, warn

TEXT_LINK = captures_dir() / "bean-text.toml"
TEXT_CAPTURE = captures_dir() / "bean-text.vcd"


def process(*arguments: object, **options: object) -> subprocess.CompletedProcess[str]:
    code = "from linkbudget.cli.main import main; main()"
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        capture_output=True,
        text=True,
        timeout=120,
        **options,
    )


@pytest.fixture
def command_that(monkeypatch):
    """Put a command in the place of ``schema``."""

    def put(function):
        command = click.Command("schema", callback=click.pass_obj(function))
        monkeypatch.setattr(main.CommandTable, "get_command", lambda self, ctx, name: command)

    return put


def raising(error):
    def command(notes):
        raise error

    return command


def test_no_command_shows_help_as_wrong_usage(linkbudget):
    ran = linkbudget()
    assert (ran.code, ran.out) == (2, "")
    assert all(name in ran.err for name in COMMANDS)


@pytest.mark.parametrize("option", ["--help", "-h"])
def test_help_lists_every_command_and_is_no_fault(linkbudget, option):
    ran = linkbudget(option)
    assert (ran.code, ran.err) == (0, "")
    assert all(name in ran.out for name in COMMANDS)


def test_version_is_that_of_the_library(linkbudget):
    import linkbudget as library

    assert linkbudget("--version").out == f"linkbudget {library.__version__}\n"


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_command_takes_json_and_explains_itself(linkbudget, name):
    ran = linkbudget(name, "--help")
    assert ran.code == 0
    assert "--json" in ran.out


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["dcode"], "did you mean 'decode'"),
        (["zzz"], f"there are: {', '.join(COMMANDS)}"),
        (["decode"], "Missing argument 'CAPTURE'"),
        (["decode", "no-such-file.vcd"], "'no-such-file.vcd' does not exist"),
        (["decode", TEXT_CAPTURE, "--baud", "9600"], "--baudrate"),
        (["decode", TEXT_CAPTURE, "--baudrate", "fast"], "'fast' is not a number"),
        (["decode", TEXT_CAPTURE, "--baudrate", "-3"], "-3 is not a number above zero"),
        (["decode", TEXT_CAPTURE, "--baudrate", "1e999"], "not a number above zero"),
        (["decode", TEXT_CAPTURE, "--time-unit", "h"], "'s', 'ms', 'us', 'ns'"),
        (["decode", TEXT_CAPTURE, "--crc", "none"], "--crc needs --delimiting or --link"),
        (["decode", TEXT_CAPTURE, "--delimiting", "cosb"], "did you mean 'cobs'"),
        (["decode", TEXT_CAPTURE, "--baudrate", "115200", "--format", "8X1"], "parity: 'X'"),
        (["replay", TEXT_LINK], "Missing argument 'CAPTURE'"),
        (["replay", TEXT_LINK, TEXT_CAPTURE, "--phases", "-1"], "--phases"),
    ],
    ids=lambda value: " ".join(map(str, value)) if isinstance(value, list) else None,
)
def test_wrong_usage_is_one_line_and_exit_code_2(linkbudget, arguments, told):
    ran = linkbudget(*arguments)
    assert (ran.code, ran.out) == (2, "")
    assert len(ran.err.splitlines()) == 1
    assert ran.err.startswith("linkbudget: ")
    assert told in ran.err


def test_fault_of_ours_is_70_with_a_short_notice(linkbudget, command_that):
    command_that(raising(KeyError("beans")))
    ran = linkbudget("schema")
    assert (ran.code, ran.out) == (70, "")
    assert ran.err.startswith("linkbudget: a fault of ours, not of your input: KeyError: 'beans'")
    assert len(ran.err.splitlines()) == 1


def test_traceback_of_a_fault_of_ours_is_shown_when_asked_for(linkbudget, command_that, monkeypatch):
    monkeypatch.setenv("LINKBUDGET_TRACEBACK", "1")
    command_that(raising(KeyError("beans")))
    assert "Traceback" in linkbudget("schema").err


@pytest.mark.parametrize("error", [KeyboardInterrupt(), click.Abort()], ids=["signal", "abort"])
def test_interrupted_is_130(linkbudget, command_that, error):
    command_that(raising(error))
    ran = linkbudget("schema")
    assert (ran.code, ran.err) == (130, "linkbudget: interrupted\n")


def test_several_faults_have_a_line_each(linkbudget, command_that):
    faults = [Fault("line.baudrate", -1, "above 0", file="a.toml"), Fault("loop.period_us", 0, "above 0")]
    command_that(raising(SettingsError(faults)))
    ran = linkbudget("schema")
    assert ran.code == 2
    assert ran.err.splitlines() == [f"linkbudget: {fault}" for fault in faults]


def test_unreadable_file_is_named_with_the_reason(linkbudget, command_that):
    command_that(raising(PermissionError(13, "Permission denied", "beans.vcd")))
    ran = linkbudget("schema")
    assert (ran.code, ran.err) == (2, "linkbudget: beans.vcd: Permission denied\n")


def test_our_warnings_are_short_lines_told_once(linkbudget, command_that):
    def command(notes):
        warn("no timescale: taken as 1 ns")
        warn("no timescale: taken as 1 ns")
        output.emit("page\n")

    command_that(command)
    ran = linkbudget("schema")
    assert (ran.code, ran.out) == (0, "page\n")
    assert ran.err == "linkbudget: warning: no timescale: taken as 1 ns\n"


def test_our_warnings_stand_in_the_document_too(linkbudget, command_that):
    def command(notes):
        warn("first")
        output.emit_document({"value": 1, "warnings": ["first", "second"]}, notes)

    command_that(command)
    ran = linkbudget("schema")
    assert json.loads(ran.out) == {"value": 1, "warnings": ["first", "second"]}
    assert ran.err.splitlines() == ["linkbudget: warning: first", "linkbudget: warning: second"]


def test_what_was_noted_before_a_fault_stands_in_its_line(linkbudget, command_that):
    def command(notes):
        warn("no timescale: taken as 1 ns")
        raise CaptureError("beans.vcd", "line 3", "expected a value change")

    command_that(command)
    ran = linkbudget("schema")
    assert ran.err == (
        "linkbudget: beans.vcd: line 3: expected a value change (noted before: no timescale: taken as 1 ns)\n"
    )


def test_warnings_of_others_are_not_swallowed():
    with pytest.warns(RuntimeWarning, match="overflow"), output.Notes().collected():
        warnings.warn("overflow", RuntimeWarning, stacklevel=1)
    notes = output.Notes()
    with notes.collected():
        warnings.warn("ours", LinkBudgetWarning, stacklevel=1)
    assert notes.texts == ["ours"]


def test_page_in_a_pipe_has_no_colours_and_80_columns():
    ran = process("budget", TEXT_LINK)
    assert (ran.returncode, ran.stderr) == (0, "")
    assert "\x1b" not in ran.stdout
    assert max(map(len, ran.stdout.splitlines())) <= 80


def test_reader_that_stops_reading_is_no_fault():
    script = "from linkbudget.cli.main import main; main()"
    command = subprocess.Popen(
        [sys.executable, "-c", script, "decode", str(TEXT_CAPTURE), "--times", "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert command.stdout is not None
    assert command.stderr is not None
    command.stdout.readline()
    command.stdout.close()
    assert command.stderr.read() == ""
    command.stderr.close()
    assert command.wait(timeout=60) == 0


@pytest.mark.parametrize("as_json", [[], ["--json"]])
def test_closed_standard_output_is_no_fault(as_json):
    script = "from linkbudget.cli.main import main; main()"
    command = ["sh", "-c", '"$@" >&-', "sh", sys.executable, "-c", script, "budget", str(TEXT_LINK), *as_json]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, "", "")


def test_closed_standard_error_leaves_standard_output_alone(tmp_path):
    log = tmp_path / "a.jsonl"
    log.write_text('{"baudrate": 9600}\n{"t_ns": 2000000, "hex": "41"}\n')
    script = "from linkbudget.cli.main import main; main()"
    command = ["sh", "-c", '"$@" 2>&-', "sh", sys.executable, "-c", script, "decode", str(log)]
    command += ["--baudrate", "115200", "--json"]
    ran = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert ran.returncode == 0
    assert len(json.loads(ran.stdout)["warnings"]) == 1


def test_output_that_cannot_hold_a_sign_replaces_it():
    environment = {"PYTHONIOENCODING": "ascii", "PATH": ""}
    ran = process("budget", captures_dir() / "bean-frames.toml", env=environment)
    assert (ran.returncode, ran.stderr) == (0, "")
    assert ran.stdout.isascii()


def test_schema_is_a_json_document_with_and_without_the_option(linkbudget):
    plain, asked = linkbudget("schema"), linkbudget("schema", "--json")
    assert plain.out == asked.out
    assert json.loads(plain.out)["$schema"].startswith("https://json-schema.org/")


def test_shipped_captures_are_found():
    assert TEXT_LINK.is_file()
    assert TEXT_CAPTURE.is_file()
    assert Path(captures_dir()).name == "captures"
