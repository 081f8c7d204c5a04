"""The mutants worth keeping: of many, those with which a reader does something that it did not do before.

``python tests/fuzz_corpus.py [COUNT [READER ...]]`` tries COUNT mutants (100,000) of each reader, as the
tests do, and writes those kept into ``tests/data/fuzz_corpus/``, one JSON line each: the number of a file of
the reader whose options hold for it, its bytes as Latin-1, and what came out, in general terms. Two mutants
do the same when the words said about them differ in numbers and quoted text only.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

from fuzz_readers import NAMES, Target, mutants_of, target_of, try_one

CORPUS = Path(__file__).parent / "data" / "fuzz_corpus"


def kept_mutants(name: str, target: Target) -> Iterator[tuple[bytes, dict[str, object]]]:
    """The mutants kept for a reader, with their options."""
    for line in (CORPUS / f"{name}.jsonl").read_text(encoding="ascii").splitlines():
        kept = json.loads(line)
        yield kept["content"].encode("latin-1"), target.files[kept["file"]][1]


def worth_keeping(name: str, target: Target, path: Path, count: int) -> list[str]:
    """Try ``count`` mutants; return the lines of those that are kept, the shortest of each kind."""
    all_options = [options for _, options in target.files]
    kept: dict[tuple[int, str], bytes] = {}
    for number, (content, options) in enumerate(islice(mutants_of(name, target), count)):
        kind = all_options.index(options), try_one(target, path, content, options, number)
        if len(content) < len(kept.get(kind, content + b" ")):
            kept[kind] = content
    return [
        json.dumps({"file": file, "content": content.decode("latin-1"), "outcome": outcome})
        for (file, outcome), content in sorted(kept.items())
    ]


def main(count: int, names: list[str]) -> None:
    CORPUS.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder:
        for name in names:
            begin = time.monotonic()
            lines = worth_keeping(name, target_of(name, Path(folder)), Path(folder) / "mutant", count)
            (CORPUS / f"{name}.jsonl").write_text("".join(line + "\n" for line in lines), encoding="ascii")
            print(
                f"{name}: {count:,} mutants in {time.monotonic() - begin:.0f} s, {len(lines)} kept",
                flush=True,
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000, sys.argv[2:] or NAMES)
