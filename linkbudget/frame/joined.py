"""Whether frames that run together pass the check: tried out, so that no table has to know the check."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from linkbudget.errors import FrameError

if TYPE_CHECKING:
    from linkbudget.frame.format import FrameFormat

__all__ = ["joined_frames_pass"]

TRIED = ((b"1", b"2"), (b"\x17\x2c\x05", b"bean"), (b"123456789", b"\x01\x80\xfe"))
"""Payloads of two frames: by chance alone a check of eight bits would let all three pairs pass once in 16
million."""


def joined_frames_pass(fmt: FrameFormat) -> bool:
    """Return whether two frames whose delimiter was lost are received as one, with a good check.

    That is so when a good frame leaves the check where it started, as with a start value of 0 and no final
    xor. Formats without a delimiter or without a check are False: there is nothing to lose, or to pass.
    """
    if fmt.check is None or fmt.delimiter is None:
        return False
    return all(_pass_together(fmt, first, second) for first, second in TRIED)


def _pass_together(fmt: FrameFormat, first: bytes, second: bytes) -> bool:
    envelope = fmt.envelope
    bodies = [envelope.wrap(payload, number) for number, payload in enumerate((first, second))]
    ends = len(fmt.terminator) if fmt.delimiting == "newline" else 1
    one, other = (fmt.framing.encode(body) for body in bodies)
    opened = int(one[0] == fmt.delimiter)
    joined = one[: len(one) - ends] + other[opened:]
    try:
        # Whether the two are too long for one frame depends on the messages, not on the check.
        replace(envelope, max_payload=len(joined)).open(fmt.framing.decode(joined))
    except FrameError:
        return False
    return True
