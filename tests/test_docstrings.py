"""Docstrings: every example in them runs, and what a user has to know of a public name stands there."""

from __future__ import annotations

import ast
import doctest
import re
from importlib import import_module
from pathlib import Path

import pytest

import linkbudget

ROOT = Path(linkbudget.__file__).parent


def modules_with_examples() -> list[str]:
    found = []
    for path in sorted(ROOT.rglob("*.py")):
        docs = [
            ast.get_docstring(node) or ""
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
        ]
        if any(re.search(r"^\s*>>> ", doc, re.MULTILINE) for doc in docs):
            parts = path.relative_to(ROOT.parent).with_suffix("").parts
            found.append(".".join(parts).removesuffix(".__init__"))
    return found


@pytest.mark.parametrize("name", modules_with_examples())
def test_the_examples_of_a_module_run(name):
    result = doctest.testmod(import_module(name), optionflags=doctest.ELLIPSIS)
    assert result.attempted > 0
    assert result.failed == 0


def test_an_example_that_is_wrong_fails():
    wrong = doctest.DocTestParser().get_doctest(">>> 1 + 1\n3\n", {}, "wrong", None, 0)
    said: list[str] = []
    assert doctest.DocTestRunner().run(wrong, out=said.append).failed == 1
