"""What ``decode`` can add to one direction: the other one, requests with their answers, and the way between.

All of it needs the whole captures in memory, unlike ``decode`` itself.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from linkbudget.cli.capture_input import CaptureInput, read_capture

if TYPE_CHECKING:
    from linkbudget.frame.format import FrameFormat
    from linkbudget.link.model import Link
    from linkbudget.wire.uart import UartLine

__all__ = ["BothWays"]

OTHER_DIRECTION = {"to-controller": "to-module", "to-module": "to-controller"}


@dataclass(frozen=True)
class BothWays:
    """What the command line asks for beside one direction.

    ``other_channel`` is the channel of the other direction in the same capture; ``exchanges`` says that
    requests are paired with answers, on a shared pair; ``received`` is a capture of the same traffic taken
    where it arrived, by any clock.
    """

    direction: str
    other_channel: str | None = None
    exchanges: bool = False
    received: Path | None = None
    received_channel: str | None = None

    def check(self, link: Link | None, fmt: FrameFormat | None) -> None:
        """Raise `click.UsageError` when something needed is missing; of an overridden link, that is None."""
        if self.received_channel is not None and self.received is None:
            raise click.UsageError("--received-channel needs --received, the capture it is a channel of")
        if self.received is not None and fmt is None:
            raise click.UsageError(
                "--received needs --link or --delimiting: frames are followed on their way"
            )
        asked = (
            "--other-channel" if self.other_channel is not None else "--exchanges" if self.exchanges else ""
        )
        if not asked:
            return
        if link is None:
            raise click.UsageError(f"{asked} needs --link, and its frame formats: messages are paired")
        missing = [name for name in OTHER_DIRECTION if not link.messages_of(name)]
        if missing:
            raise click.UsageError(
                f"{asked} needs messages of both directions; the link has none {missing[0]}"
            )
        if self.other_channel is None and not link.shared:
            text = "--exchanges needs --other-channel, because the link is not one shared pair"
            raise click.UsageError(text)

    def document(
        self,
        path: Path,
        given: CaptureInput,
        line: UartLine | None,
        link: Link | None,
        fmt: FrameFormat | None,
    ) -> dict[str, Any]:
        """Return the keys that ``decode`` gets in addition, as far as asked for.

        ``other`` is the document of the other direction, with its ``direction``; ``exchanges`` that of
        `Exchanges`; ``deliveries`` that of `Deliveries`.
        """
        found: dict[str, Any] = {}
        if link is not None and (self.exchanges or self.other_channel is not None):
            found |= self.paired(path, given, link)
        if self.received is not None and fmt is not None:
            from linkbudget.study.deliveries import match_frames

            sent = read_capture(path, given, line)
            there = replace(given, channel=self.received_channel)
            received = read_capture(self.received, there, line)
            found["deliveries"] = match_frames(fmt, sent, received).to_dict()
        return found

    def paired(self, path: Path, given: CaptureInput, link: Link) -> dict[str, Any]:
        """Return what the other direction holds, and its requests paired with answers."""
        from linkbudget.cli.decoding import decoded
        from linkbudget.study.exchanges import pair_requests

        one = read_capture(path, given, link.line)
        found: dict[str, Any] = {}
        captures = {self.direction: one, OTHER_DIRECTION[self.direction]: None}
        if self.other_channel is not None:
            other = read_capture(path, replace(given, channel=self.other_channel), link.line)
            direction = OTHER_DIRECTION[self.direction]
            captures[direction] = other
            codec = link.codec(direction)
            found["other"] = {"direction": direction, **decoded(other, codec.fmt, codec)}
        to_module, to_controller = captures["to-module"] or one, captures["to-controller"]
        shared = self.other_channel is None
        pairs = pair_requests(link, to_module, None if shared else to_controller).to_dict()
        return {**found, "exchanges": pairs}
