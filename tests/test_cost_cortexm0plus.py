"""The emulated Cortex-M0+: cycles by the manual's table, counted by hand and by a second emulator; faults."""

from __future__ import annotations

import pytest
from m0plus import compiler, in_rp2040js, machine, naked, needs_rp2040js, program

from linkbudget.cost.cortexm0plus.cycles import Cycles, _by_mnemonic
from linkbudget.cost.cortexm0plus.figures import Buffer, Call, measure_c
from linkbudget.cost.cortexm0plus.machine import EmulatedFault, Machine
from linkbudget.errors import TargetError

# Arm, "Cortex-M0+ Technical Reference Manual", DDI 0484C, table 3-1, zero wait states. Rows marked v were
# read in the manual; c: from memory, agreeing with a public transcription of the table in source code.
TABLE = [
    ("movs r0, #1", 1, "v"),
    ("mov r8, r0", 1, "v"),
    ("adds r0, r1, #1", 1, "v"),
    ("add r0, r8", 1, "v"),
    ("adds r0, #200", 1, "v"),
    ("add r0, sp, #4", 1, "v"),
    ("subs r0, r1, r2", 1, "v"),
    ("subs r0, #200", 1, "v"),
    ("sbcs r0, r1", 1, "v"),
    ("rsbs r0, r1, #0", 1, "v"),
    ("muls r0, r1, r0", 1, "v"),
    ("cmp r0, r1", 1, "v"),
    ("cmp r0, #7", 1, "v"),
    ("cmn r0, r1", 1, "v"),
    ("ands r0, r1", 1, "v"),
    ("eors r0, r1", 1, "v"),
    ("bics r0, r1", 1, "v"),
    ("mvns r0, r1", 1, "v"),
    ("orrs r0, r1", 1, "from memory"),
    ("tst r0, r1", 1, "from memory"),
    ("adcs r0, r1", 1, "from memory"),
    ("lsls r0, r1, #3", 1, "v"),
    ("lsls r0, r1", 1, "v"),
    ("lsrs r0, r1, #3", 1, "v"),
    ("asrs r0, r1, #3", 1, "v"),
    ("rors r0, r1", 1, "v"),
    ("ldr r0, [sp, #0]", 2, "c"),
    ("mov r1, sp; ldr r0, [r1, #0]", 3, "v"),
    ("mov r1, sp; ldrh r0, [r1, #0]", 3, "v"),
    ("mov r1, sp; ldrb r0, [r1, #0]", 3, "v"),
    ("mov r1, sp; movs r2, #0; ldr r0, [r1, r2]", 4, "v"),
    ("mov r1, sp; movs r2, #0; ldrsh r0, [r1, r2]", 4, "v"),
    ("mov r1, sp; movs r2, #0; ldrsb r0, [r1, r2]", 4, "c"),
    ("str r0, [sp, #0]", 2, "c"),
    ("mov r1, sp; strh r0, [r1, #0]", 3, "c"),
    ("mov r1, sp; movs r2, #0; strb r0, [r1, r2]", 4, "c"),
    ("mov r1, sp; ldmia r1!, {r0, r2, r3}", 5, "c"),
    ("mov r1, sp; ldmia r1, {r0, r1}", 4, "c"),
    ("mov r1, sp; stmia r1!, {r0, r2}", 4, "c"),
    ("b 1f; 1: nop", 3, "c"),
    ("mov r3, lr; bl 1f; 1: mov lr, r3", 5, "c"),
    ("sxtb r0, r1", 1, "c"),
    ("uxth r0, r1", 1, "c"),
    ("rev r0, r1", 1, "c"),
    ("rev16 r0, r1", 1, "c"),
    ("revsh r0, r1", 1, "c"),
    ("cpsid i; cpsie i", 2, "c"),
    ("mrs r0, primask", 3, "c"),
    ("sev", 1, "c"),
    ("nop", 1, "c"),
    ("isb", 3, "c"),
    ("dsb", 3, "c"),
    ("dmb", 3, "from memory"),
]
ROOM, ROOM_BACK = "sub sp, #16", "add sp, #16"
RETURN = 2  # BX Rm
COMPILERS = ["gcc", "zig"]


def alone(instructions: str) -> str:
    return f"{ROOM}; {instructions}; {ROOM_BACK}; bx lr"


def cost(emulated: Machine, function: str) -> Cycles:
    """Return what a function of `alone` takes without what stands around it."""
    low, high = emulated.call(function).cycles
    return Cycles(low - 2 - RETURN, high - 2 - RETURN)


@pytest.fixture(scope="module", params=COMPILERS)
def table_machine(request):
    functions = {f"row{number}": row[0] for number, row in enumerate(TABLE)}
    text = "".join(naked(name, alone(instructions)) for name, instructions in functions.items())
    return machine(text, *functions, name=request.param)


@pytest.mark.parametrize("number", range(len(TABLE)), ids=[row[0] for row in TABLE])
def test_every_instruction_takes_what_the_table_says(table_machine, number):
    _, cycles, _ = TABLE[number]
    assert cost(table_machine, f"row{number}") == (cycles, cycles)


@pytest.fixture(scope="module")
def branching():
    """The instructions whose cycles depend on what they do, in one program."""
    functions = {
        "taken": alone("cmp r0, r0; beq 1f; nop; nop; 1:"),
        "not_taken": alone("cmp r0, r0; bne 1f; nop; nop; 1:"),
        "to_pc": alone("adr r0, 1f; adds r0, #1; mov pc, r0; .align 2; 1: nop"),
        "add_to_pc": alone("movs r0, #0; add pc, r0; nop; nop"),
        "push_one": alone("push {r4}; pop {r4}"),
        "push_three": alone("push {r1, r2, r4}; pop {r1, r2, r4}"),
        "push_lr": "push {r4, r5, lr}; pop {r4, r5, pc}",
        "call": "push {r4, lr}; bl leaf; pop {r4, pc}",
        "leaf": "bx lr",
        # Ten passes of a byte loop: LDRB, EORS, LDRB (table), STRB, ADDS, SUBS, BNE.
        "byte_loop": alone(
            "mov r1, sp; movs r2, #10; movs r4, #0; mov r5, sp; movs r6, #0;"
            " 1: ldrb r3, [r1, #0]; eors r3, r3; ldrb r3, [r5, r3]; strb r3, [r1, #0];"
            " adds r6, #1; subs r2, #1; bne 1b"
        ),
    }
    text = "".join(naked(name, instructions) for name, instructions in functions.items())
    return machine(text, *functions)


def test_a_byte_loop_counted_by_hand(branching):
    # 2+1+2+2+1+1+2 = 11 cycles a pass and 10 in the last (worked count of the table); five moves before it.
    assert cost(branching, "byte_loop") == (5 + 9 * 11 + 10,) * 2
    assert branching.call("byte_loop").instructions == 1 + 5 + 10 * 7 + 2


def test_a_branch_costs_more_when_it_is_taken(branching):
    assert cost(branching, "taken") == (1 + 2,) * 2
    assert cost(branching, "not_taken") == (1 + 1 + 2,) * 2


def test_writing_the_program_counter_costs_a_cycle_more(branching):
    found = cost(branching, "to_pc")
    assert found in {(1 + 1 + 2 + 1,) * 2, (1 + 1 + 2 + 1 + 1,) * 2}
    assert cost(branching, "add_to_pc").low == 1 + 2 + 1


def test_a_list_of_registers_costs_one_cycle_each(branching):
    assert cost(branching, "push_one") == (2 + 2,) * 2
    assert cost(branching, "push_three") == (4 + 4,) * 2


def test_lr_and_pc_in_a_list_are_counted_or_not(branching):
    # PUSH 1+N, POP with PC 3+N: N is 2 without LR and PC, 3 with them.
    assert branching.call("push_lr").cycles == (1 + 2 + 3 + 2, 1 + 3 + 3 + 3)


def test_a_call_and_its_return(branching):
    run = branching.call("call")
    assert run.cycles == (1 + 1 + 3 + 2 + 3 + 1, 1 + 2 + 3 + 2 + 3 + 2)
    assert run.by_symbol == {"call": 1 + 2 + 3 + 3 + 2, "leaf": 2}
    assert run.stack_bytes == 8


def test_a_slow_multiplier_takes_32_cycles():
    text = naked("multiply", alone("muls r0, r1, r0"))
    assert cost(machine(text, "multiply", multiply=32), "multiply") == (32, 32)
    assert cost(machine(text, "multiply"), "multiply") == (1, 1)


def test_what_the_table_gives_no_cycles_for_is_refused():
    with pytest.raises(TargetError, match=r"wfi.* has no cycles"):
        machine(naked("waits", "wfi; bx lr"), "waits").call("waits")


SUM = """
#include <stddef.h>
#include <stdint.h>
static uint8_t kept[64];
uint32_t sum(const uint8_t *p, size_t n, uint32_t a, uint32_t b, uint32_t c);
uint32_t sum(const uint8_t *p, size_t n, uint32_t a, uint32_t b, uint32_t c)
{
    uint32_t s = a / 10u + b * c;
    for (size_t i = 0; i < n; i++) {
        if (p[i] & 1u) {
            s = s * 31u + p[i];
        } else {
            s ^= kept[p[i] & 63u];
            kept[i & 63u] = (uint8_t)s;
        }
    }
    return s;
}
"""


@pytest.mark.parametrize("name", COMPILERS)
@pytest.mark.parametrize("flags", [("-Os",), ("-O2",), ("-O0",)])
def test_blocks_add_up_to_single_steps(name, flags):
    # The blocks of the emulator against its own count of single instructions.
    from unicorn import UC_HOOK_CODE

    emulated = machine(SUM, "sum", name=name, flags=flags)
    data = bytes(range(251)) * 3
    address = emulated.place(len(data), data, writable=False)
    run = emulated.call("sum", address, len(data), 1000, 3, 5)
    emulated.reset()
    steps = []
    emulated._uc.hook_add(UC_HOOK_CODE, lambda *_: steps.append(1))
    emulated._uc.ctl_flush_tb()
    again = emulated.call("sum", address, len(data), 1000, 3, 5)
    assert (len(steps), again.cycles, again.returned) == (run.instructions, run.cycles, run.returned)


def test_a_long_call_is_folded_in_pieces_to_the_same_sums(monkeypatch):
    data = bytes(range(251)) * 3
    found = []
    for batch in (1 << 16, 7, 2):
        monkeypatch.setattr("linkbudget.cost.cortexm0plus.machine.BATCH", batch)
        emulated = machine(SUM, "sum")
        address = emulated.place(len(data), data, writable=False)
        found.append(emulated.calls("sum", [(address, n, 9, 9, 9) for n in (len(data), 0, 5)]))
    first = found[0]
    assert first.high[1] < first.high[2] < first.high[0]
    for other in found[1:]:
        for name in ("returned", "low", "high", "instructions"):
            assert (getattr(other, name) == getattr(first, name)).all()
        assert (other.stack_bytes, other.by_symbol) == (first.stack_bytes, first.by_symbol)


@pytest.mark.parametrize("home", ["no.such.module", "linkbudget.errors"])
def test_blocks_are_told_in_the_packages_own_way_too(monkeypatch, home):
    data, found = bytes(range(100)), []
    for one in ("unicorn.unicorn_py3.unicorn", home):
        monkeypatch.setattr("linkbudget.cost.cortexm0plus.hook.HOME", one)
        emulated = machine(SUM, "sum")
        found.append(emulated.call("sum", emulated.place(len(data), data), len(data), 1, 2, 3))
    assert found[0] == found[1]


def test_what_is_raised_while_code_runs_gets_out(monkeypatch):
    # The trace is folded while the code runs, and the instruction in it has no cycles.
    monkeypatch.setattr("linkbudget.cost.cortexm0plus.machine.BATCH", 3)
    loop = "movs r0, #9; 1: cpsid i; subs r0, #1; bne 1b; bx lr"
    emulated = machine(naked("loop", loop), "loop")
    monkeypatch.setattr("linkbudget.cost.cortexm0plus.cycles.ROWS", ())
    _by_mnemonic.cache_clear()
    try:
        with pytest.raises(TargetError, match=r"has no cycles in the table"):
            emulated.call("loop")
    finally:
        monkeypatch.undo()
        _by_mnemonic.cache_clear()


def test_many_calls_are_the_same_as_one_after_the_other():
    data, several, single = bytes(range(100)), machine(SUM, "sum"), machine(SUM, "sum")
    at = [one.place(len(data), data) for one in (several, single)]
    runs = several.calls("sum", [(at[0], n, 1, 2, 3) for n in range(20)])
    ones = [single.call("sum", at[1], n, 1, 2, 3) for n in range(20)]
    assert runs.high.tolist() == [one.cycles.high for one in ones]
    assert runs.returned.tolist() == [one.returned for one in ones]
    assert runs.stack_bytes == max(one.stack_bytes for one in ones)


@needs_rp2040js
@pytest.mark.parametrize("name", COMPILERS)
@pytest.mark.parametrize("flags", [("-Os",), ("-O2",), ("-O0",)])
def test_a_second_emulator_counts_the_same(name, flags, tmp_path):
    # npm rp2040js 1.4.1 counts instructions, and cycles without LR and PC in a list.
    image = program(SUM, "sum", name=name, flags=flags)
    data, place = bytes(range(251)), 0x20010000
    emulated = Machine(image)
    address = emulated.place(len(data), data, writable=False)
    sizes = (0, 1, 7, 251)
    runs = [emulated.call("sum", address, n, 1000, 3, 5) for n in sizes]
    others = in_rp2040js(image, [("sum", (place, n, 1000, 3, 5), {place: data}) for n in sizes], tmp_path)
    assert [(run.returned, run.instructions, run.cycles.low) for run in runs] == [
        (other["returned"], other["instructions"], other["cycles"]) for other in others
    ]


BAD = {
    "beyond": ("static int t[4]; t[n] = 1; return t[2];", "writes 4 bytes at 0x2.* behind t"),
    "stored": ("((uint8_t *)p)[0] = 1; return 0;", "writes 1 byte at 0x3.* in what it was given to read"),
    "read": ("return p[n];", "reads 1 byte at 0x3.* behind what it was given"),
    "nothing": ("return *(volatile int *)(n - n);", "reads 4 bytes at 0x00000000, outside its objects"),
    "code": (
        "*(volatile int *)0x10000000 = 1; return 0;",
        "writes 4 bytes at 0x10000000, in read-only memory",
    ),
    "unaligned": ("return *(volatile int *)(p + 1);", "reads 4 bytes at 0x3.* which is no multiple of 4"),
    "endless": ("volatile int x = 1; while (x) { } return 0;", "does not end within 100,000 instructions"),
    "deep": (
        "volatile char big[20000]; big[0] = 1; return big[9];",
        "writes 1 byte at 0x2.* below its stack",
    ),
    "jump": ("return ((int (*)(int))0x30)(1);", "jumps to 0x00000030, where no code is"),
    "call": ('__asm volatile("svc 0"); return 0;', "takes an exception"),
}


@pytest.fixture(scope="module")
def bad_machine():
    text = "#include <stddef.h>\n#include <stdint.h>\n"
    for name, (body, _) in BAD.items():
        head = f"int {name}(const uint8_t *p, size_t n)"
        text += f"{head};\n{head}\n{{\n(void)p; (void)n;\n{body}\n}}\n"
    text += (
        "int fine(const uint8_t *p, size_t n);\nint fine(const uint8_t *p, size_t n) { return p[n - 1]; }\n"
    )
    return machine(text, *BAD, "fine", strict=True, limit=100_000)


@pytest.mark.parametrize("name", list(BAD))
def test_code_that_may_not_go_on_is_stopped_with_address_and_symbol(bad_machine, name):
    data = bytes(40)
    address = bad_machine.place(len(data), data, writable=False)
    with pytest.raises(EmulatedFault, match=f"^{name}: {BAD[name][1]}") as caught:
        bad_machine.call(name, address, len(data))
    assert name == "jump" or f"at {name}" in str(caught.value)


def test_a_machine_goes_on_after_a_fault(bad_machine):
    address = bad_machine.place(4, b"abcd", writable=False)
    with pytest.raises(EmulatedFault):
        bad_machine.call("stored", address, 4)
    assert bad_machine.call("fine", address, 4).returned == ord("d")


def test_a_function_that_is_not_there():
    with pytest.raises(TargetError, match="no function 'nothing'"):
        machine(SUM, "sum").call("nothing")


@pytest.mark.parametrize("name", COMPILERS)
def test_code_bytes_by_symbol_add_up_to_what_is_flashed(name):
    text = SUM + "uint32_t unused(void); uint32_t unused(void) { return sum(0, 0, 1, 2, 3); }\n"
    image = program(text, "sum", name=name)
    code = image.code_bytes
    assert sum(code.values()) == sum(len(piece.data) for piece in image.pieces)
    assert "sum" in code
    assert "unused" not in code
    assert image.static_bytes == 64
    (symbol,) = [one for one in image.symbols if one.name == "sum"]
    assert image.symbol_at(symbol.address + symbol.size - 1) == symbol
    assert image.where(symbol.address + 2) == f"sum+0x2 (0x{symbol.address + 2:08x})"


def test_calls_of_any_c_are_measured_in_one_go():
    compiler("gcc")
    text = """
    #include <stdint.h>
    uint32_t total;
    void add(const uint8_t *data, unsigned n, uint8_t *last);
    void add(const uint8_t *data, unsigned n, uint8_t *last)
    {
        while (n-- > 0) { *last = *data; total += *data++; }
    }
    """
    last = Buffer("last", 1)
    calls = [Call("add", (b"abc", 3, last)), Call("add", (b"de", 2, last)), Call("add", (b"", 0, last))]
    found = measure_c({"add.c": text}, calls, compiler="gcc", flags=("-Os",))
    assert found.runs[0].cycles.high > found.runs[1].cycles.high > found.runs[2].cycles.high
    assert found.machine.value("total") == sum(b"abcde")
    assert found.code_bytes["add"] == sum(found.code_bytes.values())
    assert found.stack_bytes == max(run.stack_bytes for run in found.runs)
    assert (found.compiler.name, found.flags) == ("gcc", ("-Os",))
    with pytest.raises(TargetError, match="no object 'nothing'"):
        found.machine.value("nothing")
    with pytest.raises(EmulatedFault, match="behind what it was given"):
        measure_c({"add.c": text}, [Call("add", (b"ab", 9000, last))])


def test_stack_is_counted_where_it_is_reserved_and_where_it_moves_by_a_register():
    reserved = naked("reserved", "sub sp, #200; nop; add sp, #200; bx lr")
    moved = naked(
        "moved", "mov r0, sp; subs r0, #100; mov sp, r0; str r0, [sp, #0]; adds r0, #100; mov sp, r0; bx lr"
    )
    assert machine(reserved, "reserved").call("reserved").stack_bytes == 200
    assert machine(moved, "moved").call("moved").stack_bytes == 100
