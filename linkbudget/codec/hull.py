"""Proof that no string has a wanted check: the checks of all strings lie in an affine space without one.

Some CRCs keep the parity of all bits, for example, so that messages of bytes with an even number of bits have
checks of one parity only, however many messages there are.
"""

from __future__ import annotations

from linkbudget.check.basis import Basis, extended, reduced
from linkbudget.check.registers import Registers
from linkbudget.codec.paths import Paths, Place
from linkbudget.codec.wanted import Wanted

__all__ = ["ruled_out"]


def ruled_out(paths: Paths, registers: Registers, wanted: Wanted) -> bool:
    """Return whether it is sure that no string has a wanted check; only for linear checks."""
    options = wanted.masks()
    if not registers.linear or options is None:
        return False
    hulls: dict[Place, tuple[int, Basis]] = {}
    for _, places in paths.rising():
        for place in places:
            hulls[place] = _hull(paths, registers, place, hulls)
    for start in paths.starts:
        point, basis = hulls[start]
        point ^= registers.start(start.left)
        for mask, values in options:
            masked: Basis = {}
            for vector in basis.values():
                extended(masked, vector & int(mask))
            if any(not reduced(masked, (point ^ int(value)) & int(mask)) for value in values):
                return False
    return True


def _hull(
    paths: Paths, registers: Registers, place: Place, hulls: dict[Place, tuple[int, Basis]]
) -> tuple[int, Basis]:
    """Return a point and a basis of the affine space that holds the checks of all rests of a place."""
    if place.left == 0:
        return 0, {}
    point: int | None = None
    basis: Basis = {}
    for link in paths.places[place.left][place]:
        behind, more = hulls[link.after]
        if point is None:
            basis = dict(more)
        elif len(basis) < registers.check.width:
            for vector in more.values():
                extended(basis, vector)
        rows = link.kind.block.rows[link.kind.spanning]
        for change in registers.changes(rows, link.after.left).tolist():
            if point is None:
                point = change ^ behind
            extended(basis, change ^ behind ^ point)
    assert point is not None, "a place within a string goes on"
    return point, basis
