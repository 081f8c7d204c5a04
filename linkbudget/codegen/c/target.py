"""The C99 target: ``PREFIX.h``, ``PREFIX.c``, and a short program that shows their use."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Collection, Mapping
from itertools import chain
from typing import ClassVar

from linkbudget.codegen.c.example import example
from linkbudget.codegen.c.framing import Framing
from linkbudget.codegen.c.header import header
from linkbudget.codegen.c.source import source
from linkbudget.codegen.c.words import RESERVED
from linkbudget.codegen.extract.wanted import with_fields
from linkbudget.codegen.spec import DirectionSpec
from linkbudget.codegen.target import ANY_TEXT, DELIMITINGS
from linkbudget.codegen.vectors import vectors_text
from linkbudget.errors import TargetError
from linkbudget.message.encodings.delimited import Delimited
from linkbudget.message.encodings.packed_bits import PackedBits
from linkbudget.message.encodings.packed_bytes import PackedBytes

__all__ = ["CTarget"]

INCLUDED = ("stddef", "stdint", "stdio", "string")
"""Headers of C that generated sources include: with ``-I`` one of ours would be found in their place."""

TYPES = re.compile(r"^\} (\w+);", re.MULTILINE)
MACROS = re.compile(r"^#define (\w+) ", re.MULTILINE)  # none with parameters: those have two forms
CONSTANTS = re.compile(r"^    (\w+) = \d+,? /\*", re.MULTILINE)
FUNCTIONS = re.compile(r"^[a-z][\w ]*[ *](\w+)\(", re.MULTILINE)


class CTarget:
    """C99, which is also C++: no allocation, no globals, no recursion.

    ``check``: ``small`` computes the check without a table, or with one of 16 entries; ``table`` takes one of
    256 entries, which is faster and larger. ``fields``: the wanted fields, between commas, ``*`` for all:
    then an extractor is made, which only receives, and lets other fields be anything; JSON always has one.
    """

    name: ClassVar[str] = "c"
    reserved: ClassVar[frozenset[str]] = RESERVED
    options: ClassVar[Mapping[str, tuple[str, ...]]] = {"check": ("small", "table"), "fields": ANY_TEXT}
    delimitings: ClassVar[Collection[str]] = DELIMITINGS

    def generate(self, spec: DirectionSpec, options: Mapping[str, str]) -> dict[str, str]:
        """Return header, source, example and test vectors; `TargetError` for what C cannot express."""
        if spec.prefix in INCLUDED:
            raise TargetError(
                f"prefix: {spec.prefix!r} would hide the header {spec.prefix}.h of C; take another one"
            )
        whole = spec
        fields = options.get("fields", "")
        if spec.family == "json" or (fields and spec.family == "delimited"):
            from linkbudget.codegen.extract.c import extractor_files

            spec = with_fields(spec, fields, self.reserved) if spec.family == "json" else spec
            return self._finished(extractor_files(spec, fields), whole)
        for message in spec.messages:
            if not isinstance(message.encoding, PackedBits | PackedBytes | Delimited):
                allowed = "packed-bits, packed-bytes, delimited, json-object, json-array"
                raise TargetError(
                    f"{message.name}.encoding: target c does not write {message.encoding.name}; "
                    f"allowed: {allowed}"
                )
        if fields:
            from linkbudget.codegen.extract.c import frame_files

            return self._finished(frame_files(spec, fields, options["check"] == "table"), whole)
        framing = Framing(spec, options["check"] == "table")
        files = {
            f"{spec.prefix}.h": header(spec, framing),
            f"{spec.prefix}.c": source(spec, framing),
            f"{spec.prefix}_example.c": example(spec),
        }
        return self._finished(files, whole)

    @staticmethod
    def _finished(files: dict[str, str], spec: DirectionSpec) -> dict[str, str]:
        made = {name: _prefixed(text, spec.prefix) for name, text in files.items()}
        _refuse_doubles(made[f"{spec.prefix}.h"], made[f"{spec.prefix}.c"])
        return {**made, "vectors.json": vectors_text(spec)}


def _prefixed(text: str, prefix: str) -> str:
    """Return the text with the names of the runtime under the prefix of this direction."""
    text = re.sub(r"\blb_", f"{prefix}_", text)
    return re.sub(r"\bLB_", f"{prefix.upper()}_", text)


def _refuse_doubles(header: str, text: str) -> None:
    """Names are made of several parts and could meet: ``a`` + ``b_c`` and ``a_b`` + ``c``.

    Or one of the link meets one of the runtime: the type of ``take_beans`` and the function of ``beans_t``.
    """
    found = [TYPES.findall(header), TYPES.findall(text), MACROS.findall(header), CONSTANTS.findall(header)]
    # A function is declared and defined; a macro of the source may have two forms.
    found += [list(set(FUNCTIONS.findall(header + text))), list(set(MACROS.findall(text)))]
    double = [name for name, times in Counter(chain(*found)).items() if times > 1]
    if double:
        raise TargetError(f"{double[0]}: two things get this name in C; rename a message, field or word")
