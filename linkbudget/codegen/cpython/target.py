"""The target ``cpython``: one typed module on the standard library alone."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import ClassVar

from linkbudget.codegen.cpython.module import module_text
from linkbudget.codegen.cpython.style import reserved_words
from linkbudget.codegen.plain.expressible import refuse_foreign, refuse_hiding
from linkbudget.codegen.spec import DirectionSpec
from linkbudget.codegen.target import DELIMITINGS
from linkbudget.codegen.vectors import vectors_text
from linkbudget.errors import warn

__all__ = ["CPythonTarget"]


class CPythonTarget:
    """A dataclass with slots for each message, a receiver, ``encode``, and whole streams into NumPy."""

    name = "cpython"
    reserved = reserved_words()
    options: ClassVar[Mapping[str, tuple[str, ...]]] = {}
    delimitings: ClassVar[Collection[str]] = DELIMITINGS

    def generate(self, spec: DirectionSpec, options: Mapping[str, str]) -> dict[str, str]:
        """Return the module and its test vectors; `TargetError` for encodings it cannot write."""
        refuse_hiding(spec)
        refuse_foreign(spec, self.name)
        text, renamed = module_text(spec)
        for one in renamed:
            warn(str(one))
        return {f"{spec.prefix}.py": text, "vectors.json": vectors_text(spec)}
