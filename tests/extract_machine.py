"""What the tests of extractors in MicroPython share: modules made and run, in CPython and in a machine."""

from __future__ import annotations

import subprocess
from array import array
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import pytest

from linkbudget.codec import Codec
from linkbudget.codegen.micropython.target import MicroPythonTarget
from linkbudget.codegen.spec import DirectionSpec, describe
from linkbudget.cost import micropython

SCRIPT = Path(__file__).parent / "vm_extract.py"
have_vm = pytest.mark.skipif(
    not micropython.available(), reason="no MicroPython: pip install 'linkbudget[micropython]'"
)
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
    message = codec.messages[kind - 1]
    places = iter(values)
    held: list[int | None] = []
    for member in message.layout.primitives:
        there = next(places) if type(member.primitive).__name__ == "Optional" else 1
        number = next(places)
        held.append(number if there else None)
    return message.name, tuple(held)


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
        done = subprocess.run(command, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout[-300:] + done.stderr
        *told, last = done.stdout.splitlines()
        for line, answer in zip(lines_of(codec, stream), told, strict=True):
            kind, *values = answer.split()
            got = None if kind == "0" else taken(codec, int(kind), array("i", map(int, values)))
            assert got == expected(codec, line), line
        counters.add(last)
    assert len(counters) == 1
