"""What payloads are to a replay: the number of the message each is, and the targets it commands to joints.

Payloads with fixed places are read as columns (`linkbudget.codec.verdicts`), others one by one; what was read
is remembered for a while, because a sender that repeats itself has few.
"""

from __future__ import annotations

from math import nan
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import numpy.typing as npt

from linkbudget.codec.verdicts import Columns, columns_of, message_ids
from linkbudget.errors import FrameError
from linkbudget.message.primitives import RangedInteger
from linkbudget.replay.motion import commanded

if TYPE_CHECKING:
    from linkbudget.codec.direction import Codec, CodecMessage
    from linkbudget.frame.bulk import FrameTable
    from linkbudget.link.joints import Joint

__all__ = ["Verdicts"]

REMEMBERED = 1 << 14
MOST_STATES = 1 << 16
"""States of a field whose targets are kept in a table."""
FEW = 64
"""Payloads of one length that are read one by one all the same."""

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


class Verdicts:
    """Reads payloads of a direction; ``names`` are its messages, whose numbers are their places."""

    def __init__(self, codec: Codec, names: list[str], joints: tuple[Joint, ...]) -> None:
        self._codec, self._joints = codec, joints
        self._numbers = {name: place for place, name in enumerate(names)}
        self._nothing = (-1, (nan,) * len(joints))
        self._remembered: dict[bytes, tuple[int, tuple[float, ...]]] = {}
        self._by_id = message_ids(codec) or {}
        self._columns: dict[int | None, Columns] = {}
        self._targets: dict[int | None, list[tuple[int, int, Floats]]] = {}
        for number, message in self._by_id.items():
            columns, targets = columns_of(message), self._targets_of(message)
            if columns is not None and targets is not None:
                self._columns[number], self._targets[number] = columns, targets

    def of(self, payloads: list[bytes]) -> tuple[Ints, Floats]:
        """Return the number of the message that each payload is, -1 for none, and the targets commanded."""
        found = [self._remembered.get(payload) or self._read(payload) for payload in payloads]
        names = np.array([name for name, _ in found], dtype=np.int64)
        values = np.array([values for _, values in found], dtype=np.float64)
        return names, values.reshape(len(payloads), len(self._joints))

    def of_frames(self, table: FrameTable) -> tuple[Ints, Floats]:
        """Return the same of the good frames of a table."""
        good = np.flatnonzero(table.good)
        first = table.payload_offsets[good]
        lengths = table.payload_offsets[good + 1] - first
        names = np.full(good.size, -1, dtype=np.int64)
        values = np.full((good.size, len(self._joints)), nan)
        one_by_one = []
        for length in np.unique(lengths).tolist():
            own = np.flatnonzero(lengths == length)
            if own.size < FEW or not length or not self._columns:
                one_by_one.append(own)
                continue
            rows = table.payload[first[own, np.newaxis] + np.arange(length)]
            one_by_one.append(own[~self._read_columns(rows, own, names, values)])
        rest = np.concatenate([np.zeros(0, dtype=np.int64), *one_by_one])
        if rest.size:
            data, last = table.payload.tobytes(), (first + lengths)[rest].tolist()
            found = [data[at:end] for at, end in zip(first[rest].tolist(), last, strict=True)]
            names[rest], values[rest] = self.of(found)
        return names, values

    def _read_columns(
        self, rows: npt.NDArray[np.uint8], own: Ints, names: Ints, values: Floats
    ) -> npt.NDArray[np.bool_]:
        """Read rows into the places ``own`` of names and values; return which are settled so."""
        settled = np.zeros(len(rows), dtype=bool)
        for number, columns in self._columns.items():
            mine = np.ones(len(rows), dtype=bool) if number is None else rows[:, 0] == number
            settled |= mine
            body = rows[mine] if number is None else rows[mine, 1:]
            if not len(body) or body.shape[1] != columns.size:
                continue
            good, states = columns.read(body)
            places = own[mine][good]
            names[places] = self._numbers[self._by_id[number].name]
            for joint, place, targets in self._targets[number]:
                values[places, joint] = targets[states[place][good]]
        return settled

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
