"""A program that sends one message to itself: how the functions are called, and a test of a compiler."""

from __future__ import annotations

from linkbudget.codegen.c.banner import banner
from linkbudget.codegen.c.header import owner_of
from linkbudget.codegen.c.members import Members, element_fields, number_type
from linkbudget.codegen.c.text import indented, literal
from linkbudget.codegen.spec import DirectionSpec, Many, Maybe, Number, Octets, Real, Slot

__all__ = ["example"]


def example(spec: DirectionSpec) -> str:
    """Return a program that prints what came back; its exit code is 0 when the message arrived."""
    message = spec.messages[0]
    owner = owner_of(message.ident)
    members = Members(message.fields)
    setting = [line for slot in message.fields for line in _least(slot, members, "sent.")]
    args = ", 0u" if spec.fmt.sequence else ""
    lines = [
        "static lb_receiver receiver; /* in the controller */",
        "uint8_t frame[LB_MAX_FRAME];",
        f"{owner} sent;",
        f"{owner} got;",
        "uint32_t now = 0u;",
        "size_t length;",
        "size_t i;",
        "",
        "lb_start(&receiver, now);",
        "",
        "memset(&sent, 0, sizeof sent);",
        *setting,
        f"length = lb_encode_{message.ident}(&sent{args}, frame, sizeof frame);",
        "for (i = 0u; i < length; i++) {",
        "    now++;",
        "    (void)lb_push(&receiver, frame[i], now); /* as a receive interrupt would */",
        "}",
        "",
        f"if (lb_take_{message.ident}(&receiver, &got) == 0) {{",
        '    puts("nothing arrived");',
        "    return 1;",
        "}",
        f'printf("%lu bytes, {message.ident} arrived, %lu ticks ago\\n", (unsigned long)length,',
        "       (unsigned long)lb_age(&receiver, now + 5u));",
        "return 0;",
    ]
    text = "\n".join(indented(lines))
    return "\n".join(
        [
            banner(spec, f"How {spec.prefix}.h is used: cc -std=c99 {spec.prefix}_example.c {spec.prefix}.c"),
            f'#include "{spec.prefix}.h"\n\n#include <stdio.h>\n#include <string.h>\n',
            f"int main(void)\n{{\n{text}\n}}\n",
        ]
    )


def _least(slot: Slot, members: Members, to: str, depth: int = 0) -> list[str]:
    """Return statements that give a field a value it may have, where that is not zero."""
    at = f"{to}{slot.ident}"
    if isinstance(slot, Number):
        return _number(slot, at)
    if isinstance(slot, Real):
        return _real(slot, at)
    if isinstance(slot, Maybe) or (isinstance(slot, Octets) and not slot.shortest):
        return []
    if isinstance(slot, Octets):
        lines = [] if slot.shortest == slot.longest else [f"{to}{members.helper(slot)} = {slot.shortest}u;"]
        return [*lines, f"memset({at}, 'a', {slot.shortest}u);"]
    assert isinstance(slot, Many)
    return _many(slot, members, to, depth) if slot.fewest else []


def _number(number: Number, at: str) -> list[str]:
    return [f"{at} = {literal(number.low, number_type(number))};"] if number.low else []


def _real(real: Real, at: str) -> list[str]:
    value = min(max(0.0, real.low), real.high)
    return [f"{at} = {value!r}{'f' if real.width == 32 else ''};"] if value else []


def _many(many: Many, members: Members, to: str, depth: int) -> list[str]:
    index = f"i{depth}"
    at = f"{to}{many.ident}[{index}]"
    item = many.item
    if isinstance(item, Number):
        body = _number(item, at)
    elif isinstance(item, Real):
        body = _real(item, at)
    else:
        inner = element_fields(many) or ()
        body = [line for slot in inner for line in _least(slot, Members(inner), f"{at}.", depth + 1)]
    lines = [] if many.fewest == many.most else [f"{to}{members.helper(many)} = {many.fewest}u;"]
    if not body:
        return lines
    head = f"for (size_t {index} = 0u; {index} < {many.fewest}u; {index}++) {{"
    return [*lines, head, *indented(body), "}"]
