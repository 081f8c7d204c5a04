"""Which options each shape of capture has a use for, and what to say about those given without one."""

from __future__ import annotations

from linkbudget.capture.readers import Options
from linkbudget.capture.source import FilePath
from linkbudget.errors import warn
from linkbudget.traffic.levels import LevelCapture
from linkbudget.traffic.stream import ByteCapture

__all__ = ["without_use"]

WORDS = {
    "channel": "channel",
    "invert": "idle level",
    "time_unit": "time unit",
    "time_column": "column of times",
    "sample_rate": "sample rate",
    "sample_bytes": "size of a sample",
    "threshold": "threshold",
    "hysteresis": "hysteresis",
    "wrap": "range of a tick counter",
}
VOLTAGES = ("threshold", "hysteresis")
# By what readers say about the shape in ``taken``, and what the capture holds.
USES: dict[tuple[str, type[LevelCapture | ByteCapture]], tuple[str, ...]] = {
    ("vcd", LevelCapture): ("channel", "invert"),
    ("edges", LevelCapture): ("channel", "invert", "time_unit", "time_column", *VOLTAGES),
    ("uniform samples", LevelCapture): ("channel", "invert", "sample_rate", "time_column", *VOLTAGES),
    ("raw samples", LevelCapture): ("channel", "invert", "sample_rate", "sample_bytes"),
    ("parquet", LevelCapture): ("channel", "invert"),
    ("parquet", ByteCapture): (),
    ("byte table", ByteCapture): ("channel", "time_unit", "time_column", "wrap"),
    ("log", ByteCapture): (),
    ("plain bytes", ByteCapture): (),
}


def without_use(
    capture: LevelCapture | ByteCapture, path: FilePath, options: Options, invert: bool
) -> tuple[str, ...]:
    """Return a warning for each option that was given and that this capture has no use for."""
    default = Options()
    given = [name for name in WORDS if name != "invert" and getattr(options, name) != getattr(default, name)]
    used = USES[capture.taken["shape"], type(capture)]
    if "threshold" not in given:
        used = tuple(name for name in used if name != "hysteresis")
    idle = ["invert"] if invert else []
    return tuple(
        warn(f"{path}: the {WORDS[name]} asked for has no use here ({told_shape(capture)})")
        for name in [*given, *idle]
        if name not in used
    )


def told_shape(capture: LevelCapture | ByteCapture) -> str:
    """Return in a few words what was read."""
    shape = capture.taken["shape"]
    holds = "levels" if isinstance(capture, LevelCapture) else "bytes"
    return f"{shape}, holds {holds}"
