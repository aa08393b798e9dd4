"""Debian's Chromium, headless, driven over its debugging pipe: no driver program, no download, no port open.

Protocol: JSON messages, each ended by a zero byte, commands to file descriptor 3, answers and events
from 4 (Chrome DevTools Protocol, `--remote-debugging-pipe`).
"""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
FLAGS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--no-default-browser-check",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
    "--hide-scrollbars",
    "--force-color-profile=srgb",
    "--remote-debugging-pipe",
)
PATIENCE = 30.0


class BrowserMissing(Exception):
    """There is no Chromium on this machine."""


def program() -> str:
    """The path of Chromium.

    Raises:
        BrowserMissing: with the command that installs it.
    """
    chosen = os.environ.get("FLEETLOG_CHROMIUM")
    found = chosen or next((path for name in NAMES if (path := shutil.which(name))), None)
    if not found or not Path(found).exists():
        raise BrowserMissing("Chromium is missing: apt-get update && apt-get install -y chromium")
    return found


class Leaving(Exception):
    """The page was left while it was asked something."""


class Page:
    """One tab, and what it did: console messages, errors and requests."""

    def __init__(self, browser: Browser, session: str) -> None:
        self._browser = browser
        self._session = session
        self.problems: list[str] = []
        self.requests: list[str] = []
        for domain in ("Page", "Runtime", "Log", "Network", "Accessibility"):
            self.call(f"{domain}.enable")

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Send a command and wait for its answer."""
        return self._browser.call(method, params, self._session)

    def heard(self, method: str, params: dict[str, Any]) -> None:
        """Keep what matters of an event."""
        if method == "Runtime.exceptionThrown":
            self.problems.append(json.dumps(params["exceptionDetails"])[:400])
        elif method == "Runtime.consoleAPICalled" and params["type"] in ("error", "warning", "assert"):
            self.problems.append(json.dumps(params["args"])[:400])
        elif method == "Log.entryAdded" and params["entry"]["level"] in ("error", "warning"):
            self.problems.append(params["entry"]["text"][:400])
        elif method == "Page.javascriptDialogOpening":
            self.problems.append(f"dialog: {params['message']}")
        elif method == "Network.requestWillBeSent":
            self.requests.append(params["request"]["url"])

    def look(
        self, width: int, height: int, *, dark: bool = False, paper: bool = False, mobile: bool = False
    ) -> None:
        """Set the size of the window and what the page is shown on."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=mobile,
        )
        self.call(
            "Emulation.setEmulatedMedia",
            media="print" if paper else "screen",
            features=[{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}],
        )

    def open(self, path: Path | str) -> float:
        """Open a file and wait until it is loaded; the seconds that took."""
        url = path.resolve().as_uri() if isinstance(path, Path) else path
        self.problems.clear()
        self.requests.clear()
        start = time.monotonic()
        self.call("Page.navigate", url=url)
        self.wait_for(f"document.readyState === 'complete' && location.href === {json.dumps(url)}")
        return time.monotonic() - start

    def run(self, expression: str) -> Any:
        """The value of a JavaScript expression."""
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in answer:
            raise AssertionError(json.dumps(answer["exceptionDetails"])[:800])
        return answer["result"].get("value")

    def press(self, key: str, code: int, text: str = "") -> None:
        """Press and release a key."""
        for kind in ("keyDown", "keyUp"):
            self.call(
                "Input.dispatchKeyEvent",
                type=kind,
                key=key,
                code=key,
                windowsVirtualKeyCode=code,
                text=text if kind == "keyDown" else "",
            )

    def wait_for(self, condition: str) -> None:
        """Wait until a JavaScript condition holds."""
        until = time.monotonic() + PATIENCE
        while time.monotonic() < until:
            try:
                if self.run(condition):
                    return
            except Leaving:
                pass  # the page is being replaced by the next
            time.sleep(0.02)
        raise TimeoutError(condition)

    def settle(self) -> None:
        """Wait until what was asked for is painted."""
        self.run("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))")

    def close(self) -> None:
        """Close the tab."""
        self.call("Page.close")

    def screenshot(self, path: Path, *, whole: bool = True) -> None:
        """Save what is seen as PNG."""
        more: dict[str, Any] = {"captureBeyondViewport": whole}
        if whole:
            size = self.call("Page.getLayoutMetrics")["cssContentSize"]
            more["clip"] = {"x": 0, "y": 0, "width": size["width"], "height": size["height"], "scale": 1}
        path.write_bytes(base64.b64decode(self.call("Page.captureScreenshot", **more)["data"]))

    def pdf(self) -> bytes:
        """The page as printed."""
        self.call("Emulation.setEmulatedMedia", media="", features=[])
        answer = self.call("Page.printToPDF", printBackground=True, paperWidth=8.27, paperHeight=11.69)
        return base64.b64decode(answer["data"])


class Browser:
    """A running Chromium."""

    def __init__(self, profile: Path) -> None:
        commands, self._to = os.pipe()
        self._from, answers = os.pipe()
        # The shell puts the two pipes where Chromium looks for them, whatever their numbers here.
        command = 'exec 3<&"$1" 4>&"$2"; shift 2; exec "$@"'
        self._process = subprocess.Popen(
            [
                "/bin/bash",
                "-c",
                command,
                "chromium",
                str(commands),
                str(answers),
                program(),
                *FLAGS,
                f"--user-data-dir={profile}",
                "about:blank",
            ],
            pass_fds=(commands, answers),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(commands)
        os.close(answers)
        self._buffer = b""
        self._last = 0
        self._pages: dict[str, Page] = {}

    def call(self, method: str, params: dict[str, Any], session: str | None = None) -> dict[str, Any]:
        """Send a command, note events on the way, return its answer."""
        self._last += 1
        message: dict[str, Any] = {"id": self._last, "method": method, "params": params}
        if session:
            message["sessionId"] = session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        until = time.monotonic() + PATIENCE
        while True:
            answer = self._next(until)
            if answer.get("id") == self._last:
                if "error" in answer:
                    if "navigated or closed" in answer["error"]["message"]:
                        raise Leaving(method)
                    raise AssertionError(f"{method}: {answer['error']['message']}")
                result: dict[str, Any] = answer["result"]
                return result
            page = self._pages.get(answer.get("sessionId", ""))
            if page is not None:
                page.heard(answer.get("method", ""), answer.get("params", {}))

    def _next(self, until: float) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            ready, _, _ = select.select([self._from], [], [], max(0.0, until - time.monotonic()))
            if not ready:
                raise TimeoutError("Chromium does not answer")
            piece = os.read(self._from, 1 << 20)
            if not piece:
                raise BrokenPipeError("Chromium has ended")
            self._buffer += piece
        line, _, self._buffer = self._buffer.partition(b"\0")
        message: dict[str, Any] = json.loads(line)
        return message

    def page(self) -> Page:
        """A new tab."""
        target = self.call("Target.createTarget", {"url": "about:blank"})["targetId"]
        session = self.call("Target.attachToTarget", {"targetId": target, "flatten": True})["sessionId"]
        page = Page.__new__(Page)
        self._pages[session] = page
        page.__init__(self, session)  # type: ignore[misc]
        return page

    def close(self) -> None:
        """End it."""
        try:
            self.call("Browser.close", {})
        except (OSError, TimeoutError):
            self._process.terminate()
        finally:
            os.close(self._to)
            os.close(self._from)
            try:
                self._process.wait(10)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait(10)


@contextmanager
def browser() -> Iterator[Browser]:
    """A Chromium with an empty profile of its own, ended and cleaned up afterwards."""
    with tempfile.TemporaryDirectory(prefix="fleetlog-chromium-", ignore_cleanup_errors=True) as profile:
        running = Browser(Path(profile))
        try:
            yield running
        finally:
            running.close()
