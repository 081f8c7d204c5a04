"""The bench still runs and its answers are still right; how long anything takes is no matter here."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from linkbudget._jit import load_numba
from linkbudget.check.crc import crcmod_is_compiled

BENCH = Path(__file__).parent / "bench"
PARTS = [f"--only={part}" for part in ("characters", "vcd", "table", "frames", "checks", "rig", "start")]
SIZES = ["--edges", "20000", "--frame-bytes", "20000", "--frames", "2000", "--soak", "16000"]
SMALL = [*PARTS, *SIZES, "--turns", "1", "--usual-cache"]


@pytest.mark.slow
@pytest.mark.skipif(load_numba() is None, reason="numba is not installed")
@pytest.mark.skipif(not crcmod_is_compiled(), reason="crcmod was installed without its C extension")
@pytest.mark.skipif(sys.platform == "win32", reason="CPU times of other processes are told by Unix only")
def test_each_part_of_the_bench_runs_and_is_right(tmp_path):
    figures = tmp_path / "figures.json"
    done = subprocess.run(
        [sys.executable, str(BENCH), *SMALL, "--json", str(figures)],
        capture_output=True,
        text=True,
        timeout=900,
    )
    assert done.returncode == 0, done.stderr
    written = json.loads(figures.read_text(encoding="utf-8"))
    assert "numpy" in written["machine"]
    names = " ".join(row["name"] for row in written["measured"])
    levels, frames = ("characters", "VCD", "table"), ("COBS", "SLIP", "HDLC", "newline")
    for part in (*levels, *frames, "compute_many", "lengths", "weights", "memory", "virtual link", "start"):
        assert part in names
    with_targets = [row for row in written["measured"] if row["targets"]]
    assert with_targets
    for row in with_targets:
        assert all(isinstance(value, float) for value in row["figures"].values())
        assert row["met"] in (True, False)


def test_an_answer_that_is_wrong_ends_the_bench(tmp_path):
    script = (
        f"import sys; sys.path.insert(0, {str(BENCH)!r})\n"
        "import made, measure, level_parts\n"
        "wave = made.wave(2000)\n"
        "wave.values[:] ^= 1\n"
        "level_parts.characters(measure.Report(), wave, 1)\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=120)
    assert done.returncode == 1
    assert "AssertionError" in done.stderr
