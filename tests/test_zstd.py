"""Whether a Zstandard file is whole: frames walked through by the headers of RFC 8878."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkbudget import CaptureError, load_levels
from linkbudget.capture.zstd import is_whole_zstd

zstandard = pytest.importorskip("zstandard")

TABLE = b"time,rx\n" + b"".join(b"%d,%d\n" % (at, at % 2) for at in range(2_000))


def compressed(content, **settings_):
    return zstandard.ZstdCompressor(**settings_).compress(content)


FORMS = {
    "one frame": compressed(TABLE),
    "with a checksum": compressed(TABLE, write_checksum=True),
    "without its size": compressed(TABLE, write_content_size=False),
    "repeated bytes": compressed(bytes(300_000)),
    "no content": compressed(b""),
    "several frames": compressed(TABLE) + compressed(b"9999,0\n"),
    "incompressible": compressed(random.Random(1).randbytes(200_000)),
    "a frame to be skipped": bytes.fromhex("5a2a4d18 03000000 010203") + compressed(TABLE),
}


@pytest.mark.parametrize("form", FORMS)
def test_whole_files_are_whole_and_cut_ones_are_not(tmp_path, form):
    path = tmp_path / "a.zst"
    whole = FORMS[form]
    path.write_bytes(whole)
    assert is_whole_zstd(path)
    for cut in sorted({1, 2, 3, 4, 5, len(whole) // 2, len(whole) - 2, len(whole) - 1}):
        path.write_bytes(whole[:cut])
        assert not is_whole_zstd(path), cut


def test_rubbish_behind_a_frame_is_not_whole(tmp_path):
    path = tmp_path / "a.zst"
    path.write_bytes(compressed(TABLE) + b"beans")
    assert not is_whole_zstd(path)


@given(st.binary(max_size=60))
@settings(max_examples=200)
def test_any_bytes_end(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("zstd") / "a.zst"
    path.write_bytes(bytes.fromhex("28b52ffd") + content)
    is_whole_zstd(path)


def test_a_table_is_read_whatever_its_frames(tmp_path):
    path = tmp_path / "a.csv.zst"
    for form in ("one frame", "with a checksum", "without its size", "several frames"):
        path.write_bytes(FORMS[form])
        assert len(load_levels(path).channels["rx"]) in (1_999, 2_000)


def test_damage_names_the_byte(tmp_path):
    path = tmp_path / "a.csv.zst"
    damaged = bytearray(compressed(TABLE, write_checksum=True))
    damaged[len(damaged) // 2] ^= 0xFF
    path.write_bytes(damaged)
    with pytest.raises(CaptureError, match=r"a\.csv\.zst: byte \d+: bad Zstandard data"):
        load_levels(path)
