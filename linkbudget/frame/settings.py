"""What a frame format may be: the faults of its settings, and its table in a link file."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import MISSING, fields, replace
from typing import TYPE_CHECKING, Any

from linkbudget.check.algorithms import CrcAlgorithm, check_code
from linkbudget.check.code import Check
from linkbudget.errors import Fault, SettingsError, nearest_name
from linkbudget.frame.delimiting.counted import LENGTH_COUNTS
from linkbudget.frame.delimiting.table import DELIMITINGS
from linkbudget.units import is_whole_number

if TYPE_CHECKING:
    from linkbudget.frame.format import FrameFormat

__all__ = ["MAX_PAYLOAD", "RELIES_ON", "catalogue_name", "format_faults", "sync_bytes", "table_of"]

MAX_PAYLOAD = 1 << 20
"""More than any serial frame in use; keeps a mistyped limit from becoming a buffer of that size."""
MAX_SYNC = 8
RELIES_ON = {
    "check_form": frozenset({"crc"}),
    "terminator": frozenset({"crc", "check_form"}),
    "max_payload": frozenset(
        {
            "crc",
            "check_form",
            "sequence",
            "layout_id",
            "sync",
            "length_bytes",
            "length_counts",
            "header_check",
        }
    ),
}
"""Where settings are impossible together: by the one that is told of, those the fault follows from, besides
itself and the delimiting."""
HEX_DIGITS = b"0123456789ABCDEF"
_HEX_BYTES = re.compile(r"(?:[0-9A-Fa-f]{2}\s?)*")


def catalogue_name(value: str | Check | None) -> str | Check | None:
    """Return the one spelling of a check: its catalogue name, None for none; a code of one's own as it is."""
    code = check_code(value)
    return code.name if isinstance(value, str) and code is not None else code


def sync_bytes(value: object) -> object:
    """Return sync bytes given as hex digits (as in a file) as bytes; anything else as it is."""
    if isinstance(value, str) and _HEX_BYTES.fullmatch(value):
        return bytes.fromhex(value)
    return bytes(value) if isinstance(value, bytearray | memoryview) else value


def format_faults(fmt: FrameFormat) -> list[Fault]:
    """Return everything that is wrong with these settings."""
    faults = [*_value_faults(fmt), *_check_faults(fmt)]
    if fmt.delimiting in DELIMITINGS:
        faults += _foreign_settings(fmt)
        wrong = {fault.path for fault in faults}
        faults += [
            fault
            for fault in _together(_repaired(fmt, wrong))
            if not {fault.path, *RELIES_ON.get(fault.path, ())} & wrong
        ]
    return faults


def _repaired(fmt: FrameFormat, wrong: set[str]) -> FrameFormat:
    """Return the format with defaults for the wrong settings, so that the others can still be judged."""
    probe = object.__new__(type(fmt))
    for field in fields(fmt):
        value = field.default if field.name in wrong else getattr(fmt, field.name)
        object.__setattr__(probe, field.name, value)
    return probe


def _value_faults(fmt: FrameFormat) -> Iterator[Fault]:
    words: dict[str, tuple[object, ...]] = {
        "delimiting": tuple(DELIMITINGS),
        "crc_order": (None, "big", "little"),
        "check_form": ("binary", "hex"),
        "length_order": ("big", "little"),
        "length_counts": LENGTH_COUNTS,
        "sequence": (False, True),
        "leading_delimiter": (None, False, True),
    }
    for name, allowed in words.items():
        value = getattr(fmt, name)
        if not any(value is word or (isinstance(word, str) and value == word) for word in allowed):
            known = [word for word in allowed if isinstance(word, str)]
            yield Fault(name, value, ", ".join(map(str, allowed)), nearest_name(str(value), known))
    numbers = {"max_payload": (1, MAX_PAYLOAD), "length_bytes": (1, 4), "async_map": (0, 0xFFFFFFFF)}
    for name, (lowest, highest) in numbers.items():
        if not is_whole_number(getattr(fmt, name), lowest, highest):
            yield Fault(name, getattr(fmt, name), f"a whole number from {lowest} to {highest}")
    if fmt.layout_id is not None and not is_whole_number(fmt.layout_id, 0, 255):
        yield Fault("layout_id", fmt.layout_id, "a whole number from 0 to 255")
    if not isinstance(fmt.sync, bytes) or len(fmt.sync) > MAX_SYNC:
        yield Fault("sync", fmt.sync, f"up to {MAX_SYNC} bytes, in a file as hex digits")
    if not _good_terminator(fmt.terminator):
        yield Fault("terminator", fmt.terminator, "one ASCII character, or two different ones")


def _good_terminator(text: object) -> bool:
    return isinstance(text, str) and text.isascii() and len(text) in {1, 2} and len(set(text)) == len(text)


def _check_faults(fmt: FrameFormat) -> Iterator[Fault]:
    for name in ("crc", "header_check"):
        try:
            check_code(getattr(fmt, name))
        except SettingsError as error:
            for fault in error.faults:
                yield Fault(name, fault.value, fault.allowed, fault.nearest)


def _foreign_settings(fmt: FrameFormat) -> Iterator[Fault]:
    """Settings that were given but concern another delimiting only."""
    owners: dict[str, list[str]] = {}
    for delimiting, kind in DELIMITINGS.items():
        for name in kind.settings:
            owners.setdefault(name, []).append(delimiting)
    for field in fields(fmt):
        value = getattr(fmt, field.name)
        owned_by = owners.get(field.name)
        if owned_by and fmt.delimiting not in owned_by and value != field.default and value is not False:
            yield Fault(
                field.name, value, f"left out: it concerns {', '.join(owned_by)}, not {fmt.delimiting}"
            )


def _together(fmt: FrameFormat) -> Iterator[Fault]:
    """Settings that are right alone and impossible together."""
    forbidden = fmt.framing.forbidden
    if forbidden and fmt.check is not None:
        if fmt.check_form != "hex":
            yield Fault(
                "check_form",
                fmt.check_form,
                f"hex (or no check at all, with crc none): {fmt.delimiting} forbids bytes a check may have",
            )
        elif any(byte in HEX_DIGITS for byte in forbidden):
            yield Fault("terminator", fmt.terminator, "no hex digit, because the check is written in them")
    for name, given in (("sequence", fmt.sequence), ("layout_id", fmt.layout_id is not None)):
        if forbidden and given:
            yield Fault(name, getattr(fmt, name), f"left out: the byte may be one {fmt.delimiting} forbids")
    if fmt.delimiting == "counted":
        room = (1 << 8 * fmt.length_bytes) - 1
        over = fmt.framing.largest_length - room  # type: ignore[attr-defined]
        if over > 0:
            yield Fault(
                "max_payload",
                fmt.max_payload,
                f"at most {fmt.max_payload - over}, so that the length fits {fmt.length_bytes} byte(s)",
            )


def _unknown(path: str, value: object, known: Iterable[str]) -> Fault:
    return Fault(path, value, nearest=nearest_name(path.rpartition(".")[2], known), problem="no such key")


def table_of(cls: type[FrameFormat], table: Mapping[str, Any]) -> dict[str, Any]:
    """Return the arguments of a format from its table in a file; `SettingsError` for unknown keys."""
    known = {field.name for field in fields(cls) if field.default is not MISSING}
    faults = [_unknown(key, table[key], known) for key in table if key not in known]
    if faults:
        raise SettingsError(faults)
    arguments = dict(table)
    for name in ("crc", "header_check"):
        if isinstance(arguments.get(name), Mapping):
            arguments[name] = _own_check(name, arguments[name])
    return arguments


def _own_check(path: str, table: Mapping[str, Any]) -> CrcAlgorithm:
    """Return the algorithm that a table spells out; faults say where in the table."""
    known = [field.name for field in fields(CrcAlgorithm)]
    faults = [_unknown(f"{path}.{key}", table[key], known) for key in table if key not in known]
    missing = [
        field.name for field in fields(CrcAlgorithm) if field.default is MISSING and field.name not in table
    ]
    faults += [Fault(f"{path}.{key}", problem="is missing") for key in missing]
    if faults:
        raise SettingsError(faults)
    try:
        return CrcAlgorithm(**table)
    except SettingsError as error:
        raise SettingsError(replace(fault, path=f"{path}.{fault.path}") for fault in error.faults) from error
