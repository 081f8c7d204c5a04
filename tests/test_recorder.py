"""Recording a port: times and windows of what is found, and nothing lost when port, disk or process fail.

Terminals are real (a kernel pseudo-terminal); clocks are not, except where a process of its own records.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import random
import signal
import subprocess
import sys
import time
import warnings
from pathlib import Path

import pytest

from linkbudget import CaptureError, LinkBudgetWarning, SettingsError, UartLine, load_bytes
from linkbudget.capture import ports
from linkbudget.capture.ports import ErrorCounts, bridge_latency, error_counts, open_port
from linkbudget.capture.recorder import Limits, Recorder, record

LINE = UartLine(115200)
REPORT = b'{"tick":17,"kind":"whole","score":70,"x":12.4}\n'
MS = 1_000_000
SECONDS_ALLOWED = 20


class Bench:
    """A port and a clock under a script: each pause lasts its whole time, then the next step happens."""

    def __init__(self, *steps, look_costs_ns=0):
        self.now = 5_000 * MS
        self.steps = list(steps)
        self.waiting = b""
        self.failure = None
        self.cost = look_costs_ns
        self.paused = 0

    def clock(self):
        return self.now

    def sleep(self, seconds):
        self.now += round(seconds * 1e9)
        self.paused += 1
        step = self.steps.pop(0) if self.steps else b""
        if isinstance(step, bytes):
            self.waiting += step
        else:
            self.failure = step

    def read(self, size):
        self.now += self.cost
        if self.waiting:
            chunk, self.waiting = self.waiting[:size], self.waiting[size:]
            return chunk
        if self.failure:
            raise self.failure
        return b""


@pytest.fixture
def recorder():
    """Make recorders that look at a bench; their files are closed when the test ends."""
    with contextlib.ExitStack() as files:

        def make(bench, path, **options):
            file = files.enter_context(path.open("wb", buffering=0))
            return Recorder(bench, file, "port", path, clock=bench.clock, sleep=bench.sleep, **options)

        yield make


def rows_of(path):
    return [json.loads(line) for line in path.read_bytes().splitlines()]


# -- times ----------------------------------------------------------------------------------------


def test_a_line_has_the_time_after_the_look_and_reaches_back_to_the_look_before(tmp_path, recorder):
    bench = Bench(b"", b"ab", b"", b"", b"c", look_costs_ns=100)
    made = recorder(bench, tmp_path / "a.jsonl", look_ns=MS)
    assert made.run(Limits(bytes=3))[0] == "bytes"
    # A look that finds nothing takes one read of 100 ns, one that finds something takes two.
    first = {"t_ns": 2 * MS + (100 + 100) + 200, "window_ns": 100 + MS + 200, "hex": "6162"}
    second = {"t_ns": 5 * MS + (100 + 100 + 200 + 100 + 100) + 200, "window_ns": 100 + MS + 200, "hex": "63"}
    assert rows_of(tmp_path / "a.jsonl") == [first, second]


def test_a_bridge_widens_every_window(tmp_path, recorder):
    bench = Bench(b"ab")
    made = recorder(bench, tmp_path / "a.jsonl", look_ns=MS, latency_ns=16 * MS)
    made.run(Limits(bytes=2))
    assert rows_of(tmp_path / "a.jsonl") == [{"t_ns": MS, "window_ns": 17 * MS, "hex": "6162"}]
    assert made.longest_window_ns == 17 * MS


def test_bytes_of_the_first_look_may_have_come_since_the_port_was_opened(tmp_path, recorder):
    bench = Bench(b"c")
    bench.waiting = b"ab"
    made = recorder(bench, tmp_path / "a.jsonl", look_ns=MS, opened=bench.clock() - 40 * MS)
    made.run(Limits(bytes=3))
    assert [(row["t_ns"], row["window_ns"]) for row in rows_of(tmp_path / "a.jsonl")] == [
        (0, 40 * MS),
        (MS, MS),
    ]


def test_a_look_that_did_not_empty_the_port_does_not_narrow_the_next_window(tmp_path, recorder):
    bench = Bench(bytes(100_000))
    recorder(bench, tmp_path / "a.jsonl", look_ns=MS).run(Limits(bytes=100_000))
    rows = rows_of(tmp_path / "a.jsonl")
    assert [len(row["hex"]) // 2 for row in rows] == [1 << 16, 100_000 - (1 << 16)]
    # The second look finds bytes that may have come before the first one already.
    assert [row["window_ns"] for row in rows] == [MS, 2 * MS]


def test_limits_end_a_recording(tmp_path, recorder):
    bench = Bench(b"ab")
    ended, counters = recorder(bench, tmp_path / "a.jsonl", look_ns=MS).run(Limits(seconds=0.25))
    assert (ended, counters.bytes, counters.lines, counters.elapsed_ns) == ("seconds", 2, 1, 250 * MS)
    with pytest.raises(SettingsError, match=r"seconds: 0 is not allowed.*\n.*bytes: -1 is not allowed"):
        Limits(0, -1)


def test_stop_is_asked_between_looks(tmp_path, recorder):
    bench = Bench(b"ab", b"cd")
    made = recorder(bench, tmp_path / "a.jsonl")
    ended, counters = made.run(Limits(), stop=lambda: bench.paused == 2)
    assert (ended, counters.bytes) == ("interrupted", 4)


def test_counters_are_told_four_times_a_second_with_the_rate_of_late(tmp_path, recorder):
    bench = Bench(*[b"x"] * 300)
    told = []
    recorder(bench, tmp_path / "a.jsonl", look_ns=MS).run(Limits(seconds=0.6), watch=told.append)
    assert [(c.elapsed_ns // MS, c.bytes) for c in told] == [(250, 250), (500, 300), (600, 300)]
    assert [c.bytes_per_second for c in told] == [1000, 200, 0]
    assert told[0].errors is None


# -- errors that the driver counts ----------------------------------------------------------------


def test_what_the_driver_counts_stands_in_the_line_after_which_it_came_up(tmp_path, recorder):
    totals = {"framing": 7, "overrun": 0}
    steps = iter([{}, {"framing": 2}, {}, {"overrun": 1}])
    counts = ErrorCounts(lambda: dict(totals))

    class Noisy(Bench):
        def read(self, size):
            if not self.waiting:
                for kind, count in next(steps, {}).items():
                    totals[kind] += count
            return super().read(size)

    made = recorder(Noisy(b"a", b"b"), tmp_path / "a.jsonl", errors=counts)
    _, counters = made.run(Limits(seconds=0.005))
    rows = rows_of(tmp_path / "a.jsonl")
    assert [(row["hex"], row.get("errors")) for row in rows] == [
        ("61", {"framing": 2}),
        ("62", None),
        ("", {"overrun": 1}),
    ]
    assert counters.errors == {"framing": 2, "overrun": 1}
    told = (
        "errors counted while this was recorded: 2 framing, 1 overrun; the characters they hit are not marked"
    )
    with pytest.warns(LinkBudgetWarning, match=told):
        assert load_bytes(tmp_path / "a.jsonl", LINE).payload_bytes() == b"ab"


def test_a_count_of_the_driver_may_wrap():
    told = iter([{"parity": -1}, {"parity": 2}])
    assert ErrorCounts(lambda: next(told)).new() == {"parity": 3}


# -- a real terminal ------------------------------------------------------------------------------


@pytest.fixture
def terminal():
    """The two ends of a pseudo-terminal: the end to write to, and the name of the port."""
    master, slave = os.openpty()
    yield master, os.ttyname(slave)
    for end in (master, slave):
        with contextlib.suppress(OSError):  # a test may have closed it
            os.close(end)


def test_a_terminal_is_read_as_it_is(terminal, tmp_path):
    master, name = terminal
    every = bytes(range(256))
    bench = Bench()
    port = open_port(name, LINE)
    try:
        assert error_counts(port) is None
        path = tmp_path / "a.jsonl"
        with path.open("wb", buffering=0) as file:
            made = Recorder(
                port, file, name, path, clock=bench.clock, sleep=lambda _: os.write(master, every)
            )
            made.settings(LINE, port=name)
            made.run(Limits(bytes=512))
    finally:
        port.close()
    capture = load_bytes(path)
    assert capture.payload_bytes() == every * 2
    assert (capture.line, capture.warnings) == (LINE, ())
    assert capture.window_ns is not None


def test_record_opens_the_port_and_says_what_it_did(tmp_path):
    recording = record("loop://", tmp_path / "a.jsonl", UartLine(9600, 7, "E", 2), stop=lambda: True)
    document = recording.to_dict()
    assert (document["ended"], document["bytes"], document["port"]) == ("interrupted", 0, "loop://")
    assert (document["latency_ns"], document["latency_from"]) == (0, "no USB bridge known")
    (settings,) = rows_of(tmp_path / "a.jsonl")
    assert (settings["baudrate"], settings["format"], settings["port"]) == (9600, "7E2", "loop://")
    assert settings["started"].endswith("+00:00")


def test_settings_that_no_recording_can_have_are_refused_together(tmp_path):
    with pytest.raises(SettingsError) as told:
        record("loop://", tmp_path / "a.jsonl.gz", LINE, latency_ms=-1, look_ms=0)
    assert [fault.path for fault in told.value.faults] == ["path", "latency_ms", "look_ms"]
    with pytest.raises(SettingsError) as told:
        record("loop://", tmp_path / "a.jsonl", UartLine(134.5, 9))
    assert [fault.path for fault in told.value.faults] == ["bytesize", "baudrate"]


def test_a_port_that_cannot_be_opened_leaves_the_file_alone(tmp_path):
    path = tmp_path / "a.jsonl"
    path.write_text("kept")
    for name, told in [
        (str(tmp_path / "ttyNONE"), "cannot be opened: No such file or directory; the ports"),
        ("nowhere://", "protocol 'nowhere' not known; expected a port or a URL"),
    ]:
        with pytest.raises(CaptureError, match=told):
            record(name, path, LINE)
    assert path.read_text() == "kept"


def test_a_port_that_is_in_use_is_said_to_be(terminal, tmp_path):
    port = open_port(terminal[1], LINE)
    try:
        with pytest.raises(CaptureError, match="another program has it open"):
            open_port(terminal[1], LINE)
    finally:
        port.close()


def test_the_latency_of_a_bridge_is_read_off_the_system(tmp_path, monkeypatch):
    (tmp_path / "ttyUSB0").mkdir()
    timer = tmp_path / "ttyUSB0" / "latency_timer"
    timer.write_text("2\n")
    assert bridge_latency("/dev/ttyUSB0", tmp_path) == (2, "the latency timer of the port's driver")
    timer.write_text("garbage")
    assert bridge_latency("/dev/ttyUSB0", tmp_path) == (0, "no USB bridge known")

    class Found:
        device, vid = "/dev/ttyUSB0", 0x1234

    monkeypatch.setattr(ports, "known_ports", lambda: [Found])
    # FTDI AN232B-04: 16 ms unless it was set to another value.
    latency, told = bridge_latency("/dev/ttyUSB0", tmp_path)
    assert latency == 16
    assert told.startswith("assumed")


# -- failures -------------------------------------------------------------------------------------


def test_a_port_that_fails_leaves_all_that_was_read(tmp_path, recorder):
    bench = Bench(b"ab", OSError(errno.EIO, "Input/output error"))
    path = tmp_path / "a.jsonl"
    made = recorder(bench, path)
    bench.steps.insert(1, b"cd")
    with pytest.raises(CaptureError, match=r"port: the port was unplugged or closed: Input/output error; "):
        made.run(Limits())
    assert load_bytes(path, LINE).payload_bytes() == b"abcd"


def test_bytes_read_in_the_look_in_which_the_port_fails_are_kept(tmp_path, recorder):
    bench = Bench()
    bench.waiting, bench.failure = b"last", OSError("gone")
    with pytest.raises(CaptureError, match="closed: gone; the 4 bytes recorded until then are kept in"):
        recorder(bench, tmp_path / "a.jsonl").run(Limits())
    assert load_bytes(tmp_path / "a.jsonl", LINE).payload_bytes() == b"last"


def test_a_terminal_closed_under_the_recorder(terminal, tmp_path):
    master, name = terminal

    def steps():
        os.write(master, REPORT)
        yield
        os.close(master)
        yield

    script = steps()
    bench = Bench()
    port = open_port(name, LINE)
    path = tmp_path / "a.jsonl"
    try:
        with path.open("wb", buffering=0) as file:
            made = Recorder(port, file, name, path, clock=bench.clock, sleep=lambda _: next(script))
            with pytest.raises(CaptureError, match=f"{name}: the port was unplugged or closed: .* 47 bytes"):
                made.run(Limits())
    finally:
        port.close()
    assert load_bytes(path, LINE).payload_bytes() == REPORT


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_full_disk_is_named():
    with pytest.raises(CaptureError, match="/dev/full: the disk is full; the 0 bytes recorded until then"):
        record("loop://", "/dev/full", LINE)


class Disk:
    """A file that takes ``room`` bytes, at most 7 at once."""

    def __init__(self, room):
        self.room, self.content = room, b""

    def write(self, data):
        if not self.room:
            raise OSError(errno.ENOSPC, "No space left on device")
        count = min(7, self.room, len(data))
        self.content += data[:count]
        self.room -= count
        return count


@pytest.mark.parametrize("room", range(0, 120, 3))
def test_a_disk_that_fills_up_keeps_every_line_before(tmp_path, room):
    bench = Bench(b"ab", b"cd", b"ef")
    disk = Disk(room)
    made = Recorder(bench, disk, "port", "a.jsonl", clock=bench.clock, sleep=bench.sleep)
    with pytest.raises(CaptureError, match=r"a\.jsonl: the disk is full; the \d bytes recorded") as told:
        made.run(Limits(bytes=6))
    kept = int(str(told.value).split(" bytes recorded")[0][-1])
    path = tmp_path / "a.jsonl"
    path.write_bytes(disk.content or b"\n")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", LinkBudgetWarning)  # about the line that was cut off
        whole = load_bytes(path, LINE).payload_bytes()
    assert whole in {b"abcdef"[:kept], b"abcdef"[: kept + 2]}
    assert whole == b"abcdef"[: len(whole)]


# -- a process of its own -------------------------------------------------------------------------


def start(name, path, *options, stderr=subprocess.PIPE):
    code = "import sys; from linkbudget.cli.main import main; sys.argv[0] = 'linkbudget'; main()"
    command = [sys.executable, "-c", code, "record", name, "--out", str(path), *options]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=stderr, text=True)


def wait_for(path, count, process):
    """Wait until the recording holds ``count`` lines."""
    until = time.monotonic() + SECONDS_ALLOWED
    while not path.exists() or path.read_bytes().count(b"\n") < count:
        assert process.poll() is None, process.communicate()
        assert time.monotonic() < until, "the recorder does not write"
        time.sleep(0.002)


def feed(master, path, process, reports):
    """Write so many reports, each when something of the one before is recorded."""
    for number in range(1, reports + 1):
        wait_for(path, number, process)
        os.write(master, REPORT)


def test_a_recorder_killed_at_any_moment_loses_at_most_the_last_line(terminal, tmp_path):
    master, name = terminal
    rng = random.Random(4)
    for turn in range(3):
        path = tmp_path / f"{turn}.jsonl"
        with start(name, path) as process:
            feed(master, path, process, rng.randint(2, 20))
            os.kill(process.pid, signal.SIGKILL)
        content = path.read_bytes()
        whole = content[: content.rfind(b"\n") + 1]
        cut = content != whole
        with pytest.warns(LinkBudgetWarning, match="cut off") if cut else contextlib.nullcontext():
            capture = load_bytes(path)
        sent = REPORT * 20
        assert sent.startswith(capture.payload_bytes())
        written = b"".join(bytes.fromhex(json.loads(row)["hex"]) for row in whole.splitlines()[1:])
        assert capture.payload_bytes() == written
        assert len(capture)


def test_ctrl_c_is_a_good_end(terminal, tmp_path):
    master, name = terminal
    path = tmp_path / "a.jsonl"
    with start(name, path, "--json", "--latency-ms", "2") as process:
        feed(master, path, process, 3)
        wait_for(path, 4, process)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=SECONDS_ALLOWED)
    assert (process.returncode, err) == (0, "")
    document = json.loads(out)
    assert document["ended"] == "interrupted"
    assert document["bytes"] == len(load_bytes(path)) > 2 * len(REPORT)
    assert document["longest_window_ns"] > document["latency_ns"] == 2 * MS
    assert document["latency_from"] == "as given"


def test_counters_run_on_a_terminal(terminal, tmp_path):
    master, name = terminal
    screen, screen_end = os.openpty()
    path = tmp_path / "a.jsonl"
    with start(name, path, "--seconds", "0.6", stderr=screen_end) as process:
        feed(master, path, process, 2)
        out, _ = process.communicate(timeout=SECONDS_ALLOWED)
    os.close(screen_end)
    shown = os.read(screen, 4096).decode()
    os.close(screen)
    assert process.returncode == 0
    assert "0:00 recording, 94 bytes, " in shown
    assert "errors not counted (Ctrl-C ends)" in shown
    assert out.startswith("94 bytes in 0.6 s recorded from ")


# -- the command ----------------------------------------------------------------------------------


def test_the_command_does_not_overwrite_a_recording(linkbudget, tmp_path):
    path = tmp_path / "a.jsonl"
    path.write_text("kept")
    ran = linkbudget("record", "loop://", "--out", path, "--seconds", 0.01)
    assert (ran.code, ran.out) == (2, "")
    assert "exists and may hold a recording; give another name, or --force" in ran.err
    assert path.read_text() == "kept"
    assert linkbudget("record", "loop://", "--out", path, "--seconds", 0.01, "--force").code == 0


def test_the_command_takes_the_line_of_a_link(linkbudget, tmp_path):
    from linkbudget.capture.files import captures_dir

    path = tmp_path / "a.jsonl"
    link = captures_dir() / "bean-frames.toml"
    options = ["record", "loop://", "--out", path, "--seconds", 0.01, "--link", link, "--force"]
    ran = linkbudget(*options, "--json")
    assert json.loads(ran.out)["line"] == {"baudrate": 115200, "bytesize": 8, "parity": "N", "stopbits": 1}
    assert "nothing arrived at loop://" in ran.err
    ran = linkbudget(*options, "--json", "--baudrate", 9600, "--format", "7E1")
    assert json.loads(ran.out)["line"] == {"baudrate": 9600, "bytesize": 7, "parity": "E", "stopbits": 1}


def test_the_command_gives_back_the_signal_it_borrowed(linkbudget, tmp_path):
    before = signal.getsignal(signal.SIGINT)
    linkbudget("record", "loop://", "--out", tmp_path / "a.jsonl", "--seconds", 0.01)
    assert signal.getsignal(signal.SIGINT) is before


@pytest.mark.parametrize("name", ["a.jsonl.gz", "a.jsonl.zst"])
def test_a_compressed_recording_is_refused(linkbudget, tmp_path, name):
    ran = linkbudget("record", "loop://", "--out", tmp_path / name)
    assert ran.code == 2
    assert "a plain file; a compressed one that is cut off loses more" in ran.err
