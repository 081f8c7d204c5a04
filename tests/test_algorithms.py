"""The table of CRC algorithms, one's own, names and aliases, and the simple sums."""

from __future__ import annotations

import copy
import pickle
from dataclasses import fields

import pytest
from frame_cases import vectors

from linkbudget.check.algorithms import ALGORITHMS, CrcAlgorithm, check_code, crc_algorithm
from linkbudget.check.catalogue import ALIASES
from linkbudget.check.crc import bitwise_crc, reflect
from linkbudget.check.sums import SUMS
from linkbudget.errors import SettingsError

CATALOGUE = vectors("crc_catalogue")


def published(row):
    name, width, poly, init, refin, refout, xorout, check, residue = row
    numbers = [int(text, 16) for text in (poly, init, xorout, check, residue)]
    return CrcAlgorithm(name, width, numbers[0], numbers[1], refin, refout, *numbers[2:])


def test_every_row_of_the_catalogue_extract_is_in_the_table_unchanged():
    assert len(CATALOGUE["rows"]) == 37
    assert {row.name: row for row in map(published, CATALOGUE["rows"])} == dict(ALGORITHMS)


@pytest.mark.parametrize("row", ALGORITHMS.values(), ids=lambda row: row.name)
def test_check_and_residue_of_every_row(row):
    assert row.compute(b"123456789") == row.check
    assert register_after_codeword(row) == row.residue


def register_after_codeword(row):
    """The register after message and CRC, before xorout; the CRC in the bit order it is sent in."""
    zeros = {"width": row.width, "poly": row.poly, "refin": False, "refout": False, "xorout": 0}
    raw = bitwise_crc(b"123456789", init=row.init, **{**zeros, "refin": row.refin})
    sent = row.check if not row.refout else reflect(row.check, row.width)
    # Dividing on through the CRC's own bits leaves the register times x**width, cleared by the bits sent.
    register = raw ^ sent
    for _ in range(row.width):
        top = register >> (row.width - 1)
        register = (register << 1) & ((1 << row.width) - 1) ^ (row.poly if top else 0)
    return reflect(register, row.width) if row.refout else register


@pytest.mark.parametrize(("alias", "name"), ALIASES.items())
def test_aliases(alias, name):
    assert crc_algorithm(alias) is crc_algorithm(alias.lower()) is ALGORITHMS[name]


@pytest.mark.parametrize(
    ("alias", "name"),
    [
        ("CCITT-FALSE", "CRC-16/IBM-3740"),
        ("X-25", "CRC-16/IBM-SDLC"),
        ("CCITT", "CRC-16/KERMIT"),
        ("CRC-32", "CRC-32/ISO-HDLC"),
        ("CRC-32C", "CRC-32/ISCSI"),
        ("PEC", "CRC-8/SMBUS"),
        ("1-Wire", "CRC-8/MAXIM-DOW"),
    ],
)
def test_the_names_in_wide_use(alias, name):
    assert crc_algorithm(alias).name == name


def test_a_misspelt_name_gets_the_nearest():
    with pytest.raises(SettingsError, match="did you mean 'CRC-16/MODBUS'"):
        crc_algorithm("CRC-16/MOBDUS")
    with pytest.raises(SettingsError, match="did you mean 'fletcher16'"):
        check_code("fletcher-16")


def test_check_code_takes_what_a_frame_format_takes():
    own = CrcAlgorithm("beans", 12, 0x80F)
    assert check_code(None) is check_code("none") is check_code(" None ") is None
    assert check_code("xor8") is SUMS["xor8"]
    assert check_code("crc-8/rohc") is ALGORITHMS["CRC-8/ROHC"]
    assert check_code(own) is own
    with pytest.raises(SettingsError, match="CrcAlgorithm"):
        check_code(16)


def test_every_fault_of_ones_own_algorithm_is_reported():
    with pytest.raises(SettingsError) as caught:
        CrcAlgorithm("beans", 8, 0x107, init=-1, xorout=256)
    assert [fault.path for fault in caught.value.faults] == ["poly", "init", "xorout"]
    with pytest.raises(SettingsError, match="1 to 64 bits"):
        CrcAlgorithm("beans", 65, 1)
    with pytest.raises(SettingsError, match="poly"):
        CrcAlgorithm("beans", 8, 0)


def test_a_wrong_check_value_is_refused():
    with pytest.raises(SettingsError, match="0xf4, the CRC of 123456789"):
        CrcAlgorithm("beans", 8, 0x07, check=0xF5)


@pytest.mark.parametrize("name", ["CRC-16/IBM-3740", "CRC-15/CAN"])
def test_an_algorithm_that_was_used_can_be_copied_and_pickled(name):
    row = crc_algorithm(name)
    row.compute(b"beans")
    for other in (pickle.loads(pickle.dumps(row)), copy.deepcopy(row)):
        assert other == row
        assert hash(other) == hash(row)
        assert other.compute(b"beans") == row.compute(b"beans")


# Fletcher: the encyclopaedia's examples, from memory; sum and exclusive or: by hand.
@pytest.mark.parametrize(
    ("name", "data", "value"),
    [
        ("fletcher16", b"abcde", 0xC8F0),
        ("fletcher16", b"abcdef", 0x2057),
        ("fletcher16", b"abcdefgh", 0x0627),
        ("fletcher16", b"\xff" * 40, 0x0000),
        ("sum8", b"\xff\x02", 0x01),
        ("xor8", b"\x0f\xf1", 0xFE),
        ("sum8", b"", 0x00),
    ],
)
def test_simple_sums(name, data, value):
    assert SUMS[name].compute(data) == value


@pytest.mark.parametrize("row", SUMS.values(), ids=lambda row: row.name)
def test_simple_sums_have_their_check_value(row):
    assert row.compute(b"123456789") == row.check
    assert row.append(b"bean") == b"bean" + row.compute(b"bean").to_bytes(row.check_bytes, "big")


def test_the_fields_are_those_of_the_catalogue():
    names = ["name", "width", "poly", "init", "refin", "refout", "xorout", "check", "residue"]
    assert [field.name for field in fields(CrcAlgorithm)] == names
