"""The C99 target."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

from linkbudget.codegen.spec import DirectionSpec
from linkbudget.errors import TargetError

__all__ = ["CTarget"]


class CTarget:
    """C99 (and C++): ``PREFIX.h`` and ``PREFIX.c``."""

    name: ClassVar[str] = "c"
    reserved: ClassVar[frozenset[str]] = frozenset({"int"})
    options: ClassVar[Mapping[str, tuple[str, ...]]] = {"check": ("small", "table")}

    def generate(self, spec: DirectionSpec, options: Mapping[str, str]) -> dict[str, str]:
        """Return header and source."""
        raise TargetError(f"{spec.direction}: the C target is not written yet")
