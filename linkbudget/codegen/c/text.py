"""C text: pieces of the runtime and what is chosen of them, literals, types for a range, indented lines."""

from __future__ import annotations

import operator
import re
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.resources import files

__all__ = ["chosen", "comment", "holder", "indented", "literal", "quoted", "runtime", "unsigned_bits"]

CONDITION = re.compile(r"(?P<name>LB_\w+)(?: (?P<how>==|!=|>|<) (?P<number>\d+)u?)?")
COMPARED = {"==": operator.eq, "!=": operator.ne, ">": operator.gt, "<": operator.lt}


@cache
def runtime(name: str) -> str:
    """Return a source file of the folder ``runtime``; its names begin with ``lb_`` and ``LB_``."""
    file = name if name.endswith(".h") else f"{name}.c"
    return files("linkbudget.codegen.c").joinpath("runtime", file).read_text(encoding="utf-8")


def unsigned_bits(largest: int) -> int:
    """Return 8, 16, 32 or 64: the bits of the smallest unsigned type that holds this number."""
    return next(bits for bits in (8, 16, 32, 64) if largest < 1 << bits)


def holder(low: int, high: int) -> str | None:
    """Return the smallest type of ``stdint.h`` that holds both numbers; None beyond 64 bits."""
    for bits in (8, 16, 32, 64):
        if low >= 0 and high < 1 << bits:
            return f"uint{bits}_t"
        if -(1 << (bits - 1)) <= low and high < 1 << (bits - 1):
            return f"int{bits}_t"
    return None


def literal(number: int, kind: str) -> str:
    """Return a number as a literal of this type, right where ``int`` has 16 bits as well."""
    unsigned = kind.startswith(("u", "size"))
    text = f"{abs(number):#X}".replace("0X", "0x") if unsigned and number > 255 else str(abs(number))
    if "64" in kind:
        # The lowest number of 64 bits has no literal of its own.
        if number == -(1 << 63):
            return "INT64_MIN"
        return f"{'-' if number < 0 else ''}{'U' if unsigned else ''}INT64_C({text})"
    if number == -(1 << 31):
        return "INT32_MIN"
    if number == -(1 << 15) and "16" in kind:
        return "INT16_MIN"
    if "32" in kind and abs(number) > 32767:
        return f"{'-' if number < 0 else ''}{'U' if unsigned else ''}INT32_C({text})"
    return f"{'-' if number < 0 else ''}{text}{'u' if unsigned else ''}"


def indented(lines: Iterable[str], depth: int = 1) -> list[str]:
    """Return lines moved to the right; empty ones stay empty."""
    return [f"{'    ' * depth}{line}" if line else "" for line in lines]


def comment(text: str) -> str:
    """Return text that can stand within a comment."""
    clean = "".join(c if c.isprintable() else " " for c in text)
    return clean.replace("*/", "* /").replace("/*", "/ *").replace("\\", "/").replace("??", "? ?")


def quoted(text: str) -> str:
    """Return a text as C string and length, two arguments: its UTF-8 bytes, whatever they are."""
    data = text.encode()
    known = {0x0A: "\\n", 0x0D: "\\r", 0x22: '\\"', 0x5C: "\\\\"}
    safe = "".join(
        known.get(byte) or (chr(byte) if 0x20 <= byte < 0x7F and byte != 0x3F else f"\\{byte:03o}")
        for byte in data
    )
    return f'"{safe}", {len(data)}u'


def chosen(text: str, known: Mapping[str, int]) -> str:
    r"""Return C text without the lines that these constants leave out, and without their conditions.

    Conditions with other names stay. ``known`` are whole numbers, 0 for what there is not.

    >>> chosen("#if LB_A > 1\none\n#else\ntwo\n#endif\n", {"LB_A": 1})
    'two\n'
    """
    kept: list[str] = []
    # For each condition around a line: None when it stays, else whether its lines do.
    around: list[bool | None] = []
    for line in text.split("\n"):
        word = line.split(" ", 1)[0]
        if word in ("#if", "#ifdef", "#ifndef"):
            around.append(_holds(line, known))
        elif word == "#else" and around[-1] is not None:
            around[-1] = not around[-1]
            continue
        if (word not in ("#if", "#else", "#endif") or around[-1] is None) and False not in around:
            kept.append(line)
        if word == "#endif":
            around.pop()
    return re.sub(r"\n{3,}", "\n\n", "\n".join(kept))


def _holds(line: str, known: Mapping[str, int]) -> bool | None:
    terms = [CONDITION.fullmatch(term) for term in line.removeprefix("#if ").split(" && ")]
    found = [term for term in terms if term is not None and term["name"] in known]
    if len(found) < len(terms):
        return None
    return all(COMPARED[term["how"] or "!="](known[term["name"]], int(term["number"] or 0)) for term in found)
