"""Start-up stays cheap: what must not be imported before it is needed. Each case is a fresh interpreter."""

from __future__ import annotations

import subprocess
import sys

import pytest

from linkbudget.cli.main import COMMANDS

HEAVY = {"numpy", "numba", "construct", "serial", "rich", "crcmod", "cbor2", "msgpack"}


def imported_after(code: str) -> set[str]:
    script = f"{code}\nimport sys\nprint('\\n' + ' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return {name.split(".")[0] for name in done.stdout.splitlines()[-1].split()}


def help_of(*arguments: str) -> str:
    return f"from linkbudget.cli.main import run\nassert run({list(arguments)!r}) == 0"


def test_import_of_the_library_imports_nothing_heavy():
    assert not imported_after("import linkbudget") & (HEAVY | {"click"})


def test_help_imports_nothing_heavy_and_no_command():
    script = (
        help_of("--help")
        + "\nimport sys\n"
        + "\n".join(f"assert 'linkbudget.cli.{name}' not in sys.modules" for name in COMMANDS)
    )
    assert not imported_after(script) & HEAVY


@pytest.mark.parametrize("name", list(COMMANDS))
def test_help_of_a_command_imports_nothing_heavy(name):
    assert not imported_after(help_of(name, "--help")) & HEAVY


def test_a_capture_is_decoded_without_what_only_links_and_large_files_need(tmp_path):
    path = tmp_path / "beans.bin"
    path.write_bytes(b"beans")
    script = "from linkbudget.cli.main import run\nimport sys\n"
    script += f"assert run(['decode', {str(path)!r}, '--baudrate', '115200', '--json']) == 0\n"
    script += "assert not {'linkbudget.link.model', 'linkbudget.message', 'numba'} & set(sys.modules)"
    assert "numpy" in imported_after(script)


def test_the_check_sees_a_heavy_import():
    assert "numpy" in imported_after("import linkbudget\nlinkbudget.ByteCapture")
