# SPDX-License-Identifier: GPL-3.0-or-later
"""A headless Chromium driven by real keys and clicks, through its debugging pipe.

The DevTools protocol over two pipes needs no library: messages are JSON, each ended by a
zero byte. File descriptors 3 and 4 are fixed by ``--remote-debugging-pipe``.
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
import time
from pathlib import Path

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")


def find_browser() -> str | None:
    """Return the command of a Chromium, or None."""
    return next((found for name in NAMES if (found := shutil.which(name))), None)


# Two steps, as either pipe may have the number the other shall get.
_LAUNCH = """
import fcntl, os, sys
high = [fcntl.fcntl(int(number), fcntl.F_DUPFD, 10) for number in sys.argv[1:3]]
os.dup2(high[0], 3)
os.dup2(high[1], 4)
os.execvp(sys.argv[3], sys.argv[3:])
"""


class Browser:
    """One page in a browser of its own.

    Parameters
    ----------
    width, height
        Of the window.
    arguments
        More command-line switches.
    """

    def __init__(self, width: int = 1280, height: int = 1000, *arguments: str) -> None:
        command = find_browser()
        assert command is not None
        self._folder = tempfile.TemporaryDirectory(ignore_cleanup_errors=True)
        read_there, self._write = os.pipe()
        self._read, write_there = os.pipe()
        switches = [
            command, "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars",
            "--no-first-run", "--disable-extensions", "--disable-background-networking",
            "--disable-component-update", "--autoplay-policy=no-user-gesture-required",
            f"--window-size={width},{height}", f"--user-data-dir={self._folder.name}",
            "--remote-debugging-pipe", *arguments, "about:blank",
        ]  # fmt: skip
        self._process = subprocess.Popen(
            [sys.executable, "-c", _LAUNCH, str(read_there), str(write_there), *switches],
            pass_fds=(read_there, write_there),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(read_there)
        os.close(write_there)
        self._count = 0
        self._buffer = b""
        self.events: list[dict] = []
        self._session: str | None = None
        targets = self.call("Target.getTargets")["targetInfos"]
        target = next(row["targetId"] for row in targets if row["type"] == "page")
        attached = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = attached["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def __enter__(self) -> Browser:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait()
        os.close(self._read)
        os.close(self._write)
        self._folder.cleanup()

    def _message(self, deadline: float) -> dict:
        while b"\0" not in self._buffer:
            ready, _, _ = select.select([self._read], [], [], max(0.0, deadline - time.monotonic()))
            received = os.read(self._read, 1 << 20) if ready else b""
            if not received:
                raise TimeoutError("the browser does not answer")
            self._buffer += received
        message, _, self._buffer = self._buffer.partition(b"\0")
        return json.loads(message)

    def call(self, method: str, **parameters: object) -> dict:
        """Send a command of the DevTools protocol and return its result."""
        self._count += 1
        request = {"id": self._count, "method": method, "params": parameters}
        if self._session is not None:
            request["sessionId"] = self._session
        os.write(self._write, json.dumps(request).encode() + b"\0")
        deadline = time.monotonic() + 60
        while True:
            message = self._message(deadline)
            if message.get("id") == self._count:
                if "error" in message:
                    raise RuntimeError(f"{method}: {message['error']['message']}")
                return message["result"]
            self.events.append(message)

    def evaluate(self, script: str) -> object:
        """Return the value of a script in the page; promises are awaited."""
        answer = self.call(
            "Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True
        )
        if "exceptionDetails" in answer:
            raise RuntimeError(answer["exceptionDetails"]["exception"].get("description", answer))
        return answer["result"].get("value")

    def wait_for(self, condition: str, seconds: float = 30.0) -> None:
        """Wait until a script is true."""
        deadline = time.monotonic() + seconds
        while not self.evaluate(condition):
            if time.monotonic() > deadline:
                raise TimeoutError(f"never true: {condition}")
            time.sleep(0.03)

    def open(self, page: Path, before: str = "") -> None:
        """Load a file; `before` runs ahead of the page's own scripts."""
        if before:
            self.call("Page.addScriptToEvaluateOnNewDocument", source=before)
        self.call("Page.navigate", url=page.resolve().as_uri())
        self.wait_for(f"location.pathname.endsWith({json.dumps(page.name)})")
        self.wait_for("document.readyState === 'complete'")

    def press(self, key: str, shift: bool = False) -> None:
        """Press and release a key, by its name in the UI Events standard."""
        code = {" ": 32, "ArrowLeft": 37, "ArrowRight": 39, "Home": 36, "End": 35, "Tab": 9,
                "PageUp": 33, "PageDown": 34, "Enter": 13, "Escape": 27}.get(key)  # fmt: skip
        event = {"key": key, "modifiers": 8 if shift else 0,
                 "windowsVirtualKeyCode": code or ord(key.upper())}  # fmt: skip
        text = {"Enter": "\r"}.get(key, key if len(key) == 1 else None)
        down = {"type": "keyDown", "text": text} if text else {"type": "rawKeyDown"}
        self.call("Input.dispatchKeyEvent", **down, **event)
        self.call("Input.dispatchKeyEvent", type="keyUp", **event)

    def click(self, selector: str, across: float = 0.5) -> None:
        """Click on an element, `across` of its width from its left."""
        x, y = self.evaluate(
            f"(() => {{ const e = document.querySelector({json.dumps(selector)});"
            "e.scrollIntoView({block: 'center', behavior: 'instant'});"
            f"const b = e.getBoundingClientRect();"
            f"return [b.left + b.width * {across}, b.top + b.height / 2]; }})()"
        )
        for kind in ("mousePressed", "mouseReleased"):
            self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def screenshot(self, path: Path | None = None) -> bytes:
        """Return the window's picture as PNG."""
        content = base64.b64decode(self.call("Page.captureScreenshot", format="png")["data"])
        if path is not None:
            path.write_bytes(content)
        return content

    def complaints(self) -> list[str]:
        """What the page logged as errors, and what it asked the network for."""
        self.evaluate("0")
        found = []
        for event in self.events:
            parameters = event.get("params", {})
            if event["method"] == "Runtime.exceptionThrown":
                found.append(str(parameters["exceptionDetails"]))
            elif event["method"] == "Log.entryAdded" and parameters["entry"]["level"] == "error":
                found.append(parameters["entry"]["text"])
            elif event["method"] == "Network.requestWillBeSent":
                url = parameters["request"]["url"]
                if not url.startswith(("file:", "data:", "about:")):
                    found.append(url)
        return found
