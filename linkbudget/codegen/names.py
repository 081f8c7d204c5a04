"""Names that programs can use, made of the names of a link file in a way that can be foretold.

Letters lose their accents, every other character that is no ASCII letter or digit becomes an underscore, a
digit in front gets an ``n`` before it, a word the target reserves gets an underscore behind it (an ``n_``
before it where that is reserved as well), and a name that is taken gets a number.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection
from dataclasses import dataclass, field

__all__ = ["Renamed", "Scope", "identifier"]


@dataclass(frozen=True)
class Renamed:
    """A name that had to be changed: where it stands, what it was and what it is in the code."""

    path: str
    name: str
    ident: str

    def __str__(self) -> str:
        return f"{self.path}: {self.name!r} is called {self.ident!r} in the code"


def identifier(name: str, reserved: Collection[str] = ()) -> str:
    """Return the identifier for a name.

    >>> identifier("größe"), identifier("2nd lane"), identifier("int", {"int"})
    ('gro_e', 'n2nd_lane', 'int_')
    """
    plain = "".join(c for c in unicodedata.normalize("NFKD", name) if not unicodedata.combining(c))
    made = re.sub(r"[^A-Za-z0-9_]", "_", plain).strip("_") or "field"
    made = re.sub(r"_{2,}", "_", made)
    if made[0].isdigit():
        made = f"n{made}"
    if made not in reserved:
        return made
    return f"{made}_" if f"{made}_" not in reserved else f"n_{made}"


@dataclass
class Scope:
    """The names of one struct, class or file; each is given once. Changes are added to ``renamed``."""

    reserved: Collection[str] = ()
    renamed: list[Renamed] = field(default_factory=list)
    taken: set[str] = field(default_factory=set)

    def inner(self) -> Scope:
        """Return an empty scope with the same reserved words and the same list of changes."""
        return Scope(self.reserved, self.renamed)

    def name(self, name: str, path: str) -> str:
        """Return the identifier for a name that stands at ``path``, and note whether it differs."""
        made = wanted = identifier(name, self.reserved)
        number = 2
        # Names that differ only in case would be one as an upper case constant.
        while made.lower() in self.taken:
            made = f"{wanted}_{number}"
            number += 1
        self.taken.add(made.lower())
        if made != name:
            self.renamed.append(Renamed(path, name, made))
        return made
