"""C sources compiled and linked for a Cortex-M0+ without an operating system.

Two compilers serve: ``arm-none-eabi-gcc`` when it is on the path, else clang in the package ``ziglang``. Both
link their own helpers (division, memcpy); with gcc those of newlib are linked as well. Only what the called
functions need is kept, so that the code bytes are those of a program that calls them and nothing else.

The program stands in flash at 0x10000000 and its static objects in RAM at 0x20000000.
"""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from linkbudget.cost.cortexm0plus.image import Image, read_image, section_names
from linkbudget.errors import Fault, SettingsError, TargetError

__all__ = [
    "COMPILERS",
    "FLAGS",
    "GAP",
    "GAP_BYTES",
    "INSTALL",
    "Compiler",
    "build",
    "compiled",
    "compiler_named",
    "linked",
]

COMPILERS = ("gcc", "zig")
FLAGS = ("-O2",)
INSTALL = 'pip install "linkbudget[target]"'

FLASH = 0x10000000
RAM = 0x20000000
TIMEOUT_S = 300
GAP, GAP_BYTES = "driver_gap_", 16

COMPILING = (
    *("-std=c99", "-ffreestanding", "-fno-common", "-ffunction-sections", "-fdata-sections"),
    *("-fno-unwind-tables", "-fno-asynchronous-unwind-tables"),
)
"""How every file is compiled; the flags of the caller come behind."""

SCRIPT = """\
SECTIONS {{
  .text {flash:#x} : {{ {text} *(.text .text.*) {rodata} *(.rodata .rodata.*) }}
  . = {ram:#x};
  .data : {{ {data} {data_apart} *(.data .data.*) }}
  .bss (NOLOAD) : {{ {bss} {bss_apart} *(.bss .bss.*) *(COMMON) }}
  end = .;
  /DISCARD/ : {{ *(.ARM.exidx .ARM.exidx.*) *(.ARM.extab .ARM.extab.*) }}
}}
"""

STRING_H = """\
#ifndef STRING_H
#define STRING_H
#include <stddef.h>
#ifdef __cplusplus
extern "C" {
#endif
void *memcpy(void *to, const void *from, size_t n);
void *memmove(void *to, const void *from, size_t n);
void *memset(void *to, int value, size_t n);
int memcmp(const void *a, const void *b, size_t n);
size_t strlen(const char *text);
#ifdef __cplusplus
}
#endif
#endif
"""
"""For clang without a C library: what its helpers hold."""


@dataclass(frozen=True)
class Compiler:
    """A compiler: its short name, how it is called, and its version in words."""

    name: str
    command: tuple[str, ...]
    version: str

    @property
    def target(self) -> tuple[str, ...]:
        """The flags that say for which processor; every build has them."""
        if self.name == "gcc":
            return ("-mcpu=cortex-m0plus", "-mthumb")
        return ("-target", "thumb-freestanding-eabi", "-mcpu=cortex_m0plus")


@cache
def compiler_named(name: str | None = None) -> Compiler:
    """Return a compiler: ``"gcc"``, ``"zig"``, or the first of them that is there.

    Raises `SettingsError` for another name, and `TargetError` when it is not installed, with the command that
    installs it.
    """
    if name not in (None, *COMPILERS):
        raise SettingsError(Fault("compiler", name, " or ".join(COMPILERS)))
    gcc = shutil.which("arm-none-eabi-gcc")
    if gcc and name != "zig":
        return Compiler("gcc", (gcc,), _first_line([gcc, "--version"]))
    if name == "gcc":
        raise TargetError(
            "arm-none-eabi-gcc is not on the path: install it (Debian: apt install gcc-arm-none-eabi"
            f" libnewlib-arm-none-eabi), or take clang: {INSTALL}"
        )
    if importlib.util.find_spec("ziglang") is None:
        raise TargetError(f"there is no compiler for the Cortex-M0+: {INSTALL}")
    command = (sys.executable, "-m", "ziglang", "cc")
    return Compiler("zig", command, _first_line([*command, "--version"]))


def _first_line(command: Sequence[str]) -> str:
    done = subprocess.run(command, capture_output=True, text=True, timeout=TIMEOUT_S, check=True)
    return done.stdout.splitlines()[0].strip()


def compiled(
    sources: Mapping[str, str],
    *,
    compiler: Compiler,
    flags: Sequence[str] = FLAGS,
    include: Sequence[str] = (),
) -> dict[str, bytes]:
    """Compile files (name to text; those that end in ``.c``) and return the object files by name.

    ``include`` are folders for ``#include``. Every file is compiled by itself; nothing is inlined from one
    into another.

    Raises `TargetError` with the first line of what the compiler complains of.
    """
    with tempfile.TemporaryDirectory(prefix="linkbudget-") as name:
        folder = Path(name)
        for file, text in sources.items():
            (folder / file).write_text(text, encoding="utf-8")
        command = [*compiler.command, *compiler.target, *COMPILING]
        command += [part for path in (name, *include) for part in ("-I", path)]
        if compiler.name == "zig":
            (folder / "libc").mkdir()
            (folder / "libc" / "string.h").write_text(STRING_H, encoding="ascii")
            # Without these it checks for undefined behaviour while the program runs, which no firmware does.
            command += ["-isystem", str(folder / "libc"), "-fno-sanitize=all"]
        found = {}
        for file in sources:
            if file.endswith(".c"):
                _run(compiler, [*command, *flags, "-c", file, "-o", "made.o"], name)
                found[file] = (folder / "made.o").read_bytes()
        return found


def linked(
    objects: Mapping[str, bytes], entries: Sequence[str], *, compiler: Compiler, apart: bool = False
) -> Image:
    """Link object files and return the program: the functions and objects ``entries`` and what they need.

    ``apart`` leaves a gap of `GAP_BYTES` behind each static object of these files; where gaps begin say the
    symbols that begin with `GAP`.

    Raises `TargetError` for what is missing.
    """
    with tempfile.TemporaryDirectory(prefix="linkbudget-") as name:
        folder = Path(name)
        names = [f"{number}.o" for number in range(len(objects))]
        for file, data in zip(names, objects.values(), strict=True):
            (folder / file).write_bytes(data)
        kept = {
            section: " ".join(f"KEEP(*(.{section}.{entry}))" for entry in entries)
            for section in ("text", "rodata", "data", "bss")
        }
        kept |= {f"{section}_apart": "" for section in ("data", "bss")}
        if apart:
            kept |= {f"{section}_apart": _apart(objects, section) for section in ("data", "bss")}
        script = SCRIPT.format(flash=FLASH, ram=RAM, **kept)
        (folder / "layout.ld").write_text(script, encoding="ascii")
        command = [*compiler.command, *compiler.target, *COMPILING, *names, "-g", "-O2", "-Wl,--gc-sections"]
        command += ["-nostartfiles", "--specs=nosys.specs"] if compiler.name == "gcc" else []
        command += [f"-Wl,--entry={entries[0]}", "-Wl,-T,layout.ld", "-o", "program.elf"]
        _run(compiler, command, name)
        return read_image((folder / "program.elf").read_bytes())


def _apart(objects: Mapping[str, bytes], section: str) -> str:
    """Return the lines of the script that put every object of a section by itself, with a gap behind it."""
    names = dict.fromkeys(name for data in objects.values() for name in section_names(data))
    mine = [name for name in names if name.startswith(f".{section}.")]
    return " ".join(
        f"*({name}) {GAP}{section}_{number} = .; . += {GAP_BYTES};" for number, name in enumerate(mine)
    )


def build(
    sources: Mapping[str, str],
    entries: Sequence[str],
    *,
    compiler: Compiler,
    flags: Sequence[str] = FLAGS,
    include: Sequence[str] = (),
) -> Image:
    """Compile and link files; see `compiled` and `linked`."""
    objects = compiled(sources, compiler=compiler, flags=flags, include=include)
    return linked(objects, entries, compiler=compiler)


def _run(compiler: Compiler, command: Sequence[str], folder: str) -> None:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, timeout=TIMEOUT_S)
    if done.returncode != 0:
        told = _complaint(done.stderr)
        if compiler.name == "gcc" and "string.h: No such file" in told:
            told += "; its C library is missing (Debian: apt install libnewlib-arm-none-eabi)"
        raise TargetError(f"{told} ({compiler.version})")


def _complaint(text: str) -> str:
    """Return the first line of a compiler's output that says what is wrong."""
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    for word in ("undefined", "error:"):
        for line in lines:
            if word in line:
                return line
    return lines[-1] if lines else "it failed and says nothing"
