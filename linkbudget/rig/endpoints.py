"""Sender and receiver of messages over any port of pyserial, real or virtual.

A `Receiver` reads in a thread of its own and keeps what it found in a queue that never grows beyond its
limit. What a look finds has come since the look before. `stream` gives the same messages to asyncio.
"""

from __future__ import annotations

import asyncio
import threading
from collections import deque
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Any

from linkbudget.capture.ports import bridge_latency
from linkbudget.codec import Codec
from linkbudget.errors import Fault, SettingsError
from linkbudget.rig.clock import Clock, RealClock, VirtualClock
from linkbudget.rig.messages import MessageReader, ReaderCounts, Received
from linkbudget.units import us_to_ns
from linkbudget.wire.uart import UartLine

__all__ = ["MessageStream", "Receiver", "Sender", "stream"]

KEEPS = ("every", "newest")
LOOK_S = 0.01
"""How long a look waits for a first byte: no message's time is less certain than that, bridges apart."""
MOST_BYTES = 1 << 16
CLOSING_LOOKS = 1000


class Sender:
    """Encodes messages and writes their frames, numbered where the format has a sequence byte.

    Several threads may send. Errors are those of `Codec.encode` and of the port.
    """

    def __init__(self, port: Any, codec: Codec) -> None:
        self.port, self.codec = port, codec
        self.sent: dict[str, int] = {}
        self.bytes = 0
        self._lock = threading.Lock()
        self._sequence = 0

    def send(self, name: str, value: Mapping[str, object]) -> int:
        """Send a message; return the bytes of its frame."""
        with self._lock:
            frame = self.codec.encode(name, value, self._sequence)
            self.port.write(frame)
            self._sequence = (self._sequence + 1) % 256
            self.sent[name] = self.sent.get(name, 0) + 1
            self.bytes += len(frame)
        return len(frame)


class Receiver:
    """Reads a port in a thread and keeps messages until they are taken.

    ``port`` is a port of pyserial, ``codec`` that of the direction it reads.
    ``keep``: ``"every"`` keeps up to ``queue`` messages, of which the oldest goes when one more comes;
    ``"newest"`` one of each name. Both count what was not taken as ``dropped``. ``clock``: when bytes came
    (that of a virtual port is taken by itself); ``latency_us`` how long a USB bridge may have held them back
    (None: as the system or the virtual link says). Used as a context manager it is started and closed; what
    brings the port down is raised by the next call, once every message before it was taken. Raises
    `SettingsError` with every fault.
    """

    def __init__(
        self,
        port: Any,
        codec: Codec,
        *,
        keep: str = "every",
        queue: int = 256,
        clock: Clock | None = None,
        latency_us: float | None = None,
    ) -> None:
        faults = []
        if keep not in KEEPS:
            faults.append(Fault("keep", keep, ", ".join(KEEPS)))
        if isinstance(queue, bool) or not isinstance(queue, int) or queue < 1:
            faults.append(Fault("queue", queue, "a whole number of messages, 1 or more"))
        if faults:
            raise SettingsError(faults)
        self.port, self.codec, self.keep, self.queue = port, codec, keep, queue
        pair = getattr(port, "pair", None)
        self.clock: Clock = clock or (pair.clock if pair is not None else RealClock())
        line = UartLine(port.baudrate, port.bytesize, port.parity, port.stopbits)
        self._reader = MessageReader(codec, line)
        self._latency_ns = _latency_ns(port) if latency_us is None else us_to_ns(latency_us)
        self._kept: deque[Received] = deque()
        self._lock = threading.Lock()
        self._error: Exception | None = None
        self._closing = False
        self._listeners: list[Any] = []
        self._begun = threading.Event()
        self._thread = threading.Thread(target=self._run, name="linkbudget receiver", daemon=True)

    def start(self) -> Receiver:
        """Begin to read; returns the receiver. The port's ``timeout`` becomes that of a look."""
        self.port.timeout = LOOK_S
        self._thread.start()
        # A virtual clock must know of the thread before anybody lets it run.
        self._begun.wait()
        return self

    def close(self) -> None:
        """Stop reading; the port stays open. What was not taken can still be."""
        self._closing = True
        cancel = getattr(self.port, "cancel_read", None)
        for _ in range(CLOSING_LOOKS):
            if not self._thread.is_alive():
                return
            if cancel is not None and self.port.is_open and self._error is None:
                try:
                    cancel()
                except OSError:  # It vanished meanwhile, which ends the thread as well.
                    cancel = None
            self._thread.join(LOOK_S)

    def __enter__(self) -> Receiver:
        return self.start()

    def __exit__(self, *error: object) -> None:
        self.close()

    @property
    def counts(self) -> ReaderCounts:
        """What came so far."""
        return self._reader.counts

    def get(self, timeout: float | None = None) -> Received | None:
        """Return the oldest message kept; None when none comes within ``timeout`` seconds (None: no end)."""
        self._wait(timeout, lambda: bool(self._kept))
        with self._lock:
            if self._kept:
                return self._kept.popleft()
        self._raise()
        return None

    def take(self) -> list[Received]:
        """Return all messages kept, oldest first, without waiting."""
        with self._lock:
            found = list(self._kept)
            self._kept.clear()
        if not found:
            self._raise()
        return found

    def _wait(self, timeout: float | None, ready: Any) -> None:
        until = None if timeout is None else self.clock.now_ns() + int(timeout * 1e9)

        def over() -> bool:
            return ready() or self._error is not None or self._closing

        self.clock.wait(over, until, lambda: None)

    def _raise(self) -> None:
        if self._error is not None:
            raise self._error

    def _run(self) -> None:
        looked = self.clock.now_ns()
        self._begun.set()
        try:
            while not self._closing:
                data = self.port.read(1)
                looking = self.clock.now_ns()
                data += self.port.read(min(self.port.in_waiting, MOST_BYTES)) if data else b""
                if data:
                    # Whatever a look finds was not there at the one before it; a bridge may have had it.
                    found = self._reader.feed(data, looked - self._latency_ns, self.clock.now_ns())
                    self._keep(found)
                    self.clock.changed()
                looked = looking
        except Exception as error:  # Told to whoever asks for messages next.
            self._error = error
            self.clock.changed()
            self._tell()
        finally:
            self.clock.leave()

    def _keep(self, found: list[Received]) -> None:
        with self._lock:
            for message in found:
                if self.keep == "newest":
                    older = [one for one in self._kept if one.name == message.name]
                    for one in older:
                        self._kept.remove(one)
                elif len(self._kept) == self.queue:
                    older = [self._kept.popleft()]
                else:
                    older = []
                self.counts.dropped += len(older)
                self._kept.append(message)
        if found:
            self._tell()

    def _tell(self) -> None:
        for listener in self._listeners:
            listener()


def _latency_ns(port: Any) -> int:
    """Return how long what a port delivers may have been held back."""
    pair = getattr(port, "pair", None)
    if pair is None:
        return bridge_latency(str(port.port))[0] * 1_000_000
    bridges = [end.heard.bridge for end in pair.ends.values() if end.port is port]
    return max((us_to_ns(bridge.timer_us) for bridge in bridges if bridge is not None), default=0)


class MessageStream:
    """Messages of a receiver for asyncio: ``async for message in stream``; `send` writes beside.

    On a virtual clock the loop must keep its time: made by `rig.loop.event_loop`, else `SettingsError`.
    """

    def __init__(self, receiver: Receiver, sender: Sender | None) -> None:
        self.receiver, self.sender = receiver, sender
        self._loop = asyncio.get_running_loop()
        clock = receiver.clock
        if isinstance(clock, VirtualClock) and getattr(self._loop, "clock", None) is not clock:
            allowed = (
                "linkbudget.rig.loop.event_loop(clock): another one does not keep a virtual clock's time"
            )
            raise SettingsError(Fault("loop", type(self._loop).__name__, allowed))
        self._came = asyncio.Event()
        self._sending = asyncio.Lock()
        receiver._listeners.append(self._wake)
        self._came.set()

    def _wake(self) -> None:
        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._came.set)

    async def get(self) -> Received:
        """Return the next message; what brought the port down is raised."""
        while True:
            found = self.receiver.get(0)
            if found is not None:
                return found
            self._came.clear()
            if not self.receiver._kept and self.receiver._error is None:
                await self._came.wait()

    async def send(self, name: str, value: Mapping[str, object]) -> int:
        """Send a message from a thread, so that a full line holds up nobody else; return its bytes."""
        if self.sender is None:
            raise SettingsError(Fault("sender", None, "a codec of the other direction, given to stream()"))
        sender, clock, loop = self.sender, self.receiver.clock, self._loop
        done: asyncio.Future[int] = loop.create_future()
        begun = threading.Event()

        def settle(size: int, error: BaseException | None) -> None:
            if done.cancelled():
                return
            if error is None:
                done.set_result(size)
            else:
                done.set_exception(error)

        def run() -> None:
            clock.now_ns()
            begun.set()
            size, failed = 0, None
            try:
                size = sender.send(name, value)
            except Exception as error:  # Raised where it is waited for.
                failed = error
            # The loop knows of the end before a virtual clock runs without this thread.
            if not loop.is_closed():
                loop.call_soon_threadsafe(settle, size, failed)
            clock.leave()

        async with self._sending:
            loop.run_in_executor(None, run)
            # A virtual clock must know of the thread before the loop lets it run; this takes no link time.
            begun.wait()
            return await asyncio.shield(done)

    def __aiter__(self) -> AsyncIterator[Received]:
        return self

    async def __anext__(self) -> Received:
        return await self.get()


@asynccontextmanager
async def stream(
    port: Any, codec: Codec, answers: Codec | None = None, *, keep: str = "every", queue: int = 256
) -> AsyncIterator[MessageStream]:
    """Give the messages that come in at a port to asyncio, while the block runs.

    ``answers``: the codec of the other direction, for `MessageStream.send`. The rest is as in `Receiver`.
    """
    receiver = Receiver(port, codec, keep=keep, queue=queue)
    made = MessageStream(receiver, None if answers is None else Sender(port, answers))
    with receiver:
        yield made
