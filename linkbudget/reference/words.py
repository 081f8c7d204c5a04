"""Docstrings to HTML, and what a name in backticks refers to.

Docstrings are paragraphs, lists, indented blocks and examples for the interpreter. In them ``code`` in double
backticks stands for itself; a name in single ones is a reference, which has to lead somewhere: to a member of
the same class, to what the name means in the module, to a public name, to a module or what is in it, to a
command, or to a library.
"""

from __future__ import annotations

import builtins
import inspect
import re
from collections.abc import Sequence
from functools import cache
from html import escape
from importlib import import_module
from importlib.util import find_spec
from pkgutil import walk_packages
from typing import Any

from markdown_it import MarkdownIt
from markdown_it.token import Token

from linkbudget.reference.names import PACKAGE, Entry, members, rooms, source_of, spelled

__all__ = ["Place", "anchor_of", "documented", "html_of", "link_to", "linked_code", "meaning_of"]

REFERENCE = re.compile(r"[A-Za-z_]\w*(\.\w+)*")
EXAMPLE = re.compile(r"^( *)>>> .*(?:\n(?!\s*\n).*)*", re.MULTILINE)
IDENTIFIER = re.compile(r"(?<![\w.\"'])[A-Za-z_]\w*(?:\.\w+)*")


class Place:
    """Where a text stands: its module, and the class or function it is about, if any."""

    def __init__(self, module: str, entry: Entry | None = None) -> None:
        self.module = module
        self.entry = entry

    @property
    def page(self) -> str:
        """The page it stands on."""
        return self.module.partition(".")[0]


@cache
def documented() -> dict[int, Entry]:
    """Return every name that is told of, by the identity of what it means."""
    return {id(entry.value): entry for room in rooms() for entry in room.entries}


def anchor_of(entry: Entry, member: str = "") -> str:
    """Return the place on its page of a name or of a member of it."""
    return f"{entry.name}.{member}" if member else entry.name


def link_to(entry: Entry, member: str = "") -> str:
    """Return the link that leads there, from any page."""
    return f"{entry.room}.html#{anchor_of(entry, member)}"


def meaning_of(text: str, place: Place) -> str | None:
    """Return where a reference leads: a link, empty when to something without a page, None for nowhere."""
    if not REFERENCE.fullmatch(text.removesuffix("()").removesuffix(".py")):
        return "" if _is_command(text) else None
    name = text.removesuffix("()").removesuffix(".py")
    for look in (_in_class, _in_module, _exported, _in_room, _in_package, _elsewhere):
        found = look(name, place)
        if found is not None:
            return found
    return None


def html_of(doc: str, place: Place, dead: list[str] | None = None) -> str:
    """Return a docstring as HTML; references that lead nowhere are added to ``dead``."""
    return str(_markdown().render(EXAMPLE.sub(_fenced, doc), {"place": place, "dead": dead}))


def linked_code(text: str, place: Place) -> str:
    """Return Python as HTML, its names linked to where they are told of."""
    made, at = [], 0
    for match in IDENTIFIER.finditer(text):
        found = spelled(f"{PACKAGE}.{place.module}").get(match[0])
        entry = documented().get(id(found)) if found is not None else None
        if entry is not None:
            link = f'<a href="{link_to(entry)}">{escape(match[0])}</a>'
            made += [escape(text[at : match.start()]), link]
            at = match.end()
    return "".join([*made, escape(text[at:])])


@cache
def _markdown() -> MarkdownIt:
    kinds = ["list", "code", "fence", "backticks", "table", "emphasis"]
    markdown = MarkdownIt("zero").enable(kinds)
    markdown.add_render_rule("code_inline", _code)
    return markdown


def _code(_renderer: Any, tokens: Sequence[Token], at: int, _options: Any, env: Any) -> str:
    """Code in backticks; in single ones, a link to what it names."""
    token = tokens[at]
    text = f"<code>{escape(token.content)}</code>"
    if token.markup != "`":
        return text
    to = meaning_of(token.content, env["place"])
    if to is None and env["dead"] is not None:
        env["dead"].append(token.content)
    return f'<a href="{escape(to)}">{text}</a>' if to else text


def _fenced(match: re.Match[str]) -> str:
    """An example for the interpreter, as a block of code."""
    lines = [line.removeprefix(match[1]) for line in match[0].split("\n")]
    return "\n".join(match[1] + line for line in ("```", *lines, "```"))


def _path(value: Any, path: Sequence[str]) -> tuple[Any, bool]:
    """Follow attributes; the second value says whether they are there. Fields of a dataclass count."""
    for name in path:
        fields = getattr(value, "__dataclass_fields__", {})
        if not hasattr(value, name) and name not in fields and name not in _annotated(value):
            return None, False
        value = getattr(value, name, fields.get(name))
    return value, True


def _annotated(value: Any) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for base in getattr(value, "__mro__", ()):
        if base.__module__.partition(".")[0] == PACKAGE:
            found |= vars(base).get("__annotations__", {})
    return found


def _to(first: Any, path: Sequence[str]) -> str | None:
    """Return the link to ``first.path``, empty when it is there and told of nowhere, None when it is not."""
    there = _path(first, path)[1]
    if not there:
        return None
    entry = documented().get(id(first))
    if entry is not None:
        return link_to(entry, ".".join(path))
    return _to(getattr(first, path[0]), path[1:]) if path and hasattr(first, path[0]) else ""


def _in_class(name: str, place: Place) -> str | None:
    kind = place.entry.value if place.entry else None
    if not inspect.isclass(kind):
        return None
    first = name.partition(".")[0]
    fields = getattr(kind, "__dataclass_fields__", {})
    known = first in members(kind) or first in fields or first in _annotated(kind)
    return _to(kind, [first]) if known else None


def _in_module(name: str, place: Place) -> str | None:
    first, *path = name.split(".")
    meaning = spelled(f"{PACKAGE}.{place.module}")
    if first in meaning:
        return _to(meaning[first], path)
    # A method of some class of the module, as its docstring speaks of it.
    named = source_of(f"{PACKAGE}.{place.module}")
    return "" if not path and any(one.endswith(f".{first}") for one in named) else None


def _exported(name: str, place: Place) -> str | None:
    first, *path = name.split(".")
    for entry in documented().values():
        if entry.public and entry.name == first:
            return _to(entry.value, path)
    return None


def _in_package(name: str, place: Place) -> str | None:
    """A module of the library, or something in it; named from where it stands, its room, or the package."""
    parents = f"{PACKAGE}.{place.module}".split(".")
    starts = [".".join([*parents[:count], name]) for count in range(len(parents), 0, -1)]
    for full in (*starts, name):
        parts = full.split(".")
        if parts[0] != PACKAGE or len(parts) == 1:
            continue
        for count in range(len(parts), 1, -1):
            module, path = ".".join(parts[:count]), parts[count:]
            if _is_module(module):
                found = _to(import_module(module), path) if path else ""
                if found is not None:
                    return found or _link_to_module(module)
    return None


def _in_room(name: str, place: Place) -> str | None:
    """What is defined somewhere else in the same room, by its bare name."""
    first, *path = name.split(".")
    module = _homes(place.page).get(first)
    return _to(getattr(import_module(module), first), path) if module else None


@cache
def _homes(room: str) -> dict[str, str]:
    """The classes and functions of a room, and the first module that defines each."""
    package = import_module(f"{PACKAGE}.{room}")
    found: dict[str, str] = {}
    for info in walk_packages(getattr(package, "__path__", ()), f"{package.__name__}."):
        for name in source_of(info.name):
            found.setdefault(name, info.name)
    return found


def _link_to_module(module: str) -> str:
    inside = module.partition(".")[2]
    for room in rooms():
        if room.name == inside:
            return f"{room.name}.html"
        if any(section.module == inside for section in room.sections):
            return f"{room.name}.html#module-{inside}"
    return ""


def _is_module(name: str) -> bool:
    try:
        return find_spec(name) is not None
    except ModuleNotFoundError:
        return False


def _elsewhere(name: str, place: Place) -> str | None:
    """A command, something built in, or a library."""
    first, *path = name.split(".")
    if hasattr(builtins, first) or _is_command(name):
        return ""
    if not _is_module(first):
        return None
    # What a library holds is taken as it is said when it comes from one that need not be there.
    return "" if not path or _is_module(name) or _path(import_module(first), path)[1] else None


def _is_command(text: str) -> bool:
    from linkbudget.cli.main import COMMANDS

    return text.split()[0] in COMMANDS
