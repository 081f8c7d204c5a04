"""Columns of whole numbers as text that a page can carry: small differences, variable lengths, compressed.

Theory. What a picture is drawn from is mostly instants in order; their differences are small. A number is
written seven bits a byte, least significant first, the high bit set on all bytes but its last. All columns
follow each other, are compressed together (zlib, RFC 1950) and written in base64 (RFC 4648). The page undoes
it in ``static/columns.js``.
"""

from __future__ import annotations

import zlib
from base64 import b64encode

import numpy as np
import numpy.typing as npt

__all__ = ["Columns", "varints"]

LEVEL = 6
"""Of zlib; 9 takes three times as long for one per cent less."""

FORMS = ("bytes", "whole", "signed", "steps", "moves")


class Columns:
    """Named columns. `add` them, then take ``index`` and ``text``.

    ``form`` says what is in a column: ``bytes`` numbers up to 255, ``whole`` numbers from 0, ``signed`` ones
    of either sign, ``steps`` numbers from 0 that do not decrease, ``moves`` numbers of either sign that
    change little.
    """

    def __init__(self) -> None:
        self.index: list[dict[str, str | int]] = []
        """Name, form, count and length in bytes of each column, in order."""
        self._parts: list[bytes] = []

    def add(self, name: str, form: str, values: npt.ArrayLike) -> None:
        """Add a column; raises `ValueError` for numbers its form cannot hold."""
        numbers = np.asarray(values, dtype=np.int64)
        if form == "bytes":
            if numbers.size and not 0 <= int(numbers.min()) <= int(numbers.max()) <= 255:
                raise ValueError(f"column {name}: numbers that are no bytes")
            part = numbers.astype(np.uint8).tobytes()
        else:
            part = varints(_written(name, form, numbers))
        self.index.append({"name": name, "form": form, "count": numbers.size, "bytes": len(part)})
        self._parts.append(part)

    def text(self) -> str:
        """Return all columns, compressed, in base64."""
        return b64encode(zlib.compress(b"".join(self._parts), LEVEL)).decode("ascii")


def _written(name: str, form: str, numbers: npt.NDArray[np.int64]) -> npt.NDArray[np.uint64]:
    if form in ("steps", "moves"):
        numbers = np.diff(numbers, prepend=np.int64(0))
    if form in ("signed", "moves"):
        # 0, -1, 1, -2 ... become 0, 1, 2, 3 ...
        numbers = (numbers << np.int64(1)) ^ (numbers >> np.int64(63))
    elif form not in FORMS:
        raise ValueError(f"column {name}: form {form!r}, one of {', '.join(FORMS)} was expected")
    elif numbers.size and int(numbers.min()) < 0:
        raise ValueError(f"column {name}: a number below 0 at {int(np.argmin(numbers))}")
    return numbers.astype(np.uint64)


def varints(numbers: npt.NDArray[np.uint64]) -> bytes:
    """Return numbers one after another, seven bits a byte, least significant first."""
    sizes = np.ones(numbers.size, dtype=np.int64)
    largest = int(numbers.max()) if numbers.size else 0
    for bits in range(7, largest.bit_length(), 7):
        sizes += numbers >= np.uint64(1 << bits)
    starts = np.cumsum(sizes) - sizes
    out = np.empty(int(sizes.sum()), dtype=np.uint8)
    left, at = numbers, np.arange(numbers.size)
    for place in range(int(sizes.max()) if numbers.size else 0):
        more = sizes[at] > place + 1
        out[starts[at] + place] = (left & np.uint64(0x7F)).astype(np.uint8) | (more * np.uint8(0x80))
        left, at = left[more] >> np.uint64(7), at[more]
    return out.tobytes()
