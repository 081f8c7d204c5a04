"""The states of an extractor in C: functions for one byte, and the function that calls them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from linkbudget.codegen.c.text import chosen, literal
from linkbudget.codegen.extract.plan import ExtractPlan

__all__ = [
    "PUSH_CHECKED",
    "State",
    "chosen",
    "declared",
    "number_macros",
    "push_text",
    "read_states",
    "state_functions",
]

STATE = re.compile(r"^STATE\((\w+)\)\n\{\n(.*?)^\}\n", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True)
class State:
    """A state: its name, the statements of its body, and the text in front of it."""

    name: str
    body: str
    before: str = ""


def read_states(text: str) -> Iterator[State]:
    """Yield the states of a runtime file, whose conditions are chosen already."""
    at = 0
    for found in STATE.finditer(text):
        before = text[at : found.start()].strip("\n")
        # What stands before the first one says what they all are.
        about = before.rpartition("\n\n")[2] if before.startswith("/*") else before
        yield State(found[1], found[2], f"{about}\n" if about else "")
        at = found.end()


def number_macros(plan: ExtractPlan) -> Iterator[str]:
    """Yield the constants with which digits are made numbers."""
    bits = plan.bits
    kind = f"uint{bits}_t"
    yield f"#define LB_BITS {bits}"
    yield f"#define LB_TOP {bits - 4}"
    yield f"#define LB_FIFTH {literal(pow(5, -1, 1 << bits), kind)} /* times 5 it is 1, modulo 2^{bits} */"
    yield f"#define LB_TENTH {literal(((1 << bits) - 1) // 10, kind)}"
    yield "#define LB_MARK(field) ((lb_marks)((lb_marks)1u << (field)))"


HEAD = "(lb_receiver *state, uint_fast8_t byte)"


def declared(states: Iterable[State]) -> str:
    """Return the prototypes of the states."""
    return "\n".join(f"static uint_fast8_t lb_at_{state.name}{HEAD};" for state in states) + "\n"


def state_functions(states: Iterable[State], before: str) -> Iterator[str]:
    """Yield what the states need, and the functions themselves."""
    yield before.rstrip("\n") + "\n"
    for state in states:
        yield f"{state.before}static uint_fast8_t lb_at_{state.name}{HEAD}\n{{\n{state.body}}}\n"


def push_text(asked: str, checked: bool) -> str:
    """Return the declarations of the states and the function that takes a byte, or its declaration.

    ``asked``: the constants of what states ask for.
    """
    head = "lb_status lb_push(lb_receiver *state, uint8_t byte, uint32_t now)"
    private = (
        f"{RARE}/* Private: what states ask for, and the function that does it. */\n{ASKED}{asked}\n"
        "lb_status lb_settle(lb_receiver *state, uint8_t byte, uint_fast8_t what, uint32_t now);\n\n"
    )
    if checked:
        return f"{private}{PUSH_ABOUT}{head};\n"
    return f"{private}{PUSH_ABOUT}static inline {head}\n{PUSH}"


ASKED = """\
#define LB_DO_NOTHING 0u
#define LB_DO_AGAIN 1u
#define LB_DO_END 2u
#define LB_DO_REFUSE 8u
#define LB_DO_TOO_LONG (LB_DO_REFUSE + LB_TOO_LONG)
"""
PUSH_ABOUT = """\
/* Takes one byte and tells what it led to: a message is there only at the end of its line. May be called from
   an interrupt handler, while the loop calls the lb_take functions and lb_age(). Work per byte is bounded. */
"""
PUSH_CHECKED = """\
{
    lb_status status = LB_NOTHING;
    uint_fast8_t what;

    state->length++;
    what = state->at(state, byte);
    if (what != LB_DO_NOTHING) {
        status = lb_settle(state, byte, what, now);
    }
    if (byte != LB_END && state->digits == 0u) {
        state->check = lb_check_step(state->check, byte);
    }
    return status;
}
"""
PUSH = """\
{
    uint_fast8_t what;

    state->length++;
    what = state->at(state, byte);
    if (LB_RARE(what != LB_DO_NOTHING)) {
        what = (uint_fast8_t)lb_settle(state, byte, what, now);
    }
    return (lb_status)what;
}
"""
RARE = """\
/* Tells the compiler what seldom happens. */
#ifndef LB_RARE
#if defined(__GNUC__)
#define LB_RARE(condition) __builtin_expect((condition) != 0, 0)
#else
#define LB_RARE(condition) (condition)
#endif
#endif
"""
