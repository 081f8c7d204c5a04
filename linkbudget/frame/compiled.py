"""A whole stream deframed by the compiled kernel: its settings from the format, and room for its rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from linkbudget._jit import given
from linkbudget.check.algorithms import CrcAlgorithm
from linkbudget.check.slicing import Slicing, crc_slicing
from linkbudget.check.sums import SimpleSum
from linkbudget.frame import _kernels
from linkbudget.frame.bulk import FrameTable
from linkbudget.frame.delimiting.stretch import StretchReceiver

if TYPE_CHECKING:
    from linkbudget.frame.format import FrameFormat

__all__ = ["KINDS", "compiled_table"]

KINDS = {
    "cobs": _kernels.COBS,
    "slip": _kernels.SLIP,
    "hdlc": _kernels.HDLC,
    "newline": _kernels.NEWLINE,
}
SUMS = {"sum8": _kernels.SUM8, "xor8": _kernels.XOR8, "fletcher16": _kernels.FLETCHER16}
NO_SLICING = Slicing(np.zeros(1, dtype=np.uint64), 0, False, 0, 1, False, 0)
BYTES_A_ROW = 16  # a first guess; the columns grow when there are more frames


@dataclass
class Columns:
    """The columns of a table while it is filled."""

    start: NDArray[np.int64]
    end: NDArray[np.int64]
    reason: NDArray[np.uint8]
    number: NDArray[np.int16]
    offsets: NDArray[np.int64]

    @classmethod
    def of(cls, rows: int) -> Columns:
        """Return columns with room for so many rows."""
        offsets = np.empty(rows + 1, dtype=np.int64)
        offsets[0] = 0
        return cls(
            np.empty(rows, dtype=np.int64),
            np.empty(rows, dtype=np.int64),
            np.empty(rows, dtype=np.uint8),
            np.empty(rows, dtype=np.int16),
            offsets,
        )

    def resize(self, rows: int) -> None:
        """Make room for so many rows, or give back what is more."""
        for column in (self.start, self.end, self.reason, self.number):
            column.resize(rows, refcheck=False)
        self.offsets.resize(rows + 1, refcheck=False)


def compiled_table(fmt: FrameFormat, data: bytes) -> FrameTable | None:
    """Return the table of a whole stream; None for a delimiting that has no kernel."""
    kind = KINDS.get(fmt.delimiting)
    receiver = fmt.framing.receiver(fmt.envelope.open)
    if kind is None or not isinstance(receiver, StretchReceiver):
        return None
    stream = given(np.frombuffer(data, dtype=np.uint8))
    columns = Columns.of(len(data) // BYTES_A_ROW + 2 * _kernels.BATCH_ROOM)
    payload = np.empty(len(data) + _kernels.SLACK, dtype=np.uint8)
    settings: tuple[Any, ...] = (*delimiting_settings(fmt, kind, receiver), *check_settings(fmt))
    rows, at, leads = 0, 0, 0
    while at < len(data):
        room = (columns.start, columns.end, columns.reason, columns.number, columns.offsets)
        arguments: list[Any] = [stream, at, leads, *settings, *room, payload, rows]
        reached = _kernels.delimited_frames(*arguments)
        rows, at, leads = (int(number) for number in reached)
        if at < len(data):
            columns.resize(2 * len(columns.start))
    columns.resize(rows)
    payload.resize(int(columns.offsets[-1]), refcheck=False)
    return FrameTable(columns.start, columns.end, columns.reason, payload, columns.offsets, columns.number)


def delimiting_settings(fmt: FrameFormat, kind: int, receiver: StretchReceiver) -> tuple[int, ...]:
    """Return the arguments of the kernel from ``kind`` to ``max_payload``."""
    terminator = fmt.terminator.encode("latin-1")
    delimiter, limit, leading = receiver.rule
    return (
        kind,
        delimiter,
        terminator[0] if kind == _kernels.NEWLINE and len(terminator) == 2 else -1,
        limit,
        leading,
        fmt.async_map,
        fmt.sequence,
        -1 if fmt.layout_id is None else fmt.layout_id,
        fmt.max_payload,
    )


def check_settings(fmt: FrameFormat) -> tuple[Any, ...]:
    """Return the arguments of the kernel from ``check_kind`` to ``xorout``."""
    check = fmt.check
    slicing, kind = NO_SLICING, _kernels.NO_CHECK
    if isinstance(check, CrcAlgorithm):
        slicing, kind = crc_slicing(check), _kernels.SLICED_CRC
    elif isinstance(check, SimpleSum):
        kind = SUMS[check.name]
    return (
        kind,
        0 if check is None else check.check_bytes,
        fmt.envelope.order == "big",
        fmt.envelope.hex_check,
        *slicing.arguments(),
    )
