"""Formats chosen: sizes, times, requirements, order, front and reasons, against counts made another way."""

from __future__ import annotations

import json
import math
import tomllib
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from recordings import LINE, link_of, record

from linkbudget import (
    ByteCapture,
    CaptureError,
    Choice,
    Counter,
    Flag,
    FormatChoice,
    FrameFormat,
    Integer,
    Label,
    Link,
    LinkBudgetWarning,
    MessageLayout,
    Optional_,
    Real,
    Repeat,
    Scaled,
    SettingsError,
    UartLine,
    byte_budget,
    choose_format,
    load_bytes,
)
from linkbudget.capture.files import captures_dir
from linkbudget.link.model import Loop, Message, Parser, Reading
from linkbudget.link.requirements import Requirement
from linkbudget.message.encodings import ENCODINGS
from linkbudget.report.document import json_text
from linkbudget.study.choose_candidates import CHECKS, DELIMITINGS
from linkbudget.study.choose_figures import receive_cost_us
from linkbudget.study.choose_layouts import coarser_layout, precision_of, told_apart
from linkbudget.study.choose_ranking import beats, front_of, nearest_miss, order_key, unmet
from linkbudget.study.choose_reasons import choice_reasons
from linkbudget.study.risk import needs_trial
from linkbudget.study.samples import varied_values

CAPTURES = captures_dir()
X = Integer("x", 0, 639)
Y = Integer("y", 0, 479)
LOOP_LIMITS = {
    f"require.{name}": None for name in ("missed_deadlines", "longest_pass_us", "age_us", "overshoot")
}


def by_name(choice):
    return {candidate.name: candidate for candidate in choice.candidates}


@pytest.fixture(scope="module")
def text():
    """The bean sorter's text link; what its loop requires is left out, since no format decides it."""
    return Link.load(CAPTURES / "bean-text.toml").replace(**LOOP_LIMITS, **{"require.undetected_per_year": 2})


@pytest.fixture(scope="module")
def capture(text):
    return load_bytes(CAPTURES / "bean-text.vcd", text.line)


@pytest.fixture(scope="module")
def chosen(text, capture):
    return choose_format(text, capture)


@pytest.fixture(scope="module")
def small():
    """Two ranges that take 19 bits together, no loop, nothing recorded."""
    return choose_format(link_of(X, Y, require={"undetected_per_year": 100}, bit_error_rate=1e-6))


def test_every_encoding_delimiting_and_check_is_there_or_left_out_with_its_reason(small):
    met = {
        (c.format.codec.messages[0].encoding.name, c.format.fmt.delimiting, c.format.fmt.crc)
        for c in small.candidates
    }
    out = {one.name for one in small.left_out}
    widths = {
        None: 0,
        "CRC-8/AUTOSAR": 8,
        "CRC-16/IBM-3740": 16,
        "CRC-16/IBM-SDLC": 16,
        "CRC-32/ISO-HDLC": 32,
    }
    for encoding in ENCODINGS:
        for delimiting in DELIMITINGS:
            found = sorted(widths[crc] for name, way, crc in met if (name, way) == (encoding, delimiting))
            assert found == [0, 8, 16, 32] or f"{encoding} in {delimiting}" in out
    reasons = {one.name: one.reason for one in small.left_out}
    assert "can write 0x0a, which newline cannot carry" in reasons["packed-bits in newline"]
    assert reasons["packed-bits (joined)"] == "saves no byte against packed-bits"


def test_checks_of_candidates_let_no_damage_pass_every_time(small):
    assert len(CHECKS) == 4
    assert not any(needs_trial(candidate.format.fmt) for candidate in small.candidates)


def test_joined_ranges_are_a_candidate_where_they_save_a_byte():
    """Five times one of three words: 10 bits one by one, 3^5 = 243 states or 8 bits together."""
    words = [Choice(name, ("whole", "split", "stone")) for name in "abcde"]
    names = by_name(choose_format(link_of(*words)))
    joined = names["packed-bits (joined) in counted without a check"]
    plain = names["packed-bits in counted without a check"]
    # Sync and length: two bytes more.
    assert (joined.bytes.maximum, plain.bytes.maximum) == (1 + 2, 2 + 2)
    assert joined.format.link.codec().messages[0].encoding.options == {"join": "all"}


def test_present_format_is_a_candidate_once(chosen):
    present = [candidate for candidate in chosen.candidates if candidate.format.present]
    assert present == [chosen.present]
    same = [c for c in chosen.candidates if c.name == chosen.present.name]
    assert same == [chosen.present]
    assert not chosen.present.sender_must_change


def test_present_limit_of_payloads_may_be_any():
    """A limit beyond what a length of one byte holds; the format is still found among the candidates."""
    fmt = FrameFormat("cobs", "CRC-16/IBM-3740", 70_000)
    choice = choose_format(link_of(KIND, encoding="packed-bits", fmt=fmt))
    assert [c.name for c in choice.candidates].count(choice.present.name) == 1


def recorded_values(text, capture):
    codec = text.codec()
    return [codec.decode(line + b"\n")[1] for line in capture.payload_bytes().splitlines()]


def test_typical_sizes_are_those_of_the_recorded_messages(text, capture, chosen):
    values = recorded_values(text, capture)
    assert len(values) == chosen.recorded == 100
    lines = capture.payload_bytes().splitlines(keepends=True)
    assert chosen.present.bytes.typical == Fraction(sum(map(len, lines)), 100)

    names = by_name(chosen)
    arrays = [
        json.dumps([_json_number(v) for v in value.values()], separators=(",", ":")) for value in values
    ]
    expected = Fraction(sum(len(line) + 1 for line in arrays), 100)
    assert names["json-array in newline without a check"].bytes.typical == expected
    # A check in hex digits: two for each byte.
    assert names["json-array in newline with CRC-16/IBM-3740"].bytes.typical == expected + 4
    # 16 + 2 + 7 + 4 * 8 bits are 8 bytes; 3 * 101 * 241^4 * 2^16 states are 55.9 bits, so 7.
    assert names["packed-bits in cobs with CRC-16/IBM-3740"].bytes.typical == 8 + 2 + 2
    assert names["packed-bits (joined) in cobs with CRC-16/IBM-3740"].bytes.typical == 7 + 2 + 2


def _json_number(value):
    return int(value) if isinstance(value, float) and value.is_integer() else value


def test_recorded_frames_of_a_candidate_add_up(text, capture, chosen):
    values = recorded_values(text, capture)
    for candidate in [one for one in chosen.candidates if not one.format.present][::17]:
        codec = candidate.link.codec()
        total = sum(len(codec.encode("beans", value)) for value in values)
        assert candidate.bytes.typical == Fraction(total, 100), candidate.name
        assert candidate.bytes.minimum <= candidate.bytes.typical <= candidate.bytes.maximum


def test_wire_time_and_utilisation_follow_from_the_bytes(text, chosen):
    for candidate in chosen.candidates[::11]:
        assert candidate.wire_time.typical == candidate.bytes.typical * Fraction(10, 115200)
        assert candidate.wire_time.maximum == candidate.bytes.maximum * Fraction(10, 115200)
        assert candidate.utilisation.typical == 30 * candidate.wire_time.typical


def test_figures_of_a_budget_are_those_of_the_budget(chosen):
    for candidate in chosen.candidates[::29]:
        budget = byte_budget(candidate.link).to_dict()
        message = budget["messages"][0]
        assert candidate.age_us == budget["age_us"]["maximum"]
        assert candidate.bytes.minimum == message["bytes"]["minimum"]
        assert candidate.bytes.maximum == message["bytes"]["maximum"]


def test_sender_gap_lengthens_the_wire_time():
    link = replace(link_of(X), sender=replace(link_of(X).sender, gap_us=10))
    first = choose_format(link).candidates[0]
    count = first.bytes.typical
    assert first.wire_time.typical == count * Fraction(10, 115200) + (count - 1) * Fraction(1, 10**5)


def test_link_of_a_candidate_is_a_link_file_that_budgets_alike(chosen):
    again = Link.from_dict(tomllib.loads(chosen.first.link.to_toml()))
    assert again.codec().fmt == chosen.first.format.fmt
    assert again.codec().messages == chosen.first.format.codec.messages
    assert byte_budget(again).to_dict()["messages"] == byte_budget(chosen.first.link).to_dict()["messages"]


def test_order_is_typical_then_longest_wire_time_then_undetected(chosen):
    assert [order_key(c) for c in chosen.ranked] == sorted(order_key(c) for c in chosen.ranked)
    for one, other in pairwise(chosen.ranked):
        before = (one.wire_time.typical, one.wire_time.maximum, one.undetected_per_year)
        assert before <= (other.wire_time.typical, other.wire_time.maximum, other.undetected_per_year)


def test_requirement_filters_and_the_check_follows(chosen):
    assert chosen.first.format.fmt.check.width == 16
    assert all(candidate.undetected_per_year <= 2 for candidate in chosen.ranked)
    assert all(candidate.undetected_per_year > 2 for candidate in chosen.missed)
    assert chosen.present in chosen.missed
    assert not any(c.format.fmt.check is None for c in chosen.ranked)


def test_undetected_of_a_check_is_damage_times_two_to_the_minus_r(chosen):
    found = by_name(chosen)["packed-bits in cobs with CRC-16/IBM-3740"]
    damaged = 1 - (1 - Fraction(1, 10**6)) ** 120
    assert found.undetected_per_year == pytest.approx(float(30 * 31_557_600 * damaged / 65536))
    assert 0 < found.misread_per_year <= found.undetected_per_year


def test_text_without_a_check_is_misread(chosen):
    """Most flips in a line of JSON are refused; digits that become other digits are not."""
    assert chosen.present.misread_per_year > 1000
    assert chosen.present.misread_per_year < 0.3 * chosen.present.undetected_per_year


numbers = st.one_of(st.none(), st.integers(0, 3).map(float))
tables = st.lists(st.fixed_dictionaries({"a": numbers, "b": numbers, "c": numbers}), min_size=1, max_size=12)


def brute_beats(one, other):
    pairs = [
        (math.inf if one[name] is None else one[name], math.inf if other[name] is None else other[name])
        for name in one
    ]
    return not any(a > b for a, b in pairs) and any(a < b for a, b in pairs)


@given(tables)
def test_front_is_what_nobody_beats(rows):
    expected = [not any(brute_beats(other, row) for other in rows) for row in rows]
    assert front_of(rows) == expected
    assert any(expected)
    for one in rows:
        for other in rows:
            assert beats(one, other) == brute_beats(one, other)


def test_front_of_the_candidates_by_brute_force(chosen):
    rows = [candidate.figures() for candidate in chosen.ranked]
    expected = [not any(brute_beats(other, row) for other in rows) for row in rows]
    assert [candidate.on_front for candidate in chosen.ranked] == expected
    assert chosen.first in chosen.front
    assert not any(candidate.on_front for candidate in chosen.missed)


def test_reasons_say_why_the_first_is_first_and_what_the_second_does_better(chosen):
    why, second, present, sender = chosen.reasons
    assert why.startswith(f"{chosen.first.name} is first: ")
    assert f"of the {len(chosen.ranked)} candidates" in why
    assert chosen.ranked[1].name in second
    better = "; ".join(second.partition("does better in ")[2].split("; "))
    assert "longest wire time" in better
    assert chosen.ranked[1].wire_time.maximum < chosen.first.wire_time.maximum
    assert "undetected_per_year is" in present
    assert "The sender must change." in sender
    assert chosen.verdict.startswith(chosen.first.name)
    assert "instead of 75.2" in chosen.verdict


def unchecked(candidate):
    return candidate.format.fmt.check is None


def test_formats_without_a_check_rank_behind_those_with_one():
    choice = choose_format(link_of(X, Y, bit_error_rate=1e-6))
    flags = [unchecked(candidate) for candidate in choice.ranked]
    assert flags == sorted(flags)
    assert set(flags) == {False, True}
    for part in (False, True):
        keys = [order_key(one)[1:] for one in choice.ranked if unchecked(one) is part]
        assert keys == sorted(keys)
    # They stay, also on the front, and the shortest of all is one of them.
    assert any(unchecked(candidate) for candidate in choice.front)
    bare = min(choice.ranked, key=lambda one: order_key(one)[1:])
    assert unchecked(bare)
    saved = float(choice.first.bytes.typical - bare.bytes.typical)
    (told,) = [reason for reason in choice.reasons if reason.startswith("Leaving the check out would save")]
    assert f"save {saved:.3g} byte" in told
    assert f"with {bare.name} and let {bare.undetected_per_year:,.0f} damaged frames a year pass" in told
    assert f"of the {flags.count(False)} candidates with a check, none has" in choice.reasons[0]
    assert choice.to_dict()["checked_first"] is True


def test_runner_up_without_a_check_may_be_shorter():
    choice = choose_format(link_of(X, Y, bit_error_rate=1e-6))
    bare = next(filter(unchecked, choice.ranked))
    second = list(choice_reasons(choice.link, [choice.first, bare, choice.present], [], choice.present))[1]
    saved = float(choice.first.bytes.typical - bare.bytes.typical)
    assert f"The runner-up, {bare.name}, saves {saved:.3g} byte" in second
    assert "does better in typical wire time" in second


@pytest.mark.parametrize("name", ["undetected_per_year", "misread_per_year"])
def test_bound_on_the_risk_decides_about_the_check(name):
    choice = choose_format(link_of(X, Y, bit_error_rate=1e-6, require={name: 1e9}))
    assert unchecked(choice.first)
    assert choice.to_dict()["checked_first"] is False
    assert not any("Leaving the check out" in reason for reason in choice.reasons)


def test_bound_that_nobody_can_judge_decides_nothing():
    choice = choose_format(link_of(X, require={"undetected_per_year": 1e9}))
    assert not unchecked(choice.first)
    assert any("nobody can say without rates and line.bit_error_rate" in text for text in choice.reasons)


def test_nearest_has_a_check_where_one_is_left():
    link = link_of(X, Y, require={"utilisation": 0.0001}, bit_error_rate=1e-6)
    choice = choose_format(link)
    assert choice.first is None
    assert not unchecked(choice.missed[0])
    closest = min(c.utilisation.maximum for c in choice.candidates if not unchecked(c))
    assert choice.nearest_miss.value == pytest.approx(float(closest))
    assert min(c.utilisation.maximum for c in choice.candidates) < closest


def test_only_candidates_without_a_check_meet_what_is_asked_for():
    least = min(c.utilisation.maximum for c in choose_format(link_of(X, Y)).candidates)
    for rate, told in ((1e-6, "It has no check: "), (0, "What damage it lets through is not known")):
        choice = choose_format(link_of(X, Y, bit_error_rate=rate, require={"utilisation": float(least)}))
        assert choice.ranked
        assert all(map(unchecked, choice.ranked))
        assert told in " ".join(choice.reasons)


def test_first_without_a_check_is_told_what_it_lets_through():
    choice = choose_format(link_of(X, Y, bit_error_rate=1e-6, require={"misread_per_year": 1e9}))
    assert choice.first.format.fmt.check is None
    told = next(reason for reason in choice.reasons if "has no check" in reason)
    assert "undetected_per_year or misread_per_year in [require]" in told
    checked = next(c for c in choice.ranked if c.format.fmt.check is not None)
    assert f"The first with a check is {checked.name}" in told


def test_tie_names_what_decides():
    """Whole bytes are the same in packed bits and packed bytes; SLIP would escape these."""
    fields = (Integer("x", 0, 255), Integer("y", 0, 255))
    values = [{"x": 0xC0, "y": 0xDB}] * 3
    link = link_of(*fields)
    choice = choose_format(link, record(link, values))
    first, second = choice.ranked[:2]
    assert first.wire_time == second.wire_time
    assert first.name == "packed-bits in counted with CRC-8/AUTOSAR"
    assert second.name == "packed-bytes in counted with CRC-8/AUTOSAR"
    assert f"It shares that with {second.name}, and with it every figure" in choice.reasons[0]
    assert "is as short and does better in no figure" in choice.reasons[1]


def test_tie_is_decided_by_what_damage_costs():
    """With a check, a damaged length costs one frame, a damaged delimiter two."""
    link = link_of(X, Y, require={"undetected_per_year": 1000, "utilisation": 0.0165}, bit_error_rate=1e-6)
    values = [{"x": 3 * 0x40, "y": 0xDB}] * 3
    choice = choose_format(link, record(link, values))
    first = choice.first
    tied = next(one for one in choice.ranked[1:] if one.wire_time == first.wire_time)
    assert f"It shares that with {tied.name} and is before it in bytes lost" in choice.reasons[0]


def test_no_candidate_meets_says_which_requirement_fails_and_by_how_much():
    link = link_of(X, Y, require={"utilisation": 0.0001, "undetected_per_year": 1000}, bit_error_rate=1e-6)
    choice = choose_format(link)
    assert choice.first is None
    assert choice.ranked == ()
    lowest = min(c.utilisation.maximum for c in choice.candidates)
    miss = choice.nearest_miss
    assert miss.requirement == "utilisation"
    assert miss.value == pytest.approx(float(lowest))
    assert miss.over == pytest.approx(float(lowest) - 0.0001)
    assert choice.missed[0].name == miss.candidate
    assert choice.verdict.startswith("No candidate meets every requirement. Nearest: ")
    assert "utilisation is" in choice.verdict
    assert "over)" in choice.verdict
    assert choice.reasons[0].startswith("No candidate meets utilisation.")
    assert {row["name"]: row["met"] for row in choice.require()}["utilisation"] is False
    assert any(candidate.on_front for candidate in choice.missed)


def test_nearest_miss_by_brute_force():
    link = link_of(X, Y, require={"utilisation": 0.008, "undetected_per_year": 1e-9}, bit_error_rate=1e-6)
    choice = choose_format(link)
    assert choice.first is None

    def worst(candidate):
        return max(row.value / row.limit for row in candidate.requirements if row.met is False)

    best = min(worst(candidate) for candidate in choice.candidates)
    assert choice.nearest_miss.times == pytest.approx(best)
    assert worst(choice.missed[0]) == pytest.approx(best)
    assert "undetected_per_year" in {miss.requirement for miss in unmet(choice.missed)}


def test_requirements_met_one_by_one_and_never_together():
    link = link_of(X, Y, require={"utilisation": 0.0175, "undetected_per_year": 1e-4}, bit_error_rate=1e-6)
    choice = choose_format(link)
    if choice.first is not None:
        limit = float(min(c.utilisation.maximum for c in choice.ranked)) * 0.999
        choice = choose_format(replace(link, require={**link.require, "utilisation": limit}))
    assert choice.first is None
    assert "Each requirement is met by some candidate" in choice.reasons[0]


def test_age_that_no_format_mends_is_told_apart(capture):
    link = Link.load(CAPTURES / "bean-text.toml")
    choice = choose_format(link, capture)
    assert choice.first is None
    assert choice.nearest_miss.requirement == "age_us"
    assert any("another way of reading may" in reason for reason in choice.reasons)
    rows = {row["name"]: row["met"] for row in choice.require()}
    assert rows == {"missed_deadlines": None, "longest_pass_us": None, "age_us": False, "overshoot": None}


def test_candidate_without_a_bound_on_the_age_misses_it(small):
    limited = replace(small.candidates[0], requirements=(Requirement("age_us", 5.0, None, False, None),))
    found = nearest_miss([limited])
    assert found[1].over is None
    assert found[1].times == math.inf


def test_no_bit_error_rate_says_nothing_of_undetected_frames():
    link = link_of(X, require={"undetected_per_year": 1})
    choice = choose_format(link)
    assert all(c.undetected_per_year is c.misread_per_year is None for c in choice.candidates)
    assert "line.bit_error_rate is not given" in choice.warnings[0]
    assert choice.require()[0]["met"] is None


def test_message_without_a_rate_takes_that_of_the_recording():
    link = link_of(X, rate_hz=None, bit_error_rate=1e-6)
    without = choose_format(link)
    assert without.candidates[0].utilisation is None
    assert "has no rate" in " ".join(without.warnings)
    values = [{"x": index} for index in range(5)]
    recorded = choose_format(link, record(link, values, [10**9 + 10**8 * index for index in range(5)]))
    first = recorded.first
    assert float(first.utilisation.typical) == pytest.approx(10 * float(first.wire_time.typical), rel=0.01)
    assert first.undetected_per_year > 0


def test_coarser_step_is_used_only_where_it_is_allowed():
    score = Scaled("a", 0.0, 96.0, 0.4, "mm")
    plain = choose_format(link_of(score, KIND))
    assert not any(candidate.format.coarser for candidate in plain.candidates)
    choice = choose_format(link_of(score, KIND, require={"step.beans.a": 2}))
    coarser = [candidate for candidate in choice.candidates if candidate.format.coarser]
    assert coarser
    # 49 steps and 3 words: 6 + 2 bits in one byte, 8 + 2 in two.
    assert {c.format.codec.messages[0].encoding.name for c in coarser} >= {"packed-bits"}
    assert choice.first.format.coarser
    assert choice.first.bytes.maximum < plain.first.bytes.maximum
    (row,) = choice.first.precision
    assert (row.step, row.largest, row.unit) == (2, 1, "mm")
    assert row.rms == pytest.approx(2 / math.sqrt(12))
    assert "error.beans.a" in choice.first.figures()
    assert choice.require()[0]["met"] is True
    (fine,) = choice.present.precision
    assert (fine.step, fine.largest) == (0.4, 0.2)


def test_finer_step_than_the_field_has_is_met_by_none():
    choice = choose_format(link_of(Scaled("a", 0.0, 96.0, 0.4), require={"step.beans.a": 0.2}))
    assert choice.first is None
    assert choice.nearest_miss.requirement == "step.beans.a"
    assert choice.nearest_miss.over == pytest.approx(0.2)


KIND = Choice("kind", ("whole", "split", "stone"))


def test_coarser_layout_reaches_into_groups_and_leaves_the_rest():
    group = Repeat("found", (Integer("x", 0, 100), Scaled("y", 0, 10, 1), KIND), 3)
    layout = MessageLayout("beans", (group, Optional_(Scaled("z", 0, 9, 1)), Integer("raw", 0, 9, bits=8)))
    limits = {"step.beans.found.x": 5, "step.beans.found.y": 1, "step.beans.z": 3, "step.beans.raw": 4}
    coarser = coarser_layout(layout, limits)
    found, z, raw = coarser.fields
    assert found.fields == (Scaled("x", 0, 100, 5), Scaled("y", 0, 10, 1), KIND)
    assert z.field.step == 3
    assert raw == layout.fields[2]
    assert coarser_layout(layout, {"step.other.z": 3}) is layout


@pytest.mark.parametrize(
    ("span", "bits", "largest", "rms"),
    [
        # Uniform rounding quantiser with 2^b - 1 steps over a range: D/2 and D/sqrt(12) (W. R. Bennett, Bell
        # System Technical Journal 27, 1948; attribution from memory, values recomputed).
        (640, 8, 1.25490196, 0.724517985),
        (180, 8, 0.352941176, 0.203770683),
        (3.3, 12, 0.000402930403, 0.000232631977),
        (270, 10, 0.131964809, 0.0761899182),
    ],
)
def test_quantisation_errors_of_a_field(span, bits, largest, rms):
    field = Scaled("x", 0, span, Fraction(str(span)) / (2**bits - 1))
    (row,) = precision_of(MessageLayout("beans", (field,)))
    assert row.largest == pytest.approx(largest, rel=1e-8)
    assert row.rms == pytest.approx(rms, rel=1e-8)


@pytest.mark.parametrize(("bits", "kind"), [(32, np.float32), (64, np.float64)])
@pytest.mark.parametrize("limit", [1.0, 0.9, 3.0, 1000.0, 2.0**20])
def test_error_of_a_float_is_half_the_way_to_its_neighbour(bits, kind, limit):
    (row,) = precision_of(MessageLayout("beans", (Real("r", bits, -limit, limit),)))
    below = kind(limit) - np.nextafter(kind(limit), kind(0))
    # At a power of two the neighbour below is half as far; the error is that below it.
    assert row.largest in (below / 2, below)
    assert row.rms is None


def test_precision_looks_into_lists_of_single_values():
    layout = MessageLayout("beans", (Repeat("marks", of=Scaled("m", 0, 1, 0.5), max_count=3), Flag("on")))
    assert [(row.field, row.step) for row in precision_of(layout)] == [("marks.m", 0.5)]


def test_bytes_that_stay_the_same_leave_the_sender_alone():
    """Whole-byte ranges: packed bytes and packed bits write the same."""
    fmt = FrameFormat("cobs", "CRC-16/IBM-3740", 3)
    fields = (Integer("x", 0, 255), Integer("y", 0, 65535))
    choice = choose_format(link_of(*fields, encoding="packed-bytes", fmt=fmt))
    names = by_name(choice)
    assert not names["packed-bits in cobs with CRC-16/IBM-3740"].sender_must_change
    assert names["packed-bits in cobs with CRC-8/AUTOSAR"].sender_must_change
    assert names["json-object in cobs with CRC-16/IBM-3740"].sender_must_change


def test_receive_cost_is_known_for_the_present_format_alone(text, chosen):
    assert all((c.receive_cost_us is None) != c.format.present for c in chosen.candidates)
    count = float(chosen.present.bytes.typical)
    # whole-message: a read call for each byte; a pause of 6000 us every 1500 bytes.
    parser = text.parser
    per_byte = parser.read_call_us + parser.byte_us + parser.message_byte_us + 6000 / 1500
    assert chosen.present.receive_cost_us == pytest.approx(parser.message_us + count * per_byte)


def test_receive_cost_of_one_read_call():
    link = Link.load(CAPTURES / "bean-frames.toml")
    parser = link.parser
    cost = receive_cost_us(link, Fraction(12))
    assert cost == pytest.approx(parser.read_call_us + 12 * parser.byte_us + parser.message_us)
    assert receive_cost_us(link_of(X), Fraction(12)) is None


def test_parser_yet_to_be_measured_counts_as_taking_no_time():
    loop, reading = Loop(period_us=5000, work_us=100), Reading(context="first")
    free = replace(link_of(KIND), loop=loop, reading=reading)
    choice = choose_format(replace(free, parser=Parser(measure="c:cortex-m0plus", clock_hz=125e6)))
    assert choice.present.age_us == byte_budget(free).to_dict()["age_us"]["maximum"] > 5000
    assert choice.present.receive_cost_us is None
    assert any("yet to be measured" in text for text in choice.warnings)


def test_limit_and_distance_from_it(chosen):
    assert 0 < chosen.limit.limit_bits < 20
    for candidate in chosen.candidates[::40]:
        above = 8 * float(candidate.bytes.typical) - chosen.limit.limit_bits
        assert candidate.over_limit_bits == pytest.approx(above)
    (message,) = chosen.limit.messages
    tick = message.fields[0]
    assert (tick.field, tick.limit) == ("tick", (0, "difference"))
    assert any("no two of the 100 recorded 'beans' are alike" in text for text in chosen.warnings)


def test_limit_without_a_recording_is_that_of_the_ranges(small):
    assert small.limit.limit_bits == pytest.approx(math.log2(640 * 480))
    assert small.recorded == 0


def test_recorded_message_that_an_encoding_cannot_write_leaves_it_out():
    """A comma in a label would be a separator."""
    link = link_of(Label("note", 12), X)
    values = [{"note": "flap a", "x": 1}, {"note": "a,b", "x": 2}]
    choice = choose_format(link, record(link, values))
    reason = next(one.reason for one in choice.left_out if one.name == "delimited")
    assert "recorded message 1" in reason
    assert "note" in reason
    assert not any(c.format.writing == "delimited" for c in choice.candidates)
    assert "delimited" in {c.format.writing for c in choose_format(link).candidates}


def test_layout_that_an_encoding_cannot_write_leaves_it_out():
    step = Scaled("x", 0, 1, Fraction(1, 3))
    link = link_of(step, encoding="packed-bits", fmt=FrameFormat("cobs", None, 8))
    choice = choose_format(link)
    reasons = {one.name: one.reason for one in choice.left_out}
    assert {"json-object", "json-array", "delimited"} <= reasons.keys()
    assert "beans.x" in reasons["json-object"] or "x" in reasons["json-object"]


def two_messages():
    beans = Message(MessageLayout("beans", (X, Y)), encoding="json-object", rate_hz=30)
    status = Message(
        MessageLayout("status", (Integer("volts", 0, 99),), id=0), encoding="json-object", rate_hz=1
    )
    return Link(
        LINE, (beans, status), {"to-controller": FrameFormat("newline", None, 99)}, bit_error_rate=1e-6
    )


def test_messages_of_a_direction_are_told_apart():
    choice = choose_format(two_messages())
    binary = by_name(choice)["packed-bits in cobs with CRC-8/AUTOSAR"]
    assert [message.layout.id for message in binary.format.codec.messages] == [1, 0]
    text = by_name(choice)["delimited in newline without a check"]
    assert [message.layout.key for message in text.format.codec.messages] == ["beans", "status"]
    assert any("can be told apart" in reason and "beans id 1" in reason for reason in choice.reasons)


def test_typical_message_is_the_mean_over_messages_as_often_as_they_are_sent():
    choice = choose_format(two_messages())
    found = by_name(choice)["packed-bits in counted without a check"]
    # id, three bytes and id, one byte; sync and length: two more.
    assert [message.typical for message in found.messages] == [6, 4]
    assert found.bytes.typical == Fraction(30 * 6 + 1 * 4, 31)
    assert (found.bytes.minimum, found.bytes.maximum) == (4, 6)
    assert found.utilisation.typical == (30 * 6 + 4) * Fraction(10, 115200)


def test_more_messages_than_ids_are_refused_by_the_codec():
    layouts = [MessageLayout(f"m{number}", ()) for number in range(3)]
    marked = told_apart([(layout, ENCODINGS["packed-bits"]()) for layout in layouts])
    assert [message.layout.id for message in marked] == [0, 1, 2]
    (alone,) = told_apart([(layouts[0], ENCODINGS["packed-bits"]())])
    assert alone.layout.id is None


def test_direction_to_the_module():
    command = Message(
        MessageLayout("reject", (Integer("flap", 0, 3),)), "to-module", "json-object", rate_hz=2
    )
    beans = Message(MessageLayout("beans", (X,)), encoding="json-object", rate_hz=30)
    newline = {
        "to-controller": FrameFormat("newline", None, 99),
        "to-module": FrameFormat("newline", None, 99),
    }
    link = Link(LINE, (beans, command), newline)
    assert choose_format(link).direction == "to-controller"
    choice = choose_format(link, direction="to-module")
    assert choice.first.messages[0].name == "reject"
    assert choice.first.age_us is None
    assert choice.first.link.codec("to-controller") == link.codec("to-controller")
    only = Link(LINE, (command,), newline)
    assert choose_format(only).direction == "to-module"
    with pytest.raises(SettingsError, match=r"direction: has no messages; allowed: to-module"):
        choose_format(only, direction="to-controller")


def test_sequence_and_layout_bytes_of_the_present_frames_stay():
    fmt = FrameFormat("cobs", "CRC-16/IBM-3740", 8, sequence=True, layout_id=7)
    choice = choose_format(link_of(X, encoding="packed-bits", fmt=fmt))
    assert all(c.format.fmt.sequence and c.format.fmt.layout_id == 7 for c in choice.candidates)
    assert any("newline" in one.name for one in choice.left_out)


def test_line_of_seven_data_bits_carries_lines_of_text_alone():
    link = replace(link_of(X), line=UartLine(9600, 7, "E"))
    choice = choose_format(link)
    assert {c.format.fmt.delimiting for c in choice.candidates} == {"newline"}
    assert {c.format.writing for c in choice.candidates} == {"json-object", "json-array", "delimited"}
    reasons = {one.name: one.reason for one in choice.left_out}
    assert reasons["packed-bits in cobs"] == "needs bytes of 8 bits, and a character of the line has 7"


def test_message_without_fields_has_formats_too():
    choice = choose_format(
        link_of(encoding="packed-bits", fmt=FrameFormat("cobs", None, 1), bit_error_rate=1e-6)
    )
    assert choice.limit.limit_bits == 0
    assert choice.first.bytes.minimum >= 1
    assert choice.present in choice.candidates


def test_empty_payload_that_leaves_no_frame_is_no_candidate():
    """SLIP and HDLC pass over nothing between two delimiters; an empty line is a frame."""
    choice = choose_format(link_of(encoding="packed-bits", fmt=FrameFormat("cobs", None, 1)))
    seen = {c.format.fmt.delimiting for c in choice.candidates if not c.bytes.maximum > 2 and unchecked(c)}
    assert "newline" in seen
    for candidate in choice.candidates:
        codec = candidate.format.codec
        assert codec.decode(codec.encode("beans", {})) == ("beans", {}), candidate.name
    reasons = {one.name: one.reason for one in choice.left_out}
    assert "leaves no frame that can be seen" in reasons["packed-bits in slip without a check"]
    assert "packed-bits in slip with CRC-8/AUTOSAR" in by_name(choice)


def test_nothing_is_below_the_limit_of_the_ranges():
    """A list that is typically empty: its ranges say what the longest message takes."""
    marks = Repeat("marks", of=Integer("m", 0, 65535), max_count=20, typical_count=0)
    choice = choose_format(link_of(marks))
    assert all(8 * c.bytes.typical < choice.limit.limit_bits for c in choice.ranked[:5])
    assert all(c.over_limit_bits > 0 for c in choice.candidates)


def test_recording_of_another_link_is_refused(capture):
    with pytest.raises(CaptureError, match="no message to-controller of the link is intact in 7,"):
        choose_format(link_of(X), capture)


def test_frames_that_hold_no_message_are_counted_and_left_out():
    wide, narrow = link_of(Integer("x", 0, 999)), link_of(Integer("x", 0, 99))
    choice = choose_format(narrow, record(wide, [{"x": 5}, {"x": 500}, {"x": 6}]))
    assert choice.recorded == 2
    assert "1 of 3 intact frames hold no message of the link" in " ".join(choice.warnings)


def test_already_short_frames_choose_among_the_same_bytes(monkeypatch):
    # A line of text is more than this way of reading takes in time, and a budget tries for long: fewer do.
    few = {name: ENCODINGS[name] for name in ("packed-bits", "packed-bytes", "json-object")}
    monkeypatch.setattr("linkbudget.study.choose_candidates.ENCODINGS", few)
    link = Link.load(CAPTURES / "bean-frames.toml").replace(**LOOP_LIMITS)
    link = link.replace(**{"require.undetected_per_year": 2, "require.age_us": 22000})
    choice = choose_format(link, load_bytes(CAPTURES / "bean-frames.vcd", link.line))
    assert choice.present.name == "packed-bits in cobs with CRC-16/IBM-3740"
    assert choice.present.bytes.typical == 12
    assert choice.present in choice.ranked
    assert "takes place" in " ".join(choice.reasons)
    assert choice.first.format.fmt.check.width == 16
    assert choice.first.bytes.typical < 12
    assert {row["name"]: row["met"] for row in choice.require()} == {
        "undetected_per_year": True,
        "age_us": True,
    }
    text = by_name(choice)["json-object in slip with CRC-16/IBM-3740"]
    assert text.age_us > 22_000
    assert not text.meets


def test_blanks_in_the_recorded_text_are_counted_as_they_were_sent():
    link = link_of(X)
    spaced = record(link, [{"x": 5}, {"x": 7}])
    data = spaced.payload_bytes().replace(b":", b":  ")
    spaced = ByteCapture(
        np.arange(len(data)) * 10**6, np.frombuffer(data, np.uint8), np.zeros(len(data), np.uint8), LINE
    )
    choice = choose_format(link, spaced)
    assert choice.present.bytes.typical == len(b'{"x":  5}\n')
    long = choose_format(link_of(Integer("x", 0, 9)), spaced)
    assert "take up to 10 bytes, and the link describes 8 at most" in " ".join(long.warnings)


def test_present_format_may_stay_the_first():
    hdlc = FrameFormat("hdlc", "CRC-8/AUTOSAR", 9)
    others = choose_format(link_of(Integer("x", 0, 9), encoding="packed-bits", fmt=hdlc))
    choice = choose_format(others.first.link)
    assert choice.first is choice.present
    assert "as it is" in choice.verdict
    assert "nothing has to change" in " ".join(choice.reasons)


def test_document_has_every_column_and_is_json(chosen):
    document = json.loads(json_text(chosen.to_dict()))
    assert document.keys() == {
        "verdict", "direction", "first", "present", "recorded_messages", "candidates", "left_out",
        "limit", "checked_first",
        "nearest_miss", "reasons", "requirements", "rules", "warnings",
    }  # fmt: skip
    row = document["candidates"][0]
    assert row["rank"] == 1
    assert row["name"] == document["first"]
    assert row.keys() >= {
        "bytes", "wire_time_us", "utilisation", "precision", "undetected_per_year", "misread_per_year",
        "bytes_lost", "age_us", "receive_cost_us", "sender_must_change", "over_limit_bits", "on_front",
        "meets",
    }  # fmt: skip
    assert document["candidates"][-1]["rank"] is None
    assert row["bytes"].keys() == {"minimum", "typical", "maximum"}
    assert set(document["rules"]) >= {"undetected_per_year", "bytes_lost", "age_us"}
    assert isinstance(chosen, FormatChoice)
    assert chosen.first.name in chosen._repr_html_()


def test_progress_reaches_its_end():
    seen = []
    choose_format(link_of(KIND), progress=lambda done, total: seen.append((done, total)))
    assert seen[-1][0] == seen[-1][1] == len(seen)


def test_values_to_try_are_the_same_every_time_and_in_range():
    layout = MessageLayout(
        "beans",
        (
            Counter("tick", 16), KIND, Scaled("a", 0, 96, 0.4), Real("r", 32, -1, 2), Real("wide"),
            Label("t", 9),
            Optional_(Flag("f")), Repeat("found", (X, Y), 5),
        ),
    )  # fmt: skip
    values = list(varied_values(layout, 40))
    assert values == list(varied_values(layout, 40))
    for value in values:
        layout.to_primitive(value)
    assert len({value["tick"] for value in values}) > 35
    assert {value["kind"] for value in values} == {"whole", "split", "stone"}
    assert {len(value["found"]) for value in values} == {0, 1, 2, 3, 4}
    assert {"f" in value for value in values} == {True, False}


# The command.


def test_command_writes_the_verdict_first_and_fits_eighty_columns(linkbudget, tmp_path):
    path = tmp_path / "link.toml"
    path.write_text(
        link_of(X, Y, KIND, require={"undetected_per_year": 100, "lost": 1}, bit_error_rate=1e-6).to_toml()
    )
    ran = linkbudget("choose", path)
    assert ran.code == 0
    lines = ran.out.splitlines()
    assert lines[0].startswith("In the model: packed-bits in ")
    assert max(map(len, lines)) <= 80
    for piece in ("Ranked by typical wire time", "Why:", "Limit: ", "Side by side", "Left out", "not known"):
        assert piece in ran.out
    assert "  1 *" in ran.out
    assert " = json-object/newline/none" in ran.out
    assert "not judged here" in ran.out


def test_brief_page_has_the_ranking_and_the_reasons_alone(linkbudget, tmp_path):
    path = tmp_path / "link.toml"
    path.write_text(link_of(X, Y).to_toml())
    page, brief = linkbudget("choose", path), linkbudget("choose", path, "--brief")
    assert page.out.startswith(brief.out)
    assert "Why:" in brief.out
    assert "Side by side" not in brief.out
    rows = [line for line in brief.out.splitlines() if "/CRC-" in line]
    assert rows
    assert all(line.endswith("~") == ("/counted/" in line) for line in rows)
    assert "~: more where data look like the start of a frame" in " ".join(brief.out.split())
    assert "Left out" not in brief.out


def test_command_writes_one_document_with_the_policies(linkbudget):
    ran = linkbudget(
        "choose", CAPTURES / "bean-text.toml", CAPTURES / "bean-text.vcd", "--json", "--policy", "every",
        "--policy", "limit:score<60,hysteresis=3", "--label", "kind=stone", "--require",
    )  # fmt: skip
    document = json.loads(ran.out)
    # The age is out of every format's reach with this link's way of reading.
    assert ran.code == 1
    assert document["first"] is None
    assert document["nearest_miss"]["requirement"] == "age_us"
    assert document["present"] == "json-object in newline without a check"
    names = [one["policy"] for one in document["policies"]["policies"]]
    assert names == ["every", "limit:score<60,hysteresis=3"]
    assert document["policies"]["policies"][1]["misses"] is not None
    assert any("'overshoot' is not judged" in text for text in ran.err.splitlines())


def test_page_shows_the_policies(linkbudget, tmp_path):
    path = tmp_path / "link.toml"
    path.write_text(link_of(X, KIND, require={"utilisation": 0.00001}).to_toml())
    log = tmp_path / "log.jsonl"
    lines = [{"x": 10 * number, "kind": "stone" if number % 3 else "whole"} for number in range(12)]
    log.write_text(
        "".join(
            json.dumps({"t_ns": 10**8 * (number + 1), "hex": (json.dumps(line) + "\n").encode().hex()}) + "\n"
            for number, line in enumerate(lines)
        )
    )
    ran = linkbudget(
        "choose", path, log, "--policy", "limit:x>50", "--policy", "every", "--label", "kind=stone",
    )  # fmt: skip
    assert ran.code == 0, ran.err
    assert "No candidate meets every requirement" in ran.out
    assert "By typical wire time, the nearest before it" in ran.out
    assert "When to send 'beans', over 12 recorded messages" in ran.out
    assert "limit:x>50: 4 missed, 2 false alarms" in ran.out
    assert "NO" in ran.out
    assert max(map(len, ran.out.splitlines())) <= 80


@pytest.mark.parametrize(
    ("arguments", "piece"),
    [
        (["--policy", "every"], "--policy needs a CAPTURE"),
        (["--label", "kind=stone"], "--policy names one"),
        ([CAPTURES / "bean-text.vcd", "--policy", "evry"], "did you mean 'every'?"),
        ([CAPTURES / "bean-text.vcd", "--policy", "every", "--label", "kind"], "kind=stone"),
        ([CAPTURES / "bean-text.vcd", "--policy", "moved:aa=1"], "a field of beans"),
        ([CAPTURES / "bean-text.vcd", "--direction", "to-module"], "has no messages"),
        ([CAPTURES / "bean-frames.vcd"], "no message to-controller of the link is intact"),
        ([CAPTURES / "bean-text.vcd", "--baudrate", "57600"], "suggests"),
    ],
)
def test_bad_input_is_one_clear_line(linkbudget, arguments, piece):
    ran = linkbudget("choose", CAPTURES / "bean-text.toml", *arguments)
    assert ran.code == 2
    assert ran.out == ""
    assert piece in ran.err
    assert "Traceback" not in ran.err


def test_require_without_requirements_is_wrong_usage(linkbudget, tmp_path):
    path = tmp_path / "link.toml"
    path.write_text(link_of(KIND).to_toml())
    ran = linkbudget("choose", path, "--require")
    assert (ran.code, ran.out) == (2, "")
    assert "no [require] table" in ran.err


def test_warnings_of_a_choice_are_no_warnings_of_python(recwarn):
    choose_format(link_of(KIND))
    assert not [one for one in recwarn if issubclass(one.category, LinkBudgetWarning)]


def test_typical_bytes_hold_the_escapes_of_the_mean_where_nothing_is_recorded():
    """Two bytes of any value: in SLIP two of 256 take two bytes (RFC 1055); no single message says so."""
    choice = choose_format(link_of(Counter("tick", 16)))
    sizes = {name: one.bytes for name, one in by_name(choice).items()}
    slip, cobs = (sizes[f"packed-bits in {name} without a check"] for name in ("slip", "cobs"))
    assert cobs.typical == 4
    # END, the bytes, and 2 * 2 / 256 in the mean over all values.
    assert slip.typical == pytest.approx(3 + 2 * 2 / 256, abs=0.01)
    assert slip.typical > 3
    assert (slip.minimum, slip.maximum) == (3, 5)
    # A closing brace is 7D: every object in HDLC-like framing has it.
    hdlc = sizes["json-object in hdlc without a check"]
    assert hdlc.typical >= len('{"tick":32768}') + 2 + 1
    codec = choice.present.format.codec
    assert codec.size("beans").typical == len(codec.encode("beans", codec.attain("beans", "typical")))


def test_sizes_that_are_only_bounds_are_marked(linkbudget, tmp_path):
    """The text of one real number cannot be made to have any check of four bytes, or shown not to."""
    path = tmp_path / "link.toml"
    link = link_of(Real("score", 64), encoding="json-array")
    path.write_text(link.replace(**{"frame.delimiting": "slip", "frame.crc": "CRC-32/ISO-HDLC"}).to_toml())
    choice = choose_format(Link.load(path))
    assert not choice.present.bytes_exact
    assert choice.present.bytes.minimum == 10
    by_encoding = {one.format.writing: one for one in choice.candidates if one.format.fmt.check is None}
    assert by_encoding["packed-bytes"].bytes_exact
    told = [text for text in choice.warnings if "candidates are bounds" in text]
    assert len(told) == 1
    for command in ("choose", "budget"):
        ran = linkbudget(command, path)
        assert ran.code == 0, ran.err
        assert f"≤ {choice.present.bytes.maximum}" in ran.out
        assert "≤: no frame is larger" in ran.out
    document = json.loads(linkbudget("budget", path, "--json").out)
    assert document["messages"][0]["bytes_exact"] is False
    assert any("is not proved" in text for text in document["warnings"])


def test_page_of_messages_to_the_module_shows_no_age(linkbudget, tmp_path):
    path = tmp_path / "link.toml"
    path.write_text(link_of(KIND).to_toml())
    assert "age at use" in linkbudget("choose", path).out
    path.write_text(link_of(KIND).replace(**{"message[0].direction": "to-module"}).to_toml())
    ran = linkbudget("choose", path)
    assert ran.code == 0, ran.err
    assert "age at use" not in ran.out
