"""Whole streams into NumPy: the columns of a message, and the function that fills them."""

from __future__ import annotations

from linkbudget.codec.columns import column
from linkbudget.codegen.cpython.style import CPythonStyle
from linkbudget.codegen.plain.lines import literal
from linkbudget.codegen.spec import DirectionSpec

__all__ = ["arrays_text"]


def arrays_text(spec: DirectionSpec, style: CPythonStyle) -> str:
    """Return the function from a stream to structured arrays, one for each message."""
    rows = []
    for message in spec.messages:
        layout = spec.codec.message(message.name).layout
        rows += [
            "    (",
            f"        {literal(message.name)},",
            f"        {style.name_of(message)},",
            "        [",
        ]
        for member in layout.primitives:
            kind = column(member.primitive)
            rows.append(f"            ({literal(member.name)}, {literal(kind)}),")
        rows += ["        ],", "    ),"]
    body = "\n".join(rows)
    return f'''
COLUMNS: tuple[tuple[str, type[Message], list[tuple[str, str]]], ...] = (
{body}
)


def arrays(data: bytes) -> dict[str, NDArray[np.void]]:
    """Return the messages of a whole stream by name as structured arrays, a row for each, read-only.

    Choices and labels are texts, which NumPy gives without zeros at their end; blobs, repeats and what may be
    absent are objects.
    """
    import numpy as np

    found, _ = decode_all(data)
    tables = {{}}
    for name, cls, columns in COLUMNS:
        slots: Sequence[str] = cls.__slots__
        rows = [
            tuple([as_dict(getattr(message, slot)) for slot in slots])
            for message in found
            if isinstance(message, cls)
        ]
        table = np.array(rows, dtype=np.dtype(columns))
        table.setflags(write=False)
        tables[name] = table
    return tables
'''.strip()
