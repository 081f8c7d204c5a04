"""The page of a batch: how many replays are as they should be, spreads, and the captures to look at first."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any

from linkbudget.report.terminal import (
    Document,
    bullet,
    command_lines,
    figure,
    figure_table,
    met_word,
    note,
    time,
    verdict,
    word_list,
)
from linkbudget.study.batch_summary import percent
from linkbudget.study.limit_figures import limit_figures
from linkbudget.units import format_count

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["SPREADS", "Names", "batch_page", "batch_verdict", "state_notes"]

LISTED = 10
"""Failures, and reasons of a capture, that are listed at most."""
WIDEST_NAME = 20
SHOWN_FIRST = 5
"""Captures to look at first that the page lists."""
REPLAYED_NEXT = 3


SPREADS = {
    "missed_share": ("Missed deadlines, as a part of all", percent),
    "longest_pass_us": ("Longest pass", time),
    "age_us": ("Oldest data when used", time),
}
"""Figures whose spread over captures is shown: title, and how a value is written."""


LINK_WORDS = (
    "All met: every requirement. All kept: every deadline. Missed: deadlines, of all. Lost: messages lost or"
    " damaged."
)
LINK_HEADS = ("", "replays", "all met", "all kept", "missed", "lost", "misread", "failed")
"""Heads of the table of links."""


class Names:
    """Short names of files: the last part where that tells it apart from the others, else its end."""

    def __init__(self, paths: Sequence[str], ending: str = "") -> None:
        self.ending = ending
        self.counts = Counter(self._last(path) for path in paths)

    def _last(self, path: str) -> str:
        return PurePosixPath(path).name.removesuffix(self.ending)

    def short(self, path: str | None) -> str:
        """Return a name that fits a table; a dash for none."""
        if path is None:
            return "-"
        name = self.plain(path)
        return name if len(name) <= WIDEST_NAME else f"…{name[1 - WIDEST_NAME :]}"

    def plain(self, path: str) -> str:
        """Return the last part of a name where no other has the same, else the whole name."""
        last = self._last(path)
        return last if self.counts[last] <= 1 else path.removesuffix(self.ending)


def link_names(document: Document) -> Names:
    """Return the short names of the links of a batch."""
    return Names(document["links"], ".toml")


def batch_page(document: Document, captures: Sequence[str], again: str = "") -> list[RenderableType]:
    """Return the page of a batch from its dict and the names of its captures.

    ``again`` are the options with which a single capture is replayed as the batch did it.
    """
    links, names = link_names(document), Names(captures)
    parts: list[RenderableType] = [verdict(batch_verdict(document), is_good(document))]
    parts += map(note, state_notes(document))
    parts += [link_table(document, links), note(LINK_WORDS)]
    if document["done"]:
        parts += spread_tables(document, links, names)
    parts += look_parts(document, links, names, again)
    parts += failure_parts(document, links, names)
    parts += requirement_parts(document, links, names)
    return [*parts, word_list("Kept", [(f"{PurePosixPath(document['out']).name}/", KEPT)])]


KEPT = (
    "replays.parquet, messages.parquet, requirements.parquet, joints.parquet: every figure of every replay;"
    " and what is finished, for the same command to go on from"
)


def is_good(document: Document) -> bool:
    """Return whether nothing failed, everything was done, and all is as it should be."""
    count, good, _ = judged(document)
    return good == count and not document["failed"] and not document["partial"] and bool(count)


def judged(document: Document) -> tuple[int, int, str]:
    """Return how many replays are judged, how many are as they should be, and what that means."""
    rows = document["by_link"]
    if all(row["all_met"] is not None for row in rows if row["replays"]):
        good = sum(row["all_met"] or 0 for row in rows)
        return document["done"], good, "meet every requirement"
    return document["done"], sum(row["all_kept"] for row in rows), "keep every deadline"


def batch_verdict(document: Document) -> str:
    """Return the verdict in one sentence."""
    count, good, what = judged(document)
    failed = f"{format_count(document['failed'], 'replay')} failed"
    if not count:
        return f"Nothing was replayed: {failed}." if document["failed"] else "Nothing was replayed."
    told = f"all {format_count(count, 'replay')}" if good == count else f"{good:,} of {count:,} replays"
    return f"In the model, {told} {what}" + (f"; {failed}." if document["failed"] else ".")


def state_notes(document: Document) -> Iterator[str]:
    """Yield what has to be said of the batch as a whole."""
    if document["partial"]:
        yield (
            f"Not complete: {document['undone']:,} of {document['replays']:,} replays are not done. The same"
            " command goes on from here."
        )
    captures, links = document["captures"], len(document["links"])
    before = document["finished_before"]
    told = f"; {before:,} of the replays were finished before." if before else "."
    yield f"{format_count(captures, 'capture')} against {format_count(links, 'link')}{told}"
    if document["other_traffic"]:
        yield (
            f"{format_count(document['other_traffic'], 'pair')} of link and capture left out: the capture"
            " holds messages of another link of the batch, and none of this one."
        )
    for link in document["unused_links"]:
        yield f"No capture holds a message of {link}."
    passed = document["passed_over"]
    if passed:
        yield f"Passed over: {passed_text(passed)}."


def passed_text(passed: Sequence[Mapping[str, str]]) -> str:
    """Return what was passed over: how many for each reason, with one of them by name."""
    groups: dict[str, list[str]] = {}
    for one in passed:
        groups.setdefault(one["why"], []).append(one["path"])
    parts = []
    for why, paths in sorted(groups.items(), key=lambda group: -len(group[1])):
        which = paths[0] if len(paths) == 1 else f"{len(paths):,}, as {paths[0]}"
        parts.append(f"{which} ({why})")
    return "; ".join(parts)


def link_table(document: Document, links: Names) -> RenderableType:
    """Return what the captures came to under each link, to compare the links."""
    return figure_table("Links", LINK_HEADS, link_rows(document, links), gap=2)


def link_rows(document: Document, links: Names) -> Iterator[tuple[object, ...]]:
    """Yield the cells of that table."""
    for row in document["by_link"]:
        share = row["missed_deadlines"] / row["deadlines"] if row["deadlines"] else None
        yield (
            links.short(row["link"]),
            figure(row["replays"]),
            figure(row["all_met"]),
            figure(row["all_kept"]),
            percent(share),
            figure(row["lost"] + row["damaged"]),
            figure(row["misread"]),
            figure(row["failed"]),
        )


def spread_tables(document: Document, links: Names, names: Names) -> Iterator[RenderableType]:
    """Yield a table for each figure: how it is spread over captures, and where it is worst."""
    for name, (title, told) in SPREADS.items():
        rows = [
            (
                links.short(row["link"]),
                *(told(row["spread"][name][key]) for key in ("p50", "p90", "p99", "max")),
                names.short(row["spread"][name]["max_in"]),
            )
            for row in document["by_link"]
            if row["replays"]
        ]
        yield figure_table(title, ["", "half", "90%", "99%", "worst", "worst in"], rows, gap=2)
    yield note("half, 90%, 99%: so many of the captures have at most that.")


def look_parts(document: Document, links: Names, names: Names, again: str) -> Iterator[RenderableType]:
    """Yield the captures to look at first, why, and how to."""
    listed = document["look_first"]
    if not listed:
        if document["done"]:
            yield note("No capture stands out.")
        return
    count, listed = document["standing_out"], listed[:SHOWN_FIRST]
    shown = f" ({len(listed)} of {count:,} that stand out)" if count > len(listed) else ""
    yield note(f"Look at these first{shown}")
    for head, why in look_rows(listed, links, names):
        yield bullet(f"{head}: {'; '.join(why)}.")
    commands = [
        " ".join(
            part for part in ("linkbudget replay", shell(one["link"]), shell(one["capture"]), again) if part
        )
        for one in listed[:REPLAYED_NEXT]
    ]
    yield command_lines("The worst of them, each pass by pass (--html FILE for the picture):", commands)


def look_rows(
    listed: Sequence[Mapping[str, Any]], links: Names, names: Names
) -> Iterator[tuple[str, list[str]]]:
    """Yield the captures to look at first, with the link under which they are worst, and why."""
    several = len(links.counts) > 1
    for one in listed:
        where = f" under {links.plain(one['link'])}" if several else ""
        others = one["other_links"]
        also = f" (and under {format_count(others, 'other link')})" if others else ""
        yield f"{names.plain(one['capture'])}{where}{also}", one["why"][:LISTED]


def shell(text: str) -> str:
    """Return a name as a shell takes it."""
    import shlex

    return shlex.quote(text)


def failure_parts(document: Document, links: Names, names: Names) -> Iterator[RenderableType]:
    """Yield what could not be replayed, and why: a capture once, with its links."""
    rows = list(failure_rows(document, links, names))
    if not rows:
        return
    count = f" ({LISTED} of {len(rows):,}; all are in replays.parquet)" if len(rows) > LISTED else ""
    yield note(f"Could not be replayed{count}")
    for capture, error in rows[:LISTED]:
        yield bullet(f"{capture}: {error}")


def failure_rows(document: Document, links: Names, names: Names) -> Iterator[tuple[str, str]]:
    """Yield what could not be replayed, and why: a capture once, with its links where not all failed."""
    groups: dict[tuple[str, str], list[str]] = {}
    for one in document["failures"]:
        groups.setdefault((one["capture"], one["error"]), []).append(one["link"])
    for (capture, error), failed in groups.items():
        everywhere = len(failed) == len(document["links"])
        under = "" if everywhere else f" under {', '.join(map(links.plain, failed))}"
        yield f"{names.plain(capture)}{under}", error


def requirement_parts(document: Document, links: Names, names: Names) -> Iterator[RenderableType]:
    """Yield a table for each link with requirements: the worst capture, and in how many they are not met."""
    for title, heads, rows, _ in requirement_rows_of(document, links, names):
        yield figure_table(title, heads, rows, gap=2)


def requirement_rows_of(
    document: Document, links: Names, names: Names
) -> Iterator[tuple[str, list[str], list[tuple[str, ...]], list[bool]]]:
    """Yield title, heads, rows, and which rows are not met, for each link with requirements."""
    for link in document["links"]:
        own = [row for row in document["requirements"] if row["link"] == link]
        if own:
            heads = ["", "at most", "worst", "met", "not met in", "worst in"]
            rows = [requirement_cells(row, names) for row in own]
            yield f"Requirements of {links.plain(link)}", heads, rows, [row["met"] is False for row in own]


def requirement_cells(row: Mapping[str, Any], names: Names) -> tuple[str, ...]:
    """Return the cells of a requirement."""
    unmet = f"{row['unmet']:,} of {row['judged']:,}" if row["judged"] else "-"
    return (
        row["name"],
        *limit_figures(row["limit"], row["value"]),
        met_word(row["met"]),
        unmet,
        names.short(row["worst_in"]),
    )
