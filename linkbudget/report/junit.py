"""Requirements as JUnit XML, the form in which build servers read the results of tests.

One ``testcase`` for each requirement, with ``limit``, ``value`` and ``headroom`` as its properties (what is
not known is left out). One that is not met is a ``failure`` with the sentence that says so; one that the
command cannot judge is ``skipped``. There is no published standard; the shape is the one build servers have
in common (from memory: ``testsuites`` > ``testsuite`` > ``testcase``, counts as attributes, properties inside
a test case as pytest writes them). No time of day and no name of a machine is written: the same input gives
the same file.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any
from xml.etree import ElementTree

from linkbudget.report.terminal import Document
from linkbudget.study.limit_figures import limit_figures

__all__ = ["junit_xml", "requirement_sentence"]

KINDS = {True: "passed", False: "failures", None: "skipped"}
FIGURES = ("limit", "value", "headroom")
# What XML 1.0 (section 2.2, Char) has no way to write.
UNWRITABLE = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def junit_xml(document: Document, command: str, files: Sequence[str]) -> str:
    """Return the requirements of a result (its dict) as JUnit XML; ``files`` are what the command read."""
    rows: Sequence[Mapping[str, Any]] = document["requirements"]
    found = [KINDS[row["met"]] for row in rows]
    counts = {"tests": len(rows), "failures": found.count("failures"), "errors": 0, "time": 0}
    attributes = {key: str(count) for key, count in counts.items()}
    skipped = {"skipped": str(found.count("skipped"))}
    root = ElementTree.Element("testsuites", {"name": "linkbudget", **attributes})
    suite = ElementTree.SubElement(
        root, "testsuite", {"name": f"linkbudget {command}", **attributes, **skipped}
    )
    _properties(suite, {"command": command, **{f"file{place}": file for place, file in enumerate(files, 1)}})
    for row in rows:
        _case(suite, row, command)
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="utf-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def requirement_sentence(row: Mapping[str, Any]) -> str:
    """Return what a requirement's row says, in a sentence."""
    name, over = row["name"], -(row["headroom"] or 0)
    limit, value, excess = limit_figures(row["limit"], row["value"], over)
    if row["met"] is None:
        return f"{name} (at most {limit}) is not judged by this command"
    if row["value"] is None:
        return f"In the model, {name} has no value, at most {limit} is asked for."
    text = f"In the model, {name} is {value}, at most {limit} is asked for"
    return f"{text}." if row["met"] else f"{text} ({excess} over)."


def told(text: str) -> str:
    """Return a text without the characters that XML cannot hold; each becomes a replacement character."""
    return UNWRITABLE.sub("�", text)


def _case(suite: ElementTree.Element, row: Mapping[str, Any], command: str) -> None:
    attributes = {"classname": f"linkbudget.{command}", "name": told(row["name"]), "time": "0"}
    case = ElementTree.SubElement(suite, "testcase", attributes)
    _properties(case, {key: row[key] for key in FIGURES if row[key] is not None})
    sentence = told(requirement_sentence(row))
    if row["met"] is None:
        ElementTree.SubElement(case, "skipped", {"message": sentence})
    elif not row["met"]:
        failure = ElementTree.SubElement(case, "failure", {"message": sentence, "type": "requirement"})
        failure.text = sentence


def _properties(parent: ElementTree.Element, values: Mapping[str, object]) -> None:
    holder = ElementTree.SubElement(parent, "properties")
    for name, value in values.items():
        ElementTree.SubElement(holder, "property", {"name": name, "value": told(str(value))})
