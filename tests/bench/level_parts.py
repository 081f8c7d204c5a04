"""Levels: characters out of them, and the files they come from."""

from __future__ import annotations

import threading
import time
from pathlib import Path
from statistics import median

import numpy as np
from made import BAUDRATE, Wave, wave, write_table, write_vcd
from measure import Report, Target, in_turns, installed, timed

from linkbudget import ByteCapture, Edges, UartLine
from linkbudget.capture.table import load_table
from linkbudget.capture.vcd import load_vcd
from linkbudget.traffic.characters import Task, decode_characters, plain_characters

PLAIN_PART = 200_000  # edges that the plain form reads to check the kernel
VCDVCD_PART = 4_000_000  # bytes, because it takes a second for so many
LINE = UartLine(BAUDRATE, 8, "E", 1)


def difference(times: np.ndarray) -> None:
    np.subtract(times[1:], times[:-1], out=times[:-1])


def characters(report: Report, made: Wave, turns: int) -> None:
    edges = Edges(made.times, 1, made.levels)
    size = min(PLAIN_PART, made.times.size - 1)
    part = Edges(made.times[:size], 1, made.levels[:size], end=int(made.times[size]))
    plain = plain_characters(Task(part, LINE, part.tick_s, False, part.end))
    compiling = timed(lambda: decode_characters(part, LINE))
    found = decode_characters(edges, LINE)
    count = plain.data.size - 1
    for name in ("starts_ns", "data", "flags"):
        assert (getattr(plain, name)[:count] == getattr(found, name)[:count]).all(), name
    check_sent(made, found)
    copy = made.times.copy()
    result = in_turns(lambda: decode_characters(edges, LINE), lambda: difference(copy), turns)
    rate = len(edges) / result.seconds / 1e6
    report.say(
        "edges to characters",
        f"{rate:.0f} M edges/s; {result.ratio:.2f} x an in-place numpy difference over the same "
        f"{len(edges) / 1e6:.0f} M edges; compiled in {compiling:.1f} s",
        Target("rate", rate, 500, "M edges/s"),
        Target("ratio", result.ratio, 3.6, "x the difference", most=True),
    )
    two_threads(report, edges, turns)


def check_sent(made: Wave, found: ByteCapture) -> None:
    """Nearly every intact character must be there with its value, at its start edge.

    A fault in back-to-back characters can take some that follow with it.
    """
    bit = 1e9 / BAUDRATE
    starts = found.start_times_ns
    wanted = made.starts[made.intact]
    near = np.clip(np.searchsorted(starts, wanted - bit / 4), 0, starts.size - 1)
    right = (
        (np.abs(starts[near] - wanted) < bit / 4)
        & (found.data[near] == made.values[made.intact])
        & (found.flags[near] == 0)
    )
    assert right.mean() > 0.99, right.mean()


def two_threads(report: Report, edges: Edges, turns: int) -> None:
    """What two threads do in the CPU time of each, against one alone."""

    def one(times: list[float]) -> None:
        begin = time.thread_time()
        decode_characters(edges, LINE)
        times.append(max(time.thread_time() - begin, 1e-9))

    ratios = []
    for _ in range(turns):
        alone: list[float] = []
        both: list[float] = []
        one(alone)
        threads = [threading.Thread(target=one, args=(both,)) for _ in range(2)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        ratios.append(2 * alone[0] / (sum(both) / 2))
    ratio = median(ratios)
    report.say(
        "  in two threads",
        f"{ratio:.2f} x the work in the same CPU time of each",
        Target("two threads", ratio, 1.8, "x one"),
    )


def value_changes(report: Report, made: Wave, folder: Path, turns: int) -> Path:
    """Return the file, for the parts that read it in pieces."""
    path = folder / "beans.vcd"
    write_vcd(wave(1000), path)
    compiling = timed(lambda: load_vcd(path))
    write_vcd(made, path)
    edges = load_vcd(path).channels["bench.rx"]
    assert np.array_equal(edges.times, made.times)
    assert np.array_equal(edges.levels(), made.levels)
    size = path.stat().st_size
    content = np.fromfile(path, dtype=np.uint8)
    result = in_turns(lambda: load_vcd(path), lambda: content.sum(), turns)
    rate = size / result.seconds / 1e9
    report.say(
        "VCD",
        f"{rate:.2f} GB/s; {result.ratio:.2f} x a numpy byte sum over its {size / 1e6:.0f} MB in memory; "
        f"compiled in {compiling:.1f} s",
        Target("rate", rate, 1.2, "GB/s"),
        Target("ratio", result.ratio, 2.7, "x the byte sum", most=True),
    )
    if installed("vcdvcd"):
        small = folder / "small.vcd"
        small.write_bytes(path.read_bytes()[:VCDVCD_PART].rpartition(b"#")[0])
        against_vcdvcd(report, small, result.seconds / size)
    return path


def against_vcdvcd(report: Report, path: Path, seconds_a_byte: float) -> None:
    from vcdvcd import VCDVCD

    begin = time.process_time()
    signal = VCDVCD(str(path))["bench.rx"]
    taken = time.process_time() - begin
    edges = load_vcd(path).channels["bench.rx"]
    assert [time for time, _ in signal.tv[1:]] == edges.times.tolist()
    ratio = taken / path.stat().st_size / seconds_a_byte
    report.say(
        "  against vcdvcd",
        f"{ratio:.0f} x as fast a byte (vcdvcd on {path.stat().st_size / 1e6:.0f} MB)",
        Target("ratio", ratio, 100, "x vcdvcd"),
    )


def tables(report: Report, made: Wave, folder: Path, turns: int) -> Path:
    """Return the file, for the parts that read it in pieces."""
    path = folder / "beans.csv"
    write_table(wave(1000), path)
    compiling = timed(lambda: load_table(path))
    write_table(made, path)
    edges = load_table(path).channels["rx"]
    assert np.array_equal(edges.times, made.times)
    assert np.array_equal(edges.levels(), made.levels)
    size = path.stat().st_size
    # Not in turns with polars, which leaves little in the caches and much memory to be given back.
    content = np.fromfile(path, dtype=np.uint8)
    result = in_turns(lambda: load_table(path), lambda: content.sum(), turns)
    rate = size / result.seconds / 1e9
    report.say(
        "table",
        f"{rate:.2f} GB/s; {result.ratio:.2f} x a numpy byte sum over its {size / 1e6:.0f} MB in memory; "
        f"compiled in {compiling:.1f} s",
        Target("rate", rate, 1.2, "GB/s"),
    )
    if installed("polars"):
        import polars

        assert polars.read_csv(path).height == made.times.size + 1
        result = in_turns(lambda: load_table(path), lambda: polars.read_csv(path), turns)
        report.say(
            "  against polars",
            f"{1 / result.ratio:.2f} x as fast as polars.read_csv on one thread",
            Target("ratio", 1 / result.ratio, 1.5, "x polars"),
        )
    return path
