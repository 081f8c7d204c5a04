"""An end of a virtual link behind a pseudo-terminal, so that a program in any language can open it."""

from __future__ import annotations

import os
import select
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING

from serial.serialutil import SerialException

from linkbudget.errors import Fault, SettingsError
from linkbudget.rig.clock import RealClock

if TYPE_CHECKING:
    from linkbudget.rig.pair import LinkPair

__all__ = ["TerminalEnd"]

CHUNK = 4096
LOOK_S = 0.05


class TerminalEnd:
    """Opens an end of a pair and passes its bytes to and from a pseudo-terminal; ``path`` is what to open.

    The pair must be on a `RealClock`: the other program lives in real time. Bytes are paced by the pair, not
    by the terminal, whose own baud rate means nothing. Where the system has no pseudo-terminals, making one
    raises `SettingsError`; ``SerialException`` when somebody has the end open. Used as a context manager it
    is closed at the end; so is the end of the pair. When the end is unplugged the terminal hangs up, as a
    pulled adapter does: the program reads its end.
    """

    def __init__(self, pair: LinkPair, end: str) -> None:
        if not isinstance(pair.clock, RealClock):
            raise SettingsError(
                Fault("clock", type(pair.clock).__name__, "a RealClock: programs live in real time")
            )
        try:
            import tty
        except ImportError:
            raise SettingsError(Fault("end", end, "a system with pseudo-terminals")) from None
        if pair.end(end).port is not None:
            raise SerialException(f"could not open port {pair.url(end)}: it is open already")
        self.port = pair.port(end)
        self.port.timeout = LOOK_S
        self._pair = pair
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.path = os.ttyname(self._slave)
        os.set_blocking(self._master, False)
        self._closing = False
        self._lock, self._passing = threading.Lock(), 2
        self._threads = [
            threading.Thread(target=self._pass, args=(run,), name=f"linkbudget terminal {end}", daemon=True)
            for run in (self._outward, self._inward)
        ]
        for thread in self._threads:
            thread.start()

    def _pass(self, run: Callable[[], None]) -> None:
        """Pass bytes one way until the end is closed or vanishes; the last to stop hangs up."""
        try:
            run()
        except SerialException:
            self._closing = True
        finally:
            with self._lock:
                self._passing -= 1
                if not self._passing:
                    os.close(self._master)
                    os.close(self._slave)

    def _outward(self) -> None:
        """From the terminal to the line."""
        while not self._closing:
            if select.select([self._master], [], [], LOOK_S)[0]:
                self.port.write(os.read(self._master, CHUNK))

    def _inward(self) -> None:
        """From the line to the terminal; what it has no room for waits, as in a driver."""
        while not self._closing:
            data = self.port.read(1)
            data += self.port.read(self.port.in_waiting) if data else b""
            while data and not self._closing:
                if select.select([], [self._master], [], LOOK_S)[1]:
                    data = data[os.write(self._master, data) :]

    def close(self) -> None:
        """Stop passing bytes, and close terminal and end."""
        self._closing = True
        for thread in self._threads:
            thread.join(10)
        self.port.close()

    def __enter__(self) -> TerminalEnd:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()
