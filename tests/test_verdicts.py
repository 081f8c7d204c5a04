"""Payloads read as columns: the same verdicts and targets as reading them one by one."""

from __future__ import annotations

import random

import numpy as np
import pytest

from linkbudget import Link
from linkbudget.codec.verdicts import columns_of
from linkbudget.frame.bulk import FrameTable
from linkbudget.replay.verdicts import Verdicts

FIELDS = [
    {"name": "tick", "kind": "counter", "bits": 13},
    {"name": "kind", "kind": "choice", "options": ["whole", "split", "stone"]},
    {"name": "score", "kind": "integer", "minimum": -3, "maximum": 96},
    {"name": "x", "kind": "scaled", "minimum": 0.0, "maximum": 96.0, "step": 0.4},
    {"name": "seen", "kind": "flag"},
]


def link(encoding, second=True, **field):
    messages = [{"name": "beans", "encoding": encoding, "fields": [*FIELDS, *([field] if field else [])]}]
    if second:
        messages[0]["id"] = 1
        messages.append({"name": "reject", "id": 7, "encoding": "packed-bytes", "fields": FIELDS[:1]})
    joint = {"message": "beans", "field": "x", "v_max": 300, "a_max": 4000, "scale": -2, "offset": 0.1}
    return Link.from_dict(
        {
            "line": {"baudrate": 115_200, "format": "8N1"},
            "message": messages,
            "frame": {"delimiting": "cobs", "crc": "none", "max_payload": 64},
            "loop": {"period_us": 1000},
            "joint": [joint, {**joint, "name": "second", "field": "score"}],
        }
    )


def table_of(payloads):
    offsets = np.concatenate([[0], np.cumsum([len(payload) for payload in payloads])]).astype(np.int64)
    none = np.zeros(len(payloads), dtype=np.int64)
    data = np.frombuffer(b"".join(payloads), dtype=np.uint8)
    return FrameTable(none, none.copy(), none.astype(np.uint8), data, offsets, none.astype(np.int16))


@pytest.mark.parametrize("second", [True, False])
@pytest.mark.parametrize(
    ("encoding", "as_columns"),
    [
        ("packed-bits", True),
        ({"name": "packed-bits", "join": "all"}, True),
        ({"name": "packed-bits", "join": [["kind", "x"]]}, True),
        ({"name": "packed-bits", "bit_order": "lsb"}, False),
        ({"name": "packed-bits", "byte_order": "little"}, False),
    ],
)
def test_columns_give_what_one_by_one_gives(encoding, as_columns, second):
    made, dice = link(encoding, second), random.Random(1)
    codec = made.codec("to-controller")
    assert (columns_of(codec.messages[0]) is not None) is as_columns
    payloads = []
    for at in range(3000):
        value = {"tick": at, "kind": dice.choice(["whole", "split", "stone"]), "score": dice.randint(-3, 96)}
        value |= {"x": dice.randint(0, 240) * 0.4, "seen": dice.random() < 0.5}
        payload = bytearray(codec.encode_payload("beans", value))
        if at % 3 == 0:
            payload[dice.randrange(len(payload))] ^= 1 << dice.randrange(8)
        if at % 50 == 0:
            payload = payload[:-1] if at % 100 else payload + b"\0"
        payloads.append(bytes(payload))
    if second:
        payloads += [codec.encode_payload("reject", {"tick": at}) for at in range(100)]
    verdicts = Verdicts(codec, [message.name for message in codec.messages], made.joints)
    names, values = verdicts.of_frames(table_of(payloads))
    wanted_names, wanted = verdicts.of(payloads)
    assert names.tolist() == wanted_names.tolist()
    np.testing.assert_array_equal(values, wanted)
    assert 100 < np.count_nonzero(names < 0) < 1000


@pytest.mark.parametrize(
    "field",
    [
        {"name": "note", "kind": "label", "max_bytes": 4},
        {"name": "real", "kind": "real", "bits": 32},
        {"name": "wide", "kind": "integer", "minimum": 0, "maximum": 2**60},
        {"name": "plain", "kind": "integer", "minimum": 0, "maximum": 9, "bits": 8},
    ],
)
def test_what_has_no_fixed_place_or_range_is_read_one_by_one(field):
    codec = link("packed-bits", **field).codec("to-controller")
    assert columns_of(codec.messages[0]) is None
