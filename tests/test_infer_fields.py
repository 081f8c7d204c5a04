"""From values to fields: counters, steps, ranges, words, lists; and what no field can hold."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkbudget.message.fields import (
    Choice,
    Counter,
    Flag,
    Integer,
    Label,
    Optional_,
    Real,
    Repeat,
    Scaled,
)
from linkbudget.study.infer_counts import counting
from linkbudget.study.infer_fields import How, guess_field, ordered_names
from linkbudget.study.infer_ranges import common_step, stays_inside, widened
from linkbudget.units import exact


def field_of(*values, **how):
    field, notes = guess_field("x", values, "message.m.fields.x", How(**how))
    assert notes
    assert all(note.what.startswith("message.m.fields.x") for note in notes)
    return field


def decimals(*texts):
    return [Decimal(text) for text in texts]


@pytest.mark.parametrize("bits", [3, 8, 13, 16, 32])
def test_a_counter_that_wraps_shows_its_width(bits):
    values = [number % (1 << bits) for number in range((1 << bits) - 7, (1 << bits) + 33)]
    assert field_of(*values) == Counter("x", bits)


def test_lost_messages_do_not_hide_a_counter():
    values = [number % 256 for number in range(230, 290) if number not in (240, 255, 261)]
    assert field_of(*values) == Counter("x", 8)


def test_a_counter_not_seen_to_wrap_gets_a_width_that_is_called_a_guess():
    field, (note,) = guess_field("x", list(range(70_000, 70_040)), "x")
    assert field == Counter("x", 32)
    assert "guess" in note.origin
    assert note.confidence == 0.5


def test_counting_to_a_thousand_is_a_range_not_a_counter():
    values = [number % 1000 for number in range(990, 3010)]
    assert field_of(*values) == Integer("x", 0, 999)


def test_a_clock_is_a_counter_for_no_range_would_hold_it():
    assert field_of(*range(1000, 5000, 33)) == Counter("x", 16)
    assert field_of(*[(65000 + 33 * step) % 65536 for step in range(60)]) == Counter("x", 16)


@pytest.mark.parametrize(
    "values",
    [[5, 5, 5, 5, 5, 5], [9, 2, 7, 1, 8, 3, 3, 0], [0, 1, 2], [0, 1, 0, 1, 0, 1, 0], [-3, -2, -1, 0, 1, 2]],
)
def test_what_does_not_count(values):
    assert counting(values) is None


def test_elements_of_lists_do_not_count():
    assert isinstance(field_of(*range(40), series=False), Integer)


@pytest.mark.parametrize(
    ("low", "high", "step", "expected"),
    [
        # Computed by hand from the rule in words.
        (52, 98, 1, (46, 104)),  # span 46: 5 more on each side, then out to steps of 2
        (3, 97, 1, (0, 110)),  # not past zero; 106.4 goes to 110 in steps of 5
        (-40, 60, 1, (-50, 70)),
        (-97, -3, 1, (-110, 0)),
        (7, 7, 1, (6, 8)),  # a constant: its own size is taken for the span
        (0, 0, 1, (0, 1)),
    ],
)
def test_ranges_are_widened_by_the_rule(low, high, step, expected):
    assert widened(Fraction(low), Fraction(high), Fraction(step)) == expected


@given(
    st.lists(st.integers(-(10**6), 10**6), min_size=1, max_size=30),
    st.integers(1, 900),
    st.integers(0, 4),
)
def test_every_value_lies_in_its_range_whole_steps_from_the_ends(numbers, units, places):
    step = Fraction(units, 10**places)
    values = [number * step for number in numbers]
    least, most = widened(min(values), max(values), step)
    assert least <= min(values) <= max(values) <= most
    assert all(((value - least) / step).denominator == 1 for value in [*values, most])
    span = max(values) - min(values) or abs(max(values)) or step
    assert most - max(values) <= Fraction(span, 5) + 2 * step
    assert (least >= 0) == (min(values) >= 0)


def test_the_step_of_decimals_is_found():
    field = field_of(*decimals("0.4", "12.8", "7.2", "95.6", "48.0", "20.4", "3.6"))
    assert isinstance(field, Scaled)
    assert exact(field.step) == Fraction("0.4")
    assert exact(field.minimum) == 0


def test_a_step_that_few_values_may_share_by_chance_is_not_believed():
    field, (note,) = guess_field("x", decimals("0.4", "1.2", "3.6"), "x")
    assert exact(field.step) == Fraction("0.1")
    assert "cannot be told" in note.origin


def test_steps_need_not_start_at_zero():
    field = field_of(*decimals("0.7", "5.2", "2.2", "9.7", "3.7", "8.2", "6.7", "0.7", "1.2", "4.2"))
    assert exact(field.step) == Fraction("0.5")
    assert exact(field.minimum) % Fraction("0.5") == Fraction("0.2")


def test_whole_numbers_and_decimals_make_one_scaled_field():
    field = field_of(3, Decimal("4.5"), 7, Decimal("0.5"), 1, Decimal("2.5"), 9, 4, 6, 11, 2, 13)
    assert isinstance(field, Scaled)
    assert exact(field.step) == Fraction("0.5")


def test_noise_of_binary_floats_is_rounded_off():
    values = [Decimal(repr(7.4 + number / 100)) for number in range(40)]
    assert any(len(str(value)) > 12 for value in values)
    field, (note,) = guess_field("x", values, "x")
    assert exact(field.step) == Fraction("0.01")
    assert "noise" in note.origin


def test_many_digits_are_reals():
    thirds = [Decimal(repr(number / 3)) for number in (1, 2, 4, 5, 7)]
    assert isinstance(field_of(*thirds), Real)
    assert field_of(*thirds).bits == 64
    # What 1/3, 2/3, 10/3 and 1e10/3 print as after rounding to 32 bits (computed with numpy).
    singles = decimals("0.33333334", "0.6666667", "3.3333333", "3333333200.0")
    assert field_of(*singles) == Real("x", 32, 0, 3_800_000_000)


def test_flags_words_and_texts():
    assert field_of(True, False, True) == Flag("x")
    words = ["whole", "stone", "whole", "split"] * 5
    assert field_of(*words) == Choice("x", ("whole", "stone", "split"), typical="whole")
    assert field_of(*[f"bean {number}" for number in range(20)]) == Label("x", 8, min_bytes=1)
    assert field_of("abc", "def", "ghi") == Label("x", 3, min_bytes=3)
    assert isinstance(field_of("", "a", "", "a", "", "a"), Label)


def test_a_field_that_some_messages_lack_is_optional():
    field = field_of(1, None, 3, 2, None)
    assert isinstance(field, Optional_)
    assert isinstance(field.field, Integer)


def test_lists_of_values_and_of_objects():
    assert field_of([1, 2], [3], []) == Repeat(
        "x", of=Integer("item", 0, 4, 2), max_count=3, min_count=0, typical_count=1
    )
    field = field_of([{"a": 1, "b": True}], [{"a": 2}])
    assert [inner.name for inner in field.fields] == ["a", "b"]
    assert (field.min_count, field.max_count) == (1, 1)


@pytest.mark.parametrize(
    "values",
    [[{"a": 1}, {"a": 2}], ["a", 1], [None, None], [[], []], [[1, "a"], [2]], [["a", None], ["b"]]],
)
def test_what_no_field_can_hold_is_left_out_and_said(values):
    field, notes = guess_field("x", values, "x")
    assert field is None
    assert "left out" in notes[0].origin


def test_names_that_no_field_can_have_are_left_out():
    for name in ("", "a\x01"):
        field, (note,) = guess_field(name, [1, 2], "x")
        assert field is None
        assert "name" in note.origin


def test_numbers_and_texts_beyond_all_fields_are_left_out():
    assert field_of(Decimal("1e400"), Decimal("0.5")) is None
    assert field_of("\ud800", "a") is None


def test_keys_keep_the_order_in_which_they_are_written():
    assert ordered_names([{"a": 1, "d": 1}, {"a": 1, "b": 1, "d": 1}, {"b": 1, "c": 1}]) == [
        "a",
        "b",
        "c",
        "d",
    ]


def test_the_chance_of_a_step_is_told():
    found = common_step([Fraction(number, 10) for number in (0, 4, 8, 20, 36, 40)], 1)
    assert found.step == Fraction(2, 5)
    assert found.chance == pytest.approx(4.0**-5)


def test_the_confidence_of_a_range_is_the_share_of_new_extremes():
    """Of n + 1 exchangeable values the last is an extreme in 2 of n + 1 orders: counted over all orders."""
    from itertools import permutations

    orders = list(permutations(range(5)))
    outside = sum(order[-1] in (0, 4) for order in orders)
    assert stays_inside(4) == pytest.approx(1 - outside / len(orders))
