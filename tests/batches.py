"""Many small recordings of the bean sorter, for batches: short frames as JSON Lines, no two alike."""

from __future__ import annotations

import os
import random
import signal
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


# --- workers that stop in the middle of a capture ---------------------------------------------------------

WATCHED = "LINKBUDGET_TEST_WATCHED"
"""Environment variable: folder, and the name of the capture in whose middle a worker stops or dies."""
SMALL_PIECES = 2000
PAST_MIDDLE = 4300
"""Characters after which it stops: more than what is replayed as a whole."""


def watched_pieces(path, line, **reading):
    """Yield the pieces of `open_bytes`, small ones; in the middle of the watched one do what is asked for."""
    from linkbudget.capture.pieces import open_bytes

    folder, _, name = os.environ[WATCHED].rpartition("|")
    seen = 0
    for piece in open_bytes(path, line, piece_bytes=SMALL_PIECES, **reading):
        yield piece
        seen += len(piece)
        if seen >= PAST_MIDDLE and Path(path).name == name:
            in_the_middle(Path(folder))


def in_the_middle(folder: Path) -> None:
    """Stop once, having told who, until killed; or die each time (a file ``always``) or once (``once``)."""
    if (folder / "always").exists():
        os.kill(os.getpid(), signal.SIGKILL)
    try:
        (folder / "was here").touch(exist_ok=False)
    except FileExistsError:
        return
    if (folder / "once").exists():
        os.kill(os.getpid(), signal.SIGKILL)
    if (folder / "told").exists():
        (folder / "told").write_text(str(os.getpid()))  # a pipe: whoever reads it waits for this
        (folder / "never").open().close()  # a pipe that nobody writes to


def run_watched(job, stopped=lambda: False):
    """`run_job`, with `watched_pieces`."""
    from linkbudget.study import batch_job

    batch_job.open_bytes = watched_pieces
    return batch_job.run_job(job, stopped)


def run_watched_in_process(job):
    """`run_in_process`, with `watched_pieces`."""
    from linkbudget.study import batch_running

    return run_watched(job, batch_running._told.is_set)


def rows_of(batch) -> list[tuple[str, str]]:
    """Return all rows of a batch, in an order of their own: equal for batches that came to the same."""
    return sorted((table, repr(sorted(row.items()))) for table, rows in batch.tables.items() for row in rows)
