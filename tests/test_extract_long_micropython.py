"""Numbers of more than 30 bits in the MicroPython extractor of JSON: as the reference takes them."""

from __future__ import annotations

import pytest
from extract_machine import (
    accepted_in_cpython,
    have_vm,
    have_wasm,
    lines_of,
    module_of,
    run_in_wasm,
    run_native,
)
from extract_oracle import BILLIONS, LARGE, codec_of, every_value, expected, stream_of, typical
from test_extract_arrays import stream_of as array_stream_of

from linkbudget.message.fields import Choice, Counter, Flag, Integer, Optional_, Repeat, Scaled
from linkbudget.message.layout import MessageLayout

MIXED = MessageLayout(
    "mixed",
    (
        Counter("ms", 32),
        Optional_(Integer("far", -(2**45), 2**33)),
        Integer("low", 10**15, 10**15 + 9),
        Integer("below", -(2**40), -(2**39)),
        Optional_(Scaled("lat", -90, 90, 1e-7)),
        Scaled("odd", -700, 700, 7e-8),
        Scaled("even", 0, 10**12, 1024),
        Choice("kind", ("whole", "stone")),
        Integer("score", 0, 100),
    ),
)
SEEN = MessageLayout(
    "seen",
    (
        Counter("us", 48),
        Repeat("at", (Optional_(Scaled("lat", -90, 90, 1e-7)), Flag("ripe"), Integer("id", 0, 2**34)), 3),
        Repeat("ids", Integer("id", -(2**31), 2**31 - 1), 2),
    ),
    key="seen",
)
CASES = {
    "large": codec_of(LARGE),
    "billions": codec_of(BILLIONS, terminator="\r\n"),
    "mixed": codec_of(MIXED, max_payload=260, crc="CRC-16/IBM-3740", check_form="hex"),
    "repeats": codec_of(SEEN, MIXED, max_payload=400),
    "arrays": codec_of(MIXED, encoding="json-array", max_payload=260),
}
# Beside the numbers of the oracle: around 2^30, 2^60 and 2^64, with points and exponents.
MORE = [
    *(str(sign * (2**bits + off)) for bits in (26, 29, 30, 31, 32, 33, 45, 60, 63, 64) for off in (-1, 0, 1)
      for sign in (1, -1)),
    *("1000000000000009", "1000000000000010", "1000000000000000.0", "1.000000000000005e15", "1e15"),
    *("89.9999999", "-90.0000000", "90.00000001", "8.99999999e1", "8999999990e-8", "1234567890123456789e-18"),
    *("0.00000007", "699.99999999", "-699.99999999", "-700", "-699.99999993", "1e3", "7e-8", "-7e-8"),
    *("1024", "1000000000000", "999999998976", "999999999999", "1e12", "0e99", "0.00000000000000000", "-0.0"),
    *("11529215046068469759", "11529215046068469760", "115292150460684697600", "1152921504606846976e-9"),
    *("99999999999999999999999999999999", "1" + "0" * 40, "1" + "0" * 40 + "e-40", "0." + "0" * 30 + "1e31"),
]  # fmt: skip


def drawn(name: str, count: int, seed: int) -> bytes:
    return (array_stream_of if name == "arrays" else stream_of)(CASES[name], count, seed)


def with_more(codec) -> bytes:
    """Return lines with each of these numbers in place of each number."""
    lines = []
    for message in codec.messages:
        if message.layout.key is None:
            whole = message.encoding.encode(message.layout, typical(message))
            for name in message.layout.group.names:
                before, found, rest = whole.partition(b'"%s":' % name.encode())
                at = min(place for place in (rest.find(b","), rest.find(b"}")) if place >= 0)
                for text in MORE:
                    payload = before + found + text.encode() + rest[at:]
                    end = codec.fmt.terminator.encode()
                    lines.append(payload + codec.fmt.envelope.check_of(payload) + end)
    return b"".join(lines)


@pytest.mark.parametrize("name", CASES)
def test_in_cpython_lines_are_accepted_as_the_reference_does(name):
    codec = CASES[name]
    lines = lines_of(codec, drawn(name, 700, 11))
    if name != "arrays":
        lines += lines_of(codec, every_value(codec) + with_more(codec))
    assert 100 < accepted_in_cpython(codec, module_of(codec, "builtins"), lines, expected) < 0.9 * len(lines)


@have_wasm
@pytest.mark.parametrize("name", CASES)
def test_the_same_in_a_port_of_32_bits(tmp_path, name):
    run_in_wasm(tmp_path, CASES[name], drawn(name, 150, 13), expected)


@have_vm
@pytest.mark.parametrize("name", CASES)
def test_native_code_allocates_nothing_and_accepts_the_same(tmp_path, name):
    codec = CASES[name]
    stream = drawn(name, 300, 12) + (b"" if name == "arrays" else with_more(codec))
    run_native(tmp_path, codec, module_of(codec, "viper"), stream, expected, (0, 1, 13, 400))
