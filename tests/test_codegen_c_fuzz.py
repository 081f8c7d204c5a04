"""Generated decoders under libFuzzer with sanitizers; and bounds deleted on purpose.

The harness pushes the bytes, feeds them in pieces and decodes them as one frame; what pushing and feeding
count must be the same. Every bound of the decoders is deleted in turn, and each time the fuzzer must notice.
"""

from __future__ import annotations

import subprocess
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest
from c_codecs import FLAGS, Case, builds, missing, tool
from frame_cases import FORMATS
from test_codegen_c import codec_for

CLANG = ("clang", "-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all")
HARNESS = r"""
#include <stdlib.h>
#include <string.h>
#include "f.h"

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    f_receiver *pushed = (f_receiver *)malloc(sizeof *pushed);
    f_receiver *fed = (f_receiver *)malloc(sizeof *fed);
    uint8_t *copy = (uint8_t *)malloc(n > 0u ? n : 1u);
    f_message message;
    size_t step = n > 0u ? 1u + data[0] % 17u : 1u;
    size_t i;

    f_start(pushed, 0u);
    f_start(fed, 0u);
    for (i = 0u; i < n; i++) {
        (void)f_push(pushed, data[i], (uint32_t)i);
    }
    for (i = 0u; i < n; i += step) {
        size_t piece = n - i < step ? n - i : step;
        uint8_t *exact = (uint8_t *)malloc(piece);

        memcpy(exact, &data[i], piece);
        if (f_feed(fed, exact, piece, piece, (uint32_t)i) != piece) {
            abort();
        }
        free(exact);
    }
    for (i = 0u; i < F_STATUSES; i++) {
        if (f_count(pushed, (f_status)i) != f_count(fed, (f_status)i)) {
            abort();
        }
    }
    if (n > 0u) {
        memcpy(copy, data, n);
        (void)f_decode(copy, n, &message);
    }
    free(copy);
    free(fed);
    free(pushed);
    return 0;
}
"""
KINDS = ("cobs", "cobs-unchecked", "slip", "hdlc-all", "newline-two", "counted-sync", "counted")
# Checks that keep writing and reading inside of the buffers. Those that only decide what is accepted are held
# by the comparison with the library (`test_codegen_c.py`): behind a check code a fuzzer does not get there.
BOUNDS = [
    ("cobs", "if (line->length < F_HELD) {", "if (1) {"),
    ("cobs", "if (n > F_HELD - (size_t)state->line.length) {", "if (0) {"),
    ("cobs", "i < n - 1u && state->line.length < F_HELD - 1u", "state->line.length < F_HELD - 1u"),
    ("cobs", "i < n - 1u && state->line.length < F_HELD - 1u", "i < n - 1u"),
    ("cobs", "} while (rest > 1u);", "} while (rest > 0u);"),
    ("cobs-unchecked", "if (line->length < F_HELD) {", "if (1) {"),
    ("slip", "if (line->length < F_MAX_BODY) {", "if (1) {"),
    ("hdlc-all", "if (line->length < F_MAX_BODY) {", "if (1) {"),
    ("newline-two", "if (line->length < F_MAX_BODY) {", "if (1) {"),
    ("counted", "if (length > 80u) {", "if (0) {"),
    ("counted-sync", " || length > 89u", ""),
]


def harness(name: str, folder: Path, old: str = "", new: str = "") -> Path:
    """Compile the fuzzer of a format, with one piece of the decoder replaced."""
    folder.mkdir(parents=True)
    fmt = replace(FORMATS[name], max_payload=80)
    case = Case(codec_for(fmt, 0), "f")
    text = case.files["f.c"]
    assert old in text, f"{name} has no {old!r}"
    (folder / "f.h").write_text(case.files["f.h"], encoding="utf-8")
    (folder / "f.c").write_text(text.replace(old, new, 1) if old else text, encoding="utf-8")
    (folder / "harness.c").write_text(HARNESS, encoding="utf-8")
    strict = [] if old else [flag for flag in FLAGS if flag != "-Wsign-conversion"]
    command = [*CLANG, "-std=c99", *strict, "-g0", "-O1", "-o", "fuzz", "harness.c", "f.c"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[:3000]
    corpus = folder / "corpus"
    corpus.mkdir()
    frames = [case.codec.encode(m.name, m.encoding.attain(m.layout, "maximum")) for m in case.codec.messages]
    for number, frame in enumerate(frames):
        (corpus / f"{number}").write_bytes(frame * 3)
    (corpus / "long").write_bytes(frames[0][:-1] + bytes([0x55]) * 600 + frames[0])
    return folder


def fuzz(folder: Path, runs: int, seed: int = 1) -> subprocess.CompletedProcess[str]:
    command = ["./fuzz", f"-seed={seed}", f"-runs={runs}", "-max_len=1024", "-timeout=20", "corpus"]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True)


def clang(folder: Path) -> None:
    tool("clang")
    if not builds(("clang", "-fsanitize=address"), folder):
        missing("libclang-rt")


@pytest.mark.slow
def test_nothing_is_found(tmp_path):
    clang(tmp_path)

    def one(name: str) -> None:
        done = fuzz(harness(name, tmp_path / name), 20_000)
        assert done.returncode == 0, f"{name}\n{done.stderr[-3000:]}"

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(one, KINDS))


@pytest.mark.slow
def test_every_bound_that_is_deleted_is_missed(tmp_path):
    clang(tmp_path)

    def one(place: int) -> str:
        name, old, new = BOUNDS[place]
        folder = harness(name, tmp_path / str(place), old, new)
        # The same seed does not give the same runs on every machine: some need more of them.
        found = any(fuzz(folder, 20_000, seed).returncode for seed in range(1, 9))
        return "" if found else f"{name}: {old}"

    with ThreadPoolExecutor(2) as pool:
        unnoticed = [text for text in pool.map(one, range(len(BOUNDS))) if text]
    assert unnoticed == []
