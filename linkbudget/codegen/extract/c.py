"""Extractors in C99: header, source, and a program that shows their use."""

from __future__ import annotations

from linkbudget.codegen.c.banner import banner
from linkbudget.codegen.c.text import indented, quoted
from linkbudget.codegen.extract.c_array import ArrayText
from linkbudget.codegen.extract.c_binary import binary_files
from linkbudget.codegen.extract.c_common import CommonText
from linkbudget.codegen.extract.c_json import JsonText
from linkbudget.codegen.extract.c_words import WordsText
from linkbudget.codegen.extract.plan import make_plan
from linkbudget.codegen.extract.wanted import ALL, wanted_names
from linkbudget.codegen.extract.words_plan import make_words_plan
from linkbudget.codegen.spec import DirectionSpec

__all__ = ["extractor_files", "frame_files"]


def extractor_files(spec: DirectionSpec, fields: str = "") -> dict[str, str]:
    """Return the files with the names of the runtime; `TargetError` for what is not extracted.

    ``fields``: the wanted ones of delimited text and of JSON arrays, where every field has its place.
    """
    text: CommonText
    if spec.family == "delimited":
        words = make_words_plan(spec, wanted_names(spec, fields))
        text = WordsText(words.plan, words=words)
    elif spec.messages[0].encoding.name == "json-array":
        plan = make_plan(spec, wanted_names(spec, fields or ALL), lists=True)
        bits = {
            (m.place, slot.name): wanted.bit
            for m in plan.spec.messages
            for slot, wanted in zip(m.fields, plan.wanted_of(m), strict=True)
        }
        elements = tuple(tuple(bits.get((m.place, slot.name)) for slot in m.fields) for m in spec.messages)
        text = ArrayText(plan, elements=elements)
    else:
        text = JsonText(make_plan(spec, lists=True))
    what = "Picking the numbers out of the text of one direction of a serial link: C99 and C++."
    return {
        f"{spec.prefix}.h": text.header(banner(spec, what)),
        f"{spec.prefix}.c": text.source(banner(spec, f"See {spec.prefix}.h."), f"{spec.prefix}.h"),
        f"{spec.prefix}_example.c": _example(spec),
    }


def frame_files(spec: DirectionSpec, fields: str, table: bool) -> dict[str, str]:
    """Return the files of an extractor of packed messages; `TargetError` for fields without a fixed place."""
    return binary_files(spec, fields, table, _example(spec))


def _example(spec: DirectionSpec) -> str:
    message = spec.codec.messages[0]
    value = message.encoding.attain(message.layout, "typical")
    line = spec.codec.encode(message.name, value)
    name = spec.messages[0].ident
    if spec.family == "binary":
        text = f"{{{', '.join(f'0x{byte:02X}' for byte in line)}}}"
        length = f"{len(line)}u"
        sent, kind, byte = "frame", "uint8_t", "frame[i]"
    else:
        text, length = quoted(line.decode()).rsplit(", ", 1)
        sent, kind, byte = "line", "char", "(uint8_t)line[i]"
    lines = [
        "static lb_receiver receiver; /* in the controller */",
        f"static const {kind} {sent}[] = {text};",
        f"lb_{name}_t got;",
        "uint32_t now = 0u;",
        "size_t i;",
        "",
        "lb_start(&receiver, now);",
        "",
        f"for (i = 0u; i < {length}; i++) {{",
        "    now++;",
        f"    (void)lb_push(&receiver, {byte}, now); /* as a receive interrupt would */",
        "}",
        "",
        f"if (lb_take_{name}(&receiver, &got) == 0) {{",
        '    puts("nothing arrived");',
        "    return 1;",
        "}",
        f'printf("{name} arrived, %lu ticks ago\\n", (unsigned long)lb_age(&receiver, now + 5u));',
        "return 0;",
    ]
    body = "\n".join(indented(lines))
    return "\n".join(
        [
            banner(spec, f"How {spec.prefix}.h is used: cc -std=c99 {spec.prefix}_example.c {spec.prefix}.c"),
            f'#include "{spec.prefix}.h"\n\n#include <stdio.h>\n',
            f"int main(void)\n{{\n{body}\n}}\n",
        ]
    )
