"""Field kinds: settings that are refused, what values become, and how scaled fields round."""

from __future__ import annotations

import json
import math
import random
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from strategies_message import layouts

from linkbudget import (
    Blob,
    Choice,
    Counter,
    Flag,
    Integer,
    Label,
    Optional_,
    Real,
    Repeat,
    Scaled,
    SettingsError,
)
from linkbudget.message.fields import FIELD_KINDS, field_from_dict, field_to_dict

QUANTISATION = json.loads(
    (Path(__file__).parent / "data/message/quantisation.json").read_text(encoding="utf-8")
)


@pytest.mark.parametrize(
    ("make", "paths"),
    [
        (lambda: Integer("n", 5, 4), ["n.maximum"]),
        (lambda: Integer("n", 0.0, 1), ["n.minimum"]),
        (lambda: Integer("n", False, 1.5), ["n.minimum", "n.maximum"]),
        (lambda: Integer("n", 0, 9, typical=10), ["n.typical"]),
        (lambda: Integer("n", -1, 128, bits=8), ["n.bits"]),
        (lambda: Integer("n", 0, 9, bits=0, order="mixed"), ["n.bits", "n.order"]),
        (lambda: Integer("", 0, 9), ["name"]),
        (lambda: Integer("a\nb", 9, 0), ["a\nb.name", "a\nb.maximum"]),
        (lambda: Integer(7, 0, 9), ["name"]),
        (lambda: Scaled("x", 0, 1, 0), ["x.step"]),
        (lambda: Scaled("x", 2, 1, -0.5), ["x.step", "x.maximum"]),
        (lambda: Scaled("x", math.nan, math.inf, 1), ["x.minimum", "x.maximum"]),
        (lambda: Scaled("x", "0", 1, True), ["x.minimum", "x.step"]),
        (lambda: Scaled("x", 0, 1, 0.1, typical=1.1), ["x.typical"]),
        (lambda: Scaled("x", 0, 1e6, 1e-12), ["x.step"]),
        (lambda: Choice("k", ()), ["k.options"]),
        (lambda: Choice("k", "stone"), ["k.options"]),
        (lambda: Choice("k", ("a", "")), ["k.options"]),
        (lambda: Choice("k", ("a", "b", "a"), typical="c"), ["k.options", "k.typical"]),
        (lambda: Choice("k", ("a", "b"), codes=(1,)), ["k.codes"]),
        (lambda: Choice("k", ("a", "b"), codes=(1, 1)), ["k.codes"]),
        (lambda: Choice("k", ("a", "b"), codes=(-1, 1)), ["k.codes"]),
        (lambda: Choice("k", ("a", "b"), codes=(1, 9), bits=3), ["k.bits"]),
        (lambda: Counter("t", 65), ["t.bits"]),
        (lambda: Counter("t", 0), ["t.bits"]),
        (lambda: Flag("f", bits=0), ["f.bits"]),
        (lambda: Real("w", 16), ["w.bits"]),
        (lambda: Real("w", 32, 1, 0), ["w.maximum"]),
        (lambda: Real("w", 32, -1e39, math.inf), ["w.minimum", "w.maximum"]),
        (lambda: Blob("b", -1), ["b.max_bytes"]),
        (lambda: Label("l", 3, 4), ["l.min_bytes"]),
        (lambda: Repeat("r", (), 3), ["r.fields"]),
        (lambda: Repeat("r", Flag("f"), 3, 4), ["r.min_count"]),
        (lambda: Repeat("r", Flag("f"), 3, typical_count=4), ["r.typical_count"]),
        (lambda: Repeat("r", (Flag("f"), Flag("g"), Flag("f")), 3), ["r.fields[2].name"]),
        (lambda: Repeat("r", (Flag("f"), "g"), 3), ["r.fields[1]"]),
        (lambda: Repeat("r", Optional_(Flag("f")), 3), ["r.of"]),
        (lambda: Repeat("r", (Flag("f"),), 3, of=Flag("f")), ["r.fields"]),
        (lambda: Repeat("r", Flag("f"), -1), ["r.max_count"]),
        (lambda: Optional_(Optional_(Flag("f"))), ["f.field"]),
        (lambda: Optional_("f"), ["field"]),
    ],
)
def test_impossible_settings_are_refused_with_every_fault(make, paths):
    with pytest.raises(SettingsError) as caught:
        make()
    assert [fault.path for fault in caught.value.faults] == paths


def test_ends_of_ranges_belong_to_them():
    for field in (Integer("n", -3, 4), Scaled("n", -3, 4, 0.5), Real("n", 64, -3, 4)):
        for end in (-3, 4):
            assert field.primitive.value(field.primitive.state(end, "n")) == end


@pytest.mark.parametrize("row", QUANTISATION["rows"], ids=lambda row: f"{row[0]}-{row[1]}")
def test_quantisation_errors_are_those_published(row):
    """Nine digits are printed. The step is exact here: range / 2^b, or range / (2^b - 1)."""
    width, steps, step, largest, rms = row
    width = Fraction(str(width))
    field = Scaled("x", 0, width, width / steps)
    assert float(width / steps) == pytest.approx(step, rel=5e-9)
    assert field.largest_error == pytest.approx(largest, rel=5e-9)
    assert field.rms_error == pytest.approx(rms, rel=5e-9)
    assert field.primitive.count == steps + 1


def test_there_are_eleven_published_quantisers():
    assert len(QUANTISATION["rows"]) == 11


def test_rounding_errors_of_random_values_are_as_large_as_stated():
    """Simulation: 20000 values spread evenly, as the rule for the rms error assumes."""
    field = Scaled("x", -20, 96, 0.4)
    chance = random.Random(5)
    values = [chance.uniform(-20, 96) for _ in range(20_000)]
    errors = [field.primitive.value(field.primitive.state(value, "x")) - value for value in values]
    assert max(map(abs, errors)) <= field.largest_error + 1e-12
    assert max(map(abs, errors)) > 0.99 * field.largest_error
    rms = math.sqrt(sum(error * error for error in errors) / len(errors))
    assert rms == pytest.approx(field.rms_error, rel=0.02)


def test_steps_are_exact_where_floats_are_not():
    """0.1 · 3 is 0.30000000000000004 in floats."""
    field = Scaled("x", 0, 1, 0.1).primitive
    assert [field.value(state) for state in range(11)] == [0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1]
    assert field.count == 11


@pytest.mark.parametrize(
    ("value", "rounded"),
    [(0.04, 0), (0.05, 0.1), (0.149, 0.1), (0.25, 0.3), (-0.05, 0), (-0.15, -0.1), (1, 1)],
)
def test_values_go_to_the_nearest_step_and_halves_up(value, rounded):
    field = Scaled("x", -1, 1, 0.1).primitive
    assert field.value(field.state(value, "x")) == rounded


@pytest.mark.parametrize(
    ("maximum", "count", "top"),
    [(0.9, 4, 0.9), (1.0, 4, 0.9), (1.05, 4, 0.9), (1.06, 5, 1.2), (1.2, 5, 1.2), (0, 1, 0), (0.15, 1, 0)],
)
def test_a_step_that_does_not_divide_the_range_ends_nearest_to_the_maximum(maximum, count, top):
    field = Scaled("x", 0, maximum, 0.3)
    primitive = field.primitive
    assert (primitive.count, primitive.value(primitive.count - 1)) == (count, top)
    assert abs(primitive.value(primitive.state(maximum, "x")) - maximum) <= field.largest_error + 1e-12
    # What is decoded can be encoded again, and nothing beyond both ends can.
    assert primitive.state(primitive.value(count - 1), "x") == count - 1
    with pytest.raises(SettingsError):
        primitive.state(max(maximum, top) + 0.001, "x")


@given(st.integers(-(10**6), 10**6), st.integers(1, 10**6), st.integers(0, 10**6), st.integers(0, 9))
def test_every_step_comes_back_as_itself(low, step, state, places):
    unit = Fraction(1, 10**places)
    field = Scaled("x", low * unit, (low + step * 10**6) * unit, step * unit).primitive
    assert field.state(field.value(state), "x") == state


def test_numbers_of_other_types_are_taken_for_what_they_are():
    scaled, whole = Scaled("x", 0, 10, 0.1).primitive, Integer("n", 0, 300).primitive
    for number in (0.3, Decimal("0.3"), Fraction(3, 10), np.float64(0.3), np.float32(0.3)):
        assert scaled.state(number, "x") == 3
    assert scaled.state(np.int16(3), "x") == 30
    assert whole.state(np.uint8(255), "n") == 255
    assert Flag("f").primitive.state(np.True_, "f") == 1
    assert Real("w").primitive.state(Decimal("0.5"), "w") == 0.5
    listed = Repeat("r", Integer("n", 0, 300), 3).primitive
    assert listed.state(np.array([1, 2]), "r") == listed.state((1, 2), "r") == (1, 2)


@pytest.mark.parametrize("value", [10**400, Fraction(10**400), -(10**400)])
def test_numbers_beyond_every_float_are_out_of_range(value):
    for field in (Real("w", 64), Real("w", 32), Scaled("w", 0, 1, 0.1)):
        with pytest.raises(SettingsError, match=r"w: .* is not allowed"):
            field.primitive.state(value, "w")


def test_zero_has_no_sign_where_negative_numbers_are_not_allowed():
    assert math.copysign(1, Real("w", 32, 0, 1).primitive.state(-0.0, "w")) == 1
    assert math.copysign(1, Real("w", 32, -1, 1).primitive.state(-0.0, "w")) == -1


@pytest.mark.parametrize(
    ("field", "typical"),
    [
        (Integer("n", 0, 100), 50),
        (Integer("n", 0, 100, typical=70), 70),
        (Scaled("x", 0, 96, 0.4), 48.0),
        (Scaled("x", 0, 96, 0.4, typical=12.5), 12.4),
        (Choice("k", ("whole", "a", "split up")), "whole"),
        (Choice("k", ("whole", "a"), typical="a"), "a"),
        (Counter("t", 16), 32768),
        (Flag("f"), False),
        (Real("w", 64, 3, 6), 4.0),
        (Real("w", 64), 1 / 3),
        (Real("w", 64, minimum=5), 5 + 1 / 3),
    ],
)
def test_typical_values_are_the_given_one_or_the_middle(field, typical):
    primitive = field.primitive
    assert primitive.value(primitive.typical) == typical


@given(layouts())
def test_a_field_comes_back_from_its_table(layout):
    for field in layout.fields:
        table = field_to_dict(field)
        assert table["kind"] in FIELD_KINDS
        again = field_from_dict(json.loads(json.dumps(table)))
        assert again.primitive == field.primitive


def test_a_table_leaves_out_what_is_default():
    repeat = Repeat("lanes", (Scaled("x", 0.0, Decimal("96"), Fraction(2, 5), "mm"),), 4)
    assert field_to_dict(repeat) == {
        "name": "lanes",
        "kind": "repeat",
        "fields": [{"name": "x", "kind": "scaled", "minimum": 0.0, "maximum": 96, "step": 0.4, "unit": "mm"}],
        "max_count": 4,
    }
    assert field_to_dict(Optional_(Flag("on"))) == {
        "kind": "optional",
        "field": {"name": "on", "kind": "flag"},
    }


@pytest.mark.parametrize(
    ("table", "faults"),
    [
        ({"name": "n", "kind": "intger"}, [("f.kind", "integer")]),
        ({"name": "n"}, [("f.kind", None)]),
        ({"kind": "counter"}, [("f.name", None), ("f.bits", None)]),
        ({"name": "n", "kind": "counter", "bit": 8}, [("f.bit", "bits"), ("f.bits", None)]),
        ({"name": "n", "kind": "integer", "minimum": 3, "maximum": 2}, [("f.maximum", None)]),
        ({"name": "k", "kind": "choice", "options": "stone"}, [("f.options", None)]),
        (
            {
                "name": "r",
                "kind": "repeat",
                "max_count": 2,
                "fields": [{"name": "a", "kind": "flg"}, {"kind": "flag"}],
            },
            [("f.fields[0].kind", "flag"), ("f.fields[1].name", None)],
        ),
        ({"name": "r", "kind": "repeat", "max_count": 2, "fields": 7}, [("f.fields", None)]),
        (
            {"kind": "optional", "field": {"name": "t", "kind": "counter", "bits": 99}},
            [("f.field.bits", None)],
        ),
        ({"kind": "optional", "field": 7}, [("f.field", None)]),
        (7, [("f", None)]),
    ],
)
def test_a_table_with_faults_tells_all_of_them_with_paths_and_nearest_names(table, faults):
    with pytest.raises(SettingsError) as caught:
        field_from_dict(table, "f")
    assert [(fault.path, fault.nearest) for fault in caught.value.faults] == faults
