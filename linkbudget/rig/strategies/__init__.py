"""Strategies for hypothesis: lines, layouts, messages, framed streams with damage, chunkings, whole links.

For tests of one's own: ``from linkbudget.rig import strategies``. hypothesis must be installed (it comes with
``pip install linkbudget[rig]``).
"""

from linkbudget.rig.strategies.layouts import field_values, layouts, message_values
from linkbudget.rig.strategies.lines import chunkings, uart_lines
from linkbudget.rig.strategies.links import frame_formats, links
from linkbudget.rig.strategies.streams import Damaged, FramedStream, damaged, framed_streams, messages_of

__all__ = [
    "Damaged",
    "FramedStream",
    "chunkings",
    "damaged",
    "field_values",
    "frame_formats",
    "framed_streams",
    "layouts",
    "links",
    "message_values",
    "messages_of",
    "uart_lines",
]
