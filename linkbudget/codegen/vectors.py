"""Test vectors of one direction: values with their frames, damaged frames, and a stream with what is in it.

Every target ships the same ``vectors.json`` and is tested with it. All answers come from the reference codec
and deframer. The drawn values and the damage are the same every time: the seed is the name of the message.
"""

from __future__ import annotations

import json
import random
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from linkbudget.codegen.spec import (
    DirectionSpec,
    Many,
    Maybe,
    MessageSpec,
    Number,
    Octets,
    Real,
    Record,
    Slot,
)
from linkbudget.errors import FrameError, SettingsError
from linkbudget.frame.deframer import Deframer, Frame
from linkbudget.message.primitives import (
    Bytes,
    Float,
    Group,
    Optional,
    Primitive,
    RangedInteger,
    Sequence,
    State,
)

__all__ = ["events_of", "raw_value", "vectors", "vectors_text"]

DRAWN = 8
STREAM_FRAMES = 40
MOST_DAMAGED_BYTES = 24
"""Bytes of a frame that are damaged one by one; frames are longer, but not more interesting further on."""
MOST_REPEATED = 12
"""Elements of a drawn repeat, and bytes of a drawn blob: vectors are read by people too."""


def vectors_text(spec: DirectionSpec) -> str:
    """Return the text of ``vectors.json``: a vector a line, so that a change shows as a change of lines."""
    parts = []
    for key, value in vectors(spec).items():
        if isinstance(value, list):
            lines = ",\n  ".join(_json(item) for item in value)
            parts.append(f'"{key}": [\n  {lines}\n ]' if value else f'"{key}": []')
        else:
            parts.append(f'"{key}": {_json(value)}')
    return "{\n " + ",\n ".join(parts) + "\n}\n"


def vectors(spec: DirectionSpec) -> dict[str, Any]:
    """Return the vectors of a direction as plain data.

    ``good``: frames with ``message``, ``value`` (as the library has it; bytes as ``{"hex": …}``), ``raw`` (as
    slots have it, see `spec`; bytes as hex digits, null for what is absent), ``sequence``, ``payload``,
    ``frame``. ``refused``: values an encoder must refuse. ``damaged``: ``what`` was done, ``stream``,
    ``events``. ``stream``: many frames, some damaged, with ``chunks`` (sizes) and ``events``.

    An event has ``start`` and ``end`` in the stream, and either ``message``, ``raw`` and ``sequence``, or
    ``reason`` (a damaged frame), or ``refused`` (an intact frame whose payload is no message). A stream is
    not closed: bytes at its end that begin a frame are no event.
    """
    good = [vector for message in spec.messages for vector in _good(spec, message)]
    return {
        "direction": spec.direction,
        "prefix": spec.prefix,
        "frame": spec.fmt.to_dict(),
        "messages": [{"name": m.name, "place": m.place, "id": m.id, "key": m.key} for m in spec.messages],
        "good": good,
        "refused": [vector for message in spec.messages for vector in _refused(spec, message)],
        "damaged": list(_damaged(spec, good)),
        "stream": _stream(spec, good),
    }


def raw_value(message: MessageSpec, value: Mapping[str, Any]) -> dict[str, Any]:
    """Return a value of the library as slots have it, by field name, ready for JSON."""
    return {slot.name: _raw(slot, value.get(slot.name)) for slot in message.fields}


def events_of(spec: DirectionSpec, data: bytes) -> list[dict[str, Any]]:
    """Return what the reference finds in a stream."""
    by_name = {message.name: message for message in spec.messages}
    events = []
    for event in Deframer(spec.fmt).feed(data):
        found: dict[str, Any] = {"start": event.start, "end": event.end}
        if not isinstance(event, Frame):
            found["reason"] = str(event.reason)
        else:
            try:
                name, value = spec.codec.decode_payload(event.payload)
                found |= {"message": name, "raw": raw_value(by_name[name], value)}
                if event.sequence is not None:
                    found["sequence"] = event.sequence
            except FrameError as error:
                found["refused"] = str(error.reason)
        events.append(found)
    return events


def _raw(slot: Slot, value: Any) -> Any:
    if isinstance(slot, Maybe):
        return None if value is None else _raw(slot.item, value)
    if isinstance(slot, Number):
        assert slot.primitive is not None
        state = slot.primitive.state(value, slot.path)
        # Codes are for the wire only; a choice is the place of its word.
        return slot.low + state
    if isinstance(slot, Real):
        return value
    if isinstance(slot, Octets):
        return (value.encode() if slot.text else value).hex()
    if isinstance(slot, Many):
        return [_raw(slot.item, item) for item in value]
    assert isinstance(slot, Record)
    return {field.name: _raw(field, value.get(field.name)) for field in slot.fields}


def _plain(value: Any) -> Any:
    """A value of the library as JSON can hold it."""
    if isinstance(value, bytes):
        return {"hex": value.hex()}
    if isinstance(value, Mapping):
        return {key: _plain(part) for key, part in value.items()}
    return [_plain(part) for part in value] if isinstance(value, list | tuple) else value


def _json(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, separators=(", ", ": "))


# --- values ---------------------------------------------------------------------------------------------


def _values(spec: DirectionSpec, message: MessageSpec) -> Iterator[tuple[str, Mapping[str, Any], int]]:
    """Yield edge values and drawn ones, each with what it is and a sequence number."""
    for which in ("minimum", "maximum", "typical"):
        yield which, _edge_value(spec, message, which), len(which)
    for which in ("minimum", "maximum"):
        what = f"{which} frame"
        yield what, spec.codec.attain(message.name, which), spec.codec.attain_sequence(message.name, which)
    layout = spec.codec.message(message.name).layout
    rng = random.Random(f"vectors of {message.name}")
    for number in range(DRAWN):
        drawn = _drawn(layout.group, rng, _fillers(spec, message))
        yield "drawn", layout.from_primitive(drawn), (37 * number) % 256


def _edge_value(spec: DirectionSpec, message: MessageSpec, which: str) -> dict[str, Any]:
    """Return the value whose fields are all at their minimum, maximum or typical value."""
    layout = spec.codec.message(message.name).layout
    return layout.from_primitive(_edge(layout.group, which, _fillers(spec, message)))


def _fillers(spec: DirectionSpec, message: MessageSpec) -> dict[bool, bytes]:
    """Return the byte that texts (True) and blobs are filled with."""
    encoding = spec.codec.message(message.name).encoding
    return {text: encoding.filler(Bytes(0, 1, text)) for text in (True, False)}


def _edge(primitive: Primitive, which: str, filler: Mapping[bool, bytes]) -> State:
    if isinstance(primitive, Group):
        return tuple(_edge(member.primitive, which, filler) for member in primitive.members)
    if isinstance(primitive, Optional):
        return None if which == "minimum" else _edge(primitive.item, which, filler)
    if isinstance(primitive, RangedInteger):
        return {"minimum": 0, "maximum": primitive.count - 1}.get(which, primitive.typical)
    if isinstance(primitive, Bytes):
        return filler[primitive.text] * int(getattr(primitive, which))
    if isinstance(primitive, Sequence):
        return (_edge(primitive.item, which, filler),) * int(getattr(primitive, which))
    return getattr(primitive, which)


def _drawn(primitive: Primitive, rng: random.Random, filler: Mapping[bool, bytes]) -> State:
    if isinstance(primitive, Group):
        return tuple(_drawn(member.primitive, rng, filler) for member in primitive.members)
    if isinstance(primitive, Optional):
        return None if rng.random() < 0.3 else _drawn(primitive.item, rng, filler)
    if isinstance(primitive, RangedInteger):
        return min(int(rng.random() * primitive.count), primitive.count - 1)
    if isinstance(primitive, Float):
        part = rng.random()
        mixed = primitive.minimum * part + primitive.maximum * (1 - part)
        # Rounding may carry it a little over a bound.
        return primitive.state(min(max(mixed, primitive.minimum), primitive.maximum), "")
    most = min(primitive.maximum, primitive.minimum + MOST_REPEATED)
    count = primitive.minimum + int(rng.random() * (most - primitive.minimum + 1))
    if isinstance(primitive, Sequence):
        return tuple(_drawn(primitive.item, rng, filler) for _ in range(count))
    if primitive.text:
        return filler[True] * count
    return bytes(int(rng.random() * 256) for _ in range(count))


def _fits(spec: DirectionSpec, name: str, value: Mapping[str, Any]) -> bool:
    return len(spec.codec.encode_payload(name, value)) <= spec.fmt.max_payload


def _good(spec: DirectionSpec, message: MessageSpec) -> Iterator[dict[str, Any]]:
    seen = set()
    for what, value, sequence in _values(spec, message):
        if not _fits(spec, message.name, value):
            continue
        frame = spec.codec.encode(message.name, value, sequence)
        if frame in seen:
            continue
        seen.add(frame)
        # A value may lie between two steps; what a receiver sees is the nearest.
        _, decoded = spec.codec.decode(frame)
        yield {
            "what": what,
            "message": message.name,
            "value": _plain(decoded),
            "raw": raw_value(message, decoded),
            "sequence": sequence if spec.fmt.sequence else None,
            "payload": spec.codec.encode_payload(message.name, value).hex(),
            "frame": frame.hex(),
        }


def _refused(spec: DirectionSpec, message: MessageSpec) -> Iterator[dict[str, Any]]:
    """Yield values out of range, one field at a time, and one whose payload is too long if there is one."""
    base = raw_value(message, _edge_value(spec, message, "typical"))
    for slot in message.fields:
        inner = slot.item if isinstance(slot, Maybe) else slot
        if isinstance(inner, Number):
            for wrong in (inner.low - 1, inner.high + 1):
                yield {"what": f"{slot.name} out of range", "message": message.name,
                       "raw": {**base, slot.name: wrong}}  # fmt: skip
    longest = _edge_value(spec, message, "maximum")
    if not _fits(spec, message.name, longest):
        what = f"payload longer than {spec.fmt.max_payload}"
        yield {"what": what, "message": message.name, "raw": raw_value(message, longest)}


# --- damage ---------------------------------------------------------------------------------------------


def _typicals(good: Iterable[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Return one frame of each message: the typical one, or the first there is."""
    chosen: dict[str, Mapping[str, Any]] = {}
    for vector in good:
        if vector["message"] not in chosen or vector["what"] == "typical":
            chosen[vector["message"]] = vector
    return list(chosen.values())


def _damaged(spec: DirectionSpec, good: list[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    """Yield damaged frames, each with intact ones behind it."""
    for vector in _typicals(good):
        frame = bytes.fromhex(vector["frame"])
        for what, damaged in (*_damages(frame), *_payload_damages(spec, vector)):
            # Two behind it: a lost end takes the next frame with it.
            stream = damaged + frame + frame
            what = f"{vector['message']}: {what}"
            yield {"what": what, "stream": stream.hex(), "events": events_of(spec, stream)}


def _damages(frame: bytes) -> Iterator[tuple[str, bytes]]:
    for at in range(min(len(frame), MOST_DAMAGED_BYTES)):
        bit = 1 << (at * 5 + 3) % 8
        yield f"a bit of byte {at} flipped", frame[:at] + bytes([frame[at] ^ bit]) + frame[at + 1 :]
        yield f"byte {at} lost", frame[:at] + frame[at + 1 :]
    yield "the end lost", frame[:-1]
    yield "half of it lost", frame[: len(frame) // 2]
    yield "a byte twice", frame[:1] + frame
    yield "noise in front", b"\xff\x55\x00\x0a" + frame


def _payload_damages(spec: DirectionSpec, vector: Mapping[str, Any]) -> Iterator[tuple[str, bytes]]:
    """Yield intact frames whose payload is not accepted, and one of the other layout."""
    payload = bytes.fromhex(vector["payload"])
    fmt, envelope = spec.fmt, spec.fmt.envelope
    changed = [("payload cut", payload[:-1]), ("payload with a byte more", payload + payload[-1:])]
    changed += [(f"byte {at} of the payload FF", payload[:at] + b"\xff" + payload[at + 1 :])
                for at in range(min(len(payload), MOST_DAMAGED_BYTES))]  # fmt: skip
    for what, other in changed:
        try:
            yield what, fmt.encode(other, 5)
        except SettingsError:
            # Too long for the format, or a byte that its delimiting cannot carry: no frame to be had.
            continue
    if fmt.layout_id is not None:
        lead = (b"\x05" if fmt.sequence else b"") + bytes([fmt.layout_id ^ 1])
        covered = lead + payload
        yield "another layout", fmt.framing.encode(covered + envelope.check_of(covered))
    long = payload + b"b" * (fmt.max_payload - len(payload) + 1)
    covered = envelope.wrap(long, 5)
    if fmt.delimiting not in {"counted", "none"}:
        yield "payload too long", fmt.framing.encode(covered)


def _stream(spec: DirectionSpec, good: list[dict[str, Any]]) -> dict[str, Any]:
    rng = random.Random("stream of vectors")
    frames = [bytes.fromhex(vector["frame"]) for vector in good]
    data = bytearray()
    for _ in range(STREAM_FRAMES):
        frame = frames[int(rng.random() * len(frames))]
        if rng.random() < 0.3:
            damages = list(_damages(frame))
            frame = damages[int(rng.random() * len(damages))][1]
        data += frame
    chunks = []
    left = len(data)
    while left:
        size = min(left, 1 + int(rng.random() * 40))
        chunks.append(size)
        left -= size
    return {"bytes": bytes(data).hex(), "chunks": chunks, "events": events_of(spec, bytes(data))}
