"""What payloads are to a replay: the number of the message each is, and the targets it commands to joints.

Payloads with fixed places are read as columns (`linkbudget.codec.verdicts`), many of them compiled; others
one by one, and what was read is remembered for a while, because a sender that repeats itself has few.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import nan, prod
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import numpy.typing as npt

from linkbudget._jit import given, use_kernel
from linkbudget.codec.verdicts import Columns, columns_of, message_ids
from linkbudget.errors import FrameError
from linkbudget.message.primitives import RangedInteger
from linkbudget.replay.motion import commanded

if TYPE_CHECKING:
    from linkbudget.codec.direction import Codec, CodecMessage
    from linkbudget.frame.bulk import FrameTable
    from linkbudget.link.joints import Joint

__all__ = ["UNREAD", "Readable", "Verdicts", "plain_read_frames", "read_frames"]

REMEMBERED = 1 << 14
MOST_STATES = 1 << 16
"""States of a field whose targets are kept in a table."""
UNREAD = -2
"""Instead of the number of a message: the payload has to be read by itself."""
NO_LIMIT = 1 << 62

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bytes = npt.NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Readable:
    """The messages that can be read as columns, by the first byte of their payloads (None: by nothing).

    ``of_id`` holds the number of each message, its columns, and its targets: (joint, place of its field,
    target of each state).
    """

    of_id: dict[int | None, tuple[int, Columns, list[tuple[int, int, Floats]]]]
    joints: int

    @cached_property
    def lowered(self) -> tuple[Ints, Ints, Ints, Floats]:
        """The tables of the kernel: rows of messages by first byte, messages, numbers, targets."""
        from linkbudget.replay import _book_kernels as kernels

        of_id = np.full(257, -1, dtype=np.int64)
        messages = np.zeros((len(self.of_id), kernels.MESSAGE_COLUMNS), dtype=np.int64)
        numbers: list[tuple[int, ...]] = []
        tables = [np.zeros(0)]
        for row, (number, (name, columns, targets)) in enumerate(self.of_id.items()):
            of_id[256 if number is None else number] = row
            first, padding = len(numbers), (1 << 8 * columns.size - columns.bits) - 1
            for offset, width, places, radices in columns.steps:
                if prod(radices) < 1 << width:
                    numbers.append((offset, width, prod(radices), -1, 1, 1, 0))
                for joint, place, table in targets:
                    if place in places:
                        within = places.index(place)
                        divisor = prod(radices[within + 1 :])
                        begin = sum(table.size for table in tables)
                        numbers.append((offset, width, NO_LIMIT, joint, divisor, radices[within], begin))
                        tables.append(table)
            messages[row] = columns.size, padding, name, first, len(numbers)
        rows = np.array(numbers, dtype=np.int64).reshape(-1, kernels.NUMBER_COLUMNS)
        return of_id, messages, rows, np.concatenate(tables)


def read_frames(readable: Readable, payload: Bytes, offsets: Ints, reason: Bytes) -> tuple[Ints, Floats]:
    """Return the number of the message that each good frame is, -1 for none, and the targets commanded.

    The columns are those of a `FrameTable`. `UNREAD` is the number of those which no column reads.
    """
    if not use_kernel("read_frames", reason.size):
        return plain_read_frames(readable, payload, offsets, reason)
    from linkbudget.replay import _book_kernels as kernels

    names = np.empty(reason.size, dtype=np.int64)
    values = np.full((reason.size, readable.joints), nan)
    of_id, messages, numbers, targets = readable.lowered
    frames = given(payload), given(offsets), given(reason)
    which, commanded = (given(of_id), given(messages), given(numbers)), given(targets)
    count = kernels.read_frames(*frames, *which, commanded, names, values)
    names, values = names[:count], values[:count]
    names.setflags(write=False)
    values.setflags(write=False)
    return names, values


def plain_read_frames(
    readable: Readable, payload: Bytes, offsets: Ints, reason: Bytes
) -> tuple[Ints, Floats]:
    """Return what `read_frames` does, column by column for the payloads of each length."""
    good = np.flatnonzero(reason == 0)
    first = offsets[good]
    lengths = offsets[good + 1] - first
    names = np.full(good.size, UNREAD, dtype=np.int64)
    values = np.full((good.size, readable.joints), nan)
    for length in np.unique(lengths).tolist():
        own = np.flatnonzero(lengths == length)
        rows = payload[first[own, np.newaxis] + np.arange(length)]
        for number, (name, columns, targets) in readable.of_id.items():
            if number is not None and not length:
                continue
            mine = np.ones(len(rows), dtype=bool) if number is None else rows[:, 0] == number
            names[own[mine]] = -1
            body = rows[mine] if number is None else rows[mine, 1:]
            if not len(body) or body.shape[1] != columns.size:
                continue
            fits, states = columns.read(body)
            places = own[mine][fits]
            names[places] = name
            for joint, place, target in targets:
                values[places, joint] = target[states[place][fits]]
    names.setflags(write=False)
    values.setflags(write=False)
    return names, values


class Verdicts:
    """Reads payloads of a direction; ``names`` are its messages, whose numbers are their places."""

    def __init__(self, codec: Codec, names: list[str], joints: tuple[Joint, ...]) -> None:
        self._codec, self._joints = codec, joints
        self._numbers = {name: place for place, name in enumerate(names)}
        self._nothing = (-1, (nan,) * len(joints))
        self._remembered: dict[bytes, tuple[int, tuple[float, ...]]] = {}
        readable = {}
        for number, message in (message_ids(codec) or {}).items():
            columns, targets = columns_of(message), self._targets_of(message)
            if columns is not None and targets is not None:
                readable[number] = self._numbers[message.name], columns, targets
        self.readable = Readable(readable, len(joints))

    def of(self, payloads: list[bytes]) -> tuple[Ints, Floats]:
        """Return the number of the message that each payload is, -1 for none, and the targets commanded."""
        found = [self._remembered.get(payload) or self._read(payload) for payload in payloads]
        names = np.array([name for name, _ in found], dtype=np.int64)
        values = np.array([values for _, values in found], dtype=np.float64)
        return names, values.reshape(len(payloads), len(self._joints))

    def of_frames(self, table: FrameTable) -> tuple[Ints, Floats]:
        """Return the same of the good frames of a table."""
        names, values = read_frames(self.readable, table.payload, table.payload_offsets, table.reason)
        rest = np.flatnonzero(names == UNREAD)
        if rest.size:
            names, values = names.copy(), values.copy()
            rows = np.flatnonzero(table.good)[rest]
            data, offsets = table.payload.tobytes(), table.payload_offsets
            ends = zip(offsets[rows].tolist(), offsets[rows + 1].tolist(), strict=True)
            names[rest], values[rest] = self.of([data[at:end] for at, end in ends])
        return names, values

    def _targets_of(self, message: CodecMessage) -> list[tuple[int, int, Floats]] | None:
        """Return (joint, place of its field, target of each state); None where that cannot be a table."""
        found = []
        members = message.layout.group.members
        for number, joint in enumerate(self._joints):
            if joint.message != message.name:
                continue
            if joint.field not in message.layout.group.names:
                return None
            place = message.layout.group.names.index(joint.field)
            primitive = members[place].primitive
            if not isinstance(primitive, RangedInteger) or primitive.count > MOST_STATES:
                return None
            values: list[Any] = [{joint.field: primitive.value(state)} for state in range(primitive.count)]
            found.append((number, place, np.array([commanded(joint, value) for value in values])))
        return found

    def _read(self, payload: bytes) -> tuple[int, tuple[float, ...]]:
        try:
            name, value = cast("tuple[str, dict[str, Any]]", self._codec.decode_payload(payload))
            targets = (commanded(joint, value) if name == joint.message else None for joint in self._joints)
            found = self._numbers[name], tuple(nan if target is None else target for target in targets)
        except FrameError:
            found = self._nothing
        if len(self._remembered) >= REMEMBERED:
            self._remembered.clear()
        self._remembered[payload] = found
        return found
