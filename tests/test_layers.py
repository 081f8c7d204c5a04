"""The import rule of the house: a room imports only from rows above its own (and from itself)."""

from __future__ import annotations

import ast
from pathlib import Path

import linkbudget

ROOT = Path(linkbudget.__file__).parent

ROWS = [
    {"errors", "units", "_jit"},
    {"wire", "check"},
    {"traffic"},  # below wire, because timed characters carry the line they were sent on
    {"message", "frame"},
    {"codec", "bridge", "capture"},
    {"link"},
    {"budget", "codegen", "replay"},
    {"cost", "study"},
    {"rig", "report"},
    {"cli"},
    {"reference"},
    {"__main__"},
]
ROW_OF = {room: row for row, rooms in enumerate(ROWS) for room in rooms}
# Rooms that a room may import although the rule of rows alone would allow more or less.
ONLY = {"capture": {"errors", "units", "_jit", "traffic", "wire", "capture"}}


def room_of(module: str) -> str:
    return module.split(".")[1] if "." in module else ""


def imports_of(path: Path) -> list[tuple[int, str]]:
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found += [(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import"
            names = (
                [f"{node.module}.{alias.name}" for alias in node.names] if node.module == "linkbudget" else []
            )
            found += [(node.lineno, name) for name in names or [str(node.module)]]
    return [(line, name) for line, name in found if name.split(".")[0] == "linkbudget"]


def faults_in(path: Path) -> list[str]:
    module = path.relative_to(ROOT)
    room = module.parts[0].removesuffix(".py")
    if room == "__init__":
        return []
    if room not in ROW_OF:
        return [f"{module}: room {room!r} stands in no row"]
    faults = []
    for line, name in imports_of(path):
        target = room_of(name)
        if target in {room, "__version__"}:
            continue
        allowed = target in ROW_OF and ROW_OF[target] < ROW_OF[room]
        if room in ONLY:
            allowed = target in ONLY[room]
        if ROW_OF.get(target) == 0 and ROW_OF[room] == 0:
            allowed = True
        if not allowed:
            faults.append(f"{module}:{line}: {room} imports {name}")
    return faults


def test_rooms_import_only_from_rows_above():
    files = sorted(ROOT.rglob("*.py"))
    assert len(files) > 20
    faults = [fault for path in files for fault in faults_in(path)]
    assert not faults, "\n".join(faults)


def test_the_rule_sees_an_upward_import(tmp_path, monkeypatch):
    monkeypatch.setattr("test_layers.ROOT", tmp_path)
    (tmp_path / "wire").mkdir()
    bad = tmp_path / "wire" / "bad.py"
    bad.write_text("from linkbudget.link.model import Link\nimport linkbudget.frame.format\n")
    assert len(faults_in(bad)) == 2


def test_numba_is_imported_in_one_place():
    places = []
    for path in sorted(ROOT.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [str(node.module)]
            if any(name.split(".")[0] == "numba" for name in names):
                places.append(path.relative_to(ROOT).as_posix())
    assert set(places) <= {"_jit.py"}
