"""Characters from pieces of levels: the same as from the whole, wherever it is cut, and no memory of more."""

from __future__ import annotations

import warnings
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from level_captures import same_bytes
from uart_waves import Wave

from linkbudget import Edges, LevelCapture, LinkBudgetWarning, SettingsError, UartLine, decode_characters
from linkbudget.traffic.incremental import CharacterDecoder
from linkbudget.traffic.join import join_bytes, join_levels

LINES = [
    UartLine(115200),
    UartLine(115200, 7, "E", 2),
    UartLine(115200, 5, "N", 1.5),
    UartLine(115200, 9, "O", 1),
]
TICKS = [Fraction(1, 10**6), Fraction(1, 10**7), Fraction(1, 3_000_000)]


def cut_at(edges, cuts):
    """The edges as consecutive pieces that end at the ticks of ``cuts``."""
    times, levels = edges.times, edges.levels()
    level, start, at = edges.initial, edges.start, 0
    for end in [*cuts, edges.end]:
        upto = int(np.searchsorted(times, end, side="right"))
        yield replace(
            edges, times=times[at:upto], values=levels[at:upto], initial=level, start=start, end=end
        )
        level = int(levels[upto - 1]) if upto else edges.initial
        start, at = end, upto


def in_pieces(edges, line, cuts, invert=False):
    decoder = CharacterDecoder(line, edges.tick_s, invert=invert)
    pieces = [decoder.feed(piece) for piece in cut_at(edges, cuts)]
    return join_bytes([*pieces, decoder.close()])


def quietly(call, *arguments, **options):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", LinkBudgetWarning)
        return call(*arguments, **options)


@st.composite
def noisy_edges(draw, tick_s):
    """Levels with stretches of every length that matters: glitches, bits, breaks, idle; unknown ones too."""
    bit = 1 / (Fraction(115200) * tick_s)
    eighths = st.one_of(st.integers(1, 4), st.integers(1, 22).map(lambda half: 4 * half), st.just(200))
    parts = draw(st.lists(eighths, min_size=1, max_size=60))
    lengths = [max(1, int(part * bit / 8) + draw(st.integers(-1, 1))) for part in parts]
    times = np.cumsum(lengths)
    values = draw(st.lists(st.sampled_from([0, 1, 0, 1, 2]), min_size=times.size, max_size=times.size))
    end = int(times[-1]) + draw(st.integers(0, int(12 * bit)))
    return Edges(times, draw(st.integers(0, 2)), np.array(values, dtype=np.uint8), tick_s, 0, end)


@given(st.data())
def test_pieces_give_what_the_whole_gives(data):
    tick_s = data.draw(st.sampled_from(TICKS))
    edges = data.draw(noisy_edges(tick_s))
    line, invert = data.draw(st.sampled_from(LINES)), data.draw(st.booleans())
    cuts = sorted(data.draw(st.lists(st.integers(0, edges.end), max_size=8)))
    whole = quietly(decode_characters, edges, line, invert=invert)
    found = quietly(in_pieces, edges, line, cuts, invert)
    same_bytes(found, whole)
    assert found.warnings == whole.warnings


@pytest.mark.parametrize("line", LINES, ids=str)
def test_a_cut_at_every_tick_of_two_characters(line):
    wave = Wave(115200, line.bytesize, line.parity, float(line.stopbits)).idle(2).send([0, 21], [0]).low(14)
    edges = wave.idle(2).send([9], [1]).edges(Fraction(1, 10**6))
    whole = decode_characters(edges, line)
    assert len(whole) == 4
    for cut in range(edges.end + 1):
        same_bytes(in_pieces(edges, line, [cut]), whole)
    same_bytes(in_pieces(edges, line, range(edges.end)), whole)


def test_a_start_bit_is_judged_at_its_middle_only():
    # 100 ticks a bit; the line rises and falls again before the middle of the start bit at 60.
    edges = Edges([10, 20, 30, 600], 1, None, Fraction(1, 10**6), 0, 2_000)
    line = UartLine(10_000)
    whole = decode_characters(edges, line)
    assert whole.starts_ns.tolist() == [10_000]
    for cut in range(10, 70):
        same_bytes(in_pieces(edges, line, [cut]), whole)


def test_a_character_is_handed_out_when_its_last_stop_bit_has_been_seen():
    edges = Wave(100_000).idle(10).send([0x55]).idle(10).edges(Fraction(1, 10**6))
    decoder = CharacterDecoder(UartLine(100_000), edges.tick_s)
    start = 100  # 10 us a bit; the centre of the stop bit is 9.5 bits on
    pieces = list(cut_at(edges, [start + 94, start + 95]))
    assert [len(decoder.feed(piece)) for piece in pieces] == [0, 1, 0]
    assert len(decoder.close()) == 0


def kept_after(edges, line, piece_ticks):
    """The most changes that a decoder keeps between two pieces."""
    decoder = CharacterDecoder(line, edges.tick_s)
    most = 0
    for piece in cut_at(edges, range(piece_ticks, edges.end, piece_ticks)):
        quietly(decoder.feed, piece)
        most = max(most, len(decoder._changes))
    return most


@pytest.mark.parametrize(
    "edges",
    [
        pytest.param(Wave().idle(5).send(b"\x55" * 300).edges(Fraction(1, 10**7)), id="back to back"),
        pytest.param(Edges(np.arange(1, 20_000, 3), 1, None, Fraction(1, 10**6), 0, 20_000), id="glitches"),
        pytest.param(
            Edges(np.array([50, 19_000]), 1, None, Fraction(1, 10**6), 0, 20_000), id="a long break"
        ),
        pytest.param(
            Edges(np.arange(1, 20_000, 37), 0, None, Fraction(1, 10**6), 0, 20_000), id="framing errors"
        ),
    ],
)
def test_no_more_than_a_character_is_kept(edges):
    assert kept_after(edges, UartLine(115200), 100) <= 32
    assert len(quietly(decode_characters, edges, UartLine(115200))) < 400


def test_a_recording_that_ends_inside_a_character_is_said_to():
    edges = Wave().idle(3).send(b"U").low(4).edges()
    decoder = CharacterDecoder(UartLine(115200), edges.tick_s)
    decoder.feed(edges)
    with pytest.warns(LinkBudgetWarning, match="ends inside the character that starts at"):
        decoder.close()


def test_without_an_end_the_last_change_is_the_end():
    edges = replace(Wave().idle(3).send(b"UU").idle(3).edges(), end=None)
    decoder = CharacterDecoder(UartLine(115200), edges.tick_s)
    pieces = [decoder.feed(edges), decoder.feed(Edges([], 1, None, edges.tick_s)), decoder.close()]
    same_bytes(join_bytes(pieces), decode_characters(edges, UartLine(115200)))


def test_changes_after_the_end_of_a_piece_are_left_out():
    edges = replace(Wave().idle(3).send(b"UUU").idle(3).edges(), end=199_000)
    decoder = CharacterDecoder(UartLine(115200), edges.tick_s)
    pieces = [decoder.feed(edges), decoder.close()]
    same_bytes(join_bytes(pieces), decode_characters(edges, UartLine(115200)))
    assert sum(map(len, pieces)) == 2


# -- joining ----------------------------------------------------------------------------------------


def test_levels_join_to_what_was_cut():
    edges = Wave().idle(3).send(b"beans").idle(3).edges()
    whole = LevelCapture(edges.tick_s, {"rx": edges, "again": edges}, 0, edges.end, ("a", "b"))
    pieces = [
        LevelCapture(edges.tick_s, {"rx": piece, "again": piece}, piece.start, piece.end, (text,))
        for piece, text in zip(cut_at(edges, [edges.end // 3]), "ab", strict=True)
    ]
    joined = join_levels(pieces)
    assert joined.channels["rx"] is joined.channels["again"]
    assert joined.channels["rx"].times.tolist() == edges.times.tolist()
    assert joined.channels["rx"].levels().tolist() == edges.levels().tolist()
    assert (joined.start, joined.end, joined.warnings) == (whole.start, whole.end, whole.warnings)


def test_nothing_cannot_be_joined():
    for join in (join_bytes, join_levels):
        with pytest.raises(SettingsError, match="pieces: 0 is not allowed; allowed: at least one"):
            join([])
