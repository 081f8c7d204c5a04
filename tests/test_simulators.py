"""Lines driven by independent simulators, with faults: read as they were sent, and by pyvcd the same.

The models (``tests/simulators``) are run by Icarus Verilog and by GHDL; a third transmitter and receiver is
the package cocotbext-uart.
"""

from __future__ import annotations

import random

import numpy as np
import pytest
from pyvcd_reader import level_changes
from simulators.run import CHARACTER, LOW, LOW_STOP, WRONG_PARITY, cocotb, ghdl, icarus, settings_of
from uart_waves import parity_bit

from linkbudget import UartLine, estimate_line, load_bytes, load_levels
from linkbudget.traffic.stream import KINDS

FORMATS = [
    (5, "N", 1.5, False),
    (6, "O", 2, False),
    (7, "E", 1, True),
    (7, "M", 2, False),
    (8, "N", 1, False),
    (8, "S", 1, True),
    (8, "E", 1.5, False),
    (9, "O", 1, False),
    (9, "N", 2, True),
]
SIMULATORS = {"icarus": icarus, "ghdl": ghdl}
GAPS = [0, 0, 0, 0, 3, 8, 90]  # eighths of a bit


def drawn(bits: int, parity: str, stops: float, count: int = 300) -> tuple[list, list]:
    """Traffic with about one fault in six, and what a receiver must read: (value, kind)."""
    rng = random.Random(f"{bits}{parity}{stops}")
    kinds = [CHARACTER] * 10 + [LOW_STOP, LOW] + [WRONG_PARITY] * (parity != "N")
    traffic, expected = [(80, CHARACTER, 1)], [(1, "")]
    for _ in range(count):
        what, value = rng.choice(kinds), rng.choice([0, (1 << bits) - 1, rng.randrange(1 << bits)])
        if what == LOW:
            # A glitch, or a break: low until the first stop bit has been sampled, and for long.
            least = 8 * (2 + bits + (parity != "N"))
            value = rng.choice([1, 2, 3, least, least + 8, least + 50, 3 * least])
            traffic += [(8, LOW, value), (8, CHARACTER, 1)]
            expected += [(0, "break")] * (value >= least) + [(1, "")]
            continue
        traffic.append((rng.choice(GAPS), what, value))
        low = value == 0 and parity_bit(value, bits, parity) in ([], [0])
        kind = {WRONG_PARITY: "parity", LOW_STOP: "break" if low else "framing"}.get(what, "")
        expected.append((value, kind))
    return traffic, expected


def found(capture) -> list[tuple[int, str]]:
    return [
        (value, KINDS.get(flag, ""))
        for value, flag in zip(capture.data.tolist(), capture.flags.tolist(), strict=True)
    ]


@pytest.mark.parametrize("simulator", SIMULATORS)
@pytest.mark.parametrize(("bits", "parity", "stops", "inverted"), FORMATS)
def test_what_was_sent_is_read_with_every_fault(tmp_path, simulator, bits, parity, stops, inverted):
    traffic, expected = drawn(bits, parity, stops)
    path = SIMULATORS[simulator](tmp_path, traffic, settings_of(8_680_556, bits, parity, stops, inverted))
    line = UartLine(115200, bits, parity, stops)
    assert found(load_bytes(path, line, invert=inverted)) == expected


@pytest.mark.parametrize("simulator", SIMULATORS)
@pytest.mark.parametrize("error", [-35, -20, 20, 35])
@pytest.mark.parametrize(("bits", "parity", "stops", "inverted"), FORMATS[3:6])
def test_a_clock_that_is_off_changes_nothing(tmp_path, simulator, error, bits, parity, stops, inverted):
    traffic, expected = drawn(bits, parity, stops)
    bit_ps = 8_680_556 * (1000 + error) // 1000
    path = SIMULATORS[simulator](tmp_path, traffic, settings_of(bit_ps, bits, parity, stops, inverted))
    capture = load_bytes(path, UartLine(115200, bits, parity, stops), invert=inverted)
    assert found(capture) == expected


@pytest.mark.parametrize("simulator", SIMULATORS)
@pytest.mark.parametrize("form", [(7, "E", 1, True), (8, "N", 1, False), (8, "E", 1, False)])
def test_the_line_is_recognised(tmp_path, simulator, form):
    bits, parity, stops, inverted = form
    traffic, _ = drawn(bits, parity, stops)
    good = [row for row in traffic if row[1] == CHARACTER]
    path = SIMULATORS[simulator](tmp_path, good, settings_of(17_361_111, *form))
    (edges,) = load_levels(path).channels.values()
    estimate = estimate_line(edges)
    assert (estimate.line, estimate.inverted) == (UartLine(57600, bits, parity, stops), inverted)
    assert estimate.baudrate_measured == pytest.approx(57600, rel=1e-3)


@pytest.mark.parametrize("simulator", SIMULATORS)
def test_pyvcd_sees_the_same_changes(tmp_path, simulator):
    traffic, _ = drawn(8, "E", 1)
    path = SIMULATORS[simulator](tmp_path, traffic, settings_of(8_680_556, 8, "E", 1, False))
    tick_s, changes = level_changes(path)
    capture = load_levels(path)
    assert capture.tick_s == tick_s
    assert list(capture.channels) == list(changes) == ["uart_line.tx"]
    edges = capture.channels["uart_line.tx"]
    assert edges.initial == int(changes["uart_line.tx"][0][1])
    ours = [(at, str(level)) for at, level in zip(edges.times.tolist(), edges.levels().tolist(), strict=True)]
    assert ours == changes["uart_line.tx"][1:]


@pytest.mark.parametrize(
    ("settings_", "gaps"),
    [("115200 8N1", [0]), ("9600 7E1", [0, 0, 30_000]), ("1000000 9N2", [0, 500]), ("38400 5O1.5", [100])],
)
def test_cocotbext_uart_sends_and_both_receivers_read_it(tmp_path, settings_, gaps):
    line = UartLine.parse(settings_)
    rng = random.Random(settings_)
    values = [rng.randrange(1 << line.bytesize) for _ in range(60)]
    words = [
        sum(bit << at for at, bit in enumerate([v >> k & 1 for k in range(line.bytesize)] + parity))
        for v in values
        for parity in [parity_bit(v, line.bytesize, line.parity)]
    ]
    bits = line.bytesize + (line.parity != "N")
    sent = [(gaps[k % len(gaps)], word) for k, word in enumerate(words)]
    path, received = cocotb(tmp_path, line.baudrate, bits, line.stopbits, sent)
    assert received == words
    capture = load_bytes(path, line)
    assert found(capture) == [(value, "") for value in values]
    # The package rounds a bit down to whole nanoseconds; each start is where the simulator's clock puts it.
    bit_ns = int(10**9 / line.baudrate)
    length = (1 + bits) * bit_ns + int(10**9 / line.baudrate * line.stopbits)
    assert np.diff(capture.starts_ns).tolist() == [length + gap for gap, _ in sent[1:]]
