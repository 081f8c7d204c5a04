"""One direction of a virtual link: times, faults, bridge, buffer."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkbudget import ByteCapture, SettingsError, UartLine
from linkbudget.rig.faults import Faults
from linkbudget.rig.wire import Holding, Wire
from linkbudget.units import round_half_up
from linkbudget.wire.usb_bridge import UsbBridge, find_bridge

LINES = [UartLine(115200), UartLine(9600, 7, "E", 2), UartLine(921600, 8, "O"), UartLine(300, 5, "N", 1.5)]
FAULTY = {"bit_error_rate": 2e-3, "drop_rate": 0.02, "add_rate": 0.02, "break_rate": 0.01}


def arrivals(wire: Wire) -> list[int]:
    return wire.record().times_ns.tolist()


@pytest.mark.parametrize("line", LINES, ids=str)
def test_characters_end_at_exact_times_rounded_once(line):
    """Each end is rounded once from the exact sum of character times; rounded ones are never added up."""
    wire = Wire(line, keep_record=True)
    for size in (1, 2, 30, 7):
        wire.send(bytes(size), 1000)
    assert arrivals(wire) == [
        round_half_up(1000 + number * line.character_time * 10**9) for number in range(1, 41)
    ]


def test_a_gap_stands_between_characters_and_not_before_the_first():
    wire = Wire(UartLine(115200), Faults(gap_us=10), keep_record=True)
    wire.send(b"abc", 0)
    character = Fraction(10, 115200) * 10**9
    assert arrivals(wire) == [round_half_up(n * character + (n - 1) * 10_000) for n in (1, 2, 3)]


@given(
    chunks=st.lists(st.integers(1, 40), min_size=1, max_size=30),
    seed=st.integers(0, 5),
    parity=st.sampled_from("NEM"),
)
def test_faults_depend_on_what_is_sent_and_not_on_the_chunks(chunks, seed, parity):
    line, faults = UartLine(115200, parity=parity), Faults(**FAULTY, seed=seed)
    data = bytes(range(256)) * 5
    data = data[: sum(chunks)]
    whole, pieces = (Wire(line, faults, keep_record=True) for _ in range(2))
    whole.send(data, 0)
    at = 0
    for size in chunks:
        pieces.send(data[at : at + size], 0)
        at += size
    one, other = whole.record(), pieces.record()
    assert one.data.tolist() == other.data.tolist()
    assert one.flags.tolist() == other.flags.tolist()
    assert one.times_ns.tolist() == other.times_ns.tolist()
    assert vars(whole.counts) == vars(pieces.counts)


@given(
    sends=st.lists(st.tuples(st.binary(min_size=1, max_size=60), st.integers(0, 9_000_000)), max_size=12),
    reads=st.integers(1, 50),
    size=st.integers(1, 60),
    overflow=st.sampled_from(["drop-new", "drop-old"]),
    keep=st.sampled_from([(), ("framing", "parity"), ("framing", "parity", "break")]),
)
def test_every_character_is_accounted_for(sends, reads, size, overflow, keep):
    wire = Wire(UartLine(115200), Faults(**FAULTY), Holding(size, overflow, keep))
    now = read = 0
    for data, pause in sends:
        wire.send(data, now)
        now += pause
        read += len(wire.read(reads, now))
    counts = wire.counts
    came = counts.sent + counts.added + counts.breaks
    gone = counts.dropped + counts.refused + counts.overrun + counts.flushed + counts.read
    assert came == gone + wire.waiting(now) + wire.on_their_way
    assert counts.read == read
    assert counts.high_water <= size


def test_error_rates_are_met():
    """Binomial counts within five standard deviations; the seed is fixed."""
    count = 200_000
    wire = Wire(
        UartLine(115200),
        Faults(bit_error_rate=1e-3, drop_rate=2e-3, add_rate=3e-3, seed=7),
        Holding(count * 2),
    )
    wire.send(bytes(count), 0)
    for found, places, rate in (
        (wire.counts.flipped_bits, count * 10, 1e-3),
        (wire.counts.dropped, count, 2e-3),
        (wire.counts.added, count, 3e-3),
    ):
        assert abs(found - places * rate) < 5 * (places * rate * (1 - rate)) ** 0.5
    # Eight of ten bits of an 8N1 character are data; the other two make framing errors.
    assert wire.counts.changed == pytest.approx(0.8 * wire.counts.flipped_bits, rel=0.05)


@pytest.mark.parametrize(("parity", "odd"), [("E", (1 - 0.9**9) / 2), ("M", 0.05)])
def test_parity_shows_an_odd_number_of_flips(parity, odd):
    """Of nine bits flipped with p = 0.05 an odd number is with (1 - (1 - 2p)^9) / 2; mark parity sees one."""
    line, count = UartLine(115200, parity=parity), 20_000
    wire = Wire(
        line, Faults(bit_error_rate=0.05, seed=2), Holding(count, keep=("framing",)), keep_record=True
    )
    wire.send(bytes(count), 0)
    found = int(np.count_nonzero(wire.record().flags & 2))
    assert abs(found - count * odd) < 5 * (count * odd * (1 - odd)) ** 0.5
    assert wire.counts.parity_errors == found == wire.counts.sent - wire.waiting(10**12)


def test_a_short_message_waits_for_the_timer_of_its_bridge():
    """FTDI AN232B-04: a packet leaves with 62 characters or when the 16 ms timer ends."""
    bridge = find_bridge("full-speed")
    wire = Wire(UartLine(115200), bridge=bridge)
    wire.send(b"ten bytes\n", 0)
    assert wire.due_ns() == 16_000_000
    assert wire.waiting(15_999_999) == 0
    assert wire.waiting(16_000_000) == 10
    wire.send(bytes(200), 16_000_000)
    character = Fraction(10, 115200) * 10**9
    assert wire.due_ns() == 16_000_000 + round_half_up(62 * character)


@given(starts=st.lists(st.integers(0, 60_000_000), min_size=1, max_size=8), size=st.integers(1, 90))
def test_a_bridge_holds_nothing_longer_than_its_delay_says(starts, size):
    line, bridge = UartLine(115200), UsbBridge("bench", 20, 5_000)
    wire = Wire(line, bridge=bridge, holding=Holding(10_000), keep_record=True)
    for start in sorted(starts):
        wire.send(bytes(size), start)
    ends, left, now = arrivals(wire), [], 0
    while (due := wire.due_ns()) is not None:
        assert due >= now
        now = due
        before = wire.counts.read
        wire.read(10_000, now)
        left += [now] * (wire.counts.read - before)
    assert len(left) == len(ends)
    for came, seen in zip(ends, left, strict=True):
        assert 0 <= seen - came <= 5_000_000
    # A packet that is not full leaves only as the timer ends, which began with the packet before it.
    leaves = sorted(set(left))
    sizes = [left.count(at) for at in leaves]
    assert max(sizes) <= 20
    for before, at, count in zip([0, *leaves], leaves, sizes, strict=False):
        assert count == 20 or (at - before) % 5_000_000 == 0


def test_a_full_buffer_loses_the_new_or_the_old():
    for overflow, kept in (("drop-new", b"abcd"), ("drop-old", b"efgh")):
        wire = Wire(UartLine(115200), holding=Holding(4, overflow))
        wire.send(b"abcdefgh", 0)
        assert wire.read(10, 10**9) == kept
        assert wire.counts.overrun == 4


def test_a_recording_arrives_as_it_was_recorded():
    line = UartLine(115200)
    capture = ByteCapture(
        np.array([100_000, 300_000, 900_000]),
        np.array([1, 2, 3], np.uint16),
        np.array([0, 1, 0], np.uint8),
        line,
    )
    wire = Wire(line, keep_record=True)
    wire.play(capture, 5_000_000)
    record = wire.record()
    begin = int(capture.start_times_ns[0])
    assert (record.times_ns - 5_000_000 + begin).tolist() == capture.times_ns.tolist()
    assert record.flags.tolist() == [0, 1, 0]


def test_a_break_is_kept_only_where_breaks_are():
    for keep, found in (((), b"ab"), (("break",), b"a\0b")):
        wire = Wire(UartLine(9600), holding=Holding(keep=keep))
        wire.send(b"a", 0)
        wire.send_break(20_000_000, 0)
        wire.send(b"b", 0)
        character = Fraction(10, 9600) * 10**9
        assert wire.sent_by_ns() == -(-(2 * character + 20_000_000) // 1)
        assert wire.read(9, 10**9) == found


def test_what_has_not_begun_can_be_taken_back():
    wire = Wire(UartLine(9600))
    wire.send(bytes(10), 0)
    assert wire.unsent(0) == 9
    assert wire.unsent(3_200_000) == 6
    assert wire.forget_unsent(3_200_000) == 6
    assert len(wire.read(10, 10**9)) == 4


@pytest.mark.parametrize(
    ("call", "path"),
    [
        (lambda: Faults(drop_rate=1), "drop_rate"),
        (lambda: Faults(drop_rate="often"), "drop_rate"),
        (lambda: Faults(gap_us=-1), "gap_us"),
        (lambda: Faults(seed=-1), "seed"),
        (lambda: Holding(0), "buffer_bytes"),
        (lambda: Holding(overflow="newest"), "overflow"),
        (lambda: Holding(keep=("noise",)), "keep"),
        (lambda: Wire(UartLine(9600, 9)), "bytesize"),
    ],
)
def test_impossible_settings_are_named(call, path):
    with pytest.raises(SettingsError, match=path):
        call()


def test_a_record_holds_what_has_arrived_and_nothing_taken_back():
    wire = Wire(UartLine(9600), keep_record=True)
    wire.send(bytes(10), 0)
    assert len(wire.record(3_200_000)) == 3
    wire.forget_unsent(3_200_000)
    assert len(wire.record()) == 4


@given(gap=st.floats(0, 100, allow_nan=False), size=st.integers(1, 700), taken=st.integers(0, 20))
def test_times_of_a_row_are_the_same_at_once_and_one_by_one(gap, size, taken):
    wire = Wire(UartLine(230400, 7, "E"), Faults(gap_us=gap))
    wire.send(bytes(size), 12_345)
    (row,) = wire._coming
    row.take(min(taken, size))
    assert row.times(0, size).tolist() == [row.time(number) for number in range(len(row))]


def test_a_long_recording_goes_through_a_bridge_in_time_that_grows_with_it():
    count, line = 60_000, UartLine(115200)
    times = np.arange(1, count + 1, dtype=np.int64) * 100_000
    capture = ByteCapture(times, np.zeros(count, np.uint16), np.zeros(count, np.uint8), line)
    wire, packets = Wire(line, bridge=find_bridge("full-speed"), holding=Holding(count)), 0
    wire.play(capture, 0)
    while (due := wire.due_ns()) is not None:
        wire.settle(due)
        packets += 1
    assert packets == -(-count // 62)
    assert wire.waiting(0) == count
