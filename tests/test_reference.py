"""The API reference: every public name is told of, nothing refers to nowhere, it can be read and searched.

What is on the pages is held against the interpreter's own `inspect` and `html.parser`.
"""

from __future__ import annotations

import ast
import inspect
import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from enum import Enum
from functools import cache
from html.parser import HTMLParser
from importlib import import_module
from pathlib import Path

import pytest
from browser import Browser, find_browser
from click.testing import CliRunner

import linkbudget
from linkbudget.cli.main import COMMANDS
from linkbudget.reference.__main__ import main
from linkbudget.reference.names import Entry, rooms
from linkbudget.reference.pages import all_pages, first_sentence
from linkbudget.reference.signatures import signature_of
from linkbudget.reference.words import Place, documented, html_of

ROOT = Path(linkbudget.__file__).parent
# Sources for a board: they stand among the modules, and do not run here.
FOR_A_BOARD = {"cost/board_micropython.py", "cost/micropython_bench.py"}


@cache
def pages() -> dict[str, str]:
    return all_pages()


def entries() -> dict[str, Entry]:
    return {f"{entry.module}.{entry.name}": entry for entry in documented().values()}


class Page(HTMLParser):
    """The places of a page, where its links lead, its text, and whether its tags are closed in order."""

    WITHOUT_END = frozenset({"meta", "link", "input"})

    def __init__(self, text: str) -> None:
        super().__init__()
        self.places: list[str] = []
        self.links: list[str] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(text)
        assert not self.open

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.places += [given["id"]] if "id" in given else []
        self.links += [given["href"]] if tag == "a" else []
        if tag not in self.WITHOUT_END:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag, self.getpos()

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@cache
def page(name: str) -> Page:
    return Page(pages()[name])


def article(entry: Entry) -> str:
    """What the reference says of one name, as text."""
    text = pages()[f"{entry.room}.html"]
    inside = re.search(rf'<article id="{re.escape(entry.name)}">(.*?)</article>', text, re.DOTALL)
    assert inside, f"{entry.name} is not on the page of its room"
    return "".join(Page(inside[1]).words)


@pytest.mark.parametrize("name", sorted(linkbudget._HOME_OF))
def test_public_name_is_told_of_with_its_parameters_and_docstring(name):
    value = getattr(import_module(f"linkbudget.{linkbudget._HOME_OF[name]}"), name)
    entry = documented()[id(value)]
    assert entry.public
    assert entry.name == name
    text = article(entry)
    assert f"from linkbudget import {name}" in text
    doc = inspect.getdoc(value)
    assert doc
    last_words = re.sub(r"[`*]", "", doc.split("\n")[0])
    assert last_words in " ".join(re.sub(r"[`*]", "", text).split())
    if inspect.isfunction(value) or inspect.isclass(value):
        at = 0
        for parameter in parameters_of(value):
            found = re.compile(rf"\b{parameter}\b").search(text, at)
            assert found, f"{name}: {parameter} is missing, or not in its place"
            at = found.end()


def parameters_of(value: object) -> list[str]:
    if inspect.isclass(value) and issubclass(value, BaseException | Enum) and "__init__" not in vars(value):
        return []
    return [name for name in inspect.signature(value).parameters if name not in ("args", "kwargs")]


@pytest.mark.parametrize("name", sorted(entries()))
def test_everything_that_is_told_of_has_a_docstring(name):
    entry = entries()[name]
    assert inspect.getdoc(entry.value), f"{name} has no docstring"
    for member, value in entry.public_methods.items():
        assert inspect.getdoc(value), f"{name}.{member} has no docstring"


def documented_places() -> Iterator[tuple[str, str, Place]]:
    """Every docstring of the library, where it stands, and what its names mean there."""
    yield "__init__", linkbudget.__doc__ or "", Place("errors")
    for path in sorted(ROOT.rglob("*.py")):
        inside = path.relative_to(ROOT)
        if "runtime" in inside.parts or path.name == "__main__.py" or inside.as_posix() in FOR_A_BOARD:
            continue
        module = ".".join(inside.with_suffix("").parts).removesuffix(".__init__")
        if module == "__init__":
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        yield from docstrings_in(tree, module, "")


def docstrings_in(node: ast.AST, module: str, kind: str) -> Iterator[tuple[str, str, Place]]:
    if isinstance(node, ast.ClassDef):
        kind = f"{kind}.{node.name}".lstrip(".")
    if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node):
        where = f"{module}:{getattr(node, 'lineno', 1)}"
        yield where, ast.get_docstring(node) or "", Place(module, entry_of(module, kind))
    for child in ast.iter_child_nodes(node):
        yield from docstrings_in(child, module, kind)


def entry_of(module: str, kind: str) -> Entry | None:
    value = import_module(f"linkbudget.{module}") if kind else None
    for name in kind.split(".") if kind else ():
        value = getattr(value, name, None)
    return Entry(kind, module, value, False) if inspect.isclass(value) else None


def test_no_docstring_refers_to_nowhere():
    count, nowhere = 0, []
    for where, doc, place in documented_places():
        dead: list[str] = []
        html_of(doc, place, dead)
        nowhere += [f"{where}: `{name}` is no name that can be found from there" for name in dead]
        count += 1
    assert not nowhere, "\n".join(nowhere)
    assert count > 2000


@pytest.mark.parametrize("text", ["Linc", "Link.lode", "linkbudget.wire.uarts", "Deframer.feet", "1 + 1"])
def test_the_check_sees_a_reference_to_nowhere(text):
    dead: list[str] = []
    html_of(f"See `{text}`.", Place("wire.uart"), dead)
    assert dead == [text]


@pytest.mark.parametrize(
    ("text", "leads_to"),
    [
        ("UartLine", "wire.html#UartLine"),
        ("parse", "wire.html#UartLine.parse"),
        ("baudrate", "wire.html#UartLine.baudrate"),
        ("Link.load", "link.html#Link.load"),
        ("linkbudget.replay.run.replay", "replay.html#replay"),
        ("linkbudget.traffic.align", "traffic.html#module-traffic.align"),
        ("wire.usb_bridge.BRIDGES", "wire.html#module-wire.usb_bridge"),
    ],
)
def test_a_reference_leads_to_its_place(text, leads_to):
    entry = documented()[id(linkbudget.UartLine)]
    assert f'<a href="{leads_to}"><code>{text}</code></a>' in html_of(f"`{text}`", Place("wire.uart", entry))
    name, _, place = leads_to.partition("#")
    assert place in page(name).places


def test_every_link_leads_somewhere_and_every_place_is_there_once():
    count = 0
    for name in pages():
        if not name.endswith(".html"):
            continue
        assert len(set(page(name).places)) == len(page(name).places), name
        for link in page(name).links:
            to, _, place = link.partition("#")
            to = to or name
            assert to in pages(), f"{name}: {link}"
            assert not place or place in page(to).places, f"{name}: {link}"
            count += 1
    assert count > 1500
    rows = json.loads(pages()["names.js"].removeprefix("const NAMES = ").rstrip().removesuffix(";"))
    assert len(rows) > 500
    for name, _, link, _ in rows:
        to, _, place = link.partition("#")
        assert place in page(to).places, name


def test_each_room_has_a_page_that_begins_with_its_sentence():
    told = {room.name for room in rooms()}
    assert told >= {home.partition(".")[0] for home in linkbudget._HOMES}
    for room in rooms():
        sentence = re.sub(r"`", "", first_sentence(room.doc))
        assert sentence in "".join(page(f"{room.name}.html").words)
        assert sentence in "".join(page("index.html").words)


def test_the_help_of_every_command_is_there(linkbudget):
    words = "".join(page("commands.html").words)
    for name in COMMANDS:
        usage = linkbudget(name, "--help").out.splitlines()[0]
        assert usage.partition("]")[0] in words


def test_the_commands_take_both_options_for_help_behind_their_page():
    """Help options are made once for a process: in another one, where the pages come first."""
    code = (
        "from linkbudget.cli.main import run; from linkbudget.reference.pages import all_pages; "
        "all_pages(); raise SystemExit(run(['-h']))"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert (ran.returncode, ran.stderr) == (0, "")
    assert "-h, --help" in "".join(page("commands.html").words)


def test_signatures_are_as_written():
    by_name = {entry.name: entry for entry in documented().values() if entry.public}
    assert str(signature_of(by_name["cobs_encode"])) == "cobs_encode(data: bytes) -> bytes"
    assert str(signature_of(by_name["Edges"])).startswith("class Edges(times: ")


def test_two_runs_write_the_same_files(tmp_path):
    # In two processes: the order of sets differs from one to the other.
    for seed in ("1", "2"):
        code = [sys.executable, "-m", "linkbudget.reference", str(tmp_path / seed)]
        subprocess.run(
            code, check=True, env={**os.environ, "PYTHONHASHSEED": seed}, stdout=subprocess.DEVNULL
        )
    written = {path.name: path.read_bytes() for path in (tmp_path / "1").iterdir()}
    assert written == {path.name: path.read_bytes() for path in (tmp_path / "2").iterdir()}
    assert written["index.html"].decode() == pages()["index.html"]


def test_a_folder_that_cannot_be_is_told_in_one_line(tmp_path):
    (tmp_path / "taken").write_text("a file")
    ran = CliRunner().invoke(main, [str(tmp_path / "taken" / "inside")])
    assert ran.exit_code == 2
    assert "Not a directory; expected a folder to write to" in ran.stderr.splitlines()[-1]


def test_what_is_missing_is_told_with_what_brings_it(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "linkbudget.reference.pages", None)
    ran = CliRunner().invoke(main, [str(tmp_path)])
    assert ran.exit_code == 2
    assert 'pip install "linkbudget[rig]" brings it' in ran.stderr.splitlines()[-1]


@pytest.fixture(scope="module")
def browser():
    program = find_browser()
    if program is None:
        pytest.skip("no Chromium")
    opened = Browser(program)
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("reference")
    for name, text in pages().items():
        (made / name).write_text(text, encoding="utf-8")
    return made


def keep(browser: Browser, name: str) -> None:
    """``LINKBUDGET_SCREENSHOTS=folder`` keeps the pictures, to be looked at."""
    if kept := os.environ.get("LINKBUDGET_SCREENSHOTS"):
        browser.picture(Path(kept) / f"reference-{name}.png")


@pytest.mark.parametrize("dark", [False, True])
@pytest.mark.parametrize("width", [360, 1300])
@pytest.mark.parametrize("name", ["index", "replay", "frame", "commands"])
def test_a_page_fits_its_window_and_complains_of_nothing(browser, folder, name, width, dark):
    browser.media(dark=dark)
    browser.open(folder / f"{name}.html", width, 900)
    keep(browser, f"{name}-{width}-{'dark' if dark else 'light'}")
    assert browser.value("document.documentElement.scrollWidth") <= width
    assert browser.complaints() == []


@pytest.mark.parametrize("dark", [False, True])
def test_text_can_be_told_from_its_ground(browser, folder, dark):
    """Contrast of 4.5 or more: Web Content Accessibility Guidelines 2.1, success criterion 1.4.3."""
    browser.media(dark=dark)
    browser.open(folder / "frame.html", 1300, 900)
    for where in ("p", "a", "h2.module", "dd, .import", "pre", "nav a[aria-current]", "footer"):
        ink, ground = browser.value(
            f"""(() => {{
              const one = document.querySelector({where!r});
              let under = one;
              const clear = (c) => c === "rgba(0, 0, 0, 0)" || c === "transparent";
              while (clear(getComputedStyle(under).backgroundColor)) under = under.parentElement;
              return [getComputedStyle(one).color, getComputedStyle(under).backgroundColor];
            }})()"""
        )
        assert contrast(ink, ground) >= 4.5, where


def contrast(ink: str, ground: str) -> float:
    """The contrast ratio of WCAG 2.1 of two colours."""

    def luminance(colour: str) -> float:
        parts = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
        linear = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(ink), luminance(ground)))
    return (high + 0.05) / (low + 0.05)


def test_a_name_is_found_and_gone_to_by_the_keyboard(browser, folder):
    browser.media()
    browser.open(folder / "index.html", 1300, 900)
    browser.key("/")
    for letter in "deframer":
        browser.key(letter)
    keep(browser, "search")
    found = browser.value("[...document.querySelectorAll('#found a')].map((a) => a.firstChild.data)")
    assert found[0] == "Deframer"
    assert "Deframer.feed" in found
    browser.events.clear()
    browser.value("document.querySelector('form').requestSubmit()")
    browser.wait_for("Page.loadEventFired")
    assert browser.value("location.href").endswith("frame.html#Deframer")


def test_words_of_no_name_are_found_in_sentences_or_said_to_be_nowhere(browser, folder):
    browser.open(folder / "wire.html", 1300, 900)
    for words, first in (("sampling margin", "sampling_margin"), ("zzz", None)):
        browser.value(
            "(() => { const i = document.getElementById('search');"
            f" i.value = {words!r}; i.dispatchEvent(new Event('input')); }})()"
        )
        found = browser.value("[...document.querySelectorAll('#found a')].map((a) => a.firstChild.data)")
        assert (found[0] if found else None) == first
    assert browser.value("document.querySelector('#found .none').textContent").startswith(
        "Nothing of that name"
    )


def test_without_a_script_all_names_are_there():
    links = page("index.html").links
    for entry in documented().values():
        assert not entry.public or f"{entry.room}.html#{entry.name}" in links


def test_readme_and_developers_tell_how_to_write_it():
    for name in ("README.md", "DEVELOPERS.md"):
        text = (ROOT.parent / name).read_text(encoding="utf-8")
        assert "`python -m linkbudget.reference build/reference`" in text
