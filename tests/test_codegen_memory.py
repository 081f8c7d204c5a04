"""Generated C is free of memory errors: fuzzed with sanitizers, every branch taken, and analysed as a whole.

How long each subject is fuzzed is set by ``LINKBUDGET_FUZZ_SECONDS`` (2 by default). The long run, 60 s each,
is ``python tests/codegen_fuzz.py``; it also writes the corpora, which the other tests use.
"""

from __future__ import annotations

import os
import re
import shutil

import pytest
from codegen_eva import UNPROVEN, analyse, driver, hinted
from codegen_fuzz import build, build_covered, fuzz, kept, untaken, written
from codegen_mutants import unnoticed
from codegen_subjects import PREFIX, proven, subjects

SECONDS = int(os.environ.get("LINKBUDGET_FUZZ_SECONDS", "2"))
NAMES = list(subjects())

# Branches that nothing can take: function, condition, and why.
UNREACHABLE = {
    r"age: last != seen->last never true": "only an interrupt between two reads of it",
    r"accept: place >= FZ_NO_PLACE never false": "a reader interrupted at this kind of message",
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
    r"header: n < FZ_HEADER_BYTES never true": "its header is a byte",
    r"judge: n < \du never true": "the length was checked with the header",
    r"search: held - at >= FZ_SYNC_BYTES never false": "with one sync byte",
}
# The same for one subject only.
OWN = {
    "newline-unchecked": {
        r"put_decimal: (n == places|negative != 0u|places > 0u|units .*) never \w+": "no decimals"
    },
    "extract-json": {
        r"at_known: state->node < FZ_WORDS - 1u never false": "for the analysis: words end with a quote",
        r"at_option: node >= FZ_WORDS - 2u never true": "for the analysis, as above",
        r"at_literal: place >= sizeof text - 1u never true": "for the analysis: a literal has its end",
        r"run: value < FZ_WORDS - 3u never false": "for the analysis, as above",
        r"run: value >= FZ_(WORDS - 3u|FIELDS) never true": "for the analysis: behind a quote is a number",
    },
    "extract-array": {
        r"at_option: node >= FZ_WORDS - 2u never true": "for the analysis: words end with a quote",
        r"at_literal: place >= sizeof text - 1u never true": "for the analysis: a literal has its end",
    },
    "extract-words": {
        r"begin: word >= FZ_LINE_WORDS never true": "for the reader and the analysis: nothing follows the end",
        r"at_ending: state->node (==|>=) word->length never \w+": "a separator of one byte",
        r"at_text: state->value == FZ_ABSENT never true": "no word may be absent",
        r"find: node < FZ_NODES never false": "for the reader and the analysis: no row names another",
    },
    "cobs-numbered": {
        r"at_end: fz_bits\(in, \(uint8_t\)rest\) == 0u never false": "all widths are whole bytes",
        r"bits: part > width - done never true": "all widths are whole bytes",
    },
}
PROVEN = [
    f"{name} {way}"
    for name in proven()
    for way in ("push", "feed")
    if not {name, f"{name} {way}"} & set(UNPROVEN)
]


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


@pytest.mark.parametrize("name", NAMES)
def test_the_corpus_takes_every_branch(name, tmp_path):
    tool("clang")
    tool("llvm-cov")
    missing, branches = untaken(build_covered(subjects()[name], tmp_path), kept(name))
    assert branches > 80
    known = [f"{PREFIX}_{text}" for text in {**UNREACHABLE, **OWN.get(name, {})}]
    unexplained = [text for text in missing if not any(re.fullmatch(pattern, text) for pattern in known)]
    assert unexplained == []


# The run of every subject is ``python tests/codegen_mutants.py``: it also asks the analysis.
# Deleted checks that are no bound: another one stands in front, or what they allow is refused behind.
NO_BOUND = {
    "cobs": set(),
    "counted": {
        "header: n < FZ_HEADER_BYTES",
        "judge: n < 2u",
        "search: held - at >= need",
        "search: at > 0u",
        "search: at < held",
        "decode: n < FZ_HEADER_BYTES",
    },
}


@pytest.mark.slow
@pytest.mark.parametrize("name", list(NO_BOUND))
def test_each_bound_that_is_deleted_is_noticed(name, tmp_path):
    tool("clang")
    alive, count = unnoticed(subjects()[name], tmp_path)
    assert count >= 8
    assert set(alive) == NO_BOUND[name]


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
        ("counted", "push", "if (length > 2u) {", "if (length > 9u) {"),
    ],
)
def test_the_analysis_sees_a_missing_bound(name, way, bound, without, tmp_path):
    tool("frama-c")
    subject = proven()[name]
    text = subject.files[f"{PREFIX}.c"]
    assert bound in text
    files = {**subject.files, f"{PREFIX}.c": hinted(text.replace(bound, without, 1))}
    assert analyse(tmp_path, driver(subject, way), files).alarms != []
