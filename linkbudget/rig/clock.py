"""Clocks of a rig: the real one, and one that runs as fast as the processor.

A `VirtualClock` stands still while a program works and jumps when it waits. Where several threads share one,
time moves only once every thread that uses it waits: so a run gives the same result each time. A thread that
has used the clock and now waits for something else (a lock, the end of another thread) cannot be told from
one that works; after ``patience_s`` of real time without anybody using the clock it is left out until it uses
it again. A thread that only asks, for the time or for bytes, and never waits, would stop it for good: after
some thousand questions in a row each further one takes some time.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Protocol
from unittest import mock

from linkbudget.units import exact, round_half_up

__all__ = ["Clock", "RealClock", "VirtualClock", "patched_time"]

QUESTIONS = 2000
"""Questions of a thread in a row that take no time on a virtual clock."""
QUESTION_NS = 10_000
"""What each further one takes."""
STUCK_S = 10.0
"""Real seconds without anything due after which a virtual clock gives up."""
Source = Callable[[], int | None]
"""Returns when something happens next, in nanoseconds of the clock; None when nothing is due."""


class Clock(Protocol):
    """What a rig needs of a clock; times are whole nanoseconds since its start."""

    def now_ns(self) -> int:
        """Return the time."""

    def wait(self, ready: Callable[[], bool], until_ns: int | None, due: Source) -> bool:
        """Wait until ``ready`` is true (then return True) or the time ``until_ns`` has come (False).

        ``due`` says when it should be asked again at the latest. ``until_ns`` None: without end.
        """

    def changed(self) -> None:
        """Say that something happened that may make others ready."""

    def sleep_ns(self, length_ns: int) -> None:
        """Wait so long."""

    def leave(self) -> None:
        """Say that this thread is done with the clock, or waits for something else now."""


class RealClock:
    """The monotonic clock of the system, counted from the making of this object."""

    def __init__(self) -> None:
        self._start = time.monotonic_ns()
        self._happened = threading.Condition()

    def now_ns(self) -> int:
        """Return the nanoseconds since the clock was made."""
        return time.monotonic_ns() - self._start

    def wait(self, ready: Callable[[], bool], until_ns: int | None, due: Source) -> bool:
        """Wait in real time; see `Clock.wait`."""
        with self._happened:
            while not ready():
                now, ends = self.now_ns(), [at for at in (until_ns, due()) if at is not None]
                if until_ns is not None and now >= until_ns:
                    return False
                self._happened.wait(max(min(ends) - now, 0) / 1e9 if ends else None)
        return True

    def changed(self) -> None:
        """Wake whoever waits."""
        with self._happened:
            self._happened.notify_all()

    def sleep_ns(self, length_ns: int) -> None:
        """Wait so long in real time."""
        if length_ns > 0:
            time.sleep(length_ns / 1e9)

    def leave(self) -> None:
        """Real time waits for nobody."""


@dataclass(frozen=True)
class _Waiter:
    """What a thread waits for."""

    ready: Callable[[], bool]
    until_ns: int | None
    due: Source

    def over(self, now_ns: int) -> bool:
        """Return whether the wait is over."""
        return self.ready() or (self.until_ns is not None and now_ns >= self.until_ns)

    def next_ns(self) -> int | None:
        """Return when it should look again."""
        return _earliest(self.until_ns, self.due())


class VirtualClock:
    """A clock that moves when everybody who uses it waits, straight to what happens next.

    It begins at ``start_ns`` nanoseconds. ``patience_s``: real seconds after which a thread that neither
    works with the clock nor waits for it is taken to wait for something else. `DeadlockError` when all wait
    without end and nothing is due.
    """

    def __init__(self, start_ns: int = 0, patience_s: float = 0.05) -> None:
        self._now = start_ns
        self._patience_s = patience_s
        self._happened = threading.Condition(threading.RLock())
        self._users: set[int] = set()
        self._waiting: dict[int, _Waiter] = {}
        self._inside: set[int] = set()
        self._questions: dict[int, int] = {}
        self._uses = 0
        self._fruitless = 0

    def now_ns(self) -> int:
        """Return the time."""
        me = threading.get_ident()
        with self._happened:
            if me in self._inside:  # Asked on behalf of somebody who waits, maybe of another thread.
                return self._now
            self._use(me)
            asked = self._questions[me] = self._questions.get(me, 0) + 1
            if asked > QUESTIONS:
                end = self._now + QUESTION_NS
                self.wait(lambda: self._now >= end, None, lambda: end)
                self._questions[me] = asked
            return self._now

    def wait(self, ready: Callable[[], bool], until_ns: int | None, due: Source) -> bool:
        """Let the clock run until ``ready`` or ``until_ns``; see `Clock.wait`."""
        me = threading.get_ident()
        with self._happened:
            self._use(me)
            self._questions.pop(me, None)
            self._inside.add(me)
            try:
                while not ready():
                    if until_ns is not None and self._now >= until_ns:
                        return False
                    self._waiting[me] = _Waiter(ready, until_ns, due)
                    try:
                        self._let_run(me)
                    finally:
                        self._waiting.pop(me, None)
            finally:
                self._inside.discard(me)
            return True

    def _let_run(self, me: int) -> None:
        """Move to what happens next when all wait; else wait for the others, with some patience."""
        others = [waiter for user, waiter in self._waiting.items() if user != me]
        if any(waiter.over(self._now) for waiter in others):
            # Its turn has come, and it has not woken yet.
            self._happened.notify_all()
            self._happened.wait(self._patience_s)
            return
        if not self._users <= self._waiting.keys():
            self._users &= {thread.ident for thread in threading.enumerate() if thread.ident is not None}
        if not self._users <= self._waiting.keys():
            uses = self._uses
            self._happened.wait(self._patience_s)
            if self._uses == uses:
                # Nobody used the clock: who does not wait for it waits for something else, or is gone.
                self._users &= self._waiting.keys()
            return
        at = _earliest(*(waiter.next_ns() for waiter in self._waiting.values()))
        if at is None:
            # Another thread may be at work; when there is none, or it takes very long, nothing will happen.
            self._fruitless += 1
            if threading.active_count() <= len(self._waiting) or self._fruitless * self._patience_s > STUCK_S:
                raise DeadlockError("everything waits without a time limit, and nothing is on its way")
            self._happened.wait(self._patience_s)
            return
        self._fruitless = 0
        self._now = max(self._now, at)
        self._uses += 1
        self._happened.notify_all()

    def changed(self) -> None:
        """Wake whoever waits, to look again."""
        me = threading.get_ident()
        with self._happened:
            # That does not make a user of a thread which only hands something over, as asyncio's do.
            self._uses += 1
            self._questions.pop(me, None)
            self._happened.notify_all()

    def sleep_ns(self, length_ns: int) -> None:
        """Let so much time pass, or more when others make it so."""
        end = self.now_ns() + max(length_ns, 0)
        self.wait(lambda: self._now >= end, None, lambda: end)

    def leave(self) -> None:
        """Let the clock move without this thread, until it uses it again."""
        with self._happened:
            self._users.discard(threading.get_ident())
            self._uses += 1
            self._happened.notify_all()

    def _use(self, me: int) -> None:
        if me not in self._users:
            threading.current_thread()  # Makes a thread of a foreign library one that can be listed.
            self._users.add(me)
        self._uses += 1


class DeadlockError(RuntimeError):
    """A virtual clock cannot run: everybody waits, and nothing will ever happen."""


def _earliest(*times: int | None) -> int | None:
    return min((at for at in times if at is not None), default=None)


@contextmanager
def patched_time(clock: Clock) -> Iterator[None]:
    """Let ``time.sleep``, ``time.monotonic``, ``time.perf_counter`` and ``time.time`` follow a clock.

    Their forms in nanoseconds too, while the block runs, for code that calls them through the module
    ``time``; what was imported from it by name before keeps to real time. ``time.time`` goes on from what it
    was. ``time.sleep`` raises ``ValueError`` for a negative length, as it does without this.
    """
    began_ns = time.time_ns()

    def seconds() -> float:
        return clock.now_ns() / 1e9

    def wall() -> float:
        return wall_ns() / 1e9

    def wall_ns() -> int:
        return began_ns + clock.now_ns()

    def sleep(length: float) -> None:
        if length < 0:
            raise ValueError("sleep length must be non-negative")
        clock.sleep_ns(round_half_up(exact(length) * 10**9))

    with (
        mock.patch("time.sleep", sleep),
        mock.patch("time.monotonic", seconds),
        mock.patch("time.monotonic_ns", clock.now_ns),
        mock.patch("time.perf_counter", seconds),
        mock.patch("time.perf_counter_ns", clock.now_ns),
        mock.patch("time.time", wall),
        mock.patch("time.time_ns", wall_ns),
    ):
        yield
