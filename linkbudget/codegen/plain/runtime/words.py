"""Words of delimited text, read and written."""

from __future__ import annotations


# ---------------------------------------------------------------------------------------------------------
def whole_word(word: str) -> int | None:
    """Return the whole number of a word, None when it is none."""
    digits = word[1:] if word[:1] == "-" else word
    if not digits or len(word) > 2000:
        return None
    for digit in digits:
        if digit not in "0123456789":
            return None
    return int(word)


def is_decimal(word: str) -> bool:
    """Return whether a word is a decimal number, with or without an exponent."""
    at = 1 if word[:1] == "-" else 0
    start = at
    while at < len(word) and word[at] in "0123456789":
        at += 1
    digits = at - start
    if at < len(word) and word[at] == ".":
        at += 1
        start = at
        while at < len(word) and word[at] in "0123456789":
            at += 1
        digits += at - start
    if digits == 0:
        return False
    if at < len(word) and word[at] in "eE":
        at += 1
        if at < len(word) and word[at] in "+-":
            at += 1
        start = at
        while at < len(word) and word[at] in "0123456789":
            at += 1
        if at == start:
            return False
    return at == len(word)


def hex_word(word: str) -> bytes | None:
    """Return the bytes of a word of hex digits, None when it is none."""
    if len(word) % 2:
        return None
    for digit in word:
        if digit not in "0123456789abcdefABCDEF":
            return None
    return bytes([int(word[at : at + 2], 16) for at in range(0, len(word), 2)])


def is_clean(word: str) -> bool:
    """Return whether a word holds no control characters but tabs."""
    return all(character >= " " or character == "\t" for character in word)


def word_before(word: str, ending: str, path: str) -> str:
    """Return a word that ends where the text behind it begins; `ValueError` when it would end before."""
    if not is_clean(word) or (word + ending).find(ending) != len(word):
        raise ValueError(f"{path}: {word!r} is not allowed; allowed: no control characters and no {ending!r}")
    return word


def decimal_word(units: int, places: int) -> str:
    """Return ``units`` / 10^``places`` as the shortest exact decimal."""
    sign = "-" if units < 0 else ""
    whole, part = divmod(abs(units), 10**places)
    digits = str(part + 10**places)[1:].rstrip("0") if part else ""
    return f"{sign}{whole}.{digits}" if digits else f"{sign}{whole}"
