"""Logged bytes: JSON Lines, tables of time and byte, plain byte files."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from level_captures import attempt, byte_captures, damaged, same_bytes

from linkbudget import ByteCapture, CaptureError, LinkBudgetWarning, SettingsError, UartLine, load_bytes
from linkbudget.capture.bytetable import load_byte_table
from linkbudget.capture.log import is_log, load_log, save_log
from linkbudget.capture.plain import load_plain_bytes
from linkbudget.traffic.stream import FRAMING, PARITY

BOARD = Path(__file__).parent / "data" / "capture" / "board.csv"
LINE = UartLine(115200)
SETTINGS = '{"baudrate": 115200, "format": "8N1"}\n'


def load(tmp_path, text, load=load_log, name="capture.jsonl", line=None, **options):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return load(path, line, **options)


def test_characters_of_one_line_lie_back_to_back_before_its_time(tmp_path):
    # 10 bits at 115200 baud: 86 805.5 ns; each instant from the exact time, rounded half up once.
    capture = load(tmp_path, SETTINGS + '{"t_ns": 1000000, "hex": "0bffc82e"}\n')
    assert capture.payload_bytes() == b"\x0b\xff\xc8\x2e"
    exact = [Fraction(1_000_000) - k * Fraction(10**10, 115200) for k in (3, 2, 1, 0)]
    assert capture.times_ns.tolist() == [int(time + Fraction(1, 2)) for time in exact]
    assert capture.times_ns.tolist() == [739_583, 826_389, 913_194, 1_000_000]
    assert capture.line == LINE
    assert (capture.starts_ns, capture.window_ns) == (None, None)


def test_halves_are_rounded_up(tmp_path):
    # 10 bits at 32 Mbaud are 312.5 ns.
    capture = load(tmp_path, '{"t_ns": 1000, "hex": "010203"}\n', line=UartLine(32_000_000))
    assert capture.times_ns.tolist() == [375, 688, 1000]


def test_no_character_comes_before_the_end_of_the_line_above(tmp_path):
    text = SETTINGS + '{"t_ns": 1000000, "hex": "41"}\n{"t_ns": 1100000, "hex": "424344"}\n'
    assert load(tmp_path, text).times_ns.tolist() == [1_000_000, 1_000_000, 1_013_194, 1_100_000]


def test_the_first_line_has_nothing_above_it(tmp_path):
    assert load(tmp_path, SETTINGS + '{"t_ns": 0, "hex": "4142"}\n').times_ns.tolist() == [-86_806, 0]


def test_windows_hold_for_all_characters_of_their_line(tmp_path):
    text = SETTINGS + '{"t_ns":100000,"window_ns":618120,"hex":"4142"}\n{"t_ns":900000,"hex":"43"}\n'
    assert load(tmp_path, text).window_ns.tolist() == [618_120, 618_120, 0]


def test_three_digits_a_character_on_a_nine_bit_line(tmp_path):
    capture = load(tmp_path, '{"baudrate": 9600, "bytesize": 9}\n{"t_ns": 5000000, "hex": "1ff041"}\n')
    assert capture.data.tolist() == [0x1FF, 0x041]


@pytest.mark.parametrize(
    "settings_",
    [
        {"baudrate": 9600, "format": "7E2"},
        {"baudrate": 9600, "bytesize": 7, "parity": "E", "stopbits": 2},
        {"line": {"baudrate": 9600, "bytesize": 7, "parity": "E", "stopbits": 2}, "bench": 3},
        {"line": "9600 7E2"},
    ],
)
def test_settings_come_in_one_of_several_forms(tmp_path, settings_):
    text = json.dumps(settings_) + '\n{"t_ns": 1, "hex": "41", "note": "passed over"}\n'
    assert load(tmp_path, text).line == UartLine(9600, 7, "E", 2)


def test_a_line_given_wins_over_the_settings_and_says_so(tmp_path):
    text = SETTINGS + '{"t_ns": 1, "hex": "41"}\n'
    told = "its first line says 115200 8N1; read as 9600 8N1, as asked for"
    with pytest.warns(LinkBudgetWarning, match=told):
        capture = load(tmp_path, text, line=UartLine(9600))
    assert capture.line == UartLine(9600)
    assert [told in warning for warning in capture.warnings] == [True]
    assert load(tmp_path, text, line=UartLine(115200)).warnings == ()


def test_a_line_given_makes_up_for_settings_that_cannot_be_read(tmp_path):
    text = '{"baudrate": "fast"}\n{"t_ns": 1, "hex": "41"}\n'
    with pytest.warns(
        LinkBudgetWarning, match=r"settings in its first line cannot be read \(baudrate: 'fast'"
    ):
        assert load(tmp_path, text, line=UartLine(9600)).payload_bytes() == b"A"


def test_a_character_with_two_faults_is_written_and_read(tmp_path):
    capture = ByteCapture([100, 200], [1, 2], [FRAMING | PARITY, 0], LINE)
    save_log(capture, tmp_path / "a.jsonl")
    assert '"flag":"framing+parity"' in (tmp_path / "a.jsonl").read_text()
    assert load_log(tmp_path / "a.jsonl").flags.tolist() == [FRAMING | PARITY, 0]


def test_blank_lines_and_crlf_are_passed_over(tmp_path):
    text = "\ufeff" + SETTINGS + '\r\n\n{"t_ns": 1, "hex": "41"}\r\n\n{"t_ns": 2, "hex": ""}\n'
    assert load(tmp_path, text).payload_bytes() == b"A"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "byte 0: the file is empty"),
        ('{"t_ns": 1, "hex": "41"}\n', "line 1: no line settings; expected"),
        ('{"baudrate": -1}\n', "line 1: settings: baudrate: -1"),
        ('{"baudrate": 9600, "format": "8X1"}\n', "line 1: settings: "),
        ('{"line": {"bytesize": 8}}\n', "line 1: settings: settings without a baudrate"),
        (
            SETTINGS + '{"t_ns": 1, "hex": "4"}\n',
            "line 2: hex '4'; expected 2 hexadecimal digits a character",
        ),
        (SETTINGS + '{"t_ns": 1, "hex": "4g"}\n', "line 2: hex '4g'"),
        (SETTINGS + '{"t_ns": 1, "hex": " 4"}\n', "line 2: hex ' 4'"),
        (SETTINGS + '{"t_ns": 1, "hex": 41}\n', "line 2: hex 41"),
        (SETTINGS + '{"t_ns": 1}\n', "line 2: hex None"),
        (SETTINGS + '{"hex": "41"}\n', "line 2: t_ns None; expected a whole number of nanoseconds"),
        (SETTINGS + '{"t_ns": 1.5, "hex": "41"}\n', r"line 2: t_ns 1\.5"),
        (SETTINGS + '{"t_ns": true, "hex": "41"}\n', "line 2: t_ns True"),
        (SETTINGS + '{"t_ns": 9223372036854775808, "hex": "41"}\n', "line 2: t_ns 9223372036854775808"),
        (
            SETTINGS + '{"t_ns": 1, "window_ns": -1, "hex": "41"}\n',
            "line 2: window_ns -1; expected .*, 0 or more",
        ),
        (
            SETTINGS + '{"t_ns": 1, "flag": "odd", "hex": "41"}\n',
            "line 2: flag 'odd'; expected one of framing",
        ),
        (SETTINGS + '{"t_ns": 2, "hex": "41"}\n\n{"t_ns": 1, "hex": "42"}\n', "line 4: t_ns 1 after 2"),
        (SETTINGS + '{"t_ns": 2, "hex\n{"t_ns": 3, "hex": "42"}\n', "line 2: .*; expected an object like"),
        (SETTINGS + "[1, 2]\n", "line 2: .*; expected an object like"),
        (SETTINGS + "[" * 100_000 + "\n", "line 2: .*; expected an object like"),
        (
            '{"baudrate": 9600, "bytesize": 7}\n{"t_ns": 1, "hex": "80"}\n',
            "line 2: character 128; expected 0 to 127",
        ),
    ],
)
def test_faults_name_file_and_line(tmp_path, text, message):
    with pytest.raises(CaptureError, match=message) as caught:
        load(tmp_path, text)
    assert str(caught.value).startswith(str(tmp_path / "capture.jsonl"))


def test_a_last_line_that_was_cut_off_is_left_out_with_a_warning(tmp_path):
    whole = SETTINGS + '{"t_ns": 5, "hex": "41"}\n{"t_ns": 9, "hex": "4243"}'
    begin = whole.index('{"t_ns": 9')
    for cut in range(begin + 1, len(whole)):
        with pytest.warns(LinkBudgetWarning, match="the last line, 3, was cut off"):
            capture = load(tmp_path, whole[:cut])
        assert capture.payload_bytes() == b"A"
        assert len(capture.warnings) == 1
    assert load(tmp_path, whole).payload_bytes() == b"ABC"


def test_a_log_is_known_by_its_first_line():
    assert is_log(b'{"baudrate": 9600}\n')
    assert is_log(b'\n {"t_ns": 1, "hex": "41"}\nwhatever')
    assert not is_log(b'{"tick":1,"kind":"whole"}\n')
    assert not is_log(b"")
    assert not is_log(b'{"t_ns": 1')


@given(byte_captures())
@settings(max_examples=80)
def test_a_round_trip_changes_nothing(tmp_path_factory, capture):
    path = tmp_path_factory.mktemp("log") / "capture.jsonl"
    save_log(capture, path)
    again = load_log(path)
    same_bytes(again, capture)
    first = path.read_bytes()
    save_log(again, path)
    assert path.read_bytes() == first


@given(st.lists(st.tuples(st.integers(0, 10**6), st.binary(min_size=1, max_size=6)), max_size=6))
@settings(max_examples=60)
def test_times_never_decrease_and_lines_end_at_their_time(tmp_path_factory, rows):
    now, text, ends = 0, SETTINGS, []
    for gap, data in rows:
        now += gap
        text += json.dumps({"t_ns": now, "hex": data.hex()}) + "\n"
        ends.append((now, len(data)))
    path = tmp_path_factory.mktemp("log") / "capture.jsonl"
    path.write_text(text)
    times = load_log(path).times_ns.tolist()
    at, above = 0, None
    for end, count in ends:
        mine = times[at : at + count]
        assert mine[-1] == end
        assert mine == sorted(mine)
        assert above is None or mine[0] >= above
        at, above = at + count, end


# -- tables of time and byte ------------------------------------------------------------------


def test_a_board_log_whose_tick_counter_wraps(tmp_path):
    with pytest.warns(LinkBudgetWarning, match="the tick counter wraps 1 time; taken as one of 65536"):
        capture = load_byte_table(BOARD, LINE)
    assert capture.payload_bytes() == b'{"tic'
    assert [time // 1000 for time in capture.times_ns.tolist()] == [65000, 65300, 65520, 65636, 65936]
    assert load_byte_table(BOARD, LINE, wrap=100_000).times_ns.tolist()[3] == 100_100_000


def test_a_small_step_back_is_no_wrap(tmp_path):
    text = "t_us,byte\n40000,1\n39999,2\n"
    with pytest.raises(CaptureError, match="line 3: time before that of the line above"):
        load(tmp_path, text, load_byte_table, "a.csv", LINE)


@pytest.mark.parametrize(
    ("cells", "values", "base"),
    [
        (["7b", "0A", "41"], [0x7B, 0x0A, 0x41], "hexadecimal"),
        (["0x7b", "0XA", "0x41"], [0x7B, 0x0A, 0x41], "hexadecimal"),
        (["123", "10", "65"], [123, 10, 65], "decimal"),
        (["12", "10", "65"], [12, 10, 65], "decimal"),
        (["05", "10", "65"], [5, 16, 0x65], "hexadecimal"),
    ],
)
def test_bytes_are_hexadecimal_or_decimal_as_they_look(tmp_path, cells, values, base):
    rows = "".join(f"{k};{cell}\n" for k, cell in enumerate(cells))
    capture = load(tmp_path, "time (ms);byte\n" + rows, load_bytes, "a.csv", LINE)
    assert capture.data.tolist() == values
    assert capture.times_ns.tolist() == [0, 1_000_000, 2_000_000]


def test_times_beyond_all_clocks(tmp_path):
    with pytest.raises(CaptureError, match="line 3: time 92233720368547758 ticks of 1 s; expected below 146"):
        load(tmp_path, "t,byte\n1,65\n92233720368547758,66\n", load_byte_table, "a.csv", LINE)


def test_a_tick_outside_of_the_range_of_its_counter(tmp_path):
    text = "tick us,byte\n75530,0x41\n12,0x0a\n"
    with pytest.raises(
        CaptureError, match="line 2: tick 75530; expected 0 to 69999, the range of the counter"
    ):
        load(tmp_path, text, load_byte_table, "a.csv", LINE, wrap=70_000)


def test_a_table_without_a_header_keeps_its_first_byte(tmp_path):
    capture = load(tmp_path, "0.001,ff\n0.002,0a\n", load_byte_table, "a.csv", LINE)
    assert capture.payload_bytes() == b"\xff\n"
    assert load(tmp_path, "x,ff\n1,0a\n", load_byte_table, "b.csv", LINE).payload_bytes() == b"\n"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("t,byte\n0,256\n", "line 2: '256' in column 'byte'; expected a byte from 0 to 255"),
        ("t,byte\n0,7b\n1,5\n", "line 2: '7b'"),
        ("t,byte\nx,1\n", "line 2: time 'x'"),
        ("t,a,b\n0,9,9\n", "columns beside the time: a, b; expected one column of bytes"),
    ],
)
def test_faults_in_a_table_of_bytes(tmp_path, text, message):
    with pytest.raises(CaptureError, match=message):
        load(tmp_path, text, load_byte_table, "a.csv", LINE)


def test_a_table_of_bytes_needs_a_line(tmp_path):
    with pytest.raises(CaptureError, match="says nothing about the line; give a baud rate"):
        load_bytes(BOARD)


def test_a_last_decimal_without_a_line_end_may_have_been_cut(tmp_path):
    with pytest.warns(LinkBudgetWarning, match="its value may have been cut off"):
        capture = load(tmp_path, "t,byte\n0,123\n1,12", load_byte_table, "a.csv", LINE)
    assert capture.data.tolist() == [123, 12]


# -- plain bytes ------------------------------------------------------------------------------


def test_plain_bytes_are_laid_out_back_to_back_and_said_so(tmp_path):
    with pytest.warns(LinkBudgetWarning, match="no times in the file; its 3 bytes are laid out back to back"):
        capture = load(tmp_path, b"\x00\xff\x10", load_bytes, "dump.bin", "115200 8N1")
    assert capture.data.tolist() == [0, 255, 16]
    assert capture.times_ns.tolist() == [86_806, 173_611, 260_417]
    assert len(capture.warnings) == 1


def test_text_that_is_no_log_is_plain_bytes(tmp_path):
    text = b'{"tick":1,"kind":"whole","x":12.4}\n'
    with pytest.warns(LinkBudgetWarning, match="no times"):
        assert load(tmp_path, text, load_bytes, "dump.txt", LINE).payload_bytes() == text


def test_plain_bytes_of_nine_bits_are_pairs(tmp_path):
    with pytest.warns(LinkBudgetWarning, match="no times"):
        capture = load(tmp_path, b"\xff\x01\x41\x00", load_plain_bytes, "a.bin", UartLine(9600, 9))
    assert capture.data.tolist() == [0x1FF, 0x41]


def test_plain_bytes_that_the_line_cannot_carry_are_refused(tmp_path):
    with pytest.raises(CaptureError, match=r"character 2: 128; expected 0 to 127"):
        load(tmp_path, b"\x00\x01\x80", load_plain_bytes, "a.bin", UartLine(9600, 7))
    with pytest.raises(CaptureError, match=r"byte 0: no capture recognised; .* give a baud rate"):
        load(tmp_path, b"\x00\x01\x80", load_bytes, "a.bin")


def test_only_bytes_can_be_saved_as_a_log(tmp_path):
    capture = ByteCapture([1], [2], [0], LINE)
    save_log(capture, tmp_path / "a.jsonl")
    assert (tmp_path / "a.jsonl").read_text().splitlines() == [
        '{"baudrate": 115200, "bytesize": 8, "parity": "N", "stopbits": 1}',
        '{"t_ns":1,"hex":"02"}',
    ]


WHOLE = SETTINGS + '{"t_ns":100000,"window_ns":5,"hex":"4142"}\n{"t_ns":900000,"hex":"43","flag":"parity"}\n'


@pytest.mark.filterwarnings("ignore::linkbudget.LinkBudgetWarning")
@given(damaged(WHOLE.encode(), [b"\n", b'"', b"{", b"9" * 30, b"\x00", b"\xff", b"-", b"1e9", b"null"]))
@settings(max_examples=300)
def test_a_damaged_file_is_read_or_refused(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("damaged") / "capture.jsonl"
    path.write_bytes(content)
    refused, capture = attempt(load_bytes, path)
    assert str(path) in refused or capture.source == str(path)


def test_a_line_that_is_none_is_refused():
    with pytest.raises(SettingsError, match="baud rate and a format"):
        load_bytes(BOARD, "fast")


@pytest.mark.parametrize("key", ["t_ns", "window_ns", "start_ns"])
def test_times_that_could_not_be_subtracted_are_refused(tmp_path, key):
    row = {"t_ns": 5, "window_ns": 5, "start_ns": 5, "hex": "41"} | {key: 1 << 62}
    path = tmp_path / "a.jsonl"
    path.write_text(f'{{"baudrate": 9600}}\n{json.dumps(row)}\n')
    with pytest.raises(CaptureError, match=rf"line 2: {key} 4611686018427387904; .*below 146 years"):
        load_log(path)


def test_a_line_on_which_a_character_lasts_centuries_is_refused(tmp_path):
    path = tmp_path / "a.jsonl"
    path.write_text('{"t_ns": 5, "hex": "41"}\n')
    with pytest.raises(SettingsError, match="a line whose character takes less than 146 years"):
        load_log(path, UartLine(1e-9))
