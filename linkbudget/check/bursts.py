"""How long a burst on the wire may be and is still detected for certain.

A UART sends the lowest bit of a byte first. A reflected CRC takes the bits in that order, and bursts of up to
its width are detected; the other kind takes each byte from its highest bit down, so that a burst on the wire
comes to it torn into pieces, and the textbook's figure does not hold.
"""

from __future__ import annotations

from functools import lru_cache

from linkbudget.check.algorithms import CrcAlgorithm
from linkbudget.check.basis import Basis, extended

__all__ = ["wire_burst"]


@lru_cache(maxsize=256)
def wire_burst(algorithm: CrcAlgorithm) -> int:
    """Return the longest burst, in data bits on the wire of a UART, that is detected wherever it hits.

    From its first flipped bit to its last, start and stop bits not counted, in a frame of payload and check
    as ``append`` makes it; whatever is flipped between. Exact: a burst goes undetected when the changes that
    its bits make add up to nothing, which some do as soon as those changes depend on each other.
    """
    changes = _changes(algorithm)
    longest = len(changes)
    for start in range(len(changes)):
        basis: Basis = {}
        for length, change in enumerate(changes[start : start + longest + 1]):
            if not extended(basis, change):
                longest = min(longest, length)
                break
    return longest


def _changes(algorithm: CrcAlgorithm) -> list[int]:
    """Return what each bit of a frame changes in computed check against check received, in wire order."""
    payload = algorithm.check_bytes + 2  # bursts that begin at each bit of a byte, and run into the check
    none = algorithm.compute(bytes(payload))
    changes = []
    for bit in range(8 * payload):
        flipped = bytearray(payload)
        flipped[bit // 8] = 1 << bit % 8
        changes.append(algorithm.compute(bytes(flipped)) ^ none)
    for bit in range(8 * algorithm.check_bytes):
        received = bytearray(algorithm.check_bytes)
        received[bit // 8] = 1 << bit % 8
        changes.append(int.from_bytes(received, algorithm.byte_order))
    return changes
