"""``linkbudget budget``: bytes and wire time of every message of a link file, before anything is recorded."""

from __future__ import annotations

from pathlib import Path

import click

from linkbudget.cli.capture_input import INPUT_FILE, json_option
from linkbudget.cli.measured_costs import measured
from linkbudget.cli.output import Notes, emit_document, emit_page
from linkbudget.cli.requirements import check_asked, exit_code, requirement_options, write_junit

__all__ = ["command"]


@click.command("budget")
@click.argument("link", type=INPUT_FILE)
@requirement_options
@json_option
@click.pass_obj
def command(notes: Notes, link: Path, require: bool, junit: Path | None, as_json: bool) -> int:
    """Work out bytes, wire time and utilisation of the link described in LINK."""
    from linkbudget.budget.bytetime import byte_budget
    from linkbudget.link.model import Link

    described = Link.load(link)
    check_asked(described, require, (link,), junit=junit)
    if described.loop.described:
        described, _ = measured(described)
    document = byte_budget(described).to_dict()
    write_junit(junit, document, link)
    if as_json:
        emit_document(document, notes)
    else:
        from linkbudget.report.budget_page import budget_page

        emit_page(budget_page(document))
    return exit_code(document, described, require, notes)
