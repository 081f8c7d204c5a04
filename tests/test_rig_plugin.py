"""The pytest plugin, as somebody else's project would use it: in runs of pytest of their own."""

from __future__ import annotations

import os
import subprocess
import sys
import time
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

# A run inside of this process forgets what it imported, and numpy cannot be imported twice: so all is here.
import linkbudget.capture.files
import linkbudget.link.model
import linkbudget.replay.run
import linkbudget.rig.port  # noqa: F401

pytest_plugins = ["pytester"]
CAPTURES = Path(__file__).parent.parent / "captures"
FRAMES = CAPTURES / "bean-frames"


@pytest.fixture
def project(pytester):
    """A project whose tests run in this process, without the warnings of ours as errors."""
    pytester.makeini("[pytest]\n")

    def run(source: str, *options: str):
        pytester.makepyfile(source)
        return pytester.runpytest("-p", "no:cacheprovider", *options)

    return run


def properties(path: Path) -> dict[str, str]:
    found = ElementTree.parse(path).getroot().iter("property")
    return {one.attrib["name"]: one.attrib["value"] for one in found}


ANSWERS = """
    import pytest, threading

    def module(port):
        while True:
            asked = port.read(4)
            if len(asked) < 4:
                return
            port.write(asked.upper())

    @pytest.mark.linkbudget("9600 8N1")
    def test_it_answers_in_time(link_port, link_pair, link_deadline, link_recorder):
        link_pair.module.timeout = 1
        other = threading.Thread(target=module, args=(link_pair.module,))
        other.start()
        link_port.timeout = 1
        for _ in range(3):
            with link_deadline(8400, "answer"):
                link_port.write(b"bean")
                assert link_port.read(4) == b"BEAN"
        other.join()
        assert link_recorder().payload_bytes() == b"BEAN" * 3
"""


def test_a_test_of_a_link_passes_and_keeps_its_measurements(project, pytester):
    result = project(ANSWERS, "--junitxml=report.xml")
    result.assert_outcomes(passed=1)
    assert result.ret == 0
    # Eight characters of ten bits at 9600 baud.
    took = float(properties(pytester.path / "report.xml")["answer_us"])
    assert took == pytest.approx(8e7 / 9600, abs=0.01)


def test_a_missed_deadline_fails_in_one_line(project):
    result = project(ANSWERS.replace("8400", "8300"))
    result.assert_outcomes(failed=1)
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    result.stdout.fnmatch_lines(["*answer took 8333.33* us, at most 8300 us are allowed*"])


def test_an_hour_of_link_time_takes_no_hour(project):
    began = time.monotonic()
    result = project(
        """
        import time

        def test_watch(link_port, link_pair):
            before = time.monotonic()
            time.sleep(3600)
            assert time.monotonic() - before == 3600
        """
    )
    result.assert_outcomes(passed=1)
    assert time.monotonic() - began < 60


def test_requirements_of_a_link_file_are_assertions(project, pytester):
    source = f"""
        def test_frames_keep_the_deadline(link_requirements):
            result = link_requirements({str(FRAMES) + ".toml"!r}, {str(FRAMES) + ".vcd"!r})
            assert len(result.passes) > 600

        def test_text_does_not(link_requirements):
            link_requirements({str(CAPTURES / "bean-text.toml")!r}, {str(CAPTURES / "bean-text.vcd")!r})
        """
    result = project(source, "--junitxml=report.xml")
    result.assert_outcomes(passed=1, failed=1)
    result.stdout.fnmatch_lines(
        ["*requirements of the link are not met: missed_deadlines: 160, at most 0 is allowed*"]
    )
    assert {"missed_deadlines", "longest_pass_us"} <= properties(pytester.path / "report.xml").keys()


def test_the_same_test_runs_on_a_port_that_is_named(project):
    """pyserial's own loop:// stands for a real port; the test's source does not change."""
    source = """
        def test_what_is_sent_comes_back(link_port):
            link_port.timeout = 1
            link_port.write(b"beans")
            assert link_port.read(5) == b"beans"
        """
    project(source, "--port=loop://").assert_outcomes(passed=1)
    # On a virtual link nobody is at the other end.
    project(source).assert_outcomes(failed=1)


def test_a_port_that_is_not_there_is_told(project):
    result = project("def test_it(link_port): pass", "--port=/dev/no-such-port")
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["*--port /dev/no-such-port:*"])


def test_a_link_file_describes_the_pair(project):
    source = """
        def test_it(link_pair):
            assert str(link_pair.line) == "115200 8N1"
            assert link_pair.ends["controller"].heard.holding.buffer_bytes == 256
        """
    project(source, "--link", str(CAPTURES / "bean-frames.toml")).assert_outcomes(passed=1)


def test_a_wrong_setting_names_what_is_allowed(project):
    result = project(
        """
        import pytest

        @pytest.mark.linkbudget("9600 8X1")
        def test_it(link_pair):
            pass
        """
    )
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["*parity*"])


def test_projects_that_do_not_use_it_pay_next_to_nothing(tmp_path):
    """Nothing heavy is imported with the plugin; what is takes less than 5 ms of processor time.

    Compiled once, as after an installation, whatever this machine does with compiled files.
    """
    env = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    env["PYTHONPYCACHEPREFIX"] = str(tmp_path)
    code = (
        "import sys, time, pytest; began = time.process_time(); import linkbudget.rig.plugin;"
        "took = time.process_time() - began;"
        "heavy = {'numpy', 'serial', 'numba', 'rich', 'linkbudget.link.model'} & sys.modules.keys();"
        "print(took, *sorted(heavy))"
    )
    took = [1.0]
    for _ in range(8):
        if min(took) < 0.005:  # Other programs on the machine slow some runs down.
            break
        seconds, *heavy = subprocess.run(
            [sys.executable, "-c", code], check=True, capture_output=True, text=True, env=env
        ).stdout.split()
        assert not heavy
        took.append(float(seconds))
    assert min(took) < 0.005
