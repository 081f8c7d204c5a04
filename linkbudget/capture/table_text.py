"""Delimited text: what can be read off the file (encoding, delimiter, decimal sign, header) is.

RFC 4180 and its common regional forms: comma, semicolon or tab; decimal point or comma; any line end; a
byte-order mark; UTF-8 or Latin-1; a header or none. Lines before the table that begin with ``#`` are passed
over.

A table of any size is read in bounded memory, a number of rows at a time. Some of what it says, only the
whole of it says (one byte that is no UTF-8 makes it Latin-1, one cell the decimal sign), so it is gone
through more than once: for the encoding, for what the cells say together (`TableText.survey`), for the rows.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from pathlib import Path

from linkbudget.capture.delimited import DELIMITERS, Column, Delimited, guess_delimiter, header_of
from linkbudget.capture.source import LONGEST_LINE, MARKS, Source
from linkbudget.errors import CaptureError, warn

__all__ = ["TableText", "parse_delimited"]

LINE_END = re.compile(r"\r\n|\r|\n")
DECIMAL_COMMA = re.compile(r"\s*[-+]?\d*,\d+([eE][-+]?\d+)?\s*")
SAMPLED_LINES, SAMPLED_SIGNS = 50, 1 << 16
ALL_AT_ONCE = 1 << 62
ROWS_AT_ONCE = 1 << 18  # bytes of text; its cells take some forty times as much

Row = tuple[list[str], int]
Pieces = Callable[[], Iterator[bytes]]


def decoded(pieces: Iterable[bytes], encoding: str, mark: int, errors: str = "strict") -> Iterator[str]:
    """Yield the text behind a byte-order mark of ``mark`` bytes; a letter that was cut off is left out."""
    decoder = codecs.getincrementaldecoder(encoding)(errors)
    for piece in pieces:
        skipped = piece[:mark]
        mark -= len(skipped)
        yield decoder.decode(piece[len(skipped) :])


def lines_of(texts: Iterable[str], path: Path) -> Iterator[str]:
    """Yield the lines of a text with their ends, whatever those are; str.splitlines also splits elsewhere."""
    rest, number = "", 0
    for text in texts:
        rest, at = rest + text, 0
        if "\r" not in rest:
            *lines, rest = rest.split("\n")
            yield from (line + "\n" for line in lines)
            number += len(lines)
        else:
            for match in LINE_END.finditer(rest):
                if match.end() == len(rest) and match[0] == "\r":
                    break  # the first half of a line end, perhaps
                yield rest[at : match.end()]
                at, number = match.end(), number + 1
            rest = rest[at:]
        if len(rest) > LONGEST_LINE:
            text = f"longer than {LONGEST_LINE >> 20} MiB; expected lines of text"
            raise CaptureError(path, f"line {number + 1}", text)
    if rest:
        yield rest


class TableText:
    """A table in text of any size. ``pieces()`` gives its bytes from the beginning, each time it is called.

    `chunks` of rows have about ``chunk_bytes``. ``columns``, ``header``, ``cut`` and ``taken`` are those of
    the whole table; ``decimal`` and its entry in ``taken`` are known after `survey`.
    """

    def __init__(self, path: Path, pieces: Pieces, chunk_bytes: int = ALL_AT_ONCE) -> None:
        self.path = path
        self.pieces = pieces
        self.chunk_bytes = chunk_bytes
        self.taken_in = 0
        self.warnings: list[str] = []
        self.decimal = "."
        self._look_through()
        self.skipped = self._preamble()
        sample = "".join(self._sample())[:SAMPLED_SIGNS]
        sampled = [line for line in LINE_END.split(sample)[: SAMPLED_LINES + 1] if line.strip()]
        self.delimiter = guess_delimiter(sampled[:SAMPLED_LINES])
        first = [row for row, _ in islice(self._all_rows(), 2)]
        if not first:
            raise CaptureError(path, f"line {self.skipped + 1}", "no rows; expected a table")
        names, self.headed = header_of(first)
        self.columns = [Column(at, name) for at, name in enumerate(names or map(str, range(len(first[0]))))]
        self.taken = {
            "delimiter": DELIMITERS[self.delimiter],
            "decimal_sign": "point",
            "header": "yes" if names else "none",
            "encoding": f"{self.encoding} with byte-order mark" if self.mark else self.encoding,
        }

    @classmethod
    def of(cls, source: Source) -> TableText:
        """Return the table in a file, a chunk for each piece of it, or several where pieces are large."""
        size = min(source.piece_bytes, ROWS_AT_ONCE)
        return cls(source.path, lambda: source.pieces(size), size)

    def survey(self, visit: Callable[[Delimited], None] = lambda table: None) -> None:
        """Go through the table for its decimal sign; ``visit`` is given each chunk of rows, as `chunks` does.

        Until the sign is known, a comma counts as one. Ends in silence where `chunks` will raise.
        """
        self.decimal = ","
        comma = False
        for table in self._chunks(telling=False):
            cells = (cell for row in table.rows for cell in row if "," in cell)
            comma = comma or any(DECIMAL_COMMA.fullmatch(cell) for cell in cells)
            visit(table)
        self.decimal = "," if comma else "."
        self.taken["decimal_sign"] = "comma" if comma else "point"

    def chunks(self) -> Iterator[Delimited]:
        """Yield the rows behind the header, some at a time; nothing when there is none.

        `CaptureError` names the line where the columns do not agree. A last line that was cut off is left
        out, with a warning in ``warnings``.
        """
        return self._chunks(telling=True)

    def _chunks(self, telling: bool) -> Iterator[Delimited]:
        rows: list[list[str]] = []
        lines: list[int] = []
        full = self.chunk_bytes
        for row, line in self._even_rows(telling):
            if self.taken_in > full and rows:
                yield self._chunk(rows, lines)
                rows, lines, full = [], [], self.taken_in + self.chunk_bytes
            rows.append(row)
            lines.append(line)
        if rows:
            yield self._chunk(rows, lines)

    def head(self) -> Delimited:
        """Return the table without its rows, to look for columns and units."""
        return self._chunk([], [])

    def whole(self) -> Delimited:
        """Return the table in one, after `survey`."""
        found = list(self.chunks())
        return found[0] if found else self.head()

    def _chunk(self, rows: list[list[str]], lines: list[int]) -> Delimited:
        header = bool(self.headed)
        return Delimited(
            self.path, rows, lines, self.columns, header, self.decimal, self.cut, self.taken, self.warnings
        )

    def _look_through(self) -> None:
        """Find out encoding, quotes, and whether the last line has an end."""
        head = b""
        for piece in self.pieces():
            head += piece[:3]
            if len(head) >= 3:
                break
        mark, self.encoding = next(
            ((len(mark), name) for mark, name in MARKS.items() if head.startswith(mark)), (0, "utf-8")
        )
        self.mark = mark
        try:
            self.quotes, self.cut = self._read_through()
        except UnicodeDecodeError:
            self.encoding = "latin-1"
            self.quotes, self.cut = self._read_through()

    def _read_through(self) -> tuple[int, bool]:
        """Return how many quotes there are, and whether the last line has no end."""
        quotes, last = 0, ""
        for text in self._texts():
            quotes += text.count('"')
            last = text[-1:] or last
        return quotes, last not in ("\n", "\r")

    def _texts(self) -> Iterator[str]:
        errors = "replace" if self.mark else "strict"
        return decoded(self._counted(), self.encoding, self.mark, errors)

    def _counted(self) -> Iterator[bytes]:
        """Yield the pieces, their bytes counted in ``taken_in``."""
        self.taken_in = 0
        for piece in self.pieces():
            self.taken_in += len(piece)
            yield piece

    def _preamble(self) -> int:
        """Return how many blank lines and lines that begin with # there are before the table.

        Their quotes say nothing about the table.
        """
        skipped = 0
        for line in lines_of(self._texts(), self.path):
            if line.strip() and not line.startswith("#"):
                break
            skipped += 1
            self.quotes -= line.count('"')
        return skipped

    def _lines(self) -> Iterator[str]:
        return islice(lines_of(self._texts(), self.path), self.skipped, None)

    def _sample(self) -> Iterator[str]:
        """Yield the first lines, as many as are needed to see the delimiter."""
        signs = 0
        for line in islice(self._lines(), SAMPLED_LINES + 1):
            yield line
            signs += len(line)
            if signs >= SAMPLED_SIGNS:
                return

    def _all_rows(self, telling: bool = True) -> Iterator[Row]:
        """Yield the rows, the header too, each with its line; blank lines are left out."""
        if self.quotes:
            yield from self._quoted_rows(telling)
            return
        delimiter = self.delimiter
        for number, line in enumerate(self._lines(), self.skipped + 1):
            line = line.rstrip("\r\n")
            if line.strip():
                yield line.split(delimiter) if delimiter else [line], number

    def _quoted_rows(self, telling: bool) -> Iterator[Row]:
        reader = csv.reader(self._lines(), delimiter=self.delimiter or ",")
        try:
            for row in reader:
                if row:
                    yield row, self.skipped + reader.line_num
        except csv.Error as error:
            if not telling:
                return
            where = f"line {self.skipped + 1 + reader.line_num}"
            raise CaptureError(self.path, where, f"not a table (RFC 4180): {error}") from error

    def _even_rows(self, telling: bool) -> Iterator[Row]:
        """Yield the rows behind the header; each must have as many cells as there are columns.

        Without ``telling`` the rows end in silence at the first fault.
        """
        width = len(self.columns)
        rows = islice(self._all_rows(telling), self.headed, None)
        for row, line in rows:
            if len(row) == width:
                yield row, line
                continue
            if not telling:
                return
            if self.cut and len(row) < width and next(rows, None) is None:
                text = f"{self.path}: the last line, {line}, was cut off and is left out"
                self.warnings.append(warn(text))
                return
            text = f"{len(row)} columns; expected {width} as in the line above"
            raise CaptureError(self.path, f"line {line}", text)


def parse_delimited(data: bytes, path: Path) -> Delimited:
    """Return the table in ``data``; `CaptureError` with the line when the rows do not agree."""
    text = TableText(path, lambda: iter([data]))
    text.survey()
    return text.whole()
