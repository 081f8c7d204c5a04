"""The channel on which a controller marked its passes, where the link says that there is one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from linkbudget.cli.capture_input import CaptureInput
from linkbudget.errors import warn

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.traffic.levels import LevelCapture

__all__ = ["read_markers"]


def read_markers(path: Path, given: CaptureInput, link: Link) -> tuple[LevelCapture | None, CaptureInput]:
    """Return the recording that holds the marked channel, and how the capture is then to be read.

    Where only one other channel changes, that is the line; nobody has to say so. None for a link without
    markers, and, with a warning, for a capture of bytes.
    """
    if link.markers is None:
        return None, given
    from linkbudget.capture.channels import find_channel
    from linkbudget.capture.pieces import open_capture
    from linkbudget.traffic.join import join_levels
    from linkbudget.traffic.levels import LevelCapture

    channel = str(link.markers.channel)
    reading = {key: value for key, value in given.reading.items() if key not in ("channel", "invert")}
    pieces = []
    for piece in open_capture(path, **reading):
        if not isinstance(piece, LevelCapture):
            warn(f"{path}: holds bytes, not levels: the passes marked on channel {channel!r} are not in it")
            return None, given
        pieces.append(piece)
    capture = join_levels(pieces)
    edges = capture.channels[find_channel(capture.channels, channel, path)]
    if given.channel is None:
        others = [one for one in capture.active() if capture.channels[one] is not edges]
        if len(others) == 1:
            given = replace(given, channel=others[0])
    return capture, given
