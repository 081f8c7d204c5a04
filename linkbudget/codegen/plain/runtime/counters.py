"""What a receiver counts, and the numbers that say what is wrong with a frame."""

from __future__ import annotations

# ---------------------------------------------------------------------------------------------------------
CHECK, TOO_LONG, TOO_SHORT, BAD_STUFFING, TRUNCATED = 1, 2, 3, 4, 5
BAD_LENGTH, HEADER_CHECK_FAILED, NO_SYNC, LAYOUT, UNKNOWN, REFUSED = 6, 7, 8, 9, 10, 11


class Counters:
    """What a receiver has seen since it was made. Times are in the unit of the caller's clock.

    Damage of frames: ``check too_long too_short bad_stuffing truncated bad_length header_check no_sync
    layout``. Of intact frames: ``unknown`` (id or key of no message), ``refused`` (length or a value that no
    message has). ``lost``: gaps in the sequence numbers. ``superseded``: messages dropped for newer ones.
    ``high_water``: most bytes held. ``longest_gap``: longest time between two messages.
    """

    __slots__ = (
        "accepted",
        "bad_length",
        "bad_stuffing",
        "check",
        "header_check",
        "high_water",
        "layout",
        "longest_gap",
        "lost",
        "no_sync",
        "received",
        "refused",
        "superseded",
        "too_long",
        "too_short",
        "truncated",
        "unknown",
    )

    def __init__(self) -> None:
        self.received = 0
        self.accepted = 0
        self.check = 0
        self.too_long = 0
        self.too_short = 0
        self.bad_stuffing = 0
        self.truncated = 0
        self.bad_length = 0
        self.header_check = 0
        self.no_sync = 0
        self.layout = 0
        self.unknown = 0
        self.refused = 0
        self.lost = 0
        self.superseded = 0
        self.high_water = 0
        self.longest_gap = 0

    def add(self, fault: int) -> None:
        """Count one fault."""
        if fault == CHECK:
            self.check += 1
        elif fault == TOO_LONG:
            self.too_long += 1
        elif fault == TOO_SHORT:
            self.too_short += 1
        elif fault == BAD_STUFFING:
            self.bad_stuffing += 1
        elif fault == TRUNCATED:
            self.truncated += 1
        elif fault == BAD_LENGTH:
            self.bad_length += 1
        elif fault == HEADER_CHECK_FAILED:
            self.header_check += 1
        elif fault == NO_SYNC:
            self.no_sync += 1
        elif fault == LAYOUT:
            self.layout += 1
        elif fault == UNKNOWN:
            self.unknown += 1
        else:
            self.refused += 1

    def status(self) -> list[int]:
        """Return the values of the status message in the order of its fields, each in 16 bits."""
        counts = [
            self.accepted,
            self.check,
            self.too_long,
            self.too_short,
            self.bad_stuffing,
            self.bad_length,
            self.header_check,
            self.no_sync,
            self.layout,
            self.unknown,
            self.refused,
            self.lost,
            self.superseded,
        ]
        return [count & 0xFFFF for count in counts] + [
            min(self.high_water, 0xFFFF),
            min(self.longest_gap, 0xFFFF),
        ]
