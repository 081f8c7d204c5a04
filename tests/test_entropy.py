"""Entropies against distributions worked out by hand, and against simulated data of known entropy."""

from __future__ import annotations

import math
import random
from itertools import pairwise, product

import pytest
from recordings import link_of, record

from linkbudget import (
    Blob,
    Choice,
    Counter,
    Flag,
    Integer,
    Label,
    MessageLayout,
    Optional_,
    Real,
    Repeat,
    Scaled,
)
from linkbudget.study.choose_figures import Scales
from linkbudget.study.entropy import link_entropy, message_entropy, states_bits
from linkbudget.study.estimates import ENOUGH, entropy_of, estimate, estimate_given
from linkbudget.study.recorded import recorded_messages

KINDS = Choice("kind", ("whole", "split", "stone"))


def entropy_at(p: float) -> float:
    """The entropy of a coin, written out: the textbook formula."""
    return -p * math.log2(p) - (1 - p) * math.log2(1 - p)


@pytest.mark.parametrize(
    ("counts", "bits"),
    [
        ([1], 0),
        ([7], 0),
        ([1, 1], 1),
        ([2, 1, 1], 1.5),
        ([4, 2, 1, 1], 1.75),
        ([5] * 8, 3),
        ([3, 1], 2 - 0.75 * math.log2(3)),
        ([], 0),
        ([4, 0, 4], 1),
    ],
)
def test_entropy_of_counts_by_hand(counts, bits):
    assert entropy_of(counts) == pytest.approx(bits, abs=1e-12)


def test_correction_is_the_one_it_is_named_for():
    """Miller-Madow: (K - 1) / (2 N) nats, here 2 / 16 / ln 2 = 0.180337 bits."""
    found = estimate("aaaabbcc")
    assert (found.samples, found.values) == (8, 3)
    assert found.plugin_bits == pytest.approx(1.5)
    assert found.bits == pytest.approx(1.680337, abs=1e-6)


def test_no_samples_no_estimate():
    assert estimate([]) is None
    assert estimate_given([]) is None


@pytest.mark.parametrize(
    ("samples", "values", "enough"), [(1, 1, False), (5, 1, True), (9, 2, False), (10, 2, True)]
)
def test_enough_samples_are_five_for_each_value_and_more_than_one(samples, values, enough):
    data = [index % values for index in range(samples)]
    assert ENOUGH == 5
    assert estimate(data).enough is enough


def test_given_the_message_before_by_hand():
    """a b a b a: what follows is certain, though each half comes up half of the time."""
    found = estimate_given(list(pairwise("ababa")))
    assert found.samples == 4
    assert found.plugin_bits == pytest.approx(0)
    # Of the pairs aa ab ba bb, once each: one bit remains, and both corrections are 3/8 and 1/8 nats.
    found = estimate_given([("a", "a"), ("a", "b"), ("b", "a"), ("b", "b")])
    assert found.plugin_bits == pytest.approx(1)
    assert found.bits == pytest.approx(1 + (3 - 1) / (2 * 4 * math.log(2)))


def test_uniform_source_comes_out_too_low_and_the_correction_mends_it():
    source = random.Random(5)
    runs = [estimate([source.randrange(16) for _ in range(200)]) for _ in range(300)]
    plugin = sum(run.plugin_bits for run in runs) / len(runs)
    corrected = sum(run.bits for run in runs) / len(runs)
    assert plugin == pytest.approx(4 - 15 / (400 * math.log(2)), abs=0.006)
    assert corrected == pytest.approx(4, abs=0.006)


def test_chain_that_stays_has_its_entropy_rate():
    """Two states, left with probability 0.1: H(0.1) = 0.469 bits a message, 1 bit without the past."""
    source = random.Random(8)
    state, chain = 0, []
    for _ in range(20_000):
        state ^= source.random() < 0.1
        chain.append({"bright": bool(state)})
    (field,) = message_entropy(MessageLayout("beans", (Flag("bright"),)), chain).fields
    assert field.plain.bits == pytest.approx(1, abs=0.01)
    assert field.conditional.bits == pytest.approx(entropy_at(0.1), abs=0.01)
    assert field.difference is None
    assert field.limit == (field.conditional.bits, "conditional")


def test_walk_is_known_by_its_steps_where_its_places_are_too_many():
    source = random.Random(3)
    place, walk = 500, []
    for _ in range(150):
        place += source.choice((-1, 0, 1))
        walk.append({"x": place})
    (field,) = message_entropy(MessageLayout("beans", (Integer("x", 0, 999),)), walk).fields
    assert not field.conditional.enough
    assert field.difference.bits == pytest.approx(math.log2(3), abs=0.03)
    assert field.limit == (field.difference.bits, "difference")


def test_counter_needs_no_bits_also_where_it_wraps():
    values = [{"tick": (65530 + index) % 65536} for index in range(20)]
    found = message_entropy(MessageLayout("beans", (Counter("tick", 16),)), values)
    (field,) = found.fields
    assert field.difference.values == 1
    assert found.limit_bits == 0
    assert "no two of the 20 recorded 'beans' are alike" in found.warnings[0]


def test_recording_with_no_two_messages_alike_is_said_to_tell_nothing():
    source = random.Random(1)
    values = [{"x": place} for place in source.sample(range(1000), 40)]
    found = message_entropy(MessageLayout("beans", (Integer("x", 0, 999),)), values)
    assert found.different == found.recorded == 40
    assert found.limit_bits == pytest.approx(math.log2(1000))
    assert found.fields[0].limit[1] == "states"
    alike, few = found.warnings
    assert "no two of the 40" in alike
    assert "cannot be told" in alike
    assert "too few" in few
    assert "x" in few


def test_text_that_never_repeats_and_has_no_bound_says_cannot_tell():
    values = [{"real": index + 0.5, "x": 1} for index in range(12)]
    found = message_entropy(MessageLayout("beans", (Real("real"), Integer("x", 0, 7))), values)
    assert found.fields[0].states_bits == 32
    assert found.fields[1].limit[0] == 0
    assert found.limit_bits == 32


def test_one_message_says_so():
    found = message_entropy(MessageLayout("beans", (KINDS,)), [{"kind": "stone"}])
    assert "one 'beans' was recorded" in found.warnings[0]
    assert found.limit_bits == pytest.approx(math.log2(3))


def test_nothing_recorded_leaves_the_states():
    layout = MessageLayout("beans", (KINDS, Counter("tick", 16), Scaled("a", 0.0, 96.0, 0.4)))
    found = message_entropy(layout, [])
    assert found.limit_bits == pytest.approx(math.log2(3) + 16 + math.log2(241))
    assert found.warnings == ()


def test_list_counts_its_elements_and_their_number():
    layout = MessageLayout("beans", (Repeat("found", (Integer("x", 0, 9), Flag("bright")), 2),))
    values = [{"found": [{"x": 1, "bright": True}] * (index % 3)} for index in range(30)]
    found = message_entropy(layout, values)
    count, x, bright = found.fields
    assert [field.field for field in found.fields] == ["count of found", "found.x", "found.bright"]
    assert count.plain.plugin_bits == pytest.approx(math.log2(3))
    assert x.per_message == bright.per_message == 1
    assert x.plain.samples == 30
    # 0, 1, 2, 0 …: the count follows from the one before.
    assert count.conditional.plugin_bits == pytest.approx(0)
    assert found.limit_bits == pytest.approx(0, abs=1e-9)


def test_optional_field_counts_whether_it_is_there():
    layout = MessageLayout("beans", (Optional_(KINDS),))
    values = [{"kind": "stone"}, {}] * 10
    presence, kind = message_entropy(layout, values).fields
    assert presence.field == "presence of kind"
    assert presence.plain.plugin_bits == pytest.approx(1)
    assert presence.conditional.plugin_bits == pytest.approx(0)
    assert kind.per_message == 0.5
    assert kind.plain.plugin_bits == 0


@pytest.mark.parametrize(
    ("field", "count"),
    [
        (KINDS, 3),
        (Integer("x", -5, 5), 11),
        (Integer("x", 4, 4), 1),
        (Optional_(KINDS), 4),
        (Blob("b", 1), 257),
        (Blob("b", 2, 2), 65536),
        (Label("t", 0), 1),
        (Repeat("r", Flag("f"), 3), 1 + 2 + 4 + 8),
        (Repeat("r", Integer("x", 1, 1), 3), 4),
        (Repeat("r", (KINDS, Flag("f")), 2, 1), 6 + 36),
        (Repeat("r", Optional_(KINDS).field, 2), sum(len(list(product("abc", repeat=n))) for n in range(3))),
    ],
)
def test_states_are_the_logarithm_of_all_values(field, count):
    assert states_bits(field.primitive) == pytest.approx(math.log2(count), abs=1e-9)


def test_states_of_long_lists_do_not_overflow():
    assert states_bits(Blob("b", 1 << 20).primitive) == pytest.approx(8 * (1 << 20), rel=1e-6)


def test_limit_of_a_link_weighs_messages_as_often_as_they_are_sent():
    link = link_of(KINDS)
    values = [{"kind": kind} for kind in ("whole", "whole", "whole", "split") * 10]
    recorded = recorded_messages(link, record(link, values), "to-controller")
    shares = Scales(link, "to-controller", recorded).shares
    assert shares == {"beans": 1}
    found = link_entropy(link, "to-controller", recorded, shares)
    assert found.messages[0].fields[0].plain.plugin_bits == pytest.approx(entropy_at(0.25))
    assert found.limit_bits == found.messages[0].limit_bits
    document = found.to_dict()
    assert document["messages"][0]["fields"][0]["plain"]["enough"] is True
    assert "Miller-Madow" in document["rules"]["plain_bits"]
    assert found.require() == []
    assert "kind" in found._repr_html_()
