"""Worked frames: values and every step from them to the bytes on the wire."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from linkbudget.codegen.sheet.tables import spaced, table
from linkbudget.codegen.spec import DirectionSpec, MessageSpec
from linkbudget.codegen.vectors import vectors

__all__ = ["worked_section"]

SHOWN = ("typical", "minimum", "maximum")


def worked_section(spec: DirectionSpec) -> str:
    """Return the section of worked frames: of each message the typical one step by step, and its extremes."""
    good = vectors(spec)["good"]
    parts = ["## Worked frames"]
    for message in spec.messages:
        chosen = {v["what"]: v for v in reversed(good) if v["message"] == message.name and v["what"] in SHOWN}
        parts += [_worked(spec, message, chosen[what]) for what in SHOWN if what in chosen]
    return "\n\n".join(parts)


def _worked(spec: DirectionSpec, message: MessageSpec, vector: Mapping[str, Any]) -> str:
    fmt = spec.fmt
    payload, frame = bytes.fromhex(vector["payload"]), bytes.fromhex(vector["frame"])
    body = fmt.envelope.wrap(payload, vector["sequence"] or 0)
    lead = body[: fmt.envelope.lead_bytes]
    rows = [("Payload", spaced(payload))]
    if spec.family != "binary":
        rows[0] = ("Payload, as text", f"`{payload.decode()}`")
    if lead:
        rows.append(("Sequence and layout id in front" if len(lead) == 2 else "Byte in front", spaced(lead)))
    if fmt.check is not None:
        rows.append(("Check", spaced(body[len(body) - fmt.check_bytes :])))
    rows.append(("On the wire", spaced(frame)))
    values = ", ".join(f"{name} {_shown(value)}" for name, value in vector["value"].items())
    return f"### `{message.name}`, {vector['what']}\n\n{values}\n\n" + table(("Step", "Bytes"), rows)


def _shown(value: Any) -> str:
    if isinstance(value, Mapping):
        if value.keys() == {"hex"}:
            return spaced(bytes.fromhex(value["hex"]))
        return "{" + ", ".join(f"{name} {_shown(part)}" for name, part in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_shown, value)) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return (
        f"{value}"
        if not isinstance(value, float)
        else f"{value:g}"
        if float(f"{value:g}") == value
        else repr(value)
    )
