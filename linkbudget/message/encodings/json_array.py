"""``json-array``: one JSON array, values in field order, no names."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from linkbudget.message.encodings.json_text import JsonEncoding

__all__ = ["JsonArray"]


@dataclass(frozen=True)
class JsonArray(JsonEncoding):
    """``[7,"stone",12.4]``; groups and repeats are arrays, something absent is null."""

    name: ClassVar[str] = "json-array"
    as_map: ClassVar[bool] = False
