"""Byte times of a link: published character times through the whole budget, and budgets worked by hand."""

from __future__ import annotations

from fractions import Fraction

import pytest
from link_files import GOOD

from linkbudget.budget.bytetime import RULES, byte_budget
from linkbudget.budget.freshness import mean_age, peak_age
from linkbudget.link.model import Link, Loop, Message, Parser, Reading, Receiver, Sender, Transmit
from linkbudget.message.fields import Blob, Counter
from linkbudget.message.layout import MessageLayout
from linkbudget.wire.uart import UartLine

# Microseconds per character of 9, 10, 11 and 12 bits, and characters per second of 10 and 11 bits. Recomputed
# for this project with an independent script; the ten-bit column at 9600, 19200 and 38400 is also printed in
# the JUMO LOGOSCREEN nt interface manual, section 4.3 (verified from text).
BYTE_TIMES = """
300     30000.000 33333.333 36666.667 40000.000     30.00     27.27
1200     7500.000  8333.333  9166.667 10000.000    120.00    109.09
4800     1875.000  2083.333  2291.667  2500.000    480.00    436.36
9600      937.500  1041.667  1145.833  1250.000    960.00    872.73
19200     468.750   520.833   572.917   625.000   1920.00   1745.45
28800     312.500   347.222   381.944   416.667   2880.00   2618.18
57600     156.250   173.611   190.972   208.333   5760.00   5236.36
76800     117.188   130.208   143.229   156.250   7680.00   6981.82
230400     39.062    43.403    47.743    52.083  23040.00  20945.45
250000     36.000    40.000    44.000    48.000  25000.00  22727.27
500000     18.000    20.000    22.000    24.000  50000.00  45454.55
921600      9.766    10.851    11.936    13.021  92160.00  83781.82
2000000     4.500     5.000     5.500     6.000 200000.00 181818.18
3000000     3.000     3.333     3.667     4.000 300000.00 272727.27
"""
ROWS = [line.split() for line in BYTE_TIMES.strip().splitlines()]
FORMATS = {"7N1": 1, "8N1": 2, "7E1": 2, "8E1": 3, "8N2": 3, "8E2": 4}


def raw(line: UartLine, count: int = 1, **parts: object) -> Link:
    """A link whose only message is ``count`` bytes on the wire: nothing delimited, nothing checked."""
    from linkbudget.frame.format import FrameFormat

    layout = MessageLayout("beans", (Blob("raw", count, count),))
    fmt = FrameFormat("none", crc=None, max_payload=max(count, 1))
    message = Message(layout, encoding="packed-bytes", rate_hz=1)
    return Link(line=line, messages=(message,), frames={"to-controller": fmt}, **parts)  # type: ignore[arg-type]


def test_the_table_is_whole():
    assert len(ROWS) == 14


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[0])
@pytest.mark.parametrize("format", FORMATS)
def test_published_byte_times(row, format):
    (message,) = byte_budget(raw(UartLine.from_format(int(row[0]), format))).messages
    assert message.bytes.maximum == 1
    printed = Fraction(row[FORMATS[format]])
    assert abs(message.wire_time.maximum * 10**6 - printed) <= Fraction(1, 2000)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[0])
@pytest.mark.parametrize(("format", "column"), [("8N1", 5), ("8E1", 6)])
def test_published_characters_per_second(row, format, column):
    (message,) = byte_budget(raw(UartLine.from_format(int(row[0]), format))).messages
    assert abs(message.rate_limit_hz - Fraction(row[column])) <= Fraction(1, 200)


@pytest.mark.parametrize(
    ("count", "baudrate", "milliseconds"),
    [(16, 115200, "1.3889"), (64, 115200, "5.5556"), (128, 1000000, "1.2800"), (1, 921600, "0.010851")],
)
def test_receive_buffers_fill_in_the_published_time(count, baudrate, milliseconds):
    """Bytes * 10 / baud, recomputed for this project with an independent script."""
    (message,) = byte_budget(raw(UartLine(baudrate), count)).messages
    assert f"{float(message.wire_time.maximum * 1000):.{len(milliseconds) - 2}f}" == milliseconds


@pytest.mark.parametrize(
    ("baudrate", "half_characters", "milliseconds"),
    [(9600, 3, 1.719), (9600, 7, 4.010), (19200, 3, 0.859), (19200, 7, 2.005)],
)
def test_modbus_silences(baudrate, half_characters, milliseconds):
    """t1.5 and t3.5 of 11-bit characters: MODBUS over Serial Line V1.02, 2.5.1.1 (from summaries)."""
    character = byte_budget(raw(UartLine.from_format(baudrate, "8E1"))).messages[0].wire_time.maximum
    assert round(float(character * half_characters / 2 * 1000), 3) == milliseconds


@pytest.mark.parametrize(
    ("data_bytes", "nominal_ms", "worst_ms"), [(1, 2.8125, 3.9375), (4, 4.3750, 6.1250), (8, 6.4583, 9.0417)]
)
def test_lin_responses(data_bytes, nominal_ms, worst_ms):
    """Header 34 bit times, response 10 (N + 1), worst case 1.4 times (LIN 2.x, from a driver manual)."""
    line = UartLine(19200)
    response = byte_budget(raw(line, data_bytes + 1)).messages[0].wire_time.maximum
    frame = 34 * line.bit_time + response
    assert round(float(frame * 1000), 4) == nominal_ms
    assert round(float(frame * 1400), 4) == worst_ms


def test_a_budget_worked_by_hand():
    """12 bytes of COBS at 115200 8N1, 30 a second, with 2.5 us between characters."""
    layout = MessageLayout("beans", (Counter("tick", 64),))
    link = Link(line=UartLine(115200), messages=(Message(layout, rate_hz=30),), sender=Sender(gap_us=2.5))
    budget = byte_budget(link).to_dict()
    (row,) = budget["messages"]
    # 8 bytes of payload, 2 of CRC-16, 1 of COBS and the delimiter.
    assert row["payload_bytes"] == {"minimum": 8, "typical": 8, "maximum": 8}
    assert row["bytes"] == {"minimum": 12, "typical": 12, "maximum": 12}
    wire = 12 * 10 / 115200 * 1e6 + 11 * 2.5
    assert row["wire_time_us"]["maximum"] == pytest.approx(wire)
    assert row["rate_limit_hz"] == pytest.approx(1e6 / wire)
    assert budget["utilisation"]["to-controller"]["typical"] == pytest.approx(30 * wire / 1e6)
    assert budget["schedulable"] is None
    assert budget["per_pass_bytes"] is None


def test_bytes_of_a_pass_are_those_of_a_full_line():
    link = raw(UartLine(115200), loop=Loop(period_us=5000))
    assert byte_budget(link).to_dict()["per_pass_bytes"] == 58  # 57.6 characters
    assert byte_budget(raw(UartLine(9600), loop=Loop(period_us=6250))).to_dict()["per_pass_bytes"] == 6


def test_every_figure_has_a_unit_and_a_rule():
    rows = list(byte_budget(Link.load(next(path for path in GOOD if path.stem == "two-ways"))).rows())
    assert len(rows) > 50
    assert all(unit and rule in RULES.values() for _, _, unit, rule in rows)
    assert len({name for name, *_ in rows}) == len(rows)


def two_ways(**edits: object) -> dict:
    return byte_budget(
        Link.load(next(path for path in GOOD if path.stem == "two-ways")).replace(**edits)
    ).to_dict()


def test_answers_come_as_often_as_their_request():
    rates = {row["name"]: row["rate_hz"] for row in two_ways()["messages"]}
    assert rates == {"poll": 50, "limits": 0.5, "beans": 50, "jam": 0.1}


def test_a_shared_pair_carries_both_directions_and_turns_around():
    """50.1 messages a second come, 50.5 go: the line turns round at most twice for each of the 50.1."""
    shares = two_ways()["utilisation"]
    turning = 2 * 50.1 * 120e-6
    for which in ("minimum", "typical", "maximum"):
        apart = shares["to-controller"][which] + shares["to-module"][which]
        assert shares["shared"][which] == pytest.approx(apart + turning)
    assert "shared" not in two_ways(**{"line.shared": False})["utilisation"]


def test_an_overbooked_line_is_not_schedulable():
    budget = two_ways(**{"message.poll.rate_hz": 2000})
    assert budget["utilisation"]["shared"]["maximum"] > 1
    assert budget["schedulable"] is False
    utilisation = next(row for row in budget["requirements"] if row["name"] == "utilisation")
    assert utilisation["met"] is False
    assert utilisation["headroom"] < 0


def test_a_message_without_a_rate_is_left_out_and_said():
    budget = two_ways(**{"message.poll.rate_hz": None})
    assert {row["name"]: row["rate_hz"] for row in budget["messages"]}["beans"] is None
    assert sum("neither rate_hz nor on_request" in line for line in budget["warnings"]) == 2


def test_requirements_a_budget_cannot_judge_say_so():
    rows = {row["name"]: row for row in two_ways(**{"require.lost": 1})["requirements"]}
    assert rows["lost"] == {
        "name": "lost",
        "limit": 1,
        "value": None,
        "met": None,
        "headroom": None,
    }
    assert rows["step.beans.places.x"]["met"] is True
    assert rows["step.beans.places.x"]["value"] == 0.4


def steady(**keys: object) -> Link:
    """12 bytes (1041.67 us) ten times a second into a 5 ms loop; only its 1 ms of work costs time."""
    layout = MessageLayout("beans", (Counter("tick", 64),))
    parts: dict = {"loop": Loop(period_us=5000, work_us=1000), "receiver": Receiver(), **keys}
    return Link(line=UartLine(115200), messages=(Message(layout, rate_hz=10),), **parts)


def test_the_age_at_use_by_hand():
    """Reading last: what misses a reading step waits a period for the next and one for the work."""
    wire = 12 * 1e6 / 11520
    age = byte_budget(steady(sender=Sender(capture_to_send_us=7000))).to_dict()["age_us"]
    assert age["minimum"] == pytest.approx(7000 + wire + 4000)
    assert age["typical"] == pytest.approx(7000 + wire + 7500 - 1000)
    assert age["maximum"] == pytest.approx(7000 + wire + 10000 - 1000)
    # And between uses it grows by a period of the message, half of it on average.
    assert age["mean"] == pytest.approx(age["typical"] + 50000)


def test_the_age_at_use_with_reading_first():
    wire = 12 * 1e6 / 11520
    age = byte_budget(steady(reading=Reading(context="first"))).to_dict()["age_us"]
    assert age["minimum"] == pytest.approx(wire)
    assert age["typical"] == pytest.approx(wire + 2500)
    assert age["maximum"] == pytest.approx(wire + 5000 + 1000)


def test_without_a_loop_the_age_ends_with_the_last_byte():
    budget = byte_budget(steady(loop=Loop(), sender=Sender(capture_to_send_us=10))).to_dict()
    assert budget["age_us"]["maximum"] == pytest.approx(10 + 12 * 1e6 / 11520)
    assert any("no [loop]" in line for line in budget["warnings"])


@pytest.mark.parametrize(
    ("loss", "mean_ms", "peak_ms"), [(0, 28.65, 45.3), (0.1, 32.35, 49.0), (0.3, 42.9, 59.6)]
)
def test_mean_and_peak_age(loss, mean_ms, peak_ms):
    """T = 33.3 ms, D = 12 ms: derived, and simulated for this project."""
    assert mean_age(33.3, 12, loss) == pytest.approx(mean_ms, abs=0.06)
    assert peak_age(33.3, 12, loss) == pytest.approx(peak_ms, abs=0.06)


def test_the_longest_pass_by_hand():
    """Polled, one read of 12 bytes: 1000 of work, 20 for the call, 12 * 3, 50, and 12 * 2 for the message."""
    parser = Parser(read_call_us=20, byte_us=3, message_us=50, message_byte_us=2)
    link = steady(parser=parser, receiver=Receiver(mode="polled", fifo_bytes=64), reading=Reading("snapshot"))
    assert byte_budget(link).to_dict()["longest_pass_us"] == 1000 + 20 + 36 + 50 + 24


def test_handlers_lengthen_the_pass():
    """A handler per byte: entry 4, byte 1. 12 bytes come in a pass at most, two handlers may be due."""
    receiver = Receiver(interrupt_entry_us=4, interrupt_byte_us=1)
    bound = byte_budget(steady(receiver=receiver)).receiving.longest_pass
    assert bound is not None
    assert bound.handler_ns == (2 + 12 + 1) * 4000 + (12 + 2) * 1000
    assert bound.total_ns == 1_000_000 + bound.handler_ns


def test_what_sending_costs_is_in_the_pass():
    layout = MessageLayout("reject", (Counter("lane", 8),))
    parts = {"transmit": Transmit(per_message_us=70, write="blocking")}
    link = steady(**parts)
    both = Link(
        line=link.line,
        messages=(*link.messages, Message(layout, direction="to-module", rate_hz=1)),
        loop=link.loop,
        transmit=link.transmit,
    )
    # 1 byte of payload, 2 of CRC-16, 1 of COBS, and the delimiter: 5 characters.
    extra = both.line.transmit_time(5) * 10**6 + 70
    assert byte_budget(both).to_dict()["longest_pass_us"] == pytest.approx(1000 + float(extra), abs=0.001)


def test_the_buffer_holds_what_comes_in_the_longest_stall():
    """300 bytes back to back at 115200 take 26 ms; a stall of 5 ms and 1 ms lets 70 of them in."""
    layout = MessageLayout("beans", (Blob("raw", 60, 60),))
    link = Link(
        line=UartLine(115200),
        messages=(Message(layout, rate_hz=170),),
        loop=Loop(period_us=5000, work_us=1000),
    )
    assert byte_budget(link).to_dict()["buffer_bytes_needed"] == 70


def test_too_small_a_buffer_is_said():
    link = steady(receiver=Receiver(buffer_bytes=11), require={"overrun_bytes": 0, "buffer_bytes": 20})
    budget = byte_budget(link).to_dict()
    assert any("receiver.buffer_bytes = 11 is less than the 12 bytes" in line for line in budget["warnings"])
    rows = {row["name"]: row["met"] for row in budget["requirements"]}
    assert rows == {"overrun_bytes": None, "buffer_bytes": True}
    roomy = byte_budget(steady(require={"overrun_bytes": 0})).to_dict()
    assert roomy["requirements"][0]["met"] is True


def test_a_trigger_without_a_time_out_is_said():
    """A known trap: nothing is seen until the FIFO is full enough."""
    link = steady(receiver=Receiver(fifo_bytes=128, trigger_bytes=120))
    budget = byte_budget(link).to_dict()
    assert budget["age_us"]["maximum"] is None
    assert any("idle_bits = 0" in line for line in budget["warnings"])


def test_a_reader_that_cannot_keep_up_is_said():
    """4 bytes a pass of 5 ms are 800 a second, and 1200 come."""
    slow = steady(reading=Reading("at-most", limit_bytes=4), require={"buffer_bytes": 200})
    link = slow.replace(**{"message.beans.rate_hz": 100})
    budget = byte_budget(link).to_dict()
    (told,) = budget["warnings"]
    assert "would not keep up" in told
    assert told.endswith("bytes can be lost, and then a message can be longer than any that was sent")
    assert budget["age_us"]["maximum"] is None
    # The room for one stall is no bound, so nothing is met by it; read in time, it is one.
    assert [row["met"] for row in budget["requirements"]] == [None]
    enough = byte_budget(link.replace(**{"reading.limit_bytes": 24})).to_dict()
    assert [row["met"] for row in enough["requirements"]] == [True]


def test_the_result_shows_itself_as_a_table():
    html = byte_budget(steady())._repr_html_()
    assert html.startswith("<table>")
    assert "longest_pass_us" in html


def test_rows_of_require_are_those_of_the_json():
    budget = byte_budget(steady(require={"age_us": 1}))
    assert budget.require() == budget.to_dict()["requirements"]
