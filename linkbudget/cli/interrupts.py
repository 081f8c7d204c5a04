"""Ctrl-C while there is something to be kept."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

__all__ = ["EXIT_INTERRUPTED", "Stopped", "stop_by_signal"]

EXIT_INTERRUPTED = 130  # 128 + SIGINT, as shells have it


class Stopped(KeyboardInterrupt):
    """The work was ended by Ctrl-C at a moment when nothing was half done."""


@contextmanager
def stop_by_signal() -> Iterator[Callable[[], bool]]:
    """Give a function that is true once Ctrl-C was pressed; a second one interrupts as usual.

    Whoever works asks it at moments when nothing is half done. Only the main thread gets signals; in another
    one Ctrl-C is left as it is.
    """
    pressed: list[int] = []

    def press(signum: int, frame: object) -> None:
        if pressed:
            raise KeyboardInterrupt
        pressed.append(signum)

    if threading.current_thread() is not threading.main_thread():
        yield lambda: False
        return
    before = signal.signal(signal.SIGINT, press)
    try:
        yield lambda: bool(pressed)
    finally:
        signal.signal(signal.SIGINT, before)
