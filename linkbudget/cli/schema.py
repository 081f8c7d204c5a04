"""``linkbudget schema``: the JSON Schema of the link file, for editors that complete it."""

from __future__ import annotations

import click

from linkbudget.cli.capture_input import json_option
from linkbudget.cli.output import emit_json

__all__ = ["command"]


@click.command("schema")
@json_option
def command(as_json: bool) -> None:
    """Print the JSON Schema of the link file."""
    from linkbudget.link.schema import link_schema
    from linkbudget.report.document import json_text

    # A schema is JSON either way; --json is there because every command takes it.
    emit_json(json_text(link_schema()))
