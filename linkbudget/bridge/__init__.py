"""Declarations of the library `construct` in and out: the same bytes, parsed both ways."""

from __future__ import annotations

from linkbudget.bridge.incoming import Bridge, bridge_construct, layout_from_construct
from linkbudget.bridge.outgoing import layout_to_construct

__all__ = ["Bridge", "bridge_construct", "layout_from_construct", "layout_to_construct"]
