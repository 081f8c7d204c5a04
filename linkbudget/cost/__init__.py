"""What receiving costs: emulated target cycles, measured parsers, and calibration from pass markers."""

from linkbudget.cost.resolving import resolve

__all__ = ["resolve"]
