"""A real browser driven as a person would: looking, clicking, typing; scripts in pages are switched off.

It speaks the browser's own debugging protocol over two pipes, so that nothing but the browser is needed.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from collections import deque
from pathlib import Path
from types import TracebackType
from typing import Any

from tests.reports.browser import BROWSER, OPTIONS, PHONE_WIDTH
from tests.reports.page_reading import Page

# The browser expects its pipes under the numbers 3 and 4; they are moved there by a process in between.
LAUNCHER = """
import fcntl, os, sys
reads, writes = (fcntl.fcntl(int(one), fcntl.F_DUPFD, 10) for one in sys.argv[1:3])
os.dup2(reads, 3)
os.dup2(writes, 4)
os.execv(sys.argv[3], sys.argv[3:])
"""
PATIENCE_S = 60.0
MESSAGE_END = b"\0"


class DrivenBrowser:
    """One browser with one page, as wide as a phone. `console` gathers what the page complains of."""

    def __init__(self, profile: Path) -> None:
        assert BROWSER is not None
        to_read, self._write = os.pipe()
        self._read, to_write = os.pipe()
        command = [BROWSER, *OPTIONS, "--remote-debugging-pipe", f"--user-data-dir={profile}", "about:blank"]
        self._process = subprocess.Popen(
            [sys.executable, "-c", LAUNCHER, str(to_read), str(to_write), *command],
            pass_fds=(to_read, to_write),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(to_read)
        os.close(to_write)
        self._buffer = b""
        self._number = 0
        self._session: str | None = None
        self._events: deque[dict[str, Any]] = deque()
        self.console: list[str] = []
        self.requested: list[str] = []
        self._prepare()

    def _prepare(self) -> None:
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "DOM", "Log", "Network"):
            self.call(f"{domain}.enable")
        self.call("Emulation.setScriptExecutionDisabled", value=True)
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=PHONE_WIDTH,
            height=800,
            deviceScaleFactor=1,
            mobile=True,
        )

    def __enter__(self) -> DrivenBrowser:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        os.close(self._write)
        os.close(self._read)
        self._process.kill()
        self._process.wait()

    def call(self, method: str, **parameters: Any) -> dict[str, Any]:
        """One command of the protocol and its result."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._write, json.dumps(message).encode() + MESSAGE_END)
        while True:
            answer = self._next()
            if answer.get("id") == self._number:
                assert "error" not in answer, (method, answer["error"])
                result: dict[str, Any] = answer["result"]
                return result
            self._note(answer)

    def _next(self) -> dict[str, Any]:
        deadline = time.monotonic() + PATIENCE_S
        while MESSAGE_END not in self._buffer:
            ready, _, _ = select.select([self._read], [], [], deadline - time.monotonic())
            assert ready, "the browser said nothing for a minute"
            more = os.read(self._read, 1 << 16)
            assert more, "the browser has gone"
            self._buffer += more
        message, _, self._buffer = self._buffer.partition(MESSAGE_END)
        parsed: dict[str, Any] = json.loads(message)
        return parsed

    def _note(self, event: dict[str, Any]) -> None:
        method, given = event.get("method"), event.get("params", {})
        if method == "Log.entryAdded":
            self.console.append(given["entry"]["text"])
        elif method == "Network.requestWillBeSent" and not given["request"]["url"].startswith("data:"):
            self.requested.append(given["request"]["url"])
        self._events.append(event)

    def _loaded(self) -> None:
        """Wait until a page has come."""
        while not any(one.get("method") == "Page.loadEventFired" for one in self._events):
            self._note(self._next())

    def go(self, url: str) -> Page:
        """Open an address; the page."""
        self._events.clear()
        failed = self.call("Page.navigate", url=url).get("errorText")
        assert not failed, failed
        self._loaded()
        return self.page()

    def page(self) -> Page:
        """The page as it stands."""
        root = self.call("DOM.getDocument")["root"]["nodeId"]
        return Page(self.call("DOM.getOuterHTML", nodeId=root)["outerHTML"])

    @property
    def url(self) -> str:
        """Where it is."""
        history = self.call("Page.getNavigationHistory")
        address: str = history["entries"][history["currentIndex"]]["url"]
        return address

    @property
    def width(self) -> float:
        """How wide the page would like to be, in the page's own pixels."""
        width: float = self.call("Page.getLayoutMetrics")["cssContentSize"]["width"]
        return width

    def _find(self, selector: str) -> int:
        root = self.call("DOM.getDocument")["root"]["nodeId"]
        node: int = self.call("DOM.querySelector", nodeId=root, selector=selector)["nodeId"]
        assert node, f"nothing on the page is {selector}"
        return node

    def type(self, selector: str, text: str) -> None:
        """Type into a field."""
        self.call("DOM.focus", nodeId=self._find(selector))
        self.call("Input.insertText", text=text)

    def put(self, selector: str, name: str, value: str) -> None:
        """Give an element an attribute: for pickers, which differ with the browser's language."""
        self.call("DOM.setAttributeValue", nodeId=self._find(selector), name=name, value=value)

    def click(self, selector: str) -> None:
        """Click in the middle of an element."""
        node = self._find(selector)
        self.call("DOM.scrollIntoViewIfNeeded", nodeId=node)
        # A link that breaks over two lines has its middle beside it: its first piece is clicked.
        x0, y0, _, _, x1, y1, _, _ = self.call("DOM.getContentQuads", nodeId=node)["quads"][0]
        at = {"x": (x0 + x1) / 2, "y": (y0 + y1) / 2, "button": "left", "clickCount": 1}
        for kind in ("mousePressed", "mouseReleased"):
            self.call("Input.dispatchMouseEvent", type=kind, **at)

    def follow(self, selector: str) -> Page:
        """Click on what leads to another page; that page."""
        self._events.clear()
        self.click(selector)
        self._loaded()
        return self.page()
