"""JSON text of a result: one document, numbers as numbers, nothing that JSON lacks."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from fractions import Fraction

__all__ = ["json_text", "plain"]


def json_text(document: Mapping[str, object]) -> str:
    """Return a result's dict as indented JSON with a newline at its end."""
    return json.dumps(plain(document), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def plain(value: object) -> object:
    """Return a value in the types of JSON: tuples and arrays as lists, fractions as numbers.

    Infinities and not-a-number become null: RFC 8259 section 6 has no way to write them.
    """
    if value is None or isinstance(value, (bool, str)):
        return value
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, int):
        return int(value)
    if isinstance(value, Fraction):
        return value.numerator if value.denominator == 1 else float(value)
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if hasattr(value, "tolist"):  # an array or a scalar of numpy, without importing it here
        return plain(value.tolist())
    raise TypeError(f"{type(value).__name__} has no form in JSON")
