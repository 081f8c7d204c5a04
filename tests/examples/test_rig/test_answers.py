"""A receiver tested against a module that is not there: in time, with faults, unplugged."""

import importlib.util
import threading
from pathlib import Path

import pytest
import serial

from linkbudget import Faults

_spec = importlib.util.spec_from_file_location("bench_receiver", Path(__file__).with_name("receiver.py"))
receiver = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(receiver)


@pytest.fixture
def module(link_pair):
    """A module that answers each question after 2 ms, until its port is closed."""
    port = link_pair.module
    port.timeout = 1

    def answer():
        while port.read(1) == b"?":
            link_pair.clock.sleep_ns(2_000_000)
            port.write(b"7\n")

    thread = threading.Thread(target=answer)
    thread.start()
    yield port
    thread.join(30)


@pytest.mark.linkbudget("9600 8N1")
def test_an_answer_takes_two_ms_and_three_characters(link_port, module, link_deadline):
    with link_deadline(2_000 + 3 * 10_000_000 / 9600 + 1, "answer"):
        assert receiver.ask(link_port) == 7


@pytest.mark.linkbudget("9600 8N1", to_controller=Faults(drop_rate=0.2, seed=3))
def test_lost_bytes_are_asked_for_again(link_port, module, link_pair):
    assert [receiver.ask(link_port, attempts=20) for _ in range(10)] == [7] * 10
    assert link_pair.counts("controller")["dropped"] > 0


def test_silence_is_given_up_after_three_attempts(link_port, link_pair):
    with pytest.raises(receiver.NoAnswer):
        receiver.ask(link_port)
    assert link_pair.clock.now_ns() == 3 * 50_000_000


def test_a_pulled_cable_is_told(link_port, link_pair):
    link_pair.unplug("controller")
    with pytest.raises(serial.SerialException, match="is gone"):
        receiver.ask(link_port)
