"""``replay --each``: names on the command line, exit codes, pages, JUnit XML, Ctrl-C, pipes; memory."""

from __future__ import annotations

import json
import os
import pty
import shutil
import signal
import subprocess
import sys
from concurrent.futures import BrokenExecutor, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import junitparser
import pyarrow.parquet
import pytest
from batches import FRAMES, WATCHED, slow_link, write_recordings
from test_kernels import needs_numba
from test_memory import CLEARED, write_vcd

from linkbudget.capture.files import captures_dir
from linkbudget.study import batch

TEXT = captures_dir() / "bean-text.toml"
OPTIONS = ("--workers", 1, "--phases", 1)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("recorded")
    write_recordings(folder / "monday", 3)
    write_recordings(folder / "tuesday", 3, first=3)
    slow_link(folder)
    return folder


@pytest.fixture
def lab(recorded, tmp_path, monkeypatch) -> Path:
    """A folder of its own, with the recordings in it, as the present one."""
    shutil.copytree(recorded, tmp_path / "lab")
    shutil.copy(FRAMES, tmp_path / "lab")
    monkeypatch.chdir(tmp_path / "lab")
    return tmp_path / "lab"


def each(linkbudget, *arguments, out="out"):
    return linkbudget("replay", "--each", *arguments, "--out", out, *OPTIONS)


# --- names ------------------------------------------------------------------------------------------------


def test_link_files_end_in_toml_and_the_rest_are_captures_in_any_order(linkbudget, lab):
    ran = each(linkbudget, "monday", "slow.toml", "tues*", "bean-frames.toml", "--json")
    assert (ran.code, ran.err) == (0, "")
    document = json.loads(ran.out)
    assert document["links"] == ["slow.toml", "bean-frames.toml"]
    assert (document["captures"], document["replays"], document["done"]) == (6, 12, 12)


def test_folders_patterns_and_lists_go_together(linkbudget, lab, monkeypatch):
    Path("names.txt").write_text("tuesday/run-0003.jsonl\r\n\ntuesday/run-0004.jsonl\n")
    ran = each(linkbudget, "bean-frames.toml", "monday/*-000[01].jsonl", "--list", "names.txt", "--json")
    assert json.loads(ran.out)["captures"] == 4
    ran = linkbudget("replay", "--each", "bean-frames.toml", "--list", "names.txt", "--out", "out", *OPTIONS)
    assert ran.code == 0
    assert "2 captures against 1 link; 2 of the replays were finished before." in ran.out


def test_the_list_may_be_standard_input(lab):
    call = [sys.executable, "-m", "linkbudget", "replay", "--each", "bean-frames.toml", "--list", "-"]
    call += ["--out", "out", "--json", "--workers", "1", "--phases", "1"]
    ran = subprocess.run(call, input="monday/run-0001.jsonl\n", capture_output=True, text=True, timeout=300)
    assert (ran.returncode, ran.stderr) == (0, "")
    assert json.loads(ran.stdout)["captures"] == 1


def test_what_is_passed_over_is_told(linkbudget, lab):
    for name in ("notes.txt", "run-0000.sidecar.toml", "run-0001.sidecar.toml"):
        Path("monday", name).write_text("x\n")
    ran = each(linkbudget, "bean-frames.toml", "monday")
    assert ran.code == 0
    told = " ".join(ran.out.split())
    assert "Passed over: 2, as monday/run-0000.sidecar.toml (a settings file (.toml));" in told
    assert "monday/notes.txt (neither its name nor its content is that of a capture)." in told


def test_the_same_name_in_two_folders_is_told_apart(linkbudget, lab):
    for folder in ("monday", "tuesday"):
        Path(folder, "extra.jsonl").write_text("torn\ntwice\n")
    ran = each(linkbudget, "bean-frames.toml", "monday", "tuesday")
    assert ran.code == 2
    assert "- monday/extra.jsonl: line 1" in ran.out
    assert "- tuesday/extra.jsonl: line 1" in ran.out


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("monday", "--out", "out"), "--each: no link file (a name that ends in .toml) is given"),
        (("slow.toml", "--out", "out"), "--each: no capture is given"),
        (("slow.toml", "monday"), "--each: --out FOLDER is needed"),
        (("slow.toml", "mon.vcd", "--out", "out"), "mon.vcd: there is no such file"),
        (("gone.toml", "monday", "--out", "out"), "gone.toml: there is no such link file"),
        (("slow.toml", "monday", "--out", "monday"), "monday: holds other things"),
        (("slow.toml", "monday", "--out", "slow.toml"), "is a file"),
        (("slow.toml", "monday", "--out", "out", "--workers", "0"), "--workers"),
        (("slow.toml", "monday", "--out", "out", "--html", "slow.toml"), "is an input of this command"),
        (("slow.toml", "monday", "--out", "out", "--junit", "monday/run-0000.jsonl"), "is an input"),
        (("slow.toml", "monday", "--out", "out", "--counted", "slow.toml"), "are for one capture"),
        (("slow.toml", "monday", "--out", "out", "--cluster", "x", "--workers", "2"), "--workers is for"),
    ],
)
def test_wrong_usage_is_one_line_and_nothing_is_begun(linkbudget, lab, arguments, told):
    ran = linkbudget("replay", "--each", *arguments)
    assert (ran.code, ran.out) == (2, "")
    assert told in ran.err
    assert ran.err.count("\n") == 1
    assert not Path("out").exists()
    assert "[line]" in Path("slow.toml").read_text()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ((FRAMES,), "Missing argument 'CAPTURE'"),
        ((FRAMES, "gone.vcd"), "'gone.vcd' does not exist"),
        ((FRAMES, FRAMES, "more.vcd"), "and then more.vcd; --each takes several of them"),
        ((FRAMES, FRAMES, "--out", "out"), "--out is for --each"),
        ((FRAMES, FRAMES, "--cluster", "x"), "--cluster is for --each"),
    ],
)
def test_without_each_it_is_one_link_and_one_capture(linkbudget, arguments, told):
    ran = linkbudget("replay", *arguments)
    assert (ran.code, ran.out) == (2, "")
    assert told in ran.err
    assert ran.err.count("\n") == 1


def test_without_pyarrow_one_line_says_which_extra_is_missing(linkbudget, lab, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    ran = each(linkbudget, "slow.toml", "monday")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err == (
        "linkbudget: pyarrow is not installed, and the results of a batch are kept in Parquet files:"
        " pip install 'linkbudget[arrow]' brings it\n"
    )


def test_a_report_of_before_is_replaced_whatever_captures_are_missing(linkbudget, lab):
    Path("names.txt").write_text("gone.vcd\n")
    for _ in range(2):
        ran = each(linkbudget, "slow.toml", "monday", "--list", "names.txt", "--html", "out.html")
        assert (ran.code, ran.err) == (2, "linkbudget: gone.vcd: cannot be read: No such file or directory\n")
    assert "gone.vcd" in Path("out.html").read_text(encoding="utf-8")


# --- exit codes, requirements -----------------------------------------------------------------------------


def test_exit_codes(linkbudget, lab):
    assert each(linkbudget, "slow.toml", "monday").code == 0
    assert each(linkbudget, "slow.toml", "monday", "--require").code == 1
    assert each(linkbudget, "bean-frames.toml", "monday", "--require").code == 0
    Path("monday", "torn.vcd").write_text("$timescale 1 ns $end\n")
    ran = each(linkbudget, "slow.toml", "monday", "--require")
    assert ran.code == 2
    assert ran.err.startswith("linkbudget: monday/torn.vcd: ")
    assert ran.err.count("\n") == 1


def test_a_link_that_no_capture_belongs_to_is_told_and_no_success(linkbudget, lab):
    ran = each(linkbudget, "bean-frames.toml", TEXT, "monday")
    assert ran.code == 2
    assert f"No capture holds a message of {TEXT.as_posix()}." in " ".join(ran.out.split())
    assert "3 pairs of link and capture left out" in ran.out
    assert ran.err == f"linkbudget: {TEXT.as_posix()}: no capture holds a message of this link\n"


@pytest.mark.parametrize("option", [("--require",), ("--junit", "out.xml")])
def test_a_link_without_requirements_cannot_be_required(linkbudget, lab, option):
    text = Path("slow.toml").read_text()
    Path("bare.toml").write_text(text[: text.index("[require]")])
    ran = each(linkbudget, "slow.toml", "bare.toml", "monday", *option)
    assert (ran.code, ran.out) == (2, "")
    assert f"{option[0]}: bare.toml: the link file has no [require] table" in ran.err


def test_workers_that_go_away_are_told_of_and_no_success(linkbudget, lab, monkeypatch):
    class Broken(ThreadPoolExecutor):
        def submit(self, *given):
            raise BrokenExecutor("gone")

    @contextmanager
    def broken(address):
        yield Broken(1), 1

    monkeypatch.setattr("linkbudget.cli.each.executor_of", broken)
    ran = each(linkbudget, "slow.toml", "monday")
    assert ran.code == 2
    assert ran.err == (
        "linkbudget: workers or their scheduler went away: 3 replays not done;"
        " the same command goes on from here\n"
    )


def test_a_fault_of_ours_ends_with_70_when_all_is_done(linkbudget, lab, monkeypatch):
    def fail(*given, **more):
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr("linkbudget.study.batch_job.tables_of", fail)
    ran = each(linkbudget, "slow.toml", "monday")
    assert ran.code == 70
    assert "Nothing was replayed: 3 replays failed." in ran.out
    assert "a fault of ours, not of your input: ZeroDivisionError" in ran.err


def test_junit_has_a_suite_for_each_link_and_a_case_for_each_capture(linkbudget, lab):
    Path("monday", "torn.vcd").write_text("$timescale 1 ns $end\n")
    shutil.copy(captures_dir() / "bean-text.vcd", "monday")
    assert each(linkbudget, "slow.toml", "bean-frames.toml", TEXT, "monday", "--junit", "out.xml").code == 2
    suites = list(junitparser.JUnitXml.fromfile("out.xml"))
    counts = [(suite.tests, suite.failures, suite.errors, suite.skipped) for suite in suites]
    assert counts == [(5, 3, 1, 1), (5, 0, 1, 1), (5, 1, 1, 3)]
    cases = {case.name: case for case in suites[0]}
    (failure,) = cases["monday/run-0000.jsonl"].result
    assert "In the model, missed_deadlines is " in failure.message
    assert isinstance(cases["monday/torn.vcd"].result[0], junitparser.Error)
    assert isinstance(cases["monday/bean-text.vcd"].result[0], junitparser.Skipped)
    suites.clear()


# --- pages ------------------------------------------------------------------------------------------------


def test_the_page_says_the_verdict_first_and_what_to_look_at(linkbudget, lab):
    page = each(linkbudget, "slow.toml", "bean-frames.toml", "monday", "tuesday", "--channel", "x").out
    lines = page.splitlines()
    assert lines[0] == "In the model, 6 of 12 replays meet every requirement."
    assert max(map(len, lines)) <= 80
    assert "Look at these first (5 of 6 that stand out)" in page
    commands = [line.strip() for line in lines if line.startswith("  linkbudget replay ")]
    assert len(commands) == 3
    assert all(line.startswith("linkbudget replay slow.toml ") for line in commands)
    assert all(line.endswith(" --channel x --phases 1") for line in commands)


def test_the_command_that_the_page_gives_says_what_the_row_says(linkbudget, lab):
    page = each(linkbudget, "slow.toml", "monday").out
    command = next(line.split() for line in page.splitlines() if line.startswith("  linkbudget replay "))
    found = json.loads(linkbudget(*command[1:], "--json").out)
    table = pyarrow.parquet.read_table("out/replays.parquet").to_pylist()
    row = next(row for row in table if row["capture"] == command[3])
    assert (row["missed_deadlines"], row["longest_pass_us"], row["age_max_us"]) == (
        found["missed_deadlines"],
        found["longest_pass_us"],
        found["age_us"]["max"],
    )


def test_many_failures_are_told_in_few_lines(linkbudget, lab):
    for number in range(30):
        Path("monday", f"torn-{number:02}.vcd").write_text("$timescale 1 ns $end\n")
    ran = each(linkbudget, "slow.toml", "monday")
    assert ran.err.count("\n") == 21
    assert ran.err.endswith("and 10 more could not be replayed; out/replays.parquet has them all\n")
    assert "Could not be replayed (10 of 30; all are in replays.parquet)" in ran.out


def test_json_is_one_document_and_the_html_needs_nothing(linkbudget, lab):
    ran = each(linkbudget, "slow.toml", "bean-frames.toml", "monday", "--json", "--html", "out.html")
    document = json.loads(ran.out)
    assert document["by_link"][0]["spread"]["missed_share"]["max_in"].startswith("monday/run-")
    html = Path("out.html").read_text(encoding="utf-8")
    assert "In the model, 3 of 6 replays meet every requirement." in html
    assert "http" not in html.replace("http-equiv", "")
    assert "{{" not in html
    assert html.count('<svg class="chart"') == 6
    assert html.count("The same as a table") == 6
    assert "Joints pinch" in html
    facts = json.loads(html.split('id="facts">')[1].split("</script>")[0])
    assert len(facts["cells"]) == 6
    assert [title for title, _, rows in facts["choices"] if len(rows) == 3] == [
        "with an unmet requirement",
        "with a missed deadline",
    ]


def test_names_are_escaped_in_the_html(linkbudget, lab):
    Path("monday", "run-0000.jsonl").rename(Path("monday", "<b>&.jsonl"))
    each(linkbudget, "slow.toml", "monday", "--html", "out.html")
    html = Path("out.html").read_text(encoding="utf-8")
    assert "<b>" not in html
    assert "&lt;b&gt;&amp;.jsonl" in html


# --- Ctrl-C, pipes and terminals --------------------------------------------------------------------------


def test_ctrl_c_keeps_what_is_finished_and_says_how_to_go_on(linkbudget, lab, monkeypatch):
    real = batch.Plan.take

    def take(self, job, outcome):
        real(self, job, outcome)
        if self.done == 2:
            os.kill(os.getpid(), signal.SIGINT)

    monkeypatch.setattr(batch.Plan, "take", take)
    ran = each(linkbudget, "slow.toml", "bean-frames.toml", "monday", "tuesday")
    assert ran.code == 130
    assert ran.err == "linkbudget: interrupted: 10 replays not done; the same command goes on from here\n"
    assert "Not complete: 10 of 12 replays are not done." in " ".join(ran.out.split())
    monkeypatch.undo()
    os.chdir(lab)
    ran = each(linkbudget, "slow.toml", "bean-frames.toml", "monday", "tuesday")
    assert ran.code == 0
    assert "2 of the replays were finished before." in ran.out


PRESSED = """
import os, signal, sys, threading
from pathlib import Path
import batches
from linkbudget.cli import main
from linkbudget.study import batch_running

batch_running.run_in_process = batches.run_watched_in_process

def press():
    Path("told").read_text()  # until a worker is in the middle of the long capture
    os.killpg(0, signal.SIGINT)  # as a terminal does: the workers get it as well
    Path("never").open("w").close()  # it goes on

if __name__ == "__main__":
    threading.Thread(target=press, daemon=True).start()
    sys.exit(main.run(sys.argv[1:]))
"""


@needs_numba
def test_ctrl_c_reaches_workers_in_the_middle_of_a_capture(lab):
    write_recordings(lab / "long", 1, messages=2000)
    (lab / "script.py").write_text(PRESSED)
    for name in ("told", "never"):
        os.mkfifo(lab / name)
    call = ["replay", "--each", "slow.toml", "bean-frames.toml", "long", "--out", "out", "--workers", "2"]
    paths = os.pathsep.join([str(Path(__file__).parent), os.environ.get("PYTHONPATH", "")])
    ran = subprocess.run(
        [sys.executable, "script.py", *call],
        env={**os.environ, "PYTHONPATH": paths, WATCHED: f"{lab}|run-0000.jsonl"},
        capture_output=True,
        text=True,
        timeout=300,
        start_new_session=True,
    )
    assert ran.returncode == 130, ran.stderr
    assert "Not complete: " in ran.stdout
    assert "not done; the same command goes on from here" in ran.stderr
    assert "Traceback" not in ran.stderr


def test_a_terminal_gets_a_bar_and_a_pipe_does_not(lab):
    call = [sys.executable, "-m", "linkbudget", "replay", "--each", "slow.toml", "monday", "--out", "out"]
    call += ["--workers", "1", "--phases", "1"]
    piped = subprocess.run(call, capture_output=True, text=True, timeout=300)
    assert (piped.returncode, piped.stderr) == (0, "")
    leader, follower = pty.openpty()
    shutil.rmtree("out")
    ran = subprocess.run(call, stdout=subprocess.PIPE, stderr=follower, text=True, timeout=300)
    os.close(follower)
    shown = b""
    while part := read_terminal(leader):
        shown += part
    os.close(leader)
    assert "replaying" in shown.decode()
    assert ran.stdout == piped.stdout


def read_terminal(leader: int) -> bytes:
    try:
        return os.read(leader, 1 << 16)
    except OSError:  # Linux: the other end is closed
        return b""


def test_a_reader_that_stops_early_changes_nothing(lab):
    call = f"{sys.executable} -m linkbudget replay --each slow.toml monday --out out --workers 1 --phases 1"
    ran = subprocess.run(
        ["bash", "-c", f"{call} | head -1; echo ${{PIPESTATUS[0]}}"],
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert ran.stdout.splitlines() == ["In the model, 0 of 3 replays meet every requirement.", "0"]
    assert ran.stderr == ""


# --- memory -----------------------------------------------------------------------------------------------

ALLOWED = 192 << 20
WORKER = """
import resource, sys
from pathlib import Path
from linkbudget import Link, replay_each

def kept(what):
    return 1024 * int(Path("/proc/self/status").read_text().split(what + ":")[1].split()[0])

small, large, link, out = sys.argv[1:]
replay_each(link, small, out, workers=1)
Path("/proc/self/clear_refs").write_text("5")
before = kept("VmRSS")
limit = kept("VmData") + int(1.5 * %d)
resource.setrlimit(resource.RLIMIT_DATA, (limit, limit))
batch = replay_each(link, large, out, workers=1)
print(len(batch.done), kept("VmHWM") - before, batch.done[0]["sent"])
"""


@needs_numba
@pytest.mark.skipif(not CLEARED.exists(), reason="only Linux tells the most memory taken")
def test_a_worker_takes_no_more_memory_for_a_larger_capture(tmp_path):
    # 3,000 times the shipped capture: 3.6 million characters. Read as a whole it would take more than the
    # file; taken is what comes on top of the process after a small capture of the same kind.
    copies = 3000
    write_vcd(tmp_path / "small.vcd", 20)
    write_vcd(tmp_path / "large.vcd", copies)
    size = (tmp_path / "large.vcd").stat().st_size
    assert size > 1.2 * ALLOWED
    call = [sys.executable, "-c", WORKER % ALLOWED, "small.vcd", "large.vcd", str(FRAMES), "out"]
    ran = subprocess.run(call, cwd=tmp_path, capture_output=True, text=True, timeout=600)
    assert ran.returncode == 0, ran.stderr
    done, taken, sent = map(int, ran.stdout.split())
    assert (done, sent) == (1, 100 * copies)
    assert taken < ALLOWED, f"{taken >> 20} MB for a file of {size >> 20} MB"
