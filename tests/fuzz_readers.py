"""Mutants of valid capture files, and the reading of one: for the tests, and to look for more of them.

Mutants are made by a generator with a fixed seed, so they are the same each time.
"""

from __future__ import annotations

import gzip
import random
import re
import signal
import tracemalloc
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

import pytest
from level_captures import attempt, same_bytes, same_levels
from uart_waves import Wave

from linkbudget import (
    ByteCapture,
    CaptureError,
    Edges,
    LevelCapture,
    LinkBudgetWarning,
    UartLine,
    load_bytes,
    load_levels,
    open_capture,
    save_capture,
)
from linkbudget._jit import load_numba
from linkbudget.traffic.join import join_bytes, join_levels

KEPT = Path(__file__).parent / "data" / "fuzz"
SECONDS_ALLOWED = 10  # for one mutant; most take a millisecond
MEMORY_ALLOWED = 64 << 20  # for files of some hundred bytes
LINE = UartLine(115200)

VCD = b"""$date today $end
$timescale 100 ns $end
$scope module bench $end
$var wire 1 ! tx $end
$var wire 4 # lane [3:0] $end
$var real 64 r volts $end
$upscope $end
$enddefinitions $end
$comment beans $end
#0
$dumpvars
1!
b10x0 #
r1.5 r
$end
#105
0!
#191 1!
b1 #
#200
$dumpoff
x!
$end
#210
$dumpon
1!
$end
#400
"""
LOG = b"""{"baudrate": 115200, "format": "8N1"}
{"t_ns":1000000,"hex":"0bff"}
{"t_ns":1500000,"window_ns":618120,"hex":"41","flag":"parity","start_ns":1413194}
{"t_ns":2500000,"hex":"424344","errors":{"framing":1}}
"""
NINE = b'{"line": "9600 9E2"}\n{"t_ns": -5, "hex": "1ff041"}\n'
TABLE = b'time (us);"rx";tx\r\n0,5;1;0\r\n1,25;0;x\r\n2;1;\r\n3,75;0;1\r\n'
SAMPLES = b"# bench\nrx,tx\n1,0\n0,0\n1,1\n1,0\n"
VOLTS = b"Zeit [ms]\tA\n0\t3.3\n1,5\t0.1\n2,5\t1.7\n"
MILLIVOLTS = b"A;B\r\n3,31;-0,01\r\n3,29;1e-3\r\n0,12;3,3\r\n"
LATIN = "t µs,señal\n0,1\n10,0\n20.125,1\n".encode("latin-1")
WIDE = "time,rx\n0,1\n1,0\n".encode("utf-16")
BYTES = b"tick us,byte\n65500,0x41\n65530,0x42\n12,0x0a\n"
HEX = b"0.001;ff\n0.002;0a\n"
HEX_NINE = b"0.001;1ff\n0.002;00a\n"
DECIMAL = b"time (ms),data\n0.5,12\n1.5,255\n2.25,7"


@dataclass(frozen=True)
class Target:
    """A reader: valid files with their options, words its files are made of, and the reading itself."""

    files: list[tuple[bytes, dict[str, object]]]
    words: list[bytes]
    load: Callable[..., LevelCapture | ByteCapture] = load_levels
    options: dict[str, object] = field(default_factory=dict)


NUMBERS = [
    b"0",
    b"-1",
    b"1e9",
    b"1e-9",
    b"9223372036854775807",
    b"9223372036854775808",
    b"1" * 30,
    b"0x10",
    b"nan",
]
TABLE_WORDS = [
    *NUMBERS,
    b",",
    b";",
    b"\t",
    b"\r\n",
    b"\n",
    b"\r",
    b'"',
    b'""',
    b"#",
    b"\xef\xbb\xbf",
    b"\xff",
    b"1e999",
]
TARGETS = {
    "vcd": Target(
        [(VCD, {}), (VCD, {"channel": "tx"}), (VCD, {"channel": "lane[2]"})],
        [
            *NUMBERS,
            *(
                b"$end ",
                b"$var wire 1 ! tx $end ",
                b"$scope ",
                b"$upscope ",
                b"$timescale 1 fs $end ",
                b"$comment ",
            ),
            *(
                b"#",
                b"#5 ",
                b"b",
                b"bx #\n",
                b"1!",
                b"z!",
                b"r1 r\n",
                b"$dumpall ",
                b"$enddefinitions $end ",
                b"65536",
            ),
        ],
        options={"shape": "vcd"},
    ),
    "log": Target(
        [(LOG, {}), (LOG, {"line": UartLine(9600)}), (NINE, {})],
        [
            *NUMBERS,
            *(
                b'{"t_ns":1,"hex":""}\n',
                b'"hex":',
                b'"t_ns":',
                b'"window_ns":',
                b'"flag":"break"',
                b'"start_ns":1,',
            ),
            *(
                b"{",
                b"}",
                b"[",
                b"null",
                b"true",
                b'"',
                b"\n",
                b"\xef\xbb\xbf",
                b"NaN",
                b"1e400",
                b'"line":[]',
                b"\\u0000",
            ),
        ],
        load_bytes,
        {"shape": "log"},
    ),
    "table of edges": Target(
        [
            (TABLE, {}),
            (LATIN, {"time_unit": "ms"}),
            (WIDE, {}),
            (TABLE, {"channel": 1, "time_column": 0}),
        ],
        [*TABLE_WORDS, b"x", b"high", b"time"],
        options={"shape": "table"},
    ),
    "table of samples": Target(
        [(SAMPLES, {}), (SAMPLES, {"channel": "tx"}), (TABLE, {"time_column": 0})],
        [*TABLE_WORDS, b"x", b"low", b"time"],
        options={"shape": "table", "sample_rate": 1000},
    ),
    "table of voltages": Target(
        [
            (VOLTS, {"hysteresis": 0.4}),
            (VOLTS, {"channel": "A"}),
            (MILLIVOLTS, {"sample_rate": 2.5e6}),
        ],
        [*TABLE_WORDS, b"3.3", b"-0,2", b"V", b"inf"],
        options={"shape": "table", "threshold": 1.6},
    ),
    "byte table": Target(
        [
            (BYTES, {}),
            (HEX, {}),
            (DECIMAL, {}),
            (BYTES, {"wrap": 70_000}),
            (HEX_NINE, {"line": UartLine(9600, 9)}),
        ],
        [*TABLE_WORDS, b"ff", b"0x", b"256", b"byte"],
        load_bytes,
        {"shape": "byte table", "line": LINE},
    ),
    "samples": Target(
        [(bytes(range(64)), {"sample_bytes": width}) for width in (1, 2, 4)],
        [b"\x00", b"\xff" * 4],
        options={"shape": "samples", "sample_rate": 10**6},
    ),
    "bytes": Target(
        [
            (bytes(range(64)), {}),
            (bytes(64), {"line": UartLine(134.5, 9)}),
            (bytes(20), {"line": UartLine(9600, 5)}),
        ],
        [b"\x00", b"\xff" * 4],
        load_bytes,
        {"shape": "bytes", "line": LINE},
    ),
}


def known_or_not() -> Target:
    """Files of every shape, told apart by their content; where there are levels, also the line is guessed."""
    wave = Wave().idle(9).send(b"\x00beans\xff", [0]).idle(9).edges(Fraction(1, 10**7))
    times, levels = wave.times.tolist(), wave.levels().tolist()
    changes = "".join(f"#{at}\n{level}!\n" for at, level in zip(times, levels, strict=True))
    uart = VCD.split(b"#0")[0] + f"#0\n1!\n{changes}#{wave.end}\n".encode()
    files = [(content, {}) for content in (VCD, uart, LOG, TABLE, LATIN, BYTES, HEX, bytes(range(64)))]
    words = [word for target in TARGETS.values() for word in target.words]
    return Target([*files, *[(content, {"line": LINE}) for content, _ in files]], words, load_bytes)


def packed(pack: Callable[[bytes], bytes]) -> Target:
    """Compressed files; damage is mostly seen by the decompressor."""
    return Target([(pack(VCD), {}), (pack(TABLE), {})], [b"\x00", b"\xff" * 4, pack(TABLE)])


def by_kernel(name: str) -> Target:
    """The target ``name``, read by the kernel and in plain form, which must come to the same."""
    target = TARGETS[name]

    def load(path: Path, **options: object) -> LevelCapture | ByteCapture:
        outcomes: list[tuple[str, LevelCapture | ByteCapture | None]] = []
        for mode in ("always", "never"):
            with pytest.MonkeyPatch.context() as patch:
                patch.setenv("LINKBUDGET_KERNELS", mode)
                outcomes.append(attempt(target.load, path, **options))
        (said, kernel), (said_plain, plain) = outcomes
        assert said == said_plain
        if kernel is None:
            raise CaptureError(path, "", said.removeprefix(f"{path}: "))
        same_levels(kernel, plain)
        return kernel

    return replace(target, load=load)


TARGETS["any"] = known_or_not()
TARGETS["gz"] = packed(lambda content: gzip.compress(content, mtime=0))


def zstd() -> Target:
    zstandard = pytest.importorskip("zstandard")
    return packed(zstandard.ZstdCompressor(write_checksum=True).compress)


def parquet(folder: Path) -> Target:
    pytest.importorskip("pyarrow")
    edges = Edges([3, 9, 70], 1, None, Fraction(1, 1000), 0, 99)
    save_capture(LevelCapture(edges.tick_s, {"rx": edges}, 0, 99), folder / "levels.parquet")
    (folder / "log").write_bytes(LOG)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", LinkBudgetWarning)
        save_capture(load_bytes(folder / "log", shape="log"), folder / "bytes.parquet")
    files = [((folder / name).read_bytes(), {}) for name in ("levels.parquet", "bytes.parquet")]
    options = {"shape": "parquet", "line": LINE}
    return Target(
        files, [b"\x00", b"\xff" * 4, b"PAR1"], lambda path, **more: in_pieces(path, 1 << 20, more), options
    )


# -- mutants ------------------------------------------------------------------------------------------


def mutant(rng: random.Random, target: Target) -> tuple[bytes, dict[str, object]]:
    """One of the target's files with one to five things done to it."""
    content, options = rng.choice(target.files)
    data = bytearray(content)
    for _ in range(rng.choice((1, 1, 2, 3, 5))):
        rng.choice(CHANGES)(rng, data, target)
    return bytes(data), options


def place(rng: random.Random, data: bytearray) -> int:
    return rng.randint(0, len(data))


def flip(rng: random.Random, data: bytearray, target: Target) -> None:
    if data:
        data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)


def insert(rng: random.Random, data: bytearray, target: Target) -> None:
    at = place(rng, data)
    data[at:at] = rng.choice(target.words)


def overwrite(rng: random.Random, data: bytearray, target: Target) -> None:
    at, word = place(rng, data), rng.choice(target.words)
    data[at : at + len(word)] = word


def remove(rng: random.Random, data: bytearray, target: Target) -> None:
    at = place(rng, data)
    del data[at : at + rng.randint(1, 12)]


def repeat(rng: random.Random, data: bytearray, target: Target) -> None:
    begin, at = place(rng, data), place(rng, data)
    data[at:at] = bytes(data[begin : begin + rng.randint(1, 60)]) * rng.randint(1, 4)


def cut(rng: random.Random, data: bytearray, target: Target) -> None:
    del data[place(rng, data) :]


def swap_lines(rng: random.Random, data: bytearray, target: Target) -> None:
    lines = bytes(data).split(b"\n")
    one, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    lines[one], lines[other] = lines[other], lines[one]
    data[:] = b"\n".join(lines)


def renumber(rng: random.Random, data: bytearray, target: Target) -> None:
    """Put another number where digits are."""
    digits = [at for at, value in enumerate(data) if chr(value).isdigit()]
    if digits:
        at = rng.choice(digits)
        data[at : at + 1] = rng.choice(NUMBERS)


CHANGES = (flip, flip, insert, overwrite, remove, repeat, cut, swap_lines, renumber, renumber)


# -- the reading --------------------------------------------------------------------------------------


@contextmanager
def soon():
    """Break off what takes too long, where the system can."""

    def give_up(signum, frame):
        raise TimeoutError(f"still reading after {SECONDS_ALLOWED} s")

    if not hasattr(signal, "SIGALRM"):
        yield
        return
    before = signal.signal(signal.SIGALRM, give_up)
    signal.alarm(SECONDS_ALLOWED)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def read(load, path, options):
    """The capture and "", or None and what was said; no other exception may come out."""
    said, capture = attempt(load, path, **options)
    assert capture is not None or said.startswith(str(path)), f"says not which file: {said}"
    return capture, said


def in_pieces(path, piece_bytes, options):
    pieces = list(open_capture(path, piece_bytes=piece_bytes, **options))
    return (join_levels if isinstance(pieces[0], LevelCapture) else join_bytes)(pieces)


def put(path, content):
    """Write a file over the one before: some file systems wait for the disk when a file is emptied first."""
    path.touch()
    with path.open("r+b") as file:
        file.write(content)
        file.truncate()


def try_one(target, path, content, options, number):
    """Read one file, now and then in pieces as well, or with an eye on memory.

    Return in a few words what came out: what was read, or why it was refused.
    """
    put(path, content)
    options = {**target.options, **options}
    watched = number % 199 == 7
    if watched:
        tracemalloc.start()
    try:
        with soon(), warnings.catch_warnings(record=True) as told:
            warnings.simplefilter("always", LinkBudgetWarning)
            capture, said = read(target.load, path, options)
            if number % 4 == 1 and "shape" in options:
                size = 1 + number % 37
                again, _ = read(lambda path, **options: in_pieces(path, size, options), path, options)
                assert (again is None) == (capture is None)
                if capture is not None:
                    (same_levels if isinstance(capture, LevelCapture) else same_bytes)(again, capture)
        if watched:
            assert tracemalloc.get_traced_memory()[1] < MEMORY_ALLOWED
    except BaseException:
        print(f"mutant {number}: {content!r} {options!r}")
        raise
    finally:
        if watched:
            tracemalloc.stop()
    if capture is None:
        return f"refused: {in_general(said, path)}"
    return " | ".join(["read", *sorted({in_general(str(warning.message), path) for warning in told})])


def in_general(text: str, path: Path) -> str:
    """The first plain words of a text, behind the file: without what differs from mutant to mutant."""
    text = re.sub(r"b?'[^']*'?|\"[^\"]*\"?", "'…'", text.removeprefix(f"{path}: "))
    words = [word for word in text.split() if re.fullmatch(r"\$?[A-Za-z]{2,}[,:;]?|a", word)]
    return " ".join(words[:6])


def target_of(name: str, folder: Path) -> Target:
    """The target with this name; ``folder`` is for files that have to be made first."""
    if name.endswith(BY_KERNEL):
        if load_numba() is None:
            pytest.skip("numba is not installed")
        return by_kernel(name.removesuffix(BY_KERNEL))
    made: dict[str, Callable[[], Target]] = {"parquet": lambda: parquet(folder), "zst": zstd}
    return made[name]() if name in made else TARGETS[name]


def mutants_of(name: str, target: Target) -> Iterator[tuple[bytes, dict[str, object]]]:
    """Mutants without end, the same ones each time."""
    rng = random.Random(f"mutants for {name}")
    while True:
        yield mutant(rng, target)


BY_KERNEL = " by kernel"
NAMES = [
    *TARGETS,
    *("zst", "parquet"),
    *(name + BY_KERNEL for name in ("vcd", "table of edges", "table of samples")),
]
