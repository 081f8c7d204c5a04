"""The table of CRC algorithms, one's own, names and aliases, and the simple sums."""

from __future__ import annotations

import copy
import pickle
from dataclasses import fields

import anycrc
import crccheck.crc
import pytest
from frame_cases import vectors

from linkbudget.check.algorithms import ALGORITHMS, CrcAlgorithm, check_code, crc_algorithm
from linkbudget.check.catalogue import ALIASES, CATALOGUE_ALIASES, OTHER_NAMES
from linkbudget.check.crc import bitwise_crc, reflect
from linkbudget.check.sums import SUMS
from linkbudget.errors import SettingsError

CATALOGUE = vectors("crc_catalogue")
MORE = vectors("crc_catalogue_more")


def published(row):
    name, width, poly, init, refin, refout, xorout, check, residue = row
    numbers = [int(text, 16) for text in (poly, init, xorout, check, residue)]
    return CrcAlgorithm(name, width, numbers[0], numbers[1], refin, refout, *numbers[2:])


def test_the_table_holds_the_rows_of_the_catalogue_unchanged_and_no_others():
    assert (len(CATALOGUE["rows"]), len(MORE["rows"])) == (37, 75)
    assert {row.name: row for row in map(published, CATALOGUE["rows"] + MORE["rows"])} == dict(ALGORITHMS)
    assert {row.width for row in ALGORITHMS.values()} <= set(range(3, 65))


def test_the_table_of_the_package_crccheck_is_the_same():
    theirs = {row._names[0]: row for row in crccheck.crc.ALLCRCCLASSES if row._width <= 64}
    assert len(theirs) >= 112
    for name, row in theirs.items():
        assert ALGORITHMS[name] == CrcAlgorithm(
            name,
            row._width,
            row._poly,
            row._initvalue,
            row._reflect_input,
            row._reflect_output,
            row._xor_output,
            row._check_result,
            row._residue,
        )


def test_the_second_names_are_those_of_the_package_crccheck():
    rows = [row for row in crccheck.crc.ALLCRCCLASSES if row._width <= 64]
    theirs = {alias: row._names[0] for row in rows for alias in row._names[1:]}
    assert len(theirs) >= 71
    assert theirs.items() <= CATALOGUE_ALIASES.items()
    assert not CATALOGUE_ALIASES.keys() & OTHER_NAMES.keys()
    assert not ALIASES.keys() & ALGORITHMS.keys()


def test_the_table_of_the_package_anycrc_is_the_same():
    ours = {name.replace("CRC-", "CRC", 1).replace("/", "-"): row for name, row in ALGORITHMS.items()}
    theirs = {name: model for name, model in anycrc.models.items() if model.width <= 64}
    assert len(theirs) >= 112
    for name, model in theirs.items():
        row = ours[name]
        parameters = (model.width, model.poly, model.init, model.refin, model.refout, model.xorout)
        assert CrcAlgorithm(row.name, *parameters, check=model.check, residue=row.residue) == row


def test_a_name_that_means_several_rows_is_refused():
    for take in (crc_algorithm, check_code):
        with pytest.raises(
            SettingsError, match="'CRC-16' is not allowed; allowed: one of CRC-16/ARC, CRC-16"
        ):
            take("CRC-16")
        with pytest.raises(SettingsError, match=r"one of CRC-8/AUTOSAR, CRC-32/AUTOSAR$"):
            take("autosar")


def test_the_second_half_of_one_name_is_told_the_whole():
    for take in (crc_algorithm, check_code):
        with pytest.raises(SettingsError, match="did you mean 'CRC-8/SMBUS'"):
            take("SMBus")


@pytest.mark.parametrize("row", ALGORITHMS.values(), ids=lambda row: row.name)
def test_check_and_residue_of_every_row(row):
    assert row.compute(b"123456789") == row.check
    assert row.residues.register == row.residue
    assert row.residues.reversed == reflect(row.residue, row.width)
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
    with pytest.raises(SettingsError, match="did you mean 'CRC-16/"):
        check_code("CRC-17/NONE")  # and not "none", which would leave frames without any check


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


def test_a_wrong_residue_is_refused_with_the_right_one():
    with pytest.raises(SettingsError, match="residue: '0x0' is not allowed; allowed: 0xf0b8, the register"):
        CrcAlgorithm("beans", 16, 0x1021, 0xFFFF, True, True, 0xFFFF, residue=0)


@pytest.mark.parametrize("row", ALGORITHMS.values(), ids=lambda row: row.name)
def test_residue_that_a_call_returns_is_the_same_for_every_message_or_none(row):
    found = {row.compute(row.append(message)) for message in (b"", b"beans", bytes(range(40)))}
    if row.residues.returned is None:
        assert row.refin != row.refout or (row.width % 8 and not row.refin)
        assert len(found) > 1
    else:
        assert found == {row.residues.returned}


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
