"""What-if: a recording replayed under each change alone, then under sets of changes, and the headroom left.

Theory. A row is one change of the link (`whatif_changes`), replayed against the recording; where the change
concerns what is on the wire, the recording is sent again as the changed sender would have sent it
(`resending`). Every row equals a replay of the edited link file, since that is what is replayed. Rows are
judged by the requirements of the link file, with the loop's own phase alone unless more are asked for; the
sets found, and the link as it is, are replayed again over 16 phases. `whatif_sets` says how sets are
searched, `headroom` how far the answer is from failing.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from typing import Any

from linkbudget.errors import Fault, SettingsError, unknown_name
from linkbudget.link.model import Link
from linkbudget.link.resolve import MeasureParser
from linkbudget.study.policy_kinds import Policy, policy
from linkbudget.study.resending import DIRECTION, Sending
from linkbudget.study.whatif_changes import Change, builtin_changes, with_costs
from linkbudget.study.whatif_result import RULES, WhatIf
from linkbudget.study.whatif_sets import FoundSet, SetSearch, order_key, search_sets
from linkbudget.study.whatif_study import Progress, Study
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import Number

__all__ = ["MAX_CHANGES", "MAX_SETS", "RULES", "WhatIf", "whatif"]

MAX_CHANGES = 3
MAX_SETS = 40


def whatif(
    link: Link,
    capture: ByteCapture,
    changes: Mapping[str, Mapping[str, Any]] | None = None,
    *,
    policies: Sequence[Policy | str] | None = None,
    message: str | None = None,
    max_baudrate: Number | None = None,
    phases: int = 0,
    max_changes: int = MAX_CHANGES,
    max_sets: int = MAX_SETS,
    with_headroom: bool = True,
    measure: MeasureParser | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> WhatIf:
    """Return what each change alone, and the smallest set of changes, does to a recording.

    ``changes`` maps a name to keys of the link file and their values, as `Link.replace` takes them; one with
    the name of a change of the list takes its place. ``policies`` are tried in place of those made from the
    layouts, for ``message`` (default: the first to the controller). ``max_baudrate``: highest baud rate tried
    (default: what the clocks of both ends allow where the link describes them, else 921600). ``phases``:
    placements of the loop beside its own, for each row. ``max_changes``: size of the largest set tried;
    ``max_sets``: most sets of one size tried. ``with_headroom``: the headroom of what is found is searched
    for as well. ``measure`` gives the numbers of ``[parser]`` for a link in another format, which otherwise
    keeps those of the present one. ``executor``: one of `concurrent.futures`; without it all is worked out
    here. ``progress`` is called with (replays done, replays in all as far as they are known).

    Raises `CaptureError` when no message of the link is in the capture, `SettingsError` for a link without a
    loop, and with every fault of ``changes`` and ``policies``.
    """
    _check(link, capture)
    given = _given(link, changes)
    sendings = _sendings(link, policies, message)
    study = Study(link, capture, phases, executor, progress)
    present = study.present()
    built_in = builtin_changes(link, max_baudrate=max_baudrate, sendings=sendings)
    listed = [*(with_costs(link, change, measure) for change in built_in), *given]
    named = {change.name for change in given}
    listed = [change for change in listed if change in given or change.name not in named]
    rows = study.rows([(change, (change.name,)) for change in listed])
    singles = [(change, row) for change, row in zip(listed, rows, strict=True) if row.applies]
    sets: list[FoundSet] = []
    search = None
    assert present.figures is not None
    if present.met is False:
        search = SetSearch(present.figures, singles, study.rows, max_changes, max_sets)
        sets = [study.confirmed(found) for found in search_sets(search)]
    tried = [row for row in search.known.values() if row.applies and len(row.members) > 1] if search else []
    result = WhatIf(
        link=link,
        capture=capture,
        present=present,
        rows=tuple(sorted((row for _, row in singles), key=order_key)),
        left_out=tuple(row for row in rows if not row.applies),
        sets=tuple(sets),
        tried=tuple(tried),
        headroom=None,
        numbers_from=dict(link.numbers_from()),
        warnings=tuple(study.warnings),
    )
    if with_headroom and present.met is not None:
        result = replace(result, headroom=study.headroom(result))
    return result


def _check(link: object, capture: object) -> None:
    for name, value, kind, made_by in (
        ("link", link, Link, "Link.load"),
        ("capture", capture, ByteCapture, "load_bytes"),
    ):
        if not isinstance(value, kind):
            allowed = f"a {kind.__name__}, as {made_by} gives it"
            raise SettingsError(Fault(name, type(value).__name__, allowed))


def _sendings(
    link: Link, policies: Sequence[Policy | str] | None, message: str | None
) -> list[Sending] | None:
    names = [message.name for message in link.codec(DIRECTION).messages]
    if message is not None and message not in names:
        raise SettingsError(unknown_name("message", message, names))
    if policies is None:
        return None
    name = message or names[0]
    layout = next(one.layout for one in link.messages if one.name == name)
    made = [policy(one) if isinstance(one, str) else one for one in policies]
    faults = [fault for one in made for fault in one.faults(layout)]
    if faults:
        raise SettingsError(faults)
    return [Sending(name, one) for one in made]


def _given(link: Link, changes: Mapping[str, Mapping[str, Any]] | None) -> list[Change]:
    """Return the changes a user gives; `SettingsError` carries every fault in them."""
    given = dict(changes or {})
    faults = [fault for name, edits in given.items() for fault in _edit_faults(link, name, edits)]
    if faults:
        raise SettingsError(faults)
    return [
        Change(str(name), f"own: {name}", dict(edits), cost="as you say") for name, edits in given.items()
    ]


def _edit_faults(link: Link, name: str, edits: object) -> Iterator[Fault]:
    if not isinstance(edits, Mapping) or not edits:
        yield Fault(
            f"changes.{name}", edits, "a table of key paths and values, such as {'loop.work_us': 900}"
        )
        return
    for path in edits:
        if str(path).startswith("require"):
            problem = "changes what the changes are judged by"
            yield Fault(f"changes.{name}.{path}", problem=problem, allowed="any key but those of [require]")
            return
    try:
        link.replace(**{str(path): value for path, value in edits.items()})
    except SettingsError as error:
        for fault in error.faults:
            yield replace(fault, path=f"changes.{name}.{fault.path}", file=None)
