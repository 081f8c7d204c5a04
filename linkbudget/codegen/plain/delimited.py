"""The functions that read and write one message of delimited text, in its order or in a template."""

from __future__ import annotations

from linkbudget.codegen.plain.lines import Lines, literal
from linkbudget.codegen.plain.style import Style
from linkbudget.codegen.spec import Many, Maybe, MessageSpec, Number, Octets, Real, Record, Slot
from linkbudget.message.encodings.delimited import Delimited
from linkbudget.message.encodings.template import slots_of
from linkbudget.message.primitives import Group, Member, Stepped

__all__ = ["LineReader", "LineWriter"]

GIVE_UP = "return REFUSED"


def _template(message: MessageSpec) -> tuple[list[tuple[str, int, str]], str] | None:
    """Return text in front, place and text behind of each field of a template, and the text at its end."""
    assert isinstance(message.encoding, Delimited)
    if message.encoding.template is None:
        return None
    # Only the names matter for where a field stands.
    group = Group(tuple(Member(field.name, Group(())) for field in message.fields))
    slots, end = slots_of(message.encoding.template, group)
    return [(slot.before, slot.place, slot.after) for slot in slots], end


def _has_word(slot: Slot) -> bool:
    """Return whether a slot always writes a word: all do but repeats of none, and records of such."""
    if isinstance(slot, Record):
        return any(map(_has_word, slot.fields))
    if isinstance(slot, Many) and slot.fewest == slot.most:
        return slot.fewest > 0 and _has_word(slot.item)
    return True


def _separator(message: MessageSpec) -> str:
    assert isinstance(message.encoding, Delimited)
    return message.encoding.separator


class LineReader:
    """Writes ``read_<message>(payload)`` for delimited text."""

    def __init__(self, message: MessageSpec, style: Style) -> None:
        self.message, self.style = message, style
        self.out = Lines()

    def text(self) -> str:
        """Return the source of the function."""
        message = self.message
        with self.out.block(f"def read_{message.ident}(payload: bytes) -> Message | int:"):
            self.out.add(f'"""Return the {message.ident} message of a line, or what is wrong with it."""')
            self.out.add("text = utf8(payload)")
            self._refuse_if("text is None")
            template = _template(message)
            if template is not None:
                values = self._templated(*template)
            else:
                self.out.add(f"words = text.split({literal(_separator(message))})")
                self.out.add("at = 0")
                values = [self._slot(slot) for slot in message.fields]
                # A message without any word is an empty line.
                self._refuse_if('at < len(words) and (at or words != [""])')
            self.out.add(f"return {self.style.message(message, values)}")
        return self.out.text()

    def _refuse_if(self, condition: str) -> None:
        with self.out.block(f"if {condition}:"):
            self.out.add(GIVE_UP)

    def _templated(self, parts: list[tuple[str, int, str]], end: str) -> list[str]:
        values: dict[int, str] = {}
        self.out.add("at = 0")
        for before, place, after in parts:
            if before:
                self._refuse_if(f"text[at : at + {len(before)}] != {literal(before)}")
                self.out.add(f"at += {len(before)}")
            stop, word = self.out.fresh("stop"), self.out.fresh("word")
            if after:
                self.out.add(f"{stop} = text.find({literal(after)}, at)")
                self._refuse_if(f"{stop} < 0")
            else:
                self.out.add(f"{stop} = len(text)")
            self.out.add(f"{word} = text[at:{stop}]")
            slot = self.message.fields[place]
            values[place] = (
                self._maybe_word(slot, word) if isinstance(slot, Maybe) else self._word(slot, word)
            )
            self.out.add(f"at = {stop}")
        self._refuse_if(f"text[at:] != {literal(end)}")
        return [values[place] for place in range(len(self.message.fields))]

    def _maybe_word(self, slot: Maybe, word: str) -> str:
        name = self.out.fresh()
        self.out.add(f"{name}: {self.style.type_of(slot)} = None")
        with self.out.block(f'if {word} != "":'):
            self.out.add(f"{name} = {self._word(slot.item, word)}")
        return name

    def _take(self) -> str:
        self._refuse_if("at >= len(words)")
        word = self.out.fresh("word")
        self.out.add(f"{word} = words[at]")
        self.out.add("at += 1")
        return word

    def _slot(self, slot: Slot) -> str:
        if isinstance(slot, Record):
            return self.style.record(slot, [self._slot(field) for field in slot.fields])
        if isinstance(slot, Many):
            return self._many(slot, counted=slot.fewest < slot.most)
        if isinstance(slot, Maybe):
            name = self.out.fresh()
            self.out.add(f"{name}: {self.style.type_of(slot)} = None")
            with self.out.block('if at < len(words) and words[at] == "":'):
                self.out.add("at += 1")
            with self.out.block("else:"):
                item = slot.item
                value = self._many(item, counted=True) if isinstance(item, Many) else self._slot(item)
                self.out.add(f"{name} = {value}")
            return name
        return self._word(slot, self._take())

    def _many(self, slot: Many, counted: bool) -> str:
        count = str(slot.fewest)
        if counted:
            word = self._take()
            count = self.out.fresh()
            self.out.add(f"{count} = whole_word({word})")
            self._refuse_if(
                f"{count} is None or len({word}) > 9 or not {slot.fewest} <= {count} <= {slot.most}"
            )
        name = self.out.fresh()
        self.out.add(f"{name}: list[{self.style.type_of(slot.item)}] = []")
        with self.out.block(f"for _ in range({count}):"):
            self.out.add(f"{name}.append({self._slot(slot.item)})")
        return name

    def _word(self, slot: Slot, word: str) -> str:
        """Read one word; return the value."""
        name = self.out.fresh()
        if isinstance(slot, Number):
            return self.style.value(slot, self._number(slot, word, name))
        if isinstance(slot, Real):
            self.out.add(f"{name} = real_word({word}, {slot.width}, {slot.low!r}, {slot.high!r})")
            self._refuse_if(f"{name} is None")
            return name
        assert isinstance(slot, Octets)
        if slot.text:
            self.out.add(f"{name} = {word}.encode()")
            self._refuse_if(f"not is_clean({word})")
        else:
            self.out.add(f"{name} = hex_word({word})")
            self._refuse_if(f"{name} is None")
        self._refuse_if(f"not {slot.shortest} <= len({name}) <= {slot.longest}")
        return self.style.word_text(name, word) if slot.text else name

    def _number(self, slot: Number, word: str, name: str) -> str:
        if slot.kind == "choice":
            options = self.style.options(slot)
            self._refuse_if(f"{word} not in {options}")
            self.out.add(f"{name} = {options}.index({word})")
        elif slot.kind == "flag":
            self._refuse_if(f'{word} != "0" and {word} != "1"')
            self.out.add(f'{name} = 1 if {word} == "1" else 0')
        elif slot.kind == "scaled":
            self.out.add(f"{name} = steps_word({word}, {self.style.scale_of(slot)})")
            self._refuse_if(f"{name} is None")
        else:
            self.out.add(f"{name} = whole_word({word})")
            self._refuse_if(f"{name} is None or not {slot.low} <= {name} <= {slot.high}")
        return name


class LineWriter:
    """Writes ``write_<message>(message)`` for delimited text."""

    def __init__(self, message: MessageSpec, style: Style) -> None:
        self.message, self.style = message, style
        self.out = Lines()

    def text(self, annotation: str) -> str:
        """Return the source of the function; ``annotation`` is the type of the message."""
        message = self.message
        with self.out.block(f"def write_{message.ident}(message: {annotation}) -> bytes:"):
            self.out.add(
                f'"""Return the line of the {message.ident} message; `ValueError` names what is wrong."""'
            )
            template = _template(message)
            if template is None:
                self.out.add("words: list[str] = []")
                self._key()
                ending = _separator(message)
                for place, slot in enumerate(message.fields):
                    self._slot(slot, self.style.message_field("message", place, slot), ending)
                if message.key is not None and message.fields and not any(map(_has_word, message.fields)):
                    # Behind a key with fields the separator stands even where these write no word.
                    self.out.add('words.append("")')
                self.out.add(f"return {literal(_separator(message))}.join(words).encode()")
            else:
                self._templated(*template)
        return self.out.text()

    def _key(self) -> None:
        if self.message.key is not None:
            self.out.add(f"words.append({literal(self.message.key)})")

    def _templated(self, parts: list[tuple[str, int, str]], end: str) -> None:
        self.out.add("words: list[str] = []")
        key = self.message.key
        if key is not None:
            self.out.add(f"words.append({literal(key + _separator(self.message))})")
        for before, place, after in parts:
            if before:
                self.out.add(f"words.append({literal(before)})")
            slot = self.message.fields[place]
            source = self.style.message_field("message", place, slot)
            self._slot(slot, source, after or "\n")
        if end:
            self.out.add(f"words.append({literal(end)})")
        self.out.add('return "".join(words).encode()')

    def _slot(self, slot: Slot, source: str, ending: str) -> None:
        if isinstance(slot, Record):
            for place, field in enumerate(slot.fields):
                self._slot(field, self.style.field(source, place, field), ending)
        elif isinstance(slot, Many):
            self._many(slot, source, ending, counted=slot.fewest < slot.most)
        elif isinstance(slot, Maybe):
            name = self.out.fresh()
            self.out.add(f"{name} = {source}")
            with self.out.block(f"if {name} is None:"):
                self.out.add('words.append("")')
            with self.out.block("else:"):
                if isinstance(slot.item, Many):
                    self._many(slot.item, name, ending, counted=True)
                else:
                    self._slot(slot.item, name, ending)
        else:
            self.out.add(f"words.append({self._word(slot, source, ending)})")

    def _many(self, slot: Many, source: str, ending: str, counted: bool) -> None:
        name, item = self.out.fresh(), self.out.fresh()
        self.out.add(f"{name} = {self.style.items(slot, source)}")
        if counted:
            self.out.add(f"words.append(str(len({name})))")
        with self.out.block(f"for {item} in {name}:"):
            before = len(self.out.lines)
            self._slot(slot.item, item, ending)
            if len(self.out.lines) == before:
                self.out.add("pass")

    def _word(self, slot: Slot, source: str, ending: str) -> str:
        if isinstance(slot, Number):
            raw = self.style.number(slot, source)
            if slot.kind == "choice":
                return f"{self.style.options(slot)}[{raw}]"
            if slot.kind != "scaled":
                return f"str({raw})"
            assert isinstance(slot.primitive, Stepped)
            low, step = slot.primitive.units
            return f"decimal_word({low} + {step} * {raw}, {slot.primitive.places})"
        if isinstance(slot, Real):
            return f"real_text({self.style.real(slot, source)}, {slot.width})"
        assert isinstance(slot, Octets)
        data = self.style.octets(slot, source)
        if slot.text:
            return f"word_before({data}.decode(), {literal(ending)}, {literal(slot.path)})"
        return f"{data}.hex()"
