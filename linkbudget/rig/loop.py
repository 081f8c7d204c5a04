"""An event loop of asyncio on a virtual clock: ``asyncio.sleep`` and time limits follow the link's time."""

from __future__ import annotations

import asyncio
import selectors
from collections.abc import Callable
from contextvars import Context
from typing import TypeVarTuple, Unpack

from linkbudget.rig.clock import Clock, VirtualClock

__all__ = ["LinkEventLoop", "event_loop"]

Given = TypeVarTuple("Given")


def event_loop(clock: Clock) -> asyncio.AbstractEventLoop:
    """Return an event loop that keeps the time of a clock.

    ``asyncio.Runner(loop_factory=lambda: event_loop(pair.clock))`` runs code on it.
    """
    return LinkEventLoop(clock) if isinstance(clock, VirtualClock) else asyncio.SelectorEventLoop()


class LinkEventLoop(asyncio.SelectorEventLoop):
    """An event loop that waits on a virtual clock. Sockets are seen too, though not on its time."""

    def __init__(self, clock: VirtualClock) -> None:
        self.clock = clock
        super().__init__(_Selector(clock))

    def time(self) -> float:
        """Return the seconds of the clock."""
        return self.clock.now_ns() / 1e9

    async def shutdown_default_executor(self, timeout: float | None = None) -> None:
        """See asyncio; threads end in real time, so a limit on the clock's time does not hold for them."""
        await super().shutdown_default_executor()

    def call_soon_threadsafe(
        self,
        callback: Callable[[Unpack[Given]], object],
        *args: *Given,
        context: Context | None = None,
    ) -> asyncio.Handle:
        """See asyncio; wakes the loop where it waits on the clock."""
        handle = super().call_soon_threadsafe(callback, *args, context=context)
        self.clock.changed()
        return handle


class _Selector(selectors.DefaultSelector):
    """Lets the clock run where others sleep."""

    def __init__(self, clock: VirtualClock) -> None:
        super().__init__()
        self._clock = clock

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """Return what is ready now, or within ``timeout`` seconds of the clock."""
        found = super().select(0)
        if found or (timeout is not None and timeout <= 0):
            return found
        # Rounded up: a timer that is due a part of a nanosecond later would be asked for again and again.
        until = None if timeout is None else self._clock.now_ns() + int(timeout * 1e9) + 1
        look = super().select

        def ready() -> bool:
            found[:] = look(0)
            return bool(found)

        self._clock.wait(ready, until, lambda: None)
        return found
