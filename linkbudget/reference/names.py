"""What the reference tells of: every public name, what these take and return, and the modules they live in.

A public name is one that ``from linkbudget import …`` finds. What stands in its annotations and in those of
its methods and properties is told of as well, at the place where it is defined, since users hold such objects
in their hands; and so on from there. So are the modules in `TOLD_OF`, which are imported by their own name.
"""

from __future__ import annotations

import ast
import inspect
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, cached_property
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType
from typing import Any

__all__ = ["TOLD_OF", "Entry", "Room", "Section", "members", "rooms", "source_of", "spelled"]

PACKAGE = __name__.partition(".")[0]
TOLD_OF = ("rig.loop", "rig.plugin", "rig.strategies")
"""Modules that users import, or name, by themselves: what their ``__all__`` lists is told of."""

IDENTIFIER = re.compile(r"[A-Za-z_][\w.]*")


@dataclass(frozen=True, eq=False)
class Entry:
    """A class or a function: its name, the module it is defined in, and whether `linkbudget` exports it."""

    name: str
    module: str
    value: Any
    public: bool

    @property
    def room(self) -> str:
        """The first part of the module: ``wire`` of ``wire.uart``."""
        return self.module.partition(".")[0]

    @property
    def imported_as(self) -> str:
        """The line of Python that brings it."""
        home = PACKAGE if self.public else f"{PACKAGE}.{self.module}"
        return f"from {home} import {self.name}"

    @property
    def public_methods(self) -> dict[str, Any]:
        """What a user calls or reads on it, by name; for a function nothing."""
        return members(self.value) if inspect.isclass(self.value) else {}


@dataclass(frozen=True, eq=False)
class Section:
    """A module with its docstring and those of its names that are told of."""

    module: str
    doc: str
    entries: tuple[Entry, ...]


@dataclass(frozen=True, eq=False)
class Room:
    """A package of the library, or a module of its top: one page."""

    name: str
    doc: str
    sections: tuple[Section, ...]

    @cached_property
    def entries(self) -> tuple[Entry, ...]:
        """All names of the page, in its order."""
        return tuple(entry for section in self.sections for entry in section.entries)


@cache
def rooms() -> tuple[Room, ...]:
    """Return the rooms with all they tell of, in alphabetical order."""
    found = _entries()
    modules = sorted({entry.module for entry in found})
    made = []
    exporting = {entry.module for entry in found if entry.public}
    for name in sorted({module.partition(".")[0] for module in modules}):
        inside = [module for module in modules if module.partition(".")[0] == name]
        sections = tuple(
            Section(module, _doc_of(module), tuple(_in_order(module, found)))
            for module in sorted(inside, key=lambda module: (module not in exporting, module))
        )
        made.append(Room(name, _doc_of(name), sections))
    return tuple(made)


def members(kind: type) -> dict[str, Any]:
    """Return methods, properties and named values of a class and its own bases, as written in the class."""
    found: dict[str, Any] = {}
    for base in kind.__mro__:
        if base.__module__.partition(".")[0] == PACKAGE:
            for name, value in vars(base).items():
                # A field may hold a function by default; it is a field none the less.
                is_field = name in vars(base).get("__dataclass_fields__", {})
                if not name.startswith("_") and not is_field and function_of(value) is not None:
                    found.setdefault(name, value)
    return found


@cache
def source_of(module: str) -> dict[str, ast.stmt]:
    """Return what a module defines, by its dotted name inside of it; of several of one name the last."""
    found: dict[str, ast.stmt] = {}
    spec = find_spec(module)
    # Read, not imported: sources for a board stand among the modules and do not run here.
    tree = ast.parse(Path(str(spec and spec.origin)).read_text(encoding="utf-8"))

    def walk(body: list[ast.stmt], prefix: str) -> None:
        for node in body:
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                found[prefix + node.name] = node
            if isinstance(node, ast.ClassDef):
                walk(node.body, f"{prefix}{node.name}.")

    walk(tree.body, "")
    return found


@cache
def spelled(module: str) -> dict[str, Any]:
    """Return what names mean in a module, those that only type checkers import with them."""
    room = import_module(module)
    meaning = dict(vars(room))
    for node in ast.walk(ast.parse(inspect.getsource(room))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.partition(".")[0] == PACKAGE:
            for alias in node.names:
                meaning.setdefault(alias.asname or alias.name, _imported(node.module, alias.name))
    return meaning


def _imported(module: str, name: str) -> Any:
    """Return what ``from module import name`` brings: something in it, or a module of the package."""
    room = import_module(module)
    return getattr(room, name) if hasattr(room, name) else import_module(f"{module}.{name}")


def _entries() -> list[Entry]:
    """Every public name, and all that is met from there."""
    package = import_module(PACKAGE)
    waiting = [
        (name, getattr(import_module(f"{PACKAGE}.{home}"), name), True)
        for name, home in package._HOME_OF.items()
    ]
    for module in TOLD_OF:
        room = import_module(f"{PACKAGE}.{module}")
        waiting += [(name, getattr(room, name), False) for name in room.__all__]
    found: dict[int, Entry] = {}
    for name, value, public in waiting:  # grows while it is walked through
        module = getattr(value, "__module__", None) or ""
        if id(value) not in found and module.partition(".")[0] == PACKAGE:
            found[id(value)] = Entry(name, module.partition(".")[2], value, public)
            waiting += [(met.__qualname__, met, False) for met in _met(value)]
    return list(found.values())


def _met(value: Any) -> Iterator[type]:
    """Yield the classes in the annotations of a function, or of what is public in a class."""
    if not inspect.isclass(value):
        yield from _named(getattr(value, "__annotations__", {}), value.__module__)
        return
    for base in value.__mro__:
        if base.__module__.partition(".")[0] != PACKAGE:
            continue
        yield base
        fields = vars(base).get("__annotations__", {})
        yield from _named({name: text for name, text in fields.items() if name[0] != "_"}, base.__module__)
        special = [vars(base).get(name) for name in ("__init__", "__getitem__", "__iter__")]
        for member in (*special, *members(base).values()):
            function = function_of(member)
            if function is not None:
                yield from _named(getattr(function, "__annotations__", {}), base.__module__)


def function_of(member: Any) -> Any:
    """Return the function behind a method, a property or a class method; None for other things."""
    if isinstance(member, property):
        return member.fget
    for name in ("__func__", "func", "__wrapped__"):
        member = getattr(member, name, member)
    return member if inspect.isfunction(member) else None


def _named(annotations: dict[str, Any], module: str) -> Iterator[type]:
    for text in annotations.values():
        for name in IDENTIFIER.findall(text if isinstance(text, str) else ""):
            meant = spelled(module).get(name)
            if inspect.isclass(meant):
                yield meant


def _in_order(module: str, found: list[Entry]) -> Iterator[Entry]:
    """Yield the names of a module: those that are exported first, and as they stand in its source."""
    places = {name: at for at, name in enumerate(source_of(f"{PACKAGE}.{module}"))}
    inside = [entry for entry in found if entry.module == module]
    yield from sorted(inside, key=lambda entry: (not entry.public, places.get(entry.name, 0)))


def _doc_of(module: str) -> str:
    room: ModuleType = import_module(f"{PACKAGE}.{module}")
    # The room of `replay` can be called and tells of that as well.
    return inspect.cleandoc(getattr(room, "ROOM_DOC", None) or sys.modules[room.__name__].__doc__ or "")
