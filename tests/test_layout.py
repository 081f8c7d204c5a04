"""Message layouts: duplicate names, ids and keys, and the primitives under them."""

from __future__ import annotations

import pickle

import pytest
from hypothesis import given
from strategies_message import layouts

from linkbudget import Flag, Integer, MessageLayout, Optional_, Repeat, SettingsError, encoding
from linkbudget.message.primitives import Group, Optional, RangedInteger, Sequence, value_faults

BEANS = MessageLayout(
    "beans", (Integer("score", 0, 100), Optional_(Flag("on")), Repeat("n", Integer("each", 1, 3), 2)), id=3
)


def test_every_fault_of_a_layout_is_told():
    with pytest.raises(SettingsError) as caught:
        MessageLayout("", [Flag("on"), Flag("off"), Optional_(Flag("on")), "score"], id=256, key="")
    assert [fault.path for fault in caught.value.faults] == [
        "name",
        "key",
        "id",
        "fields[2].name",
        "fields[3]",
    ]
    tables = [
        {"name": "n", "kind": "counter", "bits": 0},
        {"kind": "optional", "field": {"name": "n", "kind": "flag"}},
        {"name": "s", "kind": "repeat", "fields": [{"name": "x", "kind": "flag"}] * 2, "max_count": -1},
    ]
    with pytest.raises(SettingsError) as caught:
        MessageLayout.from_dict({"name": "beans", "fields": tables})
    paths = {fault.path for fault in caught.value.faults}
    assert {"fields[0].bits", "fields[1].name", "fields[2].max_count"} <= paths


@pytest.mark.parametrize("number", [-1, 256, True, 1.5, "1"])
def test_an_id_is_a_byte(number):
    with pytest.raises(SettingsError, match=r"id: .*0 to 255"):
        MessageLayout("beans", (), id=number)


def test_fields_are_lowered_to_primitives_with_their_names():
    score, on, numbers = BEANS.primitives
    assert (score.name, score.primitive) == ("score", RangedInteger(101, 0, 50))
    assert isinstance(on.primitive, Optional)
    assert on.primitive.item.count == 2
    assert isinstance(numbers.primitive, Sequence)
    assert (numbers.primitive.minimum, numbers.primitive.maximum, numbers.primitive.item.base) == (0, 2, 1)
    assert isinstance(BEANS.group, Group)


def test_values_become_states_and_come_back():
    state = BEANS.to_primitive({"score": 7, "n": [3, 1]})
    assert state == (7, None, (2, 0))
    assert BEANS.from_primitive(state) == {"score": 7, "n": [3, 1]}
    assert BEANS.to_primitive({"score": 7, "on": None, "n": ()}) == (7, None, ())


def test_what_is_no_mapping_is_no_value():
    with pytest.raises(SettingsError, match="a mapping with score, on, n"):
        BEANS.to_primitive([7])


def test_a_field_is_found_by_name():
    assert BEANS.field("score") == Integer("score", 0, 100)
    assert isinstance(BEANS.field("on"), Optional_)
    with pytest.raises(KeyError):
        BEANS.field("weight")


def test_equal_layouts_are_equal_whatever_was_done_with_them():
    other = MessageLayout("beans", list(BEANS.fields), id=3)
    encoding("packed-bits").size(BEANS)
    assert other == BEANS
    assert hash(other) == hash(BEANS)
    assert pickle.loads(pickle.dumps(BEANS)) == BEANS


@given(layouts())
def test_a_layout_comes_back_from_its_table(layout):
    again = MessageLayout.from_dict(layout.to_dict())
    assert again.group == layout.group
    assert (again.name, again.id, again.key) == (layout.name, layout.id, layout.key)


def test_faults_of_all_fields_of_a_table_are_told_with_their_paths():
    table = {"name": "beans", "fields": [{"kind": "flag"}, {"name": "on", "kind": "flag"}, {"name": "n"}]}
    with pytest.raises(SettingsError) as caught:
        MessageLayout.from_dict(table, "message[1]")
    assert [fault.path for fault in caught.value.faults] == [
        "message[1].fields[0].name",
        "message[1].fields[2].kind",
    ]


def test_every_fault_of_a_value_is_told():
    layout = MessageLayout(
        "beans",
        (
            Integer("score", 0, 100),
            Repeat("marks", (Integer("lane", 0, 7), Flag("ok")), 2),
            Optional_(Integer("x", 0, 1)),
            Flag("on"),
            Flag("there"),
        ),
    )
    marks = [{"lane": 8, "ok": True}, {"lane": 1}, {"lane": 2, "ok": False, "who": 1}]
    value = {"score": float("nan"), "marks": marks, "x": 2, "on": True, "far": 0}
    with pytest.raises(SettingsError) as caught:
        layout.to_primitive(value)
    assert [fault.path for fault in caught.value.faults] == [
        "score",
        "marks",
        "marks[0].lane",
        "marks[1].ok",
        "marks[2].who",
        "x",
        "there",
        "far",
    ]
    with pytest.raises(SettingsError, match="a mapping with score"):
        layout.to_primitive([1])
    good = {"score": 1, "marks": marks[:0], "on": True, "there": False}
    assert list(value_faults(layout.group, good)) == []
