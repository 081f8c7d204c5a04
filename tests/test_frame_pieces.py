"""A stream deframed in pieces: the same table as from the whole, wherever it is cut, and bounded memory."""

from __future__ import annotations

import pytest
from frame_cases import DELIMITED, FORMATS, cut, seeded, some_payload
from hypothesis import given, settings
from hypothesis import strategies as st

from linkbudget import FrameFormat, deframe_all
from linkbudget.frame import pieces as module
from linkbudget.frame.pieces import PieceDeframer, join_tables


def same_tables(one, other):
    for name in ("start", "end", "reason", "payload", "payload_offsets", "sequence"):
        assert getattr(one, name).tolist() == getattr(other, name).tolist(), name


def in_pieces(fmt, chunks):
    deframer = PieceDeframer(fmt)
    return join_tables([*map(deframer.feed, chunks), deframer.close()])


def stream(fmt, rng, frames):
    """Frames one after the other, with damage, noise and delimiters too many."""
    data = bytearray()
    for _ in range(frames):
        frame = bytearray(fmt.encode(some_payload(fmt, rng)))
        kind = rng.randrange(8)
        if kind == 0:
            frame[rng.randrange(len(frame))] ^= 1 << rng.randrange(8)
        elif kind == 1:
            del frame[rng.randrange(len(frame))]
        elif kind == 2:
            frame += rng.randbytes(rng.randint(1, 60))
        elif kind == 3 and fmt.delimiter is not None:
            frame += bytes([fmt.delimiter]) * rng.randint(1, 3)
        data += frame
    return bytes(data)


@pytest.mark.parametrize("name", FORMATS)
@settings(max_examples=40)
@given(seed=st.integers(0, 10**6), places=st.lists(st.integers(0, 10**6), max_size=12))
def test_pieces_give_the_table_of_the_whole(name, seed, places):
    fmt = FORMATS[name]
    rng = seeded(seed)
    data = stream(fmt, rng, rng.randint(0, 12))
    same_tables(in_pieces(fmt, cut(data, places)), deframe_all(fmt, data))


@pytest.mark.parametrize("name", FORMATS)
def test_a_cut_at_every_byte(name):
    fmt = FORMATS[name]
    data = stream(fmt, seeded(name), 12)
    whole = deframe_all(fmt, data)
    assert len(whole) > 3
    same_tables(in_pieces(fmt, [bytes([byte]) for byte in data]), whole)
    for place in range(len(data) + 1):
        same_tables(in_pieces(fmt, [data[:place], data[place:]]), whole)


@pytest.mark.parametrize("name", DELIMITED)
@pytest.mark.parametrize("mode", ["never", "always"])
def test_the_kernel_gives_the_same(monkeypatch, name, mode):
    monkeypatch.setenv("LINKBUDGET_KERNELS", "never")
    fmt = FORMATS[name]
    data = stream(fmt, seeded(f"kernel {name}"), 300)
    whole = deframe_all(fmt, data)
    monkeypatch.setenv("LINKBUDGET_KERNELS", mode)
    same_tables(in_pieces(fmt, cut(data, range(0, len(data), 1_000))), whole)


@pytest.mark.parametrize("name", ["cobs", "cobs-leading", "newline"])
def test_where_no_delimiter_comes_memory_stays_bounded(monkeypatch, name):
    monkeypatch.setattr(module, "LONGEST_WAIT", 100)
    fmt = FORMATS[name]
    noise = bytes(byte for byte in seeded(name).randbytes(3_000) if byte != fmt.delimiter)
    data = stream(fmt, seeded(name), 5) + noise + stream(fmt, seeded("behind"), 5)
    deframer = PieceDeframer(fmt)
    tables, most = [], 0
    for piece in cut(data, range(0, len(data), 50)):
        tables.append(deframer.feed(piece))
        most = max(most, deframer.held_bytes)
    same_tables(join_tables([*tables, deframer.close()]), deframe_all(fmt, data))
    assert most < 300


def test_nothing_is_a_table_too():
    fmt = FrameFormat()
    same_tables(in_pieces(fmt, []), deframe_all(fmt, b""))
    same_tables(in_pieces(fmt, [b"", b""]), deframe_all(fmt, b""))
