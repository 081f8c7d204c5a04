"""What blocks of instructions cost, and the counts of calls added up from the blocks they entered."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from linkbudget.cost.cortexm0plus.cycles import instruction_of
from linkbudget.errors import TargetError

if TYPE_CHECKING:
    import numpy.typing as npt

    from linkbudget.cost.cortexm0plus.image import Image

    Ints = npt.NDArray[np.int64]

__all__ = ["SIZE_BITS", "Blocks", "Counts"]

SIZE_BITS = 16
"""A block in a trace is one number: its address above these bits, its size in them."""

START, END, LOW, HIGH, INSTRUCTIONS, TAKEN, STACK, DEEPEST = range(8)


class Blocks:
    """What each block costs, found when it is first entered."""

    def __init__(self, image: Image, multiply: int) -> None:
        from capstone import CS_ARCH_ARM, CS_MODE_MCLASS, CS_MODE_THUMB, Cs

        self._decoder = Cs(CS_ARCH_ARM, CS_MODE_THUMB | CS_MODE_MCLASS)
        self._decoder.detail = True
        self.image = image
        self.multiply = multiply
        self.moving_stack = False
        """Whether the stack pointer was ever moved by what cannot be read off the instruction."""
        self.number = _Numbers(self._define)
        self.owners: list[str] = []
        self._rows: list[tuple[int, ...]] = []
        self._columns: Ints = np.zeros((8, 0), dtype=np.int64)

    def columns(self) -> Ints:
        """Return int64[8, blocks]: start, end, cycles (low, high), instructions, what it costs more when its
        last branch is taken, by how much it moves the stack pointer, and the deepest that is inside.
        """
        if self._columns.shape[1] < len(self._rows):
            self._columns = np.array(list(zip(*self._rows, strict=True)), dtype=np.int64)
        return self._columns

    def _define(self, key: int) -> int:
        address, size = key >> SIZE_BITS, key & ((1 << SIZE_BITS) - 1)
        low = high = count = taken = stack = deepest = decoded = 0
        for one in self._decoder.disasm(self._code(address, size), address):
            instruction = instruction_of(one, self.multiply)
            low += instruction.cycles.low
            high += instruction.cycles.high
            taken = instruction.taken
            count += 1
            decoded += instruction.size
            self.moving_stack |= instruction.stack is None
            stack += instruction.stack or 0
            deepest = min(deepest, stack)
        if decoded != size:
            at = address + decoded
            raise TargetError(f"what runs at {self.image.where(at)} is no instruction of the Cortex-M0+")
        self._rows.append((address, address + size, low, high, count, taken, stack, deepest))
        symbol = self.image.symbol_at(address)
        self.owners.append(symbol.name if symbol else f"0x{address:08x}")
        return len(self._rows) - 1

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
    """What calls took, added up from their traces.

    The trace is a list of blocks in the order in which they were entered; `end_call` marks where a call ends,
    `fold` counts what is in it and empties it. A call may be folded in pieces.
    """

    def __init__(self, blocks: Blocks, trace: list[int]) -> None:
        self.blocks, self.trace = blocks, trace
        self.instructions = 0
        """Instructions of all that was folded."""
        self.finished: list[Ints] = []
        self._ends: list[int] = []
        self._open: Ints = np.zeros(3, dtype=np.int64)
        self._stack = self._deepest = 0
        self._of_block: Ints = np.zeros(0, dtype=np.int64)

    def end_call(self) -> None:
        """Say that the call whose blocks were noted last is over."""
        self._ends.append(len(self.trace))

    def fold(self) -> None:
        """Count the blocks of the trace and empty it, but for the last one of a call that goes on.

        Whether that one's branch is taken is known when the next block is.
        """
        ids = np.fromiter(map(self.blocks.number.__getitem__, self.trace), np.int64, len(self.trace))
        columns = self.blocks.columns()
        going_on = not self._ends or self._ends[-1] < len(ids)
        # The last block of a call ends with no conditional branch, so that the next call is no jump of it.
        jumped = columns[END][ids[:-1]] != columns[START][ids[1:]]
        taken = jumped * columns[TAKEN][ids[:-1]]
        count = len(ids) - going_on
        spent = columns[LOW : INSTRUCTIONS + 1, ids]
        spent[:2, :-1] += taken
        ids, spent = ids[:count], spent[:, :count]
        size = columns.shape[1]
        held = np.concatenate([self._of_block, np.zeros(size - len(self._of_block), dtype=np.int64)])
        self._of_block = held + np.bincount(ids, spent[1], size).astype(np.int64)
        self.instructions += int(spent[2].sum())
        self._finish(spent, self._depths(columns, ids))
        del self.trace[:count]
        self._ends.clear()

    def _depths(self, columns: Ints, ids: Ints) -> Ints:
        """Return how far down the stack each block goes; between calls it is at the top."""
        moved = np.cumsum(columns[STACK][ids]) + self._stack
        before = np.concatenate([[self._stack], moved[:-1]])
        self._stack = int(moved[-1]) if moved.size else self._stack
        depths: Ints = -(before + columns[DEEPEST][ids])
        return depths

    def _finish(self, spent: Ints, depths: Ints) -> None:
        """Add what was spent to the call that was open, to those that ended, and to the one that goes on."""
        starts = [0, *self._ends]
        if starts[-1] == len(depths):
            starts.pop()
        if not starts:
            return
        sums = np.add.reduceat(spent, starts, axis=1)
        deepest = np.maximum.reduceat(depths, starts)
        sums[:, 0] += self._open
        deepest[0] = max(deepest[0], self._deepest)
        over = len(self._ends)
        if over:
            self.finished.append(np.vstack([sums[:, :over], deepest[:over]]))
        self._open = sums[:, over] if len(starts) > over else np.zeros(3, dtype=np.int64)
        self._deepest = int(deepest[over]) if len(starts) > over else 0

    def by_symbol(self) -> dict[str, int]:
        """Return cycles (the high reading) by function, each without those it calls."""
        found: dict[str, int] = {}
        for owner, cycles in zip(self.blocks.owners, self._of_block.tolist(), strict=False):
            if cycles:
                found[owner] = found.get(owner, 0) + cycles
        return found
