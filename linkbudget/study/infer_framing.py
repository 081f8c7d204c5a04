"""The choice between all ways to cut a recorded stream into frames."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from linkbudget.check.code import Check
from linkbudget.errors import Fault, SettingsError, nearest_name
from linkbudget.frame.delimiting.table import DELIMITINGS
from linkbudget.study.infer_checks import SURE_BITS
from linkbudget.study.infer_counted import counted_framings, fixed_framings
from linkbudget.study.infer_frames import (
    ESCAPING,
    Asked,
    Framing,
    cut,
    escaping_framing,
    is_text,
    line_framing,
    odd_bytes,
    terminator_of,
)
from linkbudget.study.infer_notes import Note
from linkbudget.study.infer_times import Recording

__all__ = ["guess_framing"]

SAMPLE_BYTES = 1 << 18
"""The ways are compared on the first quarter of a megabyte; the one chosen is applied to everything."""
CLOSE_BITS = 20.0
FEWEST_DIFFERENT = 4
"""With fewer, not even a check that holds in all of them is evident, if it has eight bits."""


def guess_framing(
    recording: Recording, delimiting: str | None = None, crc: str | Check | None = None
) -> Framing:
    """Return how the recording is cut into frames; `CaptureError` when it cannot be told.

    ``delimiting`` and ``crc`` say what is known already; ``crc="none"`` that there is no check.
    """
    if delimiting is not None and delimiting not in DELIMITINGS:
        nearest = nearest_name(delimiting, DELIMITINGS)
        raise SettingsError(Fault("delimiting", delimiting, ", ".join(DELIMITINGS), nearest))
    asked = Asked.of(crc)
    data = recording.data[:SAMPLE_BYTES]
    hints: list[str] = []
    found = list(_candidates(recording, data, delimiting, asked, hints))
    solid = [framing for framing in found if framing.solid(len(data))]
    if delimiting is not None and not solid:
        solid = [framing for framing in found if len(framing.frames) > 1]
    if not solid:
        raise recording.cannot_tell(_why_not(recording, data, found, delimiting, hints))
    best = max(solid, key=_rank)
    if asked.code is not None and best.check is None:
        raise recording.cannot_tell(
            f"no frames cut by {best.fmt.delimiting} end in the check {asked.code.name}"
        )
    frames, rejected = cut(best.fmt, recording.data)
    notes = (*best.notes, *_check_notes(best, hints), *_rival_notes(best, solid))
    return replace(best, frames=tuple(frames), rejected=rejected, notes=notes)


def _candidates(
    recording: Recording, data: bytes, delimiting: str | None, crc: Asked, hints: list[str]
) -> Iterator[Framing]:
    delimited: list[Framing | None] = []
    if delimiting in (None, "newline"):
        delimited.append(line_framing(recording, data, crc))
    for name in ESCAPING:
        if delimiting in (None, name):
            delimited.append(escaping_framing(recording, data, name, crc))
    found = [framing for framing in delimited if framing is not None]
    yield from found
    # A delimiter with a check that holds, and lines of text, need no rival.
    if any(f.solid(len(data)) and (f.check or f.fmt.delimiting == "newline") for f in found):
        return
    if delimiting in (None, "counted"):
        yield from counted_framings(recording, data, crc, hints)
    if delimiting in (None, "none"):
        yield from fixed_framings(recording, data, crc)


def _rank(framing: Framing) -> tuple[bool, bool, float]:
    """Sort by evidence, but a check that holds first, and a delimiter before a length.

    The constant bytes of frames cut by a delimiter may look like sync bytes and a length as well.
    """
    return framing.check is not None, framing.fmt.delimiting not in ("counted", "none"), framing.bits


def _check_notes(framing: Framing, hints: list[str]) -> list[Note]:
    name = framing.fmt.to_dict()["crc"]
    different = len({frame.payload for frame in framing.frames})
    if framing.check is None and different < FEWEST_DIFFERENT:
        return [Note("frame.crc", "none", f"{different} different frames are too few to tell a check by")]
    if framing.check is None:
        origin = "no code of the catalogue and no simple sum fits the end of the frames"
        if hints and framing.fmt.delimiting == "counted":
            return [Note("frame.crc", "none", hints[0])]
        return [Note("frame.crc", "none", origin, 0.95)]
    notes = [Note("frame.crc", name, framing.check.origin, 1 - 2**-framing.check.bits)]
    if framing.fmt.crc_order is not None:
        origin = "fits in this byte order, which is not the usual one of this code"
        notes.append(Note("frame.crc_order", framing.fmt.crc_order, origin, 1 - 2**-framing.check.bits))
    return notes


def _rival_notes(best: Framing, solid: list[Framing]) -> list[Note]:
    rivals = [
        framing.fmt.delimiting
        for framing in solid
        if framing.fmt.delimiting != best.fmt.delimiting and framing.bits > best.bits - CLOSE_BITS
    ]
    names = ", ".join(dict.fromkeys(rivals))
    return (
        [Note("frame.delimiting", best.fmt.delimiting, f"{names} would fit about as well")] if names else []
    )


def _why_not(
    recording: Recording, data: bytes, found: list[Framing], delimiting: str | None, hints: list[str]
) -> str:
    """Return why no frames were found, and what came nearest."""
    odd = _odd_line(recording, data)
    if odd is not None:
        return odd
    tried = delimiting or "newline, cobs, slip, hdlc, counted and frames of one length"
    text = f"no frames can be told in {len(recording.data)} characters; tried {tried}"
    nearest = max(found, key=lambda framing: framing.bits, default=None)
    if hints:
        text += f"; {hints[0]}"
    elif nearest is not None and nearest.bits > 0:
        evidence = f"{nearest.bits:.0f} of {SURE_BITS:.0f} bits of evidence"
        text += f"; nearest came {nearest.fmt.delimiting}, with {evidence}"
    return text + "; expected two frames or more of one format (a longer recording, or a delimiting given)"


def _odd_line(recording: Recording, data: bytes) -> str | None:
    """Return what is wrong with lines that are nearly text: bytes that are not UTF-8."""
    terminator = terminator_of(recording, data)
    if terminator is None:
        return None
    lines = [line for line in data.split(terminator.encode()) if line]
    odd = [line for line in lines if not is_text(line) and odd_bytes(line) <= len(line) // 4]
    if len(lines) < 2 or 2 * len(odd) < len(lines):
        return None
    line = odd[0]
    try:
        line.decode()
    except UnicodeDecodeError as error:
        at = data.find(line) + error.start
        return (
            f"{len(odd)} of {len(lines)} lines are not UTF-8, the first at byte {at} ({data[at]:#04x}); "
            "expected text in UTF-8"
        )
    return None
