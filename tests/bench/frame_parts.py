"""Frames out of a stream."""

from __future__ import annotations

from functools import partial
from statistics import median

from made import Stream, stream
from measure import Report, Target, installed, timed

from linkbudget import FrameFormat, crc_algorithm
from linkbudget.frame.bulk import deframe_all, plain_table

CHECK = "CRC-16/IBM-3740"
LIBRARY_PART = 4_000_000  # bytes, because it takes a tenth of a second for so many
PLAIN_PART = 200_000


def checked(fmt: FrameFormat, made: Stream) -> float:
    """See that the kernel finds what was sent, as the plain form does; return how long compiling took."""
    compiling = timed(lambda: deframe_all(fmt, made.data[:1000]))
    assert deframe_all(fmt, made.data).payloads() == made.payloads
    part = made.data[:PLAIN_PART]
    assert plain_table(fmt, part).reasons() == deframe_all(fmt, part).reasons()
    return compiling


def cobs(report: Report, size: int, least: int, most: int, turns: int) -> None:
    fmt = FrameFormat()
    made = stream(fmt, size, least, most)
    compiling = checked(fmt, made)
    small = made.data[:LIBRARY_PART].rpartition(b"\0")[0] + b"\0"
    seconds, ratios = [], []
    with_libraries = installed("fastcrc") is not None
    if with_libraries:
        assert by_libraries(small) == deframe_all(fmt, small).payloads()
    for _ in range(turns):
        seconds.append(timed(lambda: deframe_all(fmt, made.data)) / len(made.data))
        if with_libraries:
            ratios.append(timed(lambda: by_libraries(small)) / len(small) / seconds[-1])
    rate = 1 / median(seconds) / 1e6
    # A frame costs as much as some 40 bytes beside its bytes: the target for the rate is one for the largest
    # payload that a format has unless told otherwise.
    largest = least == fmt.max_payload
    report.say(
        f"COBS, payloads of {least} to {most}",
        f"{rate:.0f} MB/s with CRC-16" + (f"; compiled in {compiling:.1f} s" if compiling > 0.1 else ""),
        *([Target("rate", rate, 800, "MB/s")] if largest else []),
    )
    if ratios:
        report.say(
            "  against split, cobs, fastcrc",
            f"{median(ratios):.1f} x as fast a byte",
            Target("ratio", median(ratios), 8, "x the libraries"),
        )


def others(report: Report, size: int, turns: int) -> None:
    """The other ways to part frames, for comparison."""
    formats = {
        "SLIP": FrameFormat("slip"),
        "HDLC": FrameFormat("hdlc", "CRC-16/IBM-SDLC"),
        "newline, check in hex": FrameFormat("newline", CHECK, check_form="hex"),
    }
    for name, fmt in formats.items():
        made = stream(fmt, size, 16, 64)
        checked(fmt, made)
        job = partial(deframe_all, fmt, made.data)
        rate = median(len(made.data) / timed(job) for _ in range(turns)) / 1e6
        report.say(f"{name}, payloads of 16 to 64", f"{rate:.0f} MB/s with CRC-16")


def by_libraries(data: bytes) -> list[bytes]:
    """The payloads of the good frames."""
    from cobs import cobs
    from fastcrc import crc16

    assert crc16.ibm_3740(b"123456789") == crc_algorithm(CHECK).check
    found = []
    for stretch in data.split(b"\0"):
        try:
            body = cobs.decode(stretch)
        except cobs.DecodeError:
            continue
        if 2 <= len(body) <= 66 and crc16.ibm_3740(body[:-2]) == int.from_bytes(body[-2:], "big"):
            found.append(body[:-2])
    return found
