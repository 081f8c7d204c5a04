"""The pages: an overview, one for each room, one for the commands; style, script, and what is searched."""

from __future__ import annotations

import enum
import inspect
import json
import re
from collections.abc import Iterator
from html import escape
from importlib import import_module
from importlib.resources import files
from typing import Any

from linkbudget.reference.names import PACKAGE, Entry, Room, Section, members, rooms
from linkbudget.reference.signatures import Signature, attribute_docs, signature_of, signature_of_member
from linkbudget.reference.words import Place, anchor_of, html_of, link_to, linked_code

__all__ = ["all_pages"]

TITLE = "linkbudget: API reference"


def all_pages() -> dict[str, str]:
    """Return every file of the reference, by its name: the same ones for the same sources."""
    static = files(__package__) / "static"
    made = {name: (static / name).read_text(encoding="utf-8") for name in ("reference.css", "search.js")}
    rows = ",\n".join(json.dumps(row, ensure_ascii=False) for row in _findable())
    made["names.js"] = f"const NAMES = [\n{rows}\n];\n"
    made["index.html"] = _page("Overview", "", _overview(), "")
    made["commands.html"] = _page("Commands", "commands", "".join(_commands()), "")
    for room in rooms():
        made[f"{room.name}.html"] = _page(room.name, room.name, _room(room), _beside(room))
    return made


def first_sentence(doc: str) -> str:
    """Return the first sentence of a docstring, or its first line where it ends without a full stop."""
    paragraph = " ".join(doc.strip().split("\n\n")[0].split())
    return re.split(r"(?<=[.:]) (?=[A-Z`])", paragraph)[0]


def _page(title: str, here: str, content: str, beside: str) -> str:
    pages = [("", "Overview"), *((room.name, room.name) for room in rooms()), ("commands", "Commands")]
    links = ""
    for name, text in pages:
        current = ' aria-current="page"' if name == here else ""
        links += f'<li><a href="{name or "index"}.html"{current}>{text}</a></li>'
    template = (files(__package__) / "static" / "page.html").read_text(encoding="utf-8")
    values = {
        "title": f"{title} – {TITLE}",
        "pages": links,
        "beside": beside,
        "content": content,
        "version": import_module(PACKAGE).__version__,
    }
    return re.sub(r"\{\{(\w+)\}\}", lambda match: values[match[1]], template)


def _overview() -> str:
    doc = inspect.cleandoc(import_module(PACKAGE).__doc__ or "")
    parts = [f"<h1>{TITLE}</h1>", html_of(doc, Place("errors"))]
    for room in rooms():
        sentence = html_of(first_sentence(room.doc), Place(room.name))
        names = "".join(_line(entry) for entry in room.entries if entry.public)
        heading = f'<h2><a href="{room.name}.html">{room.name}</a></h2>'
        parts.append(f"<section>{heading}{sentence}<dl>{names}</dl></section>")
    return "".join(parts)


def _line(entry: Entry) -> str:
    sentence = html_of(first_sentence(_doc(entry.value)), Place(entry.module, entry)).strip()
    text = sentence.removeprefix("<p>").removesuffix("</p>")
    return f'<dt><a href="{link_to(entry)}"><code>{entry.name}</code></a></dt><dd>{text}</dd>'


def _beside(room: Room) -> str:
    """The names of a page, to go to."""
    parts = []
    for public, heading in ((True, "Import from linkbudget"), (False, "Met from there")):
        names = [entry for entry in room.entries if entry.public is public]
        items = "".join(f'<li><a href="#{anchor_of(entry)}">{entry.name}</a></li>' for entry in names)
        if items:
            parts.append(f"<h2>{heading}</h2><ul>{items}</ul>")
    return f'<details class="beside" open><summary>Names on this page</summary>{"".join(parts)}</details>'


def _room(room: Room) -> str:
    parts = [f"<h1>{room.name}</h1>", html_of(room.doc, Place(room.name))]
    parts += [_section(section, room) for section in room.sections]
    return "".join(parts)


def _section(section: Section, room: Room) -> str:
    name = f"{PACKAGE}.{section.module}"
    head = f'<header id="module-{section.module}"><h2 class="module">{name}</h2>'
    doc = "" if section.module == room.name else html_of(section.doc, Place(section.module))
    return f"<section>{head}{doc}</header>{''.join(_entry(entry) for entry in section.entries)}</section>"


def _entry(entry: Entry) -> str:
    place = Place(entry.module, entry)
    parts = [f'<article id="{anchor_of(entry)}">']
    parts.append(f'<h3><a href="#{anchor_of(entry)}">{entry.name}</a></h3>')
    parts.append(f'<p class="import"><code>{escape(entry.imported_as)}</code></p>')
    parts.append(_code(signature_of(entry), place, entry))
    bases = [base for base in getattr(entry.value, "__bases__", ()) if base is not object]
    if bases:
        names = ", ".join(f"<code>{linked_code(base.__name__, place)}</code>" for base in bases)
        parts.append(f'<p class="import">a kind of {names}</p>')
    parts.append(html_of(_doc(entry.value), place))
    if inspect.isclass(entry.value):
        parts += _values(entry.value, place, entry)
        parts += [_member(entry, name, value, place) for name, value in members(entry.value).items()]
    return "".join([*parts, "</article>"])


def _values(kind: type, place: Place, entry: Entry) -> Iterator[str]:
    """Yield the members of an enumeration, and attributes that have a sentence of their own."""
    docs = attribute_docs(kind)
    if issubclass(kind, enum.Enum):
        docs = {member.name: docs.get(member.name, "") for member in kind}
    for name, doc in docs.items():
        value = getattr(kind, name, None)
        shown = f" = {value.value!r}" if isinstance(value, enum.Enum) else ""
        code = f"<pre><b>{name}</b>{escape(shown)}</pre>"
        # The fields of a dataclass are places already, in its signature.
        is_place = name not in getattr(kind, "__dataclass_fields__", {})
        yield _as_member(anchor_of(entry, name) if is_place else "", code + html_of(doc, place))


def _member(entry: Entry, name: str, value: Any, place: Place) -> str:
    code = _code(signature_of_member(name, value), place, None)
    return _as_member(anchor_of(entry, name), code + html_of(_doc(value), place))


def _as_member(anchor: str, content: str) -> str:
    place = f' id="{anchor}"' if anchor else ""
    return f'<div class="member"{place}>{content}</div>'


def _code(signature: Signature, place: Place, fields_of: Entry | None) -> str:
    """A signature as a block of code; the fields of a class are places that references lead to."""
    head = f"{signature.before}<b>{signature.name}</b>"
    if signature.parameters is None:
        colon = ": " if signature.returns else ""
        return f"<pre>{head}{colon}{linked_code(signature.returns, place)}</pre>"
    made = []
    for parameter in signature.parameters:
        name, colon, rest = parameter.partition(":")
        is_field = fields_of is not None and inspect.isclass(fields_of.value) and name.isidentifier()
        anchor = f' id="{anchor_of(fields_of, name)}"' if fields_of and is_field else ""
        made.append(f"<span{anchor}>{escape(name)}</span>{colon}{linked_code(rest, place)}")
    inside = "\n    " + ",\n    ".join(made) + ",\n" if signature.is_long else ", ".join(made)
    returns = f" -&gt; {linked_code(signature.returns, place)}" if signature.returns else ""
    return f"<pre>{head}({inside}){returns}</pre>"


def _commands() -> Iterator[str]:
    import click

    from linkbudget.cli.main import cli

    yield "<h1>Commands</h1><p>What <code>linkbudget COMMAND --help</code> prints.</p>"
    # With the group's own settings: the options for help that it makes first are kept for the whole process.
    context = click.Context(cli, info_name=PACKAGE, terminal_width=80, **cli.context_settings)
    for name in cli.list_commands(context):
        command = cli.get_command(context, name)
        assert command is not None
        text = command.get_help(click.Context(command, context, info_name=name, terminal_width=80))
        heading = f'<h2><a href="#{name}">{name}</a></h2>'
        yield f'<section id="{name}">{heading}<pre>{escape(text)}</pre></section>'


def _findable() -> Iterator[list[str]]:
    """What the search looks through: name, what it is, its place, its first sentence."""
    for room in rooms():
        for entry in room.entries:
            what = "class" if inspect.isclass(entry.value) else "function"
            yield [entry.name, what, link_to(entry), first_sentence(_doc(entry.value))]
            for name, value in entry.public_methods.items():
                yield [f"{entry.name}.{name}", "member", link_to(entry, name), first_sentence(_doc(value))]
    from linkbudget.cli.main import COMMANDS

    for name, sentence in COMMANDS.items():
        yield [name, "command", f"commands.html#{name}", sentence]


def _doc(value: Any) -> str:
    return inspect.getdoc(value) or ""
