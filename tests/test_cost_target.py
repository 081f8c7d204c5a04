"""What receiving costs on a target: generated C, a function of one's own, links that are to be measured."""

from __future__ import annotations

import sys
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest
from c_codecs import missing
from m0plus import compiler, in_rp2040js, needs_emulator, needs_rp2040js

from linkbudget import (
    Link,
    SettingsError,
    TargetError,
    byte_budget,
    choose_format,
    load_bytes,
    replay,
)
from linkbudget.capture.files import captures_dir
from linkbudget.codegen import generate
from linkbudget.cost import emulated, resolve
from linkbudget.cost.cortexm0plus.machine import EmulatedFault, Machine
from linkbudget.cost.cortexm0plus.receiver import Receiver
from linkbudget.cost.cortexm0plus.toolchain import FLAGS, build
from linkbudget.cost.pieces import Frames, Sampled, in_pieces, in_whole
from linkbudget.cost.resolving import measurer
from linkbudget.cost.target import CFunction, target_costs
from linkbudget.errors import LinkBudgetWarning
from linkbudget.link.file import link_from_dict, parse_toml
from linkbudget.study.whatif_changes import PRESENT_READING, builtin_changes, with_costs

CAPTURES = captures_dir()
COBS = 'delimiting = "cobs"\ncrc = "CRC-16/IBM-3740"\nmax_payload = 64'
NEWLINE = 'delimiting = "newline"\ncrc = "none"\nmax_payload = 64'
CLOCK_HZ = 48e6

BEANS = """
[line]
baudrate = 115200
[[message]]
name = "beans"
direction = "to-controller"
encoding = "{encoding}"
rate_hz = 30
fields = [
  {{ name = "tick", kind = "counter", bits = 16 }},
  {{ name = "kind", kind = "choice", options = ["whole", "split", "stone"] }},
  {{ name = "x", kind = "scaled", minimum = 0.0, maximum = 96.0, step = 0.4 }},
]
[frame]
{frame}
[loop]
period_us = 5000
[reading]
{reading}
[parser]
measure = "c:cortex-m0plus"
clock_hz = 48e6
"""


@pytest.fixture(autouse=True, scope="module")
def _emulator():
    needs_emulator()
    compiler("gcc")


def link(encoding: str = "packed-bits", frame: str = COBS, reading: str = "") -> Link:
    return link_from_dict(parse_toml(BEANS.format(encoding=encoding, frame=frame, reading=reading).encode()))


@pytest.fixture(scope="module")
def costs():
    return target_costs(link(), formats={"json-object in newline": link("json-object", NEWLINE)})


def test_every_format_and_way_of_reading_has_its_row(costs):
    rows = [(row.encoding, row.form, row.present) for row in costs.rows]
    assert rows == [
        ("packed-bits", "chunk", True),
        ("packed-bits", "push", True),
        ("packed-bits", "whole", True),
        ("json-object", "push", False),
        ("json-object", "chunk", False),
    ]


def test_a_row_says_what_a_message_costs_and_how_it_was_compiled(costs):
    for row in costs.rows:
        found = row.to_dict()
        assert found["cycles"]["low"] < found["cycles"]["high"] < 2 * found["cycles"]["low"]
        mean = found["cycles_per_message"]["high"]
        assert mean <= found["worst_message_cycles"] < 3 * mean
        assert found["cycles_per_byte"]["high"] == found["cycles"]["high"] / found["bytes"]
        assert found["us_per_message"] == pytest.approx(mean / CLOCK_HZ * 1e6)
        assert found["code_bytes"] == sum(found["code_bytes_by_symbol"].values()) > 100
        assert 8 <= found["stack_bytes"] < 400
        assert found["static_bytes"] > 0
        calls = found["messages"] if found["form"] != "push" else found["messages"] + found["bytes"]
        # The BL of each caller is in the sum and in no function.
        assert sum(found["cycles_by_symbol"].values()) + 3 * calls == found["cycles"]["high"]
        assert found["compiler"].startswith("arm-none-eabi-gcc")
        assert found["flags"] == ["-mcpu=cortex-m0plus", "-mthumb", "-std=c99", "-O2"]
        assert (found["worst_byte_cycles"] is None) == (found["form"] != "push")


def test_binary_costs_less_than_text_and_a_cut_frame_least(costs):
    mean = {(row.encoding, row.form): row.cost.cycles.high for row in costs.rows}
    assert mean["packed-bits", "whole"] < mean["packed-bits", "chunk"] < mean["packed-bits", "push"]
    assert mean["packed-bits", "push"] < mean["json-object", "push"]


def test_it_is_the_same_to_the_cycle_every_time(costs):
    again = target_costs(link(), formats={"json-object in newline": link("json-object", NEWLINE)})
    assert again.to_dict() == costs.to_dict()


def test_flags_and_payload_move_the_number(costs):
    small = target_costs(link(), flags=("-Os",)).rows[0]
    assert small.cost.cycles != costs.rows[0].cost.cycles
    assert sum(small.cost.code_bytes.values()) < sum(costs.rows[0].cost.code_bytes.values())
    longer = link().replace(**{"message[0].fields[0].bits": 30})
    assert target_costs(longer).rows[0].cost.cycles != costs.rows[0].cost.cycles


def test_the_other_compiler_gets_other_numbers_for_the_same_messages(costs):
    compiler("zig")
    (other, *_) = target_costs(link(), compiler="zig").rows
    assert other.compiler.startswith("clang")
    assert other.cost.messages == costs.rows[0].cost.messages
    assert other.cost.cycles != costs.rows[0].cost.cycles


def test_without_a_clock_there_are_cycles_and_no_time():
    timeless = link().replace(**{"parser.clock_hz": None})
    row = target_costs(timeless).rows[0].to_dict()
    assert row["us_per_message"] is None
    assert row["costs_us"] == dict.fromkeys(row["costs_us"])
    assert row["costs_cycles"]["byte"] > 0
    with pytest.raises(SettingsError, match=r"parser\.clock_hz: is missing"):
        target_costs(timeless).rows[0].edits()


def test_what_no_target_can_write_is_left_out_with_the_reason(costs):
    other = link("cbor-map")
    found = target_costs(link(), formats={"cbor-map in cobs": other})
    assert [one.format for one in found.left_out] == ["cbor-map in cobs"]
    assert "does not write cbor-map" in found.left_out[0].reason
    with pytest.raises(TargetError, match="does not write cbor-map"):
        target_costs(other)


def test_recorded_messages_are_fed_and_their_number_is_told():
    text = Link.load(CAPTURES / "bean-frames.toml")
    capture = load_bytes(CAPTURES / "bean-frames.vcd", line=text.line)
    found = target_costs(text, capture=capture)
    assert found.fed == ("100 recorded messages",)
    assert found.rows[0].cost.messages == 100
    assert found.rows[0].cost.bytes == 1200


def test_many_recorded_messages_are_thinned_out(monkeypatch):
    monkeypatch.setattr(emulated, "MOST_RECORDED", 7)
    text = Link.load(CAPTURES / "bean-frames.toml")
    capture = load_bytes(CAPTURES / "bean-frames.vcd", line=text.line)
    found = target_costs(text, capture=capture)
    assert found.fed == ("7 of 100 recorded messages",)


def test_unknown_settings_are_refused_with_what_there_is():
    with pytest.raises(SettingsError, match=r"'c:cortex-m0' is not allowed; .* mean 'c:cortex-m0plus'"):
        target_costs(link(), "c:cortex-m0")
    with pytest.raises(SettingsError, match=r"direction: has no messages; allowed: to-controller"):
        target_costs(link(), direction="to-module")
    with pytest.raises(SettingsError, match=r"compiler: 'icc' is not allowed; allowed: gcc or zig"):
        target_costs(link(), compiler="icc")
    with pytest.raises(TargetError, match=r"argument to .-O. should be"):
        target_costs(link(), flags=("-Obogus",))


@pytest.mark.parametrize("name", emulated.MODULES)
def test_a_missing_package_is_told_with_the_command_that_installs_it(monkeypatch, name):
    there = emulated.importlib.util.find_spec
    monkeypatch.setattr(emulated.importlib.util, "find_spec", lambda one: None if one == name else there(one))
    with pytest.raises(TargetError, match=rf'needs {name}: pip install "linkbudget\[target\]"$'):
        target_costs(link())
    with pytest.raises(TargetError, match="pip install"):
        resolve(link())


def test_a_missing_compiler_is_told_with_the_command_that_installs_it(monkeypatch):
    from linkbudget.cost.cortexm0plus import toolchain

    monkeypatch.setattr(toolchain.shutil, "which", lambda name: None)
    monkeypatch.setattr(toolchain.importlib.util, "find_spec", lambda name: None)
    toolchain.compiler_named.cache_clear()
    try:
        with pytest.raises(TargetError, match=r"no compiler .*: pip install"):
            toolchain.compiler_named()
        with pytest.raises(TargetError, match=r"apt install gcc-arm-none-eabi"):
            toolchain.compiler_named("gcc")
    finally:
        toolchain.compiler_named.cache_clear()


def test_a_receiver_that_refuses_good_frames_gets_no_number():
    files = generate(link(), "c", prefix="link")
    found = Receiver(files, "link", ["beans"], compiler=compiler("gcc"), flags=FLAGS)
    broken = Frames([b"\x01\x01\x01\x00"], [0])
    for form in found.forms:
        with pytest.raises(TargetError, match="0 of 1 good frames were accepted"):
            found.measured(form, broken)


# --- the second emulator

DRIVER = """
#include "link.h"
static link_receiver state;
static link_beans_t beans;
void begin(void);
void begin(void) { link_start(&state, 0u); }
int push(uint8_t byte, uint32_t now);
int push(uint8_t byte, uint32_t now) { return (int)link_push(&state, byte, now); }
int feed(const uint8_t *data, size_t n);
int feed(const uint8_t *data, size_t n) { return (int)link_feed(&state, data, n, n, 1u); }
int take(void);
int take(void) { return link_take_beans(&state, &beans); }
"""
FORMATS = {
    "packed-bits": COBS,
    "packed-bytes": 'delimiting = "slip"\ncrc = "CRC-32/ISO-HDLC"\nmax_payload = 16',
    "delimited": NEWLINE,
    "json-object": NEWLINE,
}


@needs_rp2040js
@pytest.mark.parametrize("encoding", list(FORMATS))
def test_a_second_emulator_counts_the_same_in_generated_code(encoding, tmp_path):
    # npm rp2040js 1.4.1: what is returned, instructions, and cycles without LR and PC in a list of registers.
    described = link(encoding, FORMATS[encoding])
    files = generate(described, "c", prefix="link")
    sources = {"link.h": files["link.h"], "link.c": files["link.c"], "driver.c": DRIVER}
    image = build(sources, ["begin", "push", "feed", "take"], compiler=compiler("gcc"))
    codec = described.codec("to-controller")
    frames = [
        codec.encode("beans", {"tick": n * 9973 % 65536, "kind": "split", "x": 0.4 * n}) for n in range(4)
    ]
    emulated_one, place = Machine(image), 0x20020000
    own, other = [], []
    for frame in frames:
        at = emulated_one.place(len(frame), frame, writable=False)
        own += [("begin", ()), *(("push", (byte, now)) for now, byte in enumerate(frame)), ("take", ())]
        other += [(*call, {}) for call in own[len(other) :]]
        own += [("feed", (at, len(frame))), ("take", ())]
        other += [("feed", (place, len(frame)), {place: frame}), ("take", (), {})]
    runs = [emulated_one.call(name, *given) for name, given in own]
    assert [run.returned for run in runs if run.function == "take"] == [1] * 2 * len(frames)
    assert [(run.returned, run.instructions, run.cycles.low) for run in runs if run.function != "begin"] == [
        (one["returned"], one["instructions"], one["cycles"])
        for (name, _), one in zip(own, in_rp2040js(image, other, tmp_path), strict=True)
        if name != "begin"
    ]


# --- a function of one's own

COUNT = """
#include <stddef.h>
#include <stdint.h>
#include <string.h>
static int seen[4];
int parse(const uint8_t *data, size_t n);
int parse(const uint8_t *data, size_t n)
{
    char text[80];
    memcpy(text, data, n < sizeof text ? n : sizeof text);
    for (size_t i = 0; i < n; i++) {
        seen[(uint8_t)text[i] & 3u]++;
    }
    return seen[0];
}
"""


def test_a_function_of_ones_own_is_measured_with_the_same_messages():
    text = link("json-object", NEWLINE)
    (row,) = target_costs(text, function=CFunction("parse", {"count.c": COUNT})).rows
    found = row.to_dict()
    assert (found["format"], found["form"], found["encoding"]) == ("parse() of count.c", "function", None)
    assert found["costs_cycles"]["message_byte"] == pytest.approx(found["cycles_per_byte"]["high"], rel=0.5)
    assert found["costs_cycles"]["read_call"] == found["costs_cycles"]["byte"] == 0
    assert found["static_bytes"] == 16
    assert found["stack_bytes"] >= 80
    assert "[parser]\n" in row.to_toml()


def test_it_may_read_what_no_target_can_write():
    (row,) = target_costs(link("cbor-map"), function=CFunction("parse", {"count.c": COUNT})).rows
    assert row.cost.messages > 3


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ("static int t[2]; t[n] = 1; return t[0];", "parse: writes 4 bytes at .* behind t.* at parse"),
        (
            "static char a[16]; static char b[16]; a[0] = b[0] = 1; a[n % 2 + 16] = 1; return a[1] + b[1];",
            "parse: writes 1 byte at .* behind a.* at parse",
        ),
        ("return *(volatile int *)(data + 1);", "parse: reads 4 bytes .* no multiple of 4, at parse"),
        ("volatile int x = 1; while (x) { } return 0;", "parse: does not end within 50,000 instructions"),
    ],
)
def test_a_function_that_does_what_no_code_may_is_stopped(monkeypatch, body, told):
    monkeypatch.setattr("linkbudget.cost.cortexm0plus.machine.LIMIT", 50_000)
    head = "int parse(const uint8_t *data, size_t n)"
    text = (
        f"#include <stddef.h>\n#include <stdint.h>\n{head};\n{head}\n{{\n(void)data; (void)n;\n{body}\n}}\n"
    )
    with pytest.raises(EmulatedFault, match=told):
        target_costs(link(), function=CFunction("parse", {"bad.c": text}))


def test_a_function_that_is_not_there_or_does_not_compile():
    with pytest.raises(SettingsError, match=r"function: 'pars' .* of count.c that is not static"):
        target_costs(link(), function=CFunction("pars", {"count.c": COUNT}))
    with pytest.raises(SettingsError, match="the name of a function"):
        target_costs(link(), function=CFunction("pa rse", {"count.c": COUNT}))
    with pytest.raises(TargetError, match=r"bad\.c:1:5: error"):
        target_costs(link(), function=CFunction("parse", {"bad.c": "int 5;"}))
    text = "int other(void); int parse(void); int parse(void) { return other(); }"
    with pytest.raises(TargetError, match=r"undefined reference to .other"):
        target_costs(link(), function=CFunction("parse", {"bad.c": text}))


def test_a_function_may_use_the_library_of_c():
    text = """
    #include <stdint.h>
    #include <stdio.h>
    #include <string.h>
    int parse(const uint8_t *data, size_t n);
    int parse(const uint8_t *data, size_t n)
    {
        static char line[80];
        float x = 0.0f;
        memcpy(line, data, n);
        return sscanf(strchr(line, 'x'), "x\\":%f", &x) + (int)x;
    }
    """
    (row,) = target_costs(link("json-object", NEWLINE), function=CFunction("parse", {"scan.c": text})).rows
    assert row.cost.cycles.high / row.cost.messages > 1000


@pytest.mark.skipif(sys.platform == "win32", reason="CPU times of other processes are told by Unix only")
def test_peers_of_the_bench_find_the_same_messages(monkeypatch):
    # The bench compares what they cost; here only what they find, with one set of flags.
    if not Path("/usr/include/jsmn.h").exists():
        missing("libjsmn-dev")
    monkeypatch.syspath_prepend(str(Path(__file__).parent / "bench"))
    parts, measure = import_module("target_parts"), import_module("measure")
    monkeypatch.setattr(parts, "FLAGS", ("-Os",))
    report = measure.Report()
    parts.peers(report)
    told = {row["name"]: row["text"] for row in report.rows}
    assert len(told) == 6
    assert all("cycles a message" in text for name, text in told.items() if "-Os" in name)


# --- links that are to be measured


def test_a_link_that_is_to_be_measured_gets_numbers():
    found = resolve(link())
    row = target_costs(link()).rows[0]
    assert (found.parser.measure, found.parser.clock_hz) == (None, None)
    for name in ("read_call", "byte", "message"):
        expected = row.costs_cycles[name] / CLOCK_HZ * 1e6
        assert getattr(found.parser, f"{name}_us") == pytest.approx(expected, abs=1e-9)
        assert expected > 0
    assert found.parser.source.startswith("measured on an emulated Cortex-M0+ at 48 MHz without wait states")
    assert found.numbers_from()["parser.byte_us"] == "measured"
    assert byte_budget(found).receiving.age_us["maximum"] > 0


def test_a_loop_that_reads_byte_by_byte_is_measured_so():
    found = resolve(link(reading='take = "per-byte"'))
    push = next(row for row in target_costs(link()).rows if row.form == "push")
    assert found.parser.byte_us == pytest.approx(push.us(push.costs_cycles["byte"]), abs=1e-9)
    assert found.parser.read_call_us == 0


def test_a_link_with_numbers_stays_as_it_is():
    numbers = link().replace(**{"parser.measure": None, "parser.byte_us": 3})
    assert resolve(numbers) is numbers
    assert measurer(numbers) is None


def test_numbers_beside_measure_are_told_to_be_unused():
    with pytest.warns(LinkBudgetWarning, match=r"parser\.byte_us is not used"):
        assert resolve(link().replace(**{"parser.byte_us": 3})).parser.byte_us != 3


def test_what_cannot_be_measured_is_refused():
    with pytest.raises(SettingsError, match=r"parser.measure: 'c:avr' is not allowed"):
        resolve(link().replace(**{"parser.measure": "c:avr"}))
    with pytest.raises(SettingsError, match=r"parser.clock_hz: is missing"):
        resolve(link().replace(**{"parser.clock_hz": None}))
    with pytest.raises(SettingsError, match=r"linkbudget.cost.resolve\(link\) measures"):
        link().resolve()


def test_a_replay_charges_what_the_emulated_calls_took():
    described = resolve(
        Link.load(CAPTURES / "bean-frames.toml")
        .replace(parser=None)
        .replace(**{"parser.measure": "c:cortex-m0plus", "parser.clock_hz": CLOCK_HZ})
    )
    found = replay(described, load_bytes(CAPTURES / "bean-frames.vcd", line=described.line), phases=0)
    assert found.to_dict()["numbers_from"]["parser.message_us"] == "measured"
    assert 1500 < found.longest_pass_us < 1600


def test_other_formats_are_measured_in_choose():
    text = link("json-object", NEWLINE)
    known, asked = resolve(text), []

    def measure(made: Link):
        asked.append(made.messages[0].encoding)
        return {"parser.byte_us": 2, "parser.message_us": 100}

    choice = choose_format(known, measure=measure)
    first, second, third, *_ = choice.ranked
    assert len(asked) == 2
    assert first.receive_cost_us == pytest.approx(
        known.parser.read_call_us + 100 + 2 * float(first.bytes.typical)
    )
    assert second.receive_cost_us > 0
    assert third.receive_cost_us is None
    assert choice.present.receive_cost_us > 0
    assert "(measured)" in "".join(choice.reasons)


def test_other_formats_are_measured_in_whatif():
    text = link("json-object", NEWLINE)
    known = resolve(text)
    (change,) = [one for one in builtin_changes(known) if one.kind == "format"]
    found = with_costs(known, change, measurer(text))
    assert found.edits["parser.source"].startswith("measured")
    assert 0 < found.edits["parser.byte_us"] != known.parser.byte_us
    assert "parser costs measured on an emulated Cortex-M0+" in "".join(found.notes)
    assert set(change.edits) < set(found.edits)
    assert known.replace(**found.edits).parser.byte_us == found.edits["parser.byte_us"]
    assert with_costs(known, change, None) is change


def test_another_way_of_reading_says_whose_costs_it_keeps():
    known = resolve(link("json-object", NEWLINE))
    listed = [
        with_costs(known, one, measurer(link())) for one in builtin_changes(known) if one.kind != "format"
    ]
    told = {one.name: PRESENT_READING in one.notes for one in listed}
    assert told["read whole messages"]
    assert not told["read a snapshot"]


def test_a_format_that_cannot_be_measured_keeps_the_present_costs_and_says_so():
    def measure(made: Link):
        raise TargetError("no compiler")

    known = resolve(link("json-object", NEWLINE))
    (change,) = [one for one in builtin_changes(known) if one.kind == "format"]
    found = with_costs(known, change, measure)
    assert found.edits == change.edits
    assert found.notes[-1] == "not measured: no compiler"


# --- pieces and samples


def test_pieces_hold_all_bytes_and_all_ends():
    frames = [b"abc", b"de", b"fghij"]
    for pieces in (in_whole(frames), in_whole(frames, 2), *(in_pieces(frames, n) for n in range(1, 12))):
        assert b"".join(pieces.chunks) == b"abcdefghij"
        assert (sum(pieces.ends), sum(pieces.ended_bytes)) == (3, 10)
    assert in_pieces(frames, 4).ends == [1, 1, 1]
    assert in_pieces(frames, 4).ended_bytes == [3, 2, 5]


def test_samples_of_known_costs_give_them_back():
    sizes, ends = np.array([1, 2, 5, 9, 12, 20]), np.array([0, 1, 1, 2, 1, 3])
    ended = np.array([0, 9, 5, 12, 30, 26])
    cycles = 40 + 7 * sizes + 300 * ends + 3 * ended
    fit = Sampled(cycles, sizes * 0 + 1, sizes, ends, ended).fit()
    assert [fit.ns(name) for name in emulated.COSTS] == pytest.approx([40, 7, 300, 3])
    same = Sampled(cycles - 3 * ended, sizes * 0 + 1, sizes, ends, 8 * ends).fit()
    assert [same.ns(name) for name in emulated.COSTS] == pytest.approx([40, 7, 300, 0])
