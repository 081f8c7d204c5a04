"""``json-object``: one JSON object, keys in field order, no spaces."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from linkbudget.message.encodings.json_text import JsonEncoding

__all__ = ["JsonObject"]


@dataclass(frozen=True)
class JsonObject(JsonEncoding):
    """``{"tick":7,"kind":"stone","x":12.4}``; groups are objects, repeats arrays."""

    name: ClassVar[str] = "json-object"
    as_map: ClassVar[bool] = True
