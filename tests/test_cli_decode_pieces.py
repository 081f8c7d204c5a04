"""``decode`` reads piece by piece: the same document as from the whole, and Ctrl-C keeps what was found."""

from __future__ import annotations

import json
import os
import signal
from fractions import Fraction

import pytest
from uart_waves import Wave

from linkbudget import Deframer, Edges, FrameFormat, LevelCapture, Link, load_bytes, save_capture
from linkbudget.capture import files
from linkbudget.capture.files import captures_dir, open_bytes
from linkbudget.cli.decoding import Decoding, decoded
from linkbudget.report.decode_page import decode_page
from linkbudget.report.terminal import page_text

CAPTURE = captures_dir() / "bean-frames.vcd"
LINK = captures_dir() / "bean-frames.toml"


@pytest.fixture
def small_pieces(monkeypatch):
    """Captures come in pieces of 500 bytes; given a number of them, Ctrl-C is pressed behind so many."""

    def use(press_after=None):
        def pieces(*arguments, **options):
            for count, piece in enumerate(open_bytes(*arguments, piece_bytes=500, **options)):
                if count == press_after:
                    os.kill(os.getpid(), signal.SIGINT)
                yield piece

        monkeypatch.setattr(files, "open_bytes", pieces)

    return use


@pytest.mark.parametrize("options", [[], ["--link", LINK], ["--link", LINK, "--times"], ["--format", "8N1"]])
def test_pieces_give_the_same_document(linkbudget, small_pieces, options):
    whole = linkbudget("decode", CAPTURE, "--json", *options)
    small_pieces()
    assert linkbudget("decode", CAPTURE, "--json", *options) == whole
    assert whole.code == 0
    assert "partial" not in json.loads(whole.out)


def test_pieces_give_the_same_page(linkbudget, small_pieces):
    whole = linkbudget("decode", CAPTURE, "--link", LINK)
    small_pieces()
    assert linkbudget("decode", CAPTURE, "--link", LINK) == whole


def test_ctrl_c_keeps_what_was_found_and_says_that_it_is_partial(linkbudget, small_pieces):
    full = json.loads(linkbudget("decode", CAPTURE, "--link", LINK, "--json").out)
    small_pieces(press_after=12)
    ran = linkbudget("decode", CAPTURE, "--link", LINK, "--json")
    assert ran.code == 130
    found = json.loads(ran.out)
    assert found["partial"] is True
    assert full["data_hex"].startswith(found["data_hex"])
    assert 20 < found["characters"] < full["characters"]
    # Twelve bytes a frame; the one that the interruption cut is no damaged one.
    assert found["frames"] == {"intact": found["characters"] // 12, "rejected": 0, "reasons": {}}
    assert found["messages"]["beans"] == found["frames"]["intact"]
    assert "interrupted" in found["warnings"][-1]
    assert "interrupted" in ran.err


def test_ctrl_c_page(linkbudget, small_pieces):
    small_pieces(press_after=12)
    ran = linkbudget("decode", CAPTURE, "--link", LINK)
    assert ran.code == 130
    assert ran.out.startswith("Interrupted, so only the beginning of the capture: ")


def test_ctrl_c_before_anything_was_read(linkbudget, monkeypatch):
    def pieces(*arguments, watch, **options):
        os.kill(os.getpid(), signal.SIGINT)
        watch(1, 2)
        yield

    monkeypatch.setattr(files, "open_bytes", pieces)
    ran = linkbudget("decode", CAPTURE, "--json")
    assert (ran.code, ran.out) == (130, "")
    assert ran.err == "linkbudget: interrupted\n"


def test_a_second_ctrl_c_does_not_wait(linkbudget, monkeypatch):
    def pieces(*arguments, **options):
        os.kill(os.getpid(), signal.SIGINT)
        os.kill(os.getpid(), signal.SIGINT)
        yield

    monkeypatch.setattr(files, "open_bytes", pieces)
    ran = linkbudget("decode", CAPTURE, "--json")
    assert (ran.code, ran.out) == (130, "")


def test_after_a_decode_ctrl_c_is_as_before(linkbudget):
    before = signal.getsignal(signal.SIGINT)
    linkbudget("decode", CAPTURE)
    assert signal.getsignal(signal.SIGINT) is before


# -- adding up --------------------------------------------------------------------------------------


@pytest.fixture
def damaged(tmp_path):
    """Text with framing errors and breaks in it, as VCD."""
    wave = Wave().idle(30)
    for _ in range(90):
        wave.send(b"beans\n", [0]).low(9).idle(3).low(14).idle(5)
    edges = wave.edges(Fraction(1, 10**7))
    path = tmp_path / "a.vcd"
    save_capture(LevelCapture(edges.tick_s, {"tx": edges, "spare": Edges([], 1)}, 0, edges.end), path)
    return path


NEWLINE = FrameFormat(delimiting="newline", crc=None)


@pytest.mark.parametrize("size", [100, 1000, 1 << 20])
def test_frames_go_on_across_pieces(damaged, size):
    whole = load_bytes(damaged, "115200 8N1")
    decoding = Decoding(NEWLINE, None, times=True)
    for piece in open_bytes(damaged, "115200 8N1", piece_bytes=size):
        decoding.add(piece)
    decoding.close()
    document = decoding.document()
    assert document == decoded(whole, NEWLINE, None, times=True)
    plain = whole.to_dict(times=True)
    assert {key: document[key] for key in plain} == plain
    events = Deframer(NEWLINE).feed(whole.payload_bytes())
    assert document["frames"]["intact"] == len(events) > 70
    assert document["breaks"] > 70


def test_a_page_needs_only_the_first_of_it(damaged):
    whole = decoded(load_bytes(damaged, "115200 8N1"), NEWLINE, None)
    decoding = Decoding(NEWLINE, None, whole=False)
    for piece in open_bytes(damaged, "115200 8N1", piece_bytes=100):
        decoding.add(piece)
    decoding.close()
    few = decoding.document()
    assert len(few["events"]) < len(whole["events"])
    assert len(few["data_hex"]) < len(whole["data_hex"])
    assert page_text(decode_page(few)) == page_text(decode_page(whole))


def test_messages_are_counted_by_name_and_those_of_no_layout_too():
    link = Link.load(LINK)
    codec = link.codec("to-controller")
    capture = load_bytes(CAPTURE, link.line)
    counts = decoded(capture, codec.fmt, codec)["messages"]
    assert counts == {"beans": 100, "unreadable": 0}
    other = Link.load(LINK).replace(**{"message[0].fields[1].options": ["whole"]}).codec("to-controller")
    counts = decoded(capture, other.fmt, other)["messages"]
    assert counts["unreadable"] > 0
    assert counts["beans"] + counts["unreadable"] == 100


def test_nothing_taken_is_no_document():
    assert Decoding(None, None).document() == {}


def test_progress_moves_a_bar(linkbudget, monkeypatch, small_pieces):
    from linkbudget.cli import decode

    moves = []

    class Bar:
        def __enter__(self):
            return lambda done, total: moves.append(done / total)

        def __exit__(self, *_):
            return None

    monkeypatch.setattr(decode, "progress_bar", lambda what: Bar())
    small_pieces()
    assert linkbudget("decode", CAPTURE, "--json").code == 0
    assert moves[-1] == 1
    assert moves == sorted(moves)
    assert len(moves) > 10
