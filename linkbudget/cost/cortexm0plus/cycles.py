"""Cycles of each instruction of the Cortex-M0+, as data.

Source: Arm, "Cortex-M0+ Technical Reference Manual", DDI 0484C, table 3-1, for memory without wait states.
The rows marked ``memory`` are from memory and not in the part of the table that was at hand.

What a list of registers costs depends on how the manual is read: whether LR in ``PUSH {..., LR}`` and PC in
``POP {..., PC}`` are among the N registers. Each instruction has two numbers: `Cycles.low` leaves LR and PC
out of N, `Cycles.high` counts them. For all others they are equal.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

from linkbudget.errors import TargetError

if TYPE_CHECKING:
    from capstone import CsInsn

__all__ = ["BRANCH_WITH_LINK", "ROWS", "Cycles", "Instruction", "Row", "instruction_of"]


class Cycles(NamedTuple):
    """Cycles in the two readings of a register list: without LR and PC in it, and with them."""

    low: int
    high: int


class Row(NamedTuple):
    """A row of the table: these mnemonics take ``cycles``, and one more for each register of a list."""

    group: str
    mnemonics: str
    cycles: int
    listed: bool = False
    source: str = "DDI 0484C"


ROWS = (
    Row("move", "mov movs", 1),
    Row("add", "add adds adr", 1),
    Row("add with carry", "adcs", 1, source="memory"),
    Row("subtract", "sub subs sbcs rsbs", 1),
    Row("multiply", "muls", 1),
    Row("compare", "cmp cmn", 1),
    Row("logical", "ands eors bics mvns", 1),
    Row("logical", "orrs tst", 1, source="memory"),
    Row("shift and rotate", "lsls lsrs asrs rors", 1),
    Row("load", "ldr ldrh ldrb ldrsh ldrsb", 2),
    Row("store", "str strh strb", 2),
    Row("several", "ldm stm push", 1, listed=True),
    Row("several", "pop", 1, listed=True),
    Row("branch", "b", 2),
    Row("branch with link", "bl", 3),
    Row("branch with exchange", "bx", 2),
    Row("branch with link and exchange", "blx", 2, source="memory"),
    Row("extend", "sxtb sxth uxtb uxth", 1),
    Row("reverse", "rev rev16 revsh", 1),
    Row("state", "cpsid cpsie", 1),
    Row("state", "mrs", 3),
    Row("state", "msr", 3, source="memory"),
    Row("hint", "nop sev", 1),
    Row("barrier", "isb dsb", 3),
    Row("barrier", "dmb", 3, source="memory"),
)
"""What depends on the operands (a list of registers, a write to PC) is in `instruction_of`."""

TO_PC = 2
RETURN_FROM_LIST = 3
TAKEN = 1
BRANCH_WITH_LINK = 3
"""What the caller of a function pays for calling it (``BL``)."""

CONDITIONS = frozenset(
    ("eq", "ne", "hs", "cs", "lo", "cc", "mi", "pl", "vs", "vc", "hi", "ls", "ge", "lt", "gt", "le")
)


class Instruction(NamedTuple):
    """What one instruction costs and does to the stack.

    ``taken`` is what a conditional branch costs on top when it is taken, 0 for all others. ``stack`` is by
    how many bytes it moves the stack pointer (negative: down), None when that cannot be read off it.
    """

    text: str
    size: int
    cycles: Cycles
    taken: int
    stack: int | None


@cache
def _by_mnemonic() -> dict[str, Row]:
    return {mnemonic: row for row in ROWS for mnemonic in row.mnemonics.split()}


def instruction_of(decoded: CsInsn, multiply: int = 1) -> Instruction:
    """Return what an instruction costs that capstone decoded (with details) as Thumb for an M profile.

    ``multiply``: cycles of ``MULS``, 1 or 32, as the maker of the chip chose.

    Raises `TargetError` for an instruction that has no row in the table.
    """
    name = decoded.mnemonic.removesuffix(".w").removesuffix(".n")
    text = f"{decoded.mnemonic} {decoded.op_str}".strip()
    if name[:1] == "b" and name[1:] in CONDITIONS:
        return Instruction(text, decoded.size, Cycles(1, 1), TAKEN, 0)
    row = _by_mnemonic().get(name)
    if row is None:
        raise TargetError(f"{text!r} at 0x{decoded.address:x} has no cycles in the table of the Cortex-M0+")
    if row.listed:
        return _with_list(decoded, name, row, text)
    cycles, stack = row.cycles, _moved(decoded, name)
    if name == "muls":
        cycles = multiply
    elif name in ("mov", "add") and _writes(decoded, "pc"):
        cycles = TO_PC
    return Instruction(text, decoded.size, Cycles(cycles, cycles), 0, stack)


def _with_list(decoded: CsInsn, name: str, row: Row, text: str) -> Instruction:
    names = _registers(decoded)
    listed = names if name in ("push", "pop") else names[1:]
    special = sum(register in ("lr", "pc") for register in listed)
    base = RETURN_FROM_LIST if name == "pop" and "pc" in listed else row.cycles
    count = len(listed)
    stack = {"push": -4 * count, "pop": 4 * count}.get(name, 0)
    return Instruction(text, decoded.size, Cycles(base + count - special, base + count), 0, stack)


def _registers(decoded: CsInsn) -> list[str]:
    from capstone.arm import ARM_OP_REG

    return [decoded.reg_name(operand.reg) for operand in decoded.operands if operand.type == ARM_OP_REG]


def _writes(decoded: CsInsn, register: str) -> bool:
    operands: list[Any] = list(decoded.operands)
    return bool(operands) and _registers(decoded)[:1] == [register]


def _moved(decoded: CsInsn, name: str) -> int | None:
    """Return by how much an instruction other than push and pop moves the stack pointer."""
    from capstone.arm import ARM_OP_IMM

    if name not in ("add", "sub", "mov") or not _writes(decoded, "sp"):
        return 0
    last = decoded.operands[-1]
    if name == "mov" or last.type != ARM_OP_IMM:
        return None
    return int(last.imm) if name == "add" else -int(last.imm)
