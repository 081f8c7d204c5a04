"""Writes walk-5-marked.vcd and walk-5-counted.json: a camera at 460800 baud, a controller that marks passes.

Run in ``tests/``: ``python -m make_captures.mark [DIRECTORY]`` (without one: the shipped ``captures/``).

The controller is the second simulation of the tests (``oracle_receiver.py``), which shares no code with the
library. Line, receiver, loop and reading are those of walk-4-rate.toml. What it does otherwise is invented
for the demo, and the library's model has no words for most of it:

* parsing takes half as long again as on the emulated processor, as from a flash with wait states;
* a pass that takes over a new report works longer, and longer still for each flap with a new set point;
* a pass works up to four microseconds longer by chance;
* every two hundredth pass also writes the tally of beans to flash, and everything waits for that.

It toggles a pin as each pass ends, from the first report on, and counts what its receiver does.
"""

from __future__ import annotations

import json
import random
import re
import sys
import tomllib
from collections.abc import Generator
from pathlib import Path
from typing import Any

from oracle_books import Accepted, Pass
from oracle_link import case
from oracle_receiver import Oracle

from make_captures.messages import WAYS, below, reports
from make_captures.simulate import CAPTURES, TICKS_PER_US, simulate

LINK = CAPTURES / "walk-4-rate.toml"
CLOCK_HZ = 48_000_000
DIVISOR = 104
"""48 MHz over 104 is 461538 baud, 0.16 % fast."""
BITS = 10
TICKS_PER_SECOND = TICKS_PER_US * 1_000_000
TICK_NS = 1000 // TICKS_PER_US

PARSER = {"read_call_us": 1.8, "byte_us": 0.34, "message_us": 3.3}
NEW_REPORT_NS = 60_000
MOVED_FLAP_NS = 12_000
BY_CHANCE_NS = 4_000
TALLY_EVERY_PASSES = 200
TALLY_NS = 1_300_000
SEED = 461_538
CHANNEL = ("controller", "pass_end", '"')


class Controller(Oracle):
    """The second simulation with a work that depends on what the pass took over."""

    chance: random.Random
    before: dict[str, Any]

    def run_passes(self) -> Generator[tuple[Any, ...], Any, None]:
        """Passes that read first and work then, and wait for their release."""
        self.chance, self.before = random.Random(SEED), {}
        release, number = self.loop.phase_ns, 0
        while release <= self.horizon:
            yield ("turn", release)
            this = Pass(release, self.now)
            self.passes.append(this)
            known = len(self.accepted)
            yield from self.reading_step()
            yield ("turn", self.now)
            this.work_start, this.order = self.now, self.next_order()
            number += 1
            yield ("spend", self.work_ns(number, self.accepted[known:]), "work")
            this.end = self.now
            release += self.loop.period_ns
            while release < this.end:
                self.passes.append(Pass(release, release, skipped=True))
                release += self.loop.period_ns

    def work_ns(self, number: int, new: list[Accepted]) -> int:
        """What the work of one pass takes, from 1 up, after it read ``new`` reports."""
        spent = self.loop.work_ns[0] + below(self.chance, BY_CHANCE_NS + 1)
        for report in new:
            moved = sum(self.before.get(lane) != report.value[lane] for lane in "abcd")
            spent += NEW_REPORT_NS + moved * MOVED_FLAP_NS
            self.before = report.value
        return spent + (TALLY_NS if number % TALLY_EVERY_PASSES == 0 else 0)


def characters() -> tuple[list[int], list[int], bytes]:
    """Start and end of each character in ticks, and the bytes; each report is sent without gaps."""
    length = (2 * TICKS_PER_SECOND * DIVISOR * BITS + CLOCK_HZ) // (2 * CLOCK_HZ)
    starts, data = [], b""
    for report in reports():
        frame = WAYS["frames"](report)
        starts += [report.due_us * TICKS_PER_US + place * length for place in range(len(frame))]
        data += frame
    return starts, [start + length for start in starts], data


def controlled() -> Controller:
    """The controller after it met all reports."""
    document = {**tomllib.loads(LINK.read_text(encoding="utf-8")), "parser": PARSER}
    starts, ends, data = characters()
    times = ([tick * TICK_NS for tick in ends], data, None, [tick * TICK_NS for tick in starts])
    controller = Controller(case(document, *times))
    controller.simulate()
    return controller


def toggles(controller: Controller) -> list[int]:
    """The ticks at which the pin changes: the ends of passes, on the clock of the recording."""
    zero = characters()[0][0]
    return [zero + round(this.end / TICK_NS) for this in controller.ran()]


def with_pin(dump: str, at: list[int]) -> str:
    """A VCD dump with a second channel beside the camera's, low at first, that changes at each tick."""
    scope, name, code = CHANNEL
    head, body = dump.split("$enddefinitions $end\n")
    declared = f"$scope module {scope} $end\n$var reg 1 {code} {name} $end\n$upscope $end\n"
    head = head.removesuffix("$upscope $end\n") + declared + "$upscope $end\n"
    changes: dict[int, list[str]] = {}
    for tick, values in re.findall(r"^#(\d+)\n([^#]*)", body, re.MULTILINE):
        changes[int(tick)] = [values.replace("$end\n", f"0{code}\n$end\n") if tick == "0" else values]
    for number, tick in enumerate(at):
        changes.setdefault(tick, []).append(f"{(number + 1) % 2}{code}\n")
    written = "".join(f"#{tick}\n{''.join(changes[tick])}" for tick in sorted(changes))
    return f"{head}$enddefinitions $end\n{written}"


def counted(controller: Controller) -> dict[str, int]:
    """What the controller's own code counted."""
    ran, lost = controller.ran(), controller.bytes_counted()
    return {
        "accepted": len(controller.accepted),
        "most_waiting": controller.high_water,
        "overruns": lost["overrun_hardware"] + lost["overrun_buffer"],
        "passes": len(ran),
        "missed_deadlines": sum(controller.missed()),
        "longest_pass_us": round(max(this.end - this.release for this in ran) / 1000),
    }


def marked() -> dict[str, str]:
    """Both files by name."""
    controller = controlled()
    return {
        "walk-5-marked.vcd": with_pin(simulate("frames", DIVISOR), toggles(controller)),
        "walk-5-counted.json": json.dumps(counted(controller)) + "\n",
    }


def main(arguments: list[str]) -> None:
    """Write both files into the directory named, or over the shipped ones."""
    directory = Path(arguments[0]) if arguments else CAPTURES
    for name, text in marked().items():
        (directory / name).write_text(text, encoding="ascii")
        print(f"{directory / name}: {len(text)} bytes")


if __name__ == "__main__":
    main(sys.argv[1:])
