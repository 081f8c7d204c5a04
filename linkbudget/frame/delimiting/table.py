"""The delimitings by name. Adding one is adding a file and a row."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from linkbudget.frame.delimiting.cobs import Cobs
from linkbudget.frame.delimiting.counted import Counted
from linkbudget.frame.delimiting.hdlc import Hdlc
from linkbudget.frame.delimiting.newline import Newline
from linkbudget.frame.delimiting.none import Undelimited
from linkbudget.frame.delimiting.protocol import Kind
from linkbudget.frame.delimiting.slip import Slip

__all__ = ["DELIMITINGS"]

DELIMITINGS: Mapping[str, Kind] = MappingProxyType(
    {
        "cobs": Kind(Cobs, frozenset({"leading_delimiter"})),
        "slip": Kind(Slip, frozenset({"leading_delimiter"})),
        "hdlc": Kind(Hdlc, frozenset({"leading_delimiter", "async_map"})),
        "newline": Kind(Newline, frozenset({"terminator"})),
        "counted": Kind(
            Counted, frozenset({"sync", "length_bytes", "length_order", "length_counts", "header_check"})
        ),
        "none": Kind(Undelimited),
    }
)
