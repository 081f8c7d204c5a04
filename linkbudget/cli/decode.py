"""``linkbudget decode``: characters of a capture, its frames when a frame format is known, its messages."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from linkbudget.cli.capture_input import (
    INPUT_FILE,
    CaptureInput,
    capture_options,
    capture_pieces,
    direction_option,
    json_option,
    refuse_wrong_rate,
)
from linkbudget.cli.interrupts import EXIT_INTERRUPTED, Stopped, stop_by_signal
from linkbudget.cli.marker_input import beside_markers
from linkbudget.cli.output import Notes, emit_document, emit_page, progress_bar
from linkbudget.errors import CaptureError

if TYPE_CHECKING:
    from linkbudget.cli.decoding import Decoding
    from linkbudget.frame.format import FrameFormat
    from linkbudget.link.model import Link
    from linkbudget.wire.uart import UartLine

__all__ = ["command"]


@click.command("decode")
@click.argument("capture", type=INPUT_FILE)
@capture_options
@click.option("--link", type=INPUT_FILE, help="Link file: line, frame format and messages are taken from it.")
@direction_option("Which way the traffic of --link went.  [default: to-controller]")
@click.option("--delimiting", metavar="NAME", help="How frames are told apart: cobs, newline ...")
@click.option("--crc", metavar="NAME", help="Check code of a frame, such as CRC-16/IBM-3740, or none.")
@click.option("--times", is_flag=True, help="Also write the end of every character in ns; with --json.")
@click.option("--other-channel", metavar="NAME", help="Channel of the other direction; pairs its messages.")
@click.option("--exchanges", is_flag=True, help="Pair requests with answers, on one shared pair.")
@click.option("--received", type=INPUT_FILE, help="Capture of the same traffic at its end, by any clock.")
@click.option("--received-channel", metavar="NAME", help="Channel of --received, when it holds several.")
@json_option
@click.pass_obj
def command(
    notes: Notes,
    capture: Path,
    given: CaptureInput,
    link: Path | None,
    direction: str | None,
    delimiting: str | None,
    crc: str | None,
    times: bool,
    other_channel: str | None,
    exchanges: bool,
    received: Path | None,
    received_channel: str | None,
    as_json: bool,
) -> int:
    """Read characters, frames and messages from CAPTURE.

    Without --baudrate (and without --link) the line settings are estimated from the edges. Ctrl-C ends the
    reading with what was found up to there, said to be partial, and exit code 130.

    With --other-channel (or --exchanges, where both directions share one pair) each answer is given to its
    request, with turnaround times and gaps. With --received each frame sent is matched with the one received.
    """
    from linkbudget.cli.both_ways import BothWays
    from linkbudget.cli.decoding import Decoding

    if times and not as_json:
        raise click.UsageError("--times needs --json: a page shows no list of times")
    if direction is not None and link is None:
        raise click.UsageError("--direction needs --link: without messages both directions are read alike")
    direction = direction or "to-controller"
    described = load_link(link) if link else None
    fmt = frame_format(described.frames.get(direction) if described else None, delimiting, crc)
    known = described if delimiting is None and crc is None else None
    codec = known.codec(direction) if known and known.messages_of(direction) else None
    both = BothWays(direction, other_channel, exchanges, received, received_channel)
    both.check(known, fmt)
    decoding = Decoding(fmt, codec, times=times, whole=as_json)
    line = described.line if described else None
    if described is not None:
        given = beside_markers(capture, given, described)
    done = read_into(decoding, capture, given, line)
    document = decoding.document()
    if not document:
        raise Stopped
    if not done:
        notes.add("interrupted: what follows from here on in the capture was not read")
        document["partial"] = True
    elif not decoding.characters:
        notes.add("no character found: the line never falls from idle long enough to be a start bit")
    else:
        document |= both.document(capture, given, line, known, fmt)
    if as_json:
        emit_document(document, notes)
    else:
        from linkbudget.report.decode_page import decode_page

        emit_page(decode_page(document))
    if not done:
        return EXIT_INTERRUPTED
    refuse_nonsense(capture, given, decoding, document)
    return 0


def load_link(path: Path) -> Link:
    """Return the link of a file; what a link is made of takes long to import, so only when there is one."""
    from linkbudget.link.model import Link

    return Link.load(path)


def read_into(decoding: Decoding, path: Path, given: CaptureInput, line: UartLine | None) -> bool:
    """Read a capture piece by piece; return False when Ctrl-C ended that before the end of the capture."""
    with stop_by_signal() as stop, progress_bar("reading") as move:

        def watch(done: int, total: int) -> None:
            if stop():
                raise Stopped
            if move is not None:
                move(done, total)

        try:
            for piece in capture_pieces(path, given, line, watch):
                decoding.add(piece)
        except Stopped:
            return False
        decoding.close()
        return True


def frame_format(known: FrameFormat | None, delimiting: str | None, crc: str | None) -> FrameFormat | None:
    """Return the frame format asked for: the link's own, with what the command line says instead.

    A check behind a line of text is taken as hexadecimal digits, the only form that fits there.
    """
    from dataclasses import replace

    from linkbudget.frame.format import FrameFormat

    if delimiting is None and crc is None:
        return known
    if known is None and delimiting is None:
        raise click.UsageError("--crc needs --delimiting or --link: a check belongs to a frame")
    if known is None:
        # No limit of a link is known, so the largest payload must not be the reason to reject a frame.
        longest = 255 if delimiting == "counted" else 65535
        known = FrameFormat(delimiting="none", crc=None, max_payload=longest)
    wanted = delimiting or known.delimiting
    return replace(
        known,
        delimiting=wanted,
        crc=known.crc if crc is None else crc,
        check_form="hex" if wanted == "newline" else known.check_form,
    )


def refuse_nonsense(path: Path, given: CaptureInput, decoding: Decoding, document: dict[str, object]) -> None:
    """Raise when what was decoded cannot be what was sent: a wrong baud rate, or no complete frame."""
    refuse_wrong_rate(path, given, decoding.tally())
    frames = document.get("frames")
    if isinstance(frames, dict) and not frames["intact"] and set(frames["reasons"]) <= {"truncated"}:
        count = decoding.characters
        text = f"no complete frame in {count} characters; is this the link's frame format?"
        raise CaptureError(path, "", text)
