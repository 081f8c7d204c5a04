"""The link file: TOML in, a link out, with every fault of the file at once; and back."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal
from os import PathLike
from pathlib import Path
from typing import Any

from linkbudget.errors import Fault, SettingsError
from linkbudget.frame.delimiting.table import DELIMITINGS
from linkbudget.frame.format import FrameFormat
from linkbudget.frame.settings import RELIES_ON
from linkbudget.link.checks import codec_faults, joint_faults, message_faults
from linkbudget.link.clock_margin import clock_faults
from linkbudget.link.ends import Receiver, Sender, Transmit
from linkbudget.link.keys import key_specs, plain
from linkbudget.link.loop import Loop, Parser, Reading
from linkbudget.link.model import MESSAGE_SETTINGS, Link, Message
from linkbudget.link.presets import receiver_faults
from linkbudget.link.reader import moved, read_keys
from linkbudget.link.requirements import require_faults
from linkbudget.link.tables import (
    DIRECTIONS,
    CheckKeys,
    FormatKeys,
    FrameKeys,
    LineKeys,
    LinkKeys,
    MessageKeys,
)
from linkbudget.message.fields import fields_from_tables
from linkbudget.message.layout import MessageLayout
from linkbudget.wire.uart import UartLine

__all__ = ["link_from_dict", "load_link", "parse_toml"]

OF_CAPTURES = {".bin", ".csv", ".gz", ".jsonl", ".parquet", ".tsv", ".vcd", ".zst"}
"""What names of captures end in: the likeliest slip is a capture where the link file belongs."""
_AT_LINE = re.compile(r"\s*\(at line (\d+), column (\d+)\)")


def load_link(path: str | PathLike[str]) -> Link:
    """Return the link a TOML file describes. `SettingsError` names the file in every fault."""
    name = str(path)
    try:
        return link_from_dict(parse_toml(Path(path).read_bytes()), name)
    except OSError as error:
        problem = f"cannot be read: {error.strerror or error}"
        raise SettingsError(Fault("", None, "a link file", problem=problem, file=name)) from error
    except SettingsError as error:
        faults = error.faults
        if Path(path).suffix.lower() in OF_CAPTURES:
            faults = (Fault("", None, "a link file, in TOML", problem="is a capture, by its name"),)
        raise SettingsError([replace(fault, file=name) for fault in faults]) from None


def parse_toml(content: bytes) -> dict[str, Any]:
    """Return the tables of a TOML file, fractions as exact decimals; `SettingsError` says line and column."""
    try:
        return tomllib.loads(content.decode("utf-8-sig"), parse_float=Decimal)
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        problem = f"byte {content[error.start]:#04x} is not UTF-8"
        raise SettingsError(Fault(f"line {line}", None, "a TOML file in UTF-8", problem=problem)) from None
    except RecursionError:
        raise SettingsError(Fault("", problem="tables or lists are nested too deeply")) from None
    except ValueError as error:  # TOMLDecodeError is one; so is an integer of thousands of digits
        text = str(error)
        at = _AT_LINE.search(text)
        where = f"line {at[1]}, column {at[2]}" if at else ""
        raise SettingsError(Fault(where, None, "a TOML file", problem=_AT_LINE.sub("", text))) from None


def link_from_dict(document: Mapping[str, Any], path: str | None = None) -> Link:
    """Return the link a dict of the shape of the link file describes; `SettingsError` carries every fault."""
    if not isinstance(document, Mapping):
        raise SettingsError(Fault("", None, "the tables of a link file", problem=f"{document!r} is no table"))
    faults: list[Fault] = []
    read = read_keys(LinkKeys, document, "", faults)
    line = _line(read.get("line"), faults)
    frames = _frames(read.get("frame", FrameKeys()), document.get("frame"), faults)
    messages = _messages(read.get("message", ()), faults)
    faults += _cross_faults(document, read, line, frames, messages)
    if faults or line is None:
        raise SettingsError(faults)
    keys: LineKeys = read["line"]
    parts = {
        "sender": Sender,
        "receiver": Receiver,
        "loop": Loop,
        "reading": Reading,
        "parser": Parser,
        "transmit": Transmit,
    }
    return Link(
        line=line,
        messages=tuple(messages.values()),
        frames=frames,
        busy=read.get("busy", ()),
        joints=read.get("joint", ()),
        markers=read.get("markers"),
        require=read.get("require", {}),
        shared=keys.shared,
        turnaround_us=keys.turnaround_us,
        bit_error_rate=keys.bit_error_rate,
        path=path,
        **{name: read.get(name) or part() for name, part in parts.items()},
    )


def _line(keys: LineKeys | None, faults: list[Fault]) -> UartLine | None:
    if keys is None:
        return None
    try:
        return UartLine.from_format(keys.baudrate, keys.format)  # type: ignore[arg-type]
    except SettingsError as error:
        faults += moved(error.faults, "line")
        return None


def _frames(keys: FrameKeys | None, table: object, faults: list[Fault]) -> dict[str, FrameFormat]:
    """Return the format of each direction that can be had, adding to ``faults`` what is wrong."""
    if keys is None:
        faults += _faults_between(table, faults)
        return {}
    given = {direction: getattr(keys, direction.replace("-", "_")) for direction in DIRECTIONS}
    overrides = {
        direction: None if override is None else _given_format(override)
        for direction, override in given.items()
    }
    return _formats(_given_format(keys), overrides, faults)


def _formats(
    base: Mapping[str, Any], overrides: Mapping[str, Mapping[str, Any] | None], faults: list[Fault]
) -> dict[str, FrameFormat]:
    frames: dict[str, FrameFormat | None] = {}
    if None in overrides.values():  # else the base need not be possible by itself
        frames = dict.fromkeys(DIRECTIONS, _format(base, "frame", faults))
    for direction, override in overrides.items():
        if override is not None:
            frames[direction] = _format(_merged(base, override), f"frame.{direction}", faults)
    return {direction: made for direction, made in frames.items() if made is not None}


def _faults_between(table: object, told: Sequence[Fault]) -> list[Fault]:
    """Return what is wrong between keys of ``[frame]`` when others are wrong by themselves.

    Only what the others have nothing to do with, whatever was meant by them.
    """
    if not isinstance(table, Mapping):
        return []
    wrong = _unsure("frame", told)
    # A direction's table that is none, or whose name is misspelt, may say anything.
    unknown = wrong & set(DIRECTIONS)
    overrides: dict[str, Mapping[str, Any] | None] = {}
    unsure = {}
    for side in DIRECTIONS:
        unsure[side] = wrong | _unsure(f"frame.{side}", told)
        given = side in table or side in unknown
        overrides[side] = _sure(table.get(side), unsure[side]) if given else None
    found: list[Fault] = []
    _formats(_sure(table, wrong), overrides, found)
    known = {fault.path for fault in told}
    left = []
    for fault in found:
        _, *sides, key = fault.path.split(".")
        doubtful = unsure[sides[0]] if sides else wrong
        relied = {key, "delimiting", *RELIES_ON.get(key, ())}
        if not (fault.path in known or relied & doubtful or unknown & set(sides)):
            left.append(fault)
    return left


def _unsure(path: str, told: Sequence[Fault]) -> frozenset[str]:
    """Return the keys of a table that are wrong, or were perhaps meant by one that is none."""
    found: set[str] = set()
    for fault in told:
        key, *below = fault.path.removeprefix(f"{path}.").split(".")
        if fault.path.startswith(f"{path}.") and not (below and key in DIRECTIONS):
            found |= {key, fault.nearest or key}
    return frozenset(found)


def _sure(table: object, unsure: frozenset[str]) -> dict[str, Any]:
    if not isinstance(table, Mapping):
        return {}
    return {key: plain(table[key]) for key in key_specs(FormatKeys) if key in table and key not in unsure}


def _given_format(keys: FormatKeys) -> dict[str, Any]:
    """Return the arguments of a frame format that a table gives."""
    found = {}
    for name in key_specs(FormatKeys):
        value = getattr(keys, name)
        if isinstance(value, CheckKeys):
            value = {key: part for key in key_specs(CheckKeys) if (part := getattr(value, key)) is not None}
        if value is not None:
            found[name] = value
    return found


def _merged(base: Mapping[str, Any], override: Mapping[str, Any]) -> dict[str, Any]:
    """Return the base with what one direction has different, without what its delimiting has no use for."""
    merged = {**base, **override}
    kinds = DELIMITINGS.values()
    owned = {name for kind in kinds for name in kind.settings}
    used = DELIMITINGS[merged["delimiting"]].settings if "delimiting" in merged else owned
    return {key: value for key, value in merged.items() if key in override or key not in owned or key in used}


def _format(table: Mapping[str, Any], path: str, faults: list[Fault]) -> FrameFormat | None:
    try:
        return FrameFormat.from_dict(table)
    except SettingsError as error:
        faults += moved(error.faults, path)
        return None


def _messages(tables: Sequence[MessageKeys | None], faults: list[Fault]) -> dict[int, Message]:
    """Return the messages that can be had by their place in the file."""
    found = {}
    for index, keys in enumerate(tables):
        message = None if keys is None else _message(keys, f"message[{index}]", faults)
        if message is not None:
            found[index] = message
    return found


def _message(keys: MessageKeys, path: str, faults: list[Fault]) -> Message | None:
    fields = fields_from_tables(keys.fields, f"{path}.fields", faults)
    if len(fields) < len(keys.fields):
        return None
    try:
        return Message(
            layout=MessageLayout(keys.name, tuple(fields), id=keys.id, key=keys.key),
            **{name: getattr(keys, name) for name in MESSAGE_SETTINGS},
        )
    except SettingsError as error:
        faults += moved(error.faults, path)
        return None


def _cross_faults(
    document: Mapping[str, Any],
    read: Mapping[str, Any],
    line: UartLine | None,
    frames: Mapping[str, FrameFormat],
    messages: Mapping[int, Message],
) -> list[Fault]:
    """Return what is wrong between the parts that could be read."""
    tables = document.get("message")
    tables = tables if isinstance(tables, list | tuple) else ()
    names = [str(table.get("name")) for table in tables if isinstance(table, Mapping)]
    unread = frozenset(names) - {message.name for message in messages.values()}
    joints = {index: joint for index, joint in enumerate(read.get("joint", ())) if joint is not None}
    layouts = [message.layout for message in messages.values()]
    faults = []
    if "message" in document:
        faults += message_faults(messages, unread)
        faults += _same_name_faults(tables, messages)
        faults += joint_faults(joints, messages, unread)
        # A joint that could not be read is one all the same.
        has_joints = bool(document.get("joint"))
        faults += require_faults(read.get("require") or {}, layouts, unread, joints=has_joints)
    if not unread:
        faults += codec_faults(messages, frames)
    receiver = read.get("receiver", Receiver())
    if line is not None and receiver is not None:
        faults += receiver_faults(receiver, line)
    if line is not None:
        faults += clock_faults({"sender": read.get("sender"), "receiver": read.get("receiver")}, line)
    return faults


def _same_name_faults(tables: Sequence[Any], messages: Mapping[int, Message]) -> list[Fault]:
    """Return faults of message names that stand twice, where one of the two could not be read."""
    names = [table.get("name") if isinstance(table, Mapping) else None for table in tables]
    return [
        Fault(f"message[{index}].name", name, "a name of its own for each message of the link")
        for index, name in enumerate(names)
        if isinstance(name, str)
        and name in names[:index]
        # Those that could be read are compared among each other.
        and not (index in messages and any(messages[at].name == name for at in messages if at < index))
    ]
