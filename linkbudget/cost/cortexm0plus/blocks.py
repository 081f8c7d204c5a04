"""What blocks of instructions cost, and the counts of one call added up from the blocks it entered."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from linkbudget.cost.cortexm0plus.cycles import Cycles, instruction_of
from linkbudget.errors import TargetError

if TYPE_CHECKING:
    import numpy.typing as npt

    from linkbudget.cost.cortexm0plus.image import Image

__all__ = ["SIZE_BITS", "Blocks", "Counts"]

SIZE_BITS = 16
"""A block in a trace is one number: its address above these bits, its size in them."""


class Blocks:
    """What each block costs, found when it is first entered."""

    def __init__(self, image: Image, multiply: int) -> None:
        self.image = image
        self.multiply = multiply
        self.moving_stack = False
        self.number = _Numbers(self._define)
        self.rows: list[tuple[int, ...]] = []
        self.owners: list[str] = []
        self._table: npt.NDArray[np.int64] = np.zeros((0, 8), dtype=np.int64)

    def table(self) -> npt.NDArray[np.int64]:
        """Return one row a block: start, end, low, high, instructions, taken, stack moved, deepest inside."""
        if len(self._table) < len(self.rows):
            self._table = np.array(self.rows, dtype=np.int64)
        return self._table

    def _define(self, key: int) -> int:
        from capstone import CS_ARCH_ARM, CS_MODE_MCLASS, CS_MODE_THUMB, Cs

        address, size = key >> SIZE_BITS, key & ((1 << SIZE_BITS) - 1)
        decoder = Cs(CS_ARCH_ARM, CS_MODE_THUMB | CS_MODE_MCLASS)
        decoder.detail = True
        low = high = count = taken = stack = deepest = 0
        for decoded in decoder.disasm(self._code(address, size), address):
            one = instruction_of(decoded, self.multiply)
            low, high, taken = low + one.cycles.low, high + one.cycles.high, one.taken
            count += 1
            if one.stack is None:
                self.moving_stack = True
            stack += one.stack or 0
            deepest = min(deepest, stack)
        self.rows.append((address, address + size, low, high, count, taken, stack, deepest))
        symbol = self.image.symbol_at(address)
        self.owners.append(symbol.name if symbol else f"0x{address:08x}")
        return len(self.rows) - 1

    def _code(self, address: int, size: int) -> bytes:
        for piece in self.image.pieces:
            offset = address - piece.address
            if 0 <= offset < len(piece.data):
                return piece.data[offset : offset + size]
        raise TargetError(f"runs at 0x{address:08x}, where no code is")


class _Numbers(dict[int, int]):
    def __init__(self, define: Callable[[int], int]) -> None:
        self.define = define

    def __missing__(self, key: int) -> int:
        number = self[key] = self.define(key)
        return number


class Counts:
    """What one call took, added up from the blocks it entered."""

    def __init__(self, blocks: Blocks) -> None:
        self.blocks = blocks
        self.visits: npt.NDArray[np.int64] = np.zeros(0, dtype=np.int64)
        self.taken: npt.NDArray[np.int64] = np.zeros(0, dtype=np.int64)
        self.stack = 0
        self.deepest = 0

    def add(self, trace: list[int], *, last: bool) -> None:
        """Count the blocks of a trace and empty it, but for one that the next goes on from."""
        ids = np.fromiter(map(self.blocks.number.__getitem__, trace), np.int64, len(trace))
        table = self.blocks.table()
        size = len(table)
        for name in ("visits", "taken"):
            held = getattr(self, name)
            setattr(self, name, np.concatenate([held, np.zeros(size - len(held), dtype=np.int64)]))
        jumped = table[ids[:-1], 1] != table[ids[1:], 0]
        self.taken += np.bincount(ids[:-1][jumped], minlength=size)
        counted = ids if last else ids[:-1]
        self.visits += np.bincount(counted, minlength=size)
        moved = np.cumsum(table[counted, 6])
        before = self.stack + np.concatenate([[0], moved[:-1]])
        self.deepest = max(self.deepest, -int((before + table[counted, 7]).min(initial=0)))
        self.stack += int(moved[-1]) if moved.size else 0
        del trace[: len(counted)]

    def _spent(self) -> npt.NDArray[np.int64]:
        table = self.blocks.table()[: len(self.visits)]
        return np.asarray(
            self.visits[:, None] * table[:, 2:4] + (self.taken * table[:, 5])[:, None], dtype=np.int64
        )

    def cycles(self) -> Cycles:
        """Return the cycles of all blocks and taken branches."""
        low, high = self._spent().sum(axis=0).tolist()
        return Cycles(low, high)

    def instructions(self) -> int:
        """Return how many instructions were run."""
        return int(self.visits @ self.blocks.table()[: len(self.visits), 4])

    def by_symbol(self) -> dict[str, int]:
        """Return cycles (the high reading) by function, each without those it calls."""
        found: dict[str, int] = {}
        for at, cycles in enumerate(self._spent()[:, 1].tolist()):
            if cycles:
                owner = self.blocks.owners[at]
                found[owner] = found.get(owner, 0) + cycles
        return found
