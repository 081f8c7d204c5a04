"""What the heavy paths take, beside baselines. ``python tests/bench`` runs all of it, a few minutes.

Each answer is checked before it is timed. Figures are medians, ratios medians over turns in which job and
baseline follow each other; compiling is told apart. The targets are for the sizes taken by default, on one
thread of a server of 2026. Host cost, in no way that of a controller.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from pathlib import Path

os.environ.setdefault("POLARS_MAX_THREADS", "1")  # everything here is measured on one thread

import check_parts
import day_parts
import frame_parts
import level_parts
import process_parts
import replay_parts
import report_parts
import rig_parts
import target_parts
from made import wave, write_table, write_vcd
from measure import Report, machine

PARTS = ("characters", "vcd", "table", "frames", "checks", "replay", "day", "pages", "target", "rig", "start")
PAYLOADS = ((8, 24), (16, 64), (64, 64))
SMALL_EDGES = 200_000


def main() -> None:
    parser = argparse.ArgumentParser(prog="python tests/bench", description=__doc__)
    parser.add_argument("--edges", type=float, default=20e6, help="edges of the levels (20 million)")
    parser.add_argument("--frame-bytes", type=float, default=200e6, help="bytes of the frames (200 million)")
    parser.add_argument("--frames", type=float, default=1e6, help="frames to be checked (1 million)")
    parser.add_argument("--soak", type=float, default=10e6, help="frames of the virtual link (10 million)")
    parser.add_argument("--events", type=float, default=1e6, help="events of the page (1 million)")
    parser.add_argument("--turns", type=int, default=9, help="turns of each measurement (9)")
    parser.add_argument("--only", choices=PARTS, action="append", help="one part; may be given several times")
    parser.add_argument("--json", type=Path, metavar="FILE", help="also write the figures to a file")
    parser.add_argument(
        "--usual-cache",
        action="store_true",
        help="take compiled code from where it is kept; none is compiled",
    )
    chosen = parser.parse_args()
    wanted = chosen.only or PARTS
    report = Report()
    print(machine())
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ["LINKBUDGET_KERNELS"] = "always"
        if not chosen.usual_cache:
            os.environ["NUMBA_CACHE_DIR"] = str(folder / "cache")
        run(report, folder, chosen, wanted)
    if chosen.json:
        report.write(chosen.json)
    missed = [row["name"] for row in report.rows if row["met"] is False]
    print(
        f"targets not met: {', '.join(str(name).strip() for name in missed)}" if missed else "all targets met"
    )


def run(
    report: Report, folder: Path, chosen: argparse.Namespace, wanted: list[str] | tuple[str, ...]
) -> None:
    turns = chosen.turns
    if {"characters", "vcd", "table"} & set(wanted):
        made = wave(int(chosen.edges))
        few = wave(SMALL_EDGES)
    if "characters" in wanted:
        level_parts.characters(report, made, turns)
    if "vcd" in wanted:
        path = level_parts.value_changes(report, made, folder, turns)
        write_vcd(few, folder / "few.vcd")
        process_parts.memory(report, path, folder / "few.vcd", made.times.size)
    if "table" in wanted:
        path = level_parts.tables(report, made, folder, turns)
        write_table(few, folder / "few.csv")
        process_parts.memory(report, path, folder / "few.csv", made.times.size)
    if "frames" in wanted:
        for least, most in PAYLOADS:
            frame_parts.cobs(report, int(chosen.frame_bytes), least, most, turns)
        frame_parts.others(report, int(chosen.frame_bytes / 4), turns)
    if "checks" in wanted:
        check_parts.many(report, int(chosen.frames), turns)
        check_parts.large(report, int(chosen.frame_bytes / 4), turns)
        check_parts.strength(report, turns, min(32_768, int(chosen.frames)))
    if "pages" in wanted:
        report_parts.pages(report, folder, int(chosen.events), turns)
    if "replay" in wanted:
        replay_parts.kernel(report, int(chosen.frame_bytes / 20), turns)
    if "day" in wanted:
        day_parts.day(report)
    if "target" in wanted:
        target_parts.target(report)
    if "rig" in wanted:
        rig_parts.rig(report, int(chosen.soak))
    if "start" in wanted:
        process_parts.start_up(report, folder, turns)


if __name__ == "__main__":
    main()
