"""A headless browser on a pipe: opens a page from disk, runs expressions in it, tells of errors and requests."""

import base64
import json
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
OPTIONS = (
    *("--headless=new", "--remote-debugging-pipe", "--no-sandbox", "--disable-gpu", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-extensions", "--hide-scrollbars"),
    *("--disable-dev-shm-usage", "--mute-audio"),
)
# Keys by what the protocol calls them.
CODES = {"ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40, "Enter": 13, "Tab": 9, "Escape": 27}


class Browser:
    """One tab; the protocol is that of Chromium's developer tools, messages end with a zero byte."""

    def __init__(self, to: int, back: int) -> None:
        self._to, self._back = to, back
        self._number, self._rest = 0, b""
        self._session: str | None = None
        self.problems: list[str] = []
        self.requests: list[str] = []
        target = self.send("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.send("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.send(f"{domain}.enable")

    def send(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Call a method of the protocol and return its result; events that come meanwhile are noted."""
        self._number += 1
        message: dict[str, Any] = {"id": self._number, "method": method, "params": parameters}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._to, json.dumps(message).encode() + b"\0")
        while True:
            told = self._next()
            if told.get("id") == self._number:
                assert "error" not in told, told["error"]
                return told["result"]  # type: ignore[no-any-return]

    def open(self, path: Path, *, width: int = 1280, height: int = 900, dark: bool = False) -> None:
        """Open a page and wait until it is loaded."""
        self.look(width=width, height=height, dark=dark)
        self.send("Page.navigate", url=path.as_uri())
        self.wait("document.readyState === 'complete'")

    def look(self, *, width: int, height: int = 900, dark: bool = False) -> None:
        """Set the size of the window, and day or night."""
        size = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.send("Emulation.setDeviceMetricsOverride", **size)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.send("Emulation.setEmulatedMedia", features=[scheme])

    def run(self, expression: str) -> Any:
        """Return the value of an expression in the page; a promise is awaited."""
        told = self.send("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in told, told["exceptionDetails"]
        return told["result"].get("value")

    def wait(self, expression: str, *, seconds: float = 120.0) -> None:
        """Wait until an expression is true in the page."""
        poll = f"""new Promise((done, fail) => {{ const began = Date.now(); const look = () => {{
            if ({expression}) done(true);
            else if (Date.now() - began > {seconds * 1000}) fail(new Error("waited in vain"));
            else setTimeout(look, 20); }}; look(); }})"""
        self.run(poll)

    def point(self, x: float, y: float, *, click: bool = False) -> None:
        """Move the mouse to a place in the window, and click there if asked."""
        self.send("Input.dispatchMouseEvent", type="mouseMoved", x=x, y=y)
        for kind in ("mousePressed", "mouseReleased") if click else ():
            self.send("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def press(self, key: str) -> None:
        """Press a key."""
        code = {"key": key, "code": key, "windowsVirtualKeyCode": CODES[key]}
        writes = {"text": "\r"} if key == "Enter" else {}
        self.send("Input.dispatchKeyEvent", type="keyDown" if writes else "rawKeyDown", **code, **writes)
        self.send("Input.dispatchKeyEvent", type="keyUp", **code)

    def picture(self, *, whole: bool = False) -> bytes:
        """Return the window, or the whole page, as PNG."""
        return base64.b64decode(self.send("Page.captureScreenshot", captureBeyondViewport=whole)["data"])

    def printed(self) -> bytes:
        """Return the page's print view as PDF."""
        return base64.b64decode(self.send("Page.printToPDF", printBackground=True)["data"])

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self._rest:
            block = os.read(self._back, 2**16)
            assert block, "the browser is gone"
            self._rest += block
        message, _, self._rest = self._rest.partition(b"\0")
        told: dict[str, Any] = json.loads(message)
        self._note(told)
        return told

    def _note(self, told: dict[str, Any]) -> None:
        method, given = told.get("method"), told.get("params", {})
        if method == "Runtime.exceptionThrown":
            details = given["exceptionDetails"]
            self.problems.append(str(details.get("exception", {}).get("description", details["text"])))
        elif method == "Runtime.consoleAPICalled" and given["type"] in {"error", "warning", "assert"}:
            self.problems.append(str([one.get("value", one.get("description")) for one in given["args"]]))
        elif method == "Log.entryAdded" and given["entry"]["level"] in {"error", "warning"}:
            self.problems.append(given["entry"]["text"])
        elif method == "Network.requestWillBeSent":
            self.requests.append(given["request"]["url"])


@contextmanager
def browser() -> Iterator[Browser]:
    """Start a browser of this machine; the test is skipped where there is none."""
    program = next(filter(None, map(shutil.which, NAMES)), None)
    if program is None:
        pytest.skip("needs a browser: apt-get install chromium")
    to_read, to_write = os.pipe()
    back_read, back_write = os.pipe()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        # The browser reads at descriptor 3 and writes at 4.
        command = f'exec "$0" "$@" 3<&{to_read} 4>&{back_write}'
        arguments = ["bash", "-c", command, program, *OPTIONS, f"--user-data-dir={profile}", "about:blank"]
        process = subprocess.Popen(
            arguments, pass_fds=(to_read, back_write), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        os.close(to_read)
        os.close(back_write)
        try:
            yield Browser(to_write, back_read)
        finally:
            os.close(to_write)  # it ends when its pipe does
            try:
                process.wait(timeout=10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            os.close(back_read)
