"""Send policies on recordings small enough to be followed by hand, and on the bean sorter's."""

from __future__ import annotations

import math

import pytest
from recordings import link_of, record

from linkbudget import (
    CaptureError,
    Choice,
    Counter,
    Flag,
    Integer,
    Link,
    Optional_,
    Repeat,
    Scaled,
    SettingsError,
    load_bytes,
)
from linkbudget.capture.files import captures_dir
from linkbudget.link.model import Message
from linkbudget.message.layout import MessageLayout
from linkbudget.study.policies import alarm_curve, send_policies
from linkbudget.study.policy_kinds import (
    BestOf,
    Crossing,
    EveryMessage,
    Moved,
    OnRequest,
    policy,
    sides,
    within,
)

X = Scaled("x", 0.0, 100.0, 0.1, "mm")
SCORE = Integer("score", 0, 100)
KIND = Choice("kind", ("whole", "split", "stone"))


def study_of(fields, values, *policies, times_ns=None, **options):
    link = link_of(*fields)
    return send_policies(link, record(link, values, times_ns), policies, **options)


def only(fields, values, one, **options):
    return study_of(fields, values, one, **options).policies[0]


def xs(*numbers):
    return [{"x": number} for number in numbers]


def scores(*numbers):
    return [{"score": number} for number in numbers]


def test_every_message_is_the_recording():
    found = only([X], xs(1, 2.5, 2.5, 30), EveryMessage())
    assert (found.sends, found.reactions) == (4, 3)
    # 100 ms apart.
    assert found.messages_per_s == pytest.approx(10)
    lines = [b'{"x":1}\n', b'{"x":2.5}\n', b'{"x":2.5}\n', b'{"x":30}\n']
    assert found.bytes_per_s == pytest.approx(sum(map(len, lines)) / 0.4)
    (error,) = found.errors
    assert (error.field, error.rms, error.largest, error.unit) == ("x", 0, 0, "mm")
    # The third says what the second said.
    assert found.unneeded == 1


def test_moved_sends_what_left_the_band_since_the_last_sent():
    found = only([X], xs(0, 0.2, 1, 0.9, 3), Moved({"x": 0.5}))
    assert found.sends == 3
    (error,) = found.errors
    # Known: 0 0 1 1 3; off by 0 0.2 0 -0.1 0.
    assert error.rms == pytest.approx(math.sqrt((0.2**2 + 0.1**2) / 5))
    assert error.largest == pytest.approx(0.2)
    assert found.unneeded == 0


def test_slow_drift_is_sent_when_it_adds_up():
    found = only([X], xs(*(0.2 * step for step in range(11))), Moved({"x": 0.5}))
    # 0, 0.6, 1.2, 1.8
    assert found.sends == 4
    assert found.errors[0].largest == pytest.approx(0.4)


def test_move_of_exactly_the_band_is_no_move():
    assert only([X], xs(0, 0.3, 0.6), Moved({"x": 0.3})).sends == 2


def test_moved_and_at_once_taken_back_is_unneeded():
    found = only([X], xs(0, 5, 0.1, 0, 0), Moved({"x": 0.5}))
    assert found.sends == 3
    # 5 is taken back by 0.1; 0.1 stays.
    assert found.unneeded == 1


def test_band_of_a_word_lets_no_other_word_pass():
    values = [{"kind": kind} for kind in ("whole", "whole", "stone")]
    found = only([KIND], values, Moved({"kind": 9}))
    assert found.sends == 2
    assert found.wrong_share == {"kind": 0}


def test_wrong_words_are_counted_by_the_message():
    values = [{"x": 0, "kind": kind} for kind in ("whole", "split", "stone", "whole")]
    found = only([X, KIND], values, Moved({"x": 1}))
    assert found.sends == 1
    assert found.wrong_share == {"kind": 0.5}


def test_bands_of_the_study_say_what_every_other_policy_needs_to_tell():
    study = study_of([X], xs(0, 0.1, 0.2, 5), EveryMessage(), Moved({"x": 0.5}))
    every, moved = study.policies
    assert every.unneeded == 2
    assert moved.unneeded == 0


def test_counter_alone_makes_no_news():
    values = [{"tick": tick, "x": 1} for tick in range(4)]
    assert only([Counter("tick", 8), X], values, EveryMessage()).unneeded == 3


def test_limit_without_hysteresis_chatters():
    found = only([SCORE], scores(74, 76, 74, 76, 74), Crossing("score", 75))
    assert (found.sends, found.reactions) == (5, 4)
    # The last crossing is not taken back in the recording.
    assert found.unneeded == 3


def test_hysteresis_ends_the_chatter():
    found = only([SCORE], scores(74, 76, 74, 76, 74, 60, 50), Crossing("score", 75, hysteresis=5))
    # First, 76, and 60 which is below 70.
    assert (found.sends, found.unneeded) == (3, 0)
    # Known: 74 76 76 76 76 60 60.
    assert found.errors[0].largest == 10


def test_sides_at_the_limits():
    """Over is more than the limit; back is at the limit minus the hysteresis or less."""
    crossing = Crossing("score", 75, hysteresis=5)
    assert sides(crossing, scores(75, 76, 75, 71, 70, 75, 76)) == [
        False,
        True,
        True,
        True,
        False,
        False,
        True,
    ]
    below = Crossing("score", 50, above=False, hysteresis=5)
    assert sides(below, scores(50, 49, 54, 55, 50)) == [False, True, True, False, False]


def test_request_is_answered_with_the_newest():
    times = [1_000_000_000, 1_300_000_000, 1_600_000_000, 1_900_000_000]
    found = only([X], xs(0, 1, 2, 3), OnRequest(0.4), times_ns=times)
    # Asked at 0, 0.4, 0.8 s after the first: answers 0, 1, 2; known at the messages: 0, 0, 1, 2.
    assert found.sends == 3
    assert found.errors[0].largest == 1
    assert found.errors[0].rms == pytest.approx(math.sqrt(3 / 4))


def test_request_faster_than_messages_tells_nothing_new():
    found = only([X], xs(0, 1), OnRequest(0.05))
    # 0, 0.05 and 0.1 s after the first: 0, 0, 1.
    assert (found.sends, found.unneeded) == (3, 1)
    assert found.errors[0].largest == 0


def test_requests_cost_their_own_bytes_where_the_link_has_them():
    layout = MessageLayout("beans", (X,))
    poll = Message(MessageLayout("poll", ()), direction="to-module", encoding="json-object", rate_hz=10)
    plain = link_of(X)
    asked = Link(
        plain.line,
        (Message(layout, encoding="json-object", on_request="poll"), poll),
        {"to-controller": plain.frames["to-controller"]},
    )
    capture = record(plain, xs(1, 2))
    free = send_policies(plain, capture, [OnRequest(0.1)]).policies[0]
    paid = send_policies(asked, capture, [OnRequest(0.1), EveryMessage()]).policies
    # {} and a line end with each of two answers, in 0.2 s.
    assert paid[0].bytes_per_s - free.bytes_per_s == pytest.approx(2 * 3 / 0.2)
    assert paid[1].bytes_per_s == free.bytes_per_s


BEANS = Repeat("found", (Integer("x", 0, 9), SCORE), 4)


def bean_list(*pairs):
    return {"found": [{"x": x, "score": score} for x, score in pairs]}


def test_best_of_a_list_keeps_the_order_of_the_list():
    one = BestOf("found", 2, "score")
    (send,) = one.sends([0], [bean_list((1, 50), (2, 90), (3, 60), (4, 60))])
    assert send.value == bean_list((2, 90), (3, 60))
    (send,) = BestOf("found", 1, "score", smallest=True).sends([0], [bean_list((1, 50), (2, 90))])
    assert send.value == bean_list((1, 50))
    short = bean_list((1, 50))
    assert one.sends([0], [short])[0].value is short


def test_best_of_a_list_is_shorter_and_leaves_things_out():
    values = [bean_list((1, 50), (2, 90)), bean_list((1, 50)), bean_list(), bean_list((5, 1), (6, 2))]
    every, best = study_of([BEANS], values, EveryMessage(), BestOf("found", 1, "score")).policies
    assert best.sends == every.sends == 4
    assert best.bytes_per_s < every.bytes_per_s
    assert best.wrong_share == {"found": 0.5}
    assert every.wrong_share == {"found": 0}


def test_best_of_single_values():
    field = Repeat("marks", of=SCORE, max_count=3)
    (send,) = BestOf("marks", 2).sends([0], [{"marks": [5, 9, 7]}])
    assert send.value == {"marks": [9, 7]}
    assert list(BestOf("marks", 2).faults(MessageLayout("beans", (field,)))) == []


LABELLED = scores(40, 80, 60, 90, 30)
TRUE_ALARMS = [False, True, True, False, False]


def test_misses_and_false_alarms_by_hand():
    """Over 75: the second and the fourth; the third is missed, the fourth is a false alarm."""
    found = only([SCORE], LABELLED, Crossing("score", 75), labels=TRUE_ALARMS)
    assert (found.misses, found.false_alarms) == (1, 1)
    points = {point.limit: (point.misses, point.false_alarms) for point in found.curve}
    assert points == {29: (0, 3), 30: (0, 2), 40: (0, 1), 60: (1, 1), 80: (2, 1), 90: (2, 0)}


def test_limit_from_above_has_its_curve_mirrored():
    crossing = Crossing("score", 50, above=False)
    points = {p.limit: (p.misses, p.false_alarms) for p in alarm_curve(crossing, LABELLED, TRUE_ALARMS)}
    assert points[91] == (0, 3)
    assert points[30] == (2, 0)
    assert points[90] == (0, 2)


def test_many_values_make_a_curve_of_some_points():
    values = scores(*range(100))
    points = alarm_curve(Crossing("score", 50), values, [score["score"] > 50 for score in values])
    assert 20 <= len(points) <= 30
    assert (points[0].misses, points[0].false_alarms) == (0, 51)
    assert (points[-1].misses, points[-1].false_alarms) == (49, 0)
    misses = [point.misses for point in points]
    alarms = [point.false_alarms for point in points]
    assert misses == sorted(misses)
    assert alarms == sorted(alarms, reverse=True)


def test_label_may_be_a_field_of_the_message():
    values = [
        {"score": score["score"], "stone": label} for score, label in zip(LABELLED, TRUE_ALARMS, strict=True)
    ]
    found = only([SCORE, Flag("stone")], values, Crossing("score", 75), labels=("stone", True))
    assert (found.misses, found.false_alarms) == (1, 1)


def test_without_labels_nothing_is_said_of_alarms():
    found = only([SCORE], LABELLED, Crossing("score", 75))
    assert (found.misses, found.false_alarms, found.curve) == (None, None, ())
    assert only([SCORE], LABELLED, EveryMessage(), labels=TRUE_ALARMS).misses is None


@pytest.mark.parametrize(
    "text",
    [
        "every",
        "moved:a=0.4,b=2",
        "limit:score>75",
        "limit:score<50,hysteresis=5",
        "best:beans=3,by=score",
        "best:beans=3,by=-score",
        "best:marks=2",
        "request:0.1",
    ],
)
def test_words_of_a_policy_read_back(text):
    assert policy(text).text == text


@pytest.mark.parametrize(
    ("text", "piece"),
    [
        ("evry", "did you mean 'every'?"),
        ("every:x", "written as in every"),
        ("moved", "moved:x=0.4"),
        ("moved:x", "moved:x=0.4"),
        ("moved:x=nan", "moved:x=0.4"),
        ("limit:score=75", "limit:score>75"),
        ("limit:score>75,hysteresys=5", "limit:score>75"),
        ("limit:score>high", "limit:score>75"),
        ("best:by=score", "best:beans=3,by=score"),
        ("best:a=1,b=2", "best:beans=3,by=score"),
        ("request:soon", "request:0.1"),
        ("request:inf", "request:0.1"),
    ],
)
def test_words_that_are_no_policy_are_told_what_is(text, piece):
    with pytest.raises(SettingsError, match="policy") as caught:
        policy(text)
    assert piece in str(caught.value)


@pytest.mark.parametrize(
    ("one", "piece"),
    [
        (Moved({"scor": 1}), "did you mean 'score'?"),
        (Moved({"x": -1}), "a band of 0 or more"),
        (Crossing("kind", 1), "a numeric field of beans: x, score"),
        (Crossing("score", 1, hysteresis=-1), "hysteresis"),
        (BestOf("x", 1), "a list (kind repeat) of beans: found"),
        (BestOf("found", 0, "score"), "1 to 4 elements"),
        (BestOf("found", 5, "score"), "1 to 4 elements"),
        (BestOf("found", 2, "scor"), "did you mean 'score'?"),
        (BestOf("found", 2), "allowed: x, score"),
        (OnRequest(0), "a time above 0"),
        (OnRequest(1e-9), "a longer time"),
    ],
)
def test_policy_that_does_not_suit_the_message(one, piece):
    fields = [X, SCORE, KIND, Optional_(BEANS)]
    values = [{"x": 1, "score": 2, "kind": "whole"}] * 2
    with pytest.raises(SettingsError) as caught:
        study_of(fields, values, one)
    assert piece in str(caught.value)


def test_labels_that_do_not_suit_the_recording():
    with pytest.raises(SettingsError, match="one for each of 5 recorded messages"):
        study_of([SCORE], LABELLED, Crossing("score", 75), labels=[True])
    with pytest.raises(SettingsError, match="did you mean 'score'"):
        study_of([SCORE], LABELLED, Crossing("score", 75), labels=("scor", 1))


def test_one_message_is_too_few():
    with pytest.raises(CaptureError, match="1 of 'beans' recorded; a send policy needs two messages or more"):
        study_of([SCORE], scores(1), EveryMessage())


def test_unknown_message_is_told_the_nearest():
    with pytest.raises(SettingsError, match="did you mean 'beans'"):
        study_of([SCORE], LABELLED, EveryMessage(), message="bean")


def test_near_means_no_farther_than_the_band_in_the_numbers_as_written():
    assert within({"x": 0.3}, {"x": 0.1}, {"x": 0.2})
    assert not within({"x": 0.3}, {"x": 0.1}, {"x": 0.1999})
    assert not within({"on": True}, {"on": False}, {"on": 5})


def test_policies_of_the_bean_sorter():
    link = Link.load(captures_dir() / "bean-text.toml")
    capture = load_bytes(captures_dir() / "bean-text.vcd", link.line)
    bands = dict.fromkeys("abcd", 0.4)
    one_by_one = [EveryMessage(), Moved(bands), Crossing("score", 60, above=False), OnRequest(0.2)]
    study = send_policies(link, capture, one_by_one, labels=("kind", "stone"))
    every, moved, crossing, asked = study.policies
    assert (study.message, study.recorded, every.sends) == ("beans", 100, 100)
    assert every.bytes_per_s == pytest.approx(75.16 * every.messages_per_s)
    assert moved.sends < 100
    assert moved.unneeded <= every.unneeded
    # A field of the bands is never off by more than its band.
    assert all(error.largest <= 0.4 + 1e-9 for error in moved.errors if error.field in bands)
    assert asked.sends == 17
    values = [v for _, v in _decoded(link, capture)]
    assert crossing.misses == sum(v["kind"] == "stone" and v["score"] >= 60 for v in values)
    assert crossing.false_alarms == sum(v["kind"] != "stone" and v["score"] < 60 for v in values)
    assert study.require() == []
    assert study.to_dict()["policies"][2]["curve"][0].keys() == {"limit", "misses", "false_alarms"}
    assert "limit:score&lt;60" in study._repr_html_()


def _decoded(link, capture):
    codec = link.codec()
    return [codec.decode(line + b"\n") for line in capture.payload_bytes().splitlines()]
