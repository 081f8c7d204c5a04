"""The pytest plugin: a link pair, a recorder, a deadline, and the requirements of a link file as assertions.

It is found through the entry point ``pytest11`` and costs projects that do not use it next to nothing: what
is heavy is imported when a fixture asks for it. Measurements are kept as properties of the test in JUnit XML.
pytest's exit codes are left alone.

A test of a program at the controller's end asks for ``link_port``. That is the end of a virtual link, unless
``--port NAME`` names a real port: then the same test talks to the real module.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.replay.result import Replay
    from linkbudget.rig.clock import Clock
    from linkbudget.rig.pair import LinkPair
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["link_clock", "link_deadline", "link_pair", "link_port", "link_recorder", "link_requirements"]

MARK = "linkbudget"
TIMEOUT_S = 1


def pytest_addoption(parser: pytest.Parser) -> None:
    """Add the options of this plugin."""
    group = parser.getgroup("linkbudget", "serial links (linkbudget)")
    group.addoption(
        "--port", metavar="NAME", help="real port for the fixture link_port, instead of a virtual link"
    )
    group.addoption(
        "--link", metavar="FILE", help="link file for the fixtures; a test's own mark goes before it"
    )
    group.addoption("--link-real-time", action="store_true", help="let virtual links run in real time")


def pytest_configure(config: pytest.Config) -> None:
    """Make the mark known."""
    config.addinivalue_line(
        "markers",
        f"{MARK}(line, link, ...): settings of the fixture link_pair: arguments of LinkPair, or link=FILE",
    )


def settings_of(request: pytest.FixtureRequest) -> dict[str, Any]:
    """Return the arguments for the pair of a test: of its mark, of its class's, of ``--link``."""
    found: dict[str, Any] = {}
    for mark in reversed(list(request.node.iter_markers(MARK))):
        if len(mark.args) > 1:
            raise pytest.UsageError(
                f"{request.node.nodeid}: the mark {MARK} takes one line and names, no more"
            )
        found |= dict(zip(("line",), mark.args, strict=False)) | mark.kwargs
    file = request.config.getoption("--link")
    if file is not None and not found.keys() & {"line", "link"}:
        found["link"] = file
    return found


@pytest.fixture
def link_clock(request: pytest.FixtureRequest) -> Iterator[Clock]:
    """The clock of the test's virtual link; ``time.sleep`` and what tells time follow a virtual one."""
    from linkbudget.rig.clock import RealClock, VirtualClock, patched_time

    if request.config.getoption("--port") or request.config.getoption("--link-real-time"):
        yield RealClock()
        return
    clock = VirtualClock()
    with patched_time(clock):
        yield clock


@pytest.fixture
def link_pair(request: pytest.FixtureRequest, link_clock: Clock) -> Iterator[LinkPair]:
    """A virtual link, closed after the test. Settings: ``@pytest.mark.linkbudget("9600 8N1", boot=...)``."""
    from linkbudget.link.model import Link
    from linkbudget.rig.pair import LinkPair

    given = {"keep_record": True, "clock": link_clock, **settings_of(request)}
    file = given.pop("link", None)
    if file is None:
        pair = LinkPair(**given)
    else:
        pair = LinkPair.from_link(file if isinstance(file, Link) else Link.load(file), **given)
    with pair:
        yield pair


@pytest.fixture
def link_port(request: pytest.FixtureRequest) -> Iterator[Any]:
    """The port at the controller's end: that of ``--port`` when named, else of the virtual ``link_pair``.

    Either way its ``timeout`` is one second until the test sets another.
    """
    name = request.config.getoption("--port")
    if name is None:
        port = request.getfixturevalue("link_pair").controller
        port.timeout = TIMEOUT_S
        yield port
        return
    from linkbudget.capture.ports import open_port
    from linkbudget.errors import LinkBudgetError

    try:
        port = open_port(name, line_of(settings_of(request)))
    except LinkBudgetError as error:
        raise pytest.UsageError(f"--port {name}: {error}") from None
    with port:
        port.timeout = TIMEOUT_S
        yield port


def line_of(given: dict[str, Any]) -> Any:
    """Return the line setting that a real port is opened with."""
    from linkbudget.link.model import Link
    from linkbudget.wire.uart import UartLine

    if "link" in given:
        link = given["link"]
        return (link if isinstance(link, Link) else Link.load(link)).line
    line = given.get("line", "115200 8N1")
    return UartLine.parse(line) if isinstance(line, str) else line


def keep(request: pytest.FixtureRequest, name: str, value: object) -> None:
    """Keep a property of a test, in place of an earlier one of the name.

    Not by way of ``record_property``, which warns under the default family of JUnit XML.
    """
    properties = request.node.user_properties
    properties[:] = [pair for pair in properties if pair[0] != name] + [(name, value)]


@pytest.fixture
def link_recorder(request: pytest.FixtureRequest) -> Callable[..., ByteCapture]:
    """A function ``(to="controller")`` that returns what has arrived at an end, as a capture.

    It sees the line of a virtual link. With ``--port`` there is none to be seen: the test ends with an error
    instead of a recording of nothing.
    """
    if request.config.getoption("--port"):
        raise pytest.UsageError("link_recorder records virtual links; it cannot listen at a real --port")
    link_pair: LinkPair = request.getfixturevalue("link_pair")

    def recorded(to: str = "controller") -> ByteCapture:
        return link_pair.record(to)

    return recorded


@pytest.fixture
def link_deadline(request: pytest.FixtureRequest) -> Callable[..., AbstractContextManager[None]]:
    """A function ``(limit_us, name="pass")``: a block that fails when it takes longer on the link's clock.

    What it took is the property ``NAME_us`` of the test, the longest where a name comes more than once.
    """
    clock: Clock = request.getfixturevalue("link_clock")
    longest: dict[str, float] = {}

    @contextmanager
    def deadline(limit_us: float, name: str = "pass") -> Iterator[None]:
        began = clock.now_ns()
        yield
        took_us = (clock.now_ns() - began) / 1000
        if took_us > longest.get(name, -1.0):
            longest[name] = took_us
            keep(request, f"{name}_us", took_us)
        if took_us > limit_us:
            pytest.fail(
                f"{name} took {took_us:.10g} us, at most {limit_us:.10g} us are allowed", pytrace=False
            )

    return deadline


@pytest.fixture
def link_requirements(request: pytest.FixtureRequest) -> Callable[..., Replay]:
    """A function ``(link, capture)`` that replays a capture and fails when a requirement is not met.

    ``link``: a `Link` or a file; ``capture``: a `ByteCapture` or a file. Each requirement's value is a
    property of the test. One that a replay cannot judge fails too, since nobody would notice otherwise: leave
    it out of the link with ``link.replace``, or name it in ``skip``. Returns the replay.
    """

    def check(link: Link | str, capture: ByteCapture | str, *, skip: tuple[str, ...] = ()) -> Replay:
        from linkbudget.capture.files import load_bytes
        from linkbudget.link.model import Link
        from linkbudget.replay.run import replay
        from linkbudget.traffic.stream import ByteCapture

        described = link if isinstance(link, Link) else Link.load(link)
        seen = capture if isinstance(capture, ByteCapture) else load_bytes(capture, line=described.line)
        result = replay(described, seen)
        unmet = []
        for row in result.requirements:
            if row.name in skip:
                continue
            keep(request, row.name, row.value)
            if row.met is None:
                unmet.append(f"{row.name}: a replay cannot judge it")
            elif not row.met:
                unmet.append(f"{row.name}: {row.value:g}, at most {row.limit:g} is allowed")
        if unmet:
            pytest.fail("requirements of the link are not met: " + "; ".join(unmet), pytrace=False)
        return result

    return check
