"""How small and how large a message's frames can be: by counting all of them, and by values that have it."""

from __future__ import annotations

import re
from functools import lru_cache
from itertools import combinations_with_replacement, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies_message import layouts, text_for, values

from linkbudget import (
    Blob,
    Choice,
    Codec,
    Counter,
    Flag,
    FrameFormat,
    Integer,
    Label,
    MessageLayout,
    Optional_,
    Real,
    Repeat,
    Scaled,
    SettingsError,
)
from linkbudget.check.algorithms import CrcAlgorithm, check_code
from linkbudget.check.registers import registers_of
from linkbudget.codec import CodecMessage
from linkbudget.codec.costs import costs_of, endings_of
from linkbudget.codec.hull import ruled_out
from linkbudget.codec.meeting import Effort, meet
from linkbudget.codec.paths import Best, nearly_best
from linkbudget.codec.reached import reached
from linkbudget.codec.wanted import Wanted
from linkbudget.frame.delimiting.table import DELIMITINGS
from linkbudget.message.encodings import ENCODINGS, encoding
from linkbudget.message.encodings.floats import float_text
from linkbudget.message.languages.payload import payloads_of as every_payload
from linkbudget.message.number_forms import round_to_bits

CHECKS = (
    None,
    "sum8",
    "xor8",
    "fletcher16",
    "CRC-8/AUTOSAR",
    "CRC-16/IBM-3740",
    "CRC-24/OPENPGP",
    "CRC-32/ISO-HDLC",
)
TEXT = [name for name, cls in ENCODINGS.items() if cls.family != "binary"]
COMBINATIONS = [
    (delimiting, name, crc)
    for delimiting, name, crc in product(DELIMITINGS, ENCODINGS, CHECKS)
    if delimiting != "newline" or name in TEXT
]
BEANS = (
    Counter("tick", 16),
    Choice("kind", ("whole", "stone", "~husk~")),
    Scaled("x", 0, 96, 0.4),
    Real("score", 32, 0, 1),
    Optional_(Label("note", 4, 1)),
    Repeat("marks", (Integer("lane", 0, 7), Flag("ok")), 2, 1),
)


@lru_cache
def layout_of(fields):
    return MessageLayout("beans", fields)


def codec_of(delimiting, name, crc, fields, max_payload=200, **more):
    if delimiting == "newline" and crc is not None:
        more["check_form"] = "hex"
    fmt = FrameFormat(delimiting, crc, max_payload, **more)
    return Codec(fmt, [(layout_of(fields), name)])


def frame_bytes(codec, which, name="beans"):
    """The bytes of the frame of the value that is said to have this size."""
    value, sequence = codec.attain(name, which), codec.attain_sequence(name, which)
    return len(codec.encode(name, value, sequence))


def assert_attained(codec, name="beans"):
    size = codec.size(name)
    assert codec.size_is_exact(name)
    assert {which: frame_bytes(codec, which, name) for which in size.to_dict()} == size.to_dict()


def test_there_are_so_many_combinations():
    assert len(set(COMBINATIONS)) == len(DELIMITINGS) * len(ENCODINGS) * len(CHECKS) - 7 * len(CHECKS) == 424


@pytest.mark.parametrize("combination", COMBINATIONS, ids=lambda some: " ".join(map(str, some)))
def test_sizes_of_an_ordinary_message_are_attained(combination):
    assert_attained(codec_of(*combination, BEANS))


def test_the_sum_of_digits_of_a_real_number_decides():
    """The largest frame would have a sum of 7D or 7E, with a score of 14 characters.

    The other characters of such a payload add up to 2268 … 2348, as counted here; so those of the score would
    have to be 593 … 674 or 849 … 930. 0.000 and nine digits are 670 and the sum of these digits, the form
    d.dddddddde-dd 720 and the sum of 11: of the first kind only digits that add up to 2, 3 or 4 are left, of
    the second none. No float has such digits.
    """
    ticks = {sum(str(tick).encode()) for tick in range(10_000, 65_536)}
    xs = {sum(f"{step * 4 / 10}".encode()) for step in range(25, 241) if step % 5}
    fixed = sum(b"~husk~" + b"," * 9 + b"2" + b"0" * 4)
    others = {
        fixed + tick + x + 4 * 0x7D + more for tick in ticks for x in xs for more in range(4 + 2 * 7 + 3)
    }
    assert (min(others), max(others)) == (2268, 2348)
    wanted = {
        some for some in range(600, 1000) if any((some + other) % 256 in (0x7D, 0x7E) for other in others)
    }
    assert wanted == {*range(600, 675), *range(849, 931)}
    for extra in range(3):
        for places in combinations_with_replacement(range(9), extra):
            digits = [1 + places.count(0), *map(places.count, range(1, 8)), 1 + places.count(8)]
            text = "0.000" + "".join(map(str, digits))
            assert float_text(round_to_bits(float(text), 32), 32) != text
    codec = codec_of("hdlc", "delimited", "sum8", BEANS)
    assert codec.size("beans").maximum == codec.payload_size("beans").maximum + 1 + 6 + 2 == 56


@pytest.mark.parametrize("name", ["packed-bytes", "delimited", "cbor-array"])
@pytest.mark.parametrize(
    "fields", [(Label("note", 509, 500), Flag("f")), (Blob("raw", 509),)], ids=["text", "raw"]
)
def test_fletchers_sum_over_hundreds_of_bytes_is_searched_to_the_end(fields, name):
    for sequence in (False, True):
        assert_attained(codec_of("slip", name, "fletcher16", fields, 6000, sequence=sequence))


@pytest.mark.parametrize("crc", ["sum8", "CRC-16/IBM-3740"])
def test_packed_lists_of_hundreds_of_bytes_are_searched_by_the_lengths_at_the_ends(crc):
    """Their length stands in front, so that sets are split by length; not all can be followed."""
    fields = (Repeat("raw", of=Integer("b", 0, 4000), max_count=255, min_count=255),)
    codec = codec_of("slip", "tagged-varint", crc, fields, 6000)
    assert not every_payload(codec.messages[0]).graph.exact
    assert_attained(codec)
    # 255 numbers of C0 or DB and a byte more, which is no such byte; a key and two bytes of length.
    assert codec.size("beans").maximum >= 3 + 255 * 3 + 1 + codec.fmt.check_bytes
    assert codec.size("beans").maximum <= 3 + 255 * 3 + 1 + 2 * codec.fmt.check_bytes
    steady = (Repeat("raw", of=Real("b", 32), max_count=2100, min_count=2100),)
    assert every_payload(CodecMessage(layout_of(steady), "tagged-varint")).graph.exact


def every(field):
    """All values of a field of few."""
    if isinstance(field, Optional_):
        return [None, *every(field.field)]
    if isinstance(field, Integer):
        return list(range(field.minimum, field.maximum + 1))
    if isinstance(field, Counter):
        return list(range(2**field.bits))
    if isinstance(field, Choice):
        return list(field.options)
    if isinstance(field, Flag):
        return [False, True]
    if isinstance(field, Blob):
        lengths = range(field.min_bytes, field.max_bytes + 1)
        return [bytes(some) for length in lengths for some in product(range(256), repeat=length)]
    assert isinstance(field, Repeat)
    items = every(field.of)
    counts = range(field.min_count, field.max_count + 1)
    return [list(some) for count in counts for some in product(items, repeat=count)]


def every_value(fields):
    for some in product(*map(every, fields)):
        yield {field.name: value for field, value in zip(fields, some, strict=True) if value is not None}


@lru_cache
def payloads_of(message):
    """All payloads there are."""
    codec = Codec(FrameFormat("cobs", None, 1000), [message])
    return {codec.encode_payload(message.name, value) for value in every_value(message.layout.fields)}


def counted(codec, message, sequences):
    """The smallest and the largest of all frames that the format carries."""
    fitting = [payload for payload in payloads_of(message) if len(payload) <= codec.fmt.max_payload]
    sizes = {len(codec.fmt.encode(payload, sequence)) for payload in fitting for sequence in sequences}
    return min(sizes), max(sizes)


def assert_counted(codec, sequences=(0,)):
    for message in codec.messages:
        size = codec.size(message.name)
        assert (size.minimum, size.maximum) == counted(codec, message, sequences)
        assert_attained(codec, message.name)


TINY = {
    "numbers": (Counter("tick", 5), Integer("lane", 120, 127)),
    "words": (Choice("kind", ("~}", "stone", "ۀ")), Optional_(Integer("lane", 219, 228))),
    "lists": (Repeat("marks", of=Integer("lane", 190, 195), max_count=2),),
    "one": (Choice("kind", ("~",)),),
    "none": (),
}


@pytest.mark.parametrize("name", ENCODINGS)
@pytest.mark.parametrize("delimiting", DELIMITINGS)
@pytest.mark.parametrize("fields", TINY.values(), ids=TINY)
def test_sizes_are_those_of_all_values(fields, delimiting, name):
    if delimiting == "newline" and name not in TEXT:
        return
    for crc in CHECKS:
        if crc is None and delimiting in {"slip", "hdlc", "none"} and can_be_empty(name, fields):
            with pytest.raises(SettingsError, match="can be without a byte"):
                codec_of(delimiting, name, crc, fields)
            continue
        assert_counted(codec_of(delimiting, name, crc, fields))


def can_be_empty(name, fields):
    return codec_of("cobs", name, None, fields).payload_size("beans").minimum == 0


SEVERAL = {
    "words": {"key": "~}", "id": 0xC0},
    "lists": {"key": "lane", "id": 0},
    "none": {"key": "poll", "id": 255},
}


@pytest.mark.parametrize("crc", CHECKS)
@pytest.mark.parametrize("name", ENCODINGS)
@pytest.mark.parametrize("delimiting", DELIMITINGS)
def test_several_messages_with_ids_or_keys_and_bytes_in_front(delimiting, name, crc):
    """Each message of a direction has its sizes; sequence and layout bytes cost what they cost."""
    if (delimiting, name, crc) not in COMBINATIONS:
        return
    more = {} if delimiting == "newline" else {"sequence": True, "layout_id": 0xDB}
    if delimiting == "newline" and crc is not None:
        more = {"check_form": "hex"}
    messages = [(MessageLayout(one, TINY[one], **told), name) for one, told in SEVERAL.items()]
    sequences = range(256) if delimiting in {"slip", "hdlc"} else (0, 255)
    assert_counted(Codec(FrameFormat(delimiting, crc, 100, **more), messages), sequences)


@pytest.mark.parametrize("name", ENCODINGS)
@pytest.mark.parametrize("delimiting", ["slip", "hdlc", "counted"])
def test_payloads_that_do_not_fit_do_not_count(delimiting, name):
    fields = TINY["lists"]
    payload = codec_of("cobs", name, None, fields).payload_size("beans")
    for limit in range(max(payload.minimum, 1), payload.maximum):
        assert_counted(codec_of(delimiting, name, "CRC-8/AUTOSAR", fields, limit))


@pytest.mark.parametrize(
    "more",
    [
        {"sequence": True},
        {"sequence": True, "layout_id": 0x7E},
        {"crc_order": "little"},
        {"async_map": 0xFFFFFFFF},
        {"async_map": 0x80000201, "leading_delimiter": False},
        {"check_form": "hex"},
    ],
    ids=str,
)
@pytest.mark.parametrize("crc", [None, "xor8", "fletcher16", "CRC-15/CAN", "CRC-16/ARC", "CRC-32/ISCSI"])
def test_settings_of_the_frame_count(crc, more):
    fields = (Integer("lane", 120, 130), Flag("ok"))
    sequences = range(256) if more.get("sequence") else (0,)
    for name in ("packed-bits", "packed-bytes", "delimited"):
        assert_counted(codec_of("hdlc", name, crc, fields, **more), sequences)


@pytest.mark.parametrize("name", ["packed-bits", "packed-bytes"])
@pytest.mark.parametrize("crc", [*CHECKS, CrcAlgorithm("own", 12, 0x80F, init=0xFFF)], ids=str)
def test_free_bits_and_a_check_over_all_values_of_two_bytes(crc, name):
    for fields in ((Counter("tick", 10),), (Blob("raw", 1), Counter("n", 3))):
        assert_counted(codec_of("slip", name, crc, fields))


@pytest.mark.parametrize("crc", CHECKS)
@pytest.mark.parametrize("steady", [247, 248, 250])
def test_long_frames_in_cobs_are_those_of_all_values(steady, crc):
    """Runs of 254 bytes end in the fields, or in the check."""
    fixed = Repeat("raw", of=Integer("steady", 257, 257), max_count=steady // 2, min_count=steady // 2)
    odd = (Integer("odd", 1, 1),) if steady % 2 else ()
    fields = (Flag("first"), fixed, *odd, Repeat("flags", of=Flag("f"), max_count=5, min_count=5))
    assert_counted(codec_of("cobs", "packed-bytes", crc, fields, 300))


@pytest.mark.parametrize("told", [{"key": "~}"}, {"key": "~}", "id": 0xC0}], ids=str)
@pytest.mark.parametrize("name", ENCODINGS)
def test_id_and_key_are_part_of_the_payload(name, told):
    fields = TINY["words"]
    fmt = FrameFormat("hdlc", "CRC-16/IBM-SDLC")
    codec = Codec(fmt, [(MessageLayout("beans", fields, **told), name)])
    assert_counted(codec)


OPTIONS = [
    {"name": "packed-bits", "bit_order": "lsb"},
    {"name": "packed-bits", "byte_order": "little"},
    {"name": "packed-bits", "join": "all"},
    {"name": "packed-bytes", "byte_order": "little", "widths": "power-of-two"},
    {"name": "tagged-varint", "signed": "twos-complement"},
    {"name": "cbor-map", "compact": True},
    {"name": "msgpack-array", "compact": True},
    {"name": "delimited", "separator": "; "},
    {"name": "delimited", "template": "X{x} ~{kind};{there}"},
]


@pytest.mark.parametrize("options", OPTIONS, ids=str)
def test_options_of_encodings_count(options):
    fields = (Integer("x", -3, 260), Choice("kind", ("~", "stone")), Optional_(Flag("there")))
    for crc in (None, "CRC-16/IBM-SDLC"):
        assert_counted(codec_of("hdlc", encoding(options), crc, fields))


def formats():
    """Formats of each delimiting that carries any message, with any check and payloads cut short at times."""
    common = {
        "crc": st.sampled_from([*CHECKS, "CRC-16/ARC", "CRC-32/ISCSI"]),
        "max_payload": st.sampled_from([30, 64, 200, 400, 6000]),
        "sequence": st.booleans(),
    }
    hdlc = st.builds(FrameFormat, st.just("hdlc"), async_map=st.sampled_from([0, 0xFFFFFFFF]), **common)
    counted_ones = st.builds(FrameFormat, st.just("counted"), length_bytes=st.just(2), **common)
    return st.one_of(
        *(st.builds(FrameFormat, st.just(name), **common) for name in ("slip", "cobs")), hdlc, counted_ones
    )


@given(data=st.data(), layout=layouts(depth=1), fmt=formats(), name=st.sampled_from(list(ENCODINGS)))
@settings(max_examples=50)
def test_no_value_is_outside_and_the_ends_are_attained(data, layout, fmt, name):
    shortest = codec_of("cobs", name, None, layout.fields, 60_000).payload_size("beans").minimum
    if not fmt.min_payload <= shortest <= fmt.max_payload:
        with pytest.raises(SettingsError, match=r"without a byte|max_payload"):
            Codec(fmt, [(layout, name)])
        return
    codec = Codec(fmt, [(layout, name)])
    size = codec.size("beans")
    if codec.size_is_exact("beans"):
        assert_attained(codec)
    assert size.minimum <= frame_bytes(codec, "minimum")
    assert frame_bytes(codec, "maximum") <= size.maximum
    for _ in range(3):
        payload = codec.encode_payload("beans", data.draw(values(layout, text_for(name))))
        if len(payload) <= fmt.max_payload:
            frame = fmt.encode(payload, data.draw(st.integers(0, 255)))
            assert size.minimum <= len(frame) <= size.maximum


def is_short(layout):
    return encoding("packed-bytes").size(layout).maximum <= 40


def may_be_a_bound(codec):
    """What `Codec.size_is_exact` says of the sizes that may not be proved."""
    (message,) = codec.messages
    longest = codec.payload_size("beans").maximum
    uneven = codec.fmt.framing.escaped or (codec.fmt.delimiting == "cobs" and longest > 200)
    wide = codec.fmt.check is not None and codec.fmt.check.width > 16
    as_text = message.encoding.family != "binary" and re.search(
        "Real|Scaled|Integer", repr(message.layout.fields)
    )
    return bool(uneven) and (wide or as_text or longest > 1000)


@pytest.mark.parametrize("name", ENCODINGS)
@pytest.mark.parametrize("delimiting", DELIMITINGS)
@given(data=st.data(), layout=layouts(depth=1).filter(is_short))
@settings(max_examples=3)
def test_drawn_messages_attain_their_sizes_in_every_combination(delimiting, name, data, layout):
    if (delimiting, name, None) not in COMBINATIONS:
        return
    value = data.draw(values(layout, text_for(name)))
    for crc in CHECKS:
        form = {"check_form": "hex"} if delimiting == "newline" and crc is not None else {}
        if delimiting == "counted":
            form = {"length_bytes": 4}
        fmt = FrameFormat(delimiting, crc, 60_000, **form)
        if fmt.min_payload and can_be_empty(name, layout.fields):
            continue
        codec = Codec(fmt, [(layout, name)])
        size = codec.size("beans")
        assert size.minimum <= len(codec.encode("beans", value)) <= size.maximum
        if codec.size_is_exact("beans"):
            assert_attained(codec)
        else:
            assert may_be_a_bound(codec)


def test_sizes_by_hand():
    """One byte of any value: in SLIP (RFC 1055) C0 and DB take two bytes; one xor keeps what it checks."""
    fields = (Counter("tick", 8),)
    assert codec_of("slip", "packed-bits", None, fields).size("beans").to_dict() == {
        "minimum": 2,
        "typical": 2,
        "maximum": 3,
    }
    assert codec_of("slip", "packed-bits", "xor8", fields).size("beans").maximum == 5
    # JSON in HDLC-like framing: the closing brace is 7D. {"a":1} and two flags, one byte escaped.
    assert codec_of("hdlc", "json-object", None, (Integer("a", 1, 1),)).size("beans").maximum == 10
    # SLIP escapes no ASCII, and DB begins Arabic letters: two in a text of four bytes.
    assert codec_of("slip", "packed-bits", None, (Label("note", 4, 4),)).size("beans").maximum == 4 + 2 + 1
    # A control character is six characters of JSON: one byte of text, 7 or 8 with quotes.
    assert codec_of("slip", "json-array", None, (Label("note", 1),)).size("beans").maximum == 10 + 1


def test_a_bound_that_may_not_be_attained_is_called_one():
    """The text of one real number, and nothing else, would have to give a CRC of four given bytes."""
    codec = codec_of("slip", "json-array", "CRC-32/ISO-HDLC", (Real("score", 64),))
    size = codec.size("beans")
    assert not codec.size_is_exact("beans")
    assert not codec.size_is_exact("beans", "maximum")
    assert codec.size_is_exact("beans", "minimum")
    assert frame_bytes(codec, "maximum") < size.maximum
    large = codec_of("slip", "packed-bytes", None, (Blob("raw", 1 << 16, 1 << 16),), 1 << 17)
    assert not large.size_is_exact("beans")
    assert large.size("beans").maximum == 2 * (1 << 16) + 1


def test_typical_value_that_does_not_fit_gives_way_to_the_largest_that_does():
    codec = codec_of("slip", "json-object", None, (Label("note", 60),), 20)
    assert codec.payload_size("beans").typical > 20
    assert_attained(codec)
    assert codec.size("beans").typical == codec.size("beans").maximum == 20 - 11 + 11 + 4 + 1


def test_what_attain_returns_is_the_callers_own():
    codec = codec_of("slip", "packed-bytes", None, (Repeat("marks", of=Flag("m"), max_count=3),))
    codec.attain("beans", "maximum")["marks"].clear()
    assert len(codec.attain("beans", "maximum")["marks"]) == 3


def test_which_size_is_one_of_three():
    with pytest.raises(SettingsError, match="minimum, typical, maximum"):
        codec_of("slip", "packed-bits", None, BEANS).attain("beans", "largest")


def words_of(best, paths):
    """Every string among the paths."""
    rests = {}
    for left, places in paths.rising():
        for place, links in places.items():
            rests[place] = {b""} if left == 0 else set()
            for link in links:
                rows = [link.kind.block.rows[row].tobytes() for row in link.kind.rows]
                rests[place] |= {row + rest for row in rows for rest in rests[link.after]}
    return set().union(*(rests[start] for start in paths.starts))


@pytest.mark.parametrize("crc", ["sum8", "xor8", "fletcher16", "CRC-8/AUTOSAR", "CRC-16/ARC", "CRC-32/ISCSI"])
def test_proofs_and_searches_agree_with_looking_at_every_string(crc):
    """Also with lists so short that most searches end without an answer."""
    seen = set()
    layouts_of = [(Counter("tick", 13),), (Blob("raw", 1), Flag("a")), (Repeat("m", Counter("n", 3), 4, 3),)]
    for fields, name in product([*TINY.values(), *layouts_of], ("packed-bytes", "packed-bits", "json-array")):
        payloads = every_payload(CodecMessage(layout_of(fields), name))
        fmt = FrameFormat("slip", crc)
        costs = costs_of(fmt, 60)
        sides = [(largest, ending) for largest in (True, False) for ending in endings_of(costs, fmt, largest)]
        for loss, (largest, ending) in product((0, 1), sides):
            best = Best(payloads.root, costs, 1 if largest else -1, np.zeros(1, np.int64), 4, None, {})
            paths = nearly_best(best, loss)
            wanted = Wanted(fmt, costs, ending, largest)
            checks = np.array([fmt.check.compute(word) for word in words_of(best, paths)], np.uint64)
            there = bool(wanted.accepts(checks).any())
            registers = registers_of(fmt.check)
            out = ruled_out(paths, registers, wanted)
            assert not (out and there)
            seen.add("proof" if out else "no proof")
            for effort in (Effort(2, 16), Effort(1000, 100_000)):
                word, complete = meet(paths, registers, wanted, effort)
                seen.add("found" if word is not None else "complete" if complete else "open")
                assert word is None or wanted.accepts(np.array([fmt.check.compute(word)], np.uint64)).all()
                assert there or word is None
                assert not (there and word is None and complete)
            if registers.small:
                word, complete = reached(paths, registers, wanted)
                assert complete
                assert (word is not None) == there
                assert word is None or wanted.accepts(np.array([fmt.check.compute(word)], np.uint64)).all()
    linear = {"proof"} if crc not in ("sum8", "fletcher16") else set()
    assert seen == {"no proof", "found", "complete", "open"} | linear


@given(data=st.binary(max_size=40), at=st.integers(0, 40))
def test_a_check_is_the_sum_of_what_its_parts_add(data, at):
    own = [CrcAlgorithm("own", width, 0x5, 1, width % 2 == 0, width % 3 == 0, 1) for width in (3, 12, 33, 64)]
    for check in (*map(check_code, CHECKS[1:]), *own):
        registers = registers_of(check)
        total = np.array([registers.start(len(data))], np.uint64)
        for part, behind in ((data[:at], len(data[at:])), (data[at:], 0)):
            changes = registers.changes(np.frombuffer(part, np.uint8)[None, :], behind)
            total = registers.add(total, changes)
            assert registers.add(registers.subtract(total, changes), changes) == total
        assert total[0] == check.compute(data)
