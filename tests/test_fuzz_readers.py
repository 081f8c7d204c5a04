"""Each reader of captures fed with damaged files: a capture or a `CaptureError`, soon, and no memory eaten.

Some thousands of mutants are tried for each reader; ``LINKBUDGET_FUZZ=100000`` tries so many of each. Those
with which ``python tests/fuzz_corpus.py`` saw a reader do something new, among 100,000, are kept in
``tests/data/fuzz_corpus/<reader>.jsonl`` and tried in every run; so are those that once brought a reader
down, files in ``tests/data/fuzz/<reader>/``.
"""

from __future__ import annotations

import os
import signal
import warnings
from itertools import islice

import pytest
from fuzz_corpus import CORPUS, kept_mutants
from fuzz_readers import KEPT, MEMORY_ALLOWED, NAMES, Target, mutants_of, target_of, try_one

from linkbudget import LinkBudgetWarning

MUTANTS = int(os.environ.get("LINKBUDGET_FUZZ", "2500"))
SLOW = {
    "any": 8,
    "parquet": 8,
    "samples": 4,
    "gz": 2,
    "zst": 2,
    "vcd by kernel": 4,
    "table of edges by kernel": 4,
    "table of samples by kernel": 4,
}  # parts of the mutants that others get, in a normal run
SEEN_BY_CHECKSUM = ("samples", "bytes", "gz", "zst", "parquet")  # or never: nearly all are read, or none


@pytest.mark.parametrize("name", NAMES)
def test_mutants_are_read_or_refused(tmp_path, name):
    target = target_of(name, tmp_path)
    count = MUTANTS if "LINKBUDGET_FUZZ" in os.environ else MUTANTS // SLOW.get(name, 1)
    mutants = islice(mutants_of(name, target), count)
    outcomes = [
        try_one(target, tmp_path / "mutant", content, options, number)
        for number, (content, options) in enumerate(mutants)
    ]
    # Both happen often, or the mutants are of no use.
    share = sum(outcome.startswith("read") for outcome in outcomes) / count
    assert 0.02 < share < 0.98 or name in SEEN_BY_CHECKSUM


@pytest.mark.parametrize("name", [path.stem for path in sorted(CORPUS.glob("*.jsonl"))])
def test_kept_mutants_are_read_or_refused(tmp_path, name):
    target = target_of(name, tmp_path)
    for at, (content, options) in enumerate(kept_mutants(name, target)):
        # In pieces of 2 bytes; some with an eye on memory, which takes long.
        for number in (1, 7) if at % 10 == 0 else (1,):
            try_one(target, tmp_path / "mutant", content, options, number)


@pytest.mark.parametrize("path", sorted(KEPT.glob("*/*")), ids=lambda path: f"{path.parent.name}-{path.name}")
def test_mutants_that_once_brought_a_reader_down(tmp_path, path):
    target = target_of(path.parent.name, tmp_path)
    for options in {repr(options): options for _, options in target.files}.values():
        for number in (0, 1, 7):
            try_one(target, tmp_path / path.name, path.read_bytes(), options, number)


@pytest.mark.parametrize("name", NAMES)
def test_the_files_are_good_before_they_are_damaged(tmp_path, name):
    target = target_of(name, tmp_path)
    for content, options in target.files:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", LinkBudgetWarning)
            path = tmp_path / "whole"
            path.write_bytes(content)
            if name != "any":
                assert target.load(path, **{**target.options, **options})


def test_a_reader_that_hangs_or_breaks_is_seen(tmp_path, monkeypatch):
    def breaks(path, **options):
        raise IndexError("beans")

    with pytest.raises(IndexError):
        try_one(Target([], [], breaks), tmp_path / "a", b"", {}, 0)

    def hangs(path, **options):
        while True:
            signal.sigtimedwait([], 1)

    monkeypatch.setattr("fuzz_readers.SECONDS_ALLOWED", 1)
    with pytest.raises(TimeoutError):
        try_one(Target([], [], hangs), tmp_path / "a", b"", {}, 0)

    def eats(path, **options):
        return len(bytes(2 * MEMORY_ALLOWED))

    with pytest.raises(AssertionError):
        try_one(Target([], [], eats), tmp_path / "a", b"", {}, 7)
