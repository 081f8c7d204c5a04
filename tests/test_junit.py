"""Requirements as JUnit XML: read back with an independent library, and of the shape build servers share."""

from __future__ import annotations

import json
from xml.etree import ElementTree

import junitparser
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkbudget.capture.files import captures_dir
from linkbudget.report.junit import junit_xml, requirement_sentence

CAPTURES = captures_dir()
LINK, CAPTURE = CAPTURES / "bean-text.toml", CAPTURES / "bean-text.vcd"

# Elements in their order and attributes of the schema that build servers commonly publish (from memory),
# with the properties of a test case that pytest writes.
SHAPE = {
    "testsuites": (["testsuite"], {"name", "tests", "failures", "errors", "time", "disabled"}),
    "testsuite": (
        ["properties", "testcase"],
        {"name", "tests", "failures", "errors", "time", "skipped", "disabled"},
    ),
    "properties": (["property"], set()),
    "property": ([], {"name", "value"}),
    "testcase": (["properties", "skipped", "failure"], {"name", "classname", "time"}),
    "skipped": ([], {"message"}),
    "failure": ([], {"message", "type"}),
}
NEEDED = {"name", "tests", "failures", "errors", "classname", "value"}


def check_shape(element: ElementTree.Element) -> None:
    children, attributes = SHAPE[element.tag]
    assert set(element.attrib) <= attributes
    assert attributes & NEEDED <= set(element.attrib)
    order = [children.index(child.tag) for child in element]
    assert order == sorted(order)
    for child in element:
        check_shape(child)


def row(name="age_us", limit=5, value=4.5, met=True, headroom=0.5):
    return {"name": name, "limit": limit, "value": value, "met": met, "headroom": headroom}


ROWS = [
    row(),
    row("lost", 0, 3, False, -3),
    row("undetected_per_year", 1, None, None, None),
    row("late_us", 10, None, False, None),
]


def properties(case: junitparser.TestCase) -> dict[str, str]:
    return {one.get("name"): one.get("value") for one in case._elem.iter("property")}


def test_each_requirement_is_a_test_case_with_its_figures():
    text = junit_xml({"requirements": ROWS}, "replay", ["link.toml", "capture.vcd"])
    (suite,) = junitparser.JUnitXml.fromstring(text.encode())
    assert (suite.tests, suite.failures, suite.errors, suite.skipped) == (4, 2, 0, 1)
    assert {one.name: one.value for one in suite.properties()} == {
        "command": "replay", "file1": "link.toml", "file2": "capture.vcd",
    }  # fmt: skip
    cases = {case.name: case for case in suite}
    assert list(cases) == ["age_us", "lost", "undetected_per_year", "late_us"]
    assert {case.classname for case in suite} == {"linkbudget.replay"}
    assert properties(cases["age_us"]) == {"limit": "5", "value": "4.5", "headroom": "0.5"}
    assert properties(cases["late_us"]) == {"limit": "10"}
    assert cases["age_us"].is_passed
    assert cases["undetected_per_year"].is_skipped
    (failure,) = cases["lost"].result
    assert isinstance(failure, junitparser.Failure)
    assert failure.message == "In the model, lost is 3, at most 0 is asked for (3 over)."
    assert (
        cases["late_us"].result[0].message == "In the model, late_us has no value, at most 10 is asked for."
    )
    check_shape(ElementTree.fromstring(text))


def test_sentences_say_what_is_met_and_what_is_not_judged():
    assert requirement_sentence(ROWS[0]) == "In the model, age_us is 4.5, at most 5 is asked for."
    assert "is not judged by this command" in requirement_sentence(ROWS[2])


def test_the_shape_check_can_fail():
    with pytest.raises(AssertionError):
        check_shape(ElementTree.fromstring('<testcase name="a" classname="b" host="c"/>'))
    with pytest.raises(AssertionError):
        check_shape(ElementTree.fromstring('<testsuites name="a" tests="1"/>'))


@given(st.text(st.characters(exclude_categories=["Cs"]), max_size=20), st.text(max_size=10))
def test_any_name_and_path_gives_xml_that_can_be_read(name, path):
    path = path.encode("utf-8", "surrogateescape" if path.isascii() else "replace").decode("utf-8", "replace")
    text = junit_xml({"requirements": [row(name, met=False, headroom=-1.0)]}, "budget", [path])
    root = ElementTree.fromstring(text.encode())
    check_shape(root)
    assert len(root.findall(".//failure")) == 1


def test_a_control_character_becomes_a_replacement():
    text = junit_xml({"requirements": [row("a\x00<&\ud800b")]}, "budget", [])
    assert ElementTree.fromstring(text).find(".//testcase").get("name") == "a�<&�b"


@pytest.mark.parametrize(
    ("arguments", "failures", "skipped"),
    [
        (["replay", LINK, CAPTURE, "--phases", 1], 4, 0),
        (["budget", LINK], 2, 2),
        (["choose", LINK, "--brief"], 1, 3),
    ],
)
def test_commands_write_the_file_beside_their_page(linkbudget, tmp_path, arguments, failures, skipped):
    target = tmp_path / "verdict.xml"
    ran = linkbudget(*arguments, "--junit", target, "--json")
    assert ran.code == 0
    document = json.loads(ran.out)
    text = target.read_text(encoding="utf-8")
    check_shape(ElementTree.fromstring(text))
    (suite,) = junitparser.JUnitXml.fromfile(str(target))
    assert (suite.tests, suite.failures, suite.skipped) == (4, failures, skipped)
    limits = {case.name: float(properties(case)["limit"]) for case in suite}
    assert limits == {one["name"]: one["limit"] for one in document["requirements"]}
    if arguments[0] == "budget":  # the same input gives the same file
        linkbudget(*arguments, "--junit", target)
        assert target.read_text(encoding="utf-8") == text


def test_the_file_does_not_change_the_exit_code(linkbudget, tmp_path):
    arguments = ["budget", LINK, "--junit", tmp_path / "verdict.xml"]
    assert linkbudget(*arguments).code == 0
    assert linkbudget(*arguments, "--require").code == 1


def test_a_file_without_requirements_or_that_cannot_be_written_is_told(linkbudget, tmp_path):
    path = tmp_path / "beans.toml"
    path.write_text(LINK.read_text(encoding="utf-8").split("[require]")[0], encoding="utf-8")
    ran = linkbudget("budget", path, "--junit", tmp_path / "verdict.xml")
    assert ran.code == 2
    assert "--junit: the link file has no [require] table" in ran.err
    assert not (tmp_path / "verdict.xml").exists()
    ran = linkbudget("budget", LINK, "--junit", tmp_path / "none" / "verdict.xml")
    assert ran.code == 2
    assert f"there is no folder {tmp_path / 'none'}" in ran.err


@pytest.mark.parametrize("command", ["budget", "choose", "replay", "whatif"])
def test_what_is_read_is_never_written_over(linkbudget, tmp_path, command):
    link, capture = tmp_path / "beans.toml", tmp_path / "beans.vcd"
    for target, source in ((link, LINK), (capture, CAPTURE)):
        target.write_bytes(source.read_bytes())
    more = {"replay": ["--phases", 0], "whatif": ["--brief", "--largest-set", 1]}.get(command, [])
    inputs = [link] if command == "budget" else [link, capture]
    for read in inputs[-1:] if command == "whatif" else inputs:
        ran = linkbudget(command, *inputs, *more, "--junit", read)
        assert (ran.code, ran.out) == (2, "")
        assert f"--junit: {read} is an input of this command" in ran.err
    assert (link.read_bytes(), capture.read_bytes()) == (LINK.read_bytes(), CAPTURE.read_bytes())


def test_a_folder_that_is_not_there_is_told_before_any_work(linkbudget, tmp_path, monkeypatch):
    monkeypatch.setattr("linkbudget.cli.whatif.recorded_characters", None)
    for option in ("--html", "--junit"):
        ran = linkbudget("whatif", LINK, CAPTURE, option, tmp_path / "none" / "found")
        assert ran.code == 2
        assert f"there is no folder {tmp_path / 'none'}" in ran.err
    assert ran.out == ""
