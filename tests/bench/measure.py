"""Times beside a baseline: measured in turns in one run, so that a busy machine slows both.

They are CPU times: what others do meanwhile counts only as far as it slows memory and cores.
"""

from __future__ import annotations

import json
import os
import platform
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from statistics import median

LIBRARIES = ("numpy", "numba", "polars", "vcdvcd", "cobs", "fastcrc", "unicorn")


@dataclass(frozen=True)
class Target:
    """One figure, or one of several of which one is enough, held against what it should be."""

    name: str
    value: float
    limit: float
    unit: str
    most: bool = False  # whether the limit is one from above

    @property
    def met(self) -> bool:
        return self.value <= self.limit if self.most else self.value >= self.limit

    def __str__(self) -> str:
        return f"{self.name} {'<=' if self.most else '>='} {self.limit:g} {self.unit}"


@dataclass
class Report:
    """What was measured: printed as it comes, and kept for JSON."""

    rows: list[dict[str, object]] = field(default_factory=list)

    def say(self, name: str, text: str, *targets: Target) -> None:
        """Print and keep a line; of its targets one has to be met, None says that there is none."""
        met = any(target.met for target in targets) if targets else None
        print(f"{name:<34} {text}")
        if targets:
            wanted = " or ".join(map(str, targets))
            print(f"{'':<34} target: {wanted}: {'met' if met else 'NOT met'}")
        sys.stdout.flush()
        figures = {f"{target.name} ({target.unit})": target.value for target in targets}
        self.rows.append(
            {"name": name, "text": text, "figures": figures, "targets": [*map(str, targets)], "met": met}
        )

    def write(self, path: Path) -> None:
        content = {"machine": machine(), "measured": self.rows}
        path.write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8")


@dataclass(frozen=True)
class Timed:
    """Seconds of a job and of its baseline, turn by turn."""

    job: list[float]
    baseline: list[float]

    @property
    def seconds(self) -> float:
        return median(self.job)

    @property
    def ratio(self) -> float:
        """How many times as long as the baseline the job takes: the median over the turns."""
        return median(job / base for job, base in zip(self.job, self.baseline, strict=True))

    @property
    def more(self) -> float:
        """How many seconds longer than the baseline the job takes: the median over the turns."""
        return median(job - base for job, base in zip(self.job, self.baseline, strict=True))


def timed(call: Callable[[], object], clock: Callable[[], float] = time.process_time) -> float:
    begin = clock()
    call()
    # Never zero, however small the job: a ratio can always be made of it.
    return max(clock() - begin, 1e-9)


def in_turns(
    job: Callable[[], object],
    baseline: Callable[[], object],
    turns: int,
    clock: Callable[[], float] = time.process_time,
) -> Timed:
    """Measure both in turns."""
    pairs = [(timed(job, clock), timed(baseline, clock)) for _ in range(turns)]
    return Timed([pair[0] for pair in pairs], [pair[1] for pair in pairs])


def children_time() -> float:
    """The CPU time of all processes started so far that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def output_of(script: str) -> str:
    """What a script prints in a fresh process."""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(done.stderr)
    return done.stdout


def installed(name: str) -> str | None:
    try:
        return version(name)
    except PackageNotFoundError:
        return None


def machine() -> str:
    cpu = platform.processor() or platform.machine()
    info = Path("/proc/cpuinfo")
    if info.exists():
        models = [line for line in info.read_text().splitlines() if line.startswith("model name")]
        cpu = models[0].partition(":")[2].strip() if models else cpu
    found = ", ".join(f"{name} {installed(name)}" for name in LIBRARIES if installed(name))
    return f"{cpu}, {os.cpu_count()} cores, {platform.system()}; Python {sys.version.split()[0]}, {found}"
