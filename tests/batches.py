"""Many small recordings of the bean sorter, for batches: short frames as JSON Lines, no two alike."""

from __future__ import annotations

import random
from pathlib import Path

from recordings import record

from linkbudget import Link, save_capture
from linkbudget.capture.files import captures_dir

FRAMES = captures_dir() / "bean-frames.toml"
FIELDS = "abcd"


def write_recordings(folder: Path, count: int, *, messages: int = 30, first: int = 0) -> list[Path]:
    """Write recordings of about a second each and return their paths: run-0000.jsonl and so on."""
    link = Link.load(FRAMES)
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for number in range(first, first + count):
        drawn = random.Random(number)
        values = [
            {
                "tick": tick,
                "kind": drawn.choice(["whole", "split", "stone"]),
                "score": drawn.randrange(101),
                **{name: 0.4 * drawn.randrange(241) for name in FIELDS},
            }
            for tick in range(messages)
        ]
        times = [33_000_000 * (at + 1) + drawn.randrange(2_000_000) for at in range(messages)]
        path = folder / f"run-{number:04}.jsonl"
        save_capture(record(link, values, times), path)
        paths.append(path)
    return paths


def slow_link(folder: Path, work_us: int = 4900, name: str = "slow.toml") -> Path:
    """Write the link file of the shipped frames with longer work, which misses deadlines now and then."""
    path = folder / name
    path.write_text(Link.load(FRAMES).replace(**{"loop.work_us": work_us}).to_toml(), encoding="utf-8")
    return path
