"""Viper functions on an emulated Cortex-M0+: their machine code, and what they ask of the interpreter.

The machine code is that of `mpy.mpy_of`; its cycles are counted instruction by instruction. What it asks of
the interpreter (an attribute, a method, the address of an array's bytes, another function) it asks through a
table of functions, whose entries are answered here: objects are those of the module, which CPython builds.
Each kind of call is counted and priced with `CALLS`.

Memory is as tight as for compiled C: every array and bytes object lies between pages that are not there, so
that an index outside of it is a fault and not a wrong number.

Sources: MicroPython 1.25, ``py/nativeglue.h`` (the table, which belongs to version 6.3 of the .mpy files),
``py/emitnative.c`` (how functions are entered), ``py/obj.h`` (numbers and names as objects of 32 bits).
"""

from __future__ import annotations

import array
import builtins
import types
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from linkbudget.cost.cortexm0plus.image import Image, Piece, Symbol
from linkbudget.cost.cortexm0plus.machine import Machine
from linkbudget.cost.mpy import FUN_TABLE, mpy_of
from linkbudget.errors import TargetError

__all__ = ["CALLS", "MEASURED", "Ask", "ViperMachine", "ViperRun"]


class Ask(NamedTuple):
    """A kind of call into the interpreter: its key, in words, and the cycles it takes."""

    key: str
    words: str
    cycles: int


CALLS = (
    Ask("attribute", "attributes found", 220),
    Ask("method", "methods found", 1340),
    Ask("global", "globals found", 92),
    Ask("method_called", "methods called", 140),
    Ask("function_called", "functions called", 131),
    Ask("address", "addresses of bytes", 164),
    Ask("number_in", "numbers unpacked", 60),
    Ask("number_out", "numbers packed", 49),
    Ask("globals_changed", "globals changed", 14),
    Ask("entered", "methods called from outside", 369),
    Ask("function_entered", "functions called from outside", 135),
)
"""What each kind of call takes, the mean of what was seen in `MEASURED`."""

MEASURED = (
    "MicroPython 1.25.0 with its core features and lookup cache, compiled by arm-none-eabi-gcc 12.2 -Os"
    " (-O2 for collector and bytecode) and run whole in the same emulator"
)
"""Where the cycles of `CALLS` were seen."""
PRICES = {one.key: one.cycles for one in CALLS}

FLASH = 0x10000000
OBJECTS = 0x40000000
"""Objects are told apart by addresses at which there is no memory: machine code does not look into them."""
NULL = 0
RETURNS = 0x4760  # BX r12
STUB_BYTES = 4
NAMES = (
    "none", "false", "true", "native_from_obj", "native_to_obj", "swap_globals", "load_name",
    "load_global", "load_build_class", "load_attr", "load_method", "load_super_method",
    "store_name", "store_global", "store_attr", "subscr", "is_true", "unary_op", "binary_op",
    "new_tuple", "new_list", "new_dict", "new_set", "set_store", "list_append", "dict_store",
    "make_function", "call_function_n_kw", "call_method_n_kw", "call_method_n_kw_var", "getiter",
    "iternext", "nlr_push", "nlr_pop", "raise", "import_name", "import_from", "import_all",
    "new_slice", "unpack_sequence", "unpack_ex", "delete_name", "delete_global", "new_closure",
    "arg_check_num_sig", "setup_code_state", "small_int_floor_divide", "small_int_modulo",
    "yield_from", "setjmp",
)  # fmt: skip
"""The entries of the function table, in its order."""
INT, UINT = 2, 3


@dataclass(frozen=True)
class ViperRun:
    """One call. ``native_cycles`` are those of machine code (of two readings of the manual the dearer one),
    ``asked`` how often the interpreter was asked for what (keys of `CALLS`), ``returned`` what it returns.
    """

    returned: Any
    native_cycles: int
    asked: Mapping[str, int]
    by_function: Mapping[str, int]
    stack_bytes: int

    @property
    def interpreter_cycles(self) -> int:
        """What the calls into the interpreter take, by `CALLS`."""
        return sum(PRICES[key] * count for key, count in self.asked.items())

    @property
    def cycles(self) -> int:
        """Machine code and interpreter together."""
        return self.native_cycles + self.interpreter_cycles


class ViperMachine:
    """A module in MicroPython: ``namespace`` holds its names, `call` runs its viper functions."""

    def __init__(self, text: str, *, multiply: int = 1) -> None:
        self.mpy = mpy_of(text)
        self.namespace = _namespace(text)
        self._objects: list[Any] = []
        self._handles: dict[int, int] = {}
        self._addresses: dict[int, int] = {}
        self._asked: Counter[str] = Counter()
        self._functions: dict[str, tuple[int, int]] = {}
        self._image = self._made()
        self.machine = Machine(self._image, multiply=multiply)
        self.machine.answer(self._stubs, self._stubs + STUB_BYTES * len(NAMES), self._answer)
        self._arguments = self.machine.place(4 * 16)

    @property
    def code_bytes(self) -> dict[str, int]:
        """Bytes of machine code by function."""
        return {name: len(code) for name, code in self.mpy.functions.items()}

    def _made(self) -> Image:
        """Lay out stubs, tables and code in memory that is not written to."""
        data = bytearray()
        symbols = []

        def put(part: bytes, name: str, function: bool) -> int:
            data.extend(bytes(-len(data) % 4))
            address = FLASH + len(data)
            data.extend(part)
            symbols.append(Symbol(name, address, len(part), function))
            return address

        stub = RETURNS.to_bytes(2, "little") * (STUB_BYTES // 2)
        first, *_ = [put(stub, f"({name})", True) for name in NAMES]
        self._stubs = first
        words = [first + STUB_BYTES * at | 1 for at in range(len(NAMES))]
        words[:3] = [self._object(one) for one in (None, False, True)]
        table = put(_words(words), "(function table)", False)
        numbers = b"".join(at.to_bytes(2, "little") for at in range(len(self.mpy.names)))
        names = put(numbers, "(names)", False)
        constants = put(
            _words([self._constant(one, table) for one in self.mpy.constants]), "(constants)", False
        )
        context = put(_words([0, 0, names, constants]), "(context)", False)
        for name, code in self.mpy.functions.items():
            start = put(code, name, True)
            function = put(_words([0, context, 0, start | 1]), f"(object of {name})", False)
            self._functions[name] = function, start
        symbols.sort(key=lambda symbol: symbol.address)
        return Image((Piece(".text", FLASH, len(data), bytes(data), False),), tuple(symbols))

    def _constant(self, one: object, table: int) -> int:
        return table if one is FUN_TABLE or one == FUN_TABLE else self._object(one)

    def _object(self, one: Any) -> int:
        """Return an object as machine code holds it: a number as such, else what it is told apart by."""
        if type(one) is int:
            if not -(1 << 30) <= one < 1 << 30:
                raise TargetError(f"{one} does not fit a small number of MicroPython")
            return (one << 1 | 1) & 0xFFFFFFFF
        if isinstance(one, types.FunctionType) and one.__qualname__ in self._functions:
            return self._functions[one.__qualname__][0]
        if id(one) not in self._handles:
            self._handles[id(one)] = OBJECTS + 8 * len(self._objects)
            self._objects.append(one)
        return self._handles[id(one)]

    def _of(self, word: int) -> Any:
        """Return the object that a word stands for."""
        if word & 1:
            value = word >> 1
            return value - (1 << 31) if value >> 30 & 1 else value
        for name, (address, _) in self._functions.items():
            if address == word:
                return name
        return self._objects[(word - OBJECTS) // 8]

    def address(self, one: Any) -> int:
        """Return where the bytes of an array, a bytearray or a bytes object are; they are put there once."""
        base, offset = one, 0
        if isinstance(one, memoryview):
            base = one.obj
            offset = _address_of(one) - _address_of(memoryview(base))
        if not isinstance(base, bytes | bytearray | array.array):
            raise TargetError(f"a pointer to a {type(one).__name__}: expected an array, bytes or a bytearray")
        self._object(base)
        if id(base) not in self._addresses:
            held = bytes(memoryview(base).cast("B"))
            made = self.machine.place(len(held), held, writable=not isinstance(base, bytes))
            self._addresses[id(base)] = made
        return self._addresses[id(base)] + offset

    def read(self, one: Any) -> bytes:
        """Return the bytes of an array or bytearray as they are now."""
        return self.machine.read(self.address(one), memoryview(one).nbytes)

    def write(self, one: Any, data: bytes) -> None:
        """Change the first bytes of an array or bytearray."""
        self.machine.write(self.address(one), data)

    def call(self, function: Callable[..., Any], *arguments: Any) -> ViperRun:
        """Call a viper function, or a method of an object, as Python code would, and return what it took.

        Raises `EmulatedFault` for a fault or an access outside of the arrays; `TargetError` for what is no
        viper function, or asks of the interpreter what is not answered here.
        """
        inside = getattr(function, "__func__", function)
        given = ((function.__self__,) if inside is not function else ()) + arguments  # type: ignore[attr-defined]
        name = inside.__qualname__
        if name not in self._functions:
            raise TargetError(f"{name} is no viper function")
        self._asked = Counter(["function_entered" if inside is function else "entered"])
        self.machine.write(self._arguments, _words([self._object(one) for one in given]))
        function_object, start = self._functions[name]
        run = self.machine.call(start, function_object, len(given), 0, self._arguments)
        by_function = {key: count for key, count in run.by_symbol.items() if not key.startswith("(")}
        return ViperRun(
            returned=self._of(run.returned),
            native_cycles=sum(by_function.values()),
            asked=dict(self._asked),
            by_function=by_function,
            stack_bytes=run.stack_bytes,
        )

    def _answer(self, address: int) -> None:
        """Do what the interpreter would, and go on where it would."""
        name = NAMES[(address - self._stubs) // STUB_BYTES]
        answer = getattr(self, f"_do_{name}", None)
        if answer is None:
            raise TargetError(f"{self._caller()} asks the interpreter for {name}, which is not answered here")
        a, b, c = (self.machine.register(number) for number in range(3))
        go_on = answer(a, b, c)
        self.machine.set_register(12, self.machine.register(14) if go_on is None else go_on)

    def _caller(self) -> str:
        symbol = self._image.symbol_at(self.machine.register(14) & ~1)
        return symbol.name if symbol else "code"

    def _ask(self, key: str, result: int) -> None:
        self._asked[key] += 1
        self.machine.set_register(0, result)

    def _do_native_from_obj(self, word: int, kind: int, _: int) -> None:
        one = self._of(word)
        if kind & 15 > UINT:
            self._ask("address", one if isinstance(one, int) else self.address(one))
        elif isinstance(one, int):
            self._ask("number_in", int(one))
        else:
            raise TargetError(f"{self._caller()}: a number was expected, there is a {type(one).__name__}")

    def _do_native_to_obj(self, value: int, kind: int, _: int) -> None:
        signed = value - (1 << 32) if value >> 31 and kind & 15 == INT else value
        one: Any = bool(value) if kind & 15 == 1 else signed
        if kind & 15 > UINT:
            raise TargetError(f"{self._caller()}: a pointer becomes an object")
        self._ask("number_out", self._object(one))

    def _do_swap_globals(self, *_: int) -> None:
        self._ask("globals_changed", NULL)

    def _do_load_global(self, name: int, *_: int) -> None:
        key = self.mpy.names[name]
        if key not in self.namespace:
            raise TargetError(f"{self._caller()}: there is no {key}")
        self._ask("global", self._object(self.namespace[key]))

    def _do_load_attr(self, base: int, name: int, _: int) -> None:
        self._ask("attribute", self._object(getattr(self._of(base), self.mpy.names[name])))

    def _do_load_method(self, base: int, name: int, to: int) -> None:
        one = self._of(base)
        found = getattr(one, self.mpy.names[name])
        inside = getattr(found, "__func__", found)
        words = [self._object(inside), NULL if inside is found else self._object(one)]
        self.machine.write(to, _words(words))
        self._ask("method", 0)

    def _do_call_function_n_kw(self, function: int, counts: int, arguments: int) -> int:
        self._asked["function_called"] += 1
        return self._entered(function, counts & 0xFF, counts >> 8, arguments)

    def _do_call_method_n_kw(self, count: int, keywords: int, arguments: int) -> int:
        self._asked["method_called"] += 1
        function, bound = (
            int.from_bytes(self.machine.read(arguments + 4 * at, 4), "little") for at in range(2)
        )
        more = bound != NULL
        return self._entered(function, count + more, keywords, arguments + (4 if more else 8))

    def _entered(self, function: int, count: int, keywords: int, arguments: int) -> int:
        name = self._of(function)
        if not isinstance(name, str) or name not in self._functions:
            raise TargetError(f"{self._caller()} calls what is no viper function")
        for number, word in enumerate((function, count, keywords, arguments)):
            self.machine.set_register(number, word)
        return self._functions[name][1] | 1


def _words(words: Sequence[int]) -> bytes:
    return b"".join(word.to_bytes(4, "little") for word in words)


def _address_of(view: memoryview) -> int:
    import ctypes

    return ctypes.addressof(ctypes.c_char.from_buffer(view.cast("B")))


def _namespace(text: str) -> dict[str, Any]:
    """Return the names of a module, run by CPython; viper functions are there, and are not run by it."""
    micropython = types.ModuleType("micropython")
    micropython.__dict__.update(const=lambda value: value, viper=lambda function: function)
    imported = builtins.__import__

    def found(name: str, *more: Any) -> Any:
        return micropython if name == "micropython" else imported(name, *more)

    namespace: dict[str, Any] = {
        "__name__": "generated",
        "__builtins__": {**vars(builtins), "__import__": found},
    }
    # As if it began with a future import: names of pointer types are no names of CPython.
    exec(compile(text, "generated.py", "exec", annotations.compiler_flag), namespace)
    return namespace
