"""CRCs of many pieces and of large ones: a kernel where there is enough to do, else the engine for a frame.

How much there is to do is reckoned as the time that the engine would take, because that differs by a factor
of two hundred: a kernel that is loaded for a job of `zlib`'s would only lose time.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from linkbudget._jit import given, use_kernel
from linkbudget.check.code import buffer_bytes, byte_view, piece_bounds
from linkbudget.check.crc import crcmod_is_compiled
from linkbudget.errors import warn

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer
    from numpy.typing import ArrayLike, NDArray

    from linkbudget.check.algorithms import CrcAlgorithm

__all__ = ["compute_many", "large_crc", "plain_many"]

PIECE_NS = 200.0
"""What a piece costs beside its CRC, about: cutting it out and putting its CRC into a list."""
LONG_NS = 1e9
"""From here on it is told that something faster could be installed."""


def compute_many(algorithm: CrcAlgorithm, buffer: ReadableBuffer, offsets: ArrayLike) -> NDArray[np.uint64]:
    """Return the CRC of each piece ``buffer[offsets[i]:offsets[i + 1]]`` as a read-only uint64 array.

    ``offsets`` has one entry more than there are pieces and never falls; `SettingsError` otherwise.
    """
    view = byte_view(buffer)
    bounds = piece_bounds(offsets, view.nbytes)
    engine = algorithm.engine
    each = engine.call_ns + PIECE_NS
    plain_ns = each * (bounds.size - 1) + engine.byte_ns * float(bounds[-1] - bounds[0])
    if use_kernel("checks", int(plain_ns)):
        values = _compiled(algorithm, view, bounds)
    else:
        values = plain_many(algorithm, buffer, bounds, plain_ns)
    values.setflags(write=False)
    return values


def plain_many(
    algorithm: CrcAlgorithm, buffer: ReadableBuffer, bounds: NDArray[np.int64], plain_ns: float = 0.0
) -> NDArray[np.uint64]:
    """Return the CRC of each piece, one after the other; ``plain_ns`` is about how long that takes."""
    if plain_ns > LONG_NS and algorithm.engine.name == "table":
        _tell_what_is_missing()
    data, compute = buffer_bytes(buffer), algorithm.engine.function
    values = [compute(data[begin:end]) for begin, end in pairwise(bounds.tolist())]
    return np.array(values, dtype=np.uint64)


def large_crc(algorithm: CrcAlgorithm, data: bytes) -> int:
    """Return the CRC of one large buffer."""
    return int(compute_many(algorithm, data, [0, memoryview(data).nbytes])[0])


def _compiled(algorithm: CrcAlgorithm, view: memoryview, bounds: NDArray[np.int64]) -> NDArray[np.uint64]:
    from linkbudget.check._kernels import check_pieces
    from linkbudget.check.slicing import crc_slicing

    data = np.frombuffer(view if view.c_contiguous else buffer_bytes(view), dtype=np.uint8)
    return check_pieces(given(data), given(bounds), *crc_slicing(algorithm).arguments())


@lru_cache(maxsize=1)
def _tell_what_is_missing() -> None:
    """Say once why it takes so long."""
    why = "" if crcmod_is_compiled() else "crcmod was installed without its C extension, and "
    warn(f"{why}numba is not used: CRCs take a Python loop a byte; the extra 'crc' brings fastcrc")
