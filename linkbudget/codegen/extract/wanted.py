"""A direction reduced to the fields somebody wants; to an extractor the others are keys nobody asked for."""

from __future__ import annotations

from collections.abc import Collection

from linkbudget.codec import Codec, CodecMessage
from linkbudget.codegen.spec import DirectionSpec, describe
from linkbudget.errors import SettingsError, TargetError, nearest_name
from linkbudget.message.layout import MessageLayout

__all__ = ["ALL", "wanted_names", "with_fields"]

ALL = "*"
"""In place of names: every field."""


def with_fields(spec: DirectionSpec, fields: str, reserved: Collection[str]) -> DirectionSpec:
    """Return the description with these fields alone, the names between commas; as it is for an empty text.

    A message without any of them stays when it has a key that tells it from the others, else it goes.
    Raises `TargetError` for a name that is no field, for encodings other than JSON objects (where every field
    has its place), and for messages that the rest does not tell apart.
    """
    if not fields or all(message.encoding.name == "json-array" for message in spec.messages):
        return spec
    names = wanted_names(spec, fields)
    made = []
    for message in spec.codec.messages:
        if message.encoding.name != "json-object":
            raise TargetError(
                f"fields: {message.name} is {message.encoding.name}, of which this target reads all fields; "
                "target c picks wanted ones"
            )
        layout = message.layout
        kept = tuple(field for field in layout.fields if field.name in names)
        if kept or layout.key is not None:
            made.append(
                CodecMessage(MessageLayout(layout.name, kept, layout.id, layout.key), message.encoding)
            )
    try:
        codec = Codec(spec.fmt, tuple(made))
    except SettingsError as error:
        raise TargetError(f"fields: {fields}: {error}") from None
    return describe(codec, spec.direction, spec.prefix, reserved)


def wanted_names(spec: DirectionSpec, fields: str) -> frozenset[str]:
    """Return the names between commas, every name for ``*``; `TargetError` for one that is no field."""
    known = {field.name for message in spec.messages for field in message.fields}
    if fields.strip() == ALL:
        return frozenset(known)
    names = [name.strip() for name in fields.split(",")]
    for name in names:
        if name not in known:
            nearest = nearest_name(name, sorted(known))
            hint = f"; did you mean {nearest!r}?" if nearest else ""
            raise TargetError(f"fields: {name!r} is no field; allowed: {', '.join(sorted(known))}{hint}")
    return frozenset(names)
