"""A whole stream deframed at once: the same events, in arrays."""

from __future__ import annotations

import numpy as np
import pytest
from frame_cases import FORMATS, events_of, seeded, some_payload

from linkbudget._jit import load_numba
from linkbudget.frame.bulk import REASONS, FrameTable, deframe_all, plain_table
from linkbudget.frame.deframer import Frame, Reason

every_format = pytest.mark.parametrize("name", FORMATS)


def noisy_stream(name):
    fmt, rng = FORMATS[name], seeded(name)
    stream = bytearray()
    for number in range(200):
        stream += fmt.encode(some_payload(fmt, rng), number)
        if rng.random() < 0.2:
            stream[rng.randrange(len(stream))] ^= 1 << rng.randrange(8)
        if rng.random() < 0.1:
            stream += rng.randbytes(rng.randint(1, 5))
    return bytes(stream[:-1])


@every_format
def test_the_table_holds_the_events_of_feed_and_close(name):
    stream = noisy_stream(name)
    events = events_of(FORMATS[name], [stream])
    table = deframe_all(FORMATS[name], stream)
    good = [event for event in events if isinstance(event, Frame)]
    assert 0 < len(good) < len(events) == len(table)
    assert table.start.tolist() == [event.start for event in events]
    assert table.end.tolist() == [event.end for event in events]
    assert table.payloads() == [event.payload for event in good]
    assert [None if code == 0 else REASONS[code - 1] for code in table.reason.tolist()] == [
        None if isinstance(event, Frame) else event.reason for event in events
    ]
    numbers = [-1 if number is None else number for number in (getattr(e, "sequence", None) for e in events)]
    assert table.sequence.tolist() == numbers


@every_format
def test_every_row_has_its_own_piece_of_the_payload(name):
    table = deframe_all(FORMATS[name], noisy_stream(name))
    offsets = table.payload_offsets
    assert len(offsets) == len(table) + 1
    assert offsets[0] == 0
    assert offsets[-1] == len(table.payload)
    pieces = [table.payload[offsets[row] : offsets[row + 1]].tobytes() for row in range(len(table))]
    assert [
        piece for piece, good in zip(pieces, table.good.tolist(), strict=True) if good
    ] == table.payloads()
    assert all(not piece for piece, good in zip(pieces, table.good.tolist(), strict=True) if not good)


def test_the_types_of_the_columns():
    table = deframe_all(FORMATS["cobs"], noisy_stream("cobs"))
    columns = ("start", "end", "reason", "payload", "payload_offsets", "sequence")
    types = {name: getattr(table, name).dtype for name in columns}
    assert types == {
        "start": np.int64,
        "end": np.int64,
        "reason": np.uint8,
        "payload": np.uint8,
        "payload_offsets": np.int64,
        "sequence": np.int16,
    }
    for name in types:
        with pytest.raises(ValueError, match="read-only"):
            getattr(table, name)[...] = 0


def test_reasons_are_counted_in_their_order():
    fmt = FORMATS["cobs"]
    bad = b"\x05abcd\0"
    table = deframe_all(fmt, bad + fmt.encode(b"bean") + b"\x09ab\0" + bad + b"\x03a")
    assert table.reasons() == {"check": 2, "bad-stuffing": 1, "truncated": 1}
    assert list(table.reasons()) == ["check", "bad-stuffing", "truncated"]
    assert tuple(Reason) == REASONS


def test_an_empty_stream_gives_an_empty_table():
    table = deframe_all(FORMATS["cobs"], b"")
    assert (len(table), table.payloads(), table.reasons()) == (0, [], {})
    assert table.payload_offsets.tolist() == [0]
    assert table.start.dtype == np.int64


def test_tables_are_compared_by_identity():
    stream = noisy_stream("cobs")
    first, second = deframe_all(FORMATS["cobs"], stream), deframe_all(FORMATS["cobs"], stream)
    assert first == first
    assert first != second
    assert isinstance(first, FrameTable)


def test_a_stream_in_an_array_is_taken():
    stream = noisy_stream("slip")
    array = np.frombuffer(stream, dtype=np.uint8)
    assert deframe_all(FORMATS["slip"], array).payloads() == deframe_all(FORMATS["slip"], stream).payloads()


STRETCHES = {
    "many delimiters": lambda rng, end: [end * rng.randint(1, 9) for _ in range(400)],
    "nothing but delimiters": lambda rng, end: [end * 5000],
    "none for long": lambda rng, end: [b"b" * 30_000, end, b"b" * 8190, end, b"b" * 8192],
    "short frames": lambda rng, end: [rng.randbytes(rng.randint(0, 12)) for _ in range(4000)],
    "long frames": lambda rng, end: [rng.randbytes(rng.randint(200, 400)) for _ in range(60)],
}


@pytest.mark.skipif(load_numba() is None, reason="numba is not installed")
@pytest.mark.parametrize("kind", STRETCHES)
@pytest.mark.parametrize("name", ["cobs", "slip", "hdlc", "newline"])
def test_the_kernel_finds_the_same_where_its_batches_end(name, kind, monkeypatch):
    # Batches of the kernel end after some hundred stretches or some thousand bytes.
    fmt, rng = FORMATS[name], seeded(name + kind)
    end = fmt.encode(b"")[-1:]
    frames = [fmt.encode(some_payload(fmt, rng), number) for number in range(300)]
    stream = b"".join(frames) + b"".join(STRETCHES[kind](rng, end)) + b"".join(frames)
    monkeypatch.setenv("LINKBUDGET_KERNELS", "always")
    for cut in (0, 1, 7, 8, 9):
        part = stream[cut : len(stream) - cut]
        kernel, plain = deframe_all(fmt, part), plain_table(fmt, part)
        for column in ("start", "end", "reason", "payload", "payload_offsets", "sequence"):
            assert getattr(kernel, column).tolist() == getattr(plain, column).tolist(), (column, cut)
