"""``rig://NAME/END``: an end of a virtual link, found by pyserial under the name of this module."""

from linkbudget.rig.port import VirtualPort as Serial

__all__ = ["Serial"]
