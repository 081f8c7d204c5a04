"""The lazy public names: the block for editors, the table of homes and `__all__` say the same."""

from __future__ import annotations

import ast
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

import linkbudget

HOMES = {name: module for module, names in linkbudget._HOMES.items() for name in names}


def names_for_editors() -> dict[str, str]:
    tree = ast.parse(Path(linkbudget.__file__).read_text(encoding="utf-8"))
    block = next(node for node in tree.body if isinstance(node, ast.If))
    assert ast.unparse(block.test) == "TYPE_CHECKING"
    found = {}
    for node in block.body:
        assert isinstance(node, ast.ImportFrom)
        for alias in node.names:
            assert alias.asname == alias.name, f"{alias.name} is not re-exported for type checkers"
            found[alias.name] = str(node.module).removeprefix("linkbudget.")
    return found


def test_editors_see_the_same_names_as_the_interpreter():
    assert names_for_editors() == HOMES


def test_all_lists_every_name_once():
    assert linkbudget.__all__ == ["__version__", *sorted(HOMES)]
    assert len(set(linkbudget.__all__)) == len(linkbudget.__all__)


@pytest.mark.parametrize("name", sorted(HOMES))
def test_name_is_importable_and_lives_where_the_table_says(name):
    home = getattr(import_module(f"linkbudget.{HOMES[name]}"), name)
    value = getattr(linkbudget, name)
    if name == "replay":  # also the name of the room, which passes calls on
        assert value is import_module("linkbudget.replay")
    else:
        assert value is home
    assert name in dir(linkbudget)


@pytest.mark.parametrize("first", ["", "import linkbudget.replay.long; "])
def test_replay_is_the_room_whatever_was_imported_before(first):
    code = first + "from linkbudget import replay; import linkbudget, pickle, linkbudget.replay.long; "
    code += "assert linkbudget.replay is replay is pickle.loads(pickle.dumps(replay)); linkbudget.replay.long"
    subprocess.run([sys.executable, "-c", code], check=True)


@pytest.mark.parametrize("first", ["", "from linkbudget.replay.receiver import run_receiver; "])
def test_replay_is_callable_whatever_was_imported_before(first):
    code = first + "from linkbudget import replay; replay(1, 2, nonsense=3)"
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert "unexpected keyword argument 'nonsense'" in ran.stderr


def test_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'Linc'"):
        _ = linkbudget.Linc


def test_help_tells_of_the_function_whatever_was_imported_before():
    import inspect
    import pydoc

    run = import_module("linkbudget.replay.run")
    room = import_module("linkbudget.replay")
    assert inspect.signature(room) == inspect.signature(run.replay)
    text = pydoc.render_doc(room, renderer=pydoc.plaintext)
    assert "replay(link: 'Link', capture: 'ByteCapture | Iterable[ByteCapture]', *, phases: 'int'" in text
    assert "Return what becomes of a capture's characters" in text
    assert "*args" not in text
