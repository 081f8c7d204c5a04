"""Generated C under test: compiled with a driver that prints what it decodes, and what the library expects.

Many cases go into one program, because starting a compiler costs more than compiling. The driver reads
commands on standard input (case, kind, length, data) and prints one line per event: the status, then the
members of the struct, then the frame that the encoder makes of it.
"""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path

import pytest

from linkbudget.codec import Codec
from linkbudget.codegen.c.members import Members
from linkbudget.codegen.c.target import CTarget
from linkbudget.codegen.spec import DirectionSpec, Many, Maybe, Number, Octets, Real, Record, Slot, describe
from linkbudget.errors import FrameError
from linkbudget.frame.deframer import Deframer, Frame, Reason
from linkbudget.message.primitives import Bytes as BytesPrimitive
from linkbudget.message.primitives import Float, Optional, Primitive, RangedInteger, Sequence

FLAGS = [
    "-std=c99",
    "-Wall",
    "-Wextra",
    "-Wconversion",
    "-Wsign-conversion",
    "-Wmissing-prototypes",
    "-Wpedantic",
    "-Werror",
]
SANITIZERS = ["-g0", "-O0", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
STATUS = {
    Reason.CHECK: 1,
    Reason.TOO_LONG: 2,
    Reason.TOO_SHORT: 3,
    Reason.BAD_STUFFING: 4,
    Reason.BAD_LENGTH: 5,
    Reason.HEADER_CHECK: 6,
    Reason.NO_SYNC: 7,
    Reason.LAYOUT: 8,
}
REFUSED = 9
FIRST_MESSAGE = 10


def missing(name: str) -> None:
    """Skip the test, or let it fail in the job that promises the tool."""
    if os.environ.get("LINKBUDGET_REQUIRE_TOOLS"):
        pytest.fail(f"{name} is not there")
    pytest.skip(f"needs {name}")


def tool(name: str) -> None:
    """See that a program is there."""
    if shutil.which(name) is None:
        missing(name)


def package(name: str) -> None:
    """See that a Python package is there."""
    if find_spec(name) is None:
        missing(name)


def builds(compiler: tuple[str, ...], folder: Path) -> bool:
    """Return whether a compiler makes a program at all, libraries and headers included."""
    (folder / "try.c").write_text('#include <stdio.h>\nint main(void) { return puts("") < 0; }\n')
    command = [*compiler, "-o", "try", "try.c"]
    return subprocess.run(command, cwd=folder, capture_output=True).returncode == 0


@dataclass
class Case:
    """One codec, generated under a prefix of its own."""

    codec: Codec
    prefix: str
    options: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        target = CTarget()
        self.spec = describe(self.codec, "to-controller", self.prefix, target.reserved)
        self.files = target.generate(self.spec, {"check": "small", **self.options})

    # --- what the library says ----------------------------------------------------------------------------

    def event(self, event: object) -> tuple[int, str | None]:
        """Return status and text of an event of the reference deframer."""
        if not isinstance(event, Frame):
            return STATUS[event.reason], None
        try:
            name, value = self.codec.decode_payload(event.payload)
        except FrameError:
            return REFUSED, None
        return self.accepted(name, value)

    def accepted(self, name: str, value: dict) -> tuple[int, str]:
        place = next(m.place for m in self.spec.messages if m.name == name)
        layout = self.codec.messages[place].layout
        text = dumped(layout.group, layout.to_primitive(value))
        return FIRST_MESSAGE + place, f"{text}| {self.codec.encode(name, value).hex()}"

    def pushed(self, data: bytes) -> list[str]:
        """Return the lines that pushing every byte must give, and the counts at the end."""
        deframer = Deframer(self.codec.fmt)
        return self._lines([deframer.push(byte) for byte in data], every=True)

    def fed(self, data: bytes, cuts: list[int]) -> list[str]:
        deframer = Deframer(self.codec.fmt)
        groups = []
        at = 0
        for cut in cuts:
            groups.append(deframer.feed(data[at : at + cut]))
            at += cut
        return self._lines(groups, every=False)

    def _lines(self, groups: list[list], every: bool) -> list[str]:
        counts = [0] * (FIRST_MESSAGE + len(self.spec.messages))
        lines = []
        for group in groups:
            found = [self.event(event) for event in group]
            for status, _ in found:
                counts[status] += 1
            newest = {status: text for status, text in found if text is not None}
            if every and found:
                lines.append(f"E {found[-1][0]}")
            lines += [f"M {status} {newest[status]}" for status in sorted(newest)]
        lines.append("C " + " ".join(map(str, counts)))
        return lines

    def whole(self, frame: bytes) -> str:
        try:
            status, text = self.accepted(*self.codec.decode(frame))
        except FrameError:
            return self._whole_fault(frame)
        return f"W {status} {text}"

    def _whole_fault(self, frame: bytes) -> str:
        try:
            self.codec.fmt.decode(frame)
        except FrameError as error:
            return f"W {STATUS[Reason(error.reason)]}"
        return f"W {REFUSED}"


def dumped(primitive: Primitive, state: object) -> str:
    """The members of a struct as the driver prints them."""
    if isinstance(primitive, Optional):
        return "- " if state is None else dumped(primitive.item, state)
    if isinstance(primitive, RangedInteger):
        return f"{primitive.base + state} "
    if isinstance(primitive, Float):
        return struct.pack(">f" if primitive.bits == 32 else ">d", state).hex() + " "
    if isinstance(primitive, BytesPrimitive):
        return f"'{state.hex()} "
    if isinstance(primitive, Sequence):
        return "[" + "".join(dumped(primitive.item, item) for item in state) + "] "
    return "".join(
        dumped(member.primitive, part) for member, part in zip(primitive.members, state, strict=True)
    )


# --- the driver ---

DRIVER = r"""
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include "driver.h"

int main(void)
{
    unsigned char head[6];

    while (fread(head, 1, 6, stdin) == 6) {
        unsigned long n = (unsigned long)head[2] | (unsigned long)head[3] << 8
            | (unsigned long)head[4] << 16 | (unsigned long)head[5] << 24;
        /* Exactly as large as what is in it, so that the sanitizer sees a step beyond. */
        uint8_t *data = (uint8_t *)malloc(n > 0u ? n : 1u);
        if (fread(data, 1, n, stdin) != n) {
            return 2;
        }
        cases[head[0]](head[1], data, n);
        puts(".");
        free(data);
    }
    return 0;
}
"""

RUNNER = r"""
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include "PREFIX.h"

#if defined(__cplusplus)
extern "C"
#endif
void run_PREFIX(unsigned kind, uint8_t *data, size_t n);

static void show_bytes(const uint8_t *data, size_t n)
{
    size_t i;

    for (i = 0; i < n; i++) {
        printf("%02x", (unsigned)data[i]);
    }
}

static void show_message(const PREFIX_message *message)
{
    uint8_t frame[PREFIX_UPPER_MAX_FRAME];
    size_t n = 0;

    switch (message->kind) {
SHOWS
    default:
        break;
    }
    printf("| ");
    show_bytes(frame, n);
    puts("");
}

static void show_new(PREFIX_receiver *state)
{
    PREFIX_message message;

    (void)message;
TAKES
}

static void show_counts(const PREFIX_receiver *state)
{
    int i;

    printf("C");
    for (i = 0; i < (int)PREFIX_UPPER_STATUSES; i++) {
        printf(" %u", (unsigned)PREFIX_count(state, (PREFIX_status)i));
    }
    puts("");
}

void run_PREFIX(unsigned kind, uint8_t *data, size_t n)
{
    PREFIX_receiver *state = (PREFIX_receiver *)malloc(sizeof *state);
    size_t i = 0;

    memset(state, 0xA5, sizeof *state);
    PREFIX_start(state, 7u);
    if (kind == 'P') {
        for (i = 0; i < n; i++) {
            PREFIX_status status = PREFIX_push(state, data[i], (uint32_t)i);

            if (status != PREFIX_UPPER_NOTHING) {
                printf("E %d\n", (int)status);
                show_new(state);
            }
        }
        show_counts(state);
    } else if (kind == 'F') {
        /* Pieces: a length of two bytes in front of each. */
        while (i + 2u <= n) {
            size_t piece = (size_t)data[i] | (size_t)data[i + 1u] << 8;
            uint8_t *copy = (uint8_t *)malloc(piece > 0u ? piece : 1u);

            memcpy(copy, &data[i + 2u], piece);
            if (PREFIX_feed(state, copy, piece, piece, 9u) != piece) {
                puts("not taken");
            }
            free(copy);
            show_new(state);
            i += 2u + piece;
        }
        show_counts(state);
    } else {
        while (i + 2u <= n) {
            size_t piece = (size_t)data[i] | (size_t)data[i + 1u] << 8;
            uint8_t *copy = (uint8_t *)malloc(piece > 0u ? piece : 1u);
            PREFIX_message message;
            PREFIX_status status;

            memcpy(copy, &data[i + 2u], piece);
            status = PREFIX_decode(copy, piece, &message);
            printf("W %d", (int)status);
            if (status > PREFIX_UPPER_REFUSED) {
                printf(" ");
                show_message(&message);
            } else {
                puts("");
            }
            free(copy);
            i += 2u + piece;
        }
    }
    free(state);
}
"""


def runner(spec: DirectionSpec) -> str:
    shows, takes = [], []
    sequence = ", 0u" if spec.fmt.sequence else ""
    for message in spec.messages:
        name = f"{spec.prefix.upper()}_GOT_{message.ident.upper()}"
        shows.append(f"    case {name}: {{")
        shows.append(f"        const {spec.prefix}_{message.ident}_t *v = &message->as.{message.ident};")
        shows.append("        (void)v;")
        shows += shown(message.fields, "v->", Members(message.fields), 0)
        shows.append(f"        n = {spec.prefix}_encode_{message.ident}(v{sequence}, frame, sizeof frame);")
        shows.append("        break;\n    }")
        takes.append(
            f"    if ({spec.prefix}_take_{message.ident}(state, &message.as.{message.ident}) != 0) {{"
        )
        takes.append(f"        message.kind = {name};")
        takes.append('        printf("M %d ", (int)message.kind);\n        show_message(&message);\n    }')
    text = RUNNER.replace("SHOWS", "\n".join(shows)).replace("TAKES", "\n".join(takes))
    return text.replace("PREFIX_UPPER", spec.prefix.upper()).replace("PREFIX", spec.prefix)


def shown(fields: tuple[Slot, ...], at: str, members: Members, depth: int) -> list[str]:
    lines = []
    for slot in fields:
        value = f"{at}{slot.ident}"
        if isinstance(slot, Maybe):
            lines.append(f'if ({at}{members.helper(slot)} == 0u) {{ printf("- "); }} else {{')
            lines += _one(slot.item, value, at, members, depth)
            lines.append("}")
        else:
            lines += _one(slot, value, at, members, depth)
    return lines


def _one(slot: Slot, value: str, at: str, members: Members, depth: int) -> list[str]:
    if isinstance(slot, Number):
        if slot.low >= 0:
            return [f'printf("%" PRIu64 " ", (uint64_t){value});']
        return [f'printf("%" PRId64 " ", (int64_t){value});']
    if isinstance(slot, Real):
        bits = f"uint{slot.width}_t"
        form = '"%08" PRIx32' if slot.width == 32 else '"%016" PRIx64'
        return [f'{{ {bits} b; memcpy(&b, &{value}, sizeof b); printf({form} " ", b); }}']
    if isinstance(slot, Octets):
        length = f"{slot.longest}u" if slot.shortest == slot.longest else f"{at}{members.helper(slot)}"
        return ['printf("\'");', f"show_bytes({value}, (size_t){length});", 'printf(" ");']
    assert isinstance(slot, Many)
    length = f"{slot.most}u" if slot.fewest == slot.most else f"{at}{members.helper(slot)}"
    lines = ['printf("[");']
    if slot.most:
        index = f"i{depth}"
        inner = slot.item.fields if isinstance(slot.item, Record) else (slot.item,)
        element = f"{value}[{index}]"
        if isinstance(slot.item, Number | Real):
            body = _one(slot.item, element, at, members, depth + 1)
        else:
            body = shown(inner, f"{element}.", Members(tuple(inner)), depth + 1)
        lines += [f"{{ size_t {index}; for ({index} = 0; {index} < {length}; {index}++) {{", *body, "} }"]
    return [*lines, 'printf("] ");']


# --- building and running ---


class Program:
    """Cases compiled into one program."""

    def __init__(self, cases: list[Case], folder: Path, compiler: list[str], flags: list[str]) -> None:
        self.cases = cases
        folder.mkdir(parents=True, exist_ok=True)
        sources = []
        for case in cases:
            for name, text in case.files.items():
                (folder / name).write_text(text, encoding="utf-8")
            sources.append((f"{case.prefix}.c", FLAGS))
            (folder / f"run_{case.prefix}.c").write_text(runner(case.spec), encoding="utf-8")
            sources.append((f"run_{case.prefix}.c", ["-std=c99", "-w"]))
        names = [case.prefix for case in cases]
        heads = "\n".join(f"void run_{name}(unsigned kind, uint8_t *data, size_t n);" for name in names)
        table = ", ".join(f"run_{name}" for name in names)
        (folder / "driver.h").write_text(
            "#include <stddef.h>\n#include <stdint.h>\n" + heads
            + f"\nstatic void (*const cases[])(unsigned, uint8_t *, size_t) = {{{table}}};\n",
            encoding="utf-8",
        )  # fmt: skip
        (folder / "driver.c").write_text(DRIVER, encoding="utf-8")
        sources.append(("driver.c", ["-std=c99"]))
        with ThreadPoolExecutor(2) as pool:
            list(pool.map(lambda item: self._compile(folder, compiler, flags, *item), sources))
        objects = [name.replace(".c", ".o") for name, _ in sources]
        self._call([*compiler, *flags, "-o", "program", *objects], folder)
        self.path = folder / "program"

    @staticmethod
    def _call(command: list[str], folder: Path) -> None:
        done = subprocess.run(command, cwd=folder, capture_output=True, text=True)
        assert done.returncode == 0, f"{' '.join(command)}\n{done.stderr[:4000]}"

    def _compile(
        self, folder: Path, compiler: list[str], flags: list[str], name: str, own: list[str]
    ) -> None:
        self._call([*compiler, *own, *flags, "-c", name, "-o", name.replace(".c", ".o")], folder)

    def run(self, commands: list[tuple[int, str, bytes]]) -> list[list[str]]:
        """Return the lines each command gave."""
        data = b"".join(
            bytes([place, ord(kind)]) + len(given).to_bytes(4, "little") + given
            for place, kind, given in commands
        )
        done = subprocess.run([self.path], input=data, capture_output=True)
        assert done.returncode == 0, done.stderr.decode()[:4000]
        groups = done.stdout.decode().split(".\n")[:-1]
        return [group.splitlines() for group in groups]


def pieces(chunks: list[bytes]) -> bytes:
    return b"".join(len(chunk).to_bytes(2, "little") + chunk for chunk in chunks)
