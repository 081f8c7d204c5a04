"""Check codes: many short frames, large buffers, and how strong a CRC is."""

from __future__ import annotations

from itertools import pairwise
from statistics import median

import numpy as np
from measure import Report, Target, in_turns, installed, timed

from linkbudget import crc_algorithm, hamming_distance_lengths, undetected_weights
from linkbudget.check.crc import crcmod_is_compiled
from linkbudget.check.many import compute_many
from linkbudget.check.weights import dual_weights

NAME = "CRC-16/MODBUS"
SHARE = 10
"""The loop over a library gets one frame in ten, so that it takes a tenth of a second."""


def frames(count: int) -> tuple[bytes, np.ndarray]:
    """Frames of 8 to 24 bytes back to back, and where each begins."""
    drawn = np.random.default_rng(5)
    offsets = np.zeros(count + 1, np.int64)
    offsets[1:] = np.cumsum(drawn.integers(8, 25, count))
    return drawn.bytes(int(offsets[-1])), offsets


def many(report: Report, count: int, turns: int) -> None:
    """Many short frames beside a loop over the C extension of crcmod."""
    from crcmod.predefined import mkPredefinedCrcFun

    if not crcmod_is_compiled():
        raise SystemExit("crcmod has no C extension here: there is nothing to compare with")
    theirs = mkPredefinedCrcFun("modbus")
    data, offsets = frames(count)
    few = offsets[: max(count // SHARE, 1) + 1]
    edges = few.tolist()
    row = crc_algorithm(NAME)

    def by_crcmod() -> list[int]:
        return [theirs(data[begin:end]) for begin, end in pairwise(edges)]

    compiling = timed(lambda: compute_many(row, data, few))
    assert compute_many(row, data, few).tolist() == by_crcmod()
    measured = in_turns(lambda: compute_many(row, data, offsets), by_crcmod, turns)
    each = measured.seconds / count * 1e9
    ratio = count / (len(edges) - 1) / measured.ratio
    report.say(
        f"compute_many, {count:,} frames of 8 to 24 bytes",
        f"{each:.1f} ns a frame" + (f"; compiled in {compiling:.1f} s" if compiling > 0.5 else ""),
        Target("time a frame", each, 25, "ns", most=True),
    )
    report.say(
        "  against a loop over crcmod's C",
        f"{ratio:.1f} x as fast",
        Target("ratio", ratio, 6, "x crcmod"),
    )


def large(report: Report, size: int, turns: int) -> None:
    """One large buffer, by whichever engine is there, beside crcmod."""
    from crcmod import mkCrcFun

    data = np.random.default_rng(6).bytes(size)
    theirs = mkCrcFun(0x1864CFB, initCrc=0xB704CE, rev=False)
    row = crc_algorithm("CRC-24/OPENPGP")
    assert row.compute(data) == theirs(data)
    measured = in_turns(lambda: row.compute(data), lambda: theirs(data), turns)
    report.say(
        f"CRC-24 of {size / 1e6:.0f} MB, kernel",
        f"{size / measured.seconds / 1e6:.0f} MB/s, {1 / measured.ratio:.1f} x crcmod",
    )
    for name in ("CRC-32/ISO-HDLC", "CRC-16/MODBUS"):
        row = crc_algorithm(name)
        rate = median(size / timed(lambda row=row: row.engine.function(data)) for _ in range(turns)) / 1e6
        version = installed(row.engine.name)
        report.say(f"{name}, {row.engine.name}{f' {version}' if version else ''}", f"{rate:.0f} MB/s")


def strength(report: Report, turns: int, longest: int) -> None:
    """Distance lengths and weights; the answers are those of P. Koopman's pages and of the tests."""

    def of_16_bits() -> dict[int, int]:
        return hamming_distance_lengths(16, 0x755B)

    def of_32_bits() -> dict[int, int]:
        return hamming_distance_lengths(32, 0x32583499, 6, longest)

    def weights() -> dict[int, int]:
        dual_weights(0x18005, 1024 + 16)  # not the kept ones
        return undetected_weights(16, 0x8005, 1024, 6)

    compiling = timed(of_16_bits)
    assert of_16_bits() == {3: 7985, 4: 7985, 5: 108, 6: 20, 7: 11, 8: 2}
    assert of_32_bits()[6] == min(longest, 32738)
    assert weights() == {1: 0, 2: 0, 3: 0, 4: 1709873, 5: 0, 6: 52928343454}
    seconds = median(timed(of_16_bits) for _ in range(turns))
    report.say(
        "lengths of a 16-bit polynomial to HD 8",
        f"{seconds:.3f} s" + (f"; compiled in {compiling:.1f} s" if compiling > 0.5 else ""),
        Target("time", seconds, 1, "s", most=True),
    )
    seconds = median(timed(of_32_bits) for _ in range(min(turns, 3)))
    report.say(
        f"lengths of a 32-bit one to HD 6, {longest:,} bits",
        f"{seconds:.2f} s",
        Target("time", seconds, 20, "s", most=True),
    )
    seconds = median(timed(weights) for _ in range(turns))
    report.say(
        "weights of a 16-bit code, 1024 data bits",
        f"{seconds:.3f} s",
        Target("time", seconds, 1, "s", most=True),
    )
