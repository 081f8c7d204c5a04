"""The page of a replay: time to write it, its size, and when a browser shows its first picture."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from statistics import median

import numpy as np
from measure import Report, Target, in_turns

sys.path.append(str(Path(__file__).parent.parent))

from browser import Browser, find_browser
from html_reports import data_of, shipped

from linkbudget import ByteCapture, Replay, replay
from linkbudget.report.html.page import replay_html

SILENCE_NS = 33_000_000
LOADS = 7
FIRST = "performance.getEntriesByName('first picture')[0].startTime"
REDRAW = (
    "(() => { const v = linkbudget.view, context = v.canvas.getContext('2d'), times = [];"
    " for (let turn = 0; turn < 15; turn++) { const begin = performance.now(); v.draw();"
    " context.getImageData(0, 0, 1, 1); times.push(performance.now() - begin); }"
    " return times.sort((a, b) => a - b)[7]; })()"
)


def repeated(capture: ByteCapture, times: int) -> ByteCapture:
    """The capture so many times, one after the other."""
    span = int(capture.times_ns[-1] - capture.start_times_ns[0]) + SILENCE_NS
    shift = np.repeat(np.arange(times) * span, len(capture))
    return ByteCapture(
        np.tile(capture.times_ns, times) + shift,
        np.tile(capture.data, times),
        np.tile(capture.flags, times),
        capture.line,
        starts_ns=np.tile(capture.start_times_ns, times) + shift,
    )


def events_of(result: Replay, capture: ByteCapture) -> int:
    """Characters, stretches of activity, handler runs and passes."""
    assert result.run.activities is not None
    parts = (capture, result.run.activities, result.run.handlers[0], result.passes)
    return sum(len(part) for part in parts)


def pages(report: Report, folder: Path, events: int, turns: int) -> None:
    """Validate the page of a replay of so many events, then measure it."""
    link, once = shipped("bean-text")
    link = link.replace(**{"loop.phase_us": 0})  # the only placement tried is then the link's own
    small = replay(link, once, phases=1, trace=True)
    capture = repeated(once, max(1, round(events / events_of(small, once))))
    result = replay(link, capture, phases=1, trace=True)
    page = replay_html(result, capture)
    _, columns = data_of(page)
    assert (np.array(columns["byte.arrival"]) + result.time_zero_ns == capture.times_ns).all()
    assert columns["pass.release"] == result.passes.release.tolist()
    name = f"page of {events_of(result, capture) / 1e6:.2f} M events"
    measured = in_turns(lambda: replay_html(result, capture), lambda: json.dumps(columns), turns)
    size = len(page.encode()) / 1e6
    report.say(
        name,
        f"{measured.seconds:.2f} s; {measured.ratio:.2f} x json.dumps of the same columns",
        Target("written", measured.seconds, 2, "s", most=True),
    )
    report.say("  size", f"{size:.2f} MB", Target("size", size, 10, "MB", most=True))
    program = find_browser()
    if program is None:
        report.say("  in Chromium", "not installed")
        return
    path = folder / "report.html"
    path.write_text(page, encoding="utf-8")
    browser = Browser(program)
    try:
        in_browser(report, browser, path)
    finally:
        browser.close()


def in_browser(report: Report, browser: Browser, path: Path) -> None:
    """On the clock, which other work on the machine slows: the least of several loads counts."""
    firsts = []
    for _ in range(LOADS):
        browser.open(path)
        firsts.append(browser.value(FIRST) / 1000)
    assert browser.complaints() == []
    whole = browser.value(REDRAW)
    browser.value("document.querySelector('[data-act=next]').click()")
    browser.drawn()
    rows = browser.value(REDRAW)
    report.say(
        "  in Chromium",
        f"first picture after {min(firsts):.2f} s (median {median(firsts):.2f}, on the clock);"
        f" drawn again in {whole:.0f} ms whole, {rows:.0f} ms near by",
        Target("first picture", min(firsts), 1.5, "s", most=True),
    )
