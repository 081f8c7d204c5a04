"""Repeats in extractors of JSON in C: their elements are judged one by one, and held until the line ends.

Where elements are looked for is a level of its own, as it is for the keys of a message. The marks of an
element's fields are cleared when it begins and judged when it ends; then its repeat has one more, or is
marked as wrong. What is held is copied with the other fields of the message, when the line is over.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from linkbudget.codegen.c.members import Members, count_type, element_type, number_type
from linkbudget.codegen.c.text import comment, indented, literal
from linkbudget.codegen.extract.c_common import CommonText, runtime
from linkbudget.codegen.extract.plan import WantedList
from linkbudget.codegen.spec import Many, Maybe, Number, Record, Slot

__all__ = ["ListsText", "kept_list", "list_members"]


def list_members(text: CommonText) -> list[str]:
    """Return the members of the receiver that hold elements, and how many there are."""
    made = []
    for wanted in text.plan.lists:
        many = wanted.many
        owner = f"lb_{text.plan.spec.messages[wanted.message].ident}"
        made.append(f"{count_type(many.most)} many_{wanted.place};")
        held = f"{_type(many, owner)} held_{wanted.place}[{many.most}];"
        made.append(f"{held} /* elements of {comment(many.path)}, until the line ends */")
    return made


def _type(many: Many, owner: str) -> str:
    return number_type(many.item) if isinstance(many.item, Number) else element_type(many, owner)


def kept_list(slot: Slot, wanted: WantedList, members: Members, to: str, there: str) -> list[str]:
    """Return the statements that copy what is held into the members that ``to`` leads to.

    ``there``: whether an optional repeat is there.
    """
    many = wanted.many
    bound = literal(many.most, "uint16_t")
    lines: list[str] = []
    if isinstance(slot, Maybe):
        lines.append(f"{to}{members.helper(slot)} = {there} ? 1u : 0u;")
    if many.fewest != many.most:
        bound = f"{to}{members.helper(many)}"
        count = f"state->many_{wanted.place}"
        lines.append(f"{bound} = {f'{there} ? {count} : 0u' if isinstance(slot, Maybe) else count};")
    copy = f"{to}{many.ident}[i] = state->held_{wanted.place}[i];"
    loop = [f"for (i = 0u; i < {bound}; i++) {{", f"    {copy}", "}"]
    if isinstance(slot, Maybe) and many.fewest == many.most:
        loop = [f"if ({there}) {{", *indented(loop), "}"]
    return lines + loop


class ListsText:
    """The functions of all repeats of one direction; ``keys`` are the states that look for those of elements.

    Without ``keys`` elements are arrays of their fields in order.
    """

    def __init__(self, text: CommonText, keys: dict[int, str] | None) -> None:
        self.text, self.keys = text, keys
        self.lists = text.plan.lists
        self.plains = [many for many in self.lists if many.plain]
        self.records = [many for many in self.lists if not many.plain]

    def functions(self) -> Iterator[str]:
        """Yield the functions that the states of the grammar call."""
        for many in self.lists:
            yield self._judged(many)
        yield runtime("lists_before")
        yield self._function(
            "The repeat has no elements yet.",
            "no_items",
            self.lists,
            lambda many: [f"state->many_{many.place} = 0u;"],
        )
        about = "An element comes next."
        yield self._function(about, "item", self.lists, self._item)
        if self.records:
            about = "The fields of an element come, and none of them was there yet."
            yield self._function(about, "item_open", self.records, self._opened)
            if self.keys is None:
                about = "The next field of an element."
                yield self._function(about, "part", self.records, self._part)
            about = "An element is over: it is kept, or its repeat is wrong."
            yield self._function(about, "record_over", self.records, self._record_over, apart=True)
        if self.plains:
            about = "A number, choice or flag that is an element is over, if there was one: kept, or wrong."
            yield self._function(about, "plain_over", self.plains, self._plain_over, apart=True)
        yield runtime("lists")

    def _function(
        self,
        about: str,
        name: str,
        lists: Sequence[WantedList],
        lines_of: Callable[[WantedList], list[str]],
        apart: bool = False,
    ) -> str:
        """Return a function that does the right thing for the repeat that is read."""
        # Records alone have a beginning and an end of their own.
        every = len(lists) == len(self.lists) or not lists[0].plain
        lines: list[str] = []
        if len(self.lists) == 1 or (len(lists) == 1 and every):
            lines = lines_of(lists[0])
        else:
            for many in lists:
                last = every and many is lists[-1]
                lines.append("default:" if last else f"case {many.bit}u:")
                lines += [*indented(lines_of(many)), "    break;"]
            if not every:
                lines += ["default:", "    break;"]
            lines = ["switch (state->list) {", *lines, "}"]
        body = "\n".join(indented(lines))
        how = "LB_APART static" if apart else "static"
        return f"/* {about} */\n{how} void lb_{name}(lb_receiver *state)\n{{\n{body}\n}}\n"

    def _marks(self, wanted: WantedList) -> str:
        return self.text.marks_of(field.bit for field in wanted.fields)

    def _item(self, wanted: WantedList) -> list[str]:
        if not wanted.plain:
            return [f"state->field = {wanted.bit}u;", "state->shape = LB_NEVER;"]
        bit, marks = wanted.fields[0].bit, self._marks(wanted)
        return [
            f"state->field = {bit}u;",
            f"state->shape = lb_shape_of({bit}u);",
            f"state->seen |= {marks};",
            f"state->bad &= (lb_marks)~{marks};",
        ]

    def _opened(self, wanted: WantedList) -> list[str]:
        marks = self._marks(wanted)
        cleared = ["seen", "bad", *(["none"] if any(field.optional for field in wanted.fields) else [])]
        lines = [f"state->{member} &= (lb_marks)~{marks};" for member in cleared]
        lines.append("state->level = state->stack;")
        lines.append(
            "state->parts = 0u;" if self.keys is None else f"state->keys = lb_at_{self.keys[wanted.place]};"
        )
        return lines

    def _part(self, wanted: WantedList) -> list[str]:
        first, count = wanted.fields[0].bit, len(wanted.fields)
        start = f"{first}u + state->parts" if first else "state->parts"
        return [
            "state->field = LB_OTHER;",
            f"if (state->parts < {count}u) {{",
            f"    state->field = (uint8_t)({start});",
            "}",
            "state->parts++;",
            "state->seen |= LB_MARK(state->field);",
            "state->shape = lb_shape_of(state->field);",
        ]

    def _record_over(self, wanted: WantedList) -> list[str]:
        mark = self.text.mark(wanted.bit)
        return [f"lb_note(state, {mark}, lb_judge_{wanted.place}(state));"]

    def _plain_over(self, wanted: WantedList) -> list[str]:
        judged = (
            f"(state->seen & {self._marks(wanted)}) != 0u && lb_judge_{wanted.place}(state) != LB_NOTHING"
        )
        return [f"if ({judged}) {{", f"    state->bad |= {self.text.mark(wanted.bit)};", "}"]

    def _judged(self, wanted: WantedList) -> str:
        """Return the function that judges an element, and keeps it if it is good."""
        text, many, place = self.text, wanted.many, wanted.place
        fields = wanted.fields
        slots = many.item.fields if isinstance(many.item, Record) else (many.item,)
        lines = []
        required = [field.bit for field in fields if not field.optional]
        if self.keys is None and not wanted.plain:
            lines += [f"if (state->parts != {len(fields)}u) {{", "    return LB_MISSING;", "}"]
        elif required and not wanted.plain:
            needed = text.marks_of(required)
            lines += [f"if ((state->seen & {needed}) != {needed}) {{", "    return LB_MISSING;", "}"]
        lines += [f"if ((state->bad & {self._marks(wanted)}) != 0u) {{", "    return LB_WRONG;", "}"]
        for field in fields:
            lines += text.judged_number(field)
        declared = [f"const {count_type(many.most)} place = state->many_{place};"]
        declared += ["lb_number value;"] if any(text.moves(field) for field in fields) else []
        most = literal(many.most, "uint16_t")
        lines += [f"if (place >= {most}) {{", "    return LB_WRONG;", "}"]
        # By its index: so the analysis sees an element too many, which would meet the next member.
        to = f"state->held_{place}[place]"
        if wanted.plain:
            lines.append(f"{to} = {text.value_of(fields[0])};")
        else:
            members = Members(tuple(slots))
            for slot, field in zip(slots, fields, strict=True):
                lines += text.kept_number(slot, field, members, f"{to}.")
        lines += [f"state->many_{place} = ({count_type(many.most)})(place + 1u);", "return LB_NOTHING;"]
        body = "\n".join(indented([*declared, "", *lines]))
        about = f"/* An element of {comment(many.path)}, if it is good; else why it is not. */"
        return f"{about}\nstatic lb_status lb_judge_{place}(lb_receiver *state)\n{{\n{body}\n}}\n"
