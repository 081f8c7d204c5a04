"""Line settings, and how a stream comes in pieces."""

from __future__ import annotations

from hypothesis import strategies as st

from linkbudget.wire.uart import PARITIES, STOPBITS, UartLine

__all__ = ["chunkings", "uart_lines"]

USUAL_RATES = (300, 1200, 9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600, 1_000_000, 3_000_000)


def uart_lines(
    baudrates: st.SearchStrategy[int] | None = None, bytesizes: tuple[int, ...] = (8, 7, 6, 5)
) -> st.SearchStrategy[UartLine]:
    """Line settings; simplest is 8N1. ``baudrates``: default the usual ones and others up to 10 million."""
    rates = st.one_of(st.sampled_from(USUAL_RATES), st.integers(50, 10_000_000))
    return st.builds(
        UartLine,
        rates if baudrates is None else baudrates,
        st.sampled_from(bytesizes),
        st.sampled_from(sorted(PARITIES, key="NEOMS".index)),
        st.sampled_from(STOPBITS),
    )


@st.composite
def chunkings(draw: st.DrawFn, data: bytes, most: int = 64) -> list[bytes]:
    """Ways to cut a stream into pieces of at most ``most`` bytes, empty ones too, as reads hand it over.

    Joined they are ``data``. Simplest is byte by byte.
    """
    pieces: list[bytes] = []
    at = 0
    while at < len(data):
        size = draw(st.one_of(st.just(1), st.integers(0, most)))
        if size == 0 and pieces and not pieces[-1]:
            size = 1
        pieces.append(data[at : at + size])
        at += size
    return pieces
