"""The declarations of a value change dump (IEEE Std 1364-2005, clause 18.2.3)."""

from __future__ import annotations

import re
from codecs import BOM_UTF8
from collections.abc import Iterator
from dataclasses import dataclass, field
from fractions import Fraction

from linkbudget.capture.source import LONGEST_LINE, Source
from linkbudget.errors import CaptureError, warn

__all__ = ["LONGEST_WORD", "UNITS", "Header", "Tokens", "Variable", "read_header"]

# Bytes; what has no white space for so long is no VCD, and must not fill the memory.
LONGEST_WORD = LONGEST_LINE
MOST_WORDS = 1 << 10  # of a declaration that means something
MOST_BITS = 1 << 21  # of all variables; each bit is a channel, with a name and a trace of its own

UNITS = {"s": 0, "ms": 3, "us": 6, "ns": 9, "ps": 12, "fs": 15}
STANDARD_NUMBERS = ("1", "10", "100")
NO_LEVEL = {"real", "realtime", "string", "event"}
COMMANDS = {"$comment", "$date", "$enddefinitions", "$scope", "$timescale", "$upscope", "$var", "$version"}
PASSED_OVER = {"$comment", "$date", "$version"}
RANGE = re.compile(r"(?P<name>.*?)\[(?P<left>-?\d+)(?::(?P<right>-?\d+))?\]")
TIMESCALE = re.compile(r"(?P<number>\d{1,20}(?:\.\d{1,20})?)(?P<unit>[a-z]+)")


class Tokens:
    """The tokens of a file, separated by white space, whatever its lines are.

    A last token without white space behind it may have been cut off: it is kept in ``unfinished`` and not
    handed out, unless it is a whole ``$end``.
    """

    def __init__(self, source: Source) -> None:
        self.source = source
        self.count = 0
        self.unfinished: bytes = b""

    def __iter__(self) -> Iterator[bytes]:
        rest = b""
        first = True
        for piece in self.source.pieces():
            piece = rest + (piece.removeprefix(BOM_UTF8) if first else piece)
            first = False
            tokens = piece.split()
            rest = tokens.pop() if tokens and not piece[-1:].isspace() else b""
            if len(rest) > LONGEST_WORD:
                raise self.endless(self.count + len(tokens) + 1)
            for token in tokens:
                self.count += 1
                yield token
        if rest == b"$end":
            yield rest
        else:
            self.unfinished = rest

    def endless(self, at: int) -> CaptureError:
        """Return the error of token number ``at``, which is too long to be one."""
        text = f"no white space in {LONGEST_WORD >> 20} MiB; expected the words of a value change dump"
        return self.fault(text, at)

    def fault(self, expected: str, at: int | None = None) -> CaptureError:
        """Return an error that says in which line token number ``at`` (default: the last one) stands."""
        return CaptureError(self.source.path, f"line {self.line(self.count if at is None else at)}", expected)

    def line(self, number: int) -> int:
        """Return the line in which token ``number`` (from 1) stands, by reading the file again."""
        lines, seen, inside = 1, 0, False
        for piece in Source(self.source.path).pieces():
            for match in re.finditer(rb"\S+|\n|[^\S\n]+", piece):
                if match[0] == b"\n":
                    lines += 1
                if match[0][:1].isspace():
                    inside = False
                    continue
                seen += not inside
                inside = match.end() == len(piece)
                if seen >= number:
                    return lines
        return lines


@dataclass(frozen=True)
class Variable:
    """One ``$var``: identifier code, size in bits, and the dotted name of each bit, leftmost first."""

    code: bytes
    size: int
    names: tuple[str, ...]


@dataclass
class Header:
    """What the declarations say: the tick, the variables that carry levels, and the codes of the others.

    ``bits`` is how many bits the variables have in all.
    """

    tick_s: Fraction = Fraction(1, 10**9)
    variables: list[Variable] = field(default_factory=list)
    bits: int = 0
    other_codes: set[bytes] = field(default_factory=set)
    warnings: list[str] = field(default_factory=list)


def text_of(token: bytes) -> str:
    try:
        return token.decode("utf-8")
    except UnicodeDecodeError:
        return token.decode("latin-1")


def until_end(tokens: Tokens, stream: Iterator[bytes], command: str) -> list[str]:
    """Return the words of a declaration command up to its ``$end``; of one that means nothing here, none."""
    words: list[str] = []
    for token in stream:
        if token == b"$end":
            return words
        if command in PASSED_OVER:
            continue
        if len(words) == MOST_WORDS:
            raise tokens.fault(f"{command} of more than {MOST_WORDS} words; expected its $end")
        words.append(text_of(token))
    raise tokens.fault(f"the file ends inside {command}; expected its $end and $enddefinitions")


def read_timescale(words: list[str], tokens: Tokens, header: Header) -> Fraction:
    match = TIMESCALE.fullmatch("".join(words))
    if not match or match["unit"] not in UNITS or not Fraction(match["number"]):
        found = " ".join(words)
        raise tokens.fault(f"$timescale {found!r}; expected 1, 10 or 100 and one of {', '.join(UNITS)}")
    if match["number"] not in STANDARD_NUMBERS:
        text = (
            f"{tokens.source.path}: $timescale {match[0]} is not 1, 10 or 100 of a unit; taken as it stands"
        )
        header.warnings.append(warn(text))
    return Fraction(match["number"]) * Fraction(1, 10 ** UNITS[match["unit"]])


def bit_names(path: str, size: int, header: Header) -> tuple[str, ...]:
    """Return the names of the bits of a variable, the leftmost first: ``tx``, ``byte[7]`` to ``byte[0]``."""
    match = RANGE.fullmatch(path)
    if match is None:
        return (path,) if size == 1 else tuple(f"{path}[{bit}]" for bit in range(size - 1, -1, -1))
    left = int(match["left"])
    right = left if match["right"] is None else int(match["right"])
    if abs(left - right) + 1 != size:
        text = f"the range of {path} does not have its {size} bits; its bits are numbered from {right}"
        header.warnings.append(warn(text))
        left = right + size - 1
    step = 1 if right >= left else -1
    return tuple(f"{match['name']}[{bit}]" for bit in range(left, right + step, step))


def read_var(words: list[str], scopes: list[str], tokens: Tokens, header: Header) -> None:
    if len(words) < 4:
        found = " ".join(words)
        raise tokens.fault(f"$var {found!r}; expected type, size, identifier code and name")
    kind, size, code, *name = words
    if kind in NO_LEVEL:
        header.other_codes.add(code.encode())
        return
    if not (size.isascii() and size.isdigit() and 1 <= int(size[:9]) <= 1 << 16):
        raise tokens.fault(f"$var size {size!r}; expected a number of bits from 1 to 65536")
    header.bits += int(size)
    if header.bits > MOST_BITS:
        raise tokens.fault(f"more than {MOST_BITS:,} bits in all variables; expected fewer")
    path = ".".join([*scopes, "".join(name)])
    header.variables.append(Variable(code.encode(), int(size), bit_names(path, int(size), header)))


def read_header(tokens: Tokens, stream: Iterator[bytes]) -> Header:
    """Return the declarations up to ``$enddefinitions $end``; a file that ends before it is a fault."""
    header = Header()
    scopes: list[str] = []
    timescale = False
    for token in stream:
        command = text_of(token)
        if command not in COMMANDS:
            raise tokens.fault(
                f"{command[:40]!r} among the declarations; expected one of {', '.join(sorted(COMMANDS))}"
            )
        words = until_end(tokens, stream, command)
        if command == "$timescale":
            header.tick_s, timescale = read_timescale(words, tokens, header), True
        elif command == "$scope":
            scopes.append(words[-1] if words else "")
        elif command == "$upscope":
            del scopes[-1:]
        elif command == "$var":
            read_var(words, scopes, tokens, header)
        elif command == "$enddefinitions":
            if not timescale:
                header.warnings.append(warn(f"{tokens.source.path}: no $timescale; ticks are taken as 1 ns"))
            return header
    raise tokens.fault("the file ends inside the declarations; expected $enddefinitions $end")
