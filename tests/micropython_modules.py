"""Generated modules run in a virtual machine of MicroPython, or in another CPython process."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

from linkbudget.codegen.spec import Many, Maybe, Octets, Record

HERE = Path(__file__).parent


def run_job(command, script, job, folder):
    """The answers of a job, one for each case."""
    path = folder / "job.json"
    path.write_text(json.dumps(job), encoding="utf-8")
    done = subprocess.run(
        [*command, str(HERE / script), str(path)],
        capture_output=True,
        text=True,
        timeout=300,
        encoding="utf-8",
    )
    # The virtual machine reports an exception on standard output, and ends with code 0.
    lines = [line for line in done.stdout.splitlines() if line.startswith("{")]
    assert len(lines) == len(job), done.stdout[-2000:] + done.stderr[-2000:]
    return [json.loads(line) for line in lines]


def write_module(folder, name, text):
    path = folder / f"{name}.py"
    path.write_text(text, encoding="utf-8")
    return str(path)


def shown(slot, raw):
    """A raw value of the vectors as `plain` of vm_codegen.py shows it: records as lists, bytes as hex."""
    if raw is None:
        return None
    if isinstance(slot, Maybe):
        return shown(slot.item, raw)
    if isinstance(slot, Octets):
        return {"hex": raw}
    if isinstance(slot, Many):
        return [shown(slot.item, item) for item in raw]
    if isinstance(slot, Record):
        return [shown(field, raw[field.name]) for field in slot.fields]
    return raw


def given(slot, raw):
    """The same as `tupled` there takes it: lists told from records."""
    if raw is None:
        return None
    if isinstance(slot, Maybe):
        return given(slot.item, raw)
    if isinstance(slot, Many):
        return {"list": [given(slot.item, item) for item in raw]}
    if isinstance(slot, Record):
        return [given(field, raw[field.name]) for field in slot.fields]
    return shown(slot, raw)


def message_shown(spec, name, raw, how=shown):
    message = next(m for m in spec.messages if m.name == name)
    return [message.place, *(how(slot, raw[slot.name]) for slot in message.fields)]
