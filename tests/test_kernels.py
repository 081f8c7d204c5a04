"""The registry of plain/kernel pairs: every plain form exists, and no kernel is left out of it."""

from __future__ import annotations

import ast
from importlib import import_module
from pathlib import Path

import pytest

import linkbudget
from linkbudget._jit import MODES, PAIRS, kernel_mode
from linkbudget.errors import SettingsError

ROOT = Path(linkbudget.__file__).parent


def kernels_in(root: Path) -> set[str]:
    """Return ``module:function`` of every public function in a ``_kernels.py``."""
    found = set()
    for path in sorted(root.rglob("_kernels.py")):
        module = ".".join(["linkbudget", *path.relative_to(root).with_suffix("").parts])
        tree = ast.parse(path.read_text(encoding="utf-8"))
        functions = [node.name for node in tree.body if isinstance(node, ast.FunctionDef)]
        found |= {f"{module}:{name}" for name in functions if not name.startswith("_")}
    return found


def resolve(address: str) -> object:
    module, _, function = address.partition(":")
    return getattr(import_module(module), function)


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair.name)
def test_plain_form_exists(pair):
    assert callable(resolve(pair.plain))


def test_every_kernel_is_registered_with_its_strategy_and_change_over():
    registered = {pair.kernel for pair in PAIRS if pair.kernel}
    assert kernels_in(ROOT) == registered
    for pair in PAIRS:
        assert (pair.kernel is None) == (pair.strategy is None) == (pair.change_over is None), pair.name


def test_the_walk_sees_an_unregistered_kernel(tmp_path):
    room = tmp_path / "wire"
    room.mkdir()
    (room / "_kernels.py").write_text("def scan(data):\n    return data\n\ndef _helper():\n    return 0\n")
    assert kernels_in(tmp_path) == {"linkbudget.wire._kernels:scan"}


def test_names_of_pairs_are_unique():
    assert len({pair.name for pair in PAIRS}) == len(PAIRS)


@pytest.mark.parametrize("mode", MODES)
def test_mode_is_read_from_the_environment(monkeypatch, mode):
    monkeypatch.setenv("LINKBUDGET_KERNELS", mode)
    assert kernel_mode() == mode


def test_unknown_mode_names_the_nearest(monkeypatch):
    monkeypatch.setenv("LINKBUDGET_KERNELS", "allways")
    with pytest.raises(SettingsError, match="did you mean 'always'"):
        kernel_mode()
