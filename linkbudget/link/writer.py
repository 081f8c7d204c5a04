"""A link as the tables of its file, as TOML text, and edited by key paths."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from linkbudget.errors import Fault, SettingsError, nearest_name
from linkbudget.link.keys import Section, given_keys, key_specs
from linkbudget.link.tables import DIRECTIONS, MessageKeys
from linkbudget.message.fields import field_to_dict

if TYPE_CHECKING:
    from linkbudget.link.model import Link, Message

__all__ = ["edited", "link_table", "link_toml", "plain_table"]

SECTIONS = ("sender", "receiver", "loop", "reading", "parser", "transmit")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_STEP = re.compile(r"([^.\[\]]+)|\[(\d+)\]")
_PATH = re.compile(r"[^.\[\]]+(\.[^.\[\]]+|\[\d+\])*")


def link_table(link: Link) -> dict[str, Any]:
    """Return the tables of the link's file, without what is at its default; numbers as they were given."""
    table: dict[str, Any] = {"line": _line_table(link)}
    table["message"] = [_message_table(message) for message in link.messages]
    table["frame"] = _frame_table(link)
    for name in SECTIONS:
        section = _section_table(getattr(link, name))
        if section:
            table[name] = section
    for name, rows in (("busy", link.busy), ("joint", link.joints)):
        if rows:
            table[name] = [_section_table(row) for row in rows]
    if link.markers is not None:
        table["markers"] = _section_table(link.markers)
    if link.require:
        table["require"] = dict(link.require)
    return table


def _line_table(link: Link) -> dict[str, Any]:
    table: dict[str, Any] = {"baudrate": link.line.baudrate, "format": link.line.format}
    for name in ("shared", "turnaround_us", "bit_error_rate"):
        if getattr(link, name):
            table[name] = getattr(link, name)
    return table


def _message_table(message: Message) -> dict[str, Any]:
    layout = message.layout
    table: dict[str, Any] = {
        "name": layout.name,
        "direction": message.direction,
        "encoding": message.encoding,
    }
    for name, value in (("id", layout.id), ("key", layout.key)):
        if value is not None:
            table[name] = value
    for name in ("rate_hz", "on_request", "use", "act_by_us"):
        if getattr(message, name) != key_specs(MessageKeys)[name].default:
            table[name] = getattr(message, name)
    table["fields"] = [field_to_dict(field) for field in layout.fields]
    return table


def _frame_table(link: Link) -> dict[str, Any]:
    """Return what both directions share, and under each direction what it has for itself."""
    tables = {direction: link.frames[direction].to_dict() for direction in DIRECTIONS}
    first, second = tables.values()
    if first == second:
        return first
    table: dict[str, Any] = {key: value for key, value in first.items() if second.get(key) == value}
    for direction, own in tables.items():
        table[direction] = {key: value for key, value in own.items() if key not in table}
    return table


def _section_table(section: Section) -> dict[str, Any]:
    specs = key_specs(type(section))
    return {name: _table_value(getattr(section, specs[name].attribute)) for name in given_keys(section)}


def _table_value(value: Any) -> Any:
    if isinstance(value, Section):
        return _section_table(value)
    return list(value) if isinstance(value, tuple) else value


def plain_table(value: Any) -> Any:
    """Return tables with numbers that JSON has: fractions and decimals become floats."""
    if isinstance(value, Mapping):
        return {key: plain_table(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [plain_table(part) for part in value]
    return float(value) if isinstance(value, Decimal | Fraction) else value


def link_toml(link: Link) -> str:
    """Return the link as the text of its file. A fraction with no finite decimal is written as a float."""
    blocks = []
    for name, value in link_table(link).items():
        if isinstance(value, list):
            blocks += [f"[[{name}]]\n{_lines(row)}" for row in value]
            continue
        tables = {key: part for key, part in value.items() if key in DIRECTIONS}
        blocks.append(f"[{name}]\n{_lines({key: part for key, part in value.items() if key not in tables})}")
        blocks += [f"[{name}.{key}]\n{_lines(part)}" for key, part in tables.items()]
    return "\n".join(blocks)


def _lines(table: Mapping[str, Any]) -> str:
    return "".join(f"{_toml_key(key)} = {_toml(value, nested=False)}\n" for key, value in table.items())


def _toml_key(key: str) -> str:
    return key if _BARE.fullmatch(key) else _toml_text(key)


def _toml_text(text: str) -> str:
    # JSON's escapes are TOML's; the delete character alone has to be escaped in TOML only.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _toml(value: Any, nested: bool = True) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _toml_text(value)
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_toml_key(key)} = {_toml(part)}" for key, part in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, list | tuple):
        if value and not nested and isinstance(value[0], Mapping):
            return "[\n" + "".join(f"  {_toml(part)},\n" for part in value) + "]"
        return "[" + ", ".join(_toml(part) for part in value) + "]"
    if isinstance(value, Fraction):
        return _toml_fraction(value)
    return str(value) if isinstance(value, Decimal) else repr(value)


def _toml_fraction(value: Fraction) -> str:
    if value.denominator == 1:
        return str(value.numerator)
    near = Decimal(value.numerator) / Decimal(value.denominator)
    return str(near) if Fraction(near) == value else repr(float(value))


def edited(table: dict[str, Any], edits: Mapping[str, Any]) -> dict[str, Any]:
    """Return the tables with values replaced by key path; None removes a key.

    Paths are those of faults: ``loop.work_us``, ``message[0].rate_hz``, ``busy[1].length_us``; a message or
    a joint may be named instead: ``message.beans.rate_hz``. What follows ``require.`` is one name.
    """
    for path, value in edits.items():
        *above, last = _steps(path)
        place: Any = table
        for step in above:
            place = _below(place, step, path)
        key = _key_in(place, last, path)
        if value is None and isinstance(place, dict):
            place.pop(key, None)
        else:
            place[key] = value
    return table


def _steps(path: str) -> list[str | int]:
    if path.startswith("require."):
        return ["require", path.removeprefix("require.")]
    if not _PATH.fullmatch(path):
        raise SettingsError(Fault(path, None, "a key path such as loop.work_us", problem="is no key path"))
    return [int(match[2]) if match[2] else match[1] for match in _STEP.finditer(path)]


def _below(place: Any, step: str | int, path: str) -> Any:
    key = _key_in(place, step, path)
    return place[key] if isinstance(place, list) else place.setdefault(key, {})


def _key_in(place: Any, step: str | int, path: str) -> Any:
    """Return the key of a table, or the place of a list's row given by its number or its name."""
    if isinstance(place, dict) and isinstance(step, str):
        return step
    if not isinstance(place, list):
        problem = f"there is nothing at {step!r}"
        raise SettingsError(Fault(path, step, "a key path such as loop.work_us", problem=problem))
    if isinstance(step, int) and step < len(place):
        return step
    names = [str(row.get("name", row.get("field"))) for row in place if isinstance(row, dict)]
    if step in names:
        return names.index(str(step))
    problem = f"there is no {step!r} in this list of {len(place)}"
    raise SettingsError(Fault(path, step, ", ".join(names), nearest_name(str(step), names), problem=problem))
