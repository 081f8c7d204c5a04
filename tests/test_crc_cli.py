"""The command ``crc``: its pages, its JSON, and what it refuses."""

from __future__ import annotations

import json

import pytest
from frame_cases import vectors

from linkbudget.check.algorithms import ALGORITHMS
from linkbudget.check.sums import SUMS

VECTORS = vectors("crc_vectors")["rows"]


def document(ran):
    assert (ran.code, ran.err) == (0, "")
    return json.loads(ran.out)


def test_every_code_is_listed_and_no_line_is_wider_than_80(linkbudget):
    ran = linkbudget("crc", "list")
    assert ran.code == 0
    assert ran.out.splitlines()[0] == f"{len(ALGORITHMS) + len(SUMS)} check codes."
    assert all(name in ran.out for name in [*ALGORITHMS, *SUMS])
    assert max(map(len, ran.out.splitlines())) <= 80


def test_the_list_as_json_is_the_table(linkbudget):
    rows = document(linkbudget("crc", "list", "--json"))["algorithms"]
    assert [row["name"] for row in rows] == [*ALGORITHMS, *SUMS]
    for row in rows[: len(ALGORITHMS)]:
        known = ALGORITHMS[row["name"]]
        for key in ("width", "poly", "init", "refin", "refout", "xorout", "check", "residue"):
            assert row[key] == getattr(known, key)
        assert row["residues"]["register"] == row["residue"]


@pytest.mark.parametrize(
    ("arguments", "names"),
    [
        (["modbus"], ["CRC-16/MODBUS"]),
        (["X-25"], ["CRC-16/IBM-SDLC"]),
        (["CRC-8"], ["CRC-8/SMBUS"]),
        (["canf"], []),
        (["can-"], ["CRC-17/CAN-FD", "CRC-21/CAN-FD"]),
        (["--width", "40"], ["CRC-40/GSM"]),
        (["gsm", "--width", "8"], ["CRC-8/GSM-A", "CRC-8/GSM-B"]),
        (["fletcher16"], ["fletcher16"]),
    ],
)
def test_a_word_or_a_width_picks_codes(linkbudget, arguments, names):
    ran = linkbudget("crc", "list", *arguments, "--json")
    if not names:
        assert (ran.code, ran.out) == (2, "")
        return
    assert [row["name"] for row in document(ran)["algorithms"]] == names


def test_one_code_in_full(linkbudget):
    out = linkbudget("crc", "list", "x-25").out
    for text in (
        "8408   reversed",
        "8810   Koopman",
        "F0B8   register",
        "1D0F   the same",
        "0F47   over both",
    ):
        assert text in out
    assert "Also known as" in out
    assert "depends on the message" in linkbudget("crc", "list", "CRC-15/CAN").out
    assert "sum8: 8 bits." in linkbudget("crc", "list", "sum8").out


@pytest.mark.parametrize("row", VECTORS[::7], ids=lambda row: f"{row[0]}-{row[1][:16]}")
def test_published_vectors_on_the_command_line(linkbudget, row):
    name, message, value, on_the_line, _, _ = row
    found = document(linkbudget("crc", "compute", name, "--hex", message, "--json"))
    assert found["value"] == int(value, 16)
    if on_the_line is not None:
        assert bytes.fromhex(found["wire"]) == bytes.fromhex(on_the_line)


def test_data_come_as_text_bytes_or_a_file(linkbudget, tmp_path):
    path = tmp_path / "beans.bin"
    path.write_bytes(b"123456789")
    pages = {
        linkbudget("crc", "compute", "CRC-16/IBM-3740", *how).out
        for how in (["--text", "123456789"], ["--hex", "31 32 33343536373839"], ["--file", path])
    }
    assert pages == {"CRC-16/IBM-3740 of 9 bytes: 29B1\n\nOn the wire: 29 b1 (most significant byte first)\n"}


def test_a_crc_of_ones_own(linkbudget):
    own = ["--width", "16", "--poly", "0x8005", "--init", "0xFFFF", "--refin", "--refout"]
    found = document(linkbudget("crc", "compute", *own, "--text", "123456789", "--json"))
    assert (found["name"], found["value"], found["wire"]) == ("own", 0x4B37, "37 4b")
    assert "up to 3 flipped bits are" in linkbudget("crc", "strength", *own, "--data-bytes", "8").out


@pytest.mark.parametrize(
    ("poly", "told"),
    [
        ("0x8810", "0x8810 has no end term +1; as Koopman's notation, which leaves it out, it is 0x1021\n"),
        ("0x1020", "0x1020 has no end term +1\n"),
    ],
)
def test_a_polynomial_without_its_end_term_is_computed_and_told(linkbudget, poly, told):
    ran = linkbudget("crc", "compute", "--width", "16", "--poly", poly, "--text", "a")
    assert ran.code == 0
    assert ran.err == f"linkbudget: warning: poly {told}"


def test_strength_without_a_length(linkbudget):
    found = document(linkbudget("crc", "strength", "CRC-16/T10-DIF", "--json"))
    assert found["lengths"] == {"3": 65519, "4": 353, "5": 47, "6": 23, "7": 8, "8": 2}
    assert "weights" not in found
    page = linkbudget("crc", "strength", "CRC-16/T10-DIF").out
    assert page.startswith("CRC-16/T10-DIF: two flipped bits are always detected in up to 65,519 bits.")


def test_strength_at_a_length(linkbudget):
    line = ["--bit-error-rate", "1e-5", "--rate", "30"]
    arguments = ["crc", "strength", "CRC-8/SMBUS", "--data-bits", "256", *line]
    found = document(linkbudget(*arguments, "--json"))
    assert found["weights"]["2"] == 147
    assert found["undetected_probability"] == pytest.approx(1.466155e-08, rel=1e-6)
    page = linkbudget(*arguments).out
    assert page.startswith("CRC-8/SMBUS over 32 bytes: one flipped bit is always detected.")
    assert "longer than the order of the polynomial: two flips 127 bits apart" in page
    assert "It starts at zero" in page
    assert "A good frame leaves the register where it started" in page
    assert "1.47e-08   bit error rate 1e-05" in page
    assert max(map(len, page.splitlines())) <= 80


def test_a_wide_code_says_that_its_figure_is_a_bound(linkbudget):
    line = ["--bit-error-rate", "1e-5", "--rate", "30"]
    page = linkbudget("crc", "strength", "CRC-32/ISO-HDLC", "--data-bytes", "8", "--distance", "4", *line).out
    assert "up to 3 flipped bits are always detected (more\nwere not looked for)." in page
    assert "of one frame    at most " in page


def test_compared_by_distance(linkbudget):
    ran = linkbudget("crc", "compare", "--data-bytes", "16", "--distance", "6")
    assert ran.code == 0
    assert ran.out.startswith("CRC-16/DNP reaches distance 6 with 2 bytes.")
    assert "CRC-16/EN-13757" in ran.out


def test_compared_by_frames_a_year(linkbudget):
    wish = ["--undetected-per-year", "0.01", "--bit-error-rate", "1e-4", "--rate", "30"]
    names = ["CRC-8/ROHC", "CRC-16/MODBUS", "CRC-16/DNP", "CRC-32/ISCSI"]
    found = document(linkbudget("crc", "compare", *names, "--data-bytes", "64", *wish, "--json"))
    assert [row["name"] for row in found["rows"]] == [names[3], names[0], names[1], names[2]]
    strong = [row for row in found["rows"] if row["strong_enough"]]
    assert found["best"] == strong[0]["name"]
    assert all(row["undetected_per_year"] <= 0.01 for row in strong)


def test_named_codes_side_by_side(linkbudget):
    names = ["CRC-16/IBM-3740", "CRC-16/DNP", "CRC-32/ISCSI"]
    ran = linkbudget("crc", "compare", *names, "--data-bytes", "512", "--distance", "7")
    assert ran.code == 1
    assert ran.out.startswith("None of these CRCs reaches distance 7.")
    assert ran.out.count("(too weak)") == 3
    ran = linkbudget("crc", "compare", *names, "--data-bytes", "64", "--bit-error-rate", "1e-5")
    assert (ran.code, ran.out.splitlines()[0]) == (0, "3 CRCs over 64 bytes of data.")
    assert "≤" in ran.out


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["lsit"], "no command 'lsit' of crc; did you mean 'list'"),
        (["zzz"], "there are: list, compute, strength, compare"),
        (["list", "zzz"], "'zzz' is not allowed"),
        (["list", "modbsu"], "did you mean 'MODBUS'"),
        (["list", "mod", "--width", "9"], "no check code of 9 bits among them; there are: 16"),
        (["compute"], "NAME is missing"),
        (["compute", "CRC-16/MOBDUS", "--text", "x"], "did you mean 'CRC-16/MODBUS'"),
        (["compute", "MODBUS"], "the data are needed, once"),
        (["compute", "MODBUS", "--text", "a", "--hex", "00"], "the data are needed, once"),
        (["compute", "MODBUS", "--hex", "0x1"], "'0x1' is not bytes in hexadecimal"),
        (["compute", "MODBUS", "--poly", "0x7", "--text", "a"], "--poly: for a CRC without a NAME only"),
        (["compute", "none", "--text", "a"], "'none' is no check code"),
        (
            ["compute", "--width", "8", "--poly", "7", "--text", "a"],
            "'7' is no hexadecimal number",
        ),
        (["compute", "MODBUS", "--file", "no-such-file"], "'no-such-file' does not exist"),
        (["strength"], "NAME is missing"),
        (["strength", "CRC-64/XZ"], "width: 64 is not allowed; allowed: 1 to 32 bits"),
        (["strength", "--width", "8", "--poly", "0x107"], "without the top term; did you mean '0x7'?"),
        (["strength", "--width", "16", "--poly", "0x1020"], "an odd number, with the end term"),
        (["strength", "MODBUS", "--rate", "30"], "need --data-bytes"),
        (["strength", "MODBUS", "--data-bytes", "1", "--data-bits", "8"], "one is enough"),
        (["strength", "MODBUS", "--data-bytes", "1", "--bit-error-rate", "2"], "a probability, 0 to 1"),
        (["strength", "sum8"], "sum8 is a simple sum"),
        (["compare", "MODBUS", "Fletcher16", "--data-bytes", "8"], "Fletcher16 is a simple sum"),
        (["compare"], "--data-bytes N is needed"),
        (["compare", "--data-bytes", "8", "--undetected-per-year", "1"], "needs --bit-error-rate and --rate"),
        (["compare", "CRC-16/MOBDUS", "--data-bytes", "8"], "did you mean 'CRC-16/MODBUS'"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
def test_bad_input_is_one_line_and_exit_code_2(linkbudget, arguments, told):
    ran = linkbudget("crc", *arguments)
    assert (ran.code, ran.out) == (2, "")
    assert len(ran.err.splitlines()) == 1
    assert told in ran.err
