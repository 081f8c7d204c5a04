"""The model held against passes that were measured: how much of their lengths it explains.

The model is run with a pass at each marked start that is over by the marked end (`reads`), so that what it
gets wrong in one pass does not shift those that follow. Where it makes a pass too short, the pass is filled
up in a second run, after its first read or, without one, at its beginning: then it finds the bytes it found.
(Not where a message is waited for: there the bytes do not depend on lengths.) The time filled up is no part
of the modelled length. What is compared is one length at a time. Where the markers give only bounds of a
length, the residual is the distance from them, 0 within.

*Unexplained* are the passes whose residual is far away from the others (`residuals`), further than two steps
of the clock, and further than a hundredth of the mean length.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from linkbudget.capture.channels import find_channel
from linkbudget.errors import CaptureError, Fault, SettingsError
from linkbudget.replay.arrivals import Traffic
from linkbudget.replay.figures import quantile
from linkbudget.replay.markers import read_markers
from linkbudget.replay.reads import Instant, PacedRun, pace
from linkbudget.replay.residuals import Floats, Shares, far_ones, shares, spread
from linkbudget.replay.run import characters_of
from linkbudget.traffic.levels import Edges, LevelCapture

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.link.resolve import Resolved
    from linkbudget.replay.markers import Marked
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["Measured", "compare", "marked_passes", "traffic_of"]

DIRECTION = "to-controller"

LISTED = 1000
SMALL = 0.01
ALONE = 0.1
"""With fewer passes that find no byte their ends are no grid to go by."""

Times = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Measured:
    """Marked passes, or reading steps, beside those of the model.

    ``modelled_ns`` is the model's length of each, ``residual_ns`` measured minus modelled (float64; of a
    length known within bounds the distance from them). ``fill`` is the time with which passes were filled
    up, and whether at their beginning. ``zero_ns`` is time zero in the capture's own time.
    """

    marked: Marked
    run: PacedRun
    fill: tuple[Times, Bools]
    zero_ns: int
    channel: str
    meaning: str

    @cached_property
    def modelled_ns(self) -> Times:
        """The model's length of each."""
        return self.run.length_ns

    @cached_property
    def residual_ns(self) -> Floats:
        """Measured minus modelled, for each of them."""
        above: Times = np.maximum(self.marked.shortest_ns - self.modelled_ns, 0)
        below: Times = np.maximum(self.modelled_ns - self.marked.longest_ns, 0)
        residual: Floats = (above - below).astype(np.float64)
        residual.setflags(write=False)
        return residual

    @cached_property
    def unexplained(self) -> Bools:
        """True for each whose length the model does not explain."""
        exact, residual = self.marked.exact, self.residual_ns
        known = self.marked.longest_ns[exact]
        mean = float(np.mean(known)) if known.size else float(np.mean(self.modelled_ns))
        floor = max(2 * self.marked.tick_ns, SMALL * mean)
        found = np.zeros(len(self.marked), dtype=bool)
        reads = np.minimum(self.run.counts["byte"] + self.run.counts["skip_byte"], 1)
        found[exact] = far_ones(residual[exact], floor, reads[exact])
        found[~exact] = np.abs(residual[~exact]) > floor
        found.setflags(write=False)
        return found

    @property
    def findings(self) -> tuple[str, ...]:
        """What has to be said of the markers, in sentences."""
        marked = self.marked
        if self.meaning != "pass-end" or marked.period_ns is None:
            return marked.findings
        alone = int(np.count_nonzero(self.run.counts["read_call"] == 0))
        if alone >= ALONE * len(marked):
            return marked.findings
        told = (
            f"only {alone} of {len(marked)} passes do nothing but work, so where releases fall is not sure,"
            " and with it every length; mark the starts, too, or let the loop run free"
        )
        return (*marked.findings, told)

    @property
    def shares(self) -> Shares:
        """What the model explains of the lengths that are known exactly."""
        exact = self.marked.exact
        return shares(self.marked.longest_ns[exact].astype(np.float64), self.residual_ns[exact])

    def rows(self) -> list[dict[str, float | int | None]]:
        """Return the unexplained in order of size: where (capture's own time), measured, modelled.

        ``measured_us`` is None where there are only bounds; ``difference_us`` is then the distance from them.
        """
        at = np.flatnonzero(self.unexplained)
        order = at[np.argsort(-np.abs(self.residual_ns[at]), kind="stable")]
        marked, exact = self.marked, self.marked.exact
        return [
            {
                "at_ns": self.zero_ns + int(marked.start_ns[k]),
                "measured_us": int(marked.longest_ns[k]) / 1e3 if exact[k] else None,
                "modelled_us": int(self.modelled_ns[k]) / 1e3,
                "difference_us": float(self.residual_ns[k]) / 1e3,
            }
            for k in order.tolist()
        ]

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form; of more than a thousand unexplained ones the largest."""
        marked, exact = self.marked, self.marked.exact
        residual, known = self.residual_ns[exact], marked.longest_ns[exact]
        sizes = np.round(np.abs(residual)).astype(np.int64)
        told = self.shares
        return {
            "channel": self.channel,
            "meaning": self.meaning,
            "what": marked.what,
            "edges": marked.edges,
            "marked": len(marked),
            "exact": int(np.count_nonzero(exact)),
            "outside_bounds": int(np.count_nonzero(self.residual_ns[~exact])),
            "measured_us": _mean_and_most(known),
            "modelled_us": _mean_and_most(self.modelled_ns[exact]),
            "explained": {"variance": told["variance_share"], "time": told["time_share"]},
            "residual_us": {
                "mean": float(np.mean(residual)) / 1e3 if residual.size else None,
                "spread": spread(residual) / 1e3 if residual.size else None,
                "p99": quantile(sizes, 99) / 1e3 if sizes.size else None,
                "largest": int(sizes.max()) / 1e3 if sizes.size else None,
            },
            "period_us": None if marked.period_ns is None else marked.period_ns / 1e3,
            "unexplained": int(np.count_nonzero(self.unexplained)),
            "unexplained_list": self.rows()[:LISTED],
            "findings": list(self.findings),
        }


def _mean_and_most(times: Times) -> dict[str, float | None]:
    if not times.size:
        return {"mean": None, "max": None}
    return {"mean": float(np.mean(times)) / 1e3, "max": int(times.max()) / 1e3}


def compare(
    resolved: Resolved,
    traffic: Traffic,
    marked: Marked,
    *,
    zero_ns: int = 0,
    channel: str = "",
    meaning: str = "",
    parsed_before: int = 0,
    fill: tuple[Times, Bools] | None = None,
) -> Measured:
    """Return the model's passes beside the marked ones.

    ``parsed_before`` bytes count toward the first pause of the parser. ``fill`` is `Measured.fill`, when that
    is known already.
    """

    def measured(fill: tuple[Times, Bools]) -> Measured:
        columns = (marked.start_ns, marked.over_ns, *fill)
        instants = [Instant(*row) for row in zip(*(one.tolist() for one in columns), strict=True)]
        reading_only = marked.what != "pass"
        run = pace(resolved, traffic, instants, reading_only=reading_only, parsed_before=parsed_before)
        return Measured(marked, run, fill, zero_ns, channel, meaning)

    if fill is not None:
        return measured(fill)
    first = measured((np.zeros(len(marked), dtype=np.int64), np.zeros(len(marked), dtype=bool)))
    missing: Times = np.maximum(first.residual_ns, 0).astype(np.int64)
    missing[~marked.exact] = 0
    if not missing.any() or resolved.reading.strategy == "whole-message":
        return first
    return measured((missing, first.run.counts["read_call"] == 0))


def traffic_of(link: Link, resolved: Resolved, capture: ByteCapture) -> Traffic:
    """Return a capture as the receiver of a link meets it; `CaptureError` when it holds no character."""
    if not len(capture):
        raise CaptureError(capture.source or "capture", "", "holds no character; expected the link's traffic")
    codec = link.codec(DIRECTION)
    return Traffic(characters_of(capture), resolved.receiver.errored, codec.fmt, codec.decode_payload)


def marked_passes(
    link: Link, resolved: Resolved, capture: ByteCapture, traffic: Traffic, markers: Edges | LevelCapture
) -> Measured:
    """Return the passes that a controller marked, beside those of the model with the link's own costs.

    ``markers`` is the channel that the controller toggled, or the recording that holds it under the name in
    the link. Raises `SettingsError` for a link that says nothing of markers and for edges that make no sense,
    `CaptureError` when the recording has no such channel.
    """
    if link.markers is None:
        allowed = "a [markers] table with channel and meaning"
        raise SettingsError(Fault("markers", None, allowed, file=link.path, problem="is missing"))
    channel = str(link.markers.channel)
    if isinstance(markers, LevelCapture):
        channel = find_channel(markers.channels, channel, markers.source or "capture")
        markers = markers.channels[channel]
    if not isinstance(markers, Edges):
        raise SettingsError(Fault("markers", type(markers).__name__, "Edges or a LevelCapture"))
    zero = int(capture.start_times_ns[0])
    marked = read_markers(markers, link.markers, resolved.loop, zero)
    return compare(resolved, traffic, marked, zero_ns=zero, channel=channel, meaning=link.markers.meaning)
