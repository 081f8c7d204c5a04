"""Framing in C: which runtime pieces a delimiting takes, and the few functions made for its settings."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import cached_property
from typing import ClassVar

from linkbudget.check.algorithms import check_code
from linkbudget.codegen.c.checks import CheckText
from linkbudget.codegen.c.members import count_type
from linkbudget.codegen.c.text import chosen, indented, literal, runtime
from linkbudget.codegen.spec import DirectionSpec

__all__ = ["Framing"]

RUN = 254
"""The longest block of COBS."""
STUFFING_LOST = ("slip", "hdlc")
"""Where any number of bytes may have been on the line that gave none for the body."""


@dataclass
class Framing:
    """The framing of one direction. ``table``: checks with a table of 256 entries."""

    spec: DirectionSpec
    table: bool
    kind: str = field(init=False)

    def __post_init__(self) -> None:
        self.kind = self.spec.fmt.delimiting

    @cached_property
    def check(self) -> CheckText | None:
        """The check of the frame."""
        fmt = self.spec.fmt
        if fmt.check is None:
            return None
        return CheckText(fmt.check, fmt.envelope.order, fmt.envelope.hex_check, self.table)

    @cached_property
    def header_check(self) -> CheckText | None:
        """The check of the length field."""
        check = check_code(self.spec.fmt.header_check)
        if self.kind != "counted" or check is None:
            return None
        return CheckText(check, check.byte_order, False, self.table, "lb_header_check")

    @property
    def searches(self) -> bool:
        """Whether frames are found by their length, not by a delimiter."""
        return self.kind in {"counted", "none"}

    @property
    def _has_raw(self) -> bool:
        no_lead = self.check is not None and self.check.before_zero is None
        long_cobs = self.kind == "cobs" and (self.spec.max_body >= RUN or no_lead)
        return long_cobs or self.kind in {"slip", "hdlc"} or len(self.line_end) == 2

    @property
    def _lead(self) -> int:
        """Bytes that a receiver holds in front of the body: the first code of COBS, as the zero it is.

        The check runs over it as well, from the register that a zero makes the first one.
        """
        return int(self.kind == "cobs" and not self._has_raw)

    @property
    def line_end(self) -> bytes:
        """The bytes that end a line."""
        return self.spec.fmt.terminator.encode("latin-1") if self.kind == "newline" else b""

    @property
    def _max_stretch(self) -> int:
        body = self.spec.max_body
        if self.kind == "cobs":
            return body + 1 + body // RUN
        return body + 1 if self.kind == "newline" else 2 * body

    @property
    def sync(self) -> bytes:
        """The bytes that counted frames begin with."""
        return self.spec.fmt.sync if self.kind == "counted" else b""

    @property
    def header_bytes(self) -> int:
        """Bytes in front of the body of a counted frame."""
        if self.kind != "counted":
            return 0
        check = self.header_check.check.check_bytes if self.header_check else 0
        return len(self.sync) + self.spec.fmt.length_bytes + check

    @property
    def buffer_bytes(self) -> int:
        """Bytes a receiver holds."""
        return self.header_bytes + self._lead + self.spec.max_body

    @property
    def room(self) -> int:
        """Bytes of the buffer: between delimiters one more, which says that there were too many."""
        return self.buffer_bytes + (0 if self.searches else 1)

    @property
    def length_type(self) -> str:
        """The type of lengths within the receiver."""
        most = self._max_stretch if self._has_raw else self.buffer_bytes
        return count_type(most + 1)

    @property
    def delimiter(self) -> int:
        """The byte that ends a frame."""
        found = self.spec.fmt.delimiter
        assert found is not None, "only for delimitings that have one"
        return found

    def public_constants(self) -> list[str]:
        """Return the constants a caller needs for buffers."""
        return [
            f"#define LB_MAX_PAYLOAD {self.spec.fmt.max_payload}u",
            f"#define LB_MAX_BODY {self.spec.max_body}u /* with sequence, layout byte and check */",
            f"#define LB_MAX_FRAME {self.spec.max_frame}u /* on the wire, delimiters included */",
        ]

    def line_members(self) -> list[str]:
        """Return the members of the part of the receiver that changes with every byte."""
        length = self.length_type
        if self.searches:
            lines = [f"{length} length;", f"{length} need;", "uint8_t lost;"]
            return [*lines, "uint8_t junk;"] if self.sync else lines
        lines = [f"{length} length;"]
        if self._has_raw:
            lines.append(f"{length} raw;")
        lines += {
            "cobs": ["uint8_t left;"] if self._has_raw else ["uint8_t next;"],
            "slip": ["uint8_t escaped;", "uint8_t bad;"],
            "hdlc": ["uint8_t escaped;", "uint8_t bad;"],
            "newline": ["uint8_t first;", "uint8_t bad;"] if len(self.line_end) == 2 else [],
        }[self.kind]
        if self.kind == "cobs" and self._has_raw:
            lines.append("uint8_t code;")
        if self.check is not None:
            lines.append(f"{self.check.type} check;")
        return lines

    # --- receiving ----------------------------------------------------------------------------------------

    def private_constants(self) -> list[str]:
        """Return the constants of the source file."""
        lines = []
        if not self.searches:
            lines.append(f"#define LB_DELIMITER {self.delimiter:#04x}u")
        if self._lead:
            lines.append(f"#define LB_LEAD {self._lead}u /* the first code, in front of the body */")
            lines.append("#define LB_HELD (LB_MAX_BODY + LB_LEAD)")
        if self._has_raw:
            lines.append(f"#define LB_MAX_STRETCH {self._max_stretch}u")
        if self.check is not None and self.check.residue is None and not self.searches:
            lines.append(f"#define LB_CHECK_BYTES {self.spec.fmt.check_bytes}u")
        if self.kind == "hdlc" and self.spec.fmt.async_map:
            lines.append(f"#define LB_ASYNC_MAP {literal(self.spec.fmt.async_map, 'uint32_t')}")
        if len(self.line_end) == 2:
            lines.append(f"#define LB_FIRST_TERMINATOR {self.line_end[0]:#04x}u")
        if self.searches:
            lines.append(f"#define LB_HEADER_BYTES {self.header_bytes}u")
        if self.sync:
            lines.append(f"#define LB_SYNC_BYTES {len(self.sync)}u")
            lines.append("#define LB_SYNC {" + ", ".join(f"{byte:#04x}u" for byte in self.sync) + "}")
        return lines

    def checks(self) -> list[str]:
        """Return the functions of the checks."""
        texts = []
        for check in (self.check, self.header_check):
            if check is not None:
                texts += [check.step(), check.value()]
        if self.check is not None and self._pairs:
            texts.insert(1, self.check.pair())
        return texts

    @property
    def _pairs(self) -> bool:
        """Whether the check takes bytes two by two."""
        check = self.check
        return self._fast or (self.searches and check is not None and check.wide != check.type)

    def receiving(self) -> list[str]:
        """Return the functions that find a body, up to and with the one that judges it."""
        if self.searches:
            texts = [self._header(), self._judge_whole()]
            if self.sync:
                texts.insert(0, self._piece("may_begin"))
            return texts
        adding = [self._adding] if self._lead else ["keep", self._adding]
        return [*map(self._piece, adding), self._judge_line()]

    @cached_property
    def known(self) -> dict[str, int]:
        """What pieces of the runtime are chosen by; ``LB_CHECKS`` is 1 for one that runs along, 2 behind."""
        check, cobs = self.check, self.kind == "cobs"
        return {
            "LB_CHECKS": 0 if check is None else 2 if check.residue is None else 1,
            "LB_SYNCED": int(bool(self.sync)),
            "LB_MAPPED": self.spec.fmt.async_map,
            "LB_SKIPS": int(not self.searches and self._empty is not None),
            "LB_RAW": int(self._has_raw),
            "LB_LONG": int(cobs and self._has_raw),
            "LB_SHORT": int(cobs and not self._has_raw),
            "LB_LOSES": int(self.kind in STUFFING_LOST),
        }

    def _piece(self, name: str) -> str:
        """A piece of the runtime, as it is for this framing: its types, and the place of the body."""
        text = chosen(runtime(name), self.known).replace("lb_length", self.length_type)
        for call, line in (("lb_begin(&line);", "line."), ("lb_begin(&state->line);", "state->line.")):
            text = text.replace(f"    {call}\n", "".join(f"    {row}\n" for row in self.beginning(line)))
        if self.check is not None:
            text = text.replace("LB_CHECK_TYPE", self.check.wide if self._fast else self.check.type)
        if self._lead or self.searches:
            return text
        text = text.replace("&state->body[LB_LEAD]", "state->body").replace("&frame[LB_LEAD]", "frame")
        return text.replace(" - LB_LEAD", "").replace("LB_HELD", "LB_MAX_BODY")

    def pushing(self) -> list[str]:
        """Return the functions that take bytes, and the one that decodes a whole frame."""
        if self.searches:
            decode = "decode_none" if self.kind == "none" else "decode_counted"
            return [self._piece(name) for name in ("search", "push_search", decode)]
        runs = [f"state->line.{condition}" for condition in self._runs]
        if self._fast:
            runs = ["i < n - 1u", "state->line.length < LB_HELD - 1u"]
        decode = "decode_cobs" if self._fast else "decode_stretch"
        if self.kind == "newline":
            decode = "decode_line_two" if self._has_raw else "decode_line_one"
        run = "run_cobs" if self._fast else "run_stretch"
        names = ("end_stretch", "push", run, "feed_stretch", decode)
        texts = [self._told_check(self._piece(name)) for name in names]
        told = {"LB_SPECIAL": self._special, "LB_RUNS": " && ".join(runs)}
        return [re.sub("|".join(told), lambda found: told[found[0]], text) for text in texts]

    def _told_check(self, text: str) -> str:
        """A piece in which the check of this framing stands for what it is called there."""
        check = self.check
        text = text.replace("LB_GIVEN", ", ".join(value for value, _ in self._judged()))
        if check is None:
            return text
        kept = "" if check.wide == check.type else f"({check.type})"
        return text.replace("(LB_CHECK_KEPT)", kept).replace("LB_CHECK_START", check.number(check.start))

    @property
    def _runs(self) -> list[str]:
        """What must hold of a line before a loop of their own takes bytes that stand for themselves."""
        conditions = ["length < LB_HELD" if self._lead else "length < LB_MAX_BODY"]
        if self.kind == "cobs":
            return [*conditions, "left > 1u" if self._has_raw else "next != state->line.length"]
        if self.kind == "newline":
            return [*conditions, "first == 0u"] if self._has_raw else conditions
        return [*conditions, "escaped == 0u"]

    @property
    def _special(self) -> str:
        """The condition of a byte that does not stand for itself."""
        special = ["byte == LB_DELIMITER"]
        if self.kind == "slip":
            special.append("byte == 0xDBu")
        if self.kind == "hdlc":
            special.append("byte == 0x7Du")
            if self.spec.fmt.async_map:
                special.append("(byte < 0x20u && ((LB_ASYNC_MAP >> byte) & 1u) != 0u)")
        if len(self.line_end) == 2:
            special.append("byte == LB_FIRST_TERMINATOR")
        return " || ".join(special)

    @property
    def _fast(self) -> bool:
        """Whether the two loops over pairs of bytes take the frame: the check must run along with them."""
        return bool(self._lead) and (self.check is None or self.check.residue is not None)

    @property
    def _adding(self) -> str:
        if self.kind == "cobs":
            return "cobs_long" if self._has_raw else "cobs_short"
        if self.kind == "newline":
            return "newline_two" if self._has_raw else "newline_one"
        return self.kind

    @property
    def _empty(self) -> str | None:
        """The condition of an empty stretch; None where that is a frame."""
        if self.kind == "newline":
            return None
        return "(line).raw == 0u" if self._has_raw else "(line).length == 0u"

    def empty_constant(self) -> list[str]:
        """Return the macro that tells an empty stretch."""
        if self.searches or self._empty is None:
            return []
        return [f"#define LB_LINE_EMPTY(line) ({self._empty})"]

    def start_values(self) -> list[tuple[str, str]]:
        """Return the members of the line and what they begin with."""
        names = [line.split()[1].strip(";") for line in self.line_members()]
        values = {"need": "1u"}
        if self.check is not None:
            start = self.check.before_zero if self._lead else self.check.start
            assert start is not None, "such a check has no lead"
            values["check"] = self.check.number(start)
        return [(name, values.get(name, "0u")) for name in names]

    def beginning(self, line: str) -> list[str]:
        """Return the statements after which a line, given with what leads to its members, has no byte yet."""
        return [f"{line}{name} = {value};" for name, value in self.start_values()]

    def _judge_line(self) -> str:
        lines: list[str] = []
        if self._has_raw:
            lines += _reject("line->raw > LB_MAX_STRETCH", "TOO_LONG")
        elif self.kind in {"cobs", "newline"}:
            # Every byte of the stretch but the first gives one of the body: a stretch is too long with it.
            lines += _reject(
                "line->length > LB_HELD" if self._lead else "line->length > LB_MAX_BODY", "TOO_LONG"
            )
        bad = {
            "cobs": "line->next != line->length" if self._lead else "line->left != 1u",
            "slip": "line->bad != 0u || line->escaped != 0u",
            "hdlc": "line->bad != 0u || line->escaped != 0u",
            "newline": "line->bad != 0u || line->first == 0u" if self._has_raw else "",
        }[self.kind]
        if bad:
            lines += _reject(bad, "BAD_STUFFING")
        if self._fast:
            given = ", ".join(self._of_line[value] for value, _ in self._judged())
            lines.append(f"return lb_judge_body({given});")
        else:
            lines += [*self._judging("line->length", "line->check"), "return LB_NOTHING;"]
        unused = [] if re.search(r"\bbody\b", "".join(lines)) else ["(void)body;"]
        text = "\n".join(indented([*unused, *lines]))
        head = "static lb_status lb_judge(const lb_line *line, const uint8_t *body)"
        says = "/* What is wrong with a finished stretch; LB_NOTHING when it is a frame. */"
        return f"{self._judge_body()}{says}\n{head}\n{{\n{text}\n}}\n"

    _of_line: ClassVar[dict[str, str]] = {
        "i": "line->length",
        "(LB_CHECK_KEPT)check": "line->check",
        "body": "body",
    }

    def _judged(self) -> list[tuple[str, str]]:
        """What a function that judges bodies is given: as a whole frame has it, and as a parameter."""
        given = [("i", "size_t length")]
        if self.check is not None:
            given.append(("(LB_CHECK_KEPT)check", f"{self.check.type} check"))
        return [*given, ("body", "const uint8_t *body")] if self._layout() else given

    def _judge_body(self) -> str:
        """The function that judges what stuffing gave, where a whole frame has a loop of its own."""
        if not self._fast:
            return ""
        text = "\n".join(indented([*self._judging("length", "check"), "return LB_NOTHING;"]))
        parameters = ", ".join(parameter for _, parameter in self._judged())
        head = f"static inline lb_status lb_judge_body({parameters})"
        return f"/* What is wrong with the bytes of a stretch. */\n{head}\n{{\n{text}\n}}\n\n"

    def _judging(self, length: str, register: str) -> list[str]:
        lines = self._short(length)
        if self._has_raw:
            lines += _reject(f"{length} > LB_MAX_BODY", "TOO_LONG")
        if self.check is not None and self.check.residue is not None:
            lines += _reject(f"{register} != {self.check.number(self.check.residue)}", "BAD_CHECK")
        elif self.check is not None:
            lines += self._compare(register, length)
        return [*lines, *self._layout()]

    def _judge_whole(self) -> str:
        lines: list[str] = []
        settled = " Its length is one the header can have."
        if self.kind == "none":
            settled = ""
            lines += [*self._short("n"), *_reject("n > LB_MAX_BODY", "TOO_LONG")]
        first = []
        if self.check is not None:
            first = [
                f"{self.check.wide if self._pairs else self.check.type} check = "
                f"{self.check.number(self.check.start)};",
                "size_t i = 0u;",
                "",
            ]
            lines += [*self._checked_whole(), *self._compare("check", "n")]
        lines += self._layout()
        used = set(re.findall(r"\w+", " ".join(lines)))
        unused = [f"(void){name};" for name in ("body", "n") if name not in used]
        text = "\n".join(indented([*first, *unused, *lines, "return LB_NOTHING;"]))
        head = "static lb_status lb_judge(const uint8_t *body, size_t n)"
        says = f"/* What is wrong with a body; LB_NOTHING when it is good.{settled} */"
        return f"{says}\n{head}\n{{\n{text}\n}}\n"

    def _checked_whole(self) -> list[str]:
        """Return the statements that take the bytes in front of the check into it."""
        size = self.spec.fmt.check_bytes
        if not self._pairs:
            # Each is what the compiler makes less of, by whether a length was looked at before.
            more = f"i < n - {size}u" if self.kind == "none" else f"i + {size}u < n"
            return [
                f"for (; {more}; i++) {{",
                "    check = lb_check_step(check, body[i]);",
                "}",
            ]
        assert self.check is not None
        return [
            f"if ((n & 1u) != {size & 1}u) {{",
            f"    check = lb_check_step(({self.check.type})check, body[0]);",
            "    i = 1u;",
            "}",
            f"for (; i < n - {size}u; i += 2u) {{",
            "    check = lb_check_pair(check, lb_check_both(body[i], body[i + 1u]));",
            "}",
        ]

    def _short(self, length: str) -> list[str]:
        need = self.spec.fmt.overhead_bytes + self._lead
        return _reject(f"{length} < {need}u", "TOO_SHORT") if need else []

    def _layout(self) -> list[str]:
        fmt = self.spec.fmt
        if fmt.layout_id is None:
            return []
        return _reject(f"body[{self._lead + int(fmt.sequence)}] != {fmt.layout_id}u", "OTHER_LAYOUT")

    def _compare(self, register: str, length: str) -> list[str]:
        """Return the comparison of the check with the bytes behind the payload."""
        check = self.check
        assert check is not None
        size = self.spec.fmt.check_bytes
        at = 0
        parts = []
        for byte in check.bytes_of("found"):
            for text in (f"lb_hex_high({byte})", f"lb_hex_low({byte})") if check.hex_form else (byte,):
                parts.append(f"body[{length} - {size - at}u] != {text}")
                at += 1
        given = f"({check.type}){register}" if register == "check" and self._pairs else register
        declared = f"const {check.type} found = lb_check_value({given});"
        joined = "\n    || ".join(parts)
        inner = [declared, "", *_reject(joined, "BAD_CHECK")]
        lines = [line for text in inner for line in text.split("\n")]
        return ["{", *indented(lines), "}"]

    def hex_digits(self) -> list[str]:
        """Return the function for checks that are written in hex digits."""
        if self.check is None or not self.check.hex_form:
            return []
        return [runtime("hex")]

    def _header(self) -> str:
        if self.kind == "none":
            return runtime("header_none")
        fmt, sync = self.spec.fmt, len(self.sync)
        size = fmt.length_bytes
        places = range(size) if fmt.length_order == "little" else range(size - 1, -1, -1)
        parts = [
            f"((uint32_t)held[{sync + at}] << {8 * place})" if place else f"held[{sync + at}]"
            for at, place in enumerate(places)
        ]
        lines = ["uint32_t length;", "", "if (n < LB_HEADER_BYTES) {", "    *need = LB_HEADER_BYTES;"]
        lines += ["    return LB_NOTHING;", "}", f"length = {' | '.join(parts)};"]
        if self.header_check is not None:
            check = self.header_check
            steps = [f"{check.type} check = {check.number(check.start)};", ""]
            steps += [f"check = lb_header_check_step(check, held[{sync + at}]);" for at in range(size)]
            steps.append("check = lb_header_check_value(check);")
            wrong = [f"held[{sync + size + at}] != {byte}" for at, byte in enumerate(check.bytes_of("check"))]
            steps += [
                line
                for text in _reject("\n    || ".join(wrong), "BAD_HEADER_CHECK")
                for line in text.split("\n")
            ]
            lines += ["{", *indented(steps), "}"]
        low, high = self.added + fmt.overhead_bytes, self.added + self.spec.max_body
        limit = f"length > {literal(high, 'uint32_t')}"
        if low:
            limit = f"length < {literal(low, 'uint32_t')} || {limit}"
        if high == (1 << 8 * size) - 1:
            limit = f"length < {literal(low, 'uint32_t')}" if low else ""
        if limit:
            lines += _reject(limit, "BAD_LENGTH")
        change = self.header_bytes - self.added
        shifted = f"(size_t)length + {change}u" if change > 0 else "(size_t)length"
        if change < 0:
            shifted = f"(size_t)length - {-change}u"
        lines += [f"*need = {shifted};", "return LB_NOTHING;"]
        text = "\n".join(indented(lines))
        says = (
            "/* How many bytes settle what comes next: the header, then the whole frame; or what is wrong. */"
        )
        head = "static lb_status lb_header(const uint8_t *held, size_t n, size_t *need)"
        return f"{says}\n{head}\n{{\n{text}\n}}\n"

    @property
    def added(self) -> int:
        """What the length field holds for an empty body."""
        fmt = self.spec.fmt
        added = {"payload": -fmt.check_bytes, "payload-and-check": 0, "frame": self.header_bytes}
        return added[fmt.length_counts]

    @property
    def apart(self) -> bool:
        """Whether there is a function that must not be merged into its caller."""
        return not self.searches

    def counters(self) -> str:
        """Return the functions that read the counters."""
        text = runtime("age")
        if not self._lead:
            return text
        held = "return state->high_water;"
        assert held in text
        return text.replace(held, "return state->high_water > LB_LEAD ? state->high_water - LB_LEAD : 0u;")


def _reject(condition: str, reason: str) -> list[str]:
    return [f"if ({condition}) {{", f"    return LB_{reason};", "}"]
