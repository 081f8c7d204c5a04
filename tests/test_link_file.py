"""The link file: read whole or refused with every fault at once, exact numbers, and written back."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from link_files import BAD, GOOD, expected_faults, name_of

from linkbudget.errors import SettingsError
from linkbudget.link.file import parse_toml
from linkbudget.link.model import Link

MINIMAL = {
    "line": {"baudrate": 115200},
    "message": [{"name": "beans", "fields": [{"name": "x", "kind": "counter", "bits": 8}]}],
}


def faults_of(document: dict) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        Link.from_dict(document)
    return [str(fault) for fault in caught.value.faults]


def test_the_folders_hold_what_they_should():
    assert len(GOOD) == 4
    assert len(BAD) == 25


@pytest.mark.parametrize("path", BAD, ids=name_of)
def test_a_bad_file_is_refused_with_every_fault_and_no_other(path):
    expected = expected_faults(path)
    assert expected
    with pytest.raises(SettingsError) as caught:
        Link.load(path)
    assert all(fault.file == str(path) for fault in caught.value.faults)
    told = [str(fault).removeprefix(f"{path}: ") for fault in caught.value.faults]
    for fault in expected:
        telling = [line for line in told if fault.is_told_by(line)]
        assert telling, f"{fault} is not in\n" + "\n".join(told)
        told.remove(telling[0])
    assert not told


@pytest.mark.parametrize("path", GOOD, ids=name_of)
def test_a_good_file_comes_back_from_its_tables_and_from_its_text(path, tmp_path):
    link = Link.load(path)
    assert link.path == str(path)
    assert Link.from_dict(link.to_dict()) == link
    again = tmp_path / "again.toml"
    again.write_text(link.to_toml(), encoding="utf-8")
    assert Link.load(again) == link
    assert Link.load(again).to_toml() == link.to_toml()


@pytest.mark.parametrize("path", GOOD, ids=name_of)
def test_the_tables_are_plain_json(path):
    import json

    table = Link.load(path).to_dict()
    assert json.loads(json.dumps(table)) == table


def test_an_error_of_syntax_says_line_and_column(tmp_path):
    path = tmp_path / "link.toml"
    path.write_text("[line]\nbaudrate = = 3\n", encoding="utf-8")
    with pytest.raises(SettingsError, match=r"link\.toml: line 2, column 12: Invalid value"):
        Link.load(path)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b'[line]\nname = "\xff"\n', "line 2: byte 0xff is not UTF-8"),
        (b"x = " + b"[" * 100_000, "nested too deeply"),
        (b"x = " + b"9" * 5000, "limit"),
        (b"[line]\n[line]\n", "line 2, column 6"),
    ],
)
def test_content_that_is_no_toml_is_one_clear_fault(content, told):
    with pytest.raises(SettingsError) as caught:
        parse_toml(content)
    assert len(caught.value.faults) == 1
    assert told in str(caught.value)


def test_a_byte_order_mark_and_carriage_returns_are_read_over():
    document = parse_toml("\ufeff[line]\r\nbaudrate = 9600\r\n".encode())
    assert document == {"line": {"baudrate": 9600}}


def test_an_empty_file_is_told_what_a_link_needs(tmp_path):
    path = tmp_path / "empty.toml"
    path.write_bytes(b"")
    with pytest.raises(SettingsError, match=r"line: is missing[\s\S]*message: is missing"):
        Link.load(path)


def test_numbers_stay_exact():
    """A tenth is a tenth; what no float can tell apart stays a decimal."""
    document = parse_toml(b"[loop]\nperiod_us = 0.1\nphase_us = 0.12345678901234567890123\n")
    loop = Link.from_dict({**MINIMAL, **document}).loop
    assert loop.period_us == 0.1
    assert isinstance(loop.period_us, float)
    assert loop.phase_us == Decimal("0.12345678901234567890123")


def test_a_fraction_survives_the_file_as_decimal_or_as_the_nearest_float():
    link = Link.from_dict({**MINIMAL, "loop": {"period_us": Fraction(1, 8), "phase_us": Fraction(1, 3)}})
    assert "period_us = 0.125\n" in link.to_toml()
    assert "phase_us = 0.3333333333333333\n" in link.to_toml()


def test_texts_are_escaped():
    source = 'a "quoted" back\\slash, \x7f, tab\t and ü'
    link = Link.from_dict({**MINIMAL, "receiver": {"source": source}})
    assert parse_toml(link.to_toml().encode())["receiver"]["source"] == source


def test_what_one_direction_has_different_is_written_apart():
    frame = {
        "delimiting": "newline",
        "crc": "none",
        "terminator": ";",
        "to-controller": {"delimiting": "cobs"},
    }
    link = Link.from_dict({**MINIMAL, "frame": frame})
    assert link.frames["to-controller"].delimiting == "cobs"
    assert link.frames["to-controller"].crc is None
    assert link.frames["to-module"].terminator == ";"
    table = link.to_dict()["frame"]
    assert table["to-controller"] == {"delimiting": "cobs"}
    assert table["to-module"] == {"delimiting": "newline", "terminator": ";"}
    assert Link.from_dict(link.to_dict()) == link


def test_a_base_format_that_no_direction_uses_need_not_be_possible():
    sides = {"delimiting": "newline", "check_form": "hex"}
    frame = {"delimiting": "newline", "to-controller": sides, "to-module": sides}
    assert Link.from_dict({**MINIMAL, "frame": {**frame, "to-controller": {"delimiting": "cobs"}}})
    assert faults_of({**MINIMAL, "frame": {"delimiting": "newline"}})[0].startswith(
        "frame.check_form: 'binary'"
    )


def test_check_names_are_known_in_any_case_and_by_their_aliases():
    for name in ("crc-32/iso-hdlc", "CRC-32"):
        link = Link.from_dict({**MINIMAL, "frame": {"crc": name}})
        assert link.to_dict()["frame"]["crc"] == "CRC-32/ISO-HDLC"


def test_requirements_of_fields_need_no_quotes():
    quoted = {"step.beans.x": 1}
    document = {
        **MINIMAL,
        "message": [
            {"name": "beans", "fields": [{"name": "x", "kind": "integer", "minimum": 0, "maximum": 9}]}
        ],
    }
    assert Link.from_dict({**document, "require": {"step": {"beans": {"x": 1}}}}).require == quoted
    assert Link.from_dict({**document, "require": quoted}).require == quoted


@pytest.mark.parametrize("document", [[], "text", 3, None])
def test_what_is_no_table_is_refused(document):
    with pytest.raises(SettingsError, match="is no table"):
        Link.from_dict(document)


@pytest.mark.parametrize(
    "extra",
    [
        {1: 2},
        {"line": []},
        {"message": [3]},
        {"message": [{"name": "x", "fields": [7]}]},
        {"frame": {"crc": 5}},
    ],
)
def test_documents_of_odd_shape_are_refused_and_do_not_crash(extra):
    assert faults_of({**MINIMAL, **extra})


def test_a_file_that_is_not_there_is_told_like_a_bad_one(tmp_path):
    with pytest.raises(SettingsError, match=r"absent\.toml: cannot be read: No such file or directory"):
        Link.load(tmp_path / "absent.toml")
    with pytest.raises(SettingsError, match="cannot be read: Is a directory"):
        Link.load(tmp_path)


def test_a_fault_of_the_whole_file_has_no_empty_key_path(tmp_path):
    path = tmp_path / "a.toml"
    path.write_text("a = " + "[" * 5000)
    with pytest.raises(SettingsError) as caught:
        Link.load(path)
    assert ": :" not in str(caught.value)


def test_a_line_format_says_what_its_parts_may_be():
    told = faults_of({**MINIMAL, "line": {"baudrate": 115200, "format": "8N3"}})
    assert told == [
        "line.format: '8N3' is not allowed; allowed: a text such as \"8N1\""
        " (data bits 5 to 9, parity N E O M S, stop bits 1, 1.5 or 2)"
    ]


BINARY = "frame.check_form"


@pytest.mark.parametrize(
    ("frame", "told"),
    [
        ({"delimiting": "newline", "max_payload": 0}, [BINARY]),
        ({"delimiting": "newline", "colour": 1}, [BINARY]),
        ({"delimiting": "newline", "sequence": True, "leading_delimiter": 5}, [BINARY, "frame.sequence"]),
        ({"delimiting": "counted", "max_payload": 5000, "async_map": 1, "sync": "zz"}, ["frame.async_map"]),
        ({"delimiting": "counted", "max_payload": 5000, "crc_order": "up"}, ["frame.max_payload"]),
        ({"max_payload": 0, "to-module": {"delimiting": "newline"}}, ["frame.to-module.check_form"]),
        ({"delimiting": "newline", "to-module": {"max_payload": 0}}, [BINARY, "frame.to-module.check_form"]),
        ({"delimiting": "newline", "to-modul": {"crc": "none"}}, [BINARY]),
        ({"delimiting": "newline", "to-module": 5}, [BINARY]),
        # What was meant by a wrong key may be just what mends this.
        ({"delimiting": "newline", "crc": "non"}, []),
        ({"delimiting": "newline", "chek_form": "hex"}, []),
        ({"delimiting": "newline", "crc": {"name": "own", "width": 8, "poly": 7, "x": 1}}, []),
        ({"delimiting": "newlin"}, []),
        ({"delimiting": "newline", "to-modul": {"crc": "none"}, "to-controller": {"crc": "none"}}, []),
        ({"delimiting": "newline", "to-module": {"crc": 5}, "to-controller": {"crc": "none"}}, []),
        ({"delimiting": "counted", "max_payload": 5000, "length_byte": 2}, []),
    ],
    ids=str,
)
def test_faults_between_keys_of_a_frame_are_told_beside_those_of_single_keys(frame, told):
    """They used to come to light only when the wrong keys were mended."""
    paths = [line.partition(": ")[0] for line in faults_of({**MINIMAL, "frame": frame})]
    assert len(paths) > len(told)
    assert [path for path in paths if path in told] == told
    assert len(paths) == len(set(paths)) == 1 + len(told)
