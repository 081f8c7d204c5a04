"""Value change dumps: every form that IEEE Std 1364-2005 clause 18 allows and a capture can hold, and damage.

The check values are those collected from public code and notes that cite the standard; each says its status.
"""

from __future__ import annotations

import gzip
import io
import itertools
import warnings
from fractions import Fraction
from pathlib import Path

import pytest
import vcd as pyvcd
from hypothesis import given, settings
from level_captures import attempt, comes_back, damaged, level_captures, same_edges, same_levels
from pyvcd_reader import level_changes

from linkbudget import (
    CaptureError,
    Edges,
    LevelCapture,
    LinkBudgetWarning,
    SettingsError,
    load_bytes,
    open_capture,
)
from linkbudget.capture.vcd import load_vcd
from linkbudget.capture.vcd_writer import identifier, save_vcd

EXAMPLE = Path(__file__).parent / "data" / "capture" / "link.vcd"
HEADER = "$timescale 1 ns $end $var wire 1 ! rx $end $enddefinitions $end\n"


def load(tmp_path, text, name="capture.vcd", **options):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return load_vcd(path, **options)


def changes(edges):
    return list(zip(edges.times.tolist(), edges.levels().tolist(), strict=True))


def test_the_example_of_a_line_and_the_byte_received():
    """Own example of the check values (recomputed): 1 Mbaud, 8N1, byte 55 hexadecimal from 10 us on."""
    capture = load_vcd(EXAMPLE)
    assert list(capture.channels) == ["link.tx", *[f"link.byte[{bit}]" for bit in range(7, -1, -1)]]
    assert capture.tick_s == Fraction(1, 10**6)
    assert (capture.start, capture.end) == (0, 20)
    assert changes(capture.channels["link.tx"]) == [(10 + k, k % 2) for k in range(10)]
    assert capture.channels["link.tx"].initial == 1
    for bit in range(8):
        edges = capture.channels[f"link.byte[{bit}]"]
        assert (edges.initial, changes(edges)) == (0, [] if bit % 2 else [(20, 1)])
    decoded = load_bytes(EXAMPLE, "1000000 8N1")
    assert (decoded.data.tolist(), decoded.starts_ns.tolist(), decoded.times_ns.tolist()) == (
        [0x55],
        [10_000],
        [20_000],
    )


def test_only_the_channel_asked_for_is_kept():
    assert list(load_vcd(EXAMPLE, channel="link.tx").channels) == ["link.tx"]
    assert list(load_vcd(EXAMPLE, channel="tx").channels) == ["link.tx"]
    assert changes(load_vcd(EXAMPLE, channel="link.byte[4]").channels["link.byte[4]"]) == [(20, 1)]


@pytest.mark.parametrize("channel", ["link.tz", "nothing"])
def test_an_unknown_channel_is_refused_with_those_there_are(channel):
    with pytest.raises(
        CaptureError, match=r"no channel .*; the channels are: link\.tx, link\.byte\[7\]"
    ) as caught:
        load_vcd(EXAMPLE, channel=channel)
    assert ("did you mean 'link.tx'" in str(caught.value)) == (channel == "link.tz")


def test_the_end_of_a_path_must_mean_one_channel(tmp_path):
    text = HEADER.replace("$var wire 1 ! rx $end", "")
    both = "".join(
        f"$scope module {name} $end $var wire 1 {code} rx $end $upscope $end " for name, code in ("ab", "cd")
    )
    with pytest.raises(CaptureError, match=r"channel 'rx' is not one but: a\.rx, c\.rx"):
        load(tmp_path, text.replace("$enddef", both + "$enddef"), channel="rx")


# Short vectors are extended on the left: rule from memory (clause 18), unverified; examples recomputed.
@pytest.mark.parametrize(
    ("digits", "width", "meaning"),
    [("10", 4, "0010"), ("x10", 4, "xx10"), ("0x10", 4, "0x10"), ("1", 8, "00000001"), ("z", 8, "zzzzzzzz")],
)
def test_short_vectors_are_extended_on_the_left(tmp_path, digits, width, meaning):
    text = (
        f"$timescale 1ns $end $var reg {width} ! v [{width - 1}:0] $end $enddefinitions $end #0 b{digits} !\n"
    )
    capture = load(tmp_path, text)
    found = [capture.channels[f"v[{bit}]"].initial for bit in range(width - 1, -1, -1)]
    assert found == ["01xz".index(sign) if sign != "z" else 2 for sign in meaning]


def test_timescales_are_the_eighteen_of_the_standard(tmp_path):
    # 1, 10 or 100 and s, ms, us, ns, ps, fs, the space between them optional; verified from text.
    powers = {"s": 0, "ms": 3, "us": 6, "ns": 9, "ps": 12, "fs": 15}
    tried = 0
    for number, (unit, power), space in itertools.product((1, 10, 100), powers.items(), ("", " ", "\n\t")):
        text = (
            f"$timescale {number}{space}{unit} $end $var wire 1 ! rx $end $enddefinitions $end #0 1! #1 0!\n"
        )
        assert load(tmp_path, text).tick_s == Fraction(number, 10**power)
        tried += 1
    assert tried == 54


@pytest.mark.parametrize(
    ("timescale", "tick_s"),
    [("25 ns", Fraction(1, 4 * 10**7)), ("1000 ps", Fraction(1, 10**9)), ("0.5us", Fraction(1, 2 * 10**6))],
)
def test_other_timescales_are_taken_as_they_stand_with_a_warning(tmp_path, timescale, tick_s):
    with pytest.warns(LinkBudgetWarning, match="is not 1, 10 or 100"):
        capture = load(tmp_path, HEADER.replace("1 ns", timescale) + "#0 1!\n#3 0!\n")
    assert capture.tick_s == tick_s
    assert len(capture.warnings) == 1


def test_no_timescale_is_a_nanosecond_with_a_warning(tmp_path):
    with pytest.warns(LinkBudgetWarning, match="ticks are taken as 1 ns"):
        capture = load(tmp_path, "$var wire 1 ! rx $end $enddefinitions $end #0 1!\n")
    assert capture.tick_s == Fraction(1, 10**9)
    assert "1 ns" in capture.warnings[0]


@pytest.mark.parametrize("timescale", ["0 ns", "1 minutes", "ns", "", "-1 ns", "1 1 ns ns"])
def test_a_timescale_that_is_none_is_refused(tmp_path, timescale):
    with pytest.raises(
        CaptureError, match=r"capture.vcd: line 1: \$timescale .*; expected 1, 10 or 100 and one of s, ms"
    ):
        load(tmp_path, HEADER.replace("1 ns", timescale))


def test_identifier_codes_of_every_length():
    # One or more characters from ! to ~ (94); 94, 8930 and 839514 with at most 1, 2, 3; recomputed.
    assert [identifier(k) for k in (0, 93, 94, 95, 8929, 8930)] == ["!", "~", "!!", '"!', "~~", "!!!"]
    codes = {identifier(k) for k in range(8930)}
    assert len(codes) == 8930
    assert {len(code) for code in codes} == {1, 2}
    assert len(identifier(839_513)) == 3
    assert len(identifier(839_514)) == 4


def test_codes_that_look_like_commands_and_values_are_codes(tmp_path):
    codes = ["#", "$", "b", "01", "x#", "$end", "r1", "!!!!"]
    variables = "".join(f"$var wire 1 {code} n{k} $end\n" for k, code in enumerate(codes) if code != "$end")
    text = f"$timescale 1 ns $end\n{variables}$enddefinitions $end\n#0\n"
    text += "".join(f"1{code}\n" for code in codes if code != "$end") + "#5\n0#\n0b\n001\n"
    capture = load(tmp_path, text)
    assert {edges.initial for edges in capture.channels.values()} == {1}
    assert [name for name, edges in capture.channels.items() if len(edges)] == ["n0", "n2", "n3"]


def test_nested_task_and_reopened_scopes_make_dotted_paths(tmp_path):
    text = """
    $timescale 1 ns $end
    $scope module bench $end
      $scope task poll $end $var reg 1 ! busy $end $upscope $end
      $scope begin block $end $scope fork split $end $scope function f $end
        $var reg 1 " deep $end
      $upscope $end $upscope $end $upscope $end
    $upscope $end
    $scope module bench $end $var wire 1 # rx $end $upscope $end
    $var wire 1 $ top $end
    $enddefinitions $end
    #0 1! 0" 1# 0$
    """
    assert list(load(tmp_path, text).channels) == [
        "bench.poll.busy",
        "bench.block.split.f.deep",
        "bench.rx",
        "top",
    ]


def test_one_identifier_under_several_names_is_one_signal(tmp_path):
    text = """$timescale 1 ns $end
    $scope module bench $end $var wire 1 ! rx $end
    $scope module uart $end $var wire 1 ! serial_in $end $upscope $end $upscope $end
    $enddefinitions $end #0 1! #5 0! #9 1!
    """
    capture = load(tmp_path, text)
    assert list(capture.channels) == ["bench.rx", "bench.uart.serial_in"]
    assert capture.channels["bench.rx"] is capture.channels["bench.uart.serial_in"]
    assert capture.active() == ["bench.rx"]


def test_two_signals_of_one_name_are_both_there(tmp_path):
    text = "$timescale 1 ns $end $var wire 1 ! rx $end $var wire 1 # rx $end $enddefinitions $end #0 1! 0#\n"
    with pytest.warns(LinkBudgetWarning, match="two signals are called rx; the second is named rx~2"):
        capture = load(tmp_path, text)
    assert {name: edges.initial for name, edges in capture.channels.items()} == {"rx": 1, "rx~2": 0}


@pytest.mark.parametrize(
    ("declared", "names"),
    [
        ("4 ! v [3:0]", ["v[3]", "v[2]", "v[1]", "v[0]"]),
        ("4 ! v[3:0]", ["v[3]", "v[2]", "v[1]", "v[0]"]),
        ("4 ! v [ 3 : 0 ]", ["v[3]", "v[2]", "v[1]", "v[0]"]),
        ("4 ! v [0:3]", ["v[0]", "v[1]", "v[2]", "v[3]"]),
        ("4 ! v [9:6]", ["v[9]", "v[8]", "v[7]", "v[6]"]),
        ("2 ! v [0:-1]", ["v[0]", "v[-1]"]),
        ("3 ! v", ["v[2]", "v[1]", "v[0]"]),
        ("1 ! v [5]", ["v[5]"]),
        ("2 ! mem[3] [1:0]", ["mem[3][1]", "mem[3][0]"]),
    ],
)
def test_each_bit_of_a_vector_is_a_channel(tmp_path, declared, names):
    text = f"$timescale 1 ns $end $var wire {declared} $end $enddefinitions $end #0 b1 !\n"
    capture = load(tmp_path, text)
    assert list(capture.channels) == names
    assert [edges.initial for edges in capture.channels.values()] == [0] * (len(names) - 1) + [1]


def test_a_range_that_is_not_as_wide_as_the_variable_is_said(tmp_path):
    text = "$timescale 1 ns $end $var wire 4 ! v [7:0] $end $enddefinitions $end #0 b1 !\n"
    with pytest.warns(LinkBudgetWarning, match="does not have its 4 bits"):
        assert list(load(tmp_path, text).channels) == ["v[3]", "v[2]", "v[1]", "v[0]"]


def test_scalar_and_vector_forms_may_be_exchanged(tmp_path):
    text = "$timescale 1 ns $end $var wire 1 ! s $end $var wire 2 v v $end $enddefinitions $end "
    text += "#0 b1 ! 1v #2 B0 ! bx1 v\n"
    capture = load(tmp_path, text)
    assert changes(capture.channels["s"]) == [(2, 0)]
    assert (capture.channels["v[1]"].initial, changes(capture.channels["v[1]"])) == (0, [(2, 2)])


def test_unknown_levels_and_a_dump_switched_off(tmp_path):
    text = (
        HEADER
        + "#0 $dumpvars 1! $end #3 0! #5 $dumpoff x! $end #9 $dumpon 1! $end #12 z! #14 $dumpall 0! $end\n"
    )
    edges = load(tmp_path, text).channels["rx"]
    assert changes(edges) == [(3, 0), (5, 2), (9, 1), (12, 2), (14, 0)]
    bare = load(tmp_path, HEADER + "#0 1! #3 0! #5 $dumpoff $end #9 $dumpon 0! $end\n").channels["rx"]
    assert changes(bare) == [(3, 0), (5, 2), (9, 0)]


def test_changes_may_stand_on_the_line_of_their_time(tmp_path):
    one = load(tmp_path, HEADER + "#0 1! #5 0! #7 1!\n").channels["rx"]
    other = load(tmp_path, HEADER + "#0\r\n1!\r\n\r\n#5\n\t0!\n#7 \n1!\n").channels["rx"]
    assert changes(one) == changes(other) == [(5, 0), (7, 1)]


def test_times_of_64_bits_in_femtoseconds_are_exact(tmp_path):
    first, last = 2**62 - 12_345, 2**63 - 1
    capture = load(tmp_path, HEADER.replace("1 ns", "1 fs") + f"#0 1! #{first} 0! #{last} 1!\n")
    assert changes(capture.channels["rx"]) == [(first, 0), (last, 1)]
    assert capture.tick_s == Fraction(1, 10**15)


@pytest.mark.parametrize("time", ["9223372036854775808", "-1", "1.5", "", "1_0", "9" * 5000])
def test_a_time_that_is_none_is_refused_with_its_line(tmp_path, time):
    with pytest.raises(
        CaptureError, match=r"capture.vcd: line 4: time .*; expected # and a decimal number below 2\^63"
    ):
        load(tmp_path, HEADER + f"#0\n1!\n#{time} 0!\n")


def test_times_must_not_decrease(tmp_path):
    with pytest.raises(CaptureError, match="line 3: time 4 after 9; expected times that do not decrease"):
        load(tmp_path, HEADER + "#9 1!\n#4 0!\n")


def test_of_several_values_at_one_time_the_last_one_holds(tmp_path):
    edges = load(tmp_path, HEADER + "#0 1! #5 0! 1! #7 0! #7 1! 0! #9 1!\n").channels["rx"]
    assert changes(edges) == [(7, 0), (9, 1)]


def test_the_first_values_are_levels_and_no_changes(tmp_path):
    edges = load(tmp_path, HEADER + "#100 0! #200 1!\n").channels["rx"]
    assert (edges.initial, changes(edges), edges.start, edges.end) == (0, [(200, 1)], 100, 200)
    before = load(tmp_path, HEADER + "$dumpvars 0! $end #100 #200 1!\n").channels["rx"]
    assert (before.initial, changes(before)) == (0, [(200, 1)])
    simulated = load(tmp_path, HEADER + "#0 $dumpvars x! $end 0! #5 1!\n").channels["rx"]
    assert (simulated.initial, changes(simulated)) == (0, [(5, 1)])


def test_a_real_change_at_the_first_time_stays(tmp_path):
    edges = load(tmp_path, HEADER + "#0 $dumpvars 1! $end 0! #5 1!\n").channels["rx"]
    assert (edges.initial, changes(edges)) == (1, [(0, 0), (5, 1)])


def test_real_and_string_variables_and_events_carry_no_level(tmp_path):
    text = """$timescale 1 ns $end $var real 64 r volts $end $var string 1 s text $end
    $var event 1 e tick $end
    $var realtime 64 t at $end $var wire 1 ! rx $end $enddefinitions $end
    #0 r3.3 r sIdle s 1! r1e-9 t #4 1e R0 r Sbusy s 0!
    """
    capture = load(tmp_path, text)
    assert {name: changes(edges) for name, edges in capture.channels.items()} == {"rx": [(4, 0)]}


def test_comments_are_passed_over_and_other_commands_with_a_warning(tmp_path):
    text = HEADER + "$comment 0! #7 $dumpoff $end #0 1! $comment x $end #3 0!\n"
    assert changes(load(tmp_path, text).channels["rx"]) == [(3, 0)]
    with pytest.warns(LinkBudgetWarning, match=r"'\$version' among the changes was passed over"):
        load(tmp_path, HEADER + "#0 1! $version 2 $end #3 0!\n")


def test_names_may_be_utf_8_or_latin_1(tmp_path):
    text = "$timescale 1 ns $end $var wire 1 ! Prüfer $end $enddefinitions $end #0 1!\n"
    assert list(load(tmp_path, text).channels) == ["Prüfer"]
    assert list(load(tmp_path, text.encode("latin-1")).channels) == ["Prüfer"]
    assert list(load(tmp_path, b"\xef\xbb\xbf" + text.encode()).channels) == ["Prüfer"]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "byte 0: the file is empty"),
        ("hello world", "line 1: 'hello' among the declarations; expected one of .*enddefinitions"),
        ("$date today", r"line 1: the file ends inside \$date"),
        (
            "$timescale 1 ns $end\n$var wire 1 ! rx $end\n",
            r"the file ends inside the declarations; expected \$enddef",
        ),
        ("$timescale 1 ns $end\n$enddefinitions $en", r"ends inside \$enddefinitions"),
        ("$timescale 1 ns $end\n$var wire ! rx $end\n", r"line 2: \$var 'wire ! rx'; expected type, size"),
        (
            "$timescale 1 ns $end\n\n$var wire 0 ! rx $end\n",
            r"line 3: \$var size '0'; expected a number of bits",
        ),
        (HEADER + "#0\n1?\n", r"line 3: a change of '\?'; expected an identifier code declared"),
        (HEADER + "#0\nb1 ?\n", r"a change of '\?'"),
        (HEADER + "#0\nb12 !\n", r"line 3: vector 'b12'; expected b and digits"),
        (HEADER + "#0\nb !\n", "vector 'b'"),
        (HEADER + "#0\n1!\npD 6 0 <0\n", r"line 4: 'pD'; expected a time"),
        (HEADER + "#0\n1!\n\x00\xff\n", "line 4"),
    ],
)
def test_what_is_no_vcd_is_refused_with_its_place(tmp_path, text, message):
    with pytest.raises(CaptureError, match=message) as caught:
        load(tmp_path, text)
    assert str(caught.value).startswith(str(tmp_path / "capture.vcd"))


def test_the_line_of_a_fault_is_right_when_the_file_is_read_in_pieces(tmp_path, monkeypatch):
    monkeypatch.setattr("linkbudget.capture.source.PIECE", 3)
    text = HEADER + "".join(f"#{k}\n{k % 2}!\n" for k in range(50)) + "oops\n"
    monkeypatch.setattr("linkbudget.capture.source.Source.pieces.__defaults__", (3,))
    with pytest.raises(CaptureError, match="line 102: 'oops'"):
        load(tmp_path, text)
    assert len(load(tmp_path, text.removesuffix("oops\n")).channels["rx"]) == 49


WHOLE = HEADER.replace("$enddef", '$var wire 3 "a v $end $var wire 1 "ab w $end $enddef') + (
    '#0\n$dumpvars\n1!\nb0 "a\n0"ab\n$end\n#10\n0!\nb101 "a\n#200\n1!\n1"ab\n#3000\n0!\nbx "a\n'
)


def ends_whole(part):
    """Whether nothing shows that a file was cut: its last line has an end and no block is open."""
    return part.endswith(("\n", "$end")) and part.count("$dumpvars") == part.count('0"ab\n$end')


def test_a_file_cut_anywhere_loads_up_to_the_cut(tmp_path):
    whole = load(tmp_path, WHOLE)
    begin = WHOLE.index("#0")
    for cut in range(begin - 1, len(WHOLE)):
        part = WHOLE[:cut]
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            capture = load(tmp_path, part)
        assert len(said) == len(capture.warnings) == (not ends_whole(part)), part[-20:]
        assert all("cut off" in text for text in capture.warnings)
        for name, edges in whole.channels.items():
            found = changes(capture.channels[name])
            assert found == changes(edges)[: len(found)], part[-20:]
            assert capture.channels[name].initial in (2, edges.initial)
        lines = part[begin:].rpartition("\n")[0].split("\n")  # nothing before the last line is lost
        assert len(changes(capture.channels["rx"])) >= sum(1 for line in lines if line in {"0!", "1!"}) - 1


@pytest.mark.parametrize("cut", range(1, HEADER.index("\n") - 3))
def test_a_file_cut_in_its_header_is_refused(tmp_path, cut):
    with pytest.raises(CaptureError, match=r"line 1: .*expected"):
        load(tmp_path, HEADER[:cut])


def test_a_cut_code_that_could_be_another_is_left_out(tmp_path):
    # 1"a may be the beginning of 1"ab, whose level it is not.
    at = WHOLE.index('1"ab') + 3
    with pytest.warns(LinkBudgetWarning, match="cut off"):
        capture = load(tmp_path, WHOLE[:at])
    assert changes(capture.channels["v[0]"]) == [(10, 1)]


def test_compressed_files_are_read_as_they_are(tmp_path):
    packed = gzip.compress(EXAMPLE.read_bytes())
    capture = load(tmp_path, packed, "no-suffix")
    same_levels(capture, load_vcd(EXAMPLE))
    half = tmp_path / "half.vcd.gz"
    text = HEADER + "#0\n1!\n" + "".join(f"#{k * 8680 + k * k % 97}\n{k % 2}!\n" for k in range(20_000))
    half.write_bytes(gzip.compress(text.encode())[:40_000])
    with pytest.warns(LinkBudgetWarning, match="cut off"):
        assert len(load_vcd(half).channels["rx"]) > 5_000


# -- an independent writer and reader: the package pyvcd --------------------------------------------------


def test_what_pyvcd_writes_is_read(tmp_path):
    file = io.StringIO()
    with pyvcd.VCDWriter(file, timescale="10 ps", date="today", comment="flap joints") as writer:
        rx = writer.register_var("bench.uart", "rx", "wire", size=1, init=1)
        lanes = writer.register_var("bench", "lanes", "reg", size=5, init="x")
        volts = writer.register_var("bench", "volts", "real", init=3.3)
        writer.register_alias("bench", "tap", rx)
        for time, level in ((5, 0), (9, 1), (12, "x"), (20, "z"), (33, 1)):
            writer.change(rx, time, level)
        writer.change(lanes, 40, 0b10110)
        writer.change(volts, 41, 1.5)
        writer.dump_off(50)
        writer.dump_on(60)
        writer.change(rx, 70, 0)
    capture = load(tmp_path, file.getvalue())
    assert capture.tick_s == Fraction(1, 10**11)
    assert sorted(capture.channels) == [f"bench.lanes[{bit}]" for bit in range(5)] + [
        "bench.tap",
        "bench.uart.rx",
    ]
    rx = capture.channels["bench.uart.rx"]
    assert rx is capture.channels["bench.tap"]
    assert (rx.initial, changes(rx)) == (1, [(5, 0), (9, 1), (12, 2), (33, 1), (50, 2), (60, 1), (70, 0)])
    lanes = [changes(capture.channels[f"bench.lanes[{bit}]"]) for bit in range(5)]
    assert lanes == [[(40, level), (50, 2), (60, level)] for level in (0, 1, 1, 0, 1)]


def test_what_we_write_is_read_by_pyvcd(tmp_path):
    rx = Edges([15, 20, 33], 1, [0, 2, 1], Fraction(1, 10**9), 5, 50)
    lane = Edges([15, 16], 0, None, Fraction(1, 10**9), 5, 50)
    channels = {"bench.uart.rx": rx, "bench.tap": rx, "bench.lane[3]": lane, "top": lane}
    path = tmp_path / "ours.vcd"
    save_vcd(LevelCapture(rx.tick_s, channels, 5, 50), path)
    wanted_rx = [(5, "1"), (15, "0"), (20, "x"), (33, "1")]
    wanted_lane = [(5, "0"), (15, "1"), (16, "0")]
    assert level_changes(path)[1] == {
        "bench.uart.rx": wanted_rx,
        "bench.tap": wanted_rx,
        "bench.lane[3]": wanted_lane,
        "top": wanted_lane,
    }
    same_levels(load_vcd(path), LevelCapture(rx.tick_s, channels, 5, 50))


@given(level_captures())
@settings(max_examples=60)
def test_a_round_trip_changes_nothing(tmp_path_factory, capture):
    path = tmp_path_factory.mktemp("vcd") / "capture.vcd"
    comes_back(capture, path, save_vcd, load_vcd)


@pytest.mark.parametrize(
    ("tick_s", "timescale"),
    [
        (Fraction(1), "1 s"),
        (Fraction(1, 10**5), "10 us"),
        (Fraction(1, 8 * 10**6), "1 ns"),
        (Fraction(1, 10**13), "100 fs"),
        (Fraction(100), "100 s"),
    ],
)
def test_a_tick_is_written_as_a_standard_timescale(tmp_path, tick_s, timescale):
    path = tmp_path / "capture.vcd"
    edges = Edges([3, 7], 1, None, tick_s, 0, 9)
    save_vcd(LevelCapture(tick_s, {"rx": edges}, 0, 9), path)
    assert f"$timescale {timescale} $end" in path.read_text()
    same_edges(edges, load_vcd(path).channels["rx"])


def test_what_a_vcd_cannot_hold_is_refused_or_said(tmp_path):
    edges = Edges([3], 1, None, Fraction(1, 24 * 10**6))
    with pytest.raises(SettingsError, match="whole femtoseconds"):
        save_vcd(LevelCapture(edges.tick_s, {"rx": edges}, 0, 9), tmp_path / "a.vcd")
    early = Edges([-3], 1)
    with pytest.raises(SettingsError, match=r"start: -5 .* times from 0 on"):
        save_vcd(LevelCapture(early.tick_s, {"rx": early}, -5, 9), tmp_path / "a.vcd")
    with pytest.warns(LinkBudgetWarning, match=r"'Channel 0' is written as 'Channel_0'"):
        save_vcd(LevelCapture(Fraction(1, 10**9), {"Channel 0": Edges([3], 1)}, 0, 9), tmp_path / "a.vcd")
    assert list(load_vcd(tmp_path / "a.vcd").channels) == ["Channel_0"]


@pytest.mark.filterwarnings("ignore::linkbudget.LinkBudgetWarning")
@given(damaged(WHOLE.encode(), [b"\n", b" ", b"#", b"$end", b"b", b"!", b"9" * 30, b"\x00", b"\xff", b"-"]))
@settings(max_examples=300)
def test_a_damaged_file_is_read_or_refused(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("damaged") / "capture.vcd"
    path.write_bytes(content)
    refused, capture = attempt(load_vcd, path)
    assert str(path) in refused or capture.end >= capture.start


HEAD = "$timescale 1 us $end "
DECLARED = HEAD + "$var wire 1 ! rx $end $enddefinitions $end #0 1! #5 0! #9 1! "


@pytest.mark.parametrize("text", [HEAD + "$comment " + "x" * 5000, DECLARED + "#" + "1" * 5000])
def test_a_word_without_end_is_refused_before_it_fills_the_memory(tmp_path, monkeypatch, text):
    for module in ("vcd_header", "vcd_compiled"):
        monkeypatch.setattr(f"linkbudget.capture.{module}.LONGEST_WORD", 1000)
    path = tmp_path / "capture.vcd"
    path.write_text(text)
    with pytest.raises(CaptureError, match="line 1: no white space in"):
        list(open_capture(path, piece_bytes=500, shape="vcd"))


def test_a_comment_of_any_length_is_passed_over(tmp_path):
    body = "$var wire 1 ! rx $end $enddefinitions $end #0 1! #5 0! #9 1!\n"
    assert changes(load(tmp_path, HEAD + "$comment " + "beans " * 5000 + "$end " + body).channels["rx"]) == (
        changes(load(tmp_path, HEAD + body).channels["rx"])
    )


def test_a_declaration_without_end_is_refused(tmp_path):
    with pytest.raises(CaptureError, match=r"line 1: \$scope of more than 1024 words"):
        load(tmp_path, HEAD + "$scope " + "beans " * 2000)


def test_more_bits_than_memory_has_room_for_are_refused(tmp_path):
    declared = "".join(f"$var wire 65536 {letter} v{letter} $end\n" for letter in map(chr, range(40, 90)))
    with pytest.raises(CaptureError, match="line 33: more than 2,097,152 bits"):
        load(tmp_path, HEAD + declared)


def test_pieces_of_many_channels_are_larger(tmp_path, monkeypatch):
    path = tmp_path / "capture.vcd"
    path.write_text(DECLARED + "".join(f"#{at} {at & 1}!\n" for at in range(10, 500)))
    assert len(list(open_capture(path, piece_bytes=100))) > 10
    monkeypatch.setattr("linkbudget.capture.vcd.MANY_CHANNELS", 1)
    monkeypatch.setattr("linkbudget.capture.vcd.BYTES_A_CHANNEL", 1 << 16)
    assert len(list(open_capture(path, piece_bytes=100))) == 1
