"""The worked examples are run; those of the test rig are collected by pytest itself."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).parent / "examples"
SCRIPTS = sorted(FOLDER.glob("*/expected.txt"))


@pytest.mark.parametrize("expected", SCRIPTS, ids=lambda path: path.parent.name)
def test_an_example_prints_what_stands_beside_it(expected, tmp_path):
    (script,) = expected.parent.glob("*.py")
    ran = subprocess.run(
        [sys.executable, "-W", "error", str(script)], capture_output=True, text=True, cwd=tmp_path
    )
    assert (ran.returncode, ran.stderr) == (0, "")
    assert ran.stdout == expected.read_text(encoding="utf-8")


def test_there_is_one_for_each_way_in():
    assert {path.name for path in FOLDER.iterdir() if path.is_dir() and path.name != "__pycache__"} == {
        "choose_a_format",
        "replay_a_capture",
        "test_rig",
    }
    assert len(SCRIPTS) == 2
