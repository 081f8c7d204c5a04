"""The tables of a batch: their columns with type, unit and meaning, and their rows from a replay.

Every row names its ``link`` and ``capture`` as they were given. Figures are those of a replay
(`linkbudget.Replay.to_dict`); what there is none of is null. Every figure is of the model, not of the
mechanism.

- ``replays``: a row for each link and capture. Where ``state`` is not ``done``, ``error`` says why, and there
  is nothing else but the content of the file, where it could be read.
- ``messages``: a row for each link, capture and message that the loop receives.
- ``requirements``: a row for each link, capture and requirement of the link file.
- ``joints``: a row for each link, capture and joint of the link file.

Kinds are those of `KINDS`: whole (int64), real (double), text (string), truth (bool), texts (a list of
strings). Any value may be null. A unit ``joint`` is that of the joint, ``1`` a share.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from linkbudget.capture.tally import Tally
    from linkbudget.replay.long_result import LongReplay
    from linkbudget.replay.result import Replay

__all__ = ["COLUMNS", "DONE", "FAILED", "IDENTITY", "OTHER", "Column", "tables_of", "tables_of_other"]

Document = Mapping[str, Any]

DONE, OTHER, FAILED = "done", "other traffic", "failed"


@dataclass(frozen=True)
class Column:
    """A column: ``kind`` is whole, real, text, truth or texts (a list); ``unit`` is empty for words.

    ``source`` is where it stands in the dict of a replay: keys, one after the other.
    """

    kind: str
    unit: str
    meaning: str
    source: tuple[str, ...] = ()


def _figures(kind: str, unit: str, rows: Mapping[str, tuple[str, str]]) -> dict[str, Column]:
    return {
        name: Column(kind, unit, meaning, tuple(source.split(".")))
        for name, (source, meaning) in rows.items()
    }


IDENTITY: dict[str, Column] = {
    "link": Column("text", "", "Link file, or the name the link was given."),
    "capture": Column("text", "", "Capture file, as named or found; control characters are escaped."),
}

FATES = {
    "sent": "Frames intact in the capture.",
    "used": "Reached the loop's work.",
    "superseded": "A newer one was used instead.",
    "pending": "Not used yet when the replay ended.",
    "misread": "Accepted with a wrong value.",
    "damaged": "Arrived incomplete, or was refused.",
    "lost": "None of its bytes were received.",
}

SHARES = {
    "work": "the loop's own work",
    "reading": "taking bytes and parsing them",
    "waiting": "waiting for bytes of a message begun",
    "handler": "receive handlers",
    "pause": "pauses of the parser",
    "idle": "nothing that has to be done",
}

REPLAYS: dict[str, Column] = {
    **IDENTITY,
    "state": Column("text", "", f"{DONE}, {OTHER} (that of another link of the batch), or {FAILED}."),
    "error": Column("text", "", "Why there are no figures, in one line; null when there are."),
    "capture_bytes": Column("whole", "byte", "Size of the capture file as it is stored."),
    "capture_sha256": Column("text", "", "SHA-256 (FIPS 180-4) of the capture file, in hexadecimal digits."),
    "baudrate": Column("real", "baud", "Rate at which the capture was read."),
    "characters": Column("whole", "character", "Characters in the capture."),
    "errored_characters": Column("whole", "character", "Of these, with a framing error, and breaks."),
    "replayed_ns": Column("whole", "ns", "Time replayed: from the first character to the end."),
    "deadlines": Column("whole", "deadline", "Passes and skipped releases."),
    **_figures(
        "whole",
        "pass",
        {
            "passes": ("passes", "Passes that ran."),
            "skipped": ("skipped", "Releases passed over because a pass was still running."),
            "missed_deadlines": ("missed_deadlines", "Passes that ended late, and skipped releases."),
            "longest_run_of_misses": ("longest_run_of_misses", "Deadlines missed one after the other."),
        },
    ),
    "missed_share": Column("real", "1", "Missed deadlines as a part of all, 0 to 1; null without one."),
    **_figures(
        "real",
        "us",
        {
            "longest_pass_us": ("longest_pass_us", "Longest time from start to end of a pass."),
            "late_p50_us": ("late_us.p50", "Start of a pass after its release: median."),
            "late_p99_us": ("late_us.p99", "The same, 99th percentile."),
            "late_max_us": ("late_us.max", "The same, largest."),
            "age_mean_us": ("age_us.mean", "Age of the data, mean over time."),
            "age_p50_us": ("age_us.p50", "Age of the data when used: median."),
            "age_p99_us": ("age_us.p99", "The same, 99th percentile."),
            "age_max_us": ("age_us.max", "The same, largest."),
        },
    ),
    **_figures("whole", "message", {fate: (f"messages.{fate}", text) for fate, text in FATES.items()}),
    "used_late": Column("whole", "message", "Messages used later than their act_by_us."),
    **_figures(
        "whole",
        "byte",
        {
            "received_bytes": ("bytes.received", "Bytes that reached the receiver."),
            "overrun_hardware_bytes": (
                "bytes.overrun_hardware",
                "Lost at a full FIFO or by the driver.",
            ),
            "overrun_buffer_bytes": ("bytes.overrun_buffer", "Lost at a full receive buffer."),
            "buffer_high_water_bytes": ("bytes.buffer_high_water", "Most bytes in the buffer at once."),
        },
    ),
    **_figures(
        "real",
        "1",
        {
            f"share_{what}": (f"time_share.{what}", f"Share of the time: {text}.")
            for what, text in SHARES.items()
        },
    ),
    "phases": Column(
        "whole", "placement", "Placements of the releases that were tried.", ("phase_sweep", "phases")
    ),
    **_figures(
        "whole",
        "pass",
        {
            "phase_missed_min": ("phase_sweep.missed_min", "Fewest missed deadlines among them."),
            "phase_missed_max": ("phase_sweep.missed_max", "Most missed deadlines among them."),
        },
    ),
    "bottleneck": Column("text", "", "What stands in the way.", ("bottleneck", "what")),
    "bottleneck_us": Column("real", "us", "Its time: of a late pass, or of the line.", ("bottleneck", "us")),
    "bottleneck_share": Column("real", "1", "That as a part, 0 to 1.", ("bottleneck", "share")),
    "longest_pass_at_ns": Column(
        "whole", "ns", "Where the longest pass starts, in the capture's own time.", ("bottleneck", "at_ns")
    ),
    "never_catches_up": Column("truth", "", "Whether something falls behind for good."),
    "overshoot": Column("real", "joint", "Largest overshoot of a joint, in its unit."),
    "rms_error": Column("real", "joint", "Largest RMS difference of a joint from an ideal follower."),
    "window_us": Column("real", "us", "By how much arrivals may have been earlier; null: certain."),
    "requirements": Column("whole", "requirement", "Requirements of the link file that a replay can judge."),
    "unmet": Column("whole", "requirement", "Of these, not met."),
    "warnings": Column("texts", "", "What was assumed or repaired."),
}

MESSAGES: dict[str, Column] = {
    **IDENTITY,
    "message": Column("text", "", "Its name; (unrecognised) for frames that are none of the link."),
    "direction": Column("text", "", "to-controller: what a replay tells of."),
    **{fate: Column("whole", "message", text, (fate,)) for fate, text in FATES.items()},
    "used_late": Column("whole", "message", "Used later than its act_by_us.", ("used_late",)),
}

REQUIREMENTS: dict[str, Column] = {
    **IDENTITY,
    "requirement": Column("text", "", "Name of the requirement, which says its unit.", ("name",)),
    "limit": Column("real", "", "Upper limit in the link file.", ("limit",)),
    "value": Column("real", "", "What the replay shows; null where it does not tell.", ("value",)),
    "met": Column("truth", "", "Whether it is met; null where a replay cannot judge it.", ("met",)),
    "headroom": Column("real", "", "Limit minus value.", ("headroom",)),
}

JOINTS: dict[str, Column] = {
    **IDENTITY,
    "joint": Column("text", "", "Name of the joint.", ("joint",)),
    "unit": Column("text", "", "Its unit, in which the next three are."),
    "overshoot": Column("real", "joint", "How far it went past a target, largest.", ("overshoot",)),
    "overshoot_mean": Column("real", "joint", "The same, mean.", ("overshoot_mean",)),
    "rms_error": Column("real", "joint", "RMS difference from an ideal follower.", ("rms_error",)),
    "settle_ms": Column("real", "ms", "Settling time.", ("settle_ms",)),
    "idle_share": Column("real", "1", "Share of the passes in which it rests.", ("idle_share",)),
    "rest_time_share": Column("real", "1", "Share of the time in which it rests.", ("rest_time_share",)),
    "rests": Column("whole", "rest", "How often it rests.", ("rests",)),
    "longest_rest_ms": Column("real", "ms", "Longest of these rests.", ("longest_rest_ms",)),
}

KINDS: Mapping[str, Callable[[Any], Any]] = {
    "whole": int,
    "real": float,
    "text": str,
    "truth": bool,
    "texts": list,
}
"""What a value of each kind is in Python."""

COLUMNS: Mapping[str, Mapping[str, Column]] = {
    "replays": REPLAYS,
    "messages": MESSAGES,
    "requirements": REQUIREMENTS,
    "joints": JOINTS,
}
"""The columns of each table, by name, in their order."""


def tables_of(result: Replay | LongReplay, seen: Tally, warnings: Sequence[str]) -> dict[str, Any]:
    """Return the rows of a replay by table: one of ``replays``, any number of the others.

    They lack the columns `IDENTITY` and those of the file: who asked for the replay knows them.
    """
    document, figures = result.to_dict(), result.figures
    deadlines = document["passes"] + document["skipped"]
    judged = [row["met"] for row in document["requirements"] if row["met"] is not None]
    units = {joint.name: joint.unit for joint in result.link.joints}
    uncertain = result.uncertain
    own = {
        "state": DONE,
        "baudrate": seen.baudrate,
        "characters": seen.characters,
        "errored_characters": seen.errored,
        "replayed_ns": result.end_ns if hasattr(result, "end_ns") else result.run.end_ns,
        "deadlines": deadlines,
        "missed_share": document["missed_deadlines"] / deadlines if deadlines else None,
        "used_late": figures["used_late"],
        "never_catches_up": any(part is not None for part in document["never_catches_up"].values()),
        "overshoot": figures["overshoot"],
        "rms_error": figures["rms_error"],
        "window_us": None if uncertain is None else uncertain.window_us,
        "requirements": len(judged),
        "unmet": judged.count(False),
        "warnings": warnings,
    }
    return {
        "replays": _row(REPLAYS, document, own),
        "messages": [
            _row(MESSAGES, counts, {"message": name, "direction": "to-controller"})
            for name, counts in document["by_message"].items()
        ],
        "requirements": [_row(REQUIREMENTS, row) for row in document["requirements"]],
        "joints": [_row(JOINTS, row, {"unit": units[row["joint"]]}) for row in document["motion"]],
    }


def tables_of_other(told: str) -> dict[str, Any]:
    """Return the rows for a capture that holds other traffic than the link's: one, which says so."""
    return {"replays": {"state": OTHER, "error": told}, "messages": [], "requirements": [], "joints": []}


def _row(columns: Mapping[str, Column], document: Document, own: Document | None = None) -> dict[str, Any]:
    given = own or {}
    return {
        name: _plain(column.kind, given[name] if name in given else _found(document, column.source))
        for name, column in columns.items()
        if name in given or column.source
    }


def _found(document: Document, source: Sequence[str]) -> Any:
    found: Any = document
    for key in source:
        found = found[key]
    return found


def _plain(kind: str, value: Any) -> Any:
    return None if value is None else KINDS[kind](value)


def _listing() -> str:
    """Return the columns of all tables as text, a line each."""
    lines = []
    for table, columns in COLUMNS.items():
        lines.append(f"Columns of ``{table}``:\n")
        for name, column in columns.items():
            unit = f", {column.unit}" if column.unit else ""
            lines.append(f"- ``{name}`` ({column.kind}{unit}): {column.meaning}")
        lines.append("")
    return "\n".join(lines)


__doc__ = f"{__doc__}\n{_listing()}"
