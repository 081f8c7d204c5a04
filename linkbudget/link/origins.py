"""Where each number of a link comes from: measured, a preset, or assumed.

Honest by default: a number typed into the link file is *assumed* unless the ``source`` of its section begins
with the word "measured". A number nobody gave is assumed, too.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from linkbudget.link.presets import receiver_numbers

if TYPE_CHECKING:
    from linkbudget.link.model import Link

__all__ = ["COSTS", "numbers_from"]

COSTS: dict[str, tuple[str, ...]] = {
    "sender": ("capture_to_send_us", "gap_us", "jitter_us"),
    "receiver": ("latency_us", "interrupt_entry_us", "interrupt_byte_us"),
    "loop": ("work_us",),
    "parser": (
        "read_call_us",
        "byte_us",
        "message_us",
        "message_byte_us",
        "pause_us",
        "pause_every_bytes",
    ),
    "reading": ("skip_byte_us",),
    "transmit": ("per_message_us",),
}
# What passing over a byte costs is measured with the parser.
SOURCE_OF = {"reading": "parser"}


def numbers_from(link: Link) -> dict[str, str]:
    """Return ``measured``, ``preset`` or ``assumed`` for the key path of every cost."""
    found = {}
    for section, keys in COSTS.items():
        source = getattr(getattr(link, SOURCE_OF.get(section, section)), "source", "")
        word = _word(source)
        for key in keys:
            given = getattr(getattr(link, section), key) not in (None, 0)
            found[f"{section}.{key}"] = word if given else "assumed"
    _, origins = receiver_numbers(link.receiver, link.line)
    words = {"given": _word(link.receiver.source), "preset": "preset", "default": "assumed"}
    found |= {f"receiver.{key}": words[origin] for key, origin in origins.items()}
    return found | {f"busy[{index}].length_us": "assumed" for index in range(len(link.busy))}


def _word(source: str) -> str:
    return "measured" if source.strip().lower().startswith("measured") else "assumed"
