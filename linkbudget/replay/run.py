"""Replay a capture against a link: one run in full, and the same over other placements of the releases."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import TYPE_CHECKING, overload

from linkbudget.errors import Fault, SettingsError, warn
from linkbudget.link.clock_margin import clock_margins
from linkbudget.replay.arrivals import Character, CharacterArrays, Traffic
from linkbudget.replay.backlog import find_backlog
from linkbudget.replay.bottleneck import find_bottleneck
from linkbudget.replay.fates import UNRECOGNISED, OtherTraffic, judge, uses_of
from linkbudget.replay.intervals import RUNS, is_uncertain, longest_window, placements, ranges
from linkbudget.replay.motion import JointMotion, move_joint
from linkbudget.replay.receiver import Run, missed_deadlines, simulate
from linkbudget.replay.result import PhaseSweep, Replay
from linkbudget.replay.sent import Sent, sent_frames
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import format_us

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.link.resolve import Resolved
    from linkbudget.replay.fates import Fates
    from linkbudget.replay.long import LongReplay
    from linkbudget.traffic.levels import Edges, LevelCapture

__all__ = ["characters_of", "phases_of", "replay", "told"]

DIRECTION = "to-controller"

Progress = Callable[[int, int], None]


@overload
def replay(
    link: Link,
    capture: ByteCapture,
    *,
    phases: int = ...,
    trace: bool = ...,
    markers: Edges | LevelCapture | None = ...,
    progress: Progress | None = ...,
) -> Replay: ...


@overload
def replay(link: Link, capture: Iterable[ByteCapture], *, phases: int = ...) -> LongReplay | Replay: ...


def replay(
    link: Link,
    capture: ByteCapture | Iterable[ByteCapture],
    *,
    phases: int = 16,
    trace: bool = False,
    markers: Edges | LevelCapture | None = None,
    progress: Progress | None = None,
) -> LongReplay | Replay:
    """Return what becomes of a capture's characters at the controller of a link.

    ``capture`` is a whole recording, or its pieces one after the other, as `open_bytes` gives them: these are
    replayed as they come, in memory that does not grow with their number, and the result is a `LongReplay`
    with the same figures (`linkbudget.replay.long`); ``trace``, ``markers`` and ``progress`` are for whole
    recordings only.

    The run with the link's own phase is reported in full; ``phases`` more are spread evenly over one period
    from 0 on; with 0, and in a free loop, which has no releases to shift, there is its own phase alone.
    ``progress`` is called with (runs done, runs in all). With ``trace`` the run also notes what its cores did
    and when (`Run.activities`), as a picture of it needs. ``markers`` are the levels of the channel on which
    the controller marked what it did (``[markers]`` of the link), of the same recording: the model is then
    held against the passes that really were (`Replay.markers`). Raises `SettingsError` for a link without a
    loop or with windows that leave no time, `CaptureError` when no frame is intact in the capture.

    >>> from linkbudget import Link, load_bytes
    >>> link = Link.load("captures/bean-text.toml")
    >>> result = replay(link, load_bytes("captures/bean-text.vcd", link.line), phases=0)
    >>> result.run.missed_deadlines, len(result.passes), result.messages["used"]
    (160, 580, 100)
    """
    if phases < 0:
        raise SettingsError(Fault("phases", phases, "0 or more"))
    if not all(hasattr(link, method) for method in ("resolve", "codec")):
        raise SettingsError(Fault("link", type(link).__name__, "a Link, as Link.load gives it"))
    if not isinstance(capture, ByteCapture):
        return _in_pieces(link, capture, phases, {"trace": trace, "markers": markers, "progress": progress})
    resolved = link.resolve()
    codec = link.codec(DIRECTION)
    sent = sent_frames(capture, codec.fmt, codec.decode_payload)
    _check(capture, sent)
    characters = CharacterArrays.of_capture(capture)
    errored = resolved.receiver.errored
    traffic = Traffic(characters, errored, codec.fmt, codec.decode_payload)
    releases = phases_of(resolved, phases)
    runs = 1 + len(releases) + (RUNS - 1 if is_uncertain(capture) else 0)

    def report(done: int) -> None:
        if progress is not None:
            progress(done, runs)

    report(0)
    run = simulate(resolved, traffic, trace=trace)
    report(1)
    sweep = _sweep(resolved, traffic, run, releases, report)

    zero = int(capture.start_times_ns[0])
    fates = _fates(link, resolved, run, sent)
    result = Replay(
        link=link,
        resolved=resolved,
        run=run,
        fates=fates,
        motion=_motion(link, resolved, run, fates, traffic.last_arrival),
        phase_sweep=sweep,
        bottleneck=find_bottleneck(run, resolved, traffic.last_arrival, zero),
        backlog=find_backlog(run, sent, capture.times_ns - zero, resolved.loop, zero),
        time_zero_ns=zero,
        last_arrival_ns=traffic.last_arrival,
        warnings=(*capture.warnings, *map(warn, _warnings(link, capture, run, fates))),
    )
    if markers is not None:
        from linkbudget.replay.measured import marked_passes

        result = replace(result, markers=marked_passes(link, resolved, capture, traffic, markers))
    return _with_ranges(result, capture, len(releases), report) if is_uncertain(capture) else result


def _in_pieces(link: Link, pieces: object, phases: int, others: dict[str, object]) -> LongReplay | Replay:
    from linkbudget.replay.long import replay_pieces

    if not isinstance(pieces, Iterable) or isinstance(pieces, str | bytes):
        allowed = "a ByteCapture, as load_bytes gives it, or its pieces, as open_bytes gives them"
        raise SettingsError(Fault("capture", type(pieces).__name__, allowed))
    for name, value in others.items():
        if value:
            problem = f"{name} is for whole recordings, and the capture comes in pieces"
            raise SettingsError(Fault(name, None, "a ByteCapture, as load_bytes gives it", problem=problem))
    return replay_pieces(link, pieces, phases=phases)


def _with_ranges(result: Replay, capture: ByteCapture, done: int, report: Callable[[int], None]) -> Replay:
    """Return the result with the range of each figure over other placements of uncertain arrivals."""
    link, resolved = result.link, result.resolved
    codec = link.codec(DIRECTION)
    runs = [result.figures]
    for number, placed in enumerate(placements(capture), 2):
        characters = CharacterArrays.of_capture(placed)
        traffic = Traffic(characters, resolved.receiver.errored, codec.fmt, codec.decode_payload)
        run = simulate(resolved, traffic)
        fates = _fates(link, resolved, run, sent_frames(placed, codec.fmt, codec.decode_payload))
        motion = _motion(link, resolved, run, fates, traffic.last_arrival)
        last = traffic.last_arrival
        runs.append(replace(result, run=run, fates=fates, motion=motion, last_arrival_ns=last).figures)
        report(done + number)
    return replace(result, uncertain=ranges(longest_window(capture), runs))


def _fates(link: Link, resolved: Resolved, run: Run, sent: Sent) -> Fates:
    use_of = {message.name: message.use for message in link.messages_of(DIRECTION)}
    return judge(run, sent, uses_of(run, sent, use_of, resolved.sender.capture_to_send_ns))


def characters_of(capture: ByteCapture) -> list[Character]:
    """Return the characters of a capture as the model takes them: arrival after time zero, value, flags."""
    if not len(capture):
        return []
    times = capture.times_ns - capture.start_times_ns[0]
    return list(zip(times.tolist(), capture.data.tolist(), capture.flags.tolist(), strict=True))


def _check(capture: ByteCapture, sent: Sent) -> None:
    if sent.frames:
        return
    bad = ", ".join(f"{count} {reason}" for reason, count in sent.rejected.items())
    found = f"no intact frame in {len(capture)} characters" + (f" (rejected: {bad})" if bad else "")
    raise OtherTraffic(capture.source or "capture", "", f"{found}; is this the link's frame format?")


def phases_of(resolved: Resolved, count: int) -> list[int]:
    """Return the placements of the releases that are tried, in nanoseconds; for none its own alone."""
    if resolved.loop.when_late == "free" or not count:
        return [resolved.loop.phase_ns]
    return [at * resolved.loop.period_ns // count for at in range(count)]


def _sweep(
    resolved: Resolved, traffic: Traffic, own: Run, releases: list[int], report: Callable[[int], None]
) -> PhaseSweep:
    def missed_at(phase: int) -> int:
        if phase == resolved.loop.phase_ns:
            return own.missed_deadlines
        return missed_deadlines(replace(resolved, loop=replace(resolved.loop, phase_ns=phase)), traffic)

    missed = []
    # Compiled runs go on beside each other; those of the plain form take turns.
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        for done, count in enumerate(pool.map(missed_at, releases), 2):
            missed.append(count)
            report(done)
    worst = releases[missed.index(max(missed))]
    return PhaseSweep(len(releases), min(missed), max(missed), worst / 1e3)


def _motion(
    link: Link, resolved: Resolved, run: Run, fates: Fates, last_arrival: int
) -> tuple[JointMotion, ...]:
    loop = resolved.loop
    if loop.when_late == "free":
        releases = run.passes.work_start.tolist()
    else:
        releases = list(range(loop.phase_ns, last_arrival + loop.period_ns + 1, loop.period_ns))
    return tuple(move_joint(joint, run, fates.sent, fates.uses, resolved, releases) for joint in link.joints)


def _warnings(link: Link, capture: ByteCapture, run: Run, fates: Fates) -> Iterator[str]:
    unrecognised = fates.names.count(UNRECOGNISED)
    yield from told(link, capture, len(run.passes), len(fates.names), unrecognised)
    if is_uncertain(capture):
        yield may_be_earlier(longest_window(capture))


def may_be_earlier(window_ns: int) -> str:
    """Return what has to be said of arrivals that are uncertain by up to a window."""
    return (
        f"arrivals may have been up to {format_us(window_ns / 1e3)} earlier: what is reported is for the"
        " latest, with ranges over other placements that need not be the widest"
    )


def told(link: Link, capture: ByteCapture, passes: int, frames: int, unrecognised: int) -> Iterator[str]:
    """Yield what has to be said of a replay, whatever became of the bytes."""
    if unrecognised:
        yield (
            f"{unrecognised} of {frames} intact frames are no message of the link;"
            f" they are listed under {UNRECOGNISED}"
        )
    if link.line.baudrate != capture.line.baudrate:
        yield (
            f"the capture was read at {capture.line.baudrate} baud, the link says {link.line.baudrate};"
            " arrivals are those of the capture"
        )
    margin = clock_margins(link).get(DIRECTION)
    if margin is not None and not margin.ok:
        yield (
            f"the clocks of the two ends are {100 * float(abs(margin.total_error)):.2f}% apart and"
            f" {100 * float(margin.limit):.2f}% is tolerated: characters are replayed as they were recorded,"
            " a real receiver would misread them"
        )
    if not passes:
        yield "no pass of the loop is released before the replay ends; is loop.phase_us too large?"
    if link.messages_of("to-module") and link.transmit.per_message_us:
        yield "the replay does not spend transmit.per_message_us; add what sending costs to loop.work_us"
