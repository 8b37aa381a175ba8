"""A headless Chromium driven by its own debugging protocol over a pair of pipes: no port, no driver program."""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType
from typing import Any

LONGEST_S = 60.0


class Browser:
    """One page in one browser.

    Parameters
    ----------
    width, height : int
        Size of the window in CSS pixels.
    """

    def __init__(self, width: int = 1400, height: int = 900) -> None:
        program = shutil.which("chromium") or shutil.which("chromium-browser")
        if program is None:
            raise RuntimeError("these tests need Chromium: apt-get install chromium")
        self._home = tempfile.mkdtemp(prefix="leanmix-browser-")
        to_read, self._write = os.pipe()
        self._read, to_write = os.pipe()
        # Chromium reads commands from descriptor 3 and writes answers to 4
        script = f'exec {program} "$@" 3<&{to_read} 4>&{to_write}'
        self._process = subprocess.Popen(
            ["/bin/bash", "-c", script, "chromium", "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run",
             "--disable-dev-shm-usage", "--disable-extensions", "--remote-debugging-pipe", "--hide-scrollbars",
             f"--user-data-dir={self._home}", f"--window-size={width},{height}", "about:blank"],
            pass_fds=(to_read, to_write), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(to_read)
        os.close(to_write)
        self._buffer = b""
        self._next = 0
        self.seen: list[dict[str, Any]] = []
        target = self._call("Target.createTarget", {"url": "about:blank"})["targetId"]
        self._session = self._call("Target.attachToTarget", {"targetId": target, "flatten": True})["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")
        self.call("Emulation.setDeviceMetricsOverride", {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False})  # fmt: skip

    def __enter__(self) -> Browser:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        os.close(self._write)
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(10)
        os.close(self._read)
        shutil.rmtree(self._home, ignore_errors=True)

    def _message(self) -> dict[str, Any]:
        while b"\0" not in self._buffer:
            part = os.read(self._read, 1 << 20)
            if not part:
                raise RuntimeError("the browser went away")
            self._buffer += part
        raw, self._buffer = self._buffer.split(b"\0", 1)
        message: dict[str, Any] = json.loads(raw)
        return message

    def _call(self, method: str, params: dict[str, Any] | None = None, session: str | None = None) -> dict[str, Any]:
        self._next += 1
        number = self._next
        body: dict[str, Any] = {"id": number, "method": method, "params": params or {}}
        if session:
            body["sessionId"] = session
        os.write(self._write, json.dumps(body).encode() + b"\0")
        while True:
            message = self._message()
            if message.get("id") == number:
                if "error" in message:
                    raise RuntimeError(f"{method}: {message['error']}")
                result: dict[str, Any] = message["result"]
                return result
            self.seen.append(message)

    def call(self, method: str, params: dict[str, Any] | None = None) -> dict[str, Any]:
        """One command to the page; events that come meanwhile are kept in `seen`."""
        return self._call(method, params, self._session)

    def run(self, script: str) -> Any:
        """Value of a JavaScript expression, awaited."""
        found = self.call("Runtime.evaluate", {"expression": script, "awaitPromise": True, "returnByValue": True})
        if "exceptionDetails" in found:
            raise RuntimeError(str(found["exceptionDetails"]))
        return found["result"].get("value")

    def until(self, script: str) -> Any:
        """Wait until a JavaScript expression is true; its value."""
        end = time.monotonic() + LONGEST_S
        while time.monotonic() < end:
            if value := self.run(script):
                return value
            time.sleep(0.03)
        raise AssertionError(f"never came true: {script}")

    def open(self, address: str) -> None:
        """Go to an address."""
        self.call("Page.navigate", {"url": address})

    def click(self, x: float, y: float) -> None:
        """A real click at CSS pixels of the window."""
        for kind, buttons in (("mouseMoved", 0), ("mousePressed", 1), ("mouseReleased", 0)):
            self.call("Input.dispatchMouseEvent", {"type": kind, "x": x, "y": y, "button": "none" if kind == "mouseMoved" else "left", "buttons": buttons, "clickCount": 0 if kind == "mouseMoved" else 1})  # fmt: skip

    def drag(self, x0: float, y0: float, x1: float, y1: float) -> None:
        """Press, move, let go."""
        steps = [("mousePressed", x0, y0), ("mouseMoved", (x0 + x1) / 2, (y0 + y1) / 2), ("mouseMoved", x1, y1), ("mouseReleased", x1, y1)]  # fmt: skip
        for kind, x, y in steps:
            self.call("Input.dispatchMouseEvent", {"type": kind, "x": x, "y": y, "button": "left", "buttons": 0 if kind == "mouseReleased" else 1, "clickCount": 1})  # fmt: skip

    def wheel(self, x: float, y: float, down: float) -> None:
        """Turn the wheel."""
        self.call("Input.dispatchMouseEvent", {"type": "mouseWheel", "x": x, "y": y, "deltaX": 0, "deltaY": down})

    def press(self, key: str, *, ctrl: bool = False, shift: bool = False, code: int = 0, text: str = "") -> None:
        """A real key press."""
        modifiers = (2 if ctrl else 0) + (8 if shift else 0)
        common = {"key": key, "modifiers": modifiers, "windowsVirtualKeyCode": code}
        self.call("Input.dispatchKeyEvent", {"type": "keyDown", **common, **({"text": text} if text else {})})
        self.call("Input.dispatchKeyEvent", {"type": "keyUp", **common})

    def picture(self, path: Path) -> None:
        """A screenshot, for looking at by hand."""
        path.write_bytes(base64.b64decode(self.call("Page.captureScreenshot")["data"]))
