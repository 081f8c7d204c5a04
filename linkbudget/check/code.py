"""What every check code can do, whether it is a CRC or a simple sum."""

from __future__ import annotations

from abc import ABC, abstractmethod
from itertools import pairwise
from typing import TYPE_CHECKING, Literal, Protocol

from linkbudget.errors import Fault, SettingsError

if TYPE_CHECKING:
    import numpy as np
    from _typeshed import ReadableBuffer
    from numpy.typing import ArrayLike, NDArray

__all__ = ["ByteOrder", "Check", "CheckCode", "buffer_bytes", "byte_view", "piece_bounds"]

ByteOrder = Literal["big", "little"]


class Check(Protocol):
    """A check code as the frame sees it: a name, a width, a byte order and a function of bytes."""

    @property
    def name(self) -> str:
        """The name it is known by."""

    @property
    def width(self) -> int:
        """Bits."""

    @property
    def check_bytes(self) -> int:
        """Bytes it takes in a frame: the width padded on the left to whole bytes."""

    @property
    def byte_order(self) -> ByteOrder:
        """``"big"`` when its most significant byte goes first, else ``"little"``."""

    def compute(self, data: bytes) -> int:
        """Return the check value of ``data``."""


class CheckCode(ABC):
    """The operations every check code gets from its ``compute``, ``width`` and ``byte_order``."""

    width: int

    @property
    def check_bytes(self) -> int:
        """Bytes the check takes in a frame: the width padded on the left to whole bytes."""
        return (self.width + 7) // 8

    @property
    def byte_order(self) -> ByteOrder:
        """``"big"`` when the most significant byte goes first on the wire, else ``"little"``."""
        return "big"

    @abstractmethod
    def compute(self, data: bytes) -> int:
        """Return the check value of ``data``."""

    def append(self, data: bytes) -> bytes:
        """Return ``data`` followed by its check, in the byte order of the code."""
        data = bytes(data)
        return data + self.compute(data).to_bytes(self.check_bytes, self.byte_order)

    def verify(self, data: bytes) -> bool:
        """Return whether ``data`` ends with the check of the bytes before it; False when it is too short."""
        data = bytes(data)
        payload = data[: -self.check_bytes]
        return len(data) >= self.check_bytes and self.append(payload) == data

    def compute_many(self, buffer: ReadableBuffer, offsets: ArrayLike) -> NDArray[np.uint64]:
        """Return the check of each piece ``buffer[offsets[i]:offsets[i + 1]]`` as a read-only uint64 array.

        ``offsets`` has one entry more than there are pieces and never falls, else `SettingsError`.
        ``TypeError`` for a buffer whose cells are wider than a byte.
        """
        import numpy as np

        data = buffer_bytes(buffer)
        edges = piece_bounds(offsets, len(data)).tolist()
        values = np.array([self.compute(data[a:b]) for a, b in pairwise(edges)], dtype=np.uint64)
        values.setflags(write=False)
        return values


def piece_bounds(offsets: ArrayLike, size: int) -> NDArray[np.int64]:
    """Return offsets of pieces of a buffer of so many bytes as int64; `SettingsError` when they are none."""
    import numpy as np

    bounds = np.asarray(offsets, dtype=np.int64)
    if bounds.ndim != 1 or len(bounds) < 1:
        raise SettingsError(Fault("offsets", bounds.shape, "one dimension, one entry more than pieces"))
    if bounds[0] < 0 or bounds[-1] > size or (bounds[1:] < bounds[:-1]).any():
        raise SettingsError(
            Fault("offsets", offsets, f"rising offsets from 0 to {size}, the length of the buffer")
        )
    return bounds


def buffer_bytes(buffer: ReadableBuffer) -> bytes:
    """Return the bytes of any one-byte-a-cell buffer; `TypeError` for wider cells or no buffer."""
    return buffer if isinstance(buffer, bytes) else byte_view(buffer).tobytes()


def byte_view(buffer: ReadableBuffer) -> memoryview:
    """Return a view of any one-byte-a-cell buffer; `TypeError` for wider cells or no buffer."""
    view = memoryview(buffer)
    if view.itemsize != 1:
        raise TypeError(f"a buffer of single bytes is needed, not cells of {view.itemsize} bytes")
    return view
