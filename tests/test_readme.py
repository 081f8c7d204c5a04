"""The README's blocks are real: each is run and compared. ``python tests/test_readme.py`` rewrites them.

A ``console`` block holds a command after ``$ `` and its output. A ``python`` block is followed by a ``text``
block with its output. Both run in the root of the repository.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from linkbudget import Link

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
BLOCK = re.compile(
    r"```console\n\$ (?P<command>[^\n]*)\n(?P<shown>.*?)```\n"
    r"|```python\n(?P<script>.*?)```\n(?:\n```text\n(?P<printed>.*?)```\n)?",
    re.DOTALL,
)
SECONDS_ALLOWED = 400
"""The first study in a fresh tree compiles its kernels: a minute of a processor that may have other work."""
INSTALL = re.compile(r"```sh\n(?P<command>pip install [^\n]*)\n```")


def blocks() -> list[re.Match[str]]:
    return list(BLOCK.finditer(README.read_text(encoding="utf-8")))


def output_of(block: re.Match[str]) -> str:
    """Run a block and return what it writes; a failure or anything on standard error is an error here."""
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", "")])
    call = ["sh", "-c", block["command"]] if block["command"] else [sys.executable, "-c", block["script"]]
    done = subprocess.run(
        call,
        cwd=ROOT,
        env={**os.environ, "PATH": path, "PYTHONIOENCODING": "utf-8"},
        capture_output=True,
        encoding="utf-8",
        timeout=SECONDS_ALLOWED,
    )
    assert (done.returncode, done.stderr) == (0, ""), done.stderr
    return done.stdout


def title(block: re.Match[str]) -> str:
    return block["command"] or block["script"].strip().splitlines()[-1].strip()[:40]


@pytest.mark.parametrize("block", blocks(), ids=title)
def test_block_shows_what_it_writes(block):
    shown = block["shown"] if block["command"] else block["printed"]
    assert shown == output_of(block), "run `python tests/test_readme.py` and read the difference"


def test_each_way_in_has_a_block():
    text = README.read_text(encoding="utf-8")
    ways = re.split(r"^### ", text.split("## What the numbers rest on")[0], flags=re.MULTILINE)[1:]
    assert [way[0] for way in ways] == ["1", "2", "3"]
    assert all(BLOCK.search(way) for way in ways)


def test_install_commands_are_those_that_ci_runs():
    commands = [found["command"] for found in INSTALL.finditer(README.read_text(encoding="utf-8"))]
    assert len(commands) == 2
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    for command in commands:
        assert f"\n  {command}\n" in script


def test_link_file_shown_is_a_link_file():
    shown = re.findall(r"```toml\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    assert len(shown) == 1
    assert Link.from_dict(tomllib.loads(shown[0])).messages[0].name == "beans"


def test_links_point_at_files():
    text = README.read_text(encoding="utf-8")
    targets = re.findall(r"\]\(([^)#]+)\)", text)
    assert len(targets) >= 2
    assert all((ROOT / target).is_file() for target in targets)


def rewritten() -> str:
    """Return the README with every block's output as it is now."""

    def block_text(block: re.Match[str]) -> str:
        if block["command"]:
            return f"```console\n$ {block['command']}\n{output_of(block)}```\n"
        return f"```python\n{block['script']}```\n\n```text\n{output_of(block)}```\n"

    return BLOCK.sub(block_text, README.read_text(encoding="utf-8"))


if __name__ == "__main__":
    README.write_text(rewritten(), encoding="utf-8")
