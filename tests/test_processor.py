"""What keeps a processor busy, and how soon it answers: added up by hand, and against replays."""

from __future__ import annotations

import random
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from steady_links import steady_link
from test_schedule import played

from linkbudget.budget.bytetime import byte_budget
from linkbudget.budget.processor import Core
from linkbudget.frame.format import FrameFormat
from linkbudget.link.model import Busy, Link, Loop, Message, Parser, Reading, Receiver
from linkbudget.message.fields import Counter
from linkbudget.message.layout import MessageLayout
from linkbudget.wire.uart import UartLine


def made(**parts) -> Link:
    """A message of 12 bytes, 100 a second, at 115200 baud; 1 ms of work every 5 ms."""
    layout = MessageLayout("jam", (Counter("tick", 64),))
    defaults = {
        "messages": (Message(layout, rate_hz=100),),
        "frames": {"to-controller": FrameFormat()},
        "loop": Loop(period_us=5000, work_us=1000),
        "receiver": Receiver(mode="polled", fifo_bytes=64, buffer_bytes=0),
    }
    return Link(line=UartLine(115200), **{**defaults, **parts})


def cores(link: Link) -> tuple[Core, ...]:
    return byte_budget(link).receiving.processor


INTERRUPTS = Receiver(
    mode="interrupt",
    fifo_bytes=16,
    trigger_bytes=4,
    idle_bits=20,
    buffer_bytes=64,
    latency_us=3,
    interrupt_entry_us=5,
    interrupt_byte_us=1,
)


def test_shares_by_hand():
    (core,) = cores(
        made(
            loop=Loop(period_us=5000, work_us=(1000, 2000)),
            parser=Parser(read_call_us=10, byte_us=2, message_us=50, message_byte_us=1),
            receiver=INTERRUPTS,
            busy=(Busy(10_000, 200, blocks="both"), Busy(10_000, 100, blocks="handler")),
        )
    )
    assert core.shares == {
        # A hundred messages a second: a read, 12 bytes, the message.
        "reading": Fraction(100 * (10 + 12 * 2 + 50 + 12), 10**6),
        # Three handlers of 5 us each, and a microsecond a byte.
        "handlers": Fraction(100 * (3 * 5 + 12), 10**6),
        "work": Fraction(1500, 5000),
        "sending": 0,
        "windows": Fraction(200, 10_000),
    }
    assert core.utilisation == Fraction(96 * 100 + 27 * 100 + 320_000, 10**6)


def test_pauses_and_calls_per_byte_count():
    link = made(
        parser=Parser(read_call_us=10, pause_us=6000, pause_every_bytes=1200),
        reading=Reading(take="per-byte"),
    )
    (core,) = cores(link)
    assert core.shares["reading"] == Fraction(100 * (12 * 10 + 60), 10**6)
    waiting = link.replace(**{"reading.strategy": "whole-message", "reading.timeout_us": 5000})
    assert cores(waiting)[0].shares["reading"] == core.shares["reading"]


def test_the_handler_by_hand():
    (core,) = cores(made(receiver=INTERRUPTS))
    handler = core.duties[0]
    spacing_us = Fraction(10 * 10**6, 115200)
    assert handler.name == "handler"
    assert handler.cost_ns == (5 + 4) * 1000
    # Latency, one that runs already and its own, each with a full FIFO at most.
    assert handler.response_ns == (3 + 2 * (5 + 16)) * 1000
    # The trigger leaves room for 12; the byte after those finds the FIFO full.
    assert handler.deadline_ns == int(13 * spacing_us * 1000)
    assert handler.met
    late = cores(made(receiver=INTERRUPTS, busy=(Busy(100_000, 2000, blocks="handler"),)))[0].duties[0]
    assert late.met is False


def test_published_tests_on_utilisation_are_applied():
    """Two tasks below 0.828427 (Liu and Layland 1973); three of them where windows take time as well."""
    document = byte_budget(made(receiver=INTERRUPTS, busy=(Busy(300, 6, blocks="both"),))).to_dict()
    (core,) = document["processor"]
    # Windows, handler, handler after silence, pass.
    assert core["liu_layland_bound"] == pytest.approx(0.756828, abs=1e-6)
    assert core["liu_layland_met"] is core["hyperbolic_met"] is True
    assert core["worst_utilisation"] > core["utilisation"]


def test_priorities_against_the_periods_leave_the_tests_out():
    """A window that comes seldom stands above the handler all the same."""
    document = byte_budget(made(receiver=INTERRUPTS, busy=(Busy(50_000, 100, blocks="both"),))).to_dict()
    (core,) = document["processor"]
    assert core["worst_utilisation"] is core["liu_layland_met"] is core["hyperbolic_met"] is None


def test_a_core_of_its_own_has_its_own_shares():
    link = made(
        receiver=INTERRUPTS,
        reading=Reading(context="own-core"),
        parser=Parser(message_us=100),
        busy=(Busy(9000, 9),),
    )
    passes, reading = cores(link)
    assert set(passes.shares) == {"work", "sending", "windows"}
    assert reading.shares == {"handlers": Fraction(27 * 100, 10**6), "reading": Fraction(100 * 100, 10**6)}
    assert [duty.name for duty in reading.duties] == ["handler", "reading step"]
    assert reading.duties[1].met is None
    assert reading.duties[1].response_ns > 100_000


def test_what_is_not_known_is_not_said():
    unknown = made(messages=(Message(MessageLayout("jam", (Counter("tick", 64),))),))
    assert cores(unknown)[0].utilisation is None
    free = made(loop=Loop(work_us=10, deadline_us=5000, when_late="free"))
    assert cores(free)[0].utilisation is None
    assert cores(made(loop=Loop())) == ()


def test_too_much_to_do_is_said(linkbudget, tmp_path):
    (tmp_path / "link.toml").write_text(made(parser=Parser(message_us=9000)).to_toml(), encoding="utf-8")
    ran = linkbudget("budget", tmp_path / "link.toml")
    assert "processor" in ran.out
    assert "110.0% of the time: more than there is" in " ".join(ran.out.split())


@settings(max_examples=80)
@given(st.randoms(use_true_random=False), st.integers(0, 2**32))
def test_no_pass_answers_later_than_its_response_time(rng, seed):
    """From its release to its end, in links of every kind."""
    link = steady_link(rng)
    _, run = played(link, random.Random(seed))
    duty = next(duty for core in cores(link) for duty in core.duties if duty.name == "pass")
    if duty.response_ns is None or run.overrun_hardware or run.overrun_buffer:
        return
    assert int((run.passes.end - run.passes.release).max()) <= duty.response_ns
    assert not duty.met or run.missed_deadlines == 0


def test_shares_are_those_of_a_replay():
    """At a steady load and with sizes that do not vary, to within 1 %."""
    from linkbudget.capture.files import captures_dir, load_bytes
    from linkbudget.replay.run import replay

    link = Link.load(captures_dir() / "bean-frames.toml")
    capture = load_bytes(captures_dir() / "bean-frames.vcd", link.line)
    shown = replay(link, capture, phases=1).to_dict()["time_share"]
    (core,) = cores(link)
    assert float(core.shares["work"]) == pytest.approx(shown["work"], rel=0.01)
    assert float(core.shares["reading"]) == pytest.approx(shown["reading"] + shown["pause"], rel=0.02)
    assert float(core.shares["handlers"]) == pytest.approx(shown["handler"], rel=0.02)
