"""A batch as JUnit XML (`junit` says what shape that is): a suite for each link, a case for each capture.

A capture under a link with an unmet requirement is a ``failure`` with the sentences that say so, one that
could not be replayed an ``error``, one that holds other traffic or was not done is ``skipped``.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree

from linkbudget.report.junit import requirement_sentence, told
from linkbudget.study.batch_columns import DONE, OTHER

if TYPE_CHECKING:
    from linkbudget.study.batch_result import Batch

__all__ = ["batch_junit_xml"]

UNDONE = "not done: the batch was stopped before"


def batch_junit_xml(batch: Batch) -> str:
    """Return the requirements of a batch as JUnit XML."""
    requirements: dict[tuple[str, str], list[Mapping[str, Any]]] = defaultdict(list)
    for row in batch.tables["requirements"]:
        requirements[row["link"], row["capture"]].append(row)
    found = {(row["link"], row["capture"]): row for row in batch.replays}
    root = ElementTree.Element("testsuites", {"name": "linkbudget"})
    all_counts: Counter[str] = Counter()
    for link in batch.links:
        suite = ElementTree.SubElement(root, "testsuite")
        counts: Counter[str] = Counter({"tests": len(batch.captures)})
        for capture in batch.captures:
            came = found.get((link, capture))
            counts[_case(suite, link, capture, came, requirements[link, capture])] += 1
        suite.attrib.update({"name": told(f"linkbudget replay --each: {link}"), **_attributes(counts)})
        suite.attrib["skipped"] = str(counts["skipped"])
        all_counts += counts
    root.attrib.update(_attributes(all_counts))
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="utf-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def _attributes(counts: Counter[str]) -> dict[str, str]:
    return {**{name: str(counts[name]) for name in ("tests", "failures", "errors")}, "time": "0"}


def _case(
    suite: ElementTree.Element,
    link: str,
    capture: str,
    row: Mapping[str, Any] | None,
    requirements: list[Mapping[str, Any]],
) -> str:
    """Add a test case and return how it is counted."""
    attributes = {"classname": told(link), "name": told(capture), "time": "0"}
    case = ElementTree.SubElement(suite, "testcase", attributes)
    if row is None or row["state"] == OTHER:
        text = UNDONE if row is None else row["error"]
        ElementTree.SubElement(case, "skipped", {"message": told(text)})
        return "skipped"
    if row["state"] != DONE:
        error = ElementTree.SubElement(case, "error", {"message": told(row["error"]), "type": "capture"})
        error.text = told(row["error"])
        return "errors"
    named = [{**one, "name": one["requirement"]} for one in requirements]
    unmet = [requirement_sentence(one) for one in named if one["met"] is False]
    if unmet:
        text = told(" ".join(unmet))
        ElementTree.SubElement(case, "failure", {"message": text, "type": "requirement"}).text = text
        return "failures"
    judged = any(one["met"] is not None for one in named)
    if not judged:
        ElementTree.SubElement(case, "skipped", {"message": "no requirement that a replay can judge"})
        return "skipped"
    return "passed"
