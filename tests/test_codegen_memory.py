"""Generated C is free of memory errors: fuzzed with sanitizers, every branch taken, and analysed as a whole.

How long each subject is fuzzed is set by ``LINKBUDGET_FUZZ_SECONDS`` (2 by default). The long run, 60 s each,
is ``python tests/codegen_fuzz.py``; it also writes the corpora, which the other tests use.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path

import pytest
from codegen_eva import HINTS, analyse, driver, hinted
from codegen_fuzz import build, build_covered, fuzz, kept, untaken, written
from codegen_mutants import BOUNDS, Deleting
from codegen_subjects import PREFIX, proven, subjects

SECONDS = int(os.environ.get("LINKBUDGET_FUZZ_SECONDS", "2"))
NAMES = list(subjects())

# Branches that nothing can take: function, condition, and why.
UNREACHABLE = {
    r"age: last != seen->last never true": "only an interrupt between two reads of it",
    r"encode_\w+: out\.used > 0u never (true|false)": "the size of such a message is fixed",
    r"stuff: out->length - out->code_at == 255u never true": "these bodies are shorter than a block",
    r"(add|stuff|run): \(\(FZ_ASYNC_MAP >> byte\) & 1u\) != 0u never false": "the map has all of them",
    r"put_bits: (out->used == 8u never false|width < room never true)": "all widths are whole bytes",
    r"digits: \*exponent > -1000 never false": "no line is so long",
    r"put_label: i \+ j < n never false": "with a separator of one byte",
    r"read_\w+: fz_next\(&in, &word, .*\) == 0 never true": "there always is a first word",
    r"read_\w+: n == 0u never true": "for messages without fields",
    r"accept: n == \d+u never false": "without delimiting every frame has this length",
    r"search: status == FZ_NOTHING never false": "frames without a header have none that is wrong",
    r"search: held - at >= FZ_SYNC_BYTES never false": "with one sync byte",
}
# The same for one subject only.
OWN = {
    "newline-unchecked": {
        r"put_decimal: places > 0u never true": "of one decimal place none is left behind a digit"
    },
    "extract-json": {
        r"at_option: node >= FZ_WORDS - 2u never true": "for the analysis: words end with a quote",
        r"at_literal: place >= sizeof text - 1u never true": "for the analysis: a literal has its end",
        r"run: value >= FZ_(WORDS - 3u|FIELDS) never true": "for the analysis: behind a quote is a number",
    },
    "extract-array": {
        r"at_option: node >= FZ_WORDS - 2u never true": "for the analysis: words end with a quote",
        r"at_literal: place >= sizeof text - 1u never true": "for the analysis: a literal has its end",
    },
    "extract-keyed": {
        r"at_option: node >= FZ_WORDS - 2u never true": "for the analysis: words end with a quote",
        r"at_literal: place >= sizeof text - 1u never true": "for the analysis: a literal has its end",
        r"run: value >= FZ_(WORDS - 3u|FIELDS) never true": "for the analysis: behind a quote is a number",
    },
    "extract-lists": {
        r"at_option: node >= FZ_WORDS - 2u never true": "for the analysis: words end with a quote",
        r"at_literal: place >= sizeof text - 1u never true": "for the analysis: a literal has its end",
        r"run: value >= FZ_(WORDS - 3u|FIELDS) never true": "for the analysis: behind a quote is a number",
    },
    "extract-array-lists": {
        r"at_option: node >= FZ_WORDS - 2u never true": "for the analysis: words end with a quote",
        r"at_literal: place >= sizeof text - 1u never true": "for the analysis: a literal has its end",
    },
    "extract-words": {
        r"begin: word >= FZ_LINE_WORDS never true": "for the analysis: nothing follows the end",
        r"at_ending: state->node (==|>=) word->length never \w+": "a separator of one byte",
        r"at_text: state->value == FZ_ABSENT never true": "no word may be absent",
    },
    "cobs-numbered": {
        r"at_end: fz_bits\(in, \(uint8_t\)rest\) == 0u never false": "all widths are whole bytes",
        r"bits: part > width - done never true": "all widths are whole bytes",
    },
}
PROVEN = [f"{name} {way}" for name in proven() for way in ("push", "feed")]


def tool(name: str) -> None:
    """Without the program the test is skipped, or fails in the job that promises it."""
    if shutil.which(name) is None:
        if os.environ.get("LINKBUDGET_REQUIRE_TOOLS"):
            pytest.fail(f"{name} is not there")
        pytest.skip(f"needs {name}")


@pytest.mark.parametrize("name", NAMES)
def test_nothing_is_found_by_fuzzing(name, tmp_path):
    tool("clang")
    written(tmp_path / "corpus", kept(name))
    runs, _ = fuzz(build(subjects()[name], tmp_path), tmp_path / "corpus", SECONDS)
    assert runs > len(kept(name))


@cache
def untaken_of(name: str) -> tuple[list[str], int]:
    """The branches that no input of its corpus takes, and how many there are."""
    tool("clang")
    tool("llvm-cov")
    with tempfile.TemporaryDirectory() as folder:
        return untaken(build_covered(subjects()[name], Path(folder)), kept(name))


def explains(pattern: str, text: str) -> bool:
    """Whether a reason is one for this branch."""
    return re.fullmatch(f"{PREFIX}_{pattern}", text) is not None


@pytest.mark.parametrize("name", NAMES)
def test_the_corpus_takes_every_branch(name):
    missing, branches = untaken_of(name)
    assert branches > 80
    known = {**UNREACHABLE, **OWN.get(name, {})}
    assert [text for text in missing if not any(explains(pattern, text) for pattern in known)] == []


def test_every_reason_stands_for_a_branch():
    """What nothing can take any more, or something takes by now, needs no reason."""
    missing = {name: untaken_of(name)[0] for name in NAMES}
    everywhere = [text for texts in missing.values() for text in texts]
    assert [one for one in UNREACHABLE if not any(explains(one, text) for text in everywhere)] == []
    own = [(name, one) for name, reasons in OWN.items() for one in reasons]
    assert [(name, one) for name, one in own if not any(explains(one, text) for text in missing[name])] == []


def test_every_hint_has_its_place():
    """A statement that is written otherwise by now would lose its hint unseen, an assertion among them."""
    codes = [subject.files[f"{PREFIX}.c"] for subject in proven().values()]
    assert [hint for hint in HINTS if all(hinted(code, (hint,)) == code for code in codes)] == []


def analysed_by(command: list[str], folder: Path, text: str | None = None) -> str:
    """What the analysis of a compiler says of the source, or of other text in its place."""
    if text is not None:
        (folder / f"{PREFIX}.c").write_text(text, encoding="utf-8")
    done = subprocess.run([*command, f"{PREFIX}.c"], cwd=folder, capture_output=True, text=True)
    return done.stdout + done.stderr


ANALYSERS = {
    "gcc": ["gcc", "-std=c99", "-O2", "-fanalyzer", "-c", "-o", "analysed.o"],
    "clang": ["clang", "-std=c99", "--analyze", "--analyzer-output", "text"],
}
# A read of what was given back, behind a function that is there in every source.
PLANTED = """
#include <stdlib.h>
int planted(void);
int planted(void)
{
    int *place = malloc(sizeof *place);

    free(place);
    return *place;
}
"""


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("compiler", list(ANALYSERS))
def test_the_analysis_of_compilers_finds_nothing(compiler, name, tmp_path):
    tool(compiler)
    for file, text in subjects()[name].files.items():
        (tmp_path / file).write_text(text, encoding="utf-8")
    assert analysed_by(ANALYSERS[compiler], tmp_path) == ""


@pytest.mark.parametrize("compiler", list(ANALYSERS))
def test_the_analysis_of_compilers_finds_what_was_planted(compiler, tmp_path):
    tool(compiler)
    files = subjects()["slip-hex"].files
    for file, text in files.items():
        (tmp_path / file).write_text(text, encoding="utf-8")
    assert "free" in analysed_by(ANALYSERS[compiler], tmp_path, files[f"{PREFIX}.c"] + PLANTED)


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_each_bound_that_is_deleted_is_noticed(name, tmp_path):
    tool("clang")
    bounds = json.loads(BOUNDS.read_text(encoding="utf-8"))
    found = bounds[name]
    deleting = Deleting(subjects()[name], tmp_path)
    alive = deleting.unnoticed()
    again = f"the C has other checks now: python tests/codegen_mutants.py {name} writes {BOUNDS.name} anew"
    assert deleting.noticed == found["noticed by the corpus"], again
    others = found.get("by others", {})
    assert set(alive) == set(others), again
    for one, how in others.items():
        if "behind" in how:
            # A reserve of the other one: without both, it matters that this one is gone.
            assert deleting.matters(one, how["behind"]), one
        elif "elsewhere" in how:
            # Its function, to the letter, is part of a subject that notices.
            assert bounds[how["elsewhere"]]["functions"][one] == deleting.print_of(one), one
        else:
            # What nothing notices has neither of them.
            assert "analysis" in how or "safe without" in how, one
            assert how["function"] == deleting.print_of(one), again
            cases = how.get("analysis", how.get("safe without")).split(", ")
            assert {case.split()[0] for case in cases} <= set(proven()), one


@pytest.mark.parametrize("case", PROVEN)
def test_no_bytes_can_do_harm(case, tmp_path):
    tool("frama-c")
    name, way = case.split()
    subject = proven()[name]
    files = {file: hinted(text) for file, text in subject.files.items()}
    verdict = analyse(tmp_path, driver(subject, way), files)
    assert verdict.alarms == [], "\n".join(verdict.alarms)
    # The rest cannot be reached: a subject that is not analysed has no alarms either.
    assert verdict.reached / verdict.statements > 0.92


@pytest.mark.parametrize(
    ("name", "way", "bound", "without"),
    [
        ("cobs", "push", "if (length > FZ_HELD) {", "if (0) {"),
        ("slip", "feed", "if (length > FZ_MAX_BODY) {", "if (0) {"),
        # How many records are to be read, whose places move.
        ("moving", "feed", "if (raw > 2u) {", "if (0) {"),
        ("moving", "push", "if (i >= n || text[i] < low", "if (text[i] < low"),
        ("counted", "push", "if (length > 2u) {", "if (length > 9u) {"),
        # One byte too many, which meets the next member of the receiver, or of the message.
        ("slip", "push", "if (length > FZ_MAX_BODY) {", "if (length > FZ_MAX_BODY + 1u) {"),
        ("slip", "feed", "size_t most = FZ_MAX_BODY - ", "size_t most = FZ_MAX_BODY + 2u - "),
        ("parts", "push", "if (word.n > 2u) {", "if (word.n > 3u) {"),
        ("parts", "push", "if (word.n / 2u > 1u) {", "if (word.n / 2u > 2u) {"),
        # One element too many.
        ("extract-lists", "push", "if (place >= 3u) {", "if (place >= 4u) {"),
        ("extract-array-lists", "push", "if (place >= 2u) {", "if (place >= 3u) {"),
    ],
)
def test_the_analysis_sees_a_missing_bound(name, way, bound, without, tmp_path):
    tool("frama-c")
    subject = proven()[name]
    text = subject.files[f"{PREFIX}.c"]
    assert bound in text
    files = {**subject.files, f"{PREFIX}.c": hinted(text.replace(bound, without, 1))}
    stop = ("-eva-stop-at-nth-alarm", "1")
    assert analyse(tmp_path, driver(subject, way), files, stop, whole=False).alarms != []
