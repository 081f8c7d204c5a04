"""A short soak of the virtual link; ``python tests/bench --only rig`` sends ten million frames."""

from __future__ import annotations

import sys
from pathlib import Path


def test_none_is_lost_that_should_have_arrived(monkeypatch):
    monkeypatch.setattr(sys, "path", [str(Path(__file__).parent / "bench"), *sys.path])
    import rig_parts

    seen = rig_parts.soak(24_000)
    assert (seen.lost, seen.wrong, seen.unaccounted) == (0, 0, 0)
    # The faults are those of the seed: some frames were struck, and one of them may arrive all the same.
    assert 20 < seen.damaged < 100
    assert seen.frames - seen.damaged <= seen.arrived < seen.frames
