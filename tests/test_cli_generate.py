"""`linkbudget generate`: what is written, what is left alone, and what is said when nothing can be."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from linkbudget.cli.main import run
from linkbudget.codegen.names import Scope, identifier
from linkbudget.codegen.target import ANY_TEXT, TARGETS, target_of
from linkbudget.link.model import Link

LINK = """\
[line]
baudrate = 115200

[[message]]
name = "beans"
encoding = "packed-bits"
fields = [
  { name = "int", kind = "integer", minimum = 0, maximum = 100 },
  { name = "größe", kind = "integer", minimum = 0, maximum = 9 },
]

[frame]
delimiting = "cobs"
crc = "CRC-16/IBM-3740"
"""


@pytest.fixture
def link(tmp_path: Path) -> Path:
    path = tmp_path / "link.toml"
    path.write_text(LINK, encoding="utf-8")
    return path


def test_only_what_changed_is_written(link, tmp_path, capsys):
    out = tmp_path / "made"
    command = ["generate", str(link), "--target", "c", "--out", str(out)]
    assert run(command) == 0
    shown = capsys.readouterr()
    names = ["to_controller.c", "to_controller.h", "to_controller_example.c", "vectors.json"]
    assert sorted(path.name for path in out.iterdir()) == names
    assert all(f"written    {out / name}\n" in shown.out for name in names)
    assert "beans.int: 'int' is called 'int_' in the code" in shown.err
    assert "beans.größe: 'größe' is called 'gro_e' in the code" in shown.err
    before = {path: path.stat().st_mtime_ns for path in out.iterdir()}
    with (out / names[1]).open("a", encoding="utf-8") as edited:
        edited.write("/* something else */\n")
    assert run([*command, "--json"]) == 0
    states = {Path(f["path"]).name: f["state"] for f in json.loads(capsys.readouterr().out)["files"]}
    assert states == {name: "changed" if name == names[1] else "unchanged" for name in names}
    assert (out / names[0]).stat().st_mtime_ns == before[out / names[0]]


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--target", "pascal"], "target: there is no 'pascal'; allowed: c"),
        (
            ["--target", "c", "--option", "check=tabel"],
            "check: 'tabel' is not allowed; allowed: small, table",
        ),
        (["--target", "c", "--option", "chek=table"], "did you mean 'check'?"),
        (["--target", "c", "--option", "check"], "is not NAME=VALUE"),
        (["--target", "c", "--option", "fields="], "'fields=' has no value"),
        (
            ["--target", "c", "--option", "check=table", "--option", "check=small"],
            "check is given twice, as 'table' and as 'small'",
        ),
        (["--target", "c", "--prefix", "stdint"], "prefix: 'stdint' would hide the header stdint.h of C"),
        (["--target", "c", "--direction", "to-module"], "no message goes to-module"),
    ],
)
def test_what_cannot_be_is_said_in_one_line(link, tmp_path, capsys, more, said):
    assert run(["generate", str(link), "--out", str(tmp_path / "made"), *more]) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert said in shown.err
    assert shown.err.count("\n") == 1
    assert not (tmp_path / "made").exists()


@pytest.mark.parametrize("target", TARGETS)
def test_a_file_of_somebody_else_is_not_written_over(link, tmp_path, capsys, target):
    out = tmp_path / "made"
    command = ["generate", str(link), "--target", target, "--out", str(out)]
    assert run(command) == 0
    names = sorted(path.name for path in out.iterdir())
    for path in out.iterdir():
        # What was generated, and is old or edited, is written again; so is a file without a byte.
        path.write_bytes(path.read_bytes() + b"\n")
    (out / names[0]).write_bytes(b"")
    capsys.readouterr()
    assert run(command) == 0
    assert capsys.readouterr().out.count("changed    ") == len(names)
    for name in names:
        for path in out.iterdir():
            path.write_bytes(path.read_bytes() + b"\n")
        before = {path: path.read_bytes() for path in out.iterdir()}
        for content in (b"int main(void) { return 0; }\n", b'{"direction": "to-controller"}', None):
            (out / name).unlink()
            if content is None:
                (out / name).mkdir()
            else:
                (out / name).write_bytes(content)
            assert run(command) == 2
            said = capsys.readouterr().err.splitlines()[-1]
            assert said.startswith(f"linkbudget: {out / name}: ")
            assert ("is a folder" if content is None else "was not written by linkbudget generate") in said
            assert content is None or (out / name).read_bytes() == content
            assert all(path.read_bytes() == text for path, text in before.items() if path.name != name)
        (out / name).rmdir()
        assert run(command) == 0


def test_vectors_of_the_other_direction_are_not_replaced_without_a_word(link, tmp_path, capsys):
    out = tmp_path / "made"
    said = "vectors.json: was that of to-controller; give each direction a folder of its own"
    assert run(["generate", str(link), "--target", "sheet", "--out", str(out)]) == 0
    assert "was that of" not in capsys.readouterr().err
    turned = LINK.replace('encoding = "packed', 'direction = "to-module"\nencoding = "packed')
    link.write_text(turned, encoding="utf-8")
    command = ["generate", str(link), "--target", "sheet", "--direction", "to-module", "--out", str(out)]
    assert run(command) == 0
    assert said in capsys.readouterr().err
    assert run(command) == 0
    assert "was that of" not in capsys.readouterr().err


def test_help_names_every_target_and_setting(capsys):
    assert run(["generate", "--help"]) == 0
    shown = capsys.readouterr().out
    for name in TARGETS:
        assert name in shown
        for option, allowed in target_of(name).options.items():
            assert f"{option}={'NAME' if allowed == ANY_TEXT else '|'.join(allowed)}" in shown


def test_options_and_prefix_reach_the_target(link, tmp_path):
    from linkbudget import LinkBudgetWarning, generate

    with pytest.warns(LinkBudgetWarning) as told:
        files = generate(Link.load(link), "c", prefix="reader", check="table")
    assert len(told) == 2
    assert sorted(files) == ["reader.c", "reader.h", "reader_example.c", "vectors.json"]
    assert "by_byte[256]" in files["reader.c"]


def test_names_are_made_safe_in_a_way_that_can_be_foretold():
    assert identifier("2nd lane!") == "n2nd_lane"
    assert identifier("!") == "field"
    assert identifier("Ärger") == "Arger"
    scope = Scope({"int"})
    assert [scope.name(name, "x") for name in ("a b", "a_b", "A_B", "int")] == [
        "a_b",
        "a_b_2",
        "A_B_3",
        "int_",
    ]
    assert [renamed.name for renamed in scope.renamed] == ["a b", "a_b", "A_B", "int"]


def test_messages_that_a_stream_without_delimiting_does_not_show_are_told(link, tmp_path, capsys):
    text = LINK.replace('"cobs"', '"none"')
    said = "warning: beans: has payloads of 2 bytes; without delimiting a receiver finds only those of"
    command = ["generate", str(link), "--target", "sheet", "--out", str(tmp_path / "made")]
    for most, told in ((9, f"{said} max_payload, 9 bytes"), (2, None)):
        link.write_text(f"{text}max_payload = {most}\n", encoding="utf-8")
        assert run(command) == 0
        shown = capsys.readouterr().err
        assert told in shown if told else said not in shown


@pytest.mark.parametrize(
    ("target", "options", "prefix"),
    [
        ("cpython", [], "typing"),
        ("cpython", [], "numpy"),
        ("micropython", [], "machine"),
        ("micropython", ["--option", "form=builtins"], "math"),
        ("micropython", ["--option", "fields=*"], "time"),
    ],
)
def test_a_module_that_would_be_imported_in_place_of_one_of_python_is_refused(
    target, options, prefix, link, tmp_path, capsys
):
    out = tmp_path / "made"
    command = ["generate", str(link), "--target", target, *options, "--out", str(out), "--prefix"]
    assert run([*command, prefix]) == 2
    said = f"linkbudget: prefix: '{prefix}' would hide the module {prefix} of Python; take another one\n"
    assert capsys.readouterr().err == said
    assert not out.exists()
    assert run([*command, f"{prefix}_link"]) == 0
