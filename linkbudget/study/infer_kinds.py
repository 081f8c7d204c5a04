"""Several kinds of message in one stream, told apart by their first word; and names for them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

__all__ = ["FEWEST_MESSAGES", "by_first_word", "free_name"]

FEWEST_MESSAGES = 2
"""One message of a kind says nothing about what changes in it."""
MOST_WORDS = 16
NEARLY_ALL = 0.8
Row = tuple[int, Any]


def free_name(wish: str | None, taken: set[str]) -> str:
    """Return a name for a message that no other has, and take it: the wish, else ``message``."""
    kept = "".join(letter if letter.isalnum() or letter in "-_" else "" for letter in wish or "")
    name = base = kept or "message"
    count = 1
    while name in taken:
        count += 1
        name = f"{base}-{count}"
    taken.add(name)
    return name


def by_first_word(rows: Sequence[Row]) -> list[tuple[str | None, list[Row]]]:
    """Return lists by their first element, when it is a word that says which kind they are.

    It is when it never changes, or when lists with different words have different lengths or types; when
    lists with different words look alike, the word is a field like any other (None).
    """
    if not rows:
        return []
    words = [found[0] for _, found in rows]
    # What no key of a layout can be is no first word either.
    if not all(isinstance(word, str) and word and word.isprintable() for word in words):
        return [(None, list(rows))]
    groups: dict[str, list[Row]] = {}
    for word, row in zip(words, rows, strict=True):
        groups.setdefault(word, []).append(row)
    repeated = {word: group for word, group in groups.items() if len(group) >= FEWEST_MESSAGES}
    if not repeated or len(repeated) > MOST_WORDS:
        return [(None, list(rows))]
    nearly_all = max(map(len, repeated.values())) >= NEARLY_ALL * len(rows)
    if len(repeated) == 1 and nearly_all:
        return list(repeated.items())
    if len({_shape(group) for group in repeated.values()}) == 1:
        return [(None, list(rows))]
    return list(repeated.items())


def _shape(group: list[Row]) -> tuple[str, ...]:
    """Return the types of the elements behind the first, as most of a group have them."""
    shapes = Counter(tuple(_type(value) for value in found[1:]) for _, found in group)
    return shapes.most_common(1)[0][0]


def _type(value: object) -> str:
    return "text" if isinstance(value, str) else "truth" if isinstance(value, bool) else "number"
