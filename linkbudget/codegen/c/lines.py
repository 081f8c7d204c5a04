"""Delimited text in C: the words of a line into a struct and back.

The library reads numbers through a float of 64 bits; C does so exactly, with at most 15 significant digits
(what such a float keeps of any decimal) and exponents up to 99. Reals as text are refused: reading them right
needs more code than a small controller should carry.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from linkbudget.codegen.c.members import Members, count_type, element_fields, number_type
from linkbudget.codegen.c.text import comment, indented, literal, quoted
from linkbudget.codegen.c.writing import limits, refuse
from linkbudget.codegen.spec import Many, Maybe, MessageSpec, Number, Octets, Real, Record, Slot
from linkbudget.errors import TargetError
from linkbudget.message.encodings.delimited import Delimited
from linkbudget.message.encodings.template import Slot as TemplateSlot
from linkbudget.message.primitives import Stepped
from linkbudget.units import decimal_places

__all__ = ["LineReading", "LineWriting", "key_text"]


def key_text(message: MessageSpec) -> str | None:
    """Return what stands in front of a message's line: key and separator; None without a key."""
    assert isinstance(message.encoding, Delimited)
    if message.key is None:
        return None
    has_more = bool(message.fields) or bool(message.encoding.template)
    return message.key + (message.encoding.separator if has_more else "")


@dataclass
class _Line:
    message: MessageSpec
    owner: str
    layout_plan: tuple[tuple[TemplateSlot, ...], str]
    needs: set[str] = field(default_factory=set)

    @property
    def encoding(self) -> Delimited:
        assert isinstance(self.message.encoding, Delimited)
        return self.message.encoding

    @property
    def separator(self) -> str:
        return quoted(self.encoding.separator)

    @property
    def members(self) -> Members:
        return Members(self.message.fields)

    def template(self) -> Iterator[tuple[str, Slot, str]]:
        """Yield the text before each field of a template, the field, and the text behind it."""
        slots, _ = self.layout_plan
        for slot in slots:
            yield slot.before, self.message.fields[slot.place], slot.after

    @property
    def end(self) -> str:
        return self.layout_plan[1]


class LineReading(_Line):
    """The function that reads one message."""

    def function(self) -> str:
        """Return the function from line to struct."""
        self.needs.add("words")
        body = self._template() if self.encoding.template is not None else self._words()
        has_text = "lb_is_clean" in "\n".join(body)
        first = refuse0("lb_is_utf8(p, n) == 0") if has_text else []
        if has_text:
            self.needs |= {"utf8", "clean"}
        name = self.message.ident
        head = f"static uint8_t lb_read_{name}(const uint8_t *p, size_t n, {self.owner}_t *out)"
        says = f"/* Reads {comment(self.message.name)}; 0 when the bytes are none: then *out is of no use. */"
        gap = body.index("")
        declared = [*body[:gap], ""] if gap else []
        text = "\n".join(indented([*declared, *first, *body[gap + 1 :]]))
        return f"{says}\n{head}\n{{\n{text}\n}}\n"

    def _words(self) -> list[str]:
        if not self.message.fields:
            return ["", "(void)p;", "out->nothing = 0u;", "return n == 0u ? 1 : 0;"]
        self.needs.add("next_word")
        lines = ["lb_words in = {p, 0u, n, 1u};", "lb_word word;", ""]
        for slot in self.message.fields:
            lines += self._slot(slot, "out->", self.members, self.owner, 0)
        if not any("&word" in line for line in lines):
            lines.remove("lb_word word;")
        if not any("out->" in line for line in lines):
            lines.append("(void)out;")
        # An empty line has one empty word, or none where no field takes one.
        return [*lines, "return in.more == 0u || n == 0u ? 1 : 0;"]

    def _template(self) -> list[str]:
        lines = ["size_t at = 0u;"]
        slots = list(self.template())
        if slots:
            lines.append("lb_word word;")
        lines.append("")
        for before, slot, after in slots:
            lines += self._expect(before)
            stop = f"lb_find(p, at, n, {quoted(after)})" if after else "n"
            lines += ["word.text = &p[at];", f"word.n = {stop} - at;"]
            if after:
                lines += refuse0("at + word.n == n")
            lines.append("at += word.n;")
            if isinstance(slot, Maybe):
                has = f"out->{self.members.helper(slot)}"
                lines.append(f"{has} = word.n > 0u ? 1u : 0u;")
                inner = self._scalar(slot.item, "out->", self.members)
                lines += [f"if ({has} != 0u) {{", *indented(inner), "}"]
            else:
                lines += block(self._scalar(slot, "out->", self.members))
        lines += self._expect(self.end)
        if not slots:
            lines.append("out->nothing = 0u;")
        return [*lines, "return at == n ? 1 : 0;"]

    def _expect(self, text: str) -> list[str]:
        if not text:
            return []
        size = len(text.encode())
        return [*refuse0(f"lb_begins(&p[at], n - at, {quoted(text)}) == 0"), f"at += {size}u;"]

    def _slot(self, slot: Slot, to: str, members: Members, owner: str, depth: int) -> list[str]:
        if isinstance(slot, Maybe):
            self.needs.add("next_is_empty")
            has = f"{to}{members.helper(slot)}"
            inner = self._counted(slot, to, members, owner, depth)
            return [
                f"{has} = (uint8_t)(lb_next_is_empty(&in, {self.separator}) == 0);",
                f"if ({has} == 0u) {{",
                f"    (void)lb_next(&in, &word, {self.separator});",
                "} else {",
                *indented(inner),
                "}",
            ]
        if isinstance(slot, Many):
            return block(self._many(slot, to, members, owner, depth, slot.fewest < slot.most))
        return [*self._take(), *block(self._scalar(slot, to, members))]

    def _counted(self, maybe: Maybe, to: str, members: Members, owner: str, depth: int) -> list[str]:
        """What may be absent shows its count even where only one is possible."""
        if isinstance(maybe.item, Many):
            return self._many(maybe.item, to, members, owner, depth, True)
        return self._slot(maybe.item, to, members, owner, depth)

    def _take(self) -> list[str]:
        return refuse0(f"lb_next(&in, &word, {self.separator}) == 0")

    def _many(
        self, many: Many, to: str, members: Members, owner: str, depth: int, counted: bool
    ) -> list[str]:
        lines: list[str] = []
        index = f"i{depth}"
        length = f"{many.most}u" if many.fewest == many.most else f"{to}{members.helper(many)}"
        if counted:
            self.needs.add("whole")
            store = [] if many.fewest == many.most else [f"{length} = ({count_type(many.most)})size;"]
            low = f"size < {many.fewest}u || " if many.fewest else ""
            lines += [
                "{",
                "    uint64_t size;",
                "    uint8_t negative;",
                "",
                *indented(self._take()),
                *indented(refuse0("word.n >= 10u || lb_whole(&word, &negative, &size) == 0")),
                *indented(refuse0(f"{low}size > {many.most}u || (negative != 0u && size > 0u)")),
                *indented(store),
                "}",
            ]
        if not many.most:
            return lines
        target = f"{to}{many.ident}[{index}]"
        item = many.item
        inner = element_fields(many)
        if inner is None:
            assert isinstance(item, Number | Real)
            body = [*self._take(), *block(self._value(item, target))]
        else:
            fields = item.fields if isinstance(item, Record) else (item,)
            name = f"{owner}_{many.ident}"
            body = [
                line
                for slot in fields
                for line in self._slot(slot, f"{target}.", Members(inner), name, depth + 1)
            ]
        loop = [f"for ({index} = 0u; {index} < {length}; {index}++) {{", *indented(body), "}"]
        return [f"{count_type(many.most + 1)} {index};", "", *lines, *loop]

    def _scalar(self, slot: Slot, to: str, members: Members) -> list[str]:
        if isinstance(slot, Octets):
            return self._octets(slot, to, members)
        assert isinstance(slot, Number | Real)
        return self._value(slot, f"{to}{slot.ident}")

    def _value(self, slot: Number | Real, target: str) -> list[str]:
        if isinstance(slot, Real):
            raise no_real(slot)
        own = number_type(slot)
        if slot.kind == "flag":
            self.needs.add("is_word")
            return [
                *refuse0('lb_is(&word, "0", 1u) == 0 && lb_is(&word, "1", 1u) == 0'),
                f"{target} = (uint8_t)(word.text[0] - (uint8_t)'0');",
            ]
        if slot.options:
            return self._choice(slot, target, own)
        if isinstance(slot.primitive, Stepped):
            return self._stepped(slot, slot.primitive, target, own)
        self.needs.add("whole")
        lines = [
            "uint64_t size;",
            "uint8_t negative;",
            "",
            *refuse0("lb_whole(&word, &negative, &size) == 0"),
        ]
        if own.startswith("u"):
            conditions = ["(negative != 0u && size > 0u)"]
            if slot.low > 0:
                conditions.append(f"size < {literal(slot.low, 'uint64_t')}")
            if slot.high < (1 << 64) - 1:
                conditions.append(f"size > {literal(slot.high, 'uint64_t')}")
            return [*lines, *refuse0(" || ".join(conditions)), f"{target} = ({own})size;"]
        below = [f"size > {literal(-slot.low, 'uint64_t')}"]
        if slot.high < 0:
            below.append(f"size < {literal(-slot.high, 'uint64_t')}")
        # A minus in front of zero is zero.
        above = f"size > {literal(slot.high, 'uint64_t')}" if slot.high >= 0 else "negative == 0u"
        positive = f"negative == 0u && {above}" if slot.high >= 0 else above
        condition = f"({positive}) || (negative != 0u && ({' || '.join(below)}))"
        return [*lines, *refuse0(condition), f"{target} = ({own})(negative != 0u ? 0u - size : size);"]

    def _choice(self, number: Number, target: str, own: str) -> list[str]:
        self.needs.add("is_word")
        lines: list[str] = []
        for place, word in enumerate(number.options):
            lead = "if" if place == 0 else "} else if"
            lines += [
                f"{lead} (lb_is(&word, {quoted(word)}) != 0) {{",
                f"    {target} = {literal(place, own)};",
            ]
        return [*lines, "} else {", "    return 0;", "}"]

    def _stepped(self, number: Number, stepped: Stepped, target: str, own: str) -> list[str]:
        self.needs.add("decimal")
        places, lowest, step, top = _units(number, stepped)
        i64 = "int64_t"
        given = ", ".join(literal(value, i64) for value in (lowest, step, top))
        most = literal(number.high, "uint64_t")
        return [
            "uint64_t k;",
            "",
            *refuse0(f"lb_step(&word, {places}, {given}, &k) == 0"),
            f"{target} = ({own})(k < {most} ? k : {most});" if number.high else f"{target} = 0u;",
        ]

    def _octets(self, octets: Octets, to: str, members: Members) -> list[str]:
        target = f"{to}{octets.ident}"
        length = "word.n" if octets.text else "word.n / 2u"
        lines = []
        parts = []
        if octets.shortest:
            parts.append(f"{length} < {octets.shortest}u")
        lines += refuse0(" || ".join([*parts, f"{length} > {octets.longest}u"]))
        if octets.text:
            lines += refuse0("lb_is_clean(word.text, word.n) == 0")
            lines.append(f"memcpy({target}, word.text, word.n);")
        else:
            self.needs.add("hex_word")
            lines += refuse0(f"lb_hex_word(&word, {target}, word.n / 2u) == 0")
        if octets.shortest != octets.longest:
            lines.append(f"{to}{members.helper(octets)} = ({count_type(octets.longest)})({length});")
        return lines


class LineWriting(_Line):
    """The statements that write one message."""

    def statements(self) -> list[str]:
        """Return the statements that check and write the line."""
        key = key_text(self.message)
        lines = self._text(key or "")
        if self.encoding.template is not None:
            for before, slot, after in self.template():
                lines += self._text(before)
                ending = after or "\n"
                if isinstance(slot, Maybe):
                    has = f"value->{self.members.helper(slot)}"
                    lines += refuse(f"{has} > 1u")
                    inner = self._scalar(slot.item, "value->", self.members, ending)
                    lines += [f"if ({has} != 0u) {{", *indented(inner), "}"]
                else:
                    lines += self._scalar(slot, "value->", self.members, ending)
            return [*lines, *self._text(self.end)]
        for slot in self.message.fields:
            lines += self._slot(slot, "value->", self.members, self.owner, 0)
        return lines

    def _text(self, text: str) -> list[str]:
        if not text:
            return []
        self.needs.add("put_text")
        return [f"lb_put_text(&out, {quoted(text)});"]

    def _slot(self, slot: Slot, at: str, members: Members, owner: str, depth: int) -> list[str]:
        if isinstance(slot, Maybe):
            has = f"{at}{members.helper(slot)}"
            if isinstance(slot.item, Many):
                inner = self._many(slot.item, at, members, owner, depth, True)
            else:
                inner = self._slot(slot.item, at, members, owner, depth)
            other = self._word([])
            return [*refuse(f"{has} > 1u"), f"if ({has} != 0u) {{", *indented(inner), "} else {",
                    *indented(other), "}"]  # fmt: skip
        if isinstance(slot, Many):
            return self._many(slot, at, members, owner, depth, slot.fewest < slot.most)
        return self._word(self._scalar(slot, at, members, self.encoding.separator))

    def _word(self, lines: list[str]) -> list[str]:
        self.needs.add("separated")
        self.needs.add("put_text")
        return [f"lb_separate(&out, &words, {self.separator});", *lines]

    def _many(
        self, many: Many, at: str, members: Members, owner: str, depth: int, counted: bool
    ) -> list[str]:
        lines: list[str] = []
        length = f"{many.most}u"
        if many.fewest != many.most:
            length = f"{at}{members.helper(many)}"
            lines += limits(length, many.fewest, many.most, count_type(many.most))
        if counted:
            self.needs.add("put_decimal")
            lines += self._word([f"lb_put_decimal(&out, 0u, {length}, 0u);"])
        if not many.most:
            return lines
        index = f"i{depth}"
        value = f"{at}{many.ident}[{index}]"
        item = many.item
        inner = element_fields(many)
        if inner is None:
            assert isinstance(item, Number | Real)
            body = self._word(self._value(item, value))
        else:
            fields = item.fields if isinstance(item, Record) else (item,)
            name = f"{owner}_{many.ident}"
            body = [
                line
                for slot in fields
                for line in self._slot(slot, f"{value}.", Members(inner), name, depth + 1)
            ]
        if not body:
            return lines
        loop = [
            f"{count_type(many.most + 1)} {index};",
            "",
            f"for ({index} = 0u; {index} < {length}; {index}++) {{",
            *indented(body),
            "}",
        ]
        return [*lines, "{", *indented(loop), "}"]

    def _scalar(self, slot: Slot, at: str, members: Members, ending: str) -> list[str]:
        if not isinstance(slot, Octets):
            assert isinstance(slot, Number | Real)
            return self._value(slot, f"{at}{slot.ident}")
        value = f"{at}{slot.ident}"
        length, lines = f"{slot.longest}u", []
        if slot.shortest != slot.longest:
            length = f"{at}{members.helper(slot)}"
            lines = limits(length, slot.shortest, slot.longest, count_type(slot.longest))
        if not slot.text:
            self.needs.add("put_hex")
            return [*lines, f"lb_put_hex(&out, {value}, {length});"]
        self.needs |= {"put_label", "utf8", "clean"}
        return [*lines, *refuse(f"lb_put_label(&out, {value}, {length}, {quoted(ending)}) == 0")]

    def _value(self, slot: Number | Real, value: str) -> list[str]:
        if isinstance(slot, Real):
            raise no_real(slot)
        own = number_type(slot)
        lines = limits(value, slot.low, slot.high, own)
        if slot.options:
            cases = [
                line
                for place, word in enumerate(slot.options)
                for line in (f"case {place}u:", *indented(self._text(word)), "    break;")
            ]
            return [f"switch ({value}) {{", *cases, "default:", "    return 0u;", "}"]
        self.needs.add("put_decimal")
        if isinstance(slot.primitive, Stepped):
            _units(slot, slot.primitive)
            places = slot.primitive.places or 0
            lowest, step = slot.primitive.units
            i64 = "int64_t"
            units = f"{literal(lowest, i64)} + (int64_t){value} * {literal(step, i64)}"
            self.needs.add("put_signed")
            return [*lines, f"lb_put_signed(&out, {units}, {places}u);"]
        if own.startswith("u"):
            return [*lines, f"lb_put_decimal(&out, 0u, {value}, 0u);"]
        self.needs.add("put_signed")
        return [*lines, f"lb_put_signed(&out, {value}, 0u);"]


def block(lines: list[str]) -> list[str]:
    """Return statements in braces when they declare something."""
    return ["{", *indented(lines), "}"] if "" in lines else lines


def refuse0(condition: str) -> list[str]:
    """Return the statement that refuses a line when a condition holds."""
    return [f"if ({condition}) {{", "    return 0;", "}"]


def no_real(real: Real) -> TargetError:
    """Return the error for a real in text."""
    return TargetError(
        f"{real.path}: target c writes no real numbers as text (the nearest one to any decimal takes numbers "
        "of hundreds of digits); use a scaled field or a packed encoding"
    )


def _units(number: Number, stepped: Stepped) -> tuple[int, int, int, int]:
    """Return decimal places, and lowest, step and top in units of the last one."""
    most = decimal_places(stepped.top)
    if most is None:
        raise TargetError(f"{number.path}.maximum: has no exact decimals, which target c needs for text")
    places = max(stepped.places or 0, most)
    scale = 10**places
    lowest, step, top = (int(value * scale) for value in (stepped.minimum, stepped.step, stepped.top))
    if max(abs(lowest), abs(top), 2 * (top - lowest) + 2 * step) >= 1 << 62:
        raise TargetError(f"{number.path}: its decimals need more than 64 bits")
    return places, lowest, step, top
