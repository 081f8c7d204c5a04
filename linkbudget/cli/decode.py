"""``linkbudget decode``: characters of a capture, its frames when a frame format is known, its messages."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from linkbudget.cli.capture_input import (
    INPUT_FILE,
    CaptureInput,
    capture_options,
    json_option,
    read_capture,
    wrong_rate,
)
from linkbudget.cli.output import Notes, emit_document, emit_page
from linkbudget.errors import CaptureError

if TYPE_CHECKING:
    from linkbudget.codec import Codec
    from linkbudget.frame.bulk import FrameTable
    from linkbudget.frame.format import FrameFormat
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["command", "decoded"]


@click.command("decode")
@click.argument("capture", type=INPUT_FILE)
@capture_options
@click.option("--link", type=INPUT_FILE, help="Link file: line, frame format and messages are taken from it.")
@click.option(
    "--direction",
    type=click.Choice(["to-controller", "to-module"]),
    default="to-controller",
    help="Which way the traffic of --link went.",
)
@click.option("--delimiting", metavar="NAME", help="How frames are told apart: cobs, newline ...")
@click.option("--crc", metavar="NAME", help="Check code of a frame, such as CRC-16/IBM-3740, or none.")
@click.option("--times", is_flag=True, help="Also write the end of every character in nanoseconds.")
@json_option
@click.pass_obj
def command(
    notes: Notes,
    capture: Path,
    given: CaptureInput,
    link: Path | None,
    direction: str,
    delimiting: str | None,
    crc: str | None,
    times: bool,
    as_json: bool,
) -> None:
    """Read characters, frames and messages from CAPTURE.

    Without --baudrate (and without --link) the line settings are estimated from the edges.
    """
    from linkbudget.link.model import Link

    described = Link.load(link) if link else None
    characters = read_capture(capture, given, described.line if described else None)
    fmt = frame_format(described.frames.get(direction) if described else None, delimiting, crc)
    known = described if delimiting is None and crc is None else None
    codec = known.codec(direction) if known and known.messages_of(direction) else None
    document = decoded(characters, fmt, codec, times=times)
    if not len(characters):
        notes.add("no character found: the line never falls from idle long enough to be a start bit")
    if as_json:
        emit_document(document, notes)
    else:
        from linkbudget.report.decode_page import decode_page

        emit_page(decode_page(document))
    refuse_nonsense(capture, given, characters, document)


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


def decoded(
    capture: ByteCapture, fmt: FrameFormat | None, codec: Codec | None, times: bool = False
) -> dict[str, object]:
    """Return the JSON document of ``decode``."""
    document = capture.to_dict(times=times)
    if fmt is not None:
        from linkbudget.frame.bulk import deframe_all

        table = deframe_all(fmt, capture.payload_bytes())
        document["frames"] = frame_counts(table)
        if codec is not None:
            document["messages"] = messages_in(table, codec)
    return document


def frame_counts(table: FrameTable) -> dict[str, object]:
    """Return how many frames are intact and how many were rejected, and why."""
    intact = int(table.good.sum())
    return {"intact": intact, "rejected": len(table) - intact, "reasons": table.reasons()}


def messages_in(table: FrameTable, codec: Codec) -> dict[str, int]:
    """Return how many intact frames hold each message, and under ``unreadable`` those that hold none."""
    from linkbudget.errors import FrameError

    counts = {message.name: 0 for message in codec.messages}
    unreadable = 0
    for payload in table.payloads():
        try:
            name, _ = codec.decode_payload(payload)
        except FrameError:
            unreadable += 1
        else:
            counts[name] += 1
    return {**counts, "unreadable": unreadable}


def refuse_nonsense(
    path: Path, given: CaptureInput, capture: ByteCapture, document: dict[str, object]
) -> None:
    """Raise when what was decoded cannot be what was sent: a wrong baud rate, or no complete frame."""
    told = wrong_rate(path, given, capture)
    if told:
        raise CaptureError(path, "", told)
    frames = document.get("frames")
    if isinstance(frames, dict) and not frames["intact"] and set(frames["reasons"]) <= {"truncated"}:
        raise CaptureError(
            path, "", f"no complete frame in {len(capture.data)} characters; is this the link's frame format?"
        )
