"""The ports of a virtual link: pyserial's contract, held against pyserial's own loop://, and bad use."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
import warnings

import pytest
import serial

from linkbudget import LinkBudgetWarning, SettingsError
from linkbudget.rig.clock import DeadlockError, RealClock, VirtualClock, patched_time
from linkbudget.rig.pair import Boot, LinkPair
from linkbudget.rig.wire import Holding
from linkbudget.wire.usb_bridge import find_bridge


@pytest.fixture
def pair():
    with LinkPair("115200 8N1") as made:
        yield made


def same_calls(sender, receiver) -> list[object]:
    """What every port of pyserial must do alike, whatever is behind it."""
    seen: list[object] = []
    receiver.timeout = 0.05
    sender.write(b"hello beans")
    seen.append(receiver.read(5))
    seen.append(receiver.read(100))
    seen.append(receiver.read(1))
    sender.write(b"one\ntwo\nthree")
    seen += [receiver.readline(), receiver.readline(), receiver.readline()]
    sender.write(bytearray(b"\x00\xff"))
    seen.append(receiver.read_until(b"\xff"))
    receiver.timeout = 0
    seen.append(receiver.read(10))
    sender.write(b"lost")
    time.sleep(0.01)
    receiver.reset_input_buffer()
    seen.append(receiver.in_waiting)
    buffer = bytearray(4)
    sender.write(b"into")
    receiver.timeout = 0.05
    seen.append((receiver.readinto(buffer), bytes(buffer)))
    return seen


def test_it_does_what_loop_of_pyserial_does(pair):
    """pyserial's ``loop://`` as the reference; the virtual link on a virtual clock takes no time."""
    with serial.serial_for_url("loop://", baudrate=115200) as loop:
        expected = same_calls(loop, loop)
    with patched_time(pair.clock):
        assert same_calls(pair.module, pair.controller) == expected


def test_the_scheme_is_known_to_pyserial(pair):
    with serial.serial_for_url(pair.url("module"), 115200) as module:
        assert module.is_open
        module.write(b"x")
    assert pair.controller.read(1) == b"x"


def test_a_pair_makes_the_scheme_known_before_a_port_of_it_is_opened():
    program = (
        "import serial; from linkbudget import LinkPair; pair = LinkPair(name='bench');"
        " print(serial.serial_for_url('rig://bench/module', 115200).port)"
    )
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert (ran.stdout, ran.stderr) == ("rig://bench/module\n", "")


@pytest.mark.parametrize(
    ("url", "said"),
    [
        ("rig://nobody/controller", "is no pair that is open"),
        ("rig://nobody/camera", "expected rig://NAME/controller or rig://NAME/module"),
        ("rig://nobody", "expected rig://NAME/controller"),
        ("rig:///module", "expected rig://NAME/controller"),
        ("rig://nobody/module?speed=3", "expected rig://NAME/controller"),
    ],
)
def test_a_url_that_names_no_end_is_refused_in_one_line(pair, url, said):
    with pytest.raises(serial.SerialException, match=said) as caught:
        serial.serial_for_url(url)
    assert "\n" not in str(caught.value)


def test_a_second_opener_is_refused(pair):
    assert pair.module.is_open
    with pytest.raises(serial.SerialException, match="open already"):
        serial.serial_for_url(pair.url("module"))
    pair.module.close()
    with serial.serial_for_url(pair.url("module"), 115200) as again:
        assert again.is_open


def test_a_port_vanishes_and_comes_back(pair):
    module, controller = pair.module, pair.controller
    module.write(b"abc")
    pair.unplug("controller")
    for call in (
        controller.read,
        lambda: controller.in_waiting,
        lambda: controller.write(b"x"),
        controller.flush,
    ):
        with pytest.raises(serial.SerialException, match="is gone"):
            call()
    controller.close()
    with pytest.raises(serial.SerialException, match="is unplugged"):
        serial.serial_for_url(pair.url("controller"), 115200)
    pair.plug("controller")
    assert pair.controller.is_open


def test_a_port_that_vanishes_ends_a_read_that_waits():
    with LinkPair(clock=RealClock()) as pair:
        controller = pair.controller
        told: list[str] = []

        def wait_for_bytes() -> None:
            try:
                controller.read(1)
            except serial.SerialException as error:
                told.append(str(error))

        reader = threading.Thread(target=wait_for_bytes)
        reader.start()
        pair.unplug("controller")
        reader.join(5)
        assert told
        assert "is gone" in told[0]


def test_reading_and_writing_a_closed_port_raise(pair):
    module = pair.module
    module.close()
    for call in (module.read, lambda: module.write(b"x"), lambda: module.in_waiting):
        with pytest.raises(serial.SerialException, match="not open"):
            call()


def test_a_write_blocks_until_the_last_bytes_fit(pair):
    """4096 bytes of transmit buffer: the rest has to leave at 86.8 µs a character first."""
    pair.module.write(bytes(5096))
    left = pair.clock.now_ns()
    assert left == pytest.approx(1000 * 1e10 / 115200, abs=2e5)
    assert pair.module.out_waiting == pytest.approx(4096, abs=1)
    pair.module.flush()
    assert pair.clock.now_ns() == pytest.approx(5096 * 1e10 / 115200, abs=10)


def test_a_write_timeout_says_so(pair):
    pair.module.write_timeout = 0.01
    with pytest.raises(serial.SerialTimeoutException):
        pair.module.write(bytes(9000))


def test_timeouts_are_kept_to_the_nanosecond(pair):
    pair.controller.timeout = 0.25
    assert pair.controller.read(3) == b""
    assert pair.clock.now_ns() == 250_000_000
    pair.module.write(b"abcd")
    pair.controller.inter_byte_timeout = 0.001
    assert pair.controller.read(10) == b"abcd"
    assert pair.clock.now_ns() == 250_000_000 + round(4e10 / 115200) + 1_000_000


def test_a_read_is_cancelled_from_another_thread():
    with LinkPair(clock=RealClock()) as pair:
        controller = pair.controller
        found: list[bytes] = []
        reader = threading.Thread(target=lambda: found.append(controller.read(10)))
        reader.start()
        while not found:
            controller.cancel_read()
            reader.join(0.01)
        assert found == [b""]


def test_a_module_restarts_when_its_controller_opens_the_port():
    with LinkPair(boot=Boot(b"bench camera, ready\r\n", delay_us=2000)) as pair:
        controller = pair.controller
        controller.timeout = 1
        assert controller.read(21) == b"bench camera, ready\r\n"
        assert pair.clock.now_ns() == 2_000_000 + round(21e10 / 115200)
        controller.close()
        assert pair.controller.read(5) == b"bench"


def test_what_a_bridge_holds_back_comes_with_its_timer():
    with LinkPair(bridge={"controller": find_bridge("full-speed")}) as pair:
        pair.module.write(b"short")
        pair.controller.timeout = 1
        assert pair.controller.read(5) == b"short"
        assert pair.clock.now_ns() == 16_000_000


def test_a_port_opened_with_other_settings_is_told(pair):
    with pytest.warns(LinkBudgetWarning, match="9600 8N1, but the line runs at 115200 8N1"):
        serial.serial_for_url(pair.url("module"), 9600)


def test_waiting_for_nothing_for_ever_is_told_instead_of_hanging():
    with LinkPair() as pair, pytest.raises(DeadlockError, match="nothing is on its way"):
        pair.controller.read(1)


def test_two_threads_on_a_virtual_clock_give_the_same_each_time():
    def talk() -> list[int]:
        times: list[int] = []
        with LinkPair("9600 8N1", clock=VirtualClock(patience_s=1.0)) as pair:
            module, controller = pair.module, pair.controller
            controller.timeout = module.timeout = 1

            def answer() -> None:
                for _ in range(20):
                    asked = module.read(3)
                    pair.clock.sleep_ns(2_000_000)
                    module.write(asked + b"!")

            other = threading.Thread(target=answer)
            other.start()
            for number in range(20):
                controller.write(f"{number:03}".encode())
                assert controller.read(4) == f"{number:03}!".encode()
                times.append(pair.clock.now_ns())
            other.join(5)
        return times

    first = talk()
    # Three characters, the pause, four characters, each exactly.
    assert first[0] == pytest.approx(7e10 / 9600 + 2e6, abs=2)
    assert talk() == first


def test_the_time_of_a_program_follows_the_clock(pair):
    with patched_time(pair.clock):
        began = (time.monotonic(), time.time(), time.perf_counter())
        time.sleep(3600)
        took = [
            after - before
            for before, after in zip(began, (time.monotonic(), time.time(), time.perf_counter()), strict=True)
        ]
    assert took == pytest.approx([3600] * 3)
    assert pair.clock.now_ns() == 3600 * 10**9


def test_on_the_real_clock_bytes_take_their_time():
    with LinkPair("9600 8N1", clock=RealClock()) as pair:
        controller, began = pair.controller, time.monotonic()
        controller.timeout = 5
        pair.module.write(bytes(40))
        assert len(controller.read(40)) == 40
        assert time.monotonic() - began >= 40 * 10 / 9600


def test_names_and_ends_are_checked():
    with LinkPair(name="sorter") as pair:
        with pytest.raises(SettingsError, match="a name that no other open pair has"):
            LinkPair(name="sorter")
        with pytest.raises(SettingsError, match="module"):
            pair.url("modul")
    with LinkPair(name="sorter"), pytest.raises(SettingsError, match="names no end"):
        LinkPair(holding={"camera": Holding(4)})


def test_a_program_that_only_asks_comes_to_its_bytes(pair):
    """Polling without a pause would stop a clock that moves only when somebody waits."""
    controller = pair.controller
    controller.timeout = 0
    pair.module.write(b"beans\n")
    found = b""
    while not found.endswith(b"\n"):
        found += controller.read(10)
    assert found == b"beans\n"
    with patched_time(pair.clock):
        end = time.monotonic() + 0.5
        while time.monotonic() < end:
            pass
    assert pair.clock.now_ns() >= 500_000_000


def test_what_came_while_nobody_had_the_port_open_is_not_read(pair):
    pair.controller.close()
    pair.module.write(b"garbage")
    pair.clock.sleep_ns(10**7)
    controller = pair.controller
    pair.module.write(b"new")
    assert controller.read(3) == b"new"
    assert pair.counts("controller")["flushed"] == 7


def test_what_an_unplugged_end_had_not_sent_is_never_sent(pair):
    pair.module.write(bytes(100))
    pair.clock.sleep_ns(10 * 86_806)
    pair.unplug("module")
    pair.controller.timeout = 1
    assert len(pair.controller.read(100)) == 11


def test_a_flush_after_a_cancelled_write_waits_all_the_same(pair):
    pair.module.write(bytes(100))
    pair.module.cancel_write()
    pair.module.flush()
    assert pair.clock.now_ns() == pytest.approx(100e10 / 115200, abs=1)


def test_a_long_read_waits_once_and_loses_nothing_to_a_small_buffer():
    with LinkPair(holding=Holding(16)) as pair:
        pair.controller.timeout = 1
        pair.module.write(bytes(3000))
        assert len(pair.controller.read(3000)) == 3000
        assert pair.clock.now_ns() == round(3000e10 / 115200)
        pair.module.write(bytes(30))
        pair.controller.timeout = 0.001
        # Eleven characters in a millisecond: a read that is given up hands over what has come.
        assert len(pair.controller.read(30)) == 11


def test_what_fitted_until_a_write_timeout_is_sent(pair):
    pair.module.write_timeout = 0.01
    with pytest.raises(serial.SerialTimeoutException):
        pair.module.write(bytes(9000))
    pair.module.flush()
    # The buffer's 4096, those that left it within 10 ms, and the one that is being sent.
    assert pair.counts("controller")["sent"] == 4096 + 116


def test_the_same_warning_is_given_once(pair):
    with pytest.warns(LinkBudgetWarning):
        port = serial.serial_for_url(pair.url("module"), 9600)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        port.timeout = 1


def test_threads_that_are_gone_hold_nobody_up():
    with LinkPair(clock=VirtualClock(patience_s=100)) as pair:
        other = threading.Thread(target=pair.clock.now_ns)
        other.start()
        other.join()
        pair.clock.sleep_ns(10**9)
        assert pair.clock.now_ns() == 10**9


@pytest.mark.parametrize(
    ("call", "path"),
    [
        (lambda: LinkPair(name="a/b"), "name"),
        (lambda: LinkPair(to_controller=0.1), "to_controller"),
        (lambda: LinkPair(boot="ready"), "boot"),
        (lambda: Boot("ready"), "text"),
        (lambda: Boot(b"ready", -1), "delay_us"),
    ],
)
def test_impossible_pairs_are_named(call, path):
    with pytest.raises(SettingsError, match=path):
        call()


def test_a_port_that_was_unplugged_stays_gone_until_it_is_opened_again(pair):
    old = pair.controller
    pair.unplug("controller")
    pair.plug("controller")
    with pytest.raises(serial.SerialException, match="is gone"):
        old.read(1)
    pair.module.write(b"x")
    assert pair.controller.read(1) == b"x"
    old.close()
    assert pair.controller.is_open


def test_a_long_read_behind_a_bridge_loses_nothing():
    """Packets of 62 do not divide the buffer: waiting until it is full would lose some of the last."""
    bridge, holding = {"controller": find_bridge("full-speed")}, Holding(200)
    with LinkPair("921600 8N1", bridge=bridge, holding=holding) as pair:
        pair.controller.timeout = 1
        pair.module.write(bytes(3000))
        assert len(pair.controller.read(3000)) == 3000
