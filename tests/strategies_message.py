"""Layouts and values of every field kind, for any encoding: the library's strategies, and more."""

from __future__ import annotations

import math
import struct
from typing import Any

from hypothesis import strategies as st

from linkbudget.message.encodings import ENCODINGS
from linkbudget.rig.strategies.layouts import (
    ANY_TEXT,
    PLAIN_TEXT,
    fields,
    groups,
    integers,
    layouts,
    lengths,
    reals,
    repeats,
    scaled,
)
from linkbudget.rig.strategies.layouts import field_values as value_of
from linkbudget.rig.strategies.layouts import message_values as values

__all__ = [
    "ANY_TEXT",
    "PLAIN_TEXT",
    "fields",
    "groups",
    "integers",
    "layouts",
    "lengths",
    "reals",
    "repeats",
    "same",
    "scaled",
    "text_for",
    "value_of",
    "values",
]


def text_for(name: str) -> st.SearchStrategy[str]:
    """The characters that labels may hold in the encoding of this name."""
    return PLAIN_TEXT if ENCODINGS[name].family == "delimited" else ANY_TEXT


def same(one: Any, other: Any) -> bool:
    """Whether two values are equal, the sign of zero and the types of numbers and texts included."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return struct.pack(">d", one) == struct.pack(">d", other) or (one == other and math.isnan(one))
    return type(one) is type(other) and one == other
