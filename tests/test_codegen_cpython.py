"""Generated CPython modules give what the reference gives: the same messages, bytes, counts and refusals."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
import time
import warnings
from pathlib import Path

import numpy as np
import pytest
from codegen_cases import (
    BEANS,
    FAULTS,
    beans_codec,
    cuts_of,
    damaged_stream,
    expected_of,
    module_of,
    noise_of,
    packed_codecs,
    spec_of,
    text_codecs,
    vectors_of,
)
from frame_cases import FORMATS
from hypothesis import HealthCheck, Phase, assume, given, settings
from strategies_message import same

from linkbudget.codec import Codec, CodecMessage, decode_messages
from linkbudget.codegen.target import target_of
from linkbudget.codegen.vectors import raw_value
from linkbudget.errors import SettingsError, TargetError
from linkbudget.frame.bulk import deframe_all
from linkbudget.frame.format import FrameFormat
from linkbudget.message.fields import Blob, Choice, Flag, Integer, Label, Optional_, Real, Repeat, Scaled
from linkbudget.message.layout import MessageLayout

ROOT = Path(__file__).parent.parent


# Shrinking a module that is generated, compiled and run takes minutes.
DRAWN = {"phases": [Phase.explicit, Phase.generate], "suppress_health_check": list(HealthCheck)}


def generated(codec):
    spec = spec_of(codec, "cpython")
    files = target_of("cpython").generate(spec, {})
    return spec, files, module_of(files[f"{spec.prefix}.py"])


def raws(spec, module, messages):
    """Messages of the module as the vectors have them."""
    found = []
    for message in messages:
        described = spec.messages[module.place_of(message)]
        found.append((described.name, raw_value(described, module.as_dict(message))))
    return found


def drained(receiver):
    found = []
    while (message := receiver.take()) is not None:
        found.append(message)
    return found


def counts(receiver):
    return {name: getattr(receiver.counters, name) for name in FAULTS}


def check_stream(spec, module, data, seed="cuts"):
    """Every chunking of a stream gives what the reference gives."""
    messages, faults = expected_of(spec, data)
    for pieces in cuts_of(data, seed):
        receiver = module.Receiver(keep=len(messages) + 1)
        for number, piece in enumerate(pieces):
            assert receiver.feed(piece, now=number) == len(piece)
        assert raws(spec, module, drained(receiver)) == messages
        assert counts(receiver) == faults
        assert receiver.counters.received == len(data)
    receiver = module.Receiver(keep=len(messages) + 1)
    statuses = [receiver.push(byte) for byte in data]
    assert raws(spec, module, drained(receiver)) == messages
    assert counts(receiver) == faults
    done = sum(status > 0 for status in statuses)
    # Where a search goes back, one byte can complete several messages.
    assert done == len(messages) if spec.fmt.delimiter is not None else done <= len(messages)


def check_vectors(spec, module, files):
    vectors = vectors_of(files)
    assert vectors["good"]
    for vector in vectors["good"]:
        frame = bytes.fromhex(vector["frame"])
        (message,), counters = module.decode_all(frame)
        assert counters.accepted == 1
        assert raws(spec, module, [message]) == [(vector["message"], vector["raw"])]
        assert module.encode_payload(message).hex() == vector["payload"]
        assert module.encode(message, vector["sequence"] or 0) == frame
    for vector in (*vectors["damaged"], {"stream": vectors["stream"]["bytes"], **vectors["stream"]}):
        data = bytes.fromhex(vector["stream"])
        receiver = module.Receiver(keep=len(data))
        receiver.feed(data)
        assert raws(spec, module, drained(receiver)) == [
            (event["message"], event["raw"]) for event in vector["events"] if "message" in event
        ]


@pytest.mark.parametrize("name", [name for name in FORMATS if not name.startswith(("newline", "none"))])
@pytest.mark.parametrize("encoding", ["packed-bits", "packed-bytes"])
def test_vectors_and_streams_in_every_binary_format(name, encoding):
    codec = beans_codec(FORMATS[name], encoding)
    spec, files, module = generated(codec)
    check_vectors(spec, module, files)
    frames = [bytes.fromhex(vector["frame"]) for vector in vectors_of(files)["good"]]
    check_stream(spec, module, damaged_stream(codec, frames, 120, name))
    check_stream(spec, module, noise_of(name))


@pytest.mark.parametrize("name", [name for name in FORMATS if name.startswith("newline")])
def test_vectors_and_streams_of_text(name):
    layouts = [
        dataclasses.replace(BEANS, id=None, key="B"),
        MessageLayout("lane", (Integer("n", -5, 5),), key="L"),
    ]
    codec = Codec(
        dataclasses.replace(FORMATS[name], max_payload=60),
        tuple(CodecMessage(one, "delimited") for one in layouts),
    )
    spec, files, module = generated(codec)
    check_vectors(spec, module, files)
    frames = [bytes.fromhex(vector["frame"]) for vector in vectors_of(files)["good"]]
    check_stream(spec, module, damaged_stream(codec, frames, 120, name))
    check_stream(spec, module, noise_of(name))


@pytest.mark.parametrize("crc", ["CRC-16/IBM-3740", None])
def test_frames_without_delimiting(crc):
    layout = dataclasses.replace(BEANS, id=None)
    codec = Codec(FrameFormat("none", crc, 8), (CodecMessage(layout),))
    spec, files, module = generated(codec)
    check_vectors(spec, module, files)
    frames = [bytes.fromhex(vector["frame"]) for vector in vectors_of(files)["good"]]
    check_stream(spec, module, damaged_stream(codec, frames, 120, "none"))


def check_drawn(codec, drawn):
    frames = []
    spec, files, module = generated(codec)
    for number, (name, value) in enumerate(drawn):
        try:
            frame = codec.encode(name, value, number)
        except SettingsError:
            continue
        frames.append(frame)
        (message,), _ = module.decode_all(frame)
        assert same(module.as_dict(message), codec.decode(frame)[1])
        assert module.encode(message, number) == frame
    assume(frames)
    check_vectors(spec, module, files)
    check_stream(spec, module, damaged_stream(codec, frames, 12))


@settings(max_examples=15, **DRAWN)
@given(packed_codecs())
def test_drawn_packed_layouts_equal_the_reference(drawn):
    check_drawn(*drawn)


@settings(max_examples=15, **DRAWN)
@given(text_codecs())
def test_drawn_text_layouts_equal_the_reference(drawn):
    codec, messages = drawn
    assume(codec is not None)
    check_drawn(codec, messages)


@pytest.mark.parametrize("name", ["cobs", "counted-sync"])
def test_exactly_the_intact_frames_of_a_long_damaged_stream_are_accepted(name):
    codec = beans_codec(FORMATS[name])
    spec, files, module = generated(codec)
    frames = [bytes.fromhex(vector["frame"]) for vector in vectors_of(files)["good"]]
    data = damaged_stream(codec, frames, 20_000, name, 0.1)
    messages, faults = expected_of(spec, data)
    receiver = module.Receiver(keep=20_000)
    for at in range(0, len(data), 64):
        receiver.feed(data[at : at + 64], now=at)
    assert raws(spec, module, drained(receiver)) == messages
    assert counts(receiver) == faults


def test_a_stream_becomes_the_structured_arrays_of_the_reference():
    codec = beans_codec()
    _, files, module = generated(codec)
    frames = [bytes.fromhex(vector["frame"]) for vector in vectors_of(files)["good"]]
    data = damaged_stream(codec, frames, 300, "arrays")
    found = module.arrays(data)
    table = deframe_all(codec.fmt, data)
    for name in ("beans", "flaps"):
        expected = decode_messages(table, codec, name)
        assert found[name].dtype == expected.dtype
        assert np.array_equal(found[name], expected)
        assert len(expected) > 50
        assert not found[name].flags.writeable


def test_newest_messages_ages_gaps_and_sequence():
    codec = beans_codec(FrameFormat(max_payload=16, sequence=True, layout_id=3))
    _, _, module = generated(codec)
    receiver = module.Receiver(newest=True)
    assert (receiver.age(5), receiver.take()) == (-1, None)
    for number, (tick, now) in enumerate([(1, 10), (2, 40), (3, 50)]):
        beans = module.Beans(tick, "stone", 50, 0.4, 0.8, 1.2, 96.0)
        receiver.feed(module.encode(beans, 250 + 3 * number), now=now)
    receiver.feed(module.encode(module.Flaps(True, -90, "test"), 1), now=60)
    assert receiver.waiting() == 2
    assert receiver.take() == module.Beans(3, "stone", 50, 0.4, 0.8, 1.2, 96.0)
    assert receiver.take() == module.Flaps(True, -90, "test")
    counters = receiver.counters
    # 250, 253, 0 (256), 1: two lost twice.
    assert (counters.superseded, counters.longest_gap, counters.lost, receiver.age(75)) == (2, 30, 4, 15)
    # The last one may come in a thread after the time was taken.
    assert receiver.age(59) == 0


def test_messages_that_nobody_takes_are_dropped_oldest_first():
    _, _, module = generated(beans_codec())
    receiver = module.Receiver(keep=2)
    for tick in range(5):
        receiver.feed(module.encode(module.Beans(tick, "whole", 1, 0, 0, 0, 0)))
    assert [receiver.take().tick, receiver.take().tick, receiver.take()] == [3, 4, None]
    assert receiver.counters.superseded == 3
    with pytest.raises(ValueError, match="at least 1"):
        module.Receiver(keep=0)


def test_a_limit_takes_so_many_bytes_and_no_more():
    _, _, module = generated(beans_codec())
    frame = module.encode(module.Flaps(False, 3, "idle"))
    receiver = module.Receiver()
    assert receiver.feed(frame, 4) == 4
    assert receiver.take() is None
    assert receiver.feed(frame[4:], 1000) == len(frame) - 4
    assert receiver.take() == module.Flaps(False, 3, "idle")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"score": 101}, r"beans.score: 101 is not allowed; allowed: whole numbers 0 to 100"),
        ({"score": True}, "beans.score: True"),
        ({"kind": "husk"}, "beans.kind: 'husk' is not allowed; allowed: whole, split, stone"),
        ({"a": 96.1}, "beans.a: 96.1 is not allowed; allowed: 0.0 to 96.0"),
        ({"a": float("nan")}, "beans.a: nan"),
        ({"tick": -1}, "beans.tick: -1"),
    ],
)
def test_set_points_outside_their_range_are_refused(change, said):
    _, _, module = generated(beans_codec())
    good = module.Beans(1, "whole", 1, 0.0, 0.0, 0.0, 0.0)
    with pytest.raises(ValueError, match=said):
        module.encode(dataclasses.replace(good, **change))


def test_a_value_between_two_steps_goes_to_the_nearest_as_in_the_reference():
    codec = beans_codec()
    _, _, module = generated(codec)
    for number in (0.2, 0.19, 0.21, 0.6, 95.8, 95.79, 1, 96):
        value = {"tick": 0, "kind": "whole", "score": 0, "a": number, "b": 0.0, "c": 0.0, "d": 0.0}
        assert module.encode(module.Beans(0, "whole", 0, number, 0.0, 0.0, 0.0)) == codec.encode(
            "beans", value
        )


def test_a_payload_too_long_for_the_format_is_refused():
    layout = MessageLayout("note", (Label("text", 30),))
    _, _, module = generated(Codec(FrameFormat(max_payload=10), (CodecMessage(layout, "packed-bytes"),)))
    assert module.encode(module.Note("123456789"))
    with pytest.raises(ValueError, match="payload: 11 bytes; allowed: at most 10"):
        module.encode(module.Note("1234567890"))


def test_the_same_description_gives_the_same_files():
    spec = spec_of(beans_codec(), "cpython")
    again = spec_of(beans_codec(), "cpython")
    assert target_of("cpython").generate(spec, {}) == target_of("cpython").generate(again, {})


def test_encodings_without_code_are_refused_with_the_field():
    codec = Codec(FrameFormat("newline", None, 99), (CodecMessage(BEANS, "json-object"),))
    with pytest.raises(TargetError, match=r"beans.encoding: target cpython has no code for 'json-object'"):
        target_of("cpython").generate(spec_of(codec, "cpython"), {})


def test_names_that_python_reserves_are_changed_and_told():
    layout = MessageLayout("class", (Integer("lambda", 0, 3), Integer("größe", 0, 3), Integer("int", 0, 3)))
    spec = spec_of(Codec(FrameFormat(), (CodecMessage(layout),)), "cpython")
    module = module_of(target_of("cpython").generate(spec, {})["to_controller.py"])
    assert {renamed.name: renamed.ident for renamed in spec.renamed} == {
        "class": "class_", "lambda": "lambda_", "größe": "gro_e", "int": "int_",
    }  # fmt: skip
    message = module.Class_(1, 2, 3)
    again = module.as_dict(module.decode_all(module.encode(message))[0][0])
    assert again == {"lambda": 1, "größe": 2, "int": 3}
    assert "class.lambda: 'lambda' is called 'lambda_' in the code" in module.__doc__


CODECS = {
    "names": lambda: names_codec(),
    "bits": lambda: beans_codec(),
    "counted": lambda: beans_codec(FORMATS["counted-sync"], "packed-bytes"),
    "text": lambda: Codec(
        dataclasses.replace(FORMATS["newline"], max_payload=60),
        (CodecMessage(dataclasses.replace(BEANS, id=None), "delimited"),),
    ),
    "shapes": lambda: Codec(
        FrameFormat("hdlc", "CRC-32/ISO-HDLC", 200, sequence=True),
        (
            CodecMessage(
                MessageLayout(
                    "lanes",
                    (
                        Repeat("lane", (Label("name", 5), Optional_(Real("weight"))), 3),
                        Optional_(Blob("raw", 4)),
                        Flag("on"),
                    ),
                )
            ),
        ),
    ),
}


# Seventeen messages in one line of the banner.
LONG = ("--per-file-ignores", "names.py:E501")


@pytest.mark.filterwarnings("ignore:.*is called:linkbudget.LinkBudgetWarning")
def test_generated_modules_are_clean_for_type_checker_and_linter(tmp_path):
    for name, make in CODECS.items():
        _, files, _ = generated(make())
        (tmp_path / f"{name}.py").write_text(files["to_controller.py"], encoding="utf-8")
    for command in (
        ["mypy", "--strict", "."],
        ["ruff", "check", "--config", str(ROOT / "pyproject.toml"), *LONG, "."],
    ):
        done = subprocess.run([sys.executable, "-m", *command], cwd=tmp_path, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr


def test_the_usage_example_of_a_module_runs():
    _, _, module = generated(beans_codec())
    usage = module.__doc__.partition("Usage:")[2]
    message = module.Flaps(True, 1, "idle")
    sent, waiting, got = [], [module.encode(message)], []

    class Port:
        @staticmethod
        def read(most):
            return waiting.pop()[:most]

        write = sent.append

    body = "\n".join(line[4:] for line in usage.splitlines()).replace("...", "got.append(message)")
    body = body.replace("port.write", "message = got[0]\nport.write")
    exec(body, {**module.__dict__, "port": Port, "now": 3, "got": got})
    assert (got, sent) == ([message], [module.encode(message)])


def names_codec():
    """Messages and fields whose names stand in the way of each other, of the module, and of Python."""
    fields = (
        Scaled("2nd lane", 0, 1, 0.5),
        Choice("漢", ("whole", "split")),
        Integer("mro", 0, 9),
        Repeat("None", (Flag("self"), Scaled("x", 0, 1, 0.5)), 2),
        Repeat("self", (), 0, of=Integer("self", 0, 9)),
    )
    names = (
        "none", "None", "item", "sequence", "class var", "2nd lane", "漢", "type var", "CHECK",
        "OverflowError", "crc", "Crc", "any", "receiver", "Receiver", "nd array", "object",
    )  # fmt: skip
    more = {"crc": (Scaled("width", 0, 1, 0.5),), "Crc": ()}
    return Codec(
        FrameFormat("cobs", "CRC-16/ARC", 40),
        tuple(CodecMessage(MessageLayout(n, more.get(n, fields), id=k)) for k, n in enumerate(names)),
    )


def test_names_that_clash_with_python_or_the_module_still_give_a_module_and_are_told():
    codec = names_codec()
    spec = spec_of(codec, "cpython")
    with warnings.catch_warnings(record=True) as told:
        warnings.simplefilter("always")
        module = module_of(target_of("cpython").generate(spec, {})["to_controller.py"])
    said = [str(one.message) for one in told]
    assert "none: 'none' is called 'NoneMessage' in the code" in said
    assert "receiver: 'receiver' is called 'ReceiverMessage' in the code" in said
    assert all(line in module.__doc__ for line in said)
    for name, cls, _ in module.COLUMNS:
        for which in ("minimum", "maximum"):
            frame = codec.encode(name, codec.attain(name, which))
            ((found,), _) = module.decode_all(frame)
            assert isinstance(found, cls)
            assert module.encode(found) == frame
            assert (name, module.as_dict(found)) == codec.decode(frame)


def test_only_messages_of_the_module_and_records_of_their_class_are_encoded():
    _, _, module = generated(CODECS["shapes"]())
    other = module.LanesLane("a", 1.0)
    assert module.decode_all(module.encode(module.Lanes([other], None, True)))[0][0].lane == [other]
    for wrong in (None, other, "lanes", ()):
        with pytest.raises(ValueError, match=r"^message: .* is not allowed; allowed: Lanes$"):
            module.encode(wrong)
    for lane in ({"lane": "a"}, ("a", 1.0), None):
        with pytest.raises(ValueError, match=r"^lanes.lane: .* is not allowed; allowed: LanesLane$"):
            module.encode(module.Lanes([lane], None, True))
    with pytest.raises(ValueError, match=r"^lanes.lane.name: '\\ud800' is not allowed; allowed: a text"):
        module.encode(module.Lanes([module.LanesLane("\ud800", None)], None, True))
    with pytest.raises(ValueError, match=r"^lanes.lane.weight: 10.* is not allowed"):
        module.encode(module.Lanes([module.LanesLane("a", 10**400)], None, True))


def test_numbers_beyond_any_float_are_refused_as_steps():
    _, _, module = generated(
        Codec(FrameFormat(), (CodecMessage(MessageLayout("m", Scaled("x", 0, 9, 0.5))),))
    )
    with pytest.raises(ValueError, match=r"^m.x: 10.* is not allowed; allowed: 0.0 to 9.0$"):
        module.encode(module.M(10**400))


def test_a_repeat_of_none_behind_a_key_keeps_its_separator():
    codec = Codec(
        FrameFormat("newline", None, 40),
        (
            CodecMessage(
                MessageLayout("poll", Repeat("n", (), 0, of=Integer("n", 0, 9)), key="P"), "delimited"
            ),
            CodecMessage(MessageLayout("stop", (), key="S"), "delimited"),
        ),
    )
    _, _, module = generated(codec)
    assert module.encode(module.Poll([])) == codec.encode("poll", {"n": []}) == b"P,\n"
    assert module.encode(module.Stop()) == codec.encode("stop", {}) == b"S\n"


def test_numpy_drops_zeros_at_the_end_of_texts_alone():
    layout = MessageLayout("m", (Label("note", 3), Blob("raw", 3)))
    codec = Codec(FrameFormat(), (CodecMessage(layout),))
    _, _, module = generated(codec)
    frame = codec.encode("m", {"note": "a\0\0", "raw": b"a\0\0"})
    (found,), _ = module.decode_all(frame)
    assert (found.note, found.raw) == ("a\0\0", b"a\0\0")
    assert module.arrays(frame)["m"].tolist() == [("a", b"a\0\0")]
    assert decode_messages(deframe_all(codec.fmt, frame), codec, "m").tolist() == [("a", b"a\0\0")]


def test_a_constant_that_is_one_of_the_module_gets_a_number():
    layout = MessageLayout("crc", (Scaled("width", 0, 1, 0.5),))
    _, _, module = generated(Codec(FrameFormat(), (CodecMessage(layout),)))
    assert (module.CRC_WIDTH, module.CRC_WIDTH_2[-1]) == (16, 2)


def test_a_long_stream_takes_as_long_for_each_message_as_a_short_one():
    codec = beans_codec()
    _, _, module = generated(codec)
    frame = codec.encode("flaps", codec.attain("flaps", "typical"))

    def each(messages):
        data = frame * messages
        times = []
        for _ in range(3):
            began = time.process_time()
            assert len(module.decode_all(data)[0]) == messages
            times.append((time.process_time() - began) / messages)
        return min(times)

    # Taking the oldest of 300000 out of a list one by one made each 3 times as dear.
    assert each(300_000) < 2 * each(10_000)
