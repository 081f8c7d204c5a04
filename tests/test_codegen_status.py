"""The status message carries the counters of a receiver to the other end, from every kind of Python code."""

from __future__ import annotations

import subprocess

import pytest
from codegen_cases import beans_codec, damaged_stream, expected_of, module_of, spec_of, vectors_of
from micropython_modules import write_module

from linkbudget.codec import Codec, CodecMessage
from linkbudget.codegen.status import STATUS_FIELDS, status_layout, status_value
from linkbudget.codegen.target import target_of
from linkbudget.cost.micropython import available, virtual_machine
from linkbudget.errors import SettingsError
from linkbudget.frame.format import FrameFormat

BACK = Codec(FrameFormat(max_payload=40), (CodecMessage(status_layout(id=9), "packed-bytes"),))


def files_of(codec, target, **options):
    spec = spec_of(codec, target)
    return spec, target_of(target).generate(spec, options)


def stream():
    codec = beans_codec()
    spec, files = files_of(codec, "cpython")
    frames = [bytes.fromhex(vector["frame"]) for vector in vectors_of(files)["good"]]
    data = damaged_stream(codec, frames, 400, "status")
    messages, faults = expected_of(spec, data)
    counts = {**faults, "accepted": len(messages), "superseded": len(messages) - 3, "longest_gap": 70000}
    return files["to_controller.py"], data, counts


def check_status(value, counts):
    assert value["longest_gap"] == 65535
    assert value["high_water"] > 10
    wanted = status_value({**counts, "high_water": value["high_water"]})
    assert value == wanted
    assert sum(value[name] > 0 for name in ("check", "too_long", "bad_stuffing", "superseded")) == 4


def test_cpython_sends_its_counters():
    text, data, counts = stream()
    module = module_of(text)
    back = module_of(files_of(BACK, "cpython")[1]["to_controller.py"], "back")
    receiver = module.Receiver(keep=3)
    half = len(data) // 2
    receiver.feed(data[:half], now=5)
    receiver.feed(data[half:], now=70005)
    frame = back.encode(back.Status(*receiver.counters.status()))
    check_status(BACK.decode(frame)[1], counts)


@pytest.mark.skipif(not available(), reason="no MicroPython to run the modules in")
@pytest.mark.parametrize("form", ["viper", "builtins"])
def test_micropython_sends_its_counters(form, tmp_path):
    _, data, counts = stream()
    _, files = files_of(beans_codec(), "micropython", form=form)
    _, back = files_of(BACK, "micropython", form=form)
    paths = [
        write_module(tmp_path, name, made["to_controller.py"]) for name, made in (("m", files), ("b", back))
    ]
    lines = [
        "import binascii, sys",
        "from array import array",
        f"m, b, data = {{}}, {{}}, binascii.unhexlify({data.hex()!r})",
        f"exec(open({paths[0]!r}).read(), m)",
        f"exec(open({paths[1]!r}).read(), b)",
        "r = m['Receiver'](False, 3)",
        "half = len(data) // 2",
    ]
    if form == "viper":
        lines += [
            "r.feed(data, half, 5)",
            "r.feed(data[half:], len(data) - half, 70005)",
            "values, out = array('i', [0] * 15), bytearray(b['MAX_FRAME'])",
            "r.status(values)",
            "frame = out[:b['encode_status'](values, None, out, len(out), 0)]",
        ]
    else:
        lines += [
            "r.feed(data[:half], now=5)",
            "r.feed(data[half:], now=70005)",
            "frame = b['encode']((b['STATUS'],) + tuple(r.counters.status()))",
        ]
    script = write_module(tmp_path, "script", "\n".join([*lines, "print(binascii.hexlify(frame).decode())"]))
    done = subprocess.run([*virtual_machine(), script], capture_output=True, text=True, timeout=60)
    check_status(BACK.decode(bytes.fromhex(done.stdout))[1], counts)


def test_counters_wrap_and_marks_stay():
    value = status_value({"check": 65536 + 7, "high_water": 65536 + 7})
    assert (value["check"], value["high_water"], value["lost"]) == (7, 65535, 0)
    with pytest.raises(SettingsError, match="check: -1 is not allowed"):
        status_value({"check": -1})


def test_the_sheet_tells_how_it_is_filled():
    text = files_of(BACK, "sheet")[1]["to_controller.md"]
    assert "## Status message" in text
    for one in STATUS_FIELDS:
        assert f"| `{one.name}` | {one.meaning} |" in text
    assert "## Status message" not in files_of(beans_codec(), "sheet")[1]["to_controller.md"]
