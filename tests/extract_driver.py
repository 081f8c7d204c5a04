"""A C program around a generated extractor: what each line led to, byte by byte and in pieces of any size."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from linkbudget.codec import Codec
from linkbudget.codegen.c.members import Members
from linkbudget.codegen.c.target import CTarget
from linkbudget.codegen.c.words import RESERVED
from linkbudget.codegen.spec import DirectionSpec, Many, Maybe, Record, Slot, describe

STRICT = (
    "-std=c99", "-Wall", "-Wextra", "-Wconversion", "-Wsign-conversion", "-Wmissing-prototypes", "-Wpedantic",
    "-Werror",
)  # fmt: skip
STRICT_CPP = ("-Wall", "-Wextra", "-Wconversion", "-Wsign-conversion", "-Wpedantic", "-Werror")
SANITIZED = ("-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")

DRIVER = r"""
#include "link.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static link_receiver by_byte, in_pieces;

@shows

/* Tells of every line what it led to; the second receiver must have come to the same. */
int main(int argc, char **argv)
{
    static uint8_t data[1 << 24];
    size_t n = fread(data, 1, sizeof data, stdin);
    size_t largest = argc > 1 ? (size_t)atoi(argv[1]) : 1u;
    size_t i = 0, sent = 0;
    uint32_t lot = 1;

    link_start(&by_byte, 0);
    link_start(&in_pieces, 0);
    while (i < n) {
        link_status status = link_push(&by_byte, data[i], (uint32_t)i);
        i++;
        if (status != LINK_NOTHING) {
            while (sent < i) {
                uint8_t *piece;
                size_t size;
                lot = lot * 1103515245u + 12345u;
                size = 1u + (lot >> 8) % largest;
                if (size > i - sent) {
                    size = i - sent;
                }
                /* A block of its own, so that reading past its end is seen. */
                piece = (uint8_t *)malloc(size);
                memcpy(piece, &data[sent], size);
                if (link_feed(&in_pieces, piece, size, size, (uint32_t)i) != size) {
                    return 2;
                }
                free(piece);
                sent += size;
            }
            if (memcmp(by_byte.counts, in_pieces.counts, sizeof by_byte.counts) != 0
                || link_high_water(&by_byte) != link_high_water(&in_pieces)) {
                printf("pieces differ at %lu\n", (unsigned long)i);
                return 3;
            }
            if (show(&by_byte, status) != show(&in_pieces, LINK_NOTHING)) {
                return 4;
            }
        }
    }
    return 0;
}
"""


def shows(spec: DirectionSpec, names: frozenset[str] | None = None) -> str:
    """Return the function that prints what was taken (these fields of it); its result sums it up."""
    lines = ["static long show(link_receiver *state, link_status status)", "{", "    long sum = 7;"]
    for message in spec.messages:
        name = message.ident
        lines.append(f"    {{\n        link_{name}_t got;\n        if (link_take_{name}(state, &got)) {{")
        lines.append(f'            if (status != LINK_NOTHING) printf("{message.name}");')
        lines.append(f"            sum = sum * 31 + {message.place};")
        slots = tuple(slot for slot in message.fields if names is None or slot.name in names)
        lines += _shown(slots, Members(message.fields), "got.")
        lines.append(
            '            if (status != LINK_NOTHING) printf("\\n");\n            status = LINK_NOTHING;'
        )
        lines.append("        }\n    }")
    lines.append('    if (status != LINK_NOTHING) printf("! %d\\n", (int)status);\n    return sum;\n}')
    return "\n".join(lines)


def _shown(slots: tuple[Slot, ...], members: Members, where: str) -> list[str]:
    """Return the statements that print some members: a repeat in brackets, an element of fields as well."""
    lines = []
    for slot in slots:
        inner = slot.item if isinstance(slot, Maybe) else slot
        there = f"{where}{members.helper(slot)}" if isinstance(slot, Maybe) else "1"
        value = f"{where}{slot.ident}"
        if not isinstance(inner, Many):
            lines += _number(there, value)
            continue
        count = f"{inner.most}u" if inner.fewest == inner.most else f"{where}{members.helper(inner)}"
        element = f"{value}[i]"
        if isinstance(inner.item, Record):
            shown = [PRINTED % " [", *_shown(inner.item.fields, Members(inner.item.fields), f"{element}.")]
            shown.append(PRINTED % " ]")
        else:
            shown = _number("1", element)
        lines += [
            f"            if ({there}) {{",
            PRINTED % " [",
            f"            sum = (long)((unsigned long)sum * 31u + {count});",
            f"            for (unsigned i = 0; i < {count}; i++) {{",
            *shown,
            "            }",
            PRINTED % " ]",
            f"            }} else {{ {(PRINTED % ' -').strip()} }}",
        ]
    return lines


PRINTED = '            if (status != LINK_NOTHING) printf("%s");'


def _number(there: str, value: str) -> list[str]:
    show = f'printf(" %lld", (long long){value})'
    return [
        f'            if (status != LINK_NOTHING) {{ if ({there}) {show}; else printf(" -"); }}',
        f"            sum = (long)((unsigned long)sum * 31u + (unsigned long){value});",
    ]


def driver_text(spec: DirectionSpec, names: frozenset[str] | None = None) -> str:
    """Return the program that prints what the lines of a stream led to."""
    return DRIVER.replace("@shows", shows(spec, names))


def write_sources(codec: Codec, folder: Path, fields: str = "", names: frozenset[str] | None = None) -> None:
    """Write extractor and driver."""
    spec = describe(codec, "to-controller", "link", RESERVED)
    for name, text in CTarget().generate(spec, {"check": "small", "fields": fields}).items():
        (folder / name).write_text(text)
    (folder / "driver.c").write_text(driver_text(spec, names))


def compilers() -> dict[str, list[str]]:
    """Return the compilers that are here."""
    found = {"gcc": ["gcc"]} if shutil.which("gcc") else {}
    try:
        import ziglang  # noqa: F401
    except ImportError:
        return found
    return {**found, "zig": [sys.executable, "-m", "ziglang", "cc"]}


def build(folder: Path, command: list[str], flags: tuple[str, ...]) -> Path:
    """Compile extractor (with these flags) and driver; return the program."""
    program = folder / "driver"
    sources = [str(folder / "driver.c"), str(folder / "link.c")]
    done = subprocess.run([*command, *flags, "-o", str(program), *sources], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return program


def run(program: Path, stream: bytes, largest: int) -> list[tuple[str, tuple] | str]:
    """Return what each line led to: name and numbers, or the number of the status."""
    done = subprocess.run([str(program), str(largest)], input=stream, capture_output=True)
    assert done.returncode == 0, (done.returncode, done.stdout[-200:], done.stderr[-2000:].decode())
    return [_told(line) for line in done.stdout.decode().splitlines()]


def _told(line: str) -> tuple[str, tuple] | str:
    if line.startswith("!"):
        return line
    name, *numbers = line.split()
    return name, _told_numbers(iter(numbers))


def _told_numbers(words: Iterator[str]) -> tuple:
    found: list = []
    for word in words:
        if word == "]":
            break
        found.append(_told_numbers(words) if word == "[" else None if word == "-" else int(word))
    return tuple(found)


def status_names(codec: Codec, fields: str = "") -> dict[str, str]:
    """Return the name of each status by how the driver writes it."""
    spec = describe(codec, "to-controller", "link", RESERVED)
    header = CTarget().generate(spec, {"check": "small", "fields": fields})["link.h"]
    return {f"! {number}": name for name, number in re.findall(r"LINK_(\w+) = (\d+)", header)}
