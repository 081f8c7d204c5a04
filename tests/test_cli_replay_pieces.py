"""A large capture replayed while it is read; here small files are taken for large ones."""

from __future__ import annotations

import json
import os
import signal

import pytest
from test_kernels import needs_numba

from linkbudget.capture import files
from linkbudget.capture.files import captures_dir, open_bytes
from linkbudget.cli import replay as command

pytestmark = needs_numba

LINK, CAPTURE = captures_dir() / "bean-frames.toml", captures_dir() / "bean-frames.vcd"


@pytest.fixture
def as_large(monkeypatch):
    def use(press_after=None, piece_bytes=500):
        def pieces(*arguments, **options):
            for count, piece in enumerate(open_bytes(*arguments, piece_bytes=piece_bytes, **options)):
                if count == press_after:
                    os.kill(os.getpid(), signal.SIGINT)
                yield piece

        monkeypatch.setattr(files, "open_bytes", pieces)
        monkeypatch.setattr(command, "LONG_BYTES", 0)

    return use


def rounded(ran):
    """What a run came to; sums over a path differ in their last digits when they are made piece by piece."""
    if not ran.out.startswith("{"):
        return ran
    document = json.loads(ran.out)
    for joint in document["motion"]:
        joint |= {name: round(joint[name], 9) for name in ("overshoot_mean", "rms_error")}
    return ran.code, document, ran.err


@pytest.mark.parametrize("name", ["bean-frames", "bean-text"])
@pytest.mark.parametrize("options", [["--json"], []])
def test_a_large_capture_gives_what_a_small_one_gives(linkbudget, as_large, name, options):
    link, capture = captures_dir() / f"{name}.toml", captures_dir() / f"{name}.vcd"
    whole = linkbudget("replay", link, capture, "--phases", 3, *options)
    as_large()
    assert rounded(linkbudget("replay", link, capture, "--phases", 3, *options)) == rounded(whole)
    assert whole.code == 0


def test_ctrl_c_leaves_what_was_found_and_says_so(linkbudget, as_large):
    whole = json.loads(linkbudget("replay", LINK, CAPTURE, "--json", "--phases", 1).out)
    as_large(press_after=12)
    ran = linkbudget("replay", LINK, CAPTURE, "--json", "--phases", 1)
    assert ran.code == 130
    found = json.loads(ran.out)
    assert found["partial"] is True
    assert 0 < found["messages"]["sent"] < whole["messages"]["sent"]
    assert "interrupted" in found["warnings"][-1]
    assert "interrupted" in ran.err


def test_ctrl_c_before_any_frame_leaves_nothing(linkbudget, as_large):
    as_large(press_after=0, piece_bytes=40)
    ran = linkbudget("replay", LINK, CAPTURE, "--json")
    assert (ran.code, ran.out) == (130, "")


def test_a_wrong_rate_is_refused_as_for_a_small_one(linkbudget, as_large):
    arguments = ["replay", LINK, CAPTURE, "--baudrate", 4800, "--phases", 1]
    small = linkbudget(*arguments)
    as_large()
    assert linkbudget(*arguments) == small
    assert small.code == 2
