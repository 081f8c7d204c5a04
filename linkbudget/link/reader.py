"""Reads tables into sections by their annotations, and reports everything that is wrong at once.

Whatever the fault (an unknown key, a wrong type, a value out of range, a missing key), the rest of the table
is still read, so that one run shows all there is to mend.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, TypeVar

from linkbudget.errors import Fault, SettingsError, nearest_name
from linkbudget.link.field_keys import FIELD_KINDS
from linkbudget.link.keys import KeySpec, Section, describe, key_specs, missing, plain, value_faults
from linkbudget.message.fields import field_from_dict, same_name_faults

__all__ = ["moved", "read_section"]

SectionT = TypeVar("SectionT", bound=Section)


def join(path: str, key: str) -> str:
    """Return the key path one level down."""
    return f"{path}.{key}" if path else key


def moved(faults: Iterable[Fault], path: str, strip: str = "") -> list[Fault]:
    """Return faults with their paths put under ``path``, without the ``strip`` they begin with."""
    found = []
    for fault in faults:
        rest = fault.path.removeprefix(strip).removeprefix(".")
        below = rest if rest.startswith("[") else join("", rest)
        found.append(
            replace(fault, path=path + below if below.startswith("[") else join(path, below).rstrip("."))
        )
    return found


def read_section(section: type[SectionT], table: object, path: str, faults: list[Fault]) -> SectionT | None:
    """Return the section a table holds; None when something in it is wrong, which is added to ``faults``."""
    before = len(faults)
    if not isinstance(table, Mapping):
        faults.append(Fault(path, plain(table), "a table", problem=f"{_short(table)} is no table"))
        return None
    values = read_keys(section, table, path, faults)
    if len(faults) > before:
        return None
    try:
        return section(**values)
    except SettingsError as error:
        faults += moved(error.faults, path, section.SECTION)
        return None


def read_keys(
    section: type[Section], table: Mapping[str, Any], path: str, faults: list[Fault]
) -> dict[str, Any]:
    """Return the values of a table by attribute name, adding to ``faults`` what is wrong."""
    specs = key_specs(section)
    absent = [key for key in specs if key not in table]
    misspelt = set()
    for key in table:
        if key not in specs:
            # A key that is still free is the likelier one to have been meant.
            nearest = nearest_name(str(key), absent) or nearest_name(str(key), specs)
            misspelt.add(nearest)
            faults.append(unknown_key(path, key, plain(table[key]), specs, nearest))
    for key in absent:
        if specs[key].required and key not in misspelt:
            faults.append(missing(join(path, key), describe(specs[key])))
    return {
        spec.attribute: read_value(spec, plain(table[key]), join(path, key), faults)
        for key, spec in specs.items()
        if key in table
    }


def unknown_key(path: str, key: str, value: object, known: Iterable[str], nearest: str | None) -> Fault:
    """Return the fault of a key that a table does not have."""
    where = f"[{path}]" if path else "a link file"
    return Fault(join(path, key), value, ", ".join(known), nearest, problem=f"is no key of {where}")


def read_value(spec: KeySpec, value: Any, path: str, faults: list[Fault]) -> Any:
    """Return one value as its section holds it, adding to ``faults`` what is wrong with it."""
    if spec.holds == "limits" and isinstance(value, Mapping):
        value = flattened(value)
    if spec.section is not None:
        if spec.holds == "sections":
            return read_sections(spec, value, path, faults)
        if spec.holds == "section" or not isinstance(value, str):
            return read_section(spec.section, value, path, faults)
    wrong = value_faults(spec, value, path)
    faults += wrong
    if wrong and not isinstance(value, Mapping):
        return None
    if spec.holds in ("fields", "field") and not wrong:
        tables = [value] if spec.holds == "field" else value
        for index, table in enumerate(tables):
            read_field(table, path if spec.holds == "field" else f"{path}[{index}]", faults)
        if spec.holds == "fields":
            faults += same_name_faults(tables, path)
    return value


def read_sections(spec: KeySpec, value: object, path: str, faults: list[Fault]) -> tuple[Section | None, ...]:
    """Return a list of tables as sections, None in the place of each in which something is wrong."""
    if not isinstance(value, tuple):
        faults.append(Fault(path, value, describe(spec), problem=f"{_short(value)} is no list of tables"))
        return ()
    assert spec.section is not None
    return tuple(
        read_section(spec.section, table, f"{path}[{index}]", faults) for index, table in enumerate(value)
    )


def read_field(table: Mapping[str, Any], path: str, faults: list[Fault]) -> None:
    """Check one field table of a message: its kind, the keys of that kind, and what they are together."""
    kind = table.get("kind")
    allowed = f"one of: {', '.join(FIELD_KINDS)}"
    if kind is None:
        faults.append(missing(f"{path}.kind", allowed))
    elif not isinstance(kind, str) or kind not in FIELD_KINDS:
        faults.append(Fault(f"{path}.kind", kind, allowed, nearest_name(str(kind), FIELD_KINDS)))
    else:
        rest = {key: value for key, value in table.items() if key != "kind"}
        before = len(faults)
        read_keys(FIELD_KINDS[kind], rest, path, faults)
        if len(faults) == before:
            try:
                field_from_dict(table, path)
            except SettingsError as error:
                faults += error.faults


def flattened(table: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    """Return nested tables as dotted names: ``step.beans.x`` unquoted means what it means quoted."""
    flat: dict[str, Any] = {}
    for key, value in table.items():
        if isinstance(value, Mapping):
            flat |= flattened(value, f"{prefix}{key}.")
        else:
            flat[prefix + key] = value
    return flat


def _short(value: object) -> str:
    text = repr(plain(value))
    return text if len(text) <= 40 else text[:37] + "..."
