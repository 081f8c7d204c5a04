"""What only fresh processes tell: memory, and how long it takes to start."""

from __future__ import annotations

import os
import subprocess
import sys
from functools import partial
from pathlib import Path

from made import BAUDRATE, wave, write_vcd
from measure import Report, Target, children_time, in_turns, output_of

# The memory of a fresh process beyond what it has when everything is imported and compiled; Linux only.
MEMORY = """
import sys
from pathlib import Path
from linkbudget import UartLine
from linkbudget.capture.pieces import open_bytes, open_capture
from linkbudget.capture.table import load_table
from linkbudget.capture.vcd import load_vcd
path, small = Path({path!r}), Path({small!r})
line = UartLine({baudrate}, 8, "E", 1)
def kilobytes(what):
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(what))
def run(path):
    {job}
run(small)
before = kilobytes("VmRSS")
Path("/proc/self/clear_refs").write_text("5")
count = run(path)
print(kilobytes("VmHWM") - before, count)
"""
WHOLE = "kept = load_{shape}(path); return sum(map(len, kept.channels.values()))"
UNUSUAL = ("LINKBUDGET_KERNELS", "PYTHONDONTWRITEBYTECODE")
STREAMED = {
    "levels": "return sum(len(edges) for piece in open_capture(path) for edges in piece.channels.values())",
    "characters": "return sum(map(len, open_bytes(path, line)))",
}


def memory(report: Report, path: Path, small: Path, edges: int) -> None:
    """The most memory that reading a file takes: as a whole, its result included, and in pieces."""
    if sys.platform != "linux":
        report.say("memory", "told on Linux only")
        return
    shape = "vcd" if path.suffix == ".vcd" else "table"

    def most(job: str) -> tuple[int, int]:
        script = MEMORY.format(path=str(path), small=str(small), baudrate=BAUDRATE, job=job)
        taken, count = output_of(script).split()
        return int(taken) * 1024, int(count)

    taken, count = most(WHOLE.format(shape=shape))
    assert count == edges
    an_edge = taken / edges
    report.say(
        f"{shape}: memory of a whole load",
        f"{an_edge:.1f} bytes an edge, the 9 it keeps included",
        Target("memory", an_edge, 25, "bytes an edge", most=True),
    )
    for what, job in STREAMED.items():
        taken, count = most(job)
        assert count == edges if what == "levels" else count > edges / 8
        report.say(
            f"{shape}: memory of {what} in pieces",
            f"{taken / 1e6:.0f} MB, results let go; the file has {path.stat().st_size / 1e6:.0f} MB",
            Target("memory", taken / 1e6, 64, "MB", most=True),
        )


def start_up(report: Report, folder: Path, turns: int) -> None:
    """The CPU time of fresh processes over that of bare Python, in turns; the first one is not counted."""
    path, large = folder / "small.vcd", folder / "large.vcd"
    write_vcd(wave(400_000), path)
    whole = path.read_bytes()
    path.write_bytes(whole[:100_000].rpartition(b"#")[0])
    large.write_bytes(whole[:5_000_000].rpartition(b"#")[0])
    run = [sys.executable, "-m", "linkbudget"]
    without = [sys.executable, "-c", "import sys; sys.modules['numba'] = None; import linkbudget.__main__"]
    line = ["--baudrate", str(BAUDRATE), "--format", "8E1", "--json"]
    small_file, large_file = ["decode", str(path), *line], ["decode", str(large), *line]
    jobs: list[tuple[str, list[str], dict[str, str], int]] = [
        ("--help", [*run, "--help"], {}, 60),
        ("decode, 100 kB of VCD", [*run, *small_file], {}, 250),
        ("  the same, no kernels", [*run, *small_file], {"LINKBUDGET_KERNELS": "never"}, 250),
        ("  the same, numba missing", [*without, *small_file], {}, 250),
        ("decode, 5 MB, kernels warm", [*run, *large_file], {}, 650),
    ]
    for name, command, settings, limit in jobs:
        # Kernels are chosen and byte code is kept as for users, both caches being those of this run.
        usual = {key: value for key, value in os.environ.items() if key not in UNUSUAL}
        usual |= {"PYTHONPYCACHEPREFIX": str(folder / "byte_code")} | settings
        call = partial(subprocess.run, command, check=True, capture_output=True, env=usual)
        call()
        bare = partial(subprocess.run, [sys.executable, "-c", "pass"], check=True, env=usual)
        more = in_turns(call, bare, turns, children_time).more * 1000
        report.say(
            f"start: {name}",
            f"{more:.0f} ms of CPU time over bare Python",
            Target("start", more, limit, "ms", most=True),
        )
