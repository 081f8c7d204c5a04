"""``linkbudget choose``: the message formats a link could have, ranked, and send policies on a recording."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from linkbudget.cli.capture_input import (
    INPUT_FILE,
    CaptureInput,
    capture_options,
    direction_option,
    json_option,
)
from linkbudget.cli.marker_input import recorded_characters
from linkbudget.cli.measured_costs import measured_if_it_can_be
from linkbudget.cli.output import Notes, emit_document, emit_page, progress_bar
from linkbudget.cli.requirements import check_asked, exit_code, requirement_options, write_junit

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.study.policies import PolicyStudy
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["command"]


@click.command("choose")
@click.argument("link", type=INPUT_FILE)
@click.argument("capture", type=INPUT_FILE, required=False)
@capture_options
@direction_option("Whose messages get a format; default: those to the controller, where there are any.")
@click.option(
    "--policy",
    "policies",
    multiple=True,
    metavar="TEXT",
    help="Also try when to send, on CAPTURE: every, moved:a=0.4, 'limit:score>75,hysteresis=5', "
    "best:beans=3,by=score, request:0.1 (seconds). May be given several times.",
)
@click.option("--message", metavar="NAME", help="Message the policies send; default: the first of the link.")
@click.option(
    "--label", metavar="FIELD=VALUE", help="What a true alarm has, to count misses and false alarms by."
)
@click.option("--brief", is_flag=True, help="Show the ranking and the reasons alone.")
@requirement_options
@json_option
@click.pass_obj
def command(
    notes: Notes,
    link: Path,
    capture: Path | None,
    given: CaptureInput,
    direction: str | None,
    policies: tuple[str, ...],
    message: str | None,
    label: str | None,
    brief: bool,
    require: bool,
    junit: Path | None,
    as_json: bool,
) -> int:
    """Rank the formats that the messages described in LINK could have.

    With CAPTURE, a recording of the link as it is, sizes are those of the recorded messages.
    """
    from linkbudget.link.model import Link
    from linkbudget.study.choose import choose_format

    if (label or message) and not policies:
        raise click.UsageError("--label and --message concern send policies; --policy names one")
    if policies and capture is None:
        raise click.UsageError("--policy needs a CAPTURE: policies are tried on recorded messages")
    described = Link.load(link)
    check_asked(described, require, (link, capture), junit=junit)
    described, measure = measured_if_it_can_be(described, notes)
    characters = None if capture is None else recorded_characters(capture, given, described)
    study = None
    if characters is not None and policies:
        study = tried(described, characters, policies, message, label)
    with progress_bar("measuring candidates") as progress:
        choice = choose_format(described, characters, direction=direction, measure=measure, progress=progress)
    document = {**choice.to_dict(), "policies": study.to_dict() if study is not None else None}
    write_junit(junit, document, link, capture)
    if as_json:
        emit_document(document, notes)
    else:
        from linkbudget.report.choose_page import choose_page

        emit_page(choose_page(document, brief))
        for text in document["warnings"]:
            notes.add(text)
    return exit_code(document, described, require, notes)


def tried(
    link: Link, capture: ByteCapture, policies: tuple[str, ...], message: str | None, label: str | None
) -> PolicyStudy:
    """Return the send policies written in words, tried on a recording."""
    from linkbudget.study.policies import send_policies
    from linkbudget.study.policy_kinds import policy

    labels = None if label is None else label_of(label)
    return send_policies(link, capture, [policy(text) for text in policies], message=message, labels=labels)


def label_of(text: str) -> tuple[str, object]:
    """Return field and value of ``kind=stone``; numbers and true and false as in JSON, else a word."""
    field, equals, value = text.partition("=")
    if not equals:
        raise click.UsageError(f"--label: {text!r} names no value; expected FIELD=VALUE, as in kind=stone")
    try:
        return field.strip(), json.loads(value)
    except json.JSONDecodeError:
        return field.strip(), value.strip()
