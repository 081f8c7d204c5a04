"""The registry of plain/kernel pairs: every pair is held equal, and no kernel is left out of it."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
import warnings
from contextlib import contextmanager
from dataclasses import fields, is_dataclass
from importlib import import_module
from itertools import product
from pathlib import Path

import numpy as np
import pytest
import strategies_kernels
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import linkbudget
from linkbudget import _jit
from linkbudget._jit import MODES, PAIRS, Kernel, kernel_mode, load_numba, use_kernel
from linkbudget.capture.source import Source
from linkbudget.capture.table import load_table
from linkbudget.capture.vcd import Body, load_vcd, vcd_pieces
from linkbudget.errors import LinkBudgetError, SettingsError
from linkbudget.replay.passes import PassTable
from linkbudget.traffic.join import join_levels

ROOT = Path(linkbudget.__file__).parent
WITH_KERNEL = [pair for pair in PAIRS if pair.kernel]
needs_numba = pytest.mark.skipif(load_numba() is None, reason="numba is not installed")


def kernels_in(root: Path) -> set[str]:
    """Return ``module:function`` of every public function in a ``_kernels.py`` or ``_…_kernels.py``."""
    found = set()
    for path in sorted(root.rglob("_*kernels.py")):
        module = ".".join(["linkbudget", *path.relative_to(root).with_suffix("").parts])
        tree = ast.parse(path.read_text(encoding="utf-8"))
        functions = [node.name for node in tree.body if isinstance(node, ast.FunctionDef)]
        found |= {f"{module}:{name}" for name in functions if not name.startswith("_")}
    return found


def imports_of(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add(str(node.module))
    return found


def resolve(address: str) -> object:
    module, _, function = address.partition(":")
    return getattr(import_module(module), function)


# --- the registry -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: pair.name)
def test_public_and_plain_form_exist(pair):
    assert callable(resolve(pair.public))
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


def test_kernels_import_only_numpy_and_the_registry():
    files = sorted(ROOT.rglob("_*kernels.py"))
    assert files
    for path in files:
        of_python = {"__future__", "typing"}
        assert imports_of(path) - of_python == {"numpy", "numpy.typing", "linkbudget._jit"}, path


def test_names_of_pairs_are_unique():
    assert len({pair.name for pair in PAIRS}) == len(PAIRS)


# --- plain form and kernel --------------------------------------------------------------------------------


@contextmanager
def mode_set(mode):
    before = os.environ.get("LINKBUDGET_KERNELS")
    os.environ["LINKBUDGET_KERNELS"] = mode
    try:
        yield
    finally:
        if before is None:
            del os.environ["LINKBUDGET_KERNELS"]
        else:
            os.environ["LINKBUDGET_KERNELS"] = before


def comparable(value):
    """Everything a result holds, arrays with their types."""
    if isinstance(value, np.ndarray):
        assert not value.flags.writeable
        # A number that is none is equal to itself here.
        told = np.where(np.isnan(value), None, value) if value.dtype.kind == "f" else value
        return value.dtype.str, told.tolist()
    if isinstance(value, tuple):
        return [comparable(inner) for inner in value]
    if isinstance(value, PassTable):
        return comparable(vars(value))
    if is_dataclass(value):
        return {field.name: comparable(getattr(value, field.name)) for field in fields(value)}
    if hasattr(value, "items"):
        return {key: comparable(inner) for key, inner in value.items()}
    return value


def outcome(public, case, path, mode):
    """What a call comes to: its result or its error, and its warnings."""
    arguments = case.arguments if case.content is None else (path, *case.arguments)
    with mode_set(mode), warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            result = comparable(public(*arguments, **case.keywords))
        except LinkBudgetError as error:
            result = (type(error).__name__, str(error))
    return result, [str(warning.message) for warning in caught]


@needs_numba
@pytest.mark.parametrize("pair", WITH_KERNEL, ids=lambda pair: pair.name)
def test_plain_form_and_kernel_agree(pair, tmp_path):
    public, kernel = resolve(pair.public), resolve(pair.kernel)
    path = tmp_path / "beans"

    @settings(max_examples=300, suppress_health_check=list(HealthCheck))
    @given(getattr(strategies_kernels, pair.strategy)())
    def agree(case):
        if case.content is not None:
            path.write_bytes(case.content)
        assert outcome(public, case, path, "always") == outcome(public, case, path, "never")

    agree()
    assert isinstance(kernel, Kernel)
    # Compiled, so it was used; and once only, so what goes in always has the same types.
    assert len(kernel.compiled.signatures) == 1


# Rows that are alike go through the kernels without being looked at closely: whatever is different in one of
# them must be seen.
ALIKE_CHANGES = [f"#{time}\n{k % 2}!\n" for k, time in enumerate(range(1_234_567_800, 1_234_567_880, 10))]
ALIKE_ROWS = [f"12.{time},{k % 2}\r\n" for k, time in enumerate(range(567_890_100, 567_890_180, 10))]
ALIKE_WHOLE_ROWS = [f"{time},{k % 2}\n" for k, time in enumerate(range(99_999_960, 100_000_040, 10))]
ALIKE_SHORT_ROWS = [f"{time / 10:.1f};{k % 2}\n" for k, time in enumerate(range(96, 104))]
VCD_HEAD = "$timescale 1 ns $end $var wire 1 ! rx $end $enddefinitions $end\n"
OTHERS = [*b"\0\t\n\r !#,-./012589:;abex\x7f\x80\xff"]


@needs_numba
@pytest.mark.parametrize(
    ("head", "rows", "load"),
    [
        (VCD_HEAD, ALIKE_CHANGES, load_vcd),
        (VCD_HEAD, [row.replace("!\n", "!\r\n") for row in ALIKE_CHANGES], load_vcd),
        ("s,rx\n", ALIKE_ROWS, load_table),
        ("ns,rx\n", ALIKE_WHOLE_ROWS, load_table),
        ("us;rx\n", ALIKE_SHORT_ROWS, load_table),
    ],
    ids=["changes", "changes with CRLF", "rows", "rows that get longer", "short rows"],
)
def test_a_byte_that_is_different_among_rows_alike_is_seen(head, rows, load, tmp_path):
    path = tmp_path / "beans"
    before, row, after = "".join(rows[:5]), rows[5], "".join(rows[6:])
    for at, other in product(range(len(row)), [None, *OTHERS]):
        turned = bytearray(row.encode())
        turned[at : at + 1] = b"" if other is None else bytes([other])
        path.write_bytes((head + before).encode() + turned + after.encode())
        case = strategies_kernels.Case((), {}, b"")
        assert outcome(load, case, path, "always") == outcome(load, case, path, "never"), bytes(turned)


# --- the modes --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("mode", MODES)
def test_mode_is_read_from_the_environment(mode):
    with mode_set(mode):
        assert kernel_mode() == mode


def test_unknown_mode_names_the_nearest():
    with mode_set("allways"), pytest.raises(SettingsError, match="did you mean 'always'"):
        kernel_mode()


@needs_numba
@pytest.mark.parametrize("pair", WITH_KERNEL, ids=lambda pair: pair.name)
def test_the_mode_and_the_size_choose(pair, monkeypatch):
    monkeypatch.setattr(_jit, "started", set())
    monkeypatch.setitem(_jit.seen, pair.name, 0)
    with mode_set("auto"):
        assert not use_kernel(pair.name, pair.change_over - 1)
    monkeypatch.setitem(_jit.seen, pair.name, 0)
    with mode_set("auto"):
        assert use_kernel(pair.name, pair.change_over)
    with mode_set("always"):
        assert use_kernel(pair.name, 0)
    with mode_set("never"):
        assert not use_kernel(pair.name, 10**9)


@needs_numba
def test_pieces_of_a_large_input_come_to_the_kernel_too(monkeypatch):
    monkeypatch.setattr(_jit, "started", set())
    monkeypatch.setitem(_jit.seen, "vcd", 0)
    piece = _jit.CHANGE_OVER["vcd"] // 4
    with mode_set("auto"):
        assert [use_kernel("vcd", piece) for _ in range(6)] == [False, False, False, True, True, True]
        assert not use_kernel("vcd", piece // _jit.SMALL_SHARE)


@needs_numba
def test_beside_a_kernel_that_has_run_smaller_inputs_are_worth_another(monkeypatch):
    share = _jit.CHANGE_OVER["vcd"] // _jit.STARTED_SHARE
    for started, chosen in ((set(), False), ({"characters"}, True)):
        monkeypatch.setattr(_jit, "started", started)
        monkeypatch.setitem(_jit.seen, "vcd", 0)
        with mode_set("auto"):
            assert use_kernel("vcd", share) is chosen
    monkeypatch.setattr(_jit, "started", set())
    double = _jit.kernel(lambda value: 2 * value)
    monkeypatch.setattr(_jit, "compiled", lambda function, **options: function)
    assert double(3) == 6
    assert _jit.started == {"<lambda>"}


def ran(script, **environment):
    """The output of a script in a fresh interpreter."""
    done = subprocess.run(
        [sys.executable, "-c", script],
        capture_output=True,
        text=True,
        timeout=120,
        env={**os.environ, **environment},
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


MANY = """
import sys
import numpy as np
import linkbudget as lb
edges = lb.Edges(np.arange({count}) * 8681)
found = lb.decode_characters(edges, lb.UartLine(115200))
print(len(found), "numba" in sys.modules)
"""
# 1 and 0 in turn: a character for every ten changes.


@needs_numba
@pytest.mark.parametrize(
    ("mode", "count", "imported"),
    [("auto", 1000, False), ("auto", 2_000_000, True), ("never", 2_000_000, False), ("always", 1000, True)],
)
def test_numba_is_imported_for_large_jobs_only(mode, count, imported):
    assert ran(MANY.format(count=count), LINKBUDGET_KERNELS=mode) == [str(count // 10), str(imported)]


def test_without_numba_everything_runs():
    script = "import sys\nsys.modules['numba'] = None\n" + MANY.format(count=2_000_000)
    assert ran(script, LINKBUDGET_KERNELS="auto")[0] == "200000"


def test_without_numba_kernels_cannot_be_asked_for_always():
    script = f"""
import sys
sys.modules['numba'] = None
import linkbudget as lb
try:
    {MANY.format(count=1000).strip().replace(chr(10), chr(10) + "    ")}
except lb.SettingsError as error:
    print(error)
"""
    assert "numba is missing" in " ".join(ran(script, LINKBUDGET_KERNELS="always"))


def test_a_numba_that_does_not_work_is_told_once(monkeypatch):
    monkeypatch.setitem(_jit.seen, "characters", 0)
    monkeypatch.setitem(sys.modules, "numba", None)
    monkeypatch.setattr("builtins.__import__", failing_import)
    load_numba.cache_clear()
    with mode_set("auto"), pytest.warns(linkbudget.LinkBudgetWarning, match="needs another numpy"):
        assert not use_kernel("characters", 10**9)
    with mode_set("auto"):
        assert not use_kernel("characters", 10**9)
    monkeypatch.undo()
    load_numba.cache_clear()


def failing_import(name, *arguments, original=__import__):
    if name == "numba":
        raise ImportError("numba needs another numpy")
    return original(name, *arguments)


# --- the cache of compiled code ---------------------------------------------------------------------------


@needs_numba
def test_where_no_folder_can_be_written_everything_runs():
    # numba tries a folder by making a temporary file in it.
    script = """
import tempfile
def refuse(*arguments, **keywords):
    raise PermissionError("read-only")
tempfile.TemporaryFile = refuse
"""
    assert ran(script + MANY.format(count=2_000_000), LINKBUDGET_KERNELS="auto") == ["200000", "True"]


def test_a_cache_that_fails_while_it_is_written_is_done_without(monkeypatch):
    def compiled(function, *, cache):
        def full_disk(*arguments):
            raise OSError("no space left on device")

        return full_disk if cache else function

    monkeypatch.setattr(_jit, "compiled", compiled)
    double = _jit.kernel(lambda value: 2 * value)
    assert (double(3), double(4)) == (6, 8)


# --- in pieces --------------------------------------------------------------------------------------------


@needs_numba
def test_the_kernel_reads_value_changes_in_pieces_of_any_size(tmp_path):
    path = tmp_path / "beans.vcd"

    def joined(piece_bytes):
        try:
            return comparable(join_levels(vcd_pieces(Source(path, piece_bytes=piece_bytes))))
        except LinkBudgetError as error:
            return str(error)

    @settings(max_examples=60, suppress_health_check=list(HealthCheck))
    @given(strategies_kernels.vcd_texts(), st.sampled_from([1, 2, 3, 7, 20, 64]))
    def agree(content, piece_bytes):
        path.write_bytes(content)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with mode_set("never"):
                plain = joined(1 << 20)
            with mode_set("always"):
                assert joined(piece_bytes) == plain

    agree()


@needs_numba
def test_what_is_usual_in_value_changes_is_read_by_the_kernel(tmp_path, monkeypatch):
    codes = ["!", "ab", "abc", "abcdefg"]
    text = "$timescale 1 ns $end " + "".join(f"$var wire 1 {code} {code}x $end " for code in codes)
    text += "$var reg 4 % byte [3:0] $end $var real 64 & volts $end $enddefinitions $end\n"
    for time in range(0, 10**7, 10**4):
        text += f"#{time}\n" + "".join(f"{time // 10**4 % 2}{code}\n" for code in codes)
        text += f"b{time % 7:b} %\nr{time}.5 &\n"
    path = tmp_path / "beans.vcd"
    path.write_text(text)
    plain = []
    monkeypatch.setattr(Body, "changes", counted(Body.changes, plain))
    with mode_set("always"):
        assert len(load_vcd(path).channels["abcdefgx"]) == 999
    assert 0 < len(plain) < 20


def counted(method, calls):
    def call(self, *arguments):
        calls.append(arguments)
        return method(self, *arguments)

    return call


@needs_numba
@pytest.mark.parametrize("time", ["{0}.{1:09d}", "{0}{1:09d}", "{0},{1:03d}", " -{0}e-{1:02d}"])
def test_what_is_usual_in_tables_is_read_by_the_kernel(tmp_path, monkeypatch, time):
    rows = [f"{time.format(9, 0 if '-' in time else k)};{k % 2};x;\r\n" for k in range(500)]
    path = tmp_path / "beans.csv"
    path.write_text("time (ms);a;b;c\r\n" + "".join(rows))
    monkeypatch.setattr("linkbudget.capture.table.TableText", None)
    with mode_set("always"):
        assert load_table(path).channels["a"].levels().size == (1 if "-" in time else 499)
