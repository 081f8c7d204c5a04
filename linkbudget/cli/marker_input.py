"""Recordings of a link, and the channel on which a controller marked its passes, where there is one."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from linkbudget.cli.capture_input import CaptureInput, read_capture, refuse_wrong_rate
from linkbudget.errors import warn

if TYPE_CHECKING:
    from linkbudget.link.joints import Markers
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
    from linkbudget.traffic.join import join_levels

    pieces = list(level_pieces(path, given))
    if not pieces:
        channel = str(link.markers.channel)
        warn(f"{path}: holds bytes, not levels: the passes marked on channel {channel!r} are not in it")
        return None, given
    capture = join_levels(pieces)
    return capture, alone(others_changing(capture, path, link.markers), given)


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
    changing: dict[str, None] = {}
    for piece in level_pieces(path, given):
        changing |= dict.fromkeys(others_changing(piece, path, link.markers))
    return alone(changing, given)


def level_pieces(path: Path, given: CaptureInput) -> Iterator[LevelCapture]:
    """Yield a recording with all its channels; nothing for one of bytes."""
    from linkbudget.capture.pieces import open_capture
    from linkbudget.traffic.levels import LevelCapture

    reading = {key: value for key, value in given.reading.items() if key not in ("channel", "invert")}
    for piece in open_capture(path, **reading):
        if not isinstance(piece, LevelCapture):
            return
        yield piece


def others_changing(capture: LevelCapture, path: Path, markers: Markers) -> list[str]:
    """Return the channels that change beside the marked one."""
    from linkbudget.capture.channels import find_channel

    edges = capture.channels[find_channel(capture.channels, str(markers.channel), path)]
    return [one for one in capture.active() if capture.channels[one] is not edges]


def alone(changing: Iterable[str], given: CaptureInput) -> CaptureInput:
    """Return how the line is read: the one other channel that changes, unless one is named."""
    names = list(changing)
    return replace(given, channel=names[0]) if given.channel is None and len(names) == 1 else given
