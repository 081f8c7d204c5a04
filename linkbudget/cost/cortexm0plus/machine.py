"""A Cortex-M0+ that calls one function at a time and counts what it takes.

unicorn runs the code and tells which blocks it enters. A block is a run of instructions without a branch
inside, so its cost is known beforehand; a conditional branch at its end was taken when the next block is not
the one behind it. Nothing else is asked of the emulator, which is what makes it fast.

Every object lies in pages of its own between pages that are not there, its end at a page's end. What is left
of its pages is watched: who reads or writes there, or outside of all pages, is stopped, with the address.

Not modelled: wait states of the flash, caches, bus contention, interrupts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from linkbudget.cost.cortexm0plus.blocks import Blocks, Counts
from linkbudget.cost.cortexm0plus.cycles import Cycles
from linkbudget.cost.cortexm0plus.hook import hook_blocks
from linkbudget.cost.cortexm0plus.image import Image
from linkbudget.cost.cortexm0plus.toolchain import GAP, GAP_BYTES
from linkbudget.errors import TargetError

if TYPE_CHECKING:
    import numpy.typing as npt
    from unicorn import Uc

    Ints = npt.NDArray[np.int64]

__all__ = ["LIMIT", "EmulatedFault", "Machine", "Run", "Runs"]

PAGE = 4096
STACK_END = 0x28000000
STACK_BYTES = 0x4000
BUFFERS = 0x30000000
STOP = 0x08000000
"""Where a function returns to; nothing there is run."""

LIMIT = 3_000_000
BATCH = 1 << 16
PAINT = 0xA5


class EmulatedFault(TargetError):
    """Emulated code did what no code may: a fault, an access outside its objects, or it never ended."""


@dataclass(frozen=True)
class Run:
    """One call of a function.

    ``returned`` is r0. ``cycles`` are those from its first instruction to its return, without the ``BL`` of
    the caller (`cycles.BRANCH_WITH_LINK`). ``stack_bytes`` is how far it went down the stack.
    ``by_symbol`` divides cycles (the high reading) among functions, each without those it calls.
    """

    function: str
    returned: int
    cycles: Cycles
    instructions: int
    stack_bytes: int
    by_symbol: dict[str, int]


@dataclass(frozen=True, eq=False)
class Runs:
    """Calls of one function, one after the other; int64 arrays with one number a call, read-only.

    The meaning of each is that in `Run`; ``by_symbol`` and ``stack_bytes`` are of all of them.
    """

    function: str
    returned: Ints
    low: Ints
    high: Ints
    instructions: Ints
    stack_bytes: int
    by_symbol: dict[str, int]


class Machine:
    """An emulated processor with a program in it.

    ``multiply``: cycles of ``MULS``, 1 or 32. ``limit`` (default `LIMIT`): instructions after which a call
    counts as endless.
    ``strict`` also stops at accesses to unaligned words, which the processor does not do and the emulator
    does; it takes twice the time, and is for code that nobody has tried yet.
    """

    def __init__(
        self, image: Image, *, multiply: int = 1, limit: int | None = None, strict: bool = False
    ) -> None:
        self.image = image
        self.limit = LIMIT if limit is None else limit
        self._blocks = Blocks(image, multiply)
        self._problem: str | None = None
        self._error: BaseException | None = None
        self._called = ""
        self._before = 0
        self._next_buffer = BUFFERS
        self._given: list[tuple[int, int, bool]] = []
        self._trace: list[int] = []
        self._counts = Counts(self._blocks, self._trace)
        self._uc = self._made(strict)
        self._load()

    def _made(self, strict: bool) -> Uc:
        from unicorn import (
            UC_ARCH_ARM,
            UC_HOOK_MEM_INVALID,
            UC_HOOK_MEM_READ,
            UC_HOOK_MEM_WRITE,
            UC_MODE_MCLASS,
            UC_MODE_THUMB,
            Uc,
        )
        from unicorn.arm_const import UC_CPU_ARM_CORTEX_M0

        uc = Uc(UC_ARCH_ARM, UC_MODE_THUMB | UC_MODE_MCLASS)
        uc.ctl_set_cpu_model(UC_CPU_ARM_CORTEX_M0)
        self._hook = hook_blocks(uc, self._trace, BATCH, self._fold, self._raised_inside)
        uc.hook_add(UC_HOOK_MEM_INVALID, self._on_invalid)
        if strict:
            uc.hook_add(UC_HOOK_MEM_READ | UC_HOOK_MEM_WRITE, self._on_access)
        uc.mem_map(STOP, PAGE)
        uc.mem_map(STACK_END - STACK_BYTES, STACK_BYTES)
        return uc

    def _load(self) -> None:
        from unicorn import UC_PROT_EXEC, UC_PROT_READ, UC_PROT_WRITE

        for writable in (False, True):
            pieces = [piece for piece in self.image.pieces if piece.writable is writable]
            if not pieces:
                continue
            start = min(piece.address for piece in pieces) // PAGE * PAGE
            end = max(piece.address + piece.size for piece in pieces)
            size = -(-(end - start) // PAGE) * PAGE
            allowed = UC_PROT_READ | UC_PROT_WRITE if writable else UC_PROT_READ | UC_PROT_EXEC
            self._uc.mem_map(start, size, allowed)
            if writable:
                self._watch(start, min(piece.address for piece in pieces))
                self._watch(end, start + size)
        for symbol in self.image.symbols:
            if symbol.name.startswith(GAP):
                self._watch(symbol.address, symbol.address + GAP_BYTES)
        self._static = [piece for piece in self.image.pieces if piece.data or piece.writable]
        self.reset()
        self._uc.mem_write(STACK_END - STACK_BYTES, bytes([PAINT]) * STACK_BYTES)

    def reset(self) -> None:
        """Give static objects their initial values."""
        for piece in self._static:
            self._uc.mem_write(piece.address, piece.data.ljust(piece.size, b"\0"))

    def place(self, size: int, data: bytes = b"", *, writable: bool = True) -> int:
        """Return the address (a multiple of 4) of a new object: ``size`` bytes, ``data`` and zeros.

        Only its own bytes can be accessed: reading or writing beside them is an `EmulatedFault`.
        """
        from unicorn import UC_PROT_READ, UC_PROT_WRITE

        pages = max(-(-size // PAGE), 1) * PAGE
        start = self._next_buffer
        self._next_buffer += pages + PAGE
        self._uc.mem_map(start, pages, UC_PROT_READ | (UC_PROT_WRITE if writable else 0))
        address = start + (pages - size) // 4 * 4
        self._uc.mem_write(address, data.ljust(size, b"\0"))
        self._given.append((address, size, writable))
        self._watch(start, address)
        self._watch(address + size, start + pages)
        return address

    def read(self, address: int, size: int) -> bytes:
        """Return bytes of memory."""
        return bytes(self._uc.mem_read(address, size))

    def write(self, address: int, data: bytes) -> None:
        """Change bytes of memory."""
        self._uc.mem_write(address, data)

    def value(self, name: str, size: int = 4) -> int:
        """Return what a static object holds, as an unsigned number of ``size`` bytes."""
        address = self.image.address(name)
        if address is None:
            raise TargetError(f"the program has no object {name!r}")
        return int.from_bytes(self.read(address, size), "little")

    def answer(self, start: int, end: int, answer: Callable[[int], None]) -> None:
        """Have ``answer`` called with the address whenever a block that begins in this range is entered.

        It is called before the block is run and may read and change registers and memory. What it raises ends
        the call, and `call` raises it.
        """
        from unicorn import UC_HOOK_BLOCK

        def entered(uc: Uc, address: int, size: int, _: object) -> None:
            try:
                answer(address)
            except BaseException as error:
                self._raised_inside(error)

        self._uc.hook_add(UC_HOOK_BLOCK, entered, None, start, end - 1)

    def register(self, number: int) -> int:
        """Return what a register from r0 to r12 holds; 13 is SP and 14 is LR."""
        return int(self._uc.reg_read(_register(number)))

    def set_register(self, number: int, value: int) -> None:
        """Change a register, numbered as for `register`."""
        self._uc.reg_write(_register(number), value & 0xFFFFFFFF)

    def _watch(self, start: int, end: int) -> None:
        from unicorn import UC_HOOK_MEM_READ, UC_HOOK_MEM_WRITE

        if start < end:
            self._uc.hook_add(UC_HOOK_MEM_READ | UC_HOOK_MEM_WRITE, self._on_watched, None, start, end - 1)

    def call(self, function: str | int, *arguments: int) -> Run:
        """Call a function (its name, or its address) with numbers, and return what it took.

        Raises `EmulatedFault` when it faults, leaves its objects or does not end within the limit;
        `TargetError` for an unknown function, or an instruction without cycles.
        """
        runs = self.calls(function, [arguments])
        return Run(
            function=runs.function,
            returned=int(runs.returned[0]),
            cycles=Cycles(int(runs.low[0]), int(runs.high[0])),
            instructions=int(runs.instructions[0]),
            stack_bytes=runs.stack_bytes,
            by_symbol=runs.by_symbol,
        )

    def calls(self, function: str | int, arguments: Iterable[Sequence[int]]) -> Runs:
        """Call a function once for each set of arguments, one after the other; see `call`."""
        from unicorn.arm_const import UC_ARM_REG_LR, UC_ARM_REG_R0, UC_ARM_REG_SP

        name = function if isinstance(function, str) else self.image.where(function)
        address = self.image.address(function) if isinstance(function, str) else function
        if address is None:
            raise TargetError(f"the program has no function {function!r}")
        uc, counts = self._uc, Counts(self._blocks, self._trace)
        self._counts, self._called = counts, name
        self._trace.clear()
        returned = []
        for given in arguments:
            stacked = given[4:]
            stack = STACK_END - (4 * len(stacked) + 7) // 8 * 8
            if stacked:
                words = b"".join((word & 0xFFFFFFFF).to_bytes(4, "little") for word in stacked)
                uc.mem_write(stack, words)
            for at, word in enumerate(given[:4]):
                uc.reg_write(UC_ARM_REG_R0 + at, word & 0xFFFFFFFF)
            uc.reg_write(UC_ARM_REG_SP, stack)
            uc.reg_write(UC_ARM_REG_LR, STOP | 1)
            self._before = counts.instructions
            self._run(address)
            counts.end_call()
            returned.append(uc.reg_read(UC_ARM_REG_R0))
        counts.fold()
        columns = np.hstack([np.zeros((4, 0), dtype=np.int64), *counts.finished])
        results = np.array(returned, dtype=np.int64)
        for array in (columns, results):
            array.setflags(write=False)
        low, high, instructions, deepest = columns
        return Runs(
            function=name,
            returned=results,
            low=low,
            high=high,
            instructions=instructions,
            stack_bytes=self._stack_mark() if self._blocks.moving_stack else int(deepest.max(initial=0)),
            by_symbol=counts.by_symbol(),
        )

    def _run(self, address: int) -> None:
        """Run from an address to the return."""
        from unicorn import UcError
        from unicorn.arm_const import UC_ARM_REG_PC

        self._problem = self._error = None
        failed = None
        try:
            self._uc.emu_start(address | 1, STOP)
        except UcError as error:
            failed = _words(error)
        if self._error is not None:
            raise self._error
        problem = self._problem or failed
        if problem is not None:
            where = self.image.where(int(self._uc.reg_read(UC_ARM_REG_PC)) & ~1)
            raise EmulatedFault(f"{self._called}: {problem}, at {where}")

    def _stack_mark(self) -> int:
        """Return how far down the stack was ever written."""
        held = self.read(STACK_END - STACK_BYTES, STACK_BYTES)
        return len(held.lstrip(bytes([PAINT])))

    def _raised_inside(self, error: BaseException) -> None:
        self._error = error
        self._uc.emu_stop()

    def _fold(self) -> None:
        self._counts.fold()
        if self._counts.instructions - self._before > self.limit:
            self._problem = f"does not end within {self.limit:,} instructions"
            self._uc.emu_stop()

    def _on_invalid(self, uc: Uc, access: int, address: int, size: int, value: int, _: object) -> bool:
        self._problem = _access(access, address, size, self._owner(address))
        return False

    def _on_watched(self, uc: Uc, access: int, address: int, size: int, value: int, _: object) -> None:
        if self._problem is None:
            self._problem = _access(access, address, size, self._owner(address))
        uc.emu_stop()

    def _on_access(self, uc: Uc, access: int, address: int, size: int, value: int, _: object) -> None:
        if address % size and self._problem is None:
            self._problem = _access(access, address, size, f"which is no multiple of {size}")
            uc.emu_stop()

    def _owner(self, address: int) -> str:
        """Return in words what an address is that may not be accessed."""
        if STACK_END - STACK_BYTES - PAGE <= address < STACK_END - STACK_BYTES:
            return f"below its stack of {STACK_BYTES:,} bytes"
        for start, size, writable in self._given:
            if start <= address < start + size and not writable:
                return "in what it was given to read"
            if 0 <= address - start - size < PAGE:
                return "behind what it was given"
        read_only = [piece for piece in self.image.pieces if not piece.writable]
        if any(piece.address <= address < piece.address + piece.size for piece in read_only):
            return f"in read-only memory, {self.image.where(address)}"
        before = [one for one in self.image.symbols if one.size and one.address + one.size <= address]
        if before and address < before[-1].address + before[-1].size + PAGE:
            return f"behind {before[-1].name}, outside its objects"
        return "outside its objects"


def _register(number: int) -> int:
    from unicorn.arm_const import UC_ARM_REG_LR, UC_ARM_REG_R0, UC_ARM_REG_SP

    return int({13: UC_ARM_REG_SP, 14: UC_ARM_REG_LR}.get(number, UC_ARM_REG_R0 + number))


def _access(access: int, address: int, size: int, where: str) -> str:
    from unicorn import (
        UC_MEM_FETCH_PROT,
        UC_MEM_FETCH_UNMAPPED,
        UC_MEM_WRITE,
        UC_MEM_WRITE_PROT,
        UC_MEM_WRITE_UNMAPPED,
    )

    if access in (UC_MEM_FETCH_PROT, UC_MEM_FETCH_UNMAPPED):
        return f"jumps to 0x{address:08x}, where no code is"
    writing = access in (UC_MEM_WRITE, UC_MEM_WRITE_UNMAPPED, UC_MEM_WRITE_PROT)
    count = "1 byte" if size == 1 else f"{size} bytes"
    return f"{'writes' if writing else 'reads'} {count} at 0x{address:08x}, {where}"


def _words(error: Any) -> str:
    from unicorn import UC_ERR_EXCEPTION, UC_ERR_INSN_INVALID

    if error.errno == UC_ERR_INSN_INVALID:
        return "runs into what is no instruction"
    if error.errno == UC_ERR_EXCEPTION:
        return "takes an exception (a call of the supervisor, or a breakpoint)"
    return f"cannot be run ({error})"
