"""A disturbance as files: link and recording, a pytest case that fails until the link holds, a stimulus.

The case uses the fixtures of this library's pytest plugin. The stimulus is a program that sends the disturbed
recording to a port which is named on its command line, and to no other.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from linkbudget.capture.files import save_capture
from linkbudget.codegen.banner import CAUTIONS

if TYPE_CHECKING:
    from linkbudget.study.stress import Stress

__all__ = ["write_stress"]

OF_THE_CONTROLLER = ("phase", "pause")
"""Kinds that are no matter of what is sent: a stimulus cannot make them."""

TEST = '''"""{words}: breaks {unmet}. Written by linkbudget stress, seed {seed}."""

from pathlib import Path

HERE = Path(__file__).parent


def test_the_link_holds_with_{kind}(link_requirements):
    link_requirements(HERE / "{kind}.toml", HERE / "{kind}.jsonl")
'''

STIMULUS = '''"""Send a disturbed recording to a serial port: {words}.

    python send_{kind}.py PORT

Needs pyserial. {note}
{cautions}
"""

import json
import sys
import time
from pathlib import Path

import serial

if len(sys.argv) != 2:
    sys.exit("expected the name of a port, which is sent to")
rows = [json.loads(line) for line in Path(__file__).with_name("{kind}.jsonl").read_text().splitlines()]
# Characters that the receiver is to miss are left out.
lost = set({lost!r})
sent = [row for row in rows if "hex" in row and not lost & set(row.get("flag", "").split("+"))]
pieces = [(row["t_ns"], bytes.fromhex(row["hex"])) for row in sent]
with serial.serial_for_url(
    sys.argv[1], baudrate={baudrate}, bytesize={bytesize}, parity="{parity}", stopbits={stopbits}
) as port:
    began = time.monotonic()
    for ends_ns, data in pieces:
        # A character is written so that it ends when it ended in the recording.
        wait = (ends_ns - pieces[0][0]) / 1e9 - (time.monotonic() - began)
        if wait > 0:
            time.sleep(wait)
        port.write(data)
    port.flush()
print(f"{{len(pieces)}} pieces sent")
'''


def write_stress(result: Stress, folder: Path) -> list[Path]:
    """Write the smallest disturbance of each kind into a folder, which is made if need be; return the files.

    For each kind that broke something: ``KIND.toml``, ``KIND.jsonl``, ``test_KIND.py``, ``send_KIND.py``.
    """
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    for row in result.rows:
        if row.smallest is None:
            continue
        case = result.disturbed(row.kind)
        line = case.capture.line
        note = (
            f"A {row.kind} is the controller's own: this sends what goes with it, no more."
            if row.kind in OF_THE_CONTROLLER
            else "How exactly the times are kept is up to the system."
        )
        facts = {
            "kind": row.kind,
            "words": row.smallest.words,
            "unmet": ", ".join(one.name for one in row.unmet),
            "seed": result.seed,
            "lost": [kind for kind, what in case.link.resolve().receiver.errored.items() if what == "drop"],
            "note": note,
            "cautions": "\n".join(CAUTIONS),
            **line.to_dict(),
        }
        link = folder / f"{row.kind}.toml"
        link.write_text(case.link.to_toml(), encoding="utf-8")
        save_capture(case.capture, folder / f"{row.kind}.jsonl")
        test, stimulus = folder / f"test_{row.kind}.py", folder / f"send_{row.kind}.py"
        test.write_text(TEST.format(**facts), encoding="utf-8")
        stimulus.write_text(STIMULUS.format(**facts), encoding="utf-8")
        written += [link, folder / f"{row.kind}.jsonl", test, stimulus]
    return written
