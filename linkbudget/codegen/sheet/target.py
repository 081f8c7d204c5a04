"""The target ``sheet``: what somebody needs who writes the other end without this library."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import ClassVar

from linkbudget.codegen.banner import generator_version
from linkbudget.codegen.sheet.fields import messages_section
from linkbudget.codegen.sheet.framing import damage_section, frame_section
from linkbudget.codegen.sheet.tables import table
from linkbudget.codegen.sheet.timing import timing_section
from linkbudget.codegen.sheet.worked import worked_section
from linkbudget.codegen.spec import DirectionSpec
from linkbudget.codegen.status import STATUS_FIELDS, is_status
from linkbudget.codegen.target import DELIMITINGS
from linkbudget.codegen.vectors import vectors_text

__all__ = ["CAUTIONS", "SheetTarget"]

CAUTIONS = (
    "Every verdict about this link is of a model, not of the mechanism.",
    "Try a new codec with the linkage off or the motor supply off; give the motor supply an emergency stop.",
    "Joints can pinch, and can drop when power goes.",
    "Define the safe state and enter it when fresh data stop: receivers tell the age of the last message.",
    "Lithium batteries need a matched charger, protection, a fuse and a low-voltage cut-off. They are "
    "neither charged nor run down unattended or covered.",
    "Light sources that help the camera (strobes, infrared, lasers) follow their class labels.",
    "Probe only isolated low voltage, with a common ground and matching logic levels."
    " Mains is for licensed people.",
    "Keep children and bystanders away from moving parts.",
    "A check code and a replay are no safety function. Where people can be hurt, local codes and licensed "
    "practice decide.",
)


class SheetTarget:
    """One page: fields with places, framing, check, worked frames, timing, damage, cautions."""

    name = "sheet"
    reserved: frozenset[str] = frozenset()
    options: ClassVar[Mapping[str, tuple[str, ...]]] = {}
    delimitings: ClassVar[Collection[str]] = DELIMITINGS

    def generate(self, spec: DirectionSpec, options: Mapping[str, str]) -> dict[str, str]:
        """Return the page and its test vectors."""
        sections = [
            f"# Interface {spec.direction}",
            _glance(spec),
            messages_section(spec),
            frame_section(spec),
            worked_section(spec),
            timing_section(spec),
            damage_section(spec),
            _status(spec),
            "## Cautions\n\n" + "\n".join(f"- {line}" for line in CAUTIONS),
        ]
        text = "\n\n".join(section for section in sections if section) + "\n"
        return {f"{spec.prefix}.md": text, "vectors.json": vectors_text(spec)}


def _status(spec: DirectionSpec) -> str:
    """How the status message is filled, where the direction has one."""
    rows = [(f"`{one.name}`", one.meaning, f"`{one.viper}`", f"`{one.c}`") for one in STATUS_FIELDS]
    how = (
        "carries what the receiver of the other direction has counted, so that a prediction can be held "
        "against it. Counters wrap after 65535, the last two stay there. In Python, "
        "`receiver.counters.status()` is the list of its values; in viper, `receiver.status(values)` writes "
        "them; in C, where LB stands for the prefix, each is got as below (extractors of text count neither "
        "unknown, lost nor superseded messages: send 0)."
    )
    head = ("Field", "Counts", "Viper", "C")
    named = [message.name for message in spec.messages if is_status(message)]
    return "\n\n".join(f"## Status message\n\n`{name}` {how}\n\n{table(head, rows)}" for name in named)


def _glance(spec: DirectionSpec) -> str:
    fmt = spec.fmt
    rows = [("Messages", ", ".join(f"`{message.name}`" for message in spec.messages))]
    if spec.link is not None:
        line = spec.link.line
        rows.append(("Line", f"{line}, {float(line.bits_per_character):g} bits a character"))
    rows += [
        ("Frames", fmt.delimiting),
        ("Check", fmt.check.name if fmt.check is not None else "none"),
        ("Sequence byte", "yes" if fmt.sequence else "no"),
        ("Layout id", "none" if fmt.layout_id is None else f"{fmt.layout_id} (both ends must have the same)"),
        ("Longest payload", f"{fmt.max_payload} bytes"),
        ("Longest frame", f"{spec.max_frame} bytes on the wire"),
        ("Test vectors", "`vectors.json`: values with their frames, damaged frames, a stream"),
    ]
    note = f"Written by linkbudget {generator_version()} from the description of the link."
    return table(("", ""), rows) + f"\n\n{note} Bytes in `code` are hexadecimal."
