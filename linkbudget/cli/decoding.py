"""What ``decode`` finds, added up piece by piece: characters, frames, messages."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

from linkbudget.capture.tally import Tally
from linkbudget.traffic.stream import BREAK, FRAMING, PARITY

if TYPE_CHECKING:
    from linkbudget.codec import Codec
    from linkbudget.frame.bulk import FrameTable
    from linkbudget.frame.format import FrameFormat
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["Decoding", "decoded"]

SHOWN_BYTES, SHOWN_EVENTS = 64, 64


class Decoding:
    """The JSON document of ``decode``, from consecutive pieces of a capture.

    With ``whole`` it holds every byte and every damaged character, else the first ones only, as a page shows
    them; then memory does not grow with the capture.
    """

    def __init__(
        self, fmt: FrameFormat | None, codec: Codec | None, *, times: bool = False, whole: bool = True
    ) -> None:
        from linkbudget.frame.pieces import PieceDeframer

        self.deframer = None if fmt is None else PieceDeframer(fmt)
        self.codec = codec
        self.whole = whole
        self.times: list[int] | None = [] if times else None
        self.last: ByteCapture | None = None
        self.characters = self.errored = 0
        self.hex: list[str] = []
        self.counts: Counter[int] = Counter()
        self.events: list[dict[str, object]] = []
        self.start_ns: int | None = None
        self.end_ns: int | None = None
        self.window_ns: int | None = None
        self.warnings: list[str] = []
        self.intact = 0
        self.reasons: Counter[str] = Counter()
        self.messages: Counter[str] = Counter()
        self.unreadable = 0

    def add(self, piece: ByteCapture) -> None:
        """Take the next piece."""
        self.last = piece
        self.warnings += piece.warnings
        if not len(piece):
            return
        if self.start_ns is None:
            self.start_ns = int(piece.start_times_ns[0])
        self.end_ns = int(piece.times_ns[-1])
        if piece.window_ns is not None:
            self.window_ns = max(self.window_ns or 0, int(piece.window_ns.max()))
        self.counts.update({flag: piece.count(flag) for flag in (FRAMING, PARITY, BREAK)})
        if self.whole or self.characters < SHOWN_BYTES:
            self.hex.append(piece.data_hex())
        if self.whole or len(self.events) < SHOWN_EVENTS:
            self.events += piece.events()
        if self.times is not None:
            self.times += piece.times_ns.tolist()
        self.characters += len(piece)
        self.errored += len(piece) - int(piece.good_mask.sum())
        if self.deframer is not None:
            self._count(self.deframer.feed(piece.payload_bytes()))

    def close(self) -> None:
        """End the capture: a frame that is not complete by now is truncated."""
        if self.deframer is not None:
            self._count(self.deframer.close())

    def _count(self, table: FrameTable) -> None:
        from linkbudget.errors import FrameError

        self.intact += int(table.good.sum())
        self.reasons.update(table.reasons())
        if self.codec is None:
            return
        for payload in table.payloads():
            try:
                name, _ = self.codec.decode_payload(payload)
            except FrameError:
                self.unreadable += 1
            else:
                self.messages[name] += 1

    def tally(self) -> Tally:
        """Return how well the characters could be read."""
        baudrate = self.last.line.baudrate if self.last is not None else 0
        return Tally(baudrate, self.characters, self.errored, self.warnings)

    def document(self) -> dict[str, Any]:
        """Return the JSON document of what was taken so far; empty before the first piece."""
        if self.last is None:
            return {}
        document: dict[str, Any] = self.last.to_dict() | {
            "characters": self.characters,
            "data_hex": "".join(self.hex),
            "framing_errors": self.counts[FRAMING],
            "parity_errors": self.counts[PARITY],
            "breaks": self.counts[BREAK],
            "events": self.events,
            "start_ns": self.start_ns,
            "end_ns": self.end_ns,
            "warnings": self.warnings,
        }
        if self.window_ns is not None:
            document["longest_window_ns"] = self.window_ns
        if self.times is not None:
            document["times_ns"] = self.times
        if self.deframer is not None:
            document["frames"] = self.frames()
            if self.codec is not None:
                counts = {message.name: self.messages[message.name] for message in self.codec.messages}
                document["messages"] = {**counts, "unreadable": self.unreadable}
        return document

    def frames(self) -> dict[str, object]:
        """Return how many frames are intact and how many were rejected, and why."""
        from linkbudget.frame.bulk import REASONS

        reasons = {str(reason): self.reasons[reason] for reason in REASONS if self.reasons[reason]}
        return {"intact": self.intact, "rejected": sum(reasons.values()), "reasons": reasons}


def decoded(
    capture: ByteCapture, fmt: FrameFormat | None, codec: Codec | None, times: bool = False
) -> dict[str, Any]:
    """Return the JSON document of ``decode`` for a whole capture."""
    decoding = Decoding(fmt, codec, times=times)
    decoding.add(capture)
    decoding.close()
    return decoding.document()
