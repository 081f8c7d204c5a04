"""A serial port of pyserial at one end of a virtual link.

It keeps the contract of ``serial.SerialBase``: `read` blocks for as long as ``timeout`` says, `write` until
the last bytes fit the transmit buffer. Importing this module tells pyserial of the scheme ``rig://``.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

import serial
from serial.serialutil import PortNotOpenError, SerialBase, SerialException, SerialTimeoutException, to_bytes

from linkbudget.errors import SettingsError, warn
from linkbudget.rig.pair import ENDS, NAME, End, LinkPair, find_pair
from linkbudget.units import exact, round_half_up

if TYPE_CHECKING:
    from linkbudget.rig.clock import Clock
    from linkbudget.rig.wire import Wire

__all__ = ["VirtualPort", "register_scheme"]

HANDLERS = "linkbudget.rig.handlers"
TRANSMIT_BYTES = 4096


def register_scheme() -> None:
    """Tell pyserial where the handler of ``rig://`` is; once is enough, more does no harm."""
    if HANDLERS not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(HANDLERS)


class VirtualPort(SerialBase):  # type: ignore[misc]
    """One end of a `LinkPair`, opened by its URL. Settings, errors and blocking are those of pyserial."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self.is_open = False
        self._pair: LinkPair | None = None
        self._end: End | None = None
        self._cancelled = {"read": False, "write": False}
        self._told: tuple[object, ...] | None = None
        super().__init__(*args, **kwargs)

    # Opening and closing.

    def open(self) -> None:
        """Open the end that the port's URL names; ``SerialException`` when that cannot be.

        What came since somebody else closed it is thrown away; before it was first opened nothing is.
        """
        if self._port is None:
            raise SerialException("Port must be configured before it can be used.")
        if self.is_open:
            raise SerialException("Port is already open.")
        pair, end = _found(self._port)
        now = pair.clock.now_ns()
        with pair.lock:
            if not end.plugged:
                raise SerialException(f"could not open port {self._port}: it is unplugged")
            if end.port is not None:
                raise SerialException(f"could not open port {self._port}: it is open already")
            self._pair, self._end = pair, end
            self._reconfigure_port()
            self.is_open = True
            pair.opened(end, self, now)
        pair.clock.changed()

    def close(self) -> None:
        """Close the port. What has arrived and was not read is lost."""
        if not self.is_open:
            return
        self.is_open = False
        pair, end = self._both()
        now = pair.clock.now_ns()
        with pair.lock:
            if end.port is self:
                end.port = None
                end.heard.flush(now)
        pair.clock.changed()

    @property
    def pair(self) -> LinkPair | None:
        """The pair this port is an end of; None before it was opened."""
        return self._pair

    def _both(self) -> tuple[LinkPair, End]:
        assert self._pair is not None
        assert self._end is not None
        return self._pair, self._end

    def _reconfigure_port(self) -> None:
        pair, end = self._both()
        line = pair.line
        mine = (self._baudrate, self._bytesize, self._parity, self._stopbits)
        if self._told != mine != (int(line.baudrate), line.bytesize, line.parity, line.stopbits):
            # pyserial comes here for every setting, a timeout too; the same thing is told once.
            self._told = mine
            text = f"{mine[0]} {mine[1]}{mine[2]}{mine[3]}"
            warn(f"the {end.name}'s port is set to {text}, but the line runs at {line} all the same")

    def _check(self) -> tuple[LinkPair, End]:
        if not self.is_open:
            raise PortNotOpenError
        pair, end = self._both()
        self._raise_if_gone()
        return pair, end

    def _raise_if_gone(self) -> None:
        """Raise ``SerialException`` when it was unplugged while open, whether plugged in again or not."""
        if self.is_open and self._both()[1].port is not self:
            raise SerialException(f"{self._port} is gone: it was unplugged")

    # Reading.

    @property
    def in_waiting(self) -> int:
        """The number of bytes that can be read at once."""
        pair, end = self._check()
        now = pair.clock.now_ns()
        with pair.lock:
            return end.heard.waiting(now)

    def read(self, size: int = 1) -> bytes:
        """Return ``size`` bytes; fewer when the timeout comes first (None: never, 0: at once)."""
        pair, end = self._check()
        clock, found = pair.clock, bytearray()
        began = clock.now_ns()
        limit = None if self._timeout is None else began + round_half_up(exact(self._timeout) * 10**9)
        between = self._inter_byte_timeout
        self._cancelled["read"] = False
        going_on = size > 0
        while going_on:
            now = clock.now_ns()
            with pair.lock:
                found += end.heard.read(size - len(found), now)
            if len(found) >= size or self._timeout == 0:
                break
            until = limit
            if between and found:
                quiet = now + round_half_up(exact(between) * 10**9)
                until = quiet if limit is None else min(limit, quiet)
            # All that is missing is waited for at once, as far as the buffer holds it and more.
            wanted = 1 if between else min(size - len(found), end.heard.safe_bytes)
            going_on = self._wait(
                "read",
                partial(_has_come, end.heard, clock, wanted),
                until,
                partial(end.heard.ready_ns, wanted),
            )
            if not going_on and self.is_open:
                now = clock.now_ns()
                with pair.lock:
                    found += end.heard.read(size - len(found), now)
        return bytes(found)

    def cancel_read(self) -> None:
        """Let a blocked read return with what it has."""
        self._cancel("read")

    def reset_input_buffer(self) -> None:
        """Throw away what can be read."""
        pair, end = self._check()
        now = pair.clock.now_ns()
        with pair.lock:
            end.heard.flush(now)

    # Writing.

    def write(self, data: Any) -> int:
        """Send bytes; returns when the last ones fit the transmit buffer.

        ``SerialTimeoutException`` when ``write_timeout`` comes first; what fitted until then is sent.
        """
        pair, end = self._check()
        payload = to_bytes(data)
        clock, at = pair.clock, 0
        limit = (
            None
            if self._write_timeout is None
            else clock.now_ns() + round_half_up(exact(self._write_timeout) * 10**9)
        )
        self._cancelled["write"] = False
        while True:
            at += self._send(payload[at:])
            if at == len(payload):
                return at
            # The rest is handed over at once when it fits, in halves of the buffer when it is longer.
            wanted = min(len(payload) - at, TRANSMIT_BYTES // 2)
            most = TRANSMIT_BYTES - wanted + 1
            if not self._wait(
                "write",
                partial(_has_room, end.out, clock, most),
                limit,
                partial(end.out.room_ns, most),
            ):
                if self._cancelled["write"] or not self.is_open:
                    return at
                self._send(payload[at:])
                raise SerialTimeoutException("Write timeout")

    def _send(self, data: bytes) -> int:
        """Put on the line what fits the transmit buffer; return how many bytes."""
        pair, end = self._check()
        now = pair.clock.now_ns()
        with pair.lock:
            room = max(TRANSMIT_BYTES - end.out.unsent(now), 0)
            end.out.send(data[:room], now)
        pair.clock.changed()
        return min(room, len(data))

    def cancel_write(self) -> None:
        """Let a blocked write return."""
        self._cancel("write")

    @property
    def out_waiting(self) -> int:
        """The number of bytes that were written and have not begun to be sent.

        While a break or a recording holds the line, that counts as the bytes it would have had time for.
        """
        pair, end = self._check()
        now = pair.clock.now_ns()
        with pair.lock:
            return end.out.unsent(now)

    def flush(self) -> None:
        """Wait until everything that was written has left."""
        pair, end = self._check()
        self._cancelled["write"] = False
        self._wait(
            "write", lambda: pair.clock.now_ns() >= end.out.sent_by_ns(), None, lambda: end.out.sent_by_ns()
        )

    def reset_output_buffer(self) -> None:
        """Take back what was written and has not begun to be sent."""
        pair, end = self._check()
        now = pair.clock.now_ns()
        with pair.lock:
            end.out.forget_unsent(now)

    def send_break(self, duration: float = 0.25) -> None:
        """Hold the line low for so many seconds."""
        pair, end = self._check()
        now = pair.clock.now_ns()
        with pair.lock:
            end.out.send_break(round_half_up(exact(duration) * 10**9), now)
        pair.clock.changed()

    # Waiting.

    def _wait(
        self, what: str, ready: Callable[[], bool], until: int | None, due: Callable[[], int | None]
    ) -> bool:
        """Wait until ready; False when the time has come or the wait was cancelled.

        The clock calls these while it holds its lock: so nobody who holds the pair's may ask the clock.
        """
        pair, end = self._both()

        def stopped() -> bool:
            return self._cancelled[what] or end.port is not self

        def settled() -> bool:
            with pair.lock:
                return stopped() or ready()

        def next_at() -> int | None:
            with pair.lock:
                return due()

        came = pair.clock.wait(settled, until, next_at)
        self._raise_if_gone()
        return came and not stopped()

    def _cancel(self, what: str) -> None:
        pair, _ = self._check()
        self._cancelled[what] = True
        pair.clock.changed()

    # Lines beside the data: none is wired.

    def _update_rts_state(self) -> None:
        """RTS goes nowhere."""

    def _update_dtr_state(self) -> None:
        """DTR goes nowhere; a module restarts when the port is opened."""

    def _update_break_state(self) -> None:
        """A break of no stated length cannot be told from its beginning; `send_break` sends one."""
        if self._break_state:
            raise io.UnsupportedOperation("a virtual line takes breaks of a given length: use send_break")

    @property
    def cts(self) -> bool:
        """Always set: no flow control is wired."""
        return True

    dsr = cd = cts

    @property
    def ri(self) -> bool:
        """Never set."""
        return False


def _has_come(wire: Wire, clock: Clock, wanted: int) -> bool:
    return wire.waiting(clock.now_ns()) >= wanted


def _has_room(wire: Wire, clock: Clock, most: int) -> bool:
    return wire.unsent(clock.now_ns()) < most


def _found(url: str) -> tuple[LinkPair, End]:
    """Return the pair and end of a URL; ``SerialException`` in one line for anything else."""
    name, slash, end = url.removeprefix("rig://").partition("/")
    if not url.startswith("rig://") or not NAME.fullmatch(name) or not slash or end not in ENDS:
        raise SerialException(
            f"{url!r} names no end of a virtual link; expected rig://NAME/{' or rig://NAME/'.join(ENDS)}"
        )
    try:
        pair = find_pair(name)
    except SettingsError as error:
        raise SerialException(f"could not open port {url}: {error}") from None
    return pair, pair.end(end)


register_scheme()
