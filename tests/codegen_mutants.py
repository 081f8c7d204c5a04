"""Bound checks of generated C deleted in turn: each must be noticed.

``python tests/codegen_mutants.py [--corpus] [SUBJECT ...]`` deletes every comparison of sizes but those of
encoders and runs the kept corpus with the sanitizers. For those that this does not notice another check is
looked for whose reserve they are: with that one gone, deleting this one as well must change what happens.
What is still left is deleted where `codegen_eva` analyses the same function. What was found is kept in
``tests/data/codegen_bounds.json``; a run asks again only about functions that have changed, and with
``--corpus`` about none. The tests repeat the runs over the corpora and hold them against the file.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import resource
import subprocess
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from codegen_eva import UNPROVEN, analyse, driver, hinted
from codegen_fuzz import _compile, kept, written
from codegen_subjects import PREFIX, Subject, proven, subjects

BOUNDS = Path(__file__).parent / "data" / "codegen_bounds.json"
SANITIZED = ["-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
# So many inputs may stop a program before the rest of them is left out.
FEW = 2
# The longest an analysis may take, in seconds of the processor.
LONGEST = 240
FUNCTION = re.compile(
    rf"^(?:static )?(?:inline )?[\w ]+\b{PREFIX}_(\w+)\([^;{{]*?\)\n\{{\n(.*?)^\}}\n", re.M | re.S
)
CONDITION = re.compile(r"\b(if|while) \((.*)\) \{$|^ *for \([^;]*; (?P<loop>[^;]*);", re.M)
COMPARED = re.compile(r"[^<>=]+ (?:<|>|<=|>=) [^<>=]+")
RARE = re.compile(rf"{PREFIX.upper()}_RARE\((.*)\)")
# What follows a check that something is too large or too small; elsewhere the check allows what follows.
REFUSES = re.compile(
    r"\s*(return|break|\*need|in->bad|n = limit|piece = |most = |part = |continue|line->bad|place = )"
)
SIZES = re.compile(
    r"\b(n|i|at|held|need|length|left|most|size|width|piece|end|used|stop|more|what|status|node|value|next)\b"
    r"|MAX_BODY|MAX_LINE"
)
# Inputs from a number on, until one stops the program.
EACH = r"""
#include <sys/resource.h>

int main(int argc, char **argv)
{
    static char path[4096];
    static uint8_t data[65536];
    const struct rlimit seconds = {2u, 3u};
    int number = 0;
    FILE *list;

    MUST(argc == 5);
    setrlimit(RLIMIT_CPU, &seconds);
    fz_gone = atoi(argv[1]);
    fz_gone_too = atoi(argv[2]);
    list = fopen(argv[4], "r");
    MUST(list != NULL);
    while (fgets(path, sizeof path, list) != NULL) {
        FILE *file;
        size_t n;

        if (number++ < atoi(argv[3])) {
            continue;
        }
        path[strcspn(path, "\n")] = '\0';
        file = fopen(path, "rb");
        MUST(file != NULL);
        n = fread(data, 1u, sizeof data, file);
        fclose(file);
        told = 0u;
        LLVMFuzzerTestOneInput(data, n);
        printf("%08lx\n", (unsigned long)told);
        fflush(stdout);
    }
    return 0;
}
"""


@dataclass(frozen=True)
class Mutant:
    """A check, where it stands, and what stands there when it is deleted."""

    function: str
    check: str
    start: int
    never: bool

    @property
    def name(self) -> str:
        return f"{self.function}: {self.check}"

    @property
    def instead(self) -> str:
        return "0" if self.never else "1"

    def gone(self, text: str) -> str:
        """The source without the check; the rest of the line stays, so that numbers of lines do."""
        return text[: self.start] + self.instead + text[self.start + len(self.check) :]


def mutants(text: str) -> list[Mutant]:
    """Each comparison of sizes; deleted, it always allows what is behind it."""
    found = []
    for function in FUNCTION.finditer(text):
        if re.match("encode|put|out|open|finish|stuff|close_block|age", function[1]):
            continue
        at = function.start(2)
        for condition in CONDITION.finditer(function[2]):
            group = "loop" if condition["loop"] else 2
            inner, start = condition[group], at + condition.start(group)
            if rare := RARE.fullmatch(inner):
                start += rare.start(1)
                inner = rare[1]
            behind = function[2][condition.end() :]
            never = condition["loop"] is None and REFUSES.match(behind) is not None
            for part in _operands(inner):
                if COMPARED.fullmatch(part) is not None and SIZES.search(part) is not None:
                    found.append(Mutant(function[1], part, start + inner.index(part), never))
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


@dataclass
class Deleting:
    """A subject of which checks are deleted while it runs: one program has all of its mutants."""

    subject: Subject
    folder: Path

    @cached_property
    def text(self) -> str:
        return self.subject.files[f"{PREFIX}.c"]

    @cached_property
    def mutants(self) -> list[Mutant]:
        return mutants(self.text)

    @cached_property
    def names(self) -> list[str]:
        """The names of the checks, with a number where one stands in a function more than once."""
        count: Counter[str] = Counter()
        names = []
        for mutant in self.mutants:
            count[mutant.name] += 1
            names.append(mutant.name + (f" ({count[mutant.name]})" if count[mutant.name] > 1 else ""))
        return names

    @cached_property
    def program(self) -> Path:
        text = self.text
        for number, mutant in sorted(enumerate(self.mutants, 1), key=lambda one: -one[1].start):
            end = mutant.start + len(mutant.check)
            gone = f"fz_is_gone({number}) ? {mutant.instead} : ({mutant.check})"
            text = f"{text[: mutant.start]}({gone}){text[end:]}"
        head = (
            "static int fz_gone, fz_gone_too;\n#define fz_is_gone(x) (fz_gone == (x) || fz_gone_too == (x))\n"
        )
        files = {**self.subject.files, f"{PREFIX}.c": head + text}
        return _compile(self.subject, self.folder, files, SANITIZED, "mutants", EACH)

    @cached_property
    def inputs(self) -> Path:
        listed = self.folder / "listed"
        paths = written(self.folder / "inputs", kept(self.subject.name))
        listed.write_text("".join(f"{path}\n" for path in paths), encoding="utf-8")
        return listed

    def told(self, gone: int = 0, too: int = 0, every: bool = False) -> list[str]:
        """What a run over the corpus tells of each input with one or two of the checks deleted.

        It ends with the first input that stops the program, or goes on behind it (``every``).
        """
        told: list[str] = []
        environment = {**os.environ, "ASAN_OPTIONS": "detect_leaks=0"}
        while True:
            command = [self.program, str(gone), str(too), str(len(told)), self.inputs]
            done = subprocess.run(command, capture_output=True, text=True, env=environment)
            told += done.stdout.split()
            if done.returncode == 0:
                return told
            told.append("stopped")
            if not every or told.count("stopped") == FEW:
                return told

    @cached_property
    def alone(self) -> list[list[str]]:
        """What is told with each check deleted; the first is what the code as it stands tells."""
        return [self.told(number) for number in range(len(self.mutants) + 1)]

    def unnoticed(self) -> list[str]:
        """The checks whose deletion the corpus does not notice.

        Noticed is what a sanitizer or the harness stops, what does not end, and what tells something else
        than the code as it was generated.
        """
        right, *others = self.alone
        assert "stopped" not in right
        return [name for name, told in zip(self.names, others, strict=True) if told == right]

    def matters(self, name: str, other: str) -> bool:
        """Whether it is noticed that the first check is gone once the other one is."""
        one, two = (self.names.index(which) + 1 for which in (name, other))
        first = self.told(one, two)
        if first == self.alone[0]:
            return False
        # Where the other one alone stops, the inputs behind that one tell whether this one matters.
        return first != self.alone[two] or (
            "stopped" in first and self.told(one, two, True) != self.told(0, two, True)
        )

    def behind(self, name: str) -> list[str]:
        """The checks without which this one is noticed: it stands in reserve for them."""
        # Best one that does not matter alone either: then each of the two is the other's reserve.
        alive = self.unnoticed()
        near = [one for one in self.names if one.partition(": ")[0] == name.partition(": ")[0]]
        others = [one for one in dict.fromkeys([*alive, *near]) if one != name]
        return [other for other in others if self.matters(name, other)]

    def print_of(self, name: str) -> str:
        """A short print of the function a check stands in."""
        function = name.partition(": ")[0]
        body = "".join(found[0] for found in FUNCTION.finditer(self.text) if found[1] == function)
        return hashlib.sha256(body.encode()).hexdigest()[:12]


def _likeness(mutant: Mutant) -> tuple[str, str]:
    """Function and check without the names and numbers of one subject."""
    return re.sub(r"^read_.*", "read_", mutant.function), re.sub(r"\d+", "0", mutant.check)


def _limited() -> None:
    resource.setrlimit(resource.RLIMIT_CPU, (LONGEST, LONGEST + 1))


def analysed(subject: Subject, mutant: Mutant) -> str | None:
    """Where the analysis sees that a check is gone: subject and way; None where it does not."""
    wanted = _likeness(mutant)
    own = subject.codec.fmt.delimiting
    found = []
    for other in proven().values():
        for like in mutants(other.files[f"{PREFIX}.c"]):
            if _likeness(like) == wanted and other.extractor == subject.extractor:
                found.append((other.codec.fmt.delimiting != own, other, like))
    # Two of them at most: those of the same delimiting first, each pushed before fed, which takes longer.
    for _, other, like in sorted(found, key=lambda one: one[0])[:2]:
        for way in ("push", "feed"):
            if {other.name, f"{other.name} {way}"} & set(UNPROVEN):
                continue
            files = {**other.files, f"{PREFIX}.c": hinted(like.gone(other.files[f"{PREFIX}.c"]))}
            with tempfile.TemporaryDirectory() as folder:
                if alarmed(Path(folder), driver(other, way), files):
                    return f"{other.name} {way}"
    return None


def alarmed(folder: Path, source: str, files: dict[str, str]) -> bool:
    """Whether an analysis finds an alarm before its time is over."""
    options = ("-eva-stop-at-nth-alarm", "1")
    return bool(analyse(folder, source, files, options, _limited, whole=False).alarms)


def main(names: list[str], ask: bool) -> None:
    known = json.loads(BOUNDS.read_text(encoding="utf-8")) if BOUNDS.exists() else {}
    asked: dict[tuple[str, str, str], str | None] = {}
    for name in names:
        with tempfile.TemporaryDirectory() as folder:
            deleting = Deleting(subjects()[name], Path(folder))
            alive = deleting.unnoticed()
            before, now = known.get(name, {}), {}
            known[name] = now
            now["noticed by the corpus"] = [one for one in deleting.names if one not in alive]
            count = len(deleting.names)
            print(f"{name}: {count - len(alive)} of {count} by the corpus", flush=True)
            for one in alive:
                mark = deleting.print_of(one)
                found = before.get("by others", {}).get(one, {})
                if ask and found.get("function") != mark:
                    mutant = deleting.mutants[deleting.names.index(one)]
                    found = {"function": mark}
                    if others := deleting.behind(one):
                        found["behind"] = others[0]
                    else:
                        key = (deleting.subject.codec.fmt.delimiting, *_likeness(mutant))
                        if key not in asked:
                            asked[key] = analysed(deleting.subject, mutant)
                        if asked[key] is not None:
                            found["analysis"] = asked[key]
                now.setdefault("by others", {})[one] = found
                print(f"    {one}: {found}", flush=True)
                _keep(known)
        _keep(known)


def _keep(known: dict) -> None:
    text = json.dumps(known, indent=1, sort_keys=True)
    BOUNDS.write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    given = [name for name in sys.argv[1:] if name != "--corpus"]
    main(given or list(subjects()), "--corpus" not in sys.argv)
