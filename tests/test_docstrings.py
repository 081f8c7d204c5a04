"""Docstrings: every example in them runs, and what a user has to know of a name stands there.

What is looked at are the names of the API reference. Errors are read off the source: what a function raises
itself, or what private helpers of its module raise for it.
"""

from __future__ import annotations

import ast
import dataclasses
import doctest
import inspect
import re
from collections.abc import Callable, Iterator
from enum import Enum
from functools import cache
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

import linkbudget
from linkbudget import Link, byte_budget, choose_format, estimate_line, load_bytes, load_levels, replay
from linkbudget.errors import LinkBudgetError
from linkbudget.reference.names import PACKAGE, Entry, function_of, source_of, spelled
from linkbudget.reference.words import documented

ROOT = Path(linkbudget.__file__).parent
OURS = {name for name, value in vars(linkbudget.errors).items() if inspect.isclass(value)} & {
    kind.__name__ for kind in LinkBudgetError.__subclasses__()
}
NUMBER = re.compile(r"(int|float|Fraction|Number)( \| None)?|int \| float")
# A name that says its unit, or is one.
UNIT_IN_NAME = re.compile(r"(_|^)(ns|us|ms|s|hz|bits|bytes|deg|rad_s|ppm|baudrate|share|counts?|id|year)$")
UNIT = re.compile(
    r"\b(n?s|us|µs|seconds?|(micro|nano)seconds?|hertz|bytes?|bits?|baud|ticks?|degrees?|radians?|unit|"
    r"factor|characters?|passes|trials|flips|frames?|messages?|deadlines|replays|releases|rows?|stretches|shares?|"
    r"part|probability|number|offset|index|place|level|state|value|distance|edges|how (many|often)|CRC|"
    r"period)\b",
    re.IGNORECASE,
)
SHAPE = re.compile(
    r"\beach\b|\bone entry\b|\bone\b|\brows?\b|\bevery\b|\bcolumns?\b|\[n|\bof the\b|\bwhich\b"
)


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
def test_the_examples_of_a_module_run(name, monkeypatch):
    monkeypatch.chdir(ROOT.parent)  # where ``captures/`` is, as in the README
    result = doctest.testmod(import_module(name))
    assert result.attempted > 0
    assert result.failed == 0


def test_an_example_that_is_wrong_fails():
    wrong = doctest.DocTestParser().get_doctest(">>> 1 + 1\n3\n", {}, "wrong", None, 0)
    said: list[str] = []
    assert doctest.DocTestRunner().run(wrong, out=said.append).failed == 1


# What a newcomer calls first: each shows how.
WITH_EXAMPLE = """
    Codec Deframer Edges ByteCapture FrameFormat Link LinkPair MessageLayout MessageReader SettingsError
    Tolerance UartLine baud_setting baud_table byte_budget choose_format cobs_encode crc_algorithm
    decode_characters
    decode_messages deframe_all encoding estimate_line fit_costs generate hamming_distance_lengths hdlc_encode
    infer layout_from_construct load_bytes load_levels open_bytes proportional_loop recommend_crc replay
    sampling_margin second_order_loop slip_encode undetected_probability undetected_weights
"""


@pytest.mark.parametrize("name", WITH_EXAMPLE.split())
def test_what_a_newcomer_calls_first_shows_how(name):
    value = getattr(import_module(f"{PACKAGE}.{linkbudget._HOME_OF[name]}"), name)
    docs = [inspect.getdoc(value) or ""]
    if inspect.isclass(value):
        docs += [inspect.getdoc(getattr(value, member)) or "" for member in dir(value) if member[0] != "_"]
    assert any(">>> " in doc for doc in docs)


@dataclasses.dataclass(frozen=True)
class Told:
    """A function with the docstrings in which a user would look for it: its own, that of its class."""

    where: str
    module: str
    name: str
    annotations: dict[str, Any]
    doc: str
    own: str

    @property
    def returns(self) -> str:
        return str(self.annotations.get("return", ""))


def names() -> dict[str, Entry]:
    return {f"{entry.module}.{entry.name}": entry for entry in documented().values()}


def told(entry: Entry) -> Iterator[Told]:
    """Everything that can be called or read of one name."""
    doc = inspect.getdoc(entry.value) or ""
    where = f"{entry.module}.{entry.name}"
    if not inspect.isclass(entry.value):
        annotations = getattr(entry.value, "__annotations__", {})
        yield Told(where, f"{PACKAGE}.{entry.module}", entry.name, annotations, doc, doc)
        return
    for name in ("__init__", "__post_init__"):
        function = vars(entry.value).get(name)
        if inspect.isfunction(function) and function.__module__.startswith(PACKAGE):
            yield Told(where, function.__module__, function.__qualname__, {}, doc, doc)
    for name, value in entry.public_methods.items():
        own, function = inspect.getdoc(value) or "", function_of(value)
        place = (function.__module__, function.__qualname__)
        yield Told(f"{where}.{name}", *place, function.__annotations__, f"{doc}\n{own}", own)


def raised(module: str, name: str, seen: set[str]) -> set[str]:
    """Our exceptions that a function raises, itself or through private helpers of its module."""
    defined = source_of(module)
    seen.add(name)
    found: set[str] = set()
    for node in ast.walk(defined.get(name, ast.Pass())):
        if isinstance(node, ast.Raise) and node.exc is not None:
            error = node.exc.func if isinstance(node.exc, ast.Call) else node.exc
            found |= ours(spelled(module).get(ast.unparse(error)))
        if isinstance(node, ast.Call):
            found |= helper_raises(module, name, node.func, seen)
    return found


def ours(error: object) -> set[str]:
    """The exception of ours that another one is, or is a kind of."""
    kinds = error.__mro__ if inspect.isclass(error) else ()
    return {kind.__name__ for kind in kinds} & OURS


def kinds_of(error: str) -> list[type]:
    """An exception of ours and what is a kind of it; a docstring may name either."""
    kinds = [getattr(linkbudget, error)]
    for kind in kinds:
        kinds += kind.__subclasses__()
    return kinds


def helper_raises(module: str, caller: str, called: ast.expr, seen: set[str]) -> set[str]:
    own = isinstance(called, ast.Attribute) and ast.unparse(called.value) in ("self", "cls")
    helper = f"{caller.rpartition('.')[0]}.{called.attr}" if own and isinstance(called, ast.Attribute) else ""
    helper = called.id if isinstance(called, ast.Name) else helper
    private = helper.rpartition(".")[2].startswith("_")
    defined = isinstance(source_of(module).get(helper), ast.FunctionDef)
    return raised(module, helper, seen) if private and defined and helper not in seen else set()


@pytest.mark.parametrize("name", sorted(names()))
def test_errors_that_are_raised_are_told_of(name):
    for one in told(names()[name]):
        for error in raised(one.module, one.name, set()):
            said = any(kind.__name__ in one.doc for kind in kinds_of(error))
            assert said, f"{one.where} raises {error}; its docstring does not say so"


def test_the_check_of_errors_sees_those_of_helpers():
    assert raised("linkbudget.wire.uart", "UartLine.transmit_time", set()) == {"SettingsError"}
    assert raised("linkbudget.replay.run", "replay", set()) == {"SettingsError", "CaptureError"}
    assert raised("linkbudget.wire.uart", "UartLine.to_dict", set()) == set()


def holds_arrays(annotation: str, module: str) -> bool:
    """Whether an annotation is that of an array, also by a name that stands for one."""
    meant = [spelled(module).get(word) for word in re.findall(r"[A-Za-z_]\w*", annotation)]
    return "NDArray" in annotation or any("numpy.ndarray" in str(one) for one in meant if one is not None)


@pytest.mark.parametrize("name", sorted(names()))
def test_numbers_have_their_unit_and_arrays_their_shape(name):
    entry = names()[name]
    for one in told(entry):
        last = one.where.rpartition(".")[2]
        if NUMBER.fullmatch(one.returns) and not UNIT_IN_NAME.search(last):
            assert UNIT.search(one.own), f"{one.where}: in what unit is it?"
        if holds_arrays(one.returns, one.module):
            assert SHAPE.search(one.own.lower()), f"{one.where}: what has the array an entry for?"
    if not dataclasses.is_dataclass(entry.value):
        return
    doc = inspect.getdoc(entry.value) or ""
    for field in dataclasses.fields(entry.value):
        if holds_arrays(str(field.type), f"{PACKAGE}.{entry.module}"):
            assert SHAPE.search(doc.lower()), f"{name}: what has {field.name} an entry for?"
            assert entry.public is False or "read-only" in doc, f"{name}: can {field.name} be written to?"


@pytest.mark.parametrize("name", sorted(linkbudget._HOME_OF))
def test_every_parameter_and_field_of_a_public_name_is_spoken_of(name):
    entry = next(one for one in documented().values() if one.public and one.name == name)
    doc = inspect.getdoc(entry.value) or ""
    if inspect.isclass(entry.value) and issubclass(entry.value, BaseException | Enum):
        return
    for parameter in parameters_of(entry.value):
        spoken = re.compile(rf"\b{re.escape(parameter.strip('_').replace('_', ' '))}s?\b")
        found = parameter in doc or spoken.search(" ".join(doc.lower().split()))
        assert found or parameter in SAY_IT_THEMSELVES, f"{name}: {parameter} is not spoken of"


# What every reader knows: the subject of a sentence, and what its name says.
SAY_IT_THEMSELVES = {
    "link",
    "capture",
    "warnings",
    "requirements",
    "messages",
    "name",
    "edges",
    "fields",
    "unit",
}
SAY_IT_THEMSELVES |= {"line", "port", "to"}


def parameters_of(value: object) -> list[str]:
    if inspect.isfunction(value) or inspect.isclass(value):
        given = inspect.signature(value).parameters.values()
        return [one.name for one in given if one.kind not in (one.VAR_POSITIONAL, one.VAR_KEYWORD)]
    return []


@cache
def link() -> Link:
    return Link.load(ROOT.parent / "captures" / "bean-frames.toml")


@cache
def capture() -> Any:
    return load_bytes(ROOT.parent / "captures" / "bean-frames.vcd", link().line)


@cache
def levels() -> Any:
    return load_levels(ROOT.parent / "captures" / "bean-frames.vcd")


# Documents whose keys others rely on: each key is told of where the document is made.
DOCUMENTS: dict[str, Callable[[], Any]] = {
    "ByteBudget": lambda: byte_budget(link()),
    "ByteCapture": lambda: capture(),
    "FormatChoice": lambda: choose_format(link()),
    "LevelCapture": lambda: levels(),
    "Link": lambda: link(),
    "LineEstimate": lambda: estimate_line(next(iter(levels().channels.values()))),
    "Replay": lambda: replay(link(), capture(), phases=0),
}


@pytest.mark.parametrize("name", DOCUMENTS)
def test_the_keys_of_a_document_are_told_of(name):
    result = DOCUMENTS[name]()
    doc = inspect.getdoc(result.to_dict) or ""
    for key in result.to_dict():
        assert re.search(rf"\b{key}\b", doc), f"{name}.to_dict: {key} is not spoken of"
