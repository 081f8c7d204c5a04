"""The target ``micropython``: by default a module that allocates nothing, or one on built-ins alone."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import ClassVar

from linkbudget.codegen.extract.wanted import with_fields
from linkbudget.codegen.micropython import plain_module
from linkbudget.codegen.micropython.plain_style import reserved_words
from linkbudget.codegen.plain.expressible import refuse_foreign, refuse_hiding
from linkbudget.codegen.spec import DirectionSpec, Real, leaves
from linkbudget.codegen.target import ANY_TEXT, DELIMITINGS
from linkbudget.codegen.vectors import vectors_text
from linkbudget.errors import TargetError

__all__ = ["MicroPythonTarget"]


class MicroPythonTarget:
    """``form``: ``viper`` allocates nothing once it is made; ``builtins`` also runs in CPython.

    ``fields``: the wanted fields, between commas, ``*`` for all: for delimited text and binary frames this
    makes an extractor, which only receives; JSON has one in any case. Of text it allocates nothing in either
    form.
    """

    name = "micropython"
    reserved = reserved_words()
    options: ClassVar[Mapping[str, tuple[str, ...]]] = {"form": ("viper", "builtins"), "fields": ANY_TEXT}
    delimitings: ClassVar[Collection[str]] = DELIMITINGS

    def generate(self, spec: DirectionSpec, options: Mapping[str, str]) -> dict[str, str]:
        """Return the module and its test vectors; `TargetError` for what it cannot write."""
        refuse_hiding(spec)
        whole = spec
        fields = options.get("fields", "")
        if fields and spec.family == "delimited":
            from linkbudget.codegen.extract.micropython_words import words_module_text

            text = words_module_text(spec, fields, options.get("form") != "builtins")
            return {f"{spec.prefix}.py": text, "vectors.json": vectors_text(whole)}
        if fields and spec.family == "binary":
            from linkbudget.codegen.extract.micropython_frames import frames_module_text

            text = frames_module_text(spec, fields, options.get("form") != "builtins")
            return {f"{spec.prefix}.py": text, "vectors.json": vectors_text(whole)}
        spec = with_fields(spec, fields, self.reserved)
        if spec.family == "json":
            from linkbudget.codegen.extract.micropython import module_text

            text = module_text(spec, options.get("form") != "builtins", fields)
            return {f"{spec.prefix}.py": text, "vectors.json": vectors_text(whole)}
        refuse_foreign(spec, self.name, ("json-object", "json-array"))
        if options.get("form") == "builtins":
            _refuse_real_words(spec)
            text = plain_module.module_text(spec)
        else:
            from linkbudget.codegen.micropython import viper_module

            text = viper_module.module_text(spec)
        return {f"{spec.prefix}.py": text, "vectors.json": vectors_text(spec)}


def _refuse_real_words(spec: DirectionSpec) -> None:
    if spec.family != "delimited":
        return
    for message in spec.messages:
        for leaf in leaves(message.fields):
            if isinstance(leaf, Real):
                reason = (
                    "how a real number is printed differs between ports; a scaled field is the same on all"
                )
                raise TargetError(f"{leaf.path}: cannot be written as text by target micropython: {reason}")
