"""What is wrong between the parts of a link, each of which is right by itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from linkbudget.codec import Codec, CodecMessage
from linkbudget.errors import Fault, SettingsError, nearest_name
from linkbudget.frame.format import FrameFormat
from linkbudget.link.clock_margin import clock_faults
from linkbudget.link.joints import Joint
from linkbudget.link.presets import receiver_faults
from linkbudget.link.requirements import numeric_fields, require_faults
from linkbudget.link.tables import DIRECTIONS

if TYPE_CHECKING:
    from linkbudget.link.model import Link, Message

__all__ = ["codec_faults", "joint_faults", "link_faults", "message_faults"]


Messages = Mapping[int, "Message"]
Names = frozenset[str]
"""Names of messages that are in the file and could not be read: what refers to them is not judged."""


def link_faults(link: Link) -> list[Fault]:
    """Return everything that is wrong between the parts of a link."""
    messages = dict(enumerate(link.messages))
    return [
        *message_faults(messages),
        *codec_faults(messages, link.frames),
        *joint_faults(dict(enumerate(link.joints)), messages),
        *require_faults(
            link.require, [message.layout for message in link.messages], joints=bool(link.joints)
        ),
        *receiver_faults(link.receiver, link.line),
        *clock_faults({"sender": link.sender, "receiver": link.receiver}, link.line),
    ]


def message_faults(messages: Messages, unread: Names = frozenset()) -> list[Fault]:
    """Return faults of names and requests: none at all, one name twice, a request that is no message."""
    if not messages and not unread:
        return [Fault("message", [], "at least one message", problem="is missing")]
    faults = []
    by_name: dict[str, Message] = {}
    for index, message in messages.items():
        if message.name in by_name:
            allowed = "a name of its own for each message of the link"
            faults.append(Fault(f"message[{index}].name", message.name, allowed))
        by_name.setdefault(message.name, message)
    for index, message in messages.items():
        if message.on_request is not None and message.on_request not in unread:
            faults += _request_faults(message, by_name, f"message[{index}]")
    return faults


def _request_faults(message: Message, by_name: Mapping[str, Message], path: str) -> list[Fault]:
    asked = message.on_request
    others = [name for name, other in by_name.items() if other.direction != message.direction]
    if asked not in others:
        allowed = f"a message of the other direction: {', '.join(others) or 'there is none'}"
        return [Fault(f"{path}.on_request", asked, allowed, nearest_name(str(asked), others))]
    if message.rate_hz is not None:
        allowed = "left out, since on_request says when it is sent"
        return [Fault(f"{path}.rate_hz", message.rate_hz, allowed)]
    seen = {message.name}
    while asked is not None and asked in by_name:
        if asked in seen:
            allowed = "a request that does not wait for this answer"
            return [Fault(f"{path}.on_request", message.on_request, allowed)]
        seen.add(asked)
        asked = by_name[asked].on_request
    return []


def codec_faults(messages: Messages, frames: Mapping[str, FrameFormat]) -> list[Fault]:
    """Return why a direction's messages cannot be told apart, or do not fit its frame format."""
    faults = []
    for direction in DIRECTIONS:
        rows = {index: message for index, message in messages.items() if message.direction == direction}
        names = {message.name for message in rows.values()}
        if rows and len(names) == len(rows) and direction in frames:
            faults += _direction_faults(rows, frames[direction])
    return faults


def _direction_faults(rows: Messages, fmt: FrameFormat) -> list[Fault]:
    try:
        codec = Codec(fmt, tuple(CodecMessage(message.layout, message.encoding) for message in rows.values()))
    except SettingsError as error:
        return [_at_message(fault, rows) for fault in error.faults]
    faults = []
    for index, message in rows.items():
        largest = codec.payload_size(message.name).maximum
        if largest > fmt.max_payload:
            problem = f"payloads of up to {largest} bytes do not fit frame.max_payload = {fmt.max_payload}"
            allowed = f"max_payload of at least {largest}, or a shorter layout or encoding"
            faults.append(Fault(f"message[{index}]", message.name, allowed, problem=problem))
    return faults


def _at_message(fault: Fault, rows: Messages) -> Fault:
    """Return a fault of the codec, which names messages, with the key path of the link file."""
    for index, message in rows.items():
        if fault.path == message.name or fault.path.startswith(f"{message.name}."):
            return replace(fault, path=f"message[{index}]{fault.path.removeprefix(message.name)}")
    return replace(fault, path="message")


def joint_faults(joints: Mapping[int, Joint], messages: Messages, unread: Names = frozenset()) -> list[Fault]:
    """Return joints that follow no message to the controller, or no numeric field of it."""
    layouts = {
        message.name: message.layout for message in messages.values() if message.direction == "to-controller"
    }
    faults = []
    for index, joint in joints.items():
        if joint.message in unread:
            continue
        if joint.message not in layouts:
            allowed = f"a message to the controller: {', '.join(layouts) or 'there is none'}"
            nearest = nearest_name(joint.message, layouts)
            faults.append(Fault(f"joint[{index}].message", joint.message, allowed, nearest))
            continue
        names = numeric_fields(layouts[joint.message])
        if joint.field not in names:
            allowed = f"a numeric field of {joint.message}: {', '.join(names) or 'there is none'}"
            nearest = nearest_name(joint.field, names)
            faults.append(Fault(f"joint[{index}].field", joint.field, allowed, nearest))
    return faults
