"""Bound checks of generated C deleted in turn: each must be noticed when the kept corpus is run.

``python tests/codegen_mutants.py [SUBJECT ...]`` deletes every comparison of sizes but those of
encoders and prints those that nothing noticed.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from codegen_fuzz import REPLAY, _compile, kept, written
from codegen_subjects import PREFIX, Subject, subjects

SANITIZED = ["-O0", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
FUNCTION = re.compile(
    rf"^(?:static )?(?:inline )?[\w ]+\b{PREFIX}_(\w+)\([^;{{]*?\)\n\{{\n(.*?)^\}}\n", re.M | re.S
)
CONDITION = re.compile(r"\b(if|while) \((.*)\) \{$|^ *for \([^;]*; (?P<loop>[^;]*);", re.M)
COMPARED = re.compile(r"[^<>=]+ (?:<|>|<=|>=) [^<>=]+")
# What follows a check that something is too large or too small; elsewhere the check allows what follows.
REFUSES = re.compile(
    r"\s*(return|break|\*need|in->bad|n = limit|piece = |most = |part = |continue|line->bad|place = )"
)
SIZES = re.compile(
    r"\b(n|i|at|held|need|length|left|most|size|width|piece|end|used|stop|more|what|status)\b|MAX_BODY"
)


@dataclass(frozen=True)
class Mutant:
    """A source with one check deleted."""

    function: str
    check: str
    text: str


def mutants(text: str) -> list[Mutant]:
    """The source with each comparison of sizes in turn always allowing what is behind it."""
    found = []
    for function in FUNCTION.finditer(text):
        if re.match("encode|put|out|open|finish|stuff|close_block|age", function[1]):
            continue
        at = function.start(2)
        for condition in CONDITION.finditer(function[2]):
            group = "loop" if condition["loop"] else 2
            behind = function[2][condition.end() :]
            never = condition["loop"] is None and REFUSES.match(behind) is not None
            start = at + condition.start(group)
            for part in _operands(condition[group]):
                if COMPARED.fullmatch(part) is None or SIZES.search(part) is None:
                    continue
                place = start + condition[group].index(part)
                # The rest of the line stays, so that numbers of lines do.
                changed = text[:place] + ("0" if never else "1") + text[place + len(part) :]
                found.append(Mutant(function[1], part, changed))
    return found


def _operands(condition: str) -> list[str]:
    """The parts between && and || that stand at the top of a condition."""
    parts, depth, begin = [], 0, 0
    for found in re.finditer(r"[()]| (?:&&|\|\|) ", condition):
        if found[0] == "(":
            depth += 1
        elif found[0] == ")":
            depth -= 1
        elif depth == 0:
            parts.append(condition[begin : found.start()])
            begin = found.end()
    return [*parts, condition[begin:]]


def unnoticed(subject: Subject, folder: Path, part: slice = slice(None)) -> tuple[list[str], int]:
    """The deleted checks that a run over the kept corpus does not notice, and how many were deleted.

    Noticed is what a sanitizer or the harness stops, what does not end, and what tells something else than the
    code as it was generated.
    """
    inputs = [str(path) for path in written(folder / "inputs", kept(subject.name))]
    every = mutants(subject.files[f"{PREFIX}.c"])[part]

    def run(name: str, text: str) -> str | None:
        files = {**subject.files, f"{PREFIX}.c": text}
        program = _compile(subject, folder / name, files, SANITIZED, "mutant", REPLAY)
        try:
            done = subprocess.run([program, *inputs], capture_output=True, text=True, timeout=60)
        except subprocess.TimeoutExpired:
            return None
        return done.stdout if done.returncode == 0 else None

    right = run("right", subject.files[f"{PREFIX}.c"])
    assert right is not None
    with ThreadPoolExecutor(2) as pool:
        told = list(pool.map(lambda number: run(str(number), every[number].text), range(len(every))))
    alive = [f"{m.function}: {m.check}" for m, text in zip(every, told, strict=True) if text == right]
    return alive, len(every)


def main(names: list[str]) -> None:
    for name in names:
        with tempfile.TemporaryDirectory() as folder:
            alive, count = unnoticed(subjects()[name], Path(folder))
        print(f"{name}: {count - len(alive)} of {count} deleted checks noticed", flush=True)
        for text in alive:
            print(f"    {text}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:] or list(subjects()))
