"""USB-serial bridges: what a packet takes along, and how long characters wait."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from linkbudget import ByteCapture, SettingsError, UartLine, UsbBridge, behind_bridge, load_bytes
from linkbudget.capture.files import captures_dir
from linkbudget.traffic.bridged import packets_of
from linkbudget.wire.usb_bridge import BRIDGES, find_bridge

LINE = UartLine(115200)
SMALL = UsbBridge("small", packet_bytes=4, timer_us=1000)


def capture_of(times, line=LINE) -> ByteCapture:
    count = len(times)
    return ByteCapture(
        np.array(times, np.int64), np.arange(count, dtype=np.uint16) % 256, np.zeros(count, np.uint8), line
    )


def one_by_one(times, size, period, phase):
    """Character by character: when each one leaves. The plain statement of the rules."""
    sent, held = [], []
    ends = phase - period * ((phase - times[0]) // period + 2) if times else phase
    for time in times:
        while ends + period < time:
            ends += period
            sent += [ends] * len(held)
            held = []
        held.append(time)
        if len(held) == size:
            sent += [time] * size
            held, ends = [], time
    if held:
        sent += [ends + period] * len(held)
    return sent


gaps = st.lists(
    st.one_of(st.just(86_806), st.integers(0, 3_000_000), st.sampled_from([0, 1_000_000, 999_999])),
    max_size=40,
)


@settings(max_examples=300)
@given(gaps=gaps, size=st.integers(1, 9), phase=st.integers(-5_000_000, 50_000_000))
@example(gaps=[0, 0, 0, 0, 0, 0], size=4, phase=0)
@example(gaps=[1_000_000, 1_000_000], size=4, phase=0)
def test_packets_against_the_rules_told_one_by_one(gaps, size, phase):
    times = np.cumsum(gaps).tolist()
    bridge = UsbBridge("drawn", packet_bytes=size, timer_us=1000)
    found = behind_bridge(capture_of(times), bridge, phase)
    assert found.times_ns.tolist() == one_by_one(times, size, 1_000_000, phase)
    packets = list(packets_of(capture_of(times), bridge, phase))
    assert [first for _, first, _ in packets] == [0, *[behind for *_, behind in packets]][: len(packets)]
    assert all(0 < behind - first <= size for _, first, behind in packets)


@settings(max_examples=100)
@given(
    n_bytes=st.integers(1, 30),
    baudrate=st.sampled_from([9600, 38400, 57600, 115200]),
    size=st.integers(2, 12),
)
def test_the_longest_wait_bounds_every_phase_and_is_reached(n_bytes, baudrate, size):
    line = UartLine(baudrate)
    character = line.character_time * 10**9
    times = [int(character * (k + 1)) for k in range(n_bytes)]
    bridge = UsbBridge("drawn", packet_bytes=size, timer_us=1000)
    # Each character's own instant and the one behind it, as ends of the timer, are the phases that matter.
    phases = sorted({time + step for time in times for step in (-1, 0, 1)})
    waits = [
        int(behind_bridge(capture_of(times, line), bridge, at).times_ns[-1]) - times[-1] for at in phases
    ]
    told = bridge.delay(line, n_bytes)
    longest = float(told.longest * 10**9)
    assert min(waits) >= float(told.shortest * 10**9) == 0
    assert max(waits) <= longest + 1
    if n_bytes <= size or told.fill < Fraction(1, 1000):
        assert max(waits) >= longest - 3
        assert min(waits) <= 3


def test_a_full_speed_bridge_as_its_maker_describes_it():
    # FTDI AN232B-04, verified from text: 62 data bytes a packet, 16 ms, 1 to 255 ms settable.
    bridge = BRIDGES["full-speed"]
    assert (bridge.packet_bytes, bridge.timer_us) == (62, 16_000)
    assert bridge.delay(LINE, 12).longest == Fraction(16, 1000)
    assert bridge.delay(LINE, 12).fill == Fraction(620, 115200)
    assert bridge.delay(LINE, 63).packets == 2
    assert bridge.with_timer(1000).delay(LINE, 12).longest == Fraction(1, 1000)
    for timer in (1000, 255_000):
        assert bridge.with_timer(timer).timer_us == timer
    for timer in (999, 255_001):
        with pytest.raises(SettingsError, match="1000 to 255000 microseconds"):
            bridge.with_timer(timer)


def test_a_loop_that_waits_for_an_answer_turns_with_the_timer():
    """16 ms with the timer at 16 ms, 6 ms with a lower one (public pyserial issue 290, verified from text).

    How much lower, and what else took time, that issue leaves open: here the timer's own share is held.
    """

    def turn_ns(timer_us):
        times, now, bridge = [], 0, BRIDGES["full-speed"].with_timer(timer_us)
        for _ in range(5):  # an answer of three characters, sent as soon as the last one was read
            times += [now + 86_806 * (k + 1) for k in range(3)]
            now = int(behind_bridge(capture_of(times), bridge).times_ns[-1])
        return now / 5

    assert turn_ns(16_000) == 16_000_000
    assert turn_ns(5_000) == 5_000_000


def test_a_recording_behind_a_bridge_keeps_everything_but_its_times():
    wire = load_bytes(captures_dir() / "bean-frames.vcd")
    host = behind_bridge(wire, "full-speed")
    assert np.array_equal(host.data, wire.data)
    assert np.array_equal(host.starts_ns, wire.start_times_ns)
    waits = host.times_ns - wire.times_ns
    assert waits.min() >= 0
    assert waits.max() <= 16_000_000
    assert host.taken["bridge"] == "full-speed, timer 16000 us"


def test_nothing_stays_nothing():
    assert len(behind_bridge(capture_of([]), SMALL)) == 0


def test_what_cannot_be():
    with pytest.raises(SettingsError, match="did you mean 'full-speed'"):
        behind_bridge(capture_of([1]), "fullspeed")
    with pytest.raises(SettingsError, match="did you mean 'high-speed'"):
        find_bridge("highspeed")
    with pytest.raises(SettingsError, match=r"packet_bytes: 0[\s\S]*timer_us: 0"):
        UsbBridge("none", 0, 0)
    with pytest.raises(SettingsError, match=r"timer_us: 500 is not allowed; allowed: 1000 to 255000"):
        UsbBridge("quick", 62, Fraction(500))
    with pytest.raises(SettingsError, match="timer_us: '16 ms'"):
        UsbBridge("text", 62, "16 ms")
    with pytest.raises(SettingsError, match="n_bytes: 0"):
        SMALL.delay(LINE, 0)
    uncertain = load_bytes(captures_dir() / "bean-pty.jsonl", LINE)
    assert uncertain.window_ns is not None
    with pytest.raises(SettingsError, match="within windows only"):
        behind_bridge(uncertain, SMALL)
