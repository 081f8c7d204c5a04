"""Every fault at every place of a character, in every format, by the plain form and by the kernel.

Both are held against ``tick_sampler.py``, which looks at a line drawn tick by tick.
"""

from __future__ import annotations

import itertools
from fractions import Fraction

import numpy as np
import pytest
from tick_sampler import BIT, BREAK, FRAMING, PARITY, drawn, right_parity, sampled

from linkbudget import Edges, UartLine
from linkbudget._jit import load_numba
from linkbudget.traffic.characters import Task, plain_characters
from linkbudget.traffic.compiled import fast_characters

FORMATS = list(itertools.product((5, 6, 7, 8, 9), "NEOMS", (1, 1.5, 2)))
TICK_S = Fraction(1, 10**6)
FORMS = [plain_characters]
if load_numba() is not None:
    FORMS.append(fast_characters)
every_format = pytest.mark.parametrize(("bits", "parity", "stops"), FORMATS)


def read(line: str, bits: int, parity: str, stops: float, inverted: bool = False):
    """What each form makes of a line; they must agree."""
    levels = np.frombuffer(line.encode(), dtype=np.uint8) - ord("0")
    times = np.flatnonzero(np.diff(levels)) + 1
    initial = int(levels[0]) ^ inverted
    uart = UartLine(Fraction(1, BIT) / TICK_S, bits, parity, stops)
    edges = Edges(times, initial, levels[times] ^ np.uint8(inverted), TICK_S, 0, len(line) - 1)
    task = Task(edges, uart, TICK_S, inverted, len(line) - 1)
    results = []
    for form in FORMS:
        found = form(task)
        assert found is not None
        starts = (found.starts_ns // 1000).tolist()
        assert found.starts_ns.tolist() == [1000 * start for start in starts]
        length = int(uart.bits_per_character * BIT * 1000)
        assert (found.ends_ns - found.starts_ns).tolist() == [length] * len(starts)
        results.append((list(zip(starts, found.data.tolist(), found.flags.tolist(), strict=True)), found.cut))
    assert all(result == results[0] for result in results)
    return results[0]


def values_of(bits: int) -> list[int]:
    return [0, (1 << bits) - 1, 0x155 & (1 << bits) - 1]


def flipped(line: str, begin: int, length: int) -> str:
    return line[:begin] + line[begin : begin + length].translate({48: "1", 49: "0"}) + line[begin + length :]


@every_format
def test_stretches_of_any_length_flipped_at_any_tick(bits, parity, stops):
    """Glitches, lost and bent bits, short start bits, missing stop bits, with characters right behind."""
    behind = drawn(0x0B, bits, parity, stops) * 2 + "1" * 14 * BIT
    cases = []
    for value in values_of(bits):
        good = drawn(value, bits, parity, stops)
        for length in (1, BIT // 2 - 1, BIT // 2, BIT // 2 + 1, BIT, 2 * BIT + 3):
            cases += [flipped(good + behind, at, length) for at in range(len(good))]
    line = "1" * 4 * BIT + "".join(cases)
    expected = sampled(line, bits, parity, stops)
    assert {flags for _, _, flags in expected[0]} >= {0, FRAMING, BREAK}
    for inverted in (False, True):
        assert read(line, bits, parity, stops, inverted) == expected


@every_format
def test_a_break_of_every_length(bits, parity, stops):
    """From one tick to three characters, between characters that stand right before and behind it."""
    one = drawn(0x0B, bits, parity, stops)
    lengths = range(1, 3 * len(one))
    for rest in (0, 1, BIT // 2, BIT):  # idle ticks between the break and the character behind it
        line = "1" * BIT + "".join(
            one + "0" * length + "1" * rest + one + "1" * 2 * len(one) for length in lengths
        )
        assert read(line, bits, parity, stops) == sampled(line, bits, parity, stops)


@every_format
def test_a_flipped_bit_is_another_value_or_a_parity_error(bits, parity, stops):
    for value, at in itertools.product(values_of(bits), range(bits)):
        line = "1" * BIT + flipped(drawn(value, bits, parity, stops), (1 + at) * BIT, BIT) + "1" * BIT
        found, _ = read(line, bits, parity, stops)
        assert found == [(BIT, value ^ 1 << at, PARITY if parity in "EO" else 0)]


@every_format
def test_a_flipped_parity_bit_is_a_parity_error(bits, parity, stops):
    for value in values_of(bits) if parity != "N" else []:
        line = "1" * BIT + flipped(drawn(value, bits, parity, stops), (1 + bits) * BIT, BIT) + "1" * BIT
        assert read(line, bits, parity, stops)[0] == [(BIT, value, PARITY)]


@every_format
def test_a_low_stop_bit_is_a_framing_error_or_a_break(bits, parity, stops):
    width = bits + (parity != "N")
    for value in values_of(bits):
        line = "1" * BIT + flipped(drawn(value, bits, parity, stops), (1 + width) * BIT, BIT) + "1" * 14 * BIT
        low = value == 0 and (parity == "N" or not right_parity(0, parity))
        assert read(line, bits, parity, stops)[0] == [(BIT, value, BREAK if low else FRAMING)]


@every_format
def test_a_start_bit_of_every_length_with_a_character_right_behind(bits, parity, stops):
    one = drawn(0x0B, bits, parity, stops)
    for length, rest in itertools.product(range(1, BIT + 1), range(1, BIT)):
        line = "1" * BIT + "0" * length + "1" * rest + one + "1" * 14 * BIT
        found, cut = read(line, bits, parity, stops)
        assert (found, cut) == sampled(line, bits, parity, stops)
        if length <= BIT // 2 < length + rest:
            assert found == [(BIT + length + rest, 0x0B, 0)]


@pytest.mark.parametrize(("bits", "parity", "stops"), [form for form in FORMATS if form[1] in "NO"])
def test_a_recording_that_ends_at_any_tick(bits, parity, stops):
    value = 0 if parity == "N" else 0x155 & (1 << bits) - 1
    line = "1" * BIT + drawn(value, bits, parity, stops) + "0" * (3 + bits) * BIT
    for size in range(1, len(line)):
        assert read(line[:size], bits, parity, stops) == sampled(line[:size], bits, parity, stops)


def test_the_second_sampler_knows_the_characters_it_drew():
    line = "1" * BIT + "".join(drawn(value, 7, "E", 2) for value in (0x41, 0, 0x7F))
    assert [value for _, value, flags in sampled(line, 7, "E", 2)[0] if not flags] == [0x41, 0, 0x7F]
