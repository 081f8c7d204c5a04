"""The channel of the line in a recording where a controller marked its passes on another one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from linkbudget.capture.channels import find_channel
from linkbudget.capture.pieces import open_capture
from linkbudget.traffic.levels import LevelCapture

__all__ = ["changing_beside", "level_pieces", "unmarked_channel"]

NOT_OF_THE_FILE = ("channel", "invert")
"""Options that say how a line is read, when the recording is looked at with all its channels."""


def unmarked_channel(path: str | Path, marked: str, reading: Mapping[str, Any]) -> str | None:
    """Return the only channel that changes beside the ``marked`` one; None where that is not one.

    The recording is looked through piece by piece, opened with ``reading`` (options of `open_capture`); None
    as well when it is one of bytes. Raises `CaptureError` when it has no channel of that name.
    """
    changed: dict[str, None] = {}
    for piece in level_pieces(path, reading):
        changed |= dict.fromkeys(changing_beside(piece, marked, path))
    return next(iter(changed)) if len(changed) == 1 else None


def level_pieces(path: str | Path, reading: Mapping[str, Any]) -> Iterator[LevelCapture]:
    """Yield a recording with all its channels; nothing for one of bytes."""
    options = {key: value for key, value in reading.items() if key not in NOT_OF_THE_FILE}
    for piece in open_capture(path, **options):
        if not isinstance(piece, LevelCapture):
            return
        yield piece


def changing_beside(capture: LevelCapture, marked: str, path: object) -> list[str]:
    """Return the channels that change beside the marked one; `CaptureError` when that is not there."""
    edges = capture.channels[find_channel(capture.channels, marked, path)]
    return [one for one in capture.active() if capture.channels[one] is not edges]
