"""Receivers on the emulated Cortex-M0+ beside peers in the same emulator, and how fast that emulator is.

The peers are in the folder ``peers``: decoders of these messages written by hand, and the general tokenizer
jsmn (a header of Debian's ``libjsmn-dev``) with the conversion of its tokens. All get the messages of the
shipped recordings in the same chunks, compiled with the same flags, and have to find the same values.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from measure import Report, Target, children_time

from linkbudget import Link, TargetError, generate, load_bytes
from linkbudget.capture.files import captures_dir
from linkbudget.cost.chunks import feeds_of
from linkbudget.cost.cortexm0plus.machine import Machine
from linkbudget.cost.cortexm0plus.toolchain import build, compiler_named
from linkbudget.cost.emulated import needs_extra

PEERS = Path(__file__).parent / "peers"
FIELDS = ("tick", "kind", "score", "a", "b", "c", "d")
JSMN = Path("/usr/include/jsmn.h")
TRADE = {
    "bean-frames": ("generated", "frames_by_hand"),
    "bean-text": ("generated", "text_by_hand", "text_jsmn"),
}
FLAGS = ("-Os", "-O2")
MEASURED_S = 2.0


def expected_of(link: Link, value: dict[str, object]) -> list[int]:
    """Return the fields of a message as whole numbers: choices by place, scaled ones in steps."""
    layout = link.messages[0].layout
    found = []
    for field in layout.fields:
        one = value[field.name]
        if field.name == "kind":
            found.append(field.options.index(one))
        elif hasattr(field, "step"):
            found.append(round(float(one) / float(field.step)))
        else:
            found.append(int(one))
    return found


def cycles_of(sources: dict[str, str], flags: str, chunks: Sequence[bytes], expected: Sequence[list[int]]):
    """Return the runs of a decoder over all messages, and its program; what it finds has to be right."""
    image = build(sources, ["parse"], compiler=compiler_named(), flags=(flags,))
    machine = Machine(image)
    size = max(map(len, chunks))
    out, place = machine.place(4 * len(FIELDS)), machine.place(size)
    runs = []
    for chunk, values in zip(chunks, expected, strict=True):
        machine.write(place, chunk)
        runs.append(machine.call("parse", place, len(chunk), out))
        found = machine.read(out, 4 * len(FIELDS))
        assert runs[-1].returned == 1, sources
        assert [int.from_bytes(found[at : at + 4], "little") for at in range(0, len(found), 4)] == values
    return runs, image


def peers(report: Report) -> None:
    """Cycles a message, code and stack of generated receivers and of their peers."""
    compiler = compiler_named()
    report.say("target: compiled by", f"{compiler.version} {' '.join(compiler.target)}")
    for capture, names in TRADE.items():
        link = Link.load(captures_dir() / f"{capture}.toml")
        (feed,) = feeds_of(link, load_bytes(captures_dir() / f"{capture}.vcd", line=link.line), "message")
        chunks = [feed.chunks[one.chunk] for one in feed.expected]
        expected = [expected_of(link, one.value) for one in feed.expected]
        files = generate(link, "c", prefix="link")
        for flags in FLAGS:
            means: dict[str, float] = {}
            for name in names:
                if name == "text_jsmn" and not JSMN.exists():
                    report.say(f"{capture}: {name}", "left out: no jsmn.h (Debian: apt install libjsmn-dev)")
                    continue
                sources = {one: (PEERS / one).read_text() for one in ("peer.h", f"{name}.c")}
                if name == "generated":
                    sources |= {one: files[one] for one in ("link.h", "link.c")}
                if name == "text_jsmn":
                    sources["jsmn.h"] = JSMN.read_text()
                    sources["jsmn_values.h"] = (PEERS / "jsmn_values.h").read_text()
                runs, image = cycles_of(sources, flags, chunks, expected)
                high = [run.cycles.high for run in runs[1:]]
                means[name] = sum(high) / len(high)
                text = (
                    f"{means[name]:,.0f} cycles a message, {max(high):,} at worst,"
                    f" {sum(image.code_bytes.values()):,} bytes of code,"
                    f" stack {max(run.stack_bytes for run in runs)}"
                )
                first = means[names[0]]
                ratio = "" if name == names[0] else f"; {means[name] / first:.2f} times the generated one"
                report.say(f"{capture} {flags}: {name}", text + ratio)


def speed(report: Report) -> None:
    """How many instructions a second are emulated and counted, in generated code."""
    link = Link.load(captures_dir() / "bean-text.toml")
    files = generate(link, "c", prefix="link")
    sources = {one: (PEERS / one).read_text() for one in ("peer.h", "generated.c")}
    sources |= {one: files[one] for one in ("link.h", "link.c")}
    machine = Machine(build(sources, ["parse"], compiler=compiler_named()))
    (feed,) = feeds_of(link, load_bytes(captures_dir() / "bean-text.vcd", line=link.line), "message")
    stream = b"".join(feed.chunks) * 4
    place, out = machine.place(len(stream), stream), machine.place(4 * len(FIELDS))
    machine.call("parse", place, len(stream), out)
    done, begin = 0, time.process_time()
    while (spent := time.process_time() - begin) < MEASURED_S:
        done += machine.call("parse", place, len(stream), out).instructions
    rate = done / spent / 1e6
    text = f"{rate:.2f} million instructions a second"
    report.say("target: emulated", text, Target("instructions", rate, 3.0, "million/s"))


def command(report: Report) -> None:
    """The command ``cost`` on the demo link, after the first compile."""
    program = shutil.which("linkbudget", path=str(Path(sys.executable).parent))
    line = [program or "linkbudget", "cost", str(captures_dir() / "bean-text.toml"), "--json"]
    subprocess.run(line, check=True, capture_output=True)
    before = children_time()
    subprocess.run(line, check=True, capture_output=True)
    spent = children_time() - before
    text = f"{spent:.2f} s of CPU, compilers included"
    report.say("target: linkbudget cost", text, Target("command", spent, 5.0, "s", most=True))


def target(report: Report) -> None:
    """All of it, where there is an emulator and a compiler."""
    try:
        needs_extra()
        compiler_named()
    except TargetError as error:
        report.say("target", f"left out: {error}")
        return
    peers(report)
    speed(report)
    command(report)
