"""The engines that compute check codes, held against published vectors and other people's code."""

from __future__ import annotations

import binascii
import sys
import zlib
from importlib import import_module
from itertools import pairwise

import anycrc
import crcmod.predefined
import numpy as np
import pytest
from frame_cases import vectors
from hypothesis import given
from hypothesis import strategies as st

from linkbudget._jit import load_numba
from linkbudget.check import crc, many
from linkbudget.check.algorithms import ALGORITHMS, LARGE, CrcAlgorithm, crc_algorithm
from linkbudget.check.crc import bitwise_crc, crc_engine, reflect
from linkbudget.check.sums import SUMS
from linkbudget.errors import LinkBudgetWarning, SettingsError

VECTORS = vectors("crc_vectors")["rows"]
RESIDUES = vectors("hdlc")["residues"]["rows"]
# Names of the same algorithms in the package crcmod.
CRCMOD_NAMES = {
    "CRC-8/SMBUS": "crc-8",
    "CRC-8/DARC": "crc-8-darc",
    "CRC-8/MAXIM-DOW": "crc-8-maxim",
    "CRC-8/ROHC": "crc-8-rohc",
    "CRC-16/ARC": "crc-16",
    "CRC-16/IBM-3740": "crc-ccitt-false",
    "CRC-16/IBM-SDLC": "x-25",
    "CRC-16/KERMIT": "kermit",
    "CRC-16/XMODEM": "xmodem",
    "CRC-16/MODBUS": "modbus",
    "CRC-16/USB": "crc-16-usb",
    "CRC-16/DNP": "crc-16-dnp",
    "CRC-16/GENIBUS": "crc-16-genibus",
    "CRC-16/MCRF4XX": "crc-16-mcrf4xx",
    "CRC-16/MAXIM-DOW": "crc-16-maxim",
    "CRC-24/OPENPGP": "crc-24",
    "CRC-32/ISO-HDLC": "crc-32",
    "CRC-32/BZIP2": "crc-32-bzip2",
    "CRC-32/ISCSI": "crc-32c",
    "CRC-32/MPEG-2": "crc-32-mpeg",
    "CRC-32/JAMCRC": "jamcrc",
}
PARAMETERS = ("width", "poly", "init", "refin", "refout", "xorout")
every_row = pytest.mark.parametrize("row", [*ALGORITHMS.values(), *SUMS.values()], ids=lambda row: row.name)


def test_there_are_84_published_vectors():
    assert len(VECTORS) == 84
    assert len({row[0] for row in VECTORS}) == 14


@pytest.mark.parametrize("row", VECTORS, ids=lambda row: f"{row[0]}-{row[1][:16]}")
def test_published_vectors(row):
    name, message, value, on_the_line, source, status = row
    assert source
    assert status
    algorithm, data = crc_algorithm(name), bytes.fromhex(message)
    assert algorithm.compute(data) == int(value, 16)
    if on_the_line is not None:
        assert algorithm.append(data) == data + bytes.fromhex(on_the_line)


def test_there_are_three_meanings_of_residue():
    assert len(RESIDUES) == 3


@pytest.mark.parametrize(("name", "residue", "reversed_bits", "returned"), RESIDUES)
def test_residues(name, residue, reversed_bits, returned):
    row = crc_algorithm(name)
    call = row.compute(row.append(b"beans"))
    assert call == int(returned, 16)
    assert call ^ row.xorout == int(residue, 16) == row.residue
    assert reflect(row.residue, row.width) == int(reversed_bits, 16)
    residues = row.residues
    assert (residues.register, residues.reversed, residues.returned) == tuple(
        int(text, 16) for text in (residue, reversed_bits, returned)
    )


@given(st.binary(max_size=80))
def test_the_standard_library_agrees(data):
    assert crc_algorithm("CRC-32/ISO-HDLC").compute(data) == zlib.crc32(data)
    assert crc_algorithm("CRC-16/XMODEM").compute(data) == binascii.crc_hqx(data, 0)
    assert crc_algorithm("CRC-16/IBM-3740").compute(data) == binascii.crc_hqx(data, 0xFFFF)


@pytest.mark.parametrize(("name", "theirs"), CRCMOD_NAMES.items())
def test_the_predefined_functions_of_crcmod_agree(name, theirs):
    function = crcmod.predefined.mkPredefinedCrcFun(theirs)
    for data in (b"", b"\0", b"split whole stone", bytes(range(256))):
        assert crc_algorithm(name).compute(data) == function(data)


def in_fastcrc(row):
    """The function of the package fastcrc with the name of the row, None when it has none."""
    if row.width not in (8, 16, 32, 64):
        return None
    name = row.name.partition("/")[2].lower().replace("-", "_")
    return getattr(import_module(f"fastcrc.crc{row.width}"), name, None)


def test_the_package_fastcrc_agrees_where_it_has_the_row():
    having = [row for row in ALGORITHMS.values() if in_fastcrc(row)]
    assert len(having) > 60
    for row in having:
        for data in (b"", b"\0", b"split whole stone", bytes(range(256)) * 5):
            expected = bitwise_crc(data, **{name: getattr(row, name) for name in PARAMETERS})
            assert in_fastcrc(row)(data) == row.compute(data) == expected, row.name


@pytest.mark.parametrize("row", ALGORITHMS.values(), ids=lambda row: row.name)
def test_the_plain_form_agrees(row):
    parameters = {name: getattr(row, name) for name in PARAMETERS}
    for data in (b"", b"\0\0", b"123456789", bytes(range(200))):
        assert row.compute(data) == bitwise_crc(data, **parameters)


@st.composite
def algorithms(draw):
    width = draw(st.integers(1, 64))
    number = st.integers(0, (1 << width) - 1)
    poly = draw(st.integers(1, (1 << width) - 1))
    return CrcAlgorithm(
        "own", width, poly, draw(number), draw(st.booleans()), draw(st.booleans()), draw(number)
    )


@given(algorithms(), st.binary(max_size=24))
def test_any_algorithm_agrees_with_its_plain_form_and_verifies(row, data):
    parameters = (row.width, row.poly, row.init, row.refin, row.refout, row.xorout)
    plain = bitwise_crc(data, **dict(zip(PARAMETERS, parameters, strict=True)))
    assert crc_engine(*parameters).function(data) == row.compute(data) == plain
    assert anycrc.CRC(*parameters).calc(data) == plain
    assert row.verify(row.append(data))


@given(algorithms(), st.binary(min_size=1, max_size=20), st.data())
def test_one_bit_wrong_is_always_seen_when_the_polynomial_ends_in_one(row, data, draw):
    row = CrcAlgorithm(row.name, row.width, row.poly | 1, row.init, row.refin, row.refout, row.xorout)
    sent = bytearray(row.append(data))
    bit = draw.draw(st.integers(0, 8 * len(sent) - 1))
    sent[bit // 8] ^= 1 << bit % 8
    assert not row.verify(sent)


@every_row
def test_append_puts_the_bytes_in_the_order_of_the_algorithm(row):
    value = row.compute(b"bean")
    order = "little" if getattr(row, "refout", False) else "big"
    assert row.append(b"bean") == b"bean" + value.to_bytes((row.width + 7) // 8, order)
    assert row.byte_order == order


@every_row
def test_verify_wants_the_whole_check(row):
    sent = row.append(b"bean")
    assert row.verify(sent)
    assert row.verify(bytearray(sent))
    assert not row.verify(b"")
    assert not row.verify(sent[:-1] + bytes([sent[-1] ^ 1]))


def test_a_width_between_bytes_is_padded_on_the_left():
    row = crc_algorithm("CRC-15/CAN")
    assert row.append(b"123456789")[-2:] == bytes.fromhex("059e")
    assert not row.verify(b"123456789" + bytes.fromhex("859e"))
    assert crc_algorithm("CRC-17/CAN-FD").append(b"123456789")[-3:] == bytes.fromhex("004f03")


@every_row
def test_compute_many_is_compute_of_each_piece(row):
    buffer = bytes(range(256)) * 2
    offsets = [3, 3, 4, 70, 512]
    values = row.compute_many(buffer, offsets)
    assert values.dtype == np.uint64
    assert values.tolist() == [row.compute(buffer[a:b]) for a, b in pairwise(offsets)]


@pytest.mark.parametrize("mode", ["never", "always"])
def test_compute_many_takes_arrays_and_refuses_bad_offsets(mode, monkeypatch):
    if mode == "always" and load_numba() is None:
        pytest.skip("numba is not installed")
    monkeypatch.setenv("LINKBUDGET_KERNELS", mode)
    row = crc_algorithm("CRC-8/SMBUS")
    buffer = np.arange(10, dtype=np.uint8)
    assert row.compute_many(buffer, np.array([0, 10])).tolist() == [row.compute(bytes(range(10)))]
    assert row.compute_many(buffer, [0]).tolist() == []
    for offsets in ([0, 11], [-1, 3], [5, 4], [], [[0, 1]]):
        with pytest.raises(SettingsError, match="offsets"):
            row.compute_many(buffer, offsets)
    with pytest.raises(TypeError, match="single bytes"):
        row.compute_many(np.arange(10, dtype=np.uint16), [0, 3])


# --- the engines ------------------------------------------------------------------------------------------


@pytest.fixture
def without(monkeypatch):
    """Take packages away, as if they were not installed."""

    def take(*names):
        for name in names:
            monkeypatch.setitem(sys.modules, name, None)
        crc_engine.cache_clear()
        crc.crcmod_is_compiled.cache_clear()

    yield take
    monkeypatch.undo()
    crc_engine.cache_clear()
    crc.crcmod_is_compiled.cache_clear()


FASTCRC = [f"fastcrc.crc{width}" for width in (8, 16, 32, 64)]
C_EXTENSION = "crcmod._crcfunext"
UNCOMPILED = "crcmod was installed without its C extension: no C compiler"


@pytest.mark.parametrize(
    ("name", "missing", "engine"),
    [
        ("CRC-32/ISO-HDLC", [*FASTCRC, C_EXTENSION], "zlib"),
        ("CRC-32/JAMCRC", [], "zlib"),
        ("CRC-16/MODBUS", [], "fastcrc"),
        ("CRC-16/IBM-3740", [], "fastcrc"),
        ("CRC-16/IBM-3740", FASTCRC, "binascii"),
        ("CRC-16/GENIBUS", FASTCRC, "binascii"),
        ("CRC-16/MODBUS", FASTCRC, "crcmod"),
        ("CRC-24/BLE", [], "crcmod"),
        ("CRC-64/XZ", FASTCRC, "crcmod"),
        ("CRC-16/MODBUS", [*FASTCRC, C_EXTENSION], "table"),
        ("CRC-24/OPENPGP", [C_EXTENSION], "table"),
        ("CRC-15/CAN", [], "table"),
        ("CRC-12/UMTS", [], "table"),
        ("CRC-5/USB", [], "table"),
        ("CRC-3/GSM", [], "table"),
    ],
)
def test_each_engine_is_taken_where_it_is_the_fastest_and_is_right(name, missing, engine, without):
    if engine == "crcmod" and not crc.crcmod_is_compiled():
        pytest.skip(UNCOMPILED)
    without(*missing)
    row = crc_algorithm(name)
    parameters = {name: getattr(row, name) for name in PARAMETERS}
    found = crc_engine(**parameters)
    assert found.name == engine
    for data in (b"", b"\0", b"123456789", bytes(range(256))):
        for kind in (bytes, bytearray, memoryview):
            assert found.function(kind(data)) == bitwise_crc(data, **parameters)


@given(algorithms(), st.binary(max_size=24))
def test_the_table_of_bytes_has_every_algorithm(row, data):
    parameters = {name: getattr(row, name) for name in PARAMETERS}
    assert crc._table_function(**parameters)(data) == bitwise_crc(data, **parameters)


@pytest.mark.skipif(not crc.crcmod_is_compiled(), reason=UNCOMPILED)
def test_a_function_of_fastcrc_that_means_something_else_is_not_taken(without, monkeypatch):
    monkeypatch.setattr("fastcrc.crc16.modbus", lambda data: 0x29B1)
    without()
    row = crc_algorithm("CRC-16/MODBUS")
    assert crc_engine(*(getattr(row, name) for name in PARAMETERS)).name == "crcmod"


@pytest.mark.parametrize("name", ["CRC-32/ISO-HDLC", "CRC-16/MODBUS", "CRC-24/BLE", "CRC-12/UMTS"])
@pytest.mark.parametrize("mode", ["never", "auto", "always"])
def test_a_large_buffer_is_the_same_whatever_computes_it(name, mode, monkeypatch):
    if mode == "always" and load_numba() is None:
        pytest.skip("numba is not installed")
    monkeypatch.setenv("LINKBUDGET_KERNELS", mode)
    row = crc_algorithm(name)
    data = bytes(range(251)) * 300
    assert len(data) >= LARGE
    expected = anycrc.CRC(*(getattr(row, name) for name in PARAMETERS)).calc(data)
    assert row.compute(data) == row.compute(memoryview(data)) == expected


def test_a_crcmod_without_its_c_extension_is_told_when_it_matters(without, monkeypatch):
    without(*FASTCRC, C_EXTENSION)
    monkeypatch.setenv("LINKBUDGET_KERNELS", "never")
    monkeypatch.setattr(many, "LONG_NS", 1e6)
    many._tell_what_is_missing.cache_clear()
    row = CrcAlgorithm("beans", 16, 0x8005, 0xFFFF, True, True)
    assert row.engine.name == "table"
    short = row.compute_many(b"beans" * 9, [0, 5, 45])
    assert short.tolist() == [row.compute(b"beans"), row.compute(b"beans" * 8)]
    with pytest.warns(LinkBudgetWarning, match="crcmod was installed without its C extension, and numba is"):
        row.compute(bytes(LARGE))
    row.compute(bytes(LARGE))  # told once
    many._tell_what_is_missing.cache_clear()


def test_reflect():
    assert reflect(0b0010111, 7) == 0b1110100
    assert reflect(0x04C11DB7, 32) == 0xEDB88320


# Lost delimiters: when the register starts at zero and there is no final xor, a good frame leaves it at zero,
# so the joined frames pass. The counts are those of a bit-by-bit program of our own.
@pytest.mark.parametrize(
    "name", ["CRC-8/SMBUS", "CRC-8/MAXIM-DOW", "CRC-16/XMODEM", "CRC-16/KERMIT", "CRC-16/ARC"]
)
def test_joined_frames_pass_a_check_that_starts_at_zero(name):
    row = crc_algorithm(name)
    assert all(row.verify(row.append(bytes([k, 7])) + row.append(bytes([k]))) for k in range(256))


@pytest.mark.parametrize(
    "name",
    [
        "CRC-8/AUTOSAR",
        "CRC-8/ROHC",
        "CRC-16/IBM-3740",
        "CRC-16/MODBUS",
        "CRC-16/IBM-SDLC",
        "CRC-16/DNP",
        "CRC-16/EN-13757",
        "CRC-32/ISO-HDLC",
    ],
)
def test_joined_frames_fail_a_check_that_does_not(name):
    row = crc_algorithm(name)
    assert not any(row.verify(row.append(bytes([k, 7])) + row.append(bytes([k]))) for k in range(256))


@pytest.mark.parametrize(("name", "accepted"), [("CRC-16/XMODEM", 2), ("CRC-16/IBM-3740", 0)])
def test_leading_zeros_are_lost_unseen_by_a_check_that_starts_at_zero(name, accepted):
    """15.4 % of single dropped bytes, 2 of 13: computed with an independent bit-by-bit CRC."""
    row = crc_algorithm(name)
    frame = row.append(bytes(2) + b"split-bea")
    passing = [at for at in range(len(frame)) if row.verify(frame[:at] + frame[at + 1 :])]
    assert len(frame) == 13
    assert passing == list(range(accepted))


@every_row
def test_a_frame_of_zeros_passes_a_check_that_starts_at_zero_and_no_other(row):
    zero = not isinstance(row, CrcAlgorithm) or (row.init == 0 and row.xorout == 0)
    assert row.verify(bytes(6 + row.check_bytes)) is zero
