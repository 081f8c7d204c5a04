"""Bound checks of generated C deleted in turn: each must be noticed.

``python tests/codegen_mutants.py [--corpus] [--hunt SECONDS] [SUBJECT ...]`` deletes every comparison of
sizes but those of encoders and runs the kept corpus with the sanitizers. Sizes are lengths, indices, what is
left or counted down, and numbers of a payload that say how much of it follows. Not deleted is what asks for
no more than the value of a field, a digit, a character of UTF-8, how many bytes a stretch had on the line, a
statistic, whether a mark stands twice, and how long it was silent: no index and no length comes of these.

A deletion is noticed as "memory" when a sanitizer stops the program, as "no end" when it does not end, as
"behaviour" when something else is told of an input, or left in a receiver, than by the code as generated, and
as "work" when all that is the same and more bytes are moved for it (a check that saves time). For those that
this does not notice another check is looked for whose reserve they are: with that one gone, deleting this one
as well must change what happens; then a subject with the same function where it is noticed. What is still
left is deleted where `codegen_eva` analyses the same function: it must see that, or follow all bytes to the
end and find nothing ("safe without": a check that saves time, or one of what was checked before, and guards
no memory).

What was found is kept in ``tests/data/codegen_bounds.json``; a run asks again only about functions that have
changed or that nothing answered for, and with ``--corpus`` about none. The tests repeat the runs over the
corpora and hold them against the file.

``--hunt`` first looks for inputs that notice what the corpus does not: among those that fuzzing starts from,
then with libFuzzer, which runs each input with and without each of these checks. They are kept beside the
corpus, in ``NAME-bounds.gz``.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import re
import resource
import signal
import subprocess
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from codegen_eva import Verdict, analyse, driver, hinted
from codegen_fuzz import LONGEST as LONGEST_INPUT
from codegen_fuzz import _compile, for_bounds, kept, kept_for_bounds, seeds, written
from codegen_subjects import PREFIX, Subject, proven, subjects

from linkbudget.codegen.vectors import vectors

BOUNDS = Path(__file__).parent / "data" / "codegen_bounds.json"
# Functions have the same addresses in every run: states that hold them are compared.
SANITIZED = [
    "-O1",
    "-g",
    "-fsanitize=address,undefined",
    "-fno-sanitize-recover=all",
    "-no-pie",
    "-DTELL_ALL",
]
# So many inputs may stop a program before the rest of them is left out.
FEW = 2
# What stopped a program.
STOPS = ("memory", "no end", "behaviour")
# The longest an analysis may take, in seconds of the processor.
LONGEST = 240
# What the drivers of the analysis do not call.
NOT_DRIVEN = ("decode", "read")
FUNCTION = re.compile(
    rf"^(?:static )?(?:inline )?[\w ]+\b{PREFIX}_(\w+)\([^;{{]*?\)\n\{{\n(.*?)^\}}\n", re.M | re.S
)
# What takes the next byte of a piece.
NEXT = re.compile(rf"^#define {PREFIX.upper()}_(NEXT)\(x\) \\\n((?:.*\\\n)*.*\n)", re.M)
CONDITION = re.compile(
    r"\b(if|while) \((.*)\) \{(?: \\)?$|^ *for \([^;]*; (?P<loop>[^;]*);|^ *return (?P<asked>.*) \? .* : "
    r"|^ *\} while \((?P<tail>.*)\);|^ *return (?P<all>[^?\n]*);"
    r"|^ *[^=\n]* = (?P<least>[^=?()\n]*) \? .* : .*;",
    re.M,
)
COMPARED = re.compile(r"(?:[^<>=]|->)+ (?:<|>|<=|>=) (?:[^<>=]|->| == )+")
# Lengths and places that must be this one.
EXACT = re.compile(
    r"(?:n|i|at|left|rest|(?:in|word)->(?:n|at)|line->(?:next|left)) (?:==|!=) "
    r"(?:\d+u?|n|need|size|(?:line->)?length|word->n|in->n|2u \* n)"
)
# A number of the payload that says how much of it follows.
COUNTED = re.compile(r"\s*return 0;\s*\}\s*out->\w+_(?:length|count) = ")
RARE = re.compile(rf"{PREFIX.upper()}_RARE\((.*)\)")
# What follows a check that something is too large or too small; elsewhere the check allows what follows.
REFUSES = re.compile(
    r"(?:\s|/\*[^*]*\*/)*(return|break|\*need|in->bad|n = |piece = |most = |part = |continue|line->bad"
    r"|place = |word = 0|\*lost = |goto (?:single|out)|FZ_OTHERWISE|FZ_REFUSE|FZ_LOST|FZ_ASTRAY"
    r"|what = FZ_DO_TOO_LONG|state->at = fz_at_##x|state->node = \S+;\s*FZ_OTHERWISE"
    r"|if \(byte == ' '\))"
)
SIZES = re.compile(
    r"\b(n|i|i0|at|held|need|length|left|rest|most|size|width|piece|end|used|stop|more|what|status|node|value"
    r"|next)\b|MAX_BODY|MAX_LINE|many_|parts|\bword >=|\bfield >=|\bplace "
)
# Inputs from a number on, until one stops the program.
EACH = r"""
#include <sys/time.h>

int main(int argc, char **argv)
{
    static char path[4096];
    static uint8_t data[65536];
    const struct itimerval seconds = {{0, 0}, {2, 0}};
    int number = 0;
    FILE *list;

    MUST(argc == 5);
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
        moved = 0u;
        /* Seconds of the processor for each: a loop that has lost its bound does not end. */
        setitimer(ITIMER_VIRTUAL, &seconds, NULL);
        LLVMFuzzerTestOneInput(data, n);
        printf("%08lx/%lu\n", (unsigned long)told, (unsigned long)moved);
        fflush(stdout);
    }
    return 0;
}
"""
# Each input with the code as it is, then without each of the checks that are named.
HUNT = r"""
#undef LLVMFuzzerTestOneInput
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    static int gone[512];
    static int count = -1;
    uint32_t right, least;
    int i;

    if (count < 0) {
        char *next = getenv("FZ_GONE");

        MUST(next != NULL);
        for (count = 0; *next != '\0' && count < 512; count++) {
            gone[count] = (int)strtol(next, &next, 10);
        }
    }
    fz_gone = 0;
    told = 0u;
    moved = 0u;
    fz_one(data, size);
    right = told;
    least = moved;
    for (i = 0; i < count; i++) {
        fz_gone = gone[i];
        told = 0u;
        moved = 0u;
        fz_one(data, size);
        MUST(told == right && moved == least);
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
    for function in _functions(text):
        if re.match("encode|put|out|open|finish|stuff|close_block|age", function[1]):
            continue
        at = function.start(2)
        for condition in CONDITION.finditer(function[2]):
            group = next((one for one in ("loop", "asked", "tail", "all", "least") if condition[one]), 2)
            inner, start = condition[group], at + condition.start(group)
            if rare := RARE.fullmatch(inner):
                start += rare.start(1)
                inner = rare[1]
            behind = function[2][condition.end() :]
            never = group == 2 and REFUSES.match(behind) is not None
            # What is returned is allowed by all of them, or by one.
            never = never or (group == "all" and " || " in inner)
            for part in _operands(inner):
                compared = COMPARED.fullmatch(part) is not None and SIZES.search(part) is not None
                counted = part.startswith("raw >") and COUNTED.match(behind) is not None
                exact = EXACT.fullmatch(part) is not None and group != "asked"
                # A message of one length is read where the length is that; a piece has its end.
                never_here = never and not (function[1] == "accept" and exact)
                exact = exact and (never_here or part != "i == 0")
                if compared or counted or exact:
                    found.append(Mutant(function[1], part, start + inner.index(part), never_here))
    return found


def _functions(text: str) -> list[re.Match[str]]:
    return [*FUNCTION.finditer(text), *NEXT.finditer(text)]


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
    def files(self) -> dict[str, str]:
        """The sources, with a condition around each check."""
        text = self.text
        for number, mutant in sorted(enumerate(self.mutants, 1), key=lambda one: -one[1].start):
            end = mutant.start + len(mutant.check)
            gone = f"fz_is_gone({number}) ? {mutant.instead} : ({mutant.check})"
            text = f"{text[: mutant.start]}({gone}){text[end:]}"
        head = (
            "static int fz_gone, fz_gone_too;\n#define fz_is_gone(x) (fz_gone == (x) || fz_gone_too == (x))\n"
        )
        return {**self.subject.files, f"{PREFIX}.c": head + text}

    @cached_property
    def program(self) -> Path:
        return _compile(self.subject, self.folder, self.files, SANITIZED, "mutants", EACH)

    @cached_property
    def hunter(self) -> Path:
        flags = ["-fsanitize=fuzzer,address,undefined", "-DLLVMFuzzerTestOneInput=fz_one", *SANITIZED]
        return _compile(self.subject, self.folder / "hunt", self.files, flags, "hunt", HUNT)

    @cached_property
    def inputs(self) -> Path:
        return self.listed("inputs", kept(self.subject.name))

    def listed(self, name: str, inputs: list[bytes]) -> Path:
        """A file with the paths of inputs."""
        listed = self.folder / f"{name}.list"
        paths = written(self.folder / name, inputs)
        listed.write_text("".join(f"{path}\n" for path in paths), encoding="utf-8")
        return listed

    def told(self, gone: int = 0, too: int = 0, every: bool = False, inputs: Path | None = None) -> list[str]:
        """What a run over the corpus tells of each input with one or two of the checks deleted.

        It ends with the first input that stops the program, or goes on behind it (``every``). What stopped it
        is "memory" (a sanitizer), "no end" (the timer) or "behaviour" (the harness).
        """
        told: list[str] = []
        # That it stops is enough: to name the place takes longer than the run.
        options = {"ASAN_OPTIONS": "detect_leaks=0:symbolize=0", "UBSAN_OPTIONS": "symbolize=0"}
        environment = {**os.environ, **options}
        while True:
            command = [self.program, str(gone), str(too), str(len(told)), inputs or self.inputs]
            done = subprocess.run(command, capture_output=True, text=True, env=environment)
            told += done.stdout.split()
            if done.returncode == 0:
                return told
            if done.returncode == -signal.SIGVTALRM:
                told.append("no end")
            elif re.match(r"line \d+: ", done.stderr):
                told.append("behaviour")
            else:
                assert "Sanitizer" in done.stderr or "runtime error" in done.stderr, done.stderr[:2000]
                told.append("memory")
            if not every or sum(one in STOPS for one in told) == FEW:
                return told

    @cached_property
    def alone(self) -> list[list[str]]:
        """What is told with each check deleted; the first is what the code as it stands tells."""
        return [self.told(number) for number in range(len(self.mutants) + 1)]

    @cached_property
    def noticed(self) -> dict[str, str]:
        """How the corpus notices that a check is deleted, for each of those of which it does.

        "memory": a sanitizer stops the program. "no end": the timer does. "behaviour": the harness does, or
        something else is told than of the code as it was generated, or left in a receiver. "work": the same
        is told and left, and other bytes were moved for it.
        """
        right, *others = self.alone
        assert not set(STOPS) & set(right)
        assert right == self.told()
        return {
            name: _how(told, right) for name, told in zip(self.names, others, strict=True) if told != right
        }

    def unnoticed(self) -> list[str]:
        """The checks whose deletion the corpus does not notice."""
        return [name for name in self.names if name not in self.noticed]

    def hunt(self, seconds: int, say: Callable[[str], None] = print) -> list[bytes]:
        """Inputs that notice what the corpus does not: of those fuzzing starts from, then of libFuzzer."""
        left = {self.names.index(name) + 1: name for name in self.unnoticed()}
        found: list[bytes] = []

        def try_all(inputs: list[bytes], name: str) -> None:
            listed = self.listed(name, inputs)
            right = self.told(inputs=listed)
            for number in list(left):
                told = self.told(number, inputs=listed)
                if told != right:
                    at = next(i for i, one in enumerate(told) if one != right[i])
                    found.append(inputs[at])
                    say(f"    {left.pop(number)}: {_how([told[at]], [right[at]])} ({name})")

        start = sorted({*seeds(self.subject), *shorter(self.subject)}, key=lambda one: (len(one), one))
        try_all(start, "seeds")
        end = time.monotonic() + seconds
        corpus = self.folder / "corpus"
        written(corpus, kept(self.subject.name))
        number = 0
        while left and (rest := int(end - time.monotonic())) > 0:
            place = self.folder / f"stopped{number}"
            place.mkdir()
            command = [str(self.hunter), f"-max_total_time={rest}", f"-max_len={LONGEST_INPUT}", "-timeout=5"]
            command += ["-use_value_profile=1", "-detect_leaks=0", f"-artifact_prefix={place}/", str(corpus)]
            gone = " ".join(str(one) for one in left)
            options = {"FZ_GONE": gone, "ASAN_OPTIONS": "symbolize=0", "UBSAN_OPTIONS": "symbolize=0"}
            subprocess.run(command, capture_output=True, env={**os.environ, **options})
            stopped = [path.read_bytes() for path in place.iterdir()]
            before = len(left)
            if stopped:
                try_all(stopped, f"libFuzzer {number}")
                if len(left) == before:
                    say(f"    {number}: stopped, and nothing to see in it")
                    break
            number += 1
        return list(dict.fromkeys(found))

    def matters(self, name: str, other: str) -> bool:
        """Whether it is noticed that the first check is gone once the other one is."""
        one, two = (self.names.index(which) + 1 for which in (name, other))
        first = self.told(one, two)
        if first == self.alone[0]:
            return False
        # Where the other one alone stops, the inputs behind that one tell whether this one matters.
        return first != self.alone[two] or (
            bool(set(STOPS) & set(first)) and self.told(one, two, True) != self.told(0, two, True)
        )

    def behind(self, name: str) -> str | None:
        """A check without which this one is noticed: it stands in reserve for that."""
        # Best one that does not matter alone either: then each of the two is the other's reserve.
        alive = self.unnoticed()
        near = [one for one in self.names if one.partition(": ")[0] == name.partition(": ")[0]]
        others = [one for one in dict.fromkeys([*alive, *near]) if one != name]
        return next((other for other in others if self.matters(name, other)), None)

    def print_of(self, name: str) -> str:
        """A short print of the function a check stands in."""
        function = name.partition(": ")[0]
        body = "".join(found[0] for found in _functions(self.text) if found[1] == function)
        return hashlib.sha256(body.encode()).hexdigest()[:12]


def _how(told: list[str], right: list[str]) -> str:
    """How the deletion of a check shows in what is told with it gone, which differs."""
    if stop := next((one for one in STOPS if one in told), None):
        return stop
    # In front of the bytes that were moved.
    same = [one.partition("/")[0] for one in told] == [one.partition("/")[0] for one in right]
    return "work" if same else "behaviour"


def _likeness(mutant: Mutant) -> tuple[str, str]:
    """Function and check without the names and numbers of one subject."""
    return re.sub(r"^read_.*", "read_", mutant.function), re.sub(r"\d+", "0", mutant.check)


def _in_itself(subject: Subject) -> bool:
    """Whether the code of a subject is analysed as it stands."""
    other = proven().get(subject.name)
    return other is not None and other.files == subject.files


def _limited() -> None:
    resource.setrlimit(resource.RLIMIT_CPU, (LONGEST, LONGEST + 1))


def analysed(subject: Subject, mutant: Mutant) -> dict[str, str]:
    """What the analysis says of code without a check, and in which subject and way.

    "analysis": there it sees that something can go wrong. "safe without": there it follows all bytes to the
    end and sees nothing, in every way that is analysed; the check then guards no memory. Empty: neither.
    """
    wanted = _likeness(mutant)
    own = subject.codec.fmt.delimiting
    found = []
    # Where the subject itself is analysed, this check and none that is like it.
    itself = _in_itself(subject)
    for other in [] if itself else proven().values():
        for like in mutants(other.files[f"{PREFIX}.c"]):
            if _likeness(like) == wanted and other.extractor == subject.extractor:
                found.append((other.codec.fmt.delimiting != own, other, like))
    found += [(False, subject, mutant)] if itself else []
    safe = []
    # Two of them at most: those of the same delimiting first, each pushed before fed, which takes longer.
    for another, other, like in sorted(found, key=lambda one: one[0])[:2]:
        quiet = not another and like.function not in NOT_DRIVEN
        for way in ("push", "feed"):
            files = {**other.files, f"{PREFIX}.c": hinted(like.gone(other.files[f"{PREFIX}.c"]))}
            with tempfile.TemporaryDirectory() as folder:
                verdict = without(Path(folder), driver(other, way), files)
            if verdict.alarms:
                return {"analysis": f"{other.name} {way}"}
            quiet = quiet and verdict.statements > 0
        if quiet:
            safe += [f"{other.name} push", f"{other.name} feed"]
    return {"safe without": ", ".join(safe)} if safe else {}


def without(folder: Path, source: str, files: dict[str, str]) -> Verdict:
    """An analysis up to its first alarm, or until its time is over: then without a number of statements."""
    options = ("-eva-stop-at-nth-alarm", "1")
    return analyse(folder, source, files, options, _limited, whole=False)


def elsewhere(known: dict, name: str, check: str, mark: str) -> str | None:
    """Another subject that has the same function, to the letter, and whose corpus notices the deletion."""
    for other, found in known.items():
        if other != name and found.get("functions", {}).get(check) == mark:
            return other
    return None


def shorter(subject: Subject) -> list[bytes]:
    """Payloads of no bytes with every number of a frame, and pieces of good ones behind them."""
    if subject.extractor:
        return []
    own = [bytes.fromhex(vector["payload"]) for vector in vectors(subject.spec)["good"]]
    own = [payload for payload in own if len(payload) < 200]
    found = [bytes([0x2F, number]) for number in range(256)]
    for payload in own:
        whole = bytes([len(payload)]) + payload
        found += [bytes([0x2F]) + whole + bytes([n]) + payload[:n] for n in range(len(payload))]
    return found


def main(names: list[str], ask: bool, seconds: int | None = None) -> None:
    known = json.loads(BOUNDS.read_text(encoding="utf-8")) if BOUNDS.exists() else {}
    asked: dict[tuple[str, ...], dict[str, str]] = {}
    for name in names:
        with tempfile.TemporaryDirectory() as folder:
            deleting = Deleting(subjects()[name], Path(folder))
            if seconds is not None and deleting.unnoticed():
                for_bounds(name, [*kept_for_bounds(name), *deleting.hunt(seconds)])
                deleting = Deleting(deleting.subject, Path(folder) / "again")
            alive = deleting.unnoticed()
            before, now = known.get(name, {}), {}
            known[name] = now
            now["noticed by the corpus"] = deleting.noticed
            now["functions"] = {one: deleting.print_of(one) for one in deleting.noticed}
            count = len(deleting.names)
            print(f"{name}: {count - len(alive)} of {count} by the corpus", flush=True)
            for one in alive:
                mark = deleting.print_of(one)
                found = before.get("by others", {}).get(one, {})
                there = known.get(found.get("elsewhere"), {}).get("functions", {})
                lapsed = "elsewhere" in found and there.get(one) != mark
                if ask and (found.get("function") != mark or set(found) == {"function"} or lapsed):
                    mutant = deleting.mutants[deleting.names.index(one)]
                    found = {"function": mark}
                    if other := deleting.behind(one):
                        found["behind"] = other
                    elif other := elsewhere(known, name, one, mark):
                        found["elsewhere"] = other
                    else:
                        key = (deleting.subject.codec.fmt.delimiting, *_likeness(mutant))
                        if _in_itself(deleting.subject):
                            key = (name, one)
                        if key not in asked:
                            asked[key] = analysed(deleting.subject, mutant)
                        found.update(asked[key])
                now.setdefault("by others", {})[one] = found
                print(f"    {one}: {found}", flush=True)
                _keep(name, now)
        _keep(name, now)


def _keep(name: str, found: dict) -> None:
    """Keep what was found of one subject; another run may have written of others meanwhile."""
    known = json.loads(BOUNDS.read_text(encoding="utf-8")) if BOUNDS.exists() else {}
    text = json.dumps({**known, name: found}, indent=1, sort_keys=True)
    BOUNDS.write_text(text + "\n", encoding="utf-8")


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="Delete bound checks of generated C in turn.")
    parser.add_argument("subjects", nargs="*", metavar="SUBJECT")
    parser.add_argument("--corpus", action="store_true", help="ask no analysis and look for no reserves")
    parser.add_argument("--hunt", type=int, metavar="SECONDS", help="look for inputs that notice more first")
    return parser.parse_args()


if __name__ == "__main__":
    arguments = _arguments()
    main(arguments.subjects or list(subjects()), not arguments.corpus, arguments.hunt)
