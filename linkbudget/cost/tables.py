"""Costs as tables of the link file, each number with where it comes from.

The core reads no clock: the date is the caller's.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

__all__ = ["cost_tables", "in_us"]

DIGITS = 9
"""Decimal places of a microsecond that are kept: what is smaller comes of the arithmetic, not of a clock."""


def in_us(ns: float) -> float:
    """Return nanoseconds as the microseconds of a link file."""
    us = round(ns / 1e3, DIGITS)
    return int(us) if us.is_integer() else us


def cost_tables(edits: Mapping[str, Any], remarks: Mapping[str, str] | None = None) -> str:
    """Return tables of the link file from values by key path (``parser.byte_us``); None is left out.

    ``remarks`` are comments behind some of them.
    """
    remarks = remarks or {}
    sections: dict[str, list[str]] = {}
    for path, value in edits.items():
        section, _, key = path.rpartition(".")
        lines = sections.setdefault(section, [])
        if value is None:
            continue
        # JSON's strings and lists are TOML's; the numbers here are finite.
        text = json.dumps(value, ensure_ascii=False)
        lines.append(f"{key} = {text}" + (f"  # {remarks[path]}" if path in remarks else ""))
    return "\n".join(f"[{section}]\n" + "\n".join(lines) + "\n" for section, lines in sections.items())
