"""The search for the smallest set, held against every subset tried one after the other."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkbudget.link.requirements import Requirement
from linkbudget.study.whatif_changes import Change
from linkbudget.study.whatif_rows import Figures, Row, merged
from linkbudget.study.whatif_sets import SetSearch, excess, search_sets

NAMES = "abcde"


def figures(value: float, other: float = 0) -> Figures:
    """Figures with two requirements, each at most 10."""
    rows = tuple(
        Requirement(name, 10, found, found <= 10, 10 - found)
        for name, found in (("age_us", value), ("overshoot", other))
    )
    return Figures(0, 9, 0, 0, 1, 100.0, value, 5, 5, 0, 0, 0, other, rows)


class World:
    """Changes whose sets have the values of a table; what is asked for is counted."""

    def __init__(self, values, hardware="", sender="", kinds=None):
        self.values, self.hardware, self.sender = values, hardware, sender
        self.kinds = kinds or {}
        self.asked = []

    def change(self, name):
        return Change(name, self.kinds.get(name, f"kind {name}"), {f"key.{name}": 1})

    def row(self, change, members):
        value = self.values(frozenset(members))
        return Row(
            change.name,
            change.kind,
            members,
            dict(change.edits),
            figures=figures(value),
            hardware=any(name in self.hardware for name in members),
            sender_must_change=any(name in self.sender for name in members),
        )

    def replays(self, asked):
        self.asked += [members for _, members in asked]
        return [self.row(change, members) for change, members in asked]

    def search(self, max_changes=3, max_sets=1000):
        singles = [(change, self.row(change, (change.name,))) for change in map(self.change, NAMES)]
        present = figures(self.values(frozenset()))
        return SetSearch(present, singles, self.replays, max_changes, max_sets)


def working(table, names, most):
    return [
        set(chosen)
        for size in range(1, most + 1)
        for chosen in combinations(names, size)
        if table[frozenset(chosen)] <= 10
    ]


SUBSETS = [frozenset(chosen) for size in range(6) for chosen in combinations(NAMES, size)]
TABLES = st.lists(st.sampled_from([5, 9, 11, 20, 50]), min_size=len(SUBSETS), max_size=len(SUBSETS))
# Tables in which little works, so that searches go deep.
HARD = st.lists(
    st.sampled_from([11, 20, 50, 50, 50, 50, 50, 9]), min_size=len(SUBSETS), max_size=len(SUBSETS)
)


@given(
    values=TABLES | HARD, hardware=st.sampled_from(["", "a", "bc"]), sender=st.sampled_from(["", "c", "ad"])
)
def test_with_room_enough_the_smallest_set_is_the_smallest(values, hardware, sender):
    table = dict(zip(SUBSETS, values, strict=True))
    world = World(table.get, hardware, sender)
    for found in search_sets(world.search()):
        banned = (sender if "sender" in found.keeps else "") + (hardware if "hardware" in found.keeps else "")
        there = working(table, [name for name in NAMES if name not in banned], 3)
        assert (found.row is not None) == bool(there)
        if found.row is not None:
            assert set(found.row.members) in there
            assert found.smallest
            assert found.minimal
            assert len(found.row.members) == min(map(len, there))
        else:
            assert all(done == of for _, done, of in found.tried)
            near = found.nearest.figures
            assert excess(near) == min(
                excess(figures(table[frozenset(row)]))
                for size in range(1, 4)
                for row in combinations([name for name in NAMES if name not in banned], size)
            )


@given(values=HARD, max_sets=st.integers(0, 4))
def test_with_little_room_no_more_is_claimed_than_was_tried(values, max_sets):
    table = dict(zip(SUBSETS, values, strict=True))
    found = World(table.get).search(4, max_sets).search(())
    there = working(table, NAMES, 4)
    assert all(done <= of for _, done, of in found.tried)
    if found.row is None:
        assert found.smallest is False
        if all(done == of for _, done, of in found.tried):
            assert not there
        return
    assert set(found.row.members) in there
    if found.smallest:
        assert len(found.row.members) == min(map(len, there))
    # Without any one of its changes it does not work.
    for name in found.row.members:
        rest = frozenset(found.row.members) - {name}
        assert not rest or table[rest] > 10


def test_of_sets_of_one_size_those_that_need_less_come_first():
    table = dict.fromkeys(SUBSETS, 50.0)
    for name in "abc":
        table[frozenset(name)] = 5.0
    first = World(table.get, hardware="a", sender="b").search().search(())
    assert first.row.members == ("c",)
    # Less hardware before the sender.
    only = World(table.get, hardware="a", sender="bc").search().search(())
    assert only.row.members in (("b",), ("c",))


def test_the_promising_pair_is_tried_first():
    # c halves the figure, e takes a third off: together they would meet 14, and do. No other pair looks so.
    alone = {"a": 39.0, "b": 38.0, "c": 20.0, "d": 37.0, "e": 27.0}
    table = {frozenset(): 40.0, **{frozenset(name): value for name, value in alone.items()}}
    world = World(lambda members: table.get(members, 9.0 if members == frozenset("ce") else 30.0))
    found = world.search().search(())
    assert found.row.members == ("c", "e")
    assert found.tried == ((1, 5, 5), (2, 1, 10))


def test_a_set_found_beside_smaller_ones_that_were_not_tried_loses_what_it_can_do_without():
    alone = {"a": 20.0, "b": 21.0, "c": 22.0, "d": 50.0, "e": 50.0}
    works = (frozenset("abc"), frozenset("bc"))
    table = {frozenset(): 50.0, **{frozenset(name): value for name, value in alone.items()}}
    world = World(lambda members: table.get(members, 9.0 if members in works else 30.0))
    # One pair alone is tried, a and b, and one triple.
    found = world.search(max_sets=1).search(())
    assert found.row.members == ("b", "c")
    # Sets of one were all tried, so that there is none smaller.
    assert (found.smallest, found.minimal) == (True, True)


def test_changes_that_show_nothing_alone_come_last():
    table = {frozenset(): 40.0, frozenset("a"): 40.0, frozenset("b"): 60.0, frozenset("c"): 61.0}
    table |= {frozenset("d"): 62.0, frozenset("e"): 63.0}
    world = World(lambda members: table.get(members, 30.0))
    world.search(max_sets=6).search(())
    assert all("a" not in members for members in world.asked if len(members) == 2)


def test_what_was_replayed_is_not_replayed_again():
    world = World(dict.fromkeys(SUBSETS, 50.0).get, sender="a")
    list(search_sets(world.search()))
    assert len(world.asked) == len(set(world.asked))


def test_changes_of_one_kind_or_key_cannot_be_made_together():
    one, other = Change("one", "k", {"loop.work_us": 1}), Change("other", "l", {"loop.work_us": 2})
    assert merged([one, other]) is None
    assert merged([one, Change("third", "k", {"loop.phase_us": 1})]) is None
    assert merged([one, Change("whole", "m", {"loop": {}})]) is None
    assert merged([Change("a", "k", {"joint[1].dt": 1}), Change("b", "l", {"joint[1]": {}})]) is None
    both = merged([one, Change("third", "m", {"loop.work_u": 1, "joint[1].dt": 2}, cost="care")])
    assert both is not None
    assert both.edits == {"loop.work_us": 1, "loop.work_u": 1, "joint[1].dt": 2}
    assert (both.name, both.cost) == ("one + third", "care")


def test_kinds_leave_fewer_sets():
    world = World(dict.fromkeys(SUBSETS, 50.0).get, kinds={"a": "same", "b": "same", "c": "same"})
    found = world.search().search(())
    # 10 pairs less 3; triples: d and e with one of three.
    assert found.tried == ((1, 5, 5), (2, 7, 7), (3, 3, 3))


def test_limits_of_zero_and_values_that_are_not_known_have_an_order():
    zero = Requirement("missed_deadlines", 0, 3, False, -3)
    unknown = Requirement("age_us", 10, None, False, None)
    found = Figures(3, 9, 0, 0, 1, None, None, 0, 0, 0, 0, 0, None, (zero, unknown))
    count, over = excess(found)
    assert count == 2
    assert over > 1e8
    assert excess(figures(15)) == (1, pytest.approx(0.5))
