"""What tests of emulated code share: compilers that are there, small programs, rp2040js beside unicorn."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from importlib.util import find_spec
from pathlib import Path

import pytest
from c_codecs import missing

from linkbudget.cost.cortexm0plus.image import Image
from linkbudget.cost.cortexm0plus.machine import Machine
from linkbudget.cost.cortexm0plus.toolchain import FLAGS, build, compiler_named

RP2040JS = os.environ.get("LINKBUDGET_RP2040JS")
RUN = Path(__file__).parent / "rp2040js_run.mjs"
STACK, STOP = 0x20040000, 0x10F00000

needs_rp2040js = pytest.mark.skipif(
    not RP2040JS or shutil.which("node") is None, reason="LINKBUDGET_RP2040JS is not set, or no node"
)


def needs_emulator() -> None:
    for name in ("unicorn", "capstone", "elftools"):
        if find_spec(name) is None:
            missing(name)


def compiler(name: str):
    needs_emulator()
    if name == "gcc" and shutil.which("arm-none-eabi-gcc") is None:
        missing("arm-none-eabi-gcc")
    if name == "zig" and find_spec("ziglang") is None:
        missing("ziglang")
    return compiler_named(name)


def program(text: str, *entries: str, name: str = "gcc", flags=FLAGS) -> Image:
    return build({"program.c": text}, entries, compiler=compiler(name), flags=flags)


def machine(text: str, *entries: str, name: str = "gcc", flags=FLAGS, **options) -> Machine:
    return Machine(program(text, *entries, name=name, flags=flags), **options)


def naked(name: str, instructions: str) -> str:
    """Return a function of these instructions and nothing else."""
    lines = "".join(f'    "{line.strip()}\\n"\n' for line in [".syntax unified", *instructions.split(";")])
    return (
        f"__attribute__((naked)) void {name}(void);\nvoid {name}(void)\n{{\n__asm volatile(\n{lines});\n}}\n"
    )


def in_rp2040js(
    image: Image, calls: list[tuple[str, tuple[int, ...], dict[int, bytes]]], folder: Path
) -> list:
    """Return what each call took there; a call has a function, its arguments, and bytes written before it."""
    (code,) = [piece for piece in image.pieces if not piece.writable]
    job = {
        "flash": code.data.hex(),
        "ram": [[one.address, one.data.ljust(one.size, b"\0").hex()] for one in image.pieces if one.writable],
        "stack": STACK,
        "stop": STOP,
        "limit": 10_000_000,
        "calls": [
            {
                "address": image.address(function),
                "arguments": arguments,
                "writes": [[address, data.hex()] for address, data in writes.items()],
            }
            for function, arguments, writes in calls
        ],
    }
    path = folder / "job.json"
    path.write_text(json.dumps(job))
    done = subprocess.run(["node", RUN, str(RP2040JS), path], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)
