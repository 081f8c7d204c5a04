"""Frame formats: what they accept, what they write, and how long that is."""

from __future__ import annotations

import copy
import pickle
from itertools import product

import pytest
from frame_cases import FORMATS, payloads
from hypothesis import given, settings
from hypothesis import strategies as st

from linkbudget import Blob, Codec, LinkBudgetWarning, MessageLayout
from linkbudget.check.algorithms import CrcAlgorithm
from linkbudget.check.sums import SUMS
from linkbudget.errors import FrameError, SettingsError
from linkbudget.frame.deframer import Deframer, Reason
from linkbudget.frame.delimiting.table import DELIMITINGS
from linkbudget.frame.events import Frame
from linkbudget.frame.format import FrameFormat

OWN = CrcAlgorithm("beans", 12, 0x80F, init=0xFFF)
every_format = pytest.mark.parametrize("name", FORMATS)


def faults_of(**given_settings):
    with pytest.raises(SettingsError) as caught:
        FrameFormat(**given_settings)
    return {fault.path: fault for fault in caught.value.faults}


def test_the_cases_cover_every_delimiting():
    assert {fmt.delimiting for fmt in FORMATS.values()} == set(DELIMITINGS)


@every_format
@settings(max_examples=40)
@given(data=st.data(), sequence=st.integers(0, 300))
def test_what_is_encoded_is_decoded(name, data, sequence):
    fmt = FORMATS[name]
    payload = data.draw(payloads(fmt))
    frame = fmt.encode(payload, sequence)
    assert fmt.decode(frame) == payload
    assert fmt.decode_numbered(frame) == (payload, sequence % 256 if fmt.sequence else None)
    assert len(frame) <= fmt.max_frame_bytes


@every_format
@pytest.mark.filterwarnings("ignore:frame sizes:linkbudget.LinkBudgetWarning")
@settings(max_examples=40)
@given(data=st.data(), sequence=st.integers(0, 255))
def test_a_frame_is_never_outside_its_size(name, data, sequence):
    fmt = FORMATS[name]
    payload = data.draw(payloads(fmt))
    size = fmt.size(len(payload))
    assert size.minimum <= len(fmt.encode(payload, sequence)) <= size.maximum
    assert size.minimum <= size.typical <= size.maximum


def attained(fmt, count):
    lengths = []
    for which in ("minimum", "maximum"):
        payload, sequence = fmt.attain(count, which)
        assert len(payload) == count
        lengths.append(len(fmt.encode(payload, sequence)))
    return tuple(lengths)


@pytest.mark.parametrize("name", [name for name in FORMATS if name != "hdlc-all"])
def test_sizes_are_attained(name):
    fmt = FORMATS[name]
    for count in {0, 1, 2, 3, 7, 23, fmt.max_payload} & set(range(fmt.max_payload + 1)):
        size = fmt.size(count)
        assert attained(fmt, count) == (size.minimum, size.maximum)


@pytest.mark.parametrize(
    "crc",
    [
        None,
        "sum8",
        "xor8",
        "fletcher16",
        "CRC-8/SMBUS",
        "CRC-15/CAN",
        "CRC-16/MODBUS",
        "CRC-32/ISO-HDLC",
        OWN,
    ],
    ids=str,
)
@pytest.mark.parametrize(
    "extra",
    [
        {},
        {"sequence": True},
        {"layout_id": 0},
        {"sequence": True, "layout_id": 0xDB},
        {"crc_order": "little"},
    ],
    ids=str,
)
@pytest.mark.parametrize("delimiting", ["cobs", "slip", "hdlc"])
def test_sizes_are_attained_with_every_kind_of_check(delimiting, crc, extra):
    fmt = FrameFormat(delimiting, crc, 600, **extra)
    for count in (0, 1, 5, 30, 253, 254, 255, 508, 600):
        size = fmt.size(count)
        assert fmt.size_is_exact(count)
        assert attained(fmt, count) == (size.minimum, size.maximum)


SHORT_CHECKS = ["sum8", "xor8", "fletcher16", "CRC-8/SMBUS", "CRC-15/CAN", "CRC-16/IBM-3740", OWN]


@pytest.mark.parametrize("crc", [*SHORT_CHECKS, "CRC-32/ISO-HDLC"], ids=str)
@pytest.mark.parametrize(
    "more",
    [{"delimiting": "slip"}, {"delimiting": "hdlc"}, {"delimiting": "hdlc", "async_map": 0x80000201}],
    ids=str,
)
def test_sizes_of_the_shortest_payloads_are_those_of_all_payloads(more, crc):
    fmt = FrameFormat(crc=crc, **more)
    for count in (0, 1):
        lengths = [len(fmt.encode(value.to_bytes(count, "big"))) for value in range(256**count)]
        if fmt.async_map and crc == "CRC-32/ISO-HDLC" and count:
            assert fmt._size(count).maximum >= max(lengths)
        else:
            assert (fmt.size(count).minimum, fmt.size(count).maximum) == (min(lengths), max(lengths))


@pytest.mark.parametrize("crc", ["sum8", "fletcher16", "CRC-16/ARC", OWN], ids=str)
@pytest.mark.parametrize(
    "more", [{}, {"async_map": 1}, {"sequence": True}, {"layout_id": 1}], ids=lambda more: str(more)
)
def test_the_most_escaped_bytes_are_those_of_all_payloads_of_so_many(more, crc):
    """All payloads in which at most two bytes are not escaped; giving up more is never worth it."""
    fmt = FrameFormat("hdlc", crc, **more)
    escaped = fmt.framing.escaped
    for count in (2, 3):
        plain = [bytes(some) for some in product(escaped, repeat=count)]
        one = {
            head + bytes([byte]) + rest
            for at in range(count)
            for some in product(escaped, repeat=count - 1)
            for head, rest in [(bytes(some[:at]), bytes(some[at:]))]
            for byte in range(256)
        }
        sequences = range(256) if fmt.sequence else [0]
        longest = max(len(fmt.encode(payload, number)) for payload in plain for number in sequences)
        longest = max(longest, *(len(fmt.encode(payload, escaped[-1])) for payload in one))
        assert fmt.size(count).maximum >= longest
        assert attained(fmt, count)[1] == fmt.size(count).maximum
        assert fmt.size(count).maximum == max(longest, len(fmt.encode(plain[0], escaped[-1])))


@pytest.mark.parametrize("crc", SHORT_CHECKS, ids=str)
@pytest.mark.parametrize("delimiting", ["slip", "hdlc"])
def test_sizes_of_a_format_are_those_of_a_blob_in_it(delimiting, crc):
    """The search over the payloads of messages knows nothing of the tables of a format."""
    for more in ({}, {"sequence": True, "layout_id": 0xC1}):
        fmt = FrameFormat(delimiting, crc, **more)
        for count in (1, 4, 11):
            codec = Codec(fmt, [(MessageLayout("raw", (Blob("raw", count, count),)), "packed-bytes")])
            assert codec.size_is_exact("raw")
            size, same = codec.size("raw"), fmt.size(count)
            assert (size.minimum, size.maximum) == (same.minimum, same.maximum)


def test_a_bound_that_may_not_be_attained_is_called_one_and_never_passed():
    fmt = FrameFormat("hdlc", "CRC-32/ISO-HDLC", async_map=7)
    assert not fmt.size_is_exact(3)
    with pytest.warns(LinkBudgetWarning, match="frame sizes of 3 bytes are bounds"):
        size = fmt.size(3)
    longest = attained(fmt, 3)[1]
    assert longest < size.maximum <= longest + fmt.check_bytes
    assert fmt.size_is_exact(60)


def test_sizes_by_hand():
    assert FrameFormat(crc=None).size(5).to_dict() == {"minimum": 7, "typical": 7, "maximum": 7}
    assert FrameFormat(crc=None, max_payload=300).size(255).maximum == 258
    assert FrameFormat("slip", None).size(10).to_dict() == {"minimum": 11, "typical": 11, "maximum": 21}
    assert FrameFormat("slip", None, leading_delimiter=True).size(64).typical == 2 + 65
    assert FrameFormat("hdlc", None, async_map=0xFFFFFFFF).size(64).typical == 2 + 64 + 9
    assert FrameFormat("hdlc", None, leading_delimiter=False).size(4).minimum == 5
    assert FrameFormat("newline", None, terminator="\r\n").size(4).maximum == 6
    assert FrameFormat("counted", "CRC-32/ISO-HDLC", sync=b"ab", length_bytes=2).size(4).maximum == 12
    assert FrameFormat("none", "CRC-8/SMBUS").size(4).maximum == 5


def test_size_wants_a_length_the_format_allows():
    for count in (-1, 65):
        with pytest.raises(SettingsError, match="0 to 64"):
            FrameFormat().size(count)
    with pytest.raises(SettingsError, match="minimum, maximum"):
        FrameFormat().attain(3, "typical")


@pytest.mark.parametrize("extra", [{}, {"crc": "xor8"}, {"sequence": True}, {"layout_id": 3}], ids=str)
@pytest.mark.parametrize("delimiting", DELIMITINGS)
def test_the_shortest_payload_is_one_that_receivers_see(delimiting, extra):
    if delimiting == "newline" and extra:
        return
    fmt = FrameFormat(delimiting, **{"crc": None, "max_payload": 1, **extra})
    seen = [Deframer(fmt).feed(fmt.encode(bytes(count)) * 2) for count in (0, 1)]
    assert fmt.min_payload == (1 if delimiting in {"slip", "hdlc", "none"} and not extra else 0)
    assert all(isinstance(event, Frame) for event in seen[1])
    assert len(seen[1]) == 2
    if delimiting != "none":  # which has no shorter frames than its longest
        assert [event.payload for event in seen[0]] == [b""] * (0 if fmt.min_payload else 2)


def test_the_order_inside_a_frame():
    fmt = FrameFormat("none", "CRC-16/IBM-3740", sequence=True, layout_id=9)
    frame = fmt.encode(b"bean", sequence=258)
    assert frame[:6] == b"\x02\x09bean"
    assert frame[6:] == fmt.check.compute(frame[:6]).to_bytes(2, "big")
    assert (fmt.overhead_bytes, fmt.check_bytes) == (4, 2)


@pytest.mark.parametrize(
    ("settings_", "check"),
    [
        ({"crc": "CRC-16/IBM-3740"}, "29b1"),
        ({"crc": "CRC-16/IBM-3740", "crc_order": "little"}, "b129"),
        ({"crc": "CRC-16/MODBUS"}, "374b"),
        ({"crc": "CRC-16/MODBUS", "crc_order": "big"}, "4b37"),
        ({"crc": "CRC-15/CAN"}, "059e"),
        ({"crc": "CRC-17/CAN-FD"}, "004f03"),
        ({"crc": "CRC-16/IBM-3740", "check_form": "hex"}, b"29B1".hex()),
        ({"crc": "sum8"}, "dd"),
        ({"crc": None}, ""),
        ({"crc": "none"}, ""),
    ],
)
def test_the_check_follows_the_payload(settings_, check):
    frame = FrameFormat("none", **settings_).encode(b"123456789")
    assert frame == b"123456789" + bytes.fromhex(check)


def test_another_layout_is_told_from_damage():
    with pytest.raises(FrameError, match="layout 4, expected 5") as caught:
        FrameFormat(layout_id=5).decode(FrameFormat(layout_id=4).encode(b"bean"))
    assert caught.value.reason == Reason.LAYOUT


@pytest.mark.parametrize(
    ("frame", "reason"),
    [
        (b"", "too-short"),
        (b"\0", "too-short"),
        (b"\2a\0", "too-short"),
        (b"\x05abcd\0", "check"),
        (b"\5ab\0", "bad-stuffing"),
    ],
)
def test_decode_raises_with_the_reason(frame, reason):
    with pytest.raises(FrameError, match=reason) as caught:
        FrameFormat().decode(frame)
    assert caught.value.reason == reason


def test_decode_refuses_what_is_too_long():
    with pytest.raises(FrameError, match="too-long: a payload of 9 bytes, expected at most 8"):
        FrameFormat(max_payload=8).decode(FrameFormat().encode(b"123456789"))


def test_encode_refuses_what_is_too_long():
    with pytest.raises(SettingsError, match=r"65 bytes.*at most 64 bytes"):
        FrameFormat().encode(bytes(65))
    with pytest.raises(TypeError):
        FrameFormat().encode(5)


def test_every_fault_is_reported_at_once():
    faults = faults_of(
        delimiting="hdcl", crc="CRC-16/MODBUZ", max_payload=0, check_form="decimal", sync="xyz", layout_id=256
    )
    assert set(faults) == {"delimiting", "crc", "max_payload", "check_form", "sync", "layout_id"}
    assert faults["delimiting"].nearest == "hdlc"
    assert faults["crc"].nearest == "CRC-16/MODBUS"


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("max_payload", True),
        ("max_payload", 2**20 + 1),
        ("crc_order", "first"),
        ("sequence", 1),
        ("layout_id", -1),
        ("crc", 16),
        ("delimiting", None),
        ("leading_delimiter", 1),
    ],
)
def test_values_that_are_none(name, value):
    assert set(faults_of(**{name: value})) == {name}


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("length_bytes", 5),
        ("length_bytes", 0),
        ("length_counts", "words"),
        ("length_order", "middle"),
        ("sync", bytes(9)),
        ("header_check", "CRC-99"),
    ],
)
def test_values_that_are_none_of_counted(name, value):
    assert set(faults_of(delimiting="counted", **{name: value})) == {name}


def test_newline_takes_a_check_in_hex_only():
    fault = faults_of(delimiting="newline")["check_form"]
    assert "hex (or no check at all, with crc none)" in fault.allowed
    assert FrameFormat("newline", None).check is None
    assert FrameFormat("newline", "CRC-8/SMBUS", check_form="hex").decode(b"bean91\n") == b"bean"


def test_newline_takes_no_bytes_it_may_forbid():
    assert set(faults_of(delimiting="newline", crc=None, sequence=True, layout_id=10)) == {
        "sequence",
        "layout_id",
    }
    assert set(faults_of(delimiting="newline", sequence=True, max_payload=0)) == {
        "check_form",
        "sequence",
        "max_payload",
    }


@pytest.mark.parametrize(
    "setting",
    [
        {"sync": b"\xaa"},
        {"length_bytes": 2},
        {"length_counts": "frame"},
        {"length_order": "little"},
        {"header_check": "sum8"},
        {"async_map": 1},
        {"terminator": "\r"},
    ],
    ids=lambda setting: next(iter(setting)),
)
def test_a_setting_of_another_delimiting_is_a_fault(setting):
    (name,) = setting
    assert "left out" in faults_of(delimiting="cobs", **setting)[name].allowed


def test_a_leading_delimiter_wants_a_delimiter():
    assert set(faults_of(delimiting="counted", leading_delimiter=True)) == {"leading_delimiter"}
    assert FrameFormat("counted", leading_delimiter=False).encode(b"a")[0] == 1


def test_names_are_brought_to_one_spelling():
    assert FrameFormat(crc="ccitt-false") == FrameFormat(crc=" CRC-16/ibm-3740 ") == FrameFormat()
    assert FrameFormat(crc="none") == FrameFormat(crc=None)
    assert FrameFormat("counted", sync="AA 55") == FrameFormat("counted", sync=b"\xaa\x55")
    assert FrameFormat(crc="SUM8").check is SUMS["sum8"]


@pytest.mark.parametrize(
    "fmt", [*FORMATS.values(), FrameFormat(crc=OWN), FrameFormat(crc=SUMS["xor8"])], ids=str
)
def test_a_table_gives_the_format_back(fmt):
    again = FrameFormat.from_dict(fmt.to_dict())
    assert again.to_dict() == fmt.to_dict()
    assert again.encode(b"123456") == fmt.encode(b"123456")


def test_the_table_is_plain():
    assert FrameFormat("newline", None, 256).to_dict() == {
        "delimiting": "newline",
        "crc": "none",
        "max_payload": 256,
    }
    fmt = FrameFormat("counted", "sum8", 64, sync=b"\xaa\x55", header_check="CRC-8/ROHC")
    assert fmt.to_dict()["sync"] == "aa 55"
    assert fmt.to_dict()["header_check"] == "CRC-8/ROHC"
    assert FrameFormat(crc=OWN).to_dict()["crc"] == {
        "name": "beans",
        "width": 12,
        "poly": 0x80F,
        "init": 0xFFF,
        "refin": False,
        "refout": False,
        "xorout": 0,
    }


def test_unknown_keys_are_refused_with_the_nearest():
    with pytest.raises(SettingsError, match="did you mean 'max_payload'"):
        FrameFormat.from_dict({"delimiting": "cobs", "max_paylod": 3})


def test_faults_of_ones_own_check_come_from_its_table():
    with pytest.raises(SettingsError, match=r"crc\.poly"):
        FrameFormat.from_dict({"crc": {"name": "beans", "width": 8, "poly": 0}})
    with pytest.raises(SettingsError, match=r"crc\.polly.*did you mean 'poly'"):
        FrameFormat.from_dict({"crc": {"name": "beans", "width": 8, "polly": 7}})
    with pytest.raises(SettingsError, match=r"crc\.poly: is missing"):
        FrameFormat.from_dict({"crc": {"name": "beans", "width": 8}})


def test_a_format_that_was_used_can_be_copied_and_pickled():
    fmt = FORMATS["counted-sync"]
    fmt.encode(b"bean")
    for other in (pickle.loads(pickle.dumps(fmt)), copy.deepcopy(fmt)):
        assert other == fmt
        assert other.encode(b"bean") == fmt.encode(b"bean")


def test_formats_are_compared_by_their_settings():
    assert FrameFormat() == FrameFormat(crc="CRC-16/IBM-3740")
    assert len({FrameFormat(), FrameFormat(max_payload=65), FrameFormat()}) == 2


def test_the_default_check_starts_at_all_ones():
    assert FrameFormat().check.init == 0xFFFF


def test_the_delimiter_is_the_byte_that_ends_a_frame():
    ends = {name: fmt.delimiter for name, fmt in FORMATS.items() if "-" not in name}
    assert ends == {"cobs": 0, "slip": 0xC0, "hdlc": 0x7E, "newline": 0x0A, "counted": None, "none": None}


@every_format
def test_the_forbidden_bytes_are_those_encode_refuses(name):
    fmt = FORMATS[name]
    refused = set()
    for byte in range(256):
        try:
            fmt.encode(bytes([byte]))
        except SettingsError:
            refused.add(byte)
    assert refused == set(fmt.forbidden)


def test_the_same_payload_gives_the_same_frame():
    fmt = FORMATS["cobs-numbered"]
    payload = b"split"
    assert fmt.encode(payload) == fmt.encode(bytearray(payload)) == fmt.encode(memoryview(payload))
