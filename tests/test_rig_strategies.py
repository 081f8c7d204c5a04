"""The public strategies: what they draw is what they say, and it is varied."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import Phase, find, given, settings
from hypothesis import strategies as st

from linkbudget import (
    ByteCapture,
    Codec,
    Counter,
    Deframer,
    Frame,
    FrameFormat,
    Label,
    Link,
    MessageLayout,
    encoding,
)
from linkbudget import replay as replay_capture
from linkbudget.rig.strategies import (
    chunkings,
    damaged,
    frame_formats,
    framed_streams,
    layouts,
    links,
    message_values,
    messages_of,
    uart_lines,
)
from linkbudget.units import round_half_up

BEANS = MessageLayout("beans", (Counter("tick", 16), Label("lane", 8)), id=1)
STATUS = MessageLayout("status", (Counter("up", 32),), id=2)


def codec(fmt: FrameFormat | None = None) -> Codec:
    return Codec(
        fmt or FrameFormat(), ((BEANS, encoding("packed-bytes")), (STATUS, encoding("packed-bytes")))
    )


@given(uart_lines())
def test_lines_are_lines_a_port_can_have(line):
    assert 5 <= line.bytesize <= 8
    assert line.character_time > 0


@pytest.mark.parametrize("parity", "NEOMS")
def test_every_parity_is_drawn(parity):
    assert find(uart_lines(), lambda line: line.parity == parity).baudrate == 300


@given(data=st.data(), stream=st.binary(max_size=200))
def test_chunks_join_to_the_stream(data, stream):
    pieces = data.draw(chunkings(stream))
    assert b"".join(pieces) == stream
    assert all(len(piece) <= 64 for piece in pieces)


@given(layouts().flatmap(lambda layout: message_values(layout).map(lambda value: (layout, value))))
@settings(max_examples=50)
def test_values_are_values_of_their_layout(drawn):
    layout, value = drawn
    layout.to_primitive(value)


@given(data=st.data(), fmt=frame_formats())
def test_streams_are_received_in_any_pieces(data, fmt):
    made = codec(fmt) if fmt.delimiting != "newline" else Codec(fmt, ((BEANS, encoding("delimited")),))
    stream = data.draw(framed_streams(made))
    deframer, found, ends = Deframer(fmt), [], []
    for piece in data.draw(chunkings(stream.data)):
        for event in deframer.feed(piece):
            assert isinstance(event, Frame)
            found.append(made.decode_payload(event.payload))
            ends.append(event.end)
    assert [name for name, _ in found] == [name for name, _ in stream.messages]
    assert tuple(ends) == stream.ends or fmt.delimiting == "newline"


@given(data=st.data())
def test_what_damage_did_not_touch_is_delivered(data):
    made = codec()
    stream = data.draw(framed_streams(made, fewest=1))
    hurt = data.draw(damaged(stream.data))
    deframer = Deframer(made.fmt)
    events = deframer.feed(hurt.data) + deframer.close()
    delivered = [made.decode_payload(event.payload) for event in events if isinstance(event, Frame)]
    key = {"beans": "tick", "status": "up"}
    for name, value in hurt.untouched(stream):
        assert any(found == name and got[key[name]] == value[key[name]] for found, got in delivered)


def test_damage_shrinks_to_one_flipped_bit():
    found = find(damaged(bytes(range(1, 40))), lambda hurt: hurt.data != bytes(range(1, 40)))
    assert len(found.hit) == 1


@given(data=st.data())
def test_messages_fit_the_format(data):
    made = codec(FrameFormat(max_payload=9))
    name, value = data.draw(messages_of(made))
    assert len(made.encode_payload(name, value)) <= 9


@given(data=st.data(), link=links(joints=True))
@settings(max_examples=60)
def test_whole_links_load_save_and_replay(data, link):
    assert Link.from_dict(link.to_dict()) == link
    made = link.codec()
    stream = data.draw(framed_streams(made, fewest=1, most=4))
    step = link.line.character_time * 10**9
    times = np.array([round_half_up(step * (at + 1)) for at in range(len(stream.data))])
    values = np.frombuffer(stream.data, np.uint8).astype(np.uint16)
    capture = ByteCapture(times, values, np.zeros(len(values), np.uint8), link.line)
    result = replay_capture(link, capture).to_dict()
    assert result["messages"]["sent"] == len(stream.messages)


@pytest.mark.parametrize("mode", ["polled", "interrupt", "dma"])
def test_every_mode_of_a_receiver_is_drawn(mode):
    only = settings(phases=(Phase.generate,))
    assert find(links(), lambda link: link.receiver.mode == mode, settings=only)
