"""Large captures decoded through to their messages in bounded memory, by the command.

Each in a process of its own. What that takes at most while it decodes is what Linux counts; before that it
has decoded a small capture of the same shape, so that neither imports nor compiled code count.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from linkbudget import Edges, LevelCapture, Link, load_levels, save_capture
from linkbudget._jit import load_numba

CAPTURES = Path(__file__).parents[1] / "captures"
LINK = CAPTURES / "bean-frames.toml"
ALLOWED = 64 << 20
TICK_S = Fraction(1, 10**7)
REPORTS = 100  # in the shipped capture
CLEARED = Path("/proc/self/clear_refs")
pytestmark = pytest.mark.skipif(not CLEARED.exists(), reason="only Linux tells the most memory taken")

CHILD = """
import contextlib, io, sys
from pathlib import Path
from linkbudget.cli.main import run

def kept(what):
    text = Path("/proc/self/status").read_text()
    return 1024 * int(text.split(what + ":")[1].split()[0])

small, large, *options = sys.argv[1:]
out = io.StringIO()
for path in (small, large):
    out.seek(0), out.truncate()
    Path("/proc/self/clear_refs").write_text("5")
    before = kept("VmRSS")
    with contextlib.redirect_stdout(out):
        assert run(["decode", path, *options]) == 0
    print(kept("VmHWM") - before, file=sys.stderr)
print(out.getvalue())
"""


def shipped():
    """The changes of the shipped capture, in ticks of 100 ns, and their span: whole reports."""
    (edges,) = load_levels(CAPTURES / "bean-frames.vcd").channels.values()
    return edges.times.tolist(), edges.levels().tolist(), edges.end + 1


def write_vcd(path: Path, copies: int) -> None:
    times, levels, span = shipped()
    with path.open("w", encoding="ascii") as file:
        file.write("$timescale 100 ns $end $var wire 1 ! tx $end $enddefinitions $end\n#0\n1!\n")
        for begin in range(0, copies * span, span):
            changes = zip(times, levels, strict=True)
            file.write("".join(f"#{begin + time}\n{level}!\n" for time, level in changes))
        file.write(f"#{copies * span}\n")


def write_table(path: Path, copies: int, head: str = "time (us),tx", words: str = "0 1") -> None:
    times, levels, span = shipped()
    low, high = words.split()
    cells = [high if level else low for level in levels]
    with path.open("w", encoding="ascii") as file:
        file.write(f"{head}\n0.0,{high}\n")
        for begin in range(0, copies * span, span):
            rows = zip((begin + time for time in times), cells, strict=True)
            file.write("".join(f"{at // 10}.{at % 10},{cell}\n" for at, cell in rows))


def write_voltages(path: Path, copies: int) -> None:
    write_table(path, copies, "time (us),tx (V)", "0.02 3.31")


def write_samples(path: Path, copies: int) -> None:
    times, levels, span = shipped()
    lengths = np.diff(np.array([0, *times, span]) // 10)
    samples = np.repeat(np.array([1, *levels], dtype=np.uint8), lengths)
    path.write_bytes(samples.tobytes() * copies)


def write_parquet(path: Path, copies: int) -> None:
    times, levels, span = shipped()
    begins = np.arange(copies, dtype=np.int64)[:, None] * span
    edges = Edges((begins + np.array(times)).ravel(), 1, np.tile(np.array(levels), copies), TICK_S)
    save_capture(LevelCapture(TICK_S, {"tx": edges}, 0, copies * span), path)


def write_bytes(path: Path, copies: int) -> None:
    codec = Link.load(LINK).codec("to-controller")
    report = {"tick": 7, "kind": "split", "score": 81, "a": 12.4, "b": 48.0, "c": 0.0, "d": 96.0}
    frame = codec.encode("beans", report)
    with path.open("w", encoding="ascii") as file:
        file.write("tick_us,byte\n")
        for at in range(0, copies * REPORTS * 33_000, 33_000):
            file.write("".join(f"{(at + 87 * k) % 65536},{value:#04x}\n" for k, value in enumerate(frame)))


def write_log(path: Path, copies: int) -> None:
    lines = (CAPTURES / "bean-pty.jsonl").read_text(encoding="ascii").splitlines()
    lines = [line for line in lines if "hex" in line]
    span = json.loads(lines[-1])["t_ns"] + 10**9
    with path.open("w", encoding="ascii") as file:
        file.write('{"baudrate": 115200}\n')
        for begin in range(0, copies * span, span):
            for line in lines:
                told = json.loads(line)
                file.write(json.dumps({**told, "t_ns": told["t_ns"] + begin}) + "\n")


@dataclass(frozen=True)
class Case:
    name: str
    write: Callable[[Path, int], None]
    copies: int
    options: tuple[str, ...] = ()
    modes: tuple[str, ...] = ("never",)

    def __str__(self) -> str:
        return self.name


CASES = [
    Case("a.vcd", write_vcd, 50, modes=("always", "never")),
    Case("a.csv", write_table, 50, modes=("always", "never")),
    Case("voltages.csv", write_voltages, 30, ("--threshold", "1.65")),
    Case("bytes.csv", write_bytes, 150),
    Case("a.bin", write_samples, 2, ("--sample-rate", "1000000", "--channel", "0")),
    Case("a.jsonl", write_log, 100),
    Case("a.parquet", write_parquet, 60),
]


@pytest.mark.parametrize(("case", "mode"), [(case, mode) for case in CASES for mode in case.modes], ids=str)
def test_a_large_capture_is_decoded_in_bounded_memory(tmp_path, case, mode):
    if mode == "always" and load_numba() is None:
        pytest.skip("numba is not installed")
    if case.write is write_parquet:
        pytest.importorskip("pyarrow")
    small, large = tmp_path / f"small-{case.name}", tmp_path / case.name
    case.write(small, 2)
    case.write(large, case.copies)
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", CHILD, small, large, "--link", LINK, *case.options],
        capture_output=True,
        text=True,
        timeout=300,
        env={**os.environ, "LINKBUDGET_KERNELS": mode},
    )
    assert done.returncode == 0, done.stderr
    assert ["beans", f"{REPORTS * case.copies:,}"] in [row.split() for row in done.stdout.splitlines()]
    taken = int(done.stderr.split()[-1])
    assert taken <= ALLOWED, f"{taken >> 20} MB"
    print(f"{large.stat().st_size >> 20} MB in {taken >> 20} MB")
