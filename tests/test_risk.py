"""What damage lets through: by hand, by trying every flip, and by simulation."""

from __future__ import annotations

import random
from fractions import Fraction

import pytest
from recordings import LINE

from linkbudget import (
    Codec,
    CrcAlgorithm,
    Deframer,
    Frame,
    FrameError,
    FrameFormat,
    Integer,
    MessageLayout,
    undetected_probability,
)
from linkbudget.study.risk import (
    Flips,
    PayloadReader,
    bytes_lost,
    damage_probability,
    flip_bits,
    flips_past_order,
    flips_per_frame,
    needs_trial,
    without_check,
    yearly_risk,
)
from linkbudget.units import YEAR_S

DIGIT = MessageLayout("beans", (Integer("x", 0, 9),))
WIDE = MessageLayout("beans", (Integer("x", 0, 255), Integer("y", 0, 255)))


def reader_of(fmt, layout=DIGIT, encoding="delimited"):
    return PayloadReader(Codec(fmt, [(layout, encoding)]))


def test_year_is_the_julian_one():
    assert YEAR_S == 31_557_600


@pytest.mark.parametrize("bits", [1, 10, 120, 5000])
@pytest.mark.parametrize("p", [1e-9, 1e-6, 1e-3, 0.5])
def test_probability_of_damage_is_exact(bits, p):
    exact = 1 - (1 - Fraction(p)) ** bits
    assert damage_probability(bits, p) == pytest.approx(float(exact), rel=1e-12)


def test_line_that_flips_every_bit_damages_every_frame():
    assert damage_probability(10, 1) == 1
    assert damage_probability(10, 0) == 0


def test_flips_in_a_line_of_text_by_hand():
    """``5`` and a line end, sixteen flips.

    35 hex becomes 34 37 31 (4, 7, 1: accepted), 3d 25 15 75 b5 (no number); a line end that was hit joins the
    line with the next, which is delivered and is no message.
    """
    fmt = FrameFormat("newline", None, 8)
    assert flip_bits(fmt, b"5", b"5", reader_of(fmt)) == Flips(16, 16, 3)


def test_joined_lines_that_are_too_long_are_not_delivered():
    fmt = FrameFormat("newline", None, 1)
    assert flip_bits(fmt, b"5", b"5", reader_of(fmt)) == Flips(16, 8, 3)


def test_check_catches_every_single_flip_of_a_line():
    fmt = FrameFormat("newline", "CRC-16/IBM-3740", 8, check_form="hex")
    assert flip_bits(fmt, b"5", b"5", reader_of(fmt)) == Flips(8 * 6, 0, 0)


def test_flip_that_leaves_the_value_alone_is_undetected_and_not_misread():
    """A flip in a key that nobody reads, or in its value, is delivered and changes nothing."""
    fmt = FrameFormat("newline", None, 40)
    read = reader_of(fmt, DIGIT, "json-object")
    payload = b'{"x":5,"q":0}'
    ignored = sum(
        read(payload[:at] + bytes([payload[at] ^ 1 << bit]) + payload[at + 1 :]) == read(payload)
        for at in range(len(payload))
        for bit in range(8)
        if payload[at] ^ 1 << bit != 0x0A
    )
    found = flip_bits(fmt, payload, payload, read)
    assert ignored > 5
    # 5 becomes 4, 7 or 1; no other flip makes another value of x.
    assert found.misread == 3
    assert found.undetected >= ignored + 3


def test_seven_data_bits_leave_the_top_bit_out():
    fmt = FrameFormat("newline", None, 8)
    assert flip_bits(fmt, b"5", b"5", reader_of(fmt), bytesize=7).tried == 14


def test_flips_of_binary_frames_agree_with_the_deframer():
    fmt = FrameFormat("cobs", None, 8)
    read = reader_of(fmt, WIDE, "packed-bytes")
    payload, behind = b"\x03\x80", b"\x41\x42"
    frame, tail = fmt.encode(payload), fmt.encode(behind)
    undetected = misread = 0
    for bit in range(8 * len(frame)):
        damaged = bytearray(frame)
        damaged[bit // 8] ^= 1 << bit % 8
        deframer = Deframer(fmt)
        events = deframer.feed(bytes(damaged) + tail) + deframer.close()
        strange = [e.payload for e in events if isinstance(e, Frame) and e.payload not in (payload, behind)]
        undetected += bool(strange)
        misread += any(len(one) == 2 for one in strange)
    assert flip_bits(fmt, payload, behind, read) == Flips(8 * len(frame), undetected, misread)
    assert 0 < misread < undetected


def test_several_frames_add_up():
    fmt = FrameFormat("newline", None, 8)
    assert flips_per_frame(fmt, [b"5", b"5"], reader_of(fmt)) == Flips(32, 32, 6)
    assert flips_per_frame(fmt, [], reader_of(fmt)) == Flips()
    assert Flips().undetected_share == Flips().misread_share == Flips().believed_share == 0


def test_yearly_figures_with_a_check_are_damage_times_two_to_the_minus_r():
    fmt = FrameFormat("cobs", "CRC-8/AUTOSAR", 8)
    risk = yearly_risk(fmt, Flips(100, 80, 60), Fraction(10), Fraction(30), LINE, 1e-6)
    damaged = 30 * 31_557_600 * float(1 - (1 - Fraction(1, 10**6)) ** 100)
    assert risk.undetected_per_year == pytest.approx(damaged / 256)
    assert risk.misread_per_year == pytest.approx(damaged / 256 * 0.75)


def test_yearly_figures_without_a_check_are_those_tried_out():
    fmt = FrameFormat("cobs", None, 8)
    risk = yearly_risk(fmt, Flips(100, 80, 60), Fraction(10), Fraction(30), LINE, 1e-6)
    damaged = 30 * 31_557_600 * float(1 - (1 - Fraction(1, 10**6)) ** 100)
    assert risk.undetected_per_year == pytest.approx(damaged * 0.8)
    assert risk.misread_per_year == pytest.approx(damaged * 0.6)


def test_parity_bit_and_two_stop_bits_are_bits_that_can_be_flipped():
    fmt = FrameFormat("cobs", "CRC-8/AUTOSAR", 8)
    flips = Flips(100, 80, 60)
    plain = yearly_risk(fmt, flips, Fraction(10), Fraction(30), LINE, 1e-9)
    longer = yearly_risk(fmt, flips, Fraction(10), Fraction(30), type(LINE)(115200, 8, "E", 2), 1e-9)
    assert longer.undetected_per_year == pytest.approx(1.2 * plain.undetected_per_year, rel=1e-6)


@pytest.mark.parametrize(("size", "times"), [(18, 1.0), (20, 2.7768), (64, 52.43), (130, 97.995)])
def test_in_frames_longer_than_the_order_pairs_of_flips_pass(size, times):
    """CRC-16/DNP has the order 151: from 152 bits on, pairs that far apart pass."""
    fmt = FrameFormat("cobs", "CRC-16/DNP", 200)
    risk = yearly_risk(fmt, Flips(1, 1, 1), Fraction(size), Fraction(30), LINE, 1e-3)
    model = 30 * 31_557_600 * float(1 - (1 - Fraction(1, 1000)) ** (10 * size)) / 2**16
    assert risk.undetected_per_year == pytest.approx(times * model, rel=1e-4)
    assert risk.misread_per_year == risk.undetected_per_year
    if times > 1:
        exact = undetected_probability(16, 0x3D65, 8 * size - 16, 1e-3)
        assert risk.undetected_per_year == pytest.approx(30 * 31_557_600 * exact)


@pytest.mark.parametrize("crc", ["CRC-8/AUTOSAR", "CRC-16/IBM-3740", "CRC-16/IBM-SDLC", "CRC-16/MODBUS"])
@pytest.mark.parametrize("size", [4, 12, 16, 64, 250])
@pytest.mark.parametrize("rate", [1e-9, 1e-6, 1e-4, 1e-3])
def test_the_exact_figure_of_flips_stays_below_the_model_for_the_usual_checks(crc, size, rate):
    fmt = FrameFormat("cobs", crc, 300)
    exact = undetected_probability(fmt.check.width, fmt.check.poly, 8 * size, rate)
    bits = (size + fmt.check.check_bytes) * 10
    assert exact < damage_probability(bits, rate) * 2.0**-fmt.check.width


@pytest.mark.parametrize(
    "crc",
    [None, "sum8", "CRC-32/ISO-HDLC", CrcAlgorithm("own", 16, 0x1020, 1), "CRC-16/DNP"],
)
def test_nothing_is_added_where_no_pair_passes_or_none_is_known(crc):
    assert flips_past_order(FrameFormat("cobs", crc, 300), Fraction(18), 1e-3) == 0


def test_random_bodies_pass_eight_bits_once_in_256():
    """What 2^-r stands for: bodies that have nothing to do with what was sent."""
    fmt = FrameFormat("cobs", "CRC-8/AUTOSAR", 20)
    source = random.Random(2)
    passed = sum(passes(fmt, source.randbytes(12)) for _ in range(40_000))
    assert passed == pytest.approx(40_000 / 256, rel=0.25)


def passes(fmt, body):
    try:
        fmt.envelope.open(body)
    except FrameError:
        return False
    return True


def test_flips_alone_stay_below_the_model():
    """Frames with one to three flips, COBS and CRC-8: fewer than one damaged frame in 256 passes."""
    fmt = FrameFormat("cobs", "CRC-8/AUTOSAR", 8)
    source = random.Random(4)
    undetected = 0
    for _ in range(6000):
        payload = source.randbytes(6)
        damaged = bytearray(fmt.encode(payload))
        for _ in range(source.choice((1, 2, 3))):
            damaged[source.randrange(len(damaged))] ^= 1 << source.randrange(8)
        events = Deframer(fmt).feed(bytes(damaged) + b"\0")
        undetected += any(isinstance(event, Frame) and event.payload != payload for event in events)
    assert undetected <= 6000 / 256


@pytest.mark.parametrize(
    ("crc", "zero"),
    [
        # Joined frames pass the first four every time, the others never (computed with independent
        # bit-by-bit CRCs over random payloads: 4000 of 4000, and 0 of 4000).
        ("CRC-8/SMBUS", True),
        ("CRC-16/XMODEM", True),
        ("CRC-16/KERMIT", True),
        ("CRC-16/ARC", True),
        ("CRC-8/AUTOSAR", False),
        ("CRC-16/IBM-3740", False),
        ("CRC-16/IBM-SDLC", False),
        ("CRC-32/ISO-HDLC", False),
        (None, False),
    ],
)
def test_frames_that_run_together_are_added_to_the_model(crc, zero):
    fmt = FrameFormat("cobs", crc, 60)
    assert needs_trial(fmt) is zero
    if crc is None:
        return
    read = reader_of(fmt, WIDE, "packed-bytes")
    found = flips_per_frame(fmt, [b"\x11\x22", b"\x33\x44"], read)
    assert (found.undetected > 0) is zero
    risk = yearly_risk(fmt, Flips(1, 1, 1), Fraction(6), Fraction(30), LINE, 1e-6, checked=found)
    model = yearly_risk(fmt, Flips(1, 1, 1), Fraction(6), Fraction(30), LINE, 1e-6)
    assert (risk.undetected_per_year > 5 * model.undetected_per_year) is zero


def test_a_check_of_ones_own_that_joined_frames_pass_needs_a_trial_wherever_it_starts():
    """No table names it: the register that a good frame leaves is the start value again two zeros later.

    Two zeros stand between COBS frames whose delimiter 00 became 01.
    """
    xorout = 0x5A
    left = CrcAlgorithm("own", 16, 0x8BB7, xorout=xorout).residues.register
    start = CrcAlgorithm("own", 16, 0x8BB7, init=left).compute(b"\0\0")
    fmt = FrameFormat("cobs", CrcAlgorithm("own", 16, 0x8BB7, init=start, xorout=xorout), 60)
    assert start
    assert needs_trial(fmt)
    checked = flips_per_frame(fmt, [b"\x11\x22", b"\x33\x44"], reader_of(fmt, WIDE, "packed-bytes"))
    assert checked.undetected
    bare, size, rate = Flips(1, 1, 1), Fraction(6), Fraction(30)
    model = yearly_risk(fmt, bare, size, rate, LINE, 1e-6)
    assert (
        yearly_risk(fmt, bare, size, rate, LINE, 1e-6, checked=checked).undetected_per_year
        > 100 * model.undetected_per_year
    )


@pytest.mark.parametrize(
    ("crc", "zero"), [("CRC-16/XMODEM", True), ("sum8", True), ("CRC-16/IBM-3740", False)]
)
def test_frames_of_zeros_need_a_trial_without_a_delimiter_as_well(crc, zero):
    assert needs_trial(FrameFormat("counted", crc, 8, sync=b"\xa5")) is zero


def test_check_is_taken_off_a_counted_format_whose_length_counts_it():
    fmt = FrameFormat("counted", "CRC-8/AUTOSAR", 8, length_counts="payload-and-check")
    bare = without_check(fmt)
    assert (bare.check, bare.length_counts) == (None, "payload")
    assert without_check(bare) is bare


PAYLOADS = [b"\x11\x22\x33\x44", b"\x55\x66\x77\x08", b"\x09\x0b\x0c\x0d", b"\x1e\x2e\x3e\x4e"]


def lost_bytes(fmt, at, value):
    """Bytes of sent frames that are not delivered when one byte of the second frame is damaged."""
    frames = [fmt.encode(payload) for payload in PAYLOADS]
    stream = bytearray(b"".join(frames))
    stream[len(frames[0]) + at] = value
    deframer = Deframer(fmt)
    events = deframer.feed(bytes(stream)) + deframer.close()
    delivered = [event.payload for event in events if isinstance(event, Frame)]
    return sum(
        len(frame) for frame, payload in zip(frames, PAYLOADS, strict=True) if payload not in delivered
    )


@pytest.mark.parametrize("crc", [None, "CRC-16/IBM-3740"])
@pytest.mark.parametrize(
    ("delimiting", "more", "frames"),
    [
        ("cobs", {}, 2),
        ("cobs", {"leading_delimiter": True}, 1),
        ("slip", {}, 2),
        ("hdlc", {}, 1),
        ("hdlc", {"leading_delimiter": False}, 2),
        ("newline", {}, 2),
    ],
)
def test_bytes_lost_after_any_damaged_byte_of_a_frame_with_a_delimiter(delimiting, more, frames, crc):
    form = {"check_form": "hex"} if delimiting == "newline" and crc else {}
    fmt = FrameFormat(delimiting, crc, 4, **more, **form)
    encoded = [fmt.encode(payload) for payload in PAYLOADS]
    longest = max(map(len, encoded))
    stated, exact = bytes_lost(fmt, longest)
    assert exact
    assert stated == frames * longest
    tried = [
        lost_bytes(fmt, at, value)
        for at in range(len(encoded[1]))
        for value in range(256)
        if value != encoded[1][at]
    ]
    # These frames need not be the longest: what is lost is the second, and at most the third with it.
    assert max(tried) == sum(map(len, encoded[1 : 1 + frames])) <= stated


@pytest.mark.parametrize(("crc", "frames"), [(None, 2), ("CRC-16/IBM-3740", 1)])
def test_bytes_lost_of_a_counted_frame_stay_below_what_is_stated(crc, frames):
    fmt = FrameFormat("counted", crc, 4, sync=b"\xa5")
    size = len(fmt.encode(PAYLOADS[1]))
    stated, exact = bytes_lost(fmt, size)
    assert not exact
    assert stated == frames * size
    tried = [lost_bytes(fmt, at, value) for at in range(size) for value in range(256)]
    assert size <= max(tried) <= stated
