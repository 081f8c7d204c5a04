"""The smallest and the largest frame of a message, with a payload that has it, and whether that is proved.

A frame is a payload the encoding can write, a check that follows from it, and what the delimiting adds, which
depends on the bytes of both. The payload alone is a shortest path (`paths`). With the best payload and the
best check there is a bound; from it on downwards, for each way to share what is given away between payload
and check, a payload with such a check is looked for (`meeting`, `reached` for checks of up to 16 bits) or
shown to be impossible: because all were looked at, or by linear algebra (`hull`). The first one found has the
extreme size if all above it are impossible, else it is a witness for a size that the extreme is at least.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Any

import numpy as np

from linkbudget.check.algorithms import CrcAlgorithm
from linkbudget.check.registers import Registers, registers_of
from linkbudget.check.sums import SimpleSum
from linkbudget.codec.costs import Costs, Ending, Ints, ZerosLast, costs_of, endings_of
from linkbudget.codec.hull import ruled_out
from linkbudget.codec.meeting import Effort, meet
from linkbudget.codec.paths import Best, Paths
from linkbudget.codec.reached import reached
from linkbudget.codec.wanted import Wanted
from linkbudget.frame.format import FrameFormat
from linkbudget.message.languages.graph import ANY, Graph, Node, TooLarge
from linkbudget.message.languages.payload import Payloads

__all__ = ["Extreme", "extreme_frame"]

LESS_THOROUGH = Effort(1 << 17, 1 << 21)
THOROUGH = Effort(1 << 19, 1 << 24)
THOROUGH_SMALL = Effort(1 << 16, 1 << 22)
"""For checks of at most 16 bits, where a list never holds more."""
LEAST_QUICK, MOST_QUICK = 1 << 8, 1 << 17
ENOUGH = 1024
"""Strings expected to have a wanted check that a quick search chooses from, where there are more."""
SHARED_SLACK = 4
"""What most checks may lose, so that they share what is best."""
RUN_SLACK = 2
"""What COBS frames may lose in the search: a zero in a check saves one byte, or two when it stands well."""


@dataclass(frozen=True)
class Extreme:
    """A payload and sequence number, the bytes of their frame, and the bound that no frame passes."""

    payload: bytes
    sequence: int
    size: int
    bound: int


def extreme_frame(
    fmt: FrameFormat, payloads: Payloads, longest_payload: int, largest: bool
) -> Extreme | None:
    """Return the largest or smallest frame; None when the message is too large for the search.

    ``longest_payload``: bytes of the longest payload of the message, which may exceed the format's.
    """
    for search in (_Extremes(fmt, longest_payload, largest), _Longest(fmt, longest_payload, largest)):
        try:
            return search.of(payloads)
        except TooLarge:
            continue
    return None


class _Extremes:
    def __init__(self, fmt: FrameFormat, longest_payload: int, largest: bool) -> None:
        self.fmt = fmt
        self.largest = largest
        self.sign = 1 if largest else -1
        lead = fmt.envelope.lead_bytes
        binding = longest_payload > fmt.max_payload
        longest = min(longest_payload, fmt.max_payload)
        self.limit = lead + fmt.max_payload if binding else None
        self.costs: Costs = costs_of(fmt, fmt.overhead_bytes + longest)
        self.endings = endings_of(self.costs, fmt, largest)
        self.slack = fmt.check_bytes if self.costs.states == 1 else RUN_SLACK
        # The bytes of a frame around an empty body.
        self.around = fmt.framing.size(0).minimum
        self.known: dict[object, Any] = {}

    def of(self, payloads: Payloads) -> Extreme:
        """Return the extreme over all payloads."""
        if self.costs.states == 1:
            # Where only values are escaped, what is best does not depend on the check.
            self.known = payloads.known
        score, word, bound = self._found(self._covered(payloads.graph, payloads.root))
        if not payloads.graph.exact:
            outer = self._covered(payloads.outer_graph, payloads.outer_root)
            bound = max(top for top, _, _ in self._sides(outer))
            if score < bound:
                # What is impossible for more strings than there are is impossible.
                _, _, bound = self._found(outer)
        return self._extreme(word, self.around + self.sign * score, self.around + self.sign * bound)

    def _extreme(self, word: bytes, size: int, bound: int) -> Extreme:
        sequence = word[0] if self.fmt.sequence else 0
        return Extreme(word[self.fmt.envelope.lead_bytes :], sequence, size, bound)

    def _frame_bytes(self, word: bytes) -> int:
        return len(self.fmt.framing.encode(word + self.fmt.envelope.check_of(word)))

    def _covered(self, graph: Graph, root: Node) -> Node:
        """What the check covers: the payload behind sequence and layout bytes."""
        if self.fmt.layout_id is not None:
            root = graph.literal(bytes([self.fmt.layout_id]), root)
        return graph.byte(ANY, root) if self.fmt.sequence else root

    def _sides(self, root: Node) -> list[tuple[int, Ending, Best]]:
        """Return each ending with the best score it allows, and the best strings before it."""
        sides = []
        for ending in self.endings:
            offset = ending.bytes_by_state[0]
            shape = ending.bytes_by_state - offset
            best = self._best(root, shape)
            tops = best.tops()
            if tops:
                sides.append((max(tops.values()) + self.sign * int(offset), ending, best))
        return sides

    def _best(self, root: Node, shape: Ints) -> Best:
        slack = max(self.slack, SHARED_SLACK) if self.costs.states == 1 else self.slack
        key = (root, self.costs, self.sign, tuple(shape.tolist()), slack, self.limit)
        if key not in self.known:
            kinds = self.known.setdefault(self.costs, {})
            self.known[key] = Best(root, self.costs, self.sign, shape, slack, self.limit, kinds)
        found: Best = self.known[key]
        return found

    def _found(self, root: Node) -> tuple[int, bytes, int]:
        """Return the best score of a string found, the string, and the bound on all scores."""
        sides = self._sides(root)
        top = max(side[0] for side in sides)
        bound: int | None = None
        for score in range(top, top - self.slack - 1, -1):
            tries = [(most - score, ending, best) for most, ending, best in sides if most >= score]
            word, sure = self._looked_for(tries, thorough=bound is None)
            if word is not None:
                return score, word, score if bound is None else bound
            if not sure and bound is None:
                bound = score
        _, _, best = max(sides, key=lambda side: side[0])
        word = best.example()
        score = self.sign * (self._frame_bytes(word) - self.around)
        return score, word, top if bound is None else bound

    def _looked_for(self, tries: list[tuple[int, Ending, Best]], thorough: bool) -> tuple[bytes | None, bool]:
        """Return a string that loses no more than this and has one of these checks, and if None: for sure."""
        if any(ending.any_check for _, ending, _ in tries):
            return tries[0][2].example(), True
        assert isinstance(self.fmt.check, CrcAlgorithm | SimpleSum)
        registers = registers_of(self.fmt.check)
        sure = True
        left = []
        for loss, ending, best in sorted(tries, key=lambda some: -some[1].share):
            paths = best.nearly(loss)
            wanted = Wanted(self.fmt, self.costs, ending, self.largest)
            word, complete = meet(paths, registers, wanted, _quick(ending.share), ENOUGH / ending.share)
            if word is not None:
                return word, True
            if not complete:
                left.append((paths, wanted))
        if not thorough:
            return None, sure and not left
        for paths, wanted in left:
            if not (paths.complete and ruled_out(paths, registers, wanted)):
                word, complete = self._thoroughly(paths, registers, wanted)
                if word is not None:
                    return word, True
                sure = sure and complete
        return None, sure

    @staticmethod
    def _thoroughly(paths: Paths, registers: Registers, wanted: Wanted) -> tuple[bytes | None, bool]:
        word: bytes | None = None
        if registers.small:
            word, complete = reached(paths, registers, wanted)
            if word is not None or complete:
                return word, True
        for effort in [THOROUGH_SMALL] if registers.small else [LESS_THOROUGH, THOROUGH]:
            word, complete = meet(paths, registers, wanted, effort)
            if word is not None or complete:
                return word, True
        return None, False


class _Longest(_Extremes):
    """The longest body with few zeros, where it is too much to follow the runs that COBS counts."""

    def of(self, payloads: Payloads) -> Extreme:
        """Return its frame, and the bound for all bodies of its length."""
        if not self.largest or self.costs.states == 1:
            raise TooLarge
        word = self._longest(self._covered(payloads.graph, payloads.root))
        outer = word
        if not payloads.graph.exact:
            outer = self._longest(self._covered(payloads.outer_graph, payloads.outer_root))
        bound = self.fmt.framing.size(len(outer) + self.fmt.check_bytes).maximum
        return self._extreme(word, self._frame_bytes(word), bound)

    def _longest(self, root: Node) -> bytes:
        return Best(root, ZerosLast(), 1, np.zeros(1, np.int64), 0, self.limit, {}).example()


def _quick(share: float) -> Effort:
    """Lists long enough that 32 pairs or so are expected to have a wanted check, if that is possible."""
    cap = max(int(sqrt(32 / share)), LEAST_QUICK)
    if cap > MOST_QUICK:
        cap = LEAST_QUICK
    return Effort(cap, 64 * cap)
