"""The option ``--html`` of commands whose result can be looked at."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from linkbudget.cli.output_file import file_option

if TYPE_CHECKING:
    from linkbudget.replay.result import Replay
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["html_option", "write_html"]

html_option = file_option("--html", "Also write the report to look at: one HTML file that needs no network.")


def write_html(
    path: Path | None, result: Replay, capture: ByteCapture, *, whatif: Mapping[str, Any] | None = None
) -> None:
    """Write the report of a replay when a file was asked for; `check_asked` said that it may be written."""
    if path is None:
        return
    from linkbudget.report.html.page import save_html

    save_html(result, capture, path, whatif=whatif)
