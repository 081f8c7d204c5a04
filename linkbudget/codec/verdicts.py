"""Which messages many payloads are, and the states of their fields, as columns.

For packed bits with the top bit first, where every field is a ranged number: then each lies at a fixed place,
and whether a payload is a message is a comparison of columns. Other payloads are read one by one.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import prod
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from linkbudget.message.encodings.packed_bits import Joined, PackedBits
from linkbudget.message.primitives import RangedInteger
from linkbudget.message.telling import ById

if TYPE_CHECKING:
    from linkbudget.codec.direction import Codec, CodecMessage

__all__ = ["Columns", "columns_of", "message_ids"]

WIDEST = 56
"""Bits of a number that eight bytes hold wherever it begins."""

Ints = npt.NDArray[np.int64]
Rows = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Columns:
    """Where the numbers of a message lie: offset and width in bits, and the places and radices each holds."""

    size: int
    bits: int
    steps: tuple[tuple[int, int, tuple[int, ...], tuple[int, ...]], ...]

    def read(self, rows: Rows) -> tuple[npt.NDArray[np.bool_], dict[int, Ints]]:
        """Return which rows of ``size`` bytes are messages, and the states of each place; int64."""
        good, states = np.ones(len(rows), dtype=bool), {}
        padding = 8 * self.size - self.bits
        if padding:
            good &= rows[:, -1] & ((1 << padding) - 1) == 0
        for offset, width, places, radices in self.steps:
            number = self._number(rows, offset, width)
            for place, radix in zip(reversed(places), reversed(radices), strict=True):
                number, states[place] = np.divmod(number, radix)
            good &= number == 0
        return good, states

    def _number(self, rows: Rows, offset: int, width: int) -> Ints:
        first, last = offset // 8, (offset + width + 7) // 8
        number = np.zeros(len(rows), dtype=np.int64)
        for at in range(first, last):
            number = number << 8 | rows[:, at]
        found: Ints = number >> 8 * last - offset - width & (1 << width) - 1
        return found


def columns_of(message: CodecMessage) -> Columns | None:
    """Return the columns of a message; None where it has none, or needs wider numbers."""
    encoding, members = message.encoding, message.layout.group.members
    if not isinstance(encoding, PackedBits) or encoding.bit_order != "msb":
        return None
    if encoding.byte_order not in (None, "big"):
        return None
    at, steps = 0, []
    for step in encoding.plan(message.layout)[""]:
        places = step.places if isinstance(step, Joined) else (step,)
        radices = []
        for place in places:
            primitive = members[place].primitive
            if not isinstance(primitive, RangedInteger) or primitive.plain or primitive.order == "little":
                return None
            radices.append(primitive.count)
        width = (prod(radices) - 1).bit_length()
        if width > WIDEST:
            return None
        steps.append((at, width, places, tuple(radices)))
        at += width
    return Columns(-(-at // 8), at, tuple(steps))


def message_ids(codec: Codec) -> dict[int | None, CodecMessage] | None:
    """Return the messages by the first byte of their payloads (None: by nothing, there is one only).

    None where the messages are told apart in another way.
    """
    return codec.telling.by_id if isinstance(codec.telling, ById) else None
