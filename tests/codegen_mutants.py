"""Bound checks of generated C deleted in turn: each must be noticed.

``python tests/codegen_mutants.py [SUBJECT ...]`` deletes every comparison of sizes but those of encoders and
runs the kept corpus. Those that this does not notice are deleted where `codegen_eva` analyses the same
function; printed is what neither noticed. The tests do this for some subjects.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from codegen_eva import analyse, driver, hinted
from codegen_fuzz import REPLAY, _compile, kept, written
from codegen_subjects import PREFIX, Subject, proven, subjects

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

    Noticed is what a sanitizer or the harness stops, what does not end, and what tells something else than
    the code as it was generated.
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


def _likeness(mutant: Mutant) -> tuple[str, str]:
    """Function and check without the names and numbers of one subject."""
    return re.sub(r"^read_.*", "read_", mutant.function), re.sub(r"\d+", "0", mutant.check)


def analysed(subject: Subject, deleted: str) -> bool | None:
    """Whether the analysis sees that a check is gone, where it sees the function; None where it does not."""
    function, _, check = deleted.partition(": ")
    wanted = _likeness(Mutant(function, check, ""))
    own = subject.codec.fmt.delimiting
    # Those of the same delimiting first, and pushed before fed, which takes longer.
    order = sorted(proven().values(), key=lambda other: other.codec.fmt.delimiting != own)
    same = False
    for other in [other for other in order if other.extractor == subject.extractor]:
        for mutant in mutants(other.files[f"{PREFIX}.c"]):
            if _likeness(mutant) != wanted:
                continue
            same = True
            files = {**other.files, f"{PREFIX}.c": hinted(mutant.text)}
            with tempfile.TemporaryDirectory() as folder:
                if analyse(Path(folder), driver(other, "push"), files).alarms:
                    return True
    return False if same else None


def main(names: list[str]) -> None:
    known: dict[tuple[str, str, str], bool | None] = {}
    for name in names:
        subject = subjects()[name]
        with tempfile.TemporaryDirectory() as folder:
            alive, count = unnoticed(subject, Path(folder))
        print(f"{name}: {count - len(alive)} of {count} deleted checks noticed by the corpus", flush=True)
        for text in alive:
            function, _, check = text.partition(": ")
            key = (subject.codec.fmt.delimiting, *_likeness(Mutant(function, check, "")))
            if key not in known:
                known[key] = analysed(subject, text)
            words = {True: "by the analysis", False: "by nothing", None: "by nothing, and not analysed"}
            print(f"    {text}: noticed {words[known[key]]}", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:] or list(subjects()))
