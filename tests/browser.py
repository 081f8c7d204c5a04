"""A headless Chromium spoken to over a pipe, in the DevTools protocol that it brings along.

https://chromedevtools.github.io/devtools-protocol/ describes the messages: JSON, each ended by a zero byte.
"""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
OPTIONS = (
    "--headless",
    "--remote-debugging-pipe",
    "--no-sandbox",  # tests run as root in a container
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--lang=en-US",
)
PATIENCE_S = 60
# The browser reads from descriptor 3 and writes to 4; first both out of the way of these numbers.
LAUNCHER = """
import fcntl, os, sys
ends = [fcntl.fcntl(int(number), fcntl.F_DUPFD, 10) for number in sys.argv[1:3]]
for number, end in enumerate(ends, 3):
    os.dup2(end, number)
    os.close(end)
os.execv(sys.argv[3], sys.argv[3:])
"""
DRAWN = """
const look = () => {
  const trouble = document.getElementById("trouble");
  const there = performance.getEntriesByName("all pictures").length || (trouble && !trouble.hidden);
  if (there || !trouble) done(1);
  else requestAnimationFrame(look);
};
look();
"""


def find_browser() -> str | None:
    """The path of a Chromium, None without one."""
    return next(filter(None, map(shutil.which, NAMES)), None)


class Browser:
    """One browser with one page; close it when done."""

    def __init__(self, program: str) -> None:
        self.folder = tempfile.TemporaryDirectory(prefix="linkbudget-browser-", ignore_cleanup_errors=True)
        to_browser, self._out = os.pipe()
        self._in, from_browser = os.pipe()
        arguments = [program, *OPTIONS, f"--user-data-dir={self.folder.name}", "about:blank"]
        self.process = subprocess.Popen(
            [sys.executable, "-c", LAUNCHER, str(to_browser), str(from_browser), *arguments],
            pass_fds=(to_browser, from_browser),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_browser)
        os.close(from_browser)
        self._pending = b""
        self._number = 0
        self.events: list[dict[str, Any]] = []
        self.session: str | None = None
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.ask(f"{domain}.enable")

    def close(self) -> None:
        """End the browser."""
        os.close(self._out)
        self.process.terminate()
        self.process.wait(PATIENCE_S)
        os.close(self._in)
        self.folder.cleanup()

    # --- messages -----------------------------------------------------------------------------------------

    def ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Send a command and return its result."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if self.session is not None:
            message["sessionId"] = self.session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        while (answer := self._next()).get("id") != self._number:
            self.events.append(answer)
        if "error" in answer:
            raise RuntimeError(f"{method}: {answer['error']['message']}")
        result: dict[str, Any] = answer["result"]
        return result

    def wait_for(self, event: str) -> None:
        """Take messages until an event has come since the last look."""
        while not any(one.get("method") == event for one in self.events):
            self.events.append(self._next())

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._pending:
            if not select.select([self._in], [], [], PATIENCE_S)[0]:
                raise RuntimeError(f"the browser has said nothing for {PATIENCE_S} s")
            piece = os.read(self._in, 1 << 20)
            if not piece:
                raise RuntimeError("the browser has ended")
            self._pending += piece
        message, _, self._pending = self._pending.partition(b"\0")
        found: dict[str, Any] = json.loads(message)
        return found

    # --- what a person does -------------------------------------------------------------------------------

    def open(self, path: Path, width: int = 1400, height: int = 900) -> None:
        """Open a file and wait until its pictures are drawn."""
        self.size(width, height)
        self.events.clear()
        self.ask("Page.navigate", url=path.resolve().as_uri())
        self.wait_for("Page.loadEventFired")
        self.value(f"new Promise((done) => {{ {DRAWN} }})")

    def size(self, width: int, height: int) -> None:
        """Make the window this large, in CSS pixels."""
        self.ask(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    def media(self, kind: str = "screen", dark: bool = False, grey: bool = False) -> None:
        """Show it as printed, in the dark, or to somebody who sees no colours."""
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.ask("Emulation.setEmulatedMedia", media=kind, features=[scheme])
        self.ask("Emulation.setEmulatedVisionDeficiency", type="achromatopsia" if grey else "none")

    def value(self, expression: str) -> Any:
        """The value of a JavaScript expression, awaited when it is a promise."""
        answer = self.ask("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(json.dumps(answer["exceptionDetails"]))
        return answer["result"].get("value")

    def wheel(self, x: float, y: float, by: float) -> None:
        """Turn the wheel at a place; negative is away from oneself."""
        self.ask("Input.dispatchMouseEvent", type="mouseWheel", x=x, y=y, deltaX=0, deltaY=by)

    def point(self, x: float, y: float, kind: str = "mouseMoved", held: bool = False) -> None:
        """Move the pointer, or press and release it (``mousePressed``, ``mouseReleased``)."""
        button = {"button": "left", "buttons": 1} if held else {"button": "none", "buttons": 0}
        clicks = 0 if kind == "mouseMoved" else 1
        self.ask("Input.dispatchMouseEvent", type=kind, x=x, y=y, clickCount=clicks, **button)

    def key(self, key: str) -> None:
        """Press and release a key."""
        text = {"text": key} if len(key) == 1 else {}
        self.ask("Input.dispatchKeyEvent", type="keyDown", key=key, **text)
        self.ask("Input.dispatchKeyEvent", type="keyUp", key=key)

    def drawn(self) -> None:
        """Wait until what was asked for is drawn."""
        self.value("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))")

    def picture(self, path: Path, whole: bool = False) -> None:
        """Save what is seen, or the whole page, as a PNG file."""
        answer = self.ask("Page.captureScreenshot", format="png", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(answer["data"]))

    def complaints(self) -> list[str]:
        """Exceptions, errors and network requests of the page since it was opened."""
        found = []
        for event in self.events:
            method, about = event.get("method"), event.get("params", {})
            if method == "Runtime.exceptionThrown":
                found.append(json.dumps(about["exceptionDetails"]))
            elif method == "Log.entryAdded" and about["entry"]["level"] in ("error", "warning"):
                # The tests themselves read pixels often.
                if "willReadFrequently" not in about["entry"]["text"]:
                    found.append(about["entry"]["text"])
            elif method == "Network.requestWillBeSent" and not about["request"]["url"].startswith(
                ("file:", "data:")
            ):
                found.append(f"request of {about['request']['url'][:80]}")
        return found
