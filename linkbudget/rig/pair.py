"""A virtual link: two ends, each a serial port of pyserial, and a line in each direction between them."""

from __future__ import annotations

import itertools
import re
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.util import find_spec
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from linkbudget.errors import Fault, SettingsError, nearest_name, unknown_name
from linkbudget.rig.clock import Clock, VirtualClock
from linkbudget.rig.faults import Faults
from linkbudget.rig.wire import Holding, Wire
from linkbudget.units import us_to_ns
from linkbudget.wire.uart import UartLine

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.rig.port import VirtualPort
    from linkbudget.traffic.stream import ByteCapture
    from linkbudget.wire.usb_bridge import UsbBridge

__all__ = ["ENDS", "Boot", "End", "LinkPair", "find_pair"]

ENDS = ("controller", "module")
NAME = re.compile(r"[A-Za-z0-9_.-]+")
_NAMES = itertools.count(1)
_KNOWN: dict[str, LinkPair] = {}
_KNOWN_LOCK = threading.Lock()


@dataclass(frozen=True)
class Boot:
    """A module that starts anew when the controller opens its port: silent for a time, then a text.

    ``delay_us`` is that time, 0 or more. Raises `SettingsError`.
    """

    text: bytes
    delay_us: float = 0.0

    def __post_init__(self) -> None:
        if not isinstance(self.text, bytes):
            raise SettingsError(Fault("text", self.text, "bytes"))
        if not 0 <= self.delay_us < 1e12:
            raise SettingsError(Fault("delay_us", self.delay_us, "microseconds, 0 or more"))


@dataclass
class End:
    """One end of a pair: what it sends on, what it hears from, and whether somebody has it open."""

    name: str
    out: Wire
    heard: Wire
    port: VirtualPort | None = None
    plugged: bool = True
    used: bool = False


class LinkPair:
    """Two ends, ``controller`` and ``module``, joined by a line in each direction.

    ``line``: a `UartLine` or text such as ``"115200 8N1"``. Both ends run at it: a port that is opened with
    other settings is told (`LinkBudgetWarning`), but what it would read at a wrong rate is not made up.
    ``clock``: default a new `VirtualClock`. ``to_controller`` and ``to_module``: `Faults` of each direction.
    ``holding``: what each end's port can hold, by name of the end or one for both; ``bridge``: a USB bridge
    before the end named (``{"controller": find_bridge("full-speed")}``). ``boot``: text of a module that
    restarts when the controller's port is opened. ``keep_record`` keeps what arrives (`record`). ``name`` is
    what URLs call it: ``rig://NAME/controller``.

    Used as a context manager it closes both ports and forgets the name at the end. Raises `SettingsError`
    with every fault; so do methods that take an end, for one that is neither ``"controller"`` nor
    ``"module"``.

    >>> with LinkPair("9600 8N1") as pair:
    ...     _ = pair.module.write(b"bean")
    ...     pair.controller.read(4), pair.clock.now_ns()
    (b'bean', 4166667)
    """

    def __init__(
        self,
        line: UartLine | str = "115200 8N1",
        *,
        clock: Clock | None = None,
        to_controller: Faults | None = None,
        to_module: Faults | None = None,
        holding: Holding | Mapping[str, Holding] | None = None,
        bridge: Mapping[str, UsbBridge] | None = None,
        boot: Boot | None = None,
        keep_record: bool = False,
        name: str | None = None,
    ) -> None:
        self.line = UartLine.parse(line) if isinstance(line, str) else line
        self.clock: Clock = VirtualClock() if clock is None else clock
        self.boot = boot
        self.lock = threading.RLock()
        held = holding if isinstance(holding, Mapping) else dict.fromkeys(ENDS, holding or Holding())
        bridges = bridge or {}
        faults = [
            Fault(what, value, kind.__name__)
            for what, value, kind in (
                ("to_controller", to_controller, Faults),
                ("to_module", to_module, Faults),
                ("boot", boot, Boot),
            )
            if value is not None and not isinstance(value, kind)
        ]
        faults += [
            Fault(what, end, ", ".join(ENDS), nearest_name(end, ENDS), problem="names no end")
            for what, table in (("holding", held), ("bridge", bridges))
            for end in table
            if end not in ENDS
        ]
        if faults:
            raise SettingsError(faults)
        wires = {
            end: Wire(
                self.line,
                chosen or Faults(),
                held.get(end, Holding()),
                bridges.get(end),
                stream,
                keep_record,
            )
            for stream, (end, chosen) in enumerate((("controller", to_controller), ("module", to_module)))
        }
        self.ends: Mapping[str, End] = MappingProxyType(
            {
                "controller": End("controller", wires["module"], wires["controller"]),
                "module": End("module", wires["controller"], wires["module"]),
            }
        )
        self.name = name if name is not None else f"pair{next(_NAMES)}"
        if not NAME.fullmatch(self.name):
            raise SettingsError(
                Fault("name", name, "letters, digits, dots, dashes and underscores, for URLs")
            )
        with _KNOWN_LOCK:
            if self.name in _KNOWN:
                raise SettingsError(Fault("name", self.name, "a name that no other open pair has"))
            _KNOWN[self.name] = self
        # Without pyserial nobody opens a URL.
        if find_spec("serial") is not None:
            from linkbudget.rig.port import register_scheme

            register_scheme()

    @classmethod
    def from_link(cls, link: Link, **more: Any) -> LinkPair:
        """Return a pair as a link file describes it: line, gaps, jitter, error rate, what the receiver holds.

        The controller's program is the one under test: so its loop, trigger level, latencies and costs are
        left out, and a character can be read as soon as it has come. `replay` is what reckons with them.
        ``more``: arguments of `LinkPair`, which go before what the file says.
        """
        model = link.resolve().receiver
        size = model.fifo_bytes if model.mode == "polled" else model.buffer_bytes
        keep = tuple(kind for kind, what in model.errored.items() if what == "keep")
        given: dict[str, Any] = {
            "to_controller": Faults(
                float(link.bit_error_rate),
                gap_us=float(link.sender.gap_us),
                jitter_us=float(link.sender.jitter_us),
            ),
            "to_module": Faults(float(link.bit_error_rate)),
            "holding": {
                "controller": Holding(size, "drop-old" if model.overflow == "drop-old" else "drop-new", keep)
            },
        }
        return cls(link.line, **(given | more))

    @property
    def controller(self) -> VirtualPort:
        """The controller's port, opened now unless it is open."""
        return self.port("controller")

    @property
    def module(self) -> VirtualPort:
        """The module's port, opened now unless it is open."""
        return self.port("module")

    def port(self, name: str) -> VirtualPort:
        """Return the port of an end; opened at the pair's line setting unless it is open."""
        from linkbudget.rig.port import VirtualPort

        end = self.end(name)
        if end.port is None:
            line = self.line
            VirtualPort(
                self.url(name),
                baudrate=int(line.baudrate),
                bytesize=line.bytesize,
                parity=line.parity,
                stopbits=line.stopbits,
            )
        assert end.port is not None
        return end.port

    def end(self, name: str) -> End:
        """Return an end by its name; `SettingsError` for another name."""
        if name not in self.ends:
            raise SettingsError(unknown_name("end", name, ENDS))
        return self.ends[name]

    def url(self, end: str) -> str:
        """Return the URL by which ``serial.serial_for_url`` opens an end."""
        return f"rig://{self.name}/{self.end(end).name}"

    def unplug(self, end: str) -> None:
        """Let a port vanish as a pulled cable does: from now on its calls raise ``SerialException``.

        What it was given and had not begun to send is never sent. Plugged in again it must be opened again.
        """
        now = self.clock.now_ns()
        with self.lock:
            self.end(end).plugged, self.end(end).port = False, None
            self.end(end).out.forget_unsent(now)
        self.clock.changed()

    def plug(self, end: str) -> None:
        """Put the cable back: the port can be opened again."""
        with self.lock:
            self.end(end).plugged = True

    def play(self, capture: ByteCapture, to: str = "controller") -> None:
        """Let a recording arrive at an end, at its recorded times from now on."""
        now = self.clock.now_ns()
        with self.lock:
            self.end(to).heard.play(capture, now)
        self.clock.changed()

    def counts(self, to: str) -> dict[str, int]:
        """Return what became of characters sent to an end (`rig.wire.WireCounts`), and those not read yet."""
        now = self.clock.now_ns()
        with self.lock:
            wire = self.end(to).heard
            waiting = wire.waiting(now)
            return {**vars(wire.counts), "waiting": waiting, "on_their_way": wire.on_their_way}

    def record(self, to: str) -> ByteCapture:
        """Return what has arrived at an end until now (with ``keep_record``), as a capture."""
        now = self.clock.now_ns()
        with self.lock:
            return self.end(to).heard.record(now)

    def opened(self, end: End, port: VirtualPort, now: int) -> None:
        """Note that somebody has opened an end; a module with a boot text restarts with its controller."""
        if end.used:
            end.heard.flush(now)
        end.port, end.used = port, True
        if end.name == "controller" and self.boot is not None:
            end.heard.forget_unsent(now)
            end.heard.send(self.boot.text, now + us_to_ns(self.boot.delay_us))

    def close(self) -> None:
        """Close both ports and forget the name."""
        for end in self.ends.values():
            if end.port is not None:
                end.port.close()
        with _KNOWN_LOCK:
            _KNOWN.pop(self.name, None)

    def __enter__(self) -> LinkPair:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()


def find_pair(name: str) -> LinkPair:
    """Return the open pair of this name; `SettingsError` with the nearest one otherwise."""
    with _KNOWN_LOCK:
        if name in _KNOWN:
            return _KNOWN[name]
        known = sorted(_KNOWN)
    allowed = ", ".join(known) or "none, for no pair is open"
    raise SettingsError(
        Fault("name", name, allowed, nearest_name(name, known), problem="is no pair that is open")
    )
