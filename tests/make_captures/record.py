"""Writes bean-pty.jsonl: the camera's frames sent in real time through a kernel pseudo-terminal and recorded.

Run in ``tests/``: ``python -m make_captures.record [FILE]`` (without one: the shipped capture).

A process of its own writes to the master side, a few characters at a time, each piece when its last character
would have left a line of 115200 baud. The reader opens the terminal with pyserial and looks about twice in a
millisecond. What a look finds is stamped as it returns; its last character may have come at any time since
the look before began, and that is its ``window_ns``. Times are counted from the start of the recording.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import serial

from make_captures.messages import REPORTS, as_frame, reports

TESTS = Path(__file__).parents[1]
SHIPPED = TESTS.parent / "captures" / "bean-pty.jsonl"
BAUDRATE = 115_200
SETTINGS = {"baudrate": BAUDRATE, "format": "8N1"}
CHARACTER_NS = 10 * 1_000_000_000 / BAUDRATE
PIECE_BYTES = 4
LOOK_EVERY_S = 0.0005
READY_NS = 20_000_000
"""The first report's turn comes this long after the writer starts, when it has all its bytes ready."""
SECONDS_ALLOWED = 30


def pieces(count: int) -> list[tuple[int, bytes]]:
    """The frames in pieces, each with the time in ns at which its last character has left the line."""
    found = []
    for report in reports(count):
        frame = as_frame(report)
        for start in range(0, len(frame), PIECE_BYTES):
            piece = frame[start : start + PIECE_BYTES]
            sent = round((start + len(piece)) * CHARACTER_NS)
            found.append((report.due_us * 1000 + sent, piece))
    return found


def write(master: int, count: int) -> None:
    """Write the pieces at their times; this is all the writer process does."""
    planned = pieces(count)
    started = time.monotonic_ns() + READY_NS
    for due, piece in planned:
        left = started + due - time.monotonic_ns()
        if left > 0:
            time.sleep(left / 1e9)
        assert os.write(master, piece) == len(piece)


def listen(port: serial.Serial, writer: subprocess.Popen[bytes]) -> list[str]:
    """Look until the writer has ended and nothing is left; one line for each look that found something."""
    began = look = time.monotonic_ns()
    lines = []
    while True:
        ended = writer.poll() is not None
        look_before, look = look, time.monotonic_ns()
        chunk = port.read(4096)
        now = time.monotonic_ns()
        if chunk:
            line = {"t_ns": now - began, "window_ns": now - look_before, "hex": chunk.hex()}
            lines.append(json.dumps(line, separators=(",", ":")))
        elif ended:
            return lines
        elif now - began > SECONDS_ALLOWED * 1_000_000_000:
            raise TimeoutError(f"the writer has not ended after {SECONDS_ALLOWED} s")
        time.sleep(LOOK_EVERY_S)


def record(path: Path, count: int = REPORTS) -> None:
    """Record the first ``count`` reports into ``path``."""
    master, slave = os.openpty()
    try:
        with serial.Serial(os.ttyname(slave), BAUDRATE, timeout=0) as port:
            command = [sys.executable, "-m", "make_captures.record", "--write", str(master), str(count)]
            with subprocess.Popen(command, cwd=TESTS, pass_fds=[master]) as writer:
                try:
                    lines = listen(port, writer)
                finally:
                    writer.kill()
            if writer.returncode:
                raise RuntimeError(f"the writer failed with {writer.returncode}")
    finally:
        os.close(slave)
        os.close(master)
    path.write_text("\n".join([json.dumps(SETTINGS), *lines]) + "\n", encoding="ascii")


def main(arguments: list[str]) -> None:
    """Record, or with ``--write FD COUNT`` be the writer."""
    if arguments[:1] == ["--write"]:
        write(int(arguments[1]), int(arguments[2]))
    else:
        path = Path(arguments[0]) if arguments else SHIPPED
        record(path)
        print(f"{path}: {path.stat().st_size} bytes")


if __name__ == "__main__":
    main(sys.argv[1:])
