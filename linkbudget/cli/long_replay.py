"""A large capture replayed while it is read."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from linkbudget.capture.tally import Tally
from linkbudget.cli.capture_input import CaptureInput, capture_pieces, refuse_wrong_rate
from linkbudget.cli.interrupts import Stopped, stop_by_signal
from linkbudget.cli.output import progress_bar
from linkbudget.errors import CaptureError

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.replay.long import LongReplay
    from linkbudget.replay.result import Replay
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["replay_while_reading"]


def replay_while_reading(
    path: Path, given: CaptureInput, link: Link, phases: int
) -> tuple[LongReplay | Replay, bool]:
    """Return the replay of a capture, and whether it was read to its end: Ctrl-C ends it before."""
    from linkbudget.replay.long import replay_pieces

    seen = Tally()
    with stop_by_signal() as stop, progress_bar("replaying") as move:

        def watch(done: int, total: int) -> None:
            if move is not None:
                move(done, total)

        def pieces() -> Iterator[ByteCapture]:
            nonlocal seen
            for piece in capture_pieces(path, given, link.line, watch):
                seen = seen.plus(piece)
                yield piece
                if stop():
                    return

        try:
            result = replay_pieces(link, pieces(), phases=phases, stopped=stop)
        except CaptureError:
            if stop():
                raise Stopped from None  # nothing to tell of yet
            refuse_wrong_rate(path, given, seen)
            raise
        done = not stop()
    if done:
        refuse_wrong_rate(path, given, seen)
    return result, done
