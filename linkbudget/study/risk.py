"""How often damage goes unnoticed: frames that pass, and messages that are believed with a wrong value.

Every bit on the wire (start, parity and stop bits counted) is flipped by itself with the line's bit error
rate *p*, so a frame of *N* bits is damaged with probability P = 1 - (1-p)^N. Of the damaged frames

- with a check of *r* bits, one in 2^r is taken to pass. A CRC does better on flips alone: fewer than its
  Hamming distance are caught for certain while the frame keeps its shape. But a hit delimiter, escape, code
  byte or length cuts frames in two, joins or shifts them, bytes get lost in full buffers, bursts are longer
  than any distance; for all of these 2^-r is what is left, so this is the figure to choose a check by. In
  frames longer than the order of the polynomial it can be far too low: there two flips that far apart pass
  every time (CRC-16/DNP in frames of 130 bytes at p = 10^-3: 98 times as many). Then the exact figure of
  flips in data and check is taken, if it is greater. In shorter frames it never was, for p up to 10^-3 and
  every CRC of the catalogue up to 16 bits.
- Frames that run together pass some checks every time, such as all that start at zero and have no final xor:
  what passes in a trial with single flips is added in full.
- Without a check the share is **tried out**: each data bit of sample frames is flipped in turn, the stream is
  received, and a flip counts as *undetected* when the receiver delivers a payload that nobody sent, as
  *misread* when the decoder then accepts another value. Frames with more flips are taken to fare the same.

*Misread* behind a check are those that pass, times the share that the decoder believes of what passes in the
trial without the check.

What the model leaves out: parity that a driver acts upon. Start and stop bits are taken to do the harm that
data bits do.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from typing import Any

from linkbudget.check.algorithms import CrcAlgorithm
from linkbudget.check.strength import MAX_EXACT_WIDTH, longest_without_pairs, undetected_probability
from linkbudget.codec import Codec
from linkbudget.errors import FrameError
from linkbudget.frame.format import FrameFormat
from linkbudget.units import YEAR_S
from linkbudget.wire.uart import UartLine

__all__ = [
    "Flips",
    "PayloadReader",
    "Risk",
    "bytes_lost",
    "damage_probability",
    "flip_bits",
    "flips_past_order",
    "flips_per_frame",
    "needs_trial",
    "tried_risk",
    "without_check",
    "yearly_risk",
]

Read = Callable[[bytes], tuple[str, Mapping[str, Any]] | None]
"""Payload to (name, value), None when not accepted; as `PayloadReader`."""
MAX_FLIPS = 600
"""Flips tried per message and format, whole frames at a time: a second or two for all candidates."""


@dataclass(frozen=True)
class Flips:
    """The outcome of single flips: how many were tried, and how many of them were undetected and misread."""

    tried: int = 0
    undetected: int = 0
    misread: int = 0

    def __add__(self, other: Flips) -> Flips:
        return Flips(
            self.tried + other.tried, self.undetected + other.undetected, self.misread + other.misread
        )

    @property
    def undetected_share(self) -> float:
        """The share of flips that were undetected; 0 when none was tried."""
        return self.undetected / self.tried if self.tried else 0.0

    @property
    def misread_share(self) -> float:
        """The share of flips that were misread; 0 when none was tried."""
        return self.misread / self.tried if self.tried else 0.0

    @property
    def believed_share(self) -> float:
        """The share of undetected flips that were misread, 0 without any."""
        return self.misread / self.undetected if self.undetected else 0.0


@dataclass(frozen=True)
class Risk:
    """Frames a year that pass although damaged, and messages a year that are misread."""

    undetected_per_year: float
    misread_per_year: float

    def __add__(self, other: Risk) -> Risk:
        return Risk(
            self.undetected_per_year + other.undetected_per_year,
            self.misread_per_year + other.misread_per_year,
        )


class PayloadReader:
    """Payloads to (name, value), None when not accepted; each payload is decoded once.

    One may serve several codecs with the same messages: the frame format plays no part.
    """

    def __init__(self, codec: Codec) -> None:
        self._codec = codec
        self._known: dict[bytes, tuple[str, Mapping[str, Any]] | None] = {}

    def __call__(self, payload: bytes) -> tuple[str, Mapping[str, Any]] | None:
        """Return name and value of a payload, or None."""
        if payload not in self._known:
            try:
                self._known[payload] = self._codec.decode_payload(payload)
            except FrameError:
                self._known[payload] = None
        return self._known[payload]


class _Listener:
    """Opens bodies as the frame format does; keeps the payloads of good ones that nobody sent."""

    def __init__(self, fmt: FrameFormat, sent: frozenset[bytes]) -> None:
        self._envelope = fmt.envelope
        self._sent = sent
        self.strange: list[bytes] = []

    def open(self, body: bytes) -> tuple[bytes, int | None]:
        """Return payload and sequence number of a good body."""
        opened = self._envelope.open(body)
        if body not in self._sent:
            self.strange.append(opened[0])
        return opened


def flip_bits(fmt: FrameFormat, payload: bytes, behind: bytes, read: Read, bytesize: int = 8) -> Flips:
    """Return what each single flip in the frame of a payload does; the frame of ``behind`` follows it.

    ``bytesize`` is the number of data bits of a character; a ninth carries nothing.
    """
    frame, follower = fmt.encode(payload), fmt.encode(behind)
    sent = frozenset(fmt.envelope.wrap(one) for one in (payload, behind))
    true = read(payload)
    # A length that was hit may claim more than one frame.
    followers = 1 if fmt.delimiter is not None else 1 + fmt.max_frame_bytes // len(follower)
    proper = _proper(fmt, payload, min(bytesize, 8))
    tried = undetected = misread = 0
    for damaged in _flipped(frame, min(bytesize, 8)):
        if damaged in proper:
            delivered = [proper[damaged]] if proper[damaged] != behind else []
        else:
            delivered = _received(fmt, damaged, follower, followers, sent)
        found = [read(strange) for strange in delivered]
        tried += 1
        undetected += bool(found)
        misread += any(value is not None and value != true for value in found)
    return Flips(tried, undetected, misread)


def _received(
    fmt: FrameFormat, damaged: bytes, follower: bytes, followers: int, sent: frozenset[bytes]
) -> list[bytes]:
    """Return the payloads that nobody sent and a receiver delivers."""
    listener = _Listener(fmt, sent)
    receiver = fmt.framing.receiver(listener.open)
    receiver.feed(damaged)
    for _ in range(followers):
        if not receiver.held_bytes:  # Nothing is left of the damage: what follows is received as sent.
            break
        receiver.feed(follower)
    receiver.close()
    return listener.strange


def _proper(fmt: FrameFormat, payload: bytes, bits: int) -> dict[bytes, bytes]:
    """Return the frames of the payloads that differ in one bit: what damage makes of most frames.

    Such a frame is received like any other; only the rest has to be tried. With a check there is hardly any.
    """
    if fmt.check is not None:
        return {}
    forbidden = fmt.forbidden
    carried = (one for one in _flipped(payload, bits) if one == one.translate(None, forbidden))
    return {fmt.encode(one): one for one in carried}


def flips_per_frame(
    fmt: FrameFormat, payloads: Sequence[bytes], read: PayloadReader, bytesize: int = 8
) -> Flips:
    """Return the sum over the frames of these payloads, as many as `MAX_FLIPS` allows and one at least."""
    total = Flips()
    for index, payload in enumerate(payloads):
        behind = payloads[(index + 1) % len(payloads)]
        total += flip_bits(fmt, payload, behind, read, bytesize)
        if total.tried >= MAX_FLIPS:
            break
    return total


def without_check(fmt: FrameFormat) -> FrameFormat:
    """Return the frame format without its check."""
    if fmt.check is None:
        return fmt
    counts = "payload" if fmt.length_counts == "payload-and-check" else fmt.length_counts
    return replace(fmt, crc=None, check_form="binary", crc_order=None, length_counts=counts)


def damage_probability(bits: float, bit_error_rate: float) -> float:
    """Return the probability that one of so many bits or more are flipped."""
    if bit_error_rate >= 1:
        return 1.0
    return -math.expm1(bits * math.log1p(-bit_error_rate))


def yearly_risk(
    fmt: FrameFormat,
    unchecked: Flips,
    frame_bytes: Fraction,
    rate_hz: Fraction,
    line: UartLine,
    bit_error_rate: float,
    checked: Flips | None = None,
) -> Risk:
    """Return the risk of frames of this mean size that are sent at this rate.

    ``unchecked`` is the trial without the check, ``checked`` that with it, needed where `needs_trial` is true
    alone. ``bit_error_rate`` is the probability that a bit is flipped, 0 to 1.
    """
    bits = float(frame_bytes * line.bits_per_character)
    sent = float(rate_hz) * YEAR_S
    damaged = sent * damage_probability(bits, bit_error_rate)
    if fmt.check is None:
        return Risk(damaged * unchecked.undetected_share, damaged * unchecked.misread_share)
    passing = damaged * math.ldexp(1.0, -fmt.check.width)
    passing = max(passing, sent * flips_past_order(fmt, frame_bytes, bit_error_rate))
    if checked is None or not needs_trial(fmt):
        return Risk(passing, passing * unchecked.believed_share)
    misread = damaged * checked.misread_share + passing * unchecked.believed_share
    return Risk(passing + damaged * checked.undetected_share, misread)


def tried_risk(
    fmt: FrameFormat,
    trial: Callable[[FrameFormat], Flips],
    frame_bytes: Fraction,
    rate_hz: Fraction,
    line: UartLine,
    bit_error_rate: float,
) -> Risk:
    """Return the same after the trials it needs; ``trial`` gives single flips in frames of a format."""
    unchecked = trial(without_check(fmt))
    checked = trial(fmt) if needs_trial(fmt) else None
    return yearly_risk(fmt, unchecked, frame_bytes, rate_hz, line, bit_error_rate, checked=checked)


def flips_past_order(fmt: FrameFormat, frame_bytes: Fraction, bit_error_rate: float) -> float:
    """Return the probability that flips alone pass in a frame longer than the order of its CRC, else 0.

    As if all bytes of the frame were data or check. 0 as well for CRCs of more than 24 bits, whose order no
    frame passes, and for those without an end term.
    """
    check = fmt.check
    if not isinstance(check, CrcAlgorithm) or check.width > MAX_EXACT_WIDTH or not check.poly & 1:
        return 0.0
    data_bits = 8 * int(frame_bytes) - check.width
    if data_bits <= longest_without_pairs(check.width, check.poly):
        return 0.0
    return undetected_probability(check.width, check.poly, data_bits, bit_error_rate)


@lru_cache(maxsize=256)
def needs_trial(fmt: FrameFormat) -> bool:
    """Return whether some damage passes the check every time: joined frames, or frames of zeros.

    Tried out on the shortest frames, so it holds for a check of one's own as well; a check that lets a flip
    pass there by chance costs the trial and changes nothing else.
    """
    if fmt.check is None:
        return False
    zeros_pass = not any(fmt.check.compute(bytes(count)) for count in (1, 2, 3))
    return zeros_pass or flip_bits(fmt, b"1", b"2", lambda payload: None).undetected > 0


def bytes_lost(fmt: FrameFormat, longest: int) -> tuple[int, bool]:
    """Return how many bytes at most are not delivered after one damaged byte, and whether that is exact.

    With a delimiter: the frame it is in, and when the delimiter itself is hit the next one with it, unless
    frames begin with a delimiter, too. ``longest`` is the longest frame, delimiters included. With a length
    in front: the frame, and without a check what a damaged length claims, up to the end of the frame in which
    that ends; with a check the search goes on inside what was claimed. There a false header in the data can
    hide more, which is why it is not exact.
    """
    if fmt.delimiter is None:
        return (2 * longest if fmt.check is None else longest), False
    leading = fmt.framing.encode(b"x")[0] == fmt.delimiter
    return (longest if leading else 2 * longest), True


def _flipped(frame: bytes, bits: int) -> Iterator[bytes]:
    """Yield the frame with each data bit flipped in turn."""
    for at in range(len(frame)):
        for bit in range(bits):
            damaged = bytearray(frame)
            damaged[at] ^= 1 << bit
            yield bytes(damaged)
