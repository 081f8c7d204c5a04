"""Recordings of a link, and the channel on which a controller marked its passes, where there is one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from linkbudget.cli.capture_input import CaptureInput, read_capture, refuse_wrong_rate
from linkbudget.errors import warn

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.traffic.levels import LevelCapture
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["beside_markers", "read_markers", "recorded_characters"]


def read_markers(path: Path, given: CaptureInput, link: Link) -> tuple[LevelCapture | None, CaptureInput]:
    """Return the recording that holds the marked channel, and how the capture is then to be read.

    Where only one other channel changes, that is the line; nobody has to say so. None for a link without
    markers, and, with a warning, for a capture of bytes.
    """
    if link.markers is None:
        return None, given
    from linkbudget.capture.unmarked import changing_beside, level_pieces
    from linkbudget.traffic.join import join_levels

    marked = str(link.markers.channel)
    pieces = list(level_pieces(path, given.reading))
    if not pieces:
        warn(f"{path}: holds bytes, not levels: the passes marked on channel {marked!r} are not in it")
        return None, given
    capture = join_levels(pieces)
    others = changing_beside(capture, marked, path)
    one = others[0] if len(others) == 1 and given.channel is None else given.channel
    return capture, replace(given, channel=one)


def recorded_characters(path: Path, given: CaptureInput, link: Link) -> ByteCapture:
    """Return the characters of a capture; `CaptureError` when it was read at a rate that is not its own.

    Where the link says that one of two channels marks passes, the other one is read.
    """
    given = beside_markers(path, given, link)
    characters = read_capture(path, given, link.line)
    refuse_wrong_rate(path, given, characters)
    return characters


def beside_markers(path: Path, given: CaptureInput, link: Link) -> CaptureInput:
    """Return how a capture is to be read by a command that has no use for the marked channel in it.

    The recording is looked through piece by piece. Raises `CaptureError` when it has no such channel.
    """
    if link.markers is None or given.channel is not None:
        return given
    from linkbudget.capture.unmarked import unmarked_channel

    return replace(given, channel=unmarked_channel(path, str(link.markers.channel), given.reading))
