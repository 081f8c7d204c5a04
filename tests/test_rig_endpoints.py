"""Sender, receiver and asyncio stream over ports: every message, every loss, every age."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import subprocess
import threading
import time

import pytest
import serial

from linkbudget import Codec, Counter, FrameFormat, Integer, MessageLayout, Scaled, SettingsError, encoding
from linkbudget.rig.clock import RealClock, VirtualClock, patched_time
from linkbudget.rig.endpoints import Receiver, Sender, stream
from linkbudget.rig.faults import Faults
from linkbudget.rig.loop import event_loop
from linkbudget.rig.messages import MessageReader
from linkbudget.rig.pair import LinkPair
from linkbudget.rig.terminal import TerminalEnd
from linkbudget.wire.usb_bridge import find_bridge

BEANS = MessageLayout(
    "beans", (Counter("tick", 16), Integer("score", 0, 100), Scaled("x", 0.0, 96.0, 0.4)), id=1
)
SETPOINT = MessageLayout("setpoint", (Integer("flap", 0, 90),), id=2)
CODEC = Codec(
    FrameFormat(sequence=True), ((BEANS, encoding("packed-bits")), (SETPOINT, encoding("packed-bits")))
)


def beans(tick: int) -> dict[str, object]:
    return {"tick": tick % 65536, "score": tick % 101, "x": round(0.4 * (tick % 241), 1)}


def test_every_message_comes_with_its_number_and_age():
    with LinkPair("115200 8N1") as pair, Receiver(pair.controller, CODEC) as receiver:
        sender = Sender(pair.module, CODEC)
        size = sender.send("beans", beans(7))
        found = receiver.get(1.0)
        assert found is not None
        assert (found.name, found.value, found.sequence) == ("beans", beans(7), 0)
        character = 1e10 / 115200
        assert found.wire_ns == round(size * character)
        assert found.earliest_ns <= size * character <= found.latest_ns + 1
        least, most = found.age_ns(pair.clock.now_ns())
        assert least <= pair.clock.now_ns() <= most + 1
        assert sender.sent == {"beans": 1}
        assert receiver.counts.good == {"beans": 1}


@pytest.mark.parametrize("keep", ["every", "newest"])
def test_nothing_is_lost_without_being_counted(keep):
    """Sent = taken + dropped + lost by number; with bytes dropped on the line and a queue too short."""
    faults = Faults(drop_rate=2e-3, seed=3)
    with (
        LinkPair("921600 8N1", to_controller=faults) as pair,
        Receiver(pair.controller, CODEC, keep=keep, queue=10) as receiver,
    ):
        sender = Sender(pair.module, CODEC)
        for tick in range(400):
            sender.send("beans", beans(tick))
        sender.send("setpoint", {"flap": 3})
        pair.clock.sleep_ns(2 * 10**9)
        taken = receiver.take()
        counts = receiver.counts
    assert counts.lost > 2
    assert counts.lost + counts.messages == 401
    assert counts.dropped + len(taken) == counts.messages
    assert sum(counts.damaged.values()) >= 2
    assert len(taken) == (2 if keep == "newest" else 10)
    assert taken[-1].value == {"flap": 3}


def test_the_age_of_what_a_bridge_holds_back_is_an_interval():
    with (
        LinkPair("115200 8N1", bridge={"controller": find_bridge("full-speed")}) as pair,
        Receiver(pair.controller, CODEC) as receiver,
    ):
        Sender(pair.module, CODEC).send("setpoint", {"flap": 1})
        sent_by = pair.module.pair.ends["module"].out.sent_by_ns()
        found = receiver.get(1.0)
        assert found is not None
        assert found.earliest_ns <= sent_by <= found.latest_ns
        assert found.latest_ns - found.earliest_ns >= 16_000_000


def test_a_port_that_vanishes_is_told_after_the_last_message():
    with LinkPair("115200 8N1") as pair, Receiver(pair.controller, CODEC) as receiver:
        Sender(pair.module, CODEC).send("beans", beans(1))
        pair.clock.sleep_ns(10_000_000)
        pair.unplug("controller")
        found = receiver.get(1.0)
        assert found is not None
        with pytest.raises(serial.SerialException, match="is gone"):
            receiver.get(1.0)


def test_intact_frames_that_are_no_message_are_counted():
    reader = MessageReader(CODEC)
    assert reader.feed(CODEC.fmt.encode(b"\x09", 0), 0, 0) == []
    assert reader.counts.unknown == 1
    bad = bytearray(CODEC.encode("beans", beans(1)))
    bad[4] ^= 0x10
    reader.feed(bytes(bad), 0, 0)
    assert reader.counts.damaged == {"check": 1}, bad.hex()


def test_no_message_in_time_is_none():
    with LinkPair() as pair, Receiver(pair.controller, CODEC) as receiver:
        assert receiver.get(0.2) is None
        assert pair.clock.now_ns() >= 200_000_000


@pytest.mark.parametrize(("settings", "path"), [({"keep": "oldest"}, "keep"), ({"queue": 0}, "queue")])
def test_impossible_settings_are_named(settings, path):
    with LinkPair() as pair, pytest.raises(SettingsError, match=path):
        Receiver(pair.controller, CODEC, **settings)


def test_asyncio_gets_the_same_messages_and_answers():
    async def talk() -> list[object]:
        with LinkPair("115200 8N1", clock=RealClock()) as pair:
            async with (
                stream(pair.controller, CODEC, CODEC) as controller,
                stream(pair.module, CODEC, CODEC) as module,
            ):
                for tick in range(5):
                    await module.send("beans", beans(tick))
                found = []
                async for message in controller:
                    found.append(message.value)
                    await controller.send("setpoint", {"flap": message.value["score"]})
                    if len(found) == 5:
                        break
                answers = [(await module.get()).value for _ in range(5)]
                return [found, answers]

    found, answers = asyncio.run(talk())
    assert found == [beans(tick) for tick in range(5)]
    assert answers == [{"flap": tick} for tick in range(5)]


def test_asyncio_is_told_when_the_port_vanishes():
    async def wait() -> None:
        with LinkPair(clock=RealClock()) as pair:
            async with stream(pair.controller, CODEC) as messages:
                asyncio.get_running_loop().call_later(0.05, pair.unplug, "controller")
                await messages.get()

    with pytest.raises(serial.SerialException, match="is gone"):
        asyncio.run(wait())


ECHO = r"""
#include <fcntl.h>
#include <unistd.h>
int main(int argc, char **argv) {
    unsigned char data[256];
    int port = open(argv[1], O_RDWR | O_NOCTTY);
    if (argc < 2 || port < 0) return 1;
    for (;;) {
        long count = read(port, data, sizeof data);
        if (count <= 0) return 0;
        for (long done = 0; done < count;) done += write(port, data + done, (size_t)(count - done));
    }
}
"""


@pytest.fixture(scope="module")
def echo_program(tmp_path_factory):
    if shutil.which("gcc") is None:
        pytest.skip("needs gcc")
    folder = tmp_path_factory.mktemp("echo")
    (folder / "echo.c").write_text(ECHO)
    subprocess.run(["gcc", "-O1", "-o", folder / "echo", folder / "echo.c"], check=True)
    return folder / "echo"


def test_a_c_program_at_the_far_end_answers_through_a_pseudo_terminal(echo_program):
    """A program that knows nothing of this library opens a terminal and sends back what it reads.

    LINKBUDGET_REAL_SECONDS makes it longer than a moment; every frame must come back, none may be damaged.
    """
    seconds = float(os.environ.get("LINKBUDGET_REAL_SECONDS", "1"))
    with (
        LinkPair("921600 8N1", clock=RealClock()) as pair,
        TerminalEnd(pair, "module") as terminal,
        subprocess.Popen([echo_program, terminal.path]) as program,
        Receiver(pair.controller, CODEC, queue=1 << 20) as receiver,
    ):
        sender = Sender(pair.controller, CODEC)
        ends, tick = time.monotonic() + seconds, 0
        while time.monotonic() < ends:
            sender.send("beans", beans(tick))
            tick += 1
            pair.controller.flush()
        found = [receiver.get(10) for _ in range(tick)]
        program.kill()
        counts = receiver.counts
    assert [message.value for message in found] == [beans(number) for number in range(tick)]
    assert (counts.damaged, counts.lost, counts.dropped) == ({}, 0, 0)
    assert tick > 100 * seconds


def test_a_terminal_needs_the_real_clock():
    with LinkPair() as pair, pytest.raises(SettingsError, match="RealClock"):
        TerminalEnd(pair, "module")


def test_a_receiver_on_a_virtual_clock_gives_the_same_each_time():
    def run() -> list[tuple[object, int, int]]:
        faults = Faults(bit_error_rate=1e-4, seed=9)
        with (
            LinkPair("115200 8N1", clock=VirtualClock(patience_s=1.0), to_controller=faults) as pair,
            Receiver(pair.controller, CODEC) as receiver,
        ):
            sender = Sender(pair.module, CODEC)
            for tick in range(200):
                sender.send("beans", beans(tick))
                pair.clock.sleep_ns(3_000_000)
            pair.clock.sleep_ns(10**9)
            return [(dict(one.value), one.earliest_ns, one.latest_ns) for one in receiver.take()]

    first = run()
    assert 150 < len(first) < 200
    assert run() == first


def test_threads_end_with_their_ports():
    before = threading.active_count()
    with LinkPair(clock=RealClock()) as pair, TerminalEnd(pair, "module"), Receiver(pair.controller, CODEC):
        assert threading.active_count() == before + 3
    assert threading.active_count() == before


def test_a_terminal_hangs_up_when_its_end_vanishes():
    """The program at the far end reads the end of its terminal, as of a pulled adapter; no thread is left."""
    before = threading.active_count()
    with LinkPair(clock=RealClock()) as pair, TerminalEnd(pair, "module") as terminal:
        program = os.open(terminal.path, os.O_RDWR | os.O_NOCTTY)
        try:
            pair.unplug("module")
            with contextlib.suppress(OSError):  # Linux says EIO, others that nothing more comes.
                assert os.read(program, 1) == b""
        finally:
            os.close(program)
    assert threading.active_count() == before


async def camera_and_controller(pair: LinkPair) -> tuple[list[int], int]:
    """A camera that sends every 33 ms of link time, and a controller that answers, up to 0.2 s of silence."""
    async with (
        stream(pair.controller, CODEC, CODEC) as controller,
        stream(pair.module, CODEC, CODEC) as module,
    ):

        async def camera() -> None:
            for tick in range(20):
                await module.send("beans", beans(tick))
                await asyncio.sleep(0.033)

        async def flaps() -> list[int]:
            found: list[int] = []
            while True:
                try:
                    message = await asyncio.wait_for(controller.get(), 0.2)
                except TimeoutError:
                    return found
                found.append(message.value["tick"])
                await controller.send("setpoint", {"flap": 1})

        _, found = await asyncio.gather(camera(), flaps())
        return found, pair.clock.now_ns()


def test_asyncio_keeps_the_time_of_a_virtual_clock():
    def run() -> tuple[list[int], int]:
        with (
            LinkPair("115200 8N1", clock=VirtualClock(patience_s=1.0)) as pair,
            patched_time(pair.clock),
            asyncio.Runner(loop_factory=lambda: event_loop(pair.clock)) as runner,
        ):
            return runner.run(camera_and_controller(pair))

    found, ended = run()
    assert found == list(range(20))
    # The last was sent at 19 * 33 ms, and 0.2 s later it is given up.
    assert ended == pytest.approx(0.827e9, abs=0.015e9)
    again, end = run()
    assert again == found
    # A timer is rounded up to a nanosecond each time the loop is woken before it, which threads do.
    assert end == pytest.approx(ended, abs=1000)


def test_a_thread_may_end_long_after_its_loop():
    """The loop's own limit of 300 s passes at once where nothing else is due (Python 3.12 and later)."""
    ended = []

    def thread() -> None:
        until.wait(0.2)
        ended.append(True)

    async def begin() -> None:
        asyncio.get_running_loop().run_in_executor(None, thread)

    until = threading.Event()
    clock = VirtualClock()
    with asyncio.Runner(loop_factory=lambda: event_loop(clock)) as runner:
        runner.run(begin())
    assert ended
    assert clock.now_ns() < 1e9


def test_a_loop_that_keeps_another_time_is_refused():
    async def listen() -> None:
        with LinkPair() as pair:
            async with stream(pair.controller, CODEC):
                pass

    with pytest.raises(SettingsError, match="event_loop"):
        asyncio.run(listen())


def test_a_terminal_and_a_program_cannot_have_the_same_end():
    with (
        LinkPair(clock=RealClock()) as pair,
        TerminalEnd(pair, "module"),
        pytest.raises(serial.SerialException, match="open already"),
    ):
        TerminalEnd(pair, "module")
