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


def unnoticed(subject: Subject, folder: Path) -> tuple[list[str], int]:
    """The deleted checks that a run over the kept corpus does not notice, and how many were deleted."""
    inputs = [str(path) for path in written(folder / "inputs", kept(subject.name))]
    every = mutants(subject.files[f"{PREFIX}.c"])

    def survives(number: int) -> bool:
        files = {**subject.files, f"{PREFIX}.c": every[number].text}
        program = _compile(subject, folder / str(number), files, SANITIZED, "mutant", REPLAY)
        try:
            return subprocess.run([program, *inputs], capture_output=True, timeout=20).returncode == 0
        except subprocess.TimeoutExpired:
            return False

    with ThreadPoolExecutor(2) as pool:
        alive = list(pool.map(survives, range(len(every))))
    return [f"{m.function}: {m.check}" for m, lives in zip(every, alive, strict=True) if lives], len(every)


def main(names: list[str]) -> None:
    for name in names:
        with tempfile.TemporaryDirectory() as folder:
            alive, count = unnoticed(subjects()[name], Path(folder))
        print(f"{name}: {count - len(alive)} of {count} deleted checks noticed", flush=True)
        for text in alive:
            print(f"    {text}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:] or list(subjects()))
