"""A link in Python: its parts checked when they are built, presets applied, times in whole nanoseconds."""

from __future__ import annotations

import copy
import pickle
from decimal import Decimal
from fractions import Fraction

import pytest
from link_files import GOOD, name_of

from linkbudget.errors import SettingsError
from linkbudget.frame.format import FrameFormat
from linkbudget.link.model import (
    Busy,
    Joint,
    Link,
    Loop,
    Message,
    Parser,
    Reading,
    Receiver,
    Sender,
    Track,
    Transmit,
)
from linkbudget.link.requirements import REQUIREMENTS, requirement_rows
from linkbudget.message.fields import Choice, Counter, Integer, Scaled
from linkbudget.message.layout import MessageLayout
from linkbudget.wire.uart import UartLine

LINE = UartLine(115200)
BEANS = MessageLayout("beans", (Scaled("x", 0, 96, 0.4, unit="mm"), Choice("kind", ("whole", "split"))))


def link(**parts: object) -> Link:
    return Link(**{"line": LINE, "messages": (Message(BEANS, rate_hz=30),), **parts})  # type: ignore[arg-type]


def faults_of(make) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        make()
    return [str(fault) for fault in caught.value.faults]


def test_a_section_reports_all_its_faults():
    told = faults_of(lambda: Loop(period_us=-1, work_us="long", when_late="at_once"))
    assert [line.split(":")[0] for line in told] == ["loop.period_us", "loop.work_us", "loop.when_late"]
    assert "did you mean 'at-once'?" in told[2]


@pytest.mark.parametrize(
    ("make", "path"),
    [
        (lambda: Loop(work_us=5), "loop.period_us"),
        (lambda: Loop(when_late="free", work_us=5), "loop.deadline_us"),
        (lambda: Loop(when_late="free", deadline_us=5), "loop.work_us"),
        (lambda: Reading(strategy="at-most"), "reading.limit_bytes"),
        (lambda: Reading(strategy="whole-message"), "reading.timeout_us"),
        (lambda: Parser(pause_us=1), "parser.pause_every_bytes"),
        (lambda: Busy(period_us=5, length_us=5), "busy.length_us"),
        (lambda: Track("sine", period_us=5), "joint.track.amplitude"),
        (lambda: Track("steps"), "joint.track.times_us"),
        (lambda: Joint("beans", "x", 1, 1, actuator="pulse"), "joint.pulse_period_us"),
        (lambda: Message(BEANS, direction="up"), "direction"),
        (lambda: Message(BEANS, rate_hz=0), "rate_hz"),
        (lambda: Message(BEANS, encoding="morse"), "encoding"),
        (lambda: Message(BEANS, encoding={"name": "packed-bits", "colour": "red"}), "encoding.colour"),
        (lambda: Receiver(uart="pl110"), "receiver.uart"),
        (lambda: link(messages=()), "message"),
        (lambda: link(frames={"upward": FrameFormat()}), "frame.upward"),
        (lambda: link(bit_error_rate=2), "line.bit_error_rate"),
        (lambda: link(require={"age_us": -1}), "require.age_us"),
        (lambda: link(joints=[Joint("beans", "kind", 1, 1)]), "joint[0].field"),
        (lambda: link(receiver=Receiver(fifo_bytes=4, trigger_bytes=5)), "receiver.trigger_bytes"),
    ],
)
def test_what_is_impossible_is_refused_when_it_is_built(make, path):
    assert [line.split(":")[0] for line in faults_of(make)] == [path]


def test_a_loop_that_is_not_described_is_no_fault_until_it_is_needed():
    assert not link().loop.described
    told = "loop.period_us: is missing; allowed: a number above 0; passes need a [loop]"
    assert faults_of(link().resolve) == [told]


def test_a_parser_to_be_measured_has_no_numbers_yet():
    told = faults_of(link(loop=Loop(period_us=5), parser=Parser(measure="c:cortex-m0plus")).resolve)
    assert "has to be measured" in told[0]


def test_times_are_rounded_half_up_to_nanoseconds_once():
    resolved = link(
        loop=Loop(period_us=0.0005, work_us=[0.0015, Fraction(1, 3), Decimal("0.0014999999999999999999")]),
        receiver=Receiver(idle_bits=32),
        sender=Sender(gap_us=0.1),
    ).resolve()
    assert resolved.loop.period_ns == 1
    assert resolved.loop.work_ns == (2, 333, 1)
    # 32 bits at 115200 baud are 277777.7 ns.
    assert resolved.receiver.idle_ns == 277778
    assert resolved.sender.gap_ns == 100
    assert resolved.character_time_s == Fraction(1, 11520)
    assert resolved.bit_time_s == Fraction(1, 115200)


def test_defaults_without_a_preset():
    resolved = link(loop=Loop(period_us=5000)).resolve()
    receiver = resolved.receiver
    assert (receiver.mode, receiver.fifo_bytes, receiver.trigger_bytes) == ("interrupt", 1, 1)
    assert (receiver.idle_ns, receiver.on_fifo_full) == (0, "drop")
    assert (receiver.buffer_bytes, receiver.overflow, receiver.reads_drain_fifo) == (256, "drop-new", False)
    assert receiver.errored == {"framing": "keep", "parity": "keep", "break": "drop"}
    assert resolved.loop.deadline_ns == resolved.loop.period_ns == 5_000_000
    assert (resolved.reading.strategy, resolved.reading.context) == ("everything", "last")


def receiver_of(line: UartLine = LINE, **keys: object):
    return link(line=line, loop=Loop(period_us=5000), receiver=Receiver(**keys)).resolve().receiver  # type: ignore[arg-type]


def test_presets_give_fifo_and_buffer():
    """PL011: 32 bytes, 32 bit times (ARM PL011 TRM 2.8.4, verified); rp2: 256 bytes (port source)."""
    receiver = receiver_of(uart="pl011", environment="micropython-rp2")
    assert (receiver.mode, receiver.fifo_bytes, receiver.idle_bits) == ("interrupt", 32, 32)
    assert (receiver.buffer_bytes, receiver.overflow) == (256, "drop-new")


def test_a_time_out_in_characters_follows_the_line():
    """16550: four character times (16550 manuals; public text, place not kept)."""
    assert receiver_of(UartLine(9600), uart="16550").idle_bits == 40
    assert receiver_of(UartLine.from_format(9600, "8E2"), uart="16550").idle_bits == 48


def test_numbers_of_the_file_win_over_presets():
    receiver = receiver_of(uart="esp32", environment="arduino-avr", fifo_bytes=64, buffer_bytes=1000)
    assert (receiver.fifo_bytes, receiver.buffer_bytes) == (64, 1000)
    # The preset's level of 120 does not fit the smaller FIFO.
    assert receiver.trigger_bytes == 64
    # Arduino core for AVR: the newest byte is dropped (core source, verified).
    assert receiver.overflow == "drop-new"


def test_no_software_buffer_means_polled():
    assert receiver_of(buffer_bytes=0).mode == "polled"
    assert receiver_of(uart="avr", environment="arduino-avr", mode="polled").buffer_bytes == 0
    assert receiver_of(mode="dma").mode == "dma"


def test_numbers_from_is_honest():
    told = link(
        receiver=Receiver(uart="pl011", latency_us=2, source="Measured with a pin"),
        loop=Loop(period_us=5000, work_us=900),
        parser=Parser(byte_us=1, source="invented"),
    ).numbers_from()
    assert told["receiver.fifo_bytes"] == "preset"
    assert told["receiver.latency_us"] == "measured"
    assert told["receiver.interrupt_entry_us"] == "assumed"
    assert told["receiver.buffer_bytes"] == "assumed"
    assert told["loop.work_us"] == told["parser.byte_us"] == "assumed"
    assert set(told.values()) <= {"measured", "preset", "assumed"}


def test_a_direction_without_a_format_takes_the_other():
    fmt = FrameFormat("slip")
    made = link(frames={"to-controller": fmt})
    assert made.frames == {"to-controller": fmt, "to-module": fmt}
    assert link().frames["to-module"] == FrameFormat()


def test_the_codec_of_a_direction_speaks_its_messages():
    poll = Message(MessageLayout("poll", (Counter("tick", 8),)), direction="to-module", rate_hz=5)
    made = link(messages=(Message(BEANS, on_request="poll"), poll))
    assert [message.name for message in made.messages_of("to-module")] == ["poll"]
    codec = made.codec("to-module")
    assert codec.decode(codec.encode("poll", {"tick": 7})) == ("poll", {"tick": 7})
    assert made.codec().decode(made.codec().encode("beans", {"x": 0.8, "kind": "split"}))[0] == "beans"


def test_replace_edits_by_key_path():
    made = link(
        loop=Loop(period_us=5000),
        busy=[Busy(100, 1), Busy(200, 2)],
        joints=[Joint("beans", "x", 1, 1, name="flap-a")],
        require={"step.beans.x": 1},
    )
    edited = made.replace(
        **{
            "loop.work_us": 750,
            "line.baudrate": 230400,
            "message.beans.rate_hz": 15,
            "message[0].use": "every",
            "busy[1].length_us": 3,
            "joint.flap-a.v_max": 9,
            "frame.to-module.crc": "none",
            "require.age_us": 20000,
            "require.step.beans.x": None,
        }
    )
    assert (edited.loop.work_us, edited.line.baudrate) == (750, 230400)
    assert (edited.messages[0].rate_hz, edited.messages[0].use) == (15, "every")
    assert [busy.length_us for busy in edited.busy] == [1, 3]
    assert edited.joints[0].v_max == 9
    assert edited.frames["to-module"].crc is None
    assert edited.frames["to-controller"] == made.frames["to-controller"]
    assert edited.require == {"age_us": 20000}
    assert made.loop.work_us == 0
    assert made.replace() == made


def test_replace_puts_a_key_back_to_its_default():
    made = link(loop=Loop(period_us=5000, work_us=9), reading=Reading(strategy="at-most", limit_bytes=8))
    assert made.replace(**{"reading": None, "loop.work_us": None}) == link(loop=Loop(period_us=5000))


@pytest.mark.parametrize(
    ("path", "told"),
    [
        ("loop.worc_us", "loop.worc_us: is no key of [loop]"),
        (
            "message.bean.rate_hz",
            "there is no 'bean' in this list of 1; allowed: beans; did you mean 'beans'?",
        ),
        ("busy[0].length_us", "busy[0].length_us: there is nothing at 0"),
        ("line.baudrate.more", "there is nothing at 'more'"),
        ("", "is no key path"),
        ("loop..work_us", "is no key path"),
    ],
)
def test_replace_refuses_paths_that_lead_nowhere(path, told):
    assert told in "\n".join(faults_of(lambda: link().replace(**{path: 1})))


@pytest.mark.parametrize("path", GOOD, ids=name_of)
def test_a_link_can_be_copied_and_sent_to_another_process(path):
    made = Link.load(path)
    assert pickle.loads(pickle.dumps(made)) == made
    assert copy.deepcopy(made) == made


def test_act_by_of_messages_is_resolved():
    resolved = link(messages=[Message(BEANS, act_by_us=1.5)], loop=Loop(period_us=5)).resolve()
    assert resolved.act_by_ns == {"beans": 1500}


def test_transmit_defaults_to_costing_nothing():
    resolved = link(loop=Loop(period_us=5), transmit=Transmit(per_message_us=2)).resolve()
    assert (resolved.transmit.per_message_ns, resolved.transmit.write) == (2000, "buffered")


def test_requirements_are_upper_limits_with_headroom():
    layouts = [BEANS, MessageLayout("jam", (Integer("lane", 0, 3),))]
    require = {"age_us": 30000, "missed_deadlines": 0, "step.beans.x": 0.5, "step.jam.lane": 0.5, "lost": 1}
    rows = requirement_rows(require, {"age_us": 20000.5, "missed_deadlines": 2}, layouts)
    told = {row.name: (row.value, row.met, row.headroom) for row in rows}
    assert told == {
        "age_us": (20000.5, True, 9999.5),
        "missed_deadlines": (2, False, -2),
        "step.beans.x": (0.4, True, pytest.approx(0.1)),
        "step.jam.lane": (1, False, -0.5),
        "lost": (None, None, None),
    }
    assert set(require) - set(REQUIREMENTS) == {"step.beans.x", "step.jam.lane"}


def test_a_direction_that_is_none_is_a_fault():
    with pytest.raises(
        SettingsError, match=r"direction: 'to-modul' is not allowed.* did you mean 'to-module'"
    ):
        link().codec("to-modul")


def test_what_a_replay_lacks_is_told_with_the_file(tmp_path):
    path = tmp_path / "a.toml"
    path.write_text(link().to_toml())
    with pytest.raises(SettingsError, match=r"a\.toml: loop\.period_us: is missing.* passes need a \[loop\]"):
        Link.load(path).resolve()
    assert faults_of(link().resolve)[0].startswith("loop.period_us: is missing")


def test_a_direction_without_a_message_has_no_codec():
    with pytest.raises(
        SettingsError, match=r"message: no message goes to-module; there is beans \(to-control"
    ):
        link().codec("to-module")
