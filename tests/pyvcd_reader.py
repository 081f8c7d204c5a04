"""Value change dumps read by the package pyvcd: a second reader, which shares no code with the library."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from vcd.reader import TokenKind, tokenize

UNITS = {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9, "ps": 10**12, "fs": 10**15}


def level_changes(path: Path) -> tuple[Fraction | None, dict[str, list[tuple[int, str]]]]:
    """The tick in seconds, and {name: [(time, value), ...]} with bit selections in the names.

    A name without entries never changes; vectors have none here.
    """
    with path.open("rb") as file:
        names, found, scopes, now, tick_s = {}, {}, [], 0, None
        for token in tokenize(file):
            if token.kind is TokenKind.TIMESCALE:
                scale = token.timescale
                tick_s = Fraction(scale.magnitude, UNITS[scale.unit.value])
            elif token.kind is TokenKind.SCOPE:
                scopes.append(token.scope.ident)
            elif token.kind is TokenKind.UPSCOPE:
                scopes.pop()
            elif token.kind is TokenKind.VAR:
                bit = f"[{token.var.bit_index}]" if token.var.bit_index is not None else ""
                name = ".".join([*scopes, token.var.reference + bit])
                names.setdefault(token.var.id_code, []).append(name)
                found[name] = []
            elif token.kind is TokenKind.CHANGE_TIME:
                now = token.time_change
            elif token.kind is TokenKind.CHANGE_SCALAR:
                for name in names[token.scalar_change.id_code]:
                    found[name].append((now, token.scalar_change.value))
    return tick_s, found
