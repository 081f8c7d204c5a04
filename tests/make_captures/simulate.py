"""Writes bean-text.vcd and bean-frames.vcd: the UART model in this folder, simulated with Icarus Verilog.

Run in ``tests/``: ``python -m make_captures.simulate [DIRECTORY]`` (without one: the shipped ``captures/``).
The dump is kept as the simulator wrote it, apart from the date, which is left out.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from pathlib import Path

from make_captures.messages import WAYS, reports

HERE = Path(__file__).parent
CAPTURES = HERE.parents[1] / "captures"
TICKS_PER_US = 10
DIVISOR = 417
SECONDS_ALLOWED = 60


def without(section: str, dump: str) -> str:
    """``dump`` without its ``$section ... $end``; unchanged when it has none."""
    return re.sub(rf"\${section}\b.*?\$end\s*", "", dump, flags=re.DOTALL)


def traffic(way: str) -> str:
    """The bench's input: a line for each message with its tick, its number of bytes and its bytes."""
    lines = []
    for report in reports():
        data = WAYS[way](report)
        lines.append(" ".join(map(str, (report.due_us * TICKS_PER_US, len(data), *data))))
    return "\n".join(lines) + "\n"


def simulate(way: str, divisor: int = DIVISOR) -> str:
    """The VCD dump of the camera's line when it speaks ``way``; raises when a tool is missing or fails.

    A bit lasts ``divisor`` periods of 48 MHz.
    """
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "traffic.txt").write_text(traffic(way), encoding="ascii")
        sources = [str(HERE / "bench.v"), str(HERE / "uart_tx.v")]
        for command in (
            ["iverilog", "-g2005", "-Wall", f"-Pbench.DIVISOR={divisor}", "-o", "bench.vvp", *sources],
            ["vvp", "-n", "bench.vvp", "+traffic=traffic.txt", "+vcd=line.vcd"],
        ):
            subprocess.run(
                command, cwd=folder, check=True, timeout=SECONDS_ALLOWED, stdout=subprocess.DEVNULL
            )
        return without("date", (folder / "line.vcd").read_text(encoding="ascii"))


def main(arguments: list[str]) -> None:
    """Write both captures into the directory named, or over the shipped ones."""
    directory = Path(arguments[0]) if arguments else CAPTURES
    for way in WAYS:
        path = directory / f"bean-{way}.vcd"
        path.write_text(simulate(way), encoding="ascii")
        print(f"{path}: {path.stat().st_size} bytes")


if __name__ == "__main__":
    main(sys.argv[1:])
