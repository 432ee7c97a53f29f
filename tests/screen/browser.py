"""A real Chromium without a window, told what to do over its own debugging socket."""

from __future__ import annotations

import contextlib
import json
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from websockets.sync.client import ClientConnection, connect

LIMIT_S = 60.0
"""For whatever is waited for; a busy machine needs some of it."""
NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")


def until(reached: Callable[[], object], limit_s: float = LIMIT_S) -> Any:
    """What `reached` gives as soon as that is something."""
    last = time.monotonic() + limit_s
    while time.monotonic() < last:
        found = reached()
        if found:
            return found
        time.sleep(0.05)
    raise AssertionError("waited in vain")


class Tab:
    """One page of the browser."""

    def __init__(self, socket: ClientConnection, width: int, height: int) -> None:
        self._socket = socket
        self._number = 0
        self.ask("Page.enable")
        self.resize(width, height)

    def ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        """The answer to a command; raises AssertionError for one that fails."""
        self._number += 1
        asked = {"id": self._number, "method": method, "params": parameters}
        self._socket.send(json.dumps(asked))
        while True:
            told = json.loads(self._socket.recv(LIMIT_S))
            if told.get("id") == self._number:
                assert "error" not in told, told
                return dict(told["result"])

    def open(self, url: str) -> None:
        """Go to an address."""
        self.ask("Page.navigate", url=url)

    def run(self, script: str) -> Any:
        """The value of a JavaScript expression."""
        told = self.ask("Runtime.evaluate", expression=script, returnByValue=True)
        assert "exceptionDetails" not in told, told
        return told["result"].get("value")

    def shows(self, words: str) -> Any:
        """Wait until the page's text has these words."""
        wanted = json.dumps(words)
        return until(
            lambda: self.run(f"document.body && document.body.innerText.includes({wanted})")
        )

    def resize(self, width: int, height: int, scale: float = 1.0) -> None:
        """The screen of a phone or tablet, in CSS pixels."""
        self.ask(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=scale, mobile=True,
        )  # fmt: skip

    def heap_bytes(self) -> int:
        """What the page's scripts hold, after tidying up."""
        self.ask("HeapProfiler.collectGarbage")
        return int(self.ask("Runtime.getHeapUsage")["usedSize"])

    def picture(self) -> bytes:
        """What is seen, as a PNG."""
        import base64

        return base64.b64decode(self.ask("Page.captureScreenshot", format="png")["data"])


@contextlib.contextmanager
def browser(folder: Path, width: int = 390, height: int = 844) -> Iterator[Tab]:
    """A tab of a browser of its own; skips the test where there is no Chromium."""
    found = next(filter(None, map(shutil.which, NAMES)), None)
    if found is None:
        pytest.skip("needs Chromium: apt-get install chromium")
    command = [
        found, "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run",
        "--disable-background-networking", "--disable-extensions", "--disable-dev-shm-usage",
        "--remote-debugging-port=0", f"--user-data-dir={folder}", "about:blank",
    ]  # fmt: skip
    folder.mkdir(exist_ok=True)
    with (folder / "says.txt").open("wb") as says:
        process = subprocess.Popen(command, stdout=says, stderr=says)
        try:
            port_file = folder / "DevToolsActivePort"
            port = until(lambda: port_file.exists() and port_file.read_text("utf-8").split())[0]
            url = _tab_url(int(port))
            with connect(url, max_size=None, open_timeout=LIMIT_S, compression=None) as line:
                tab = Tab(line, width, height)
                yield tab
                with contextlib.suppress(Exception):
                    tab.ask("Browser.close")
        finally:
            process.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                process.wait(10)
            process.kill()
            process.wait()


def _tab_url(port: int) -> str:
    from urllib.request import urlopen

    def first() -> str:
        with urlopen(f"http://127.0.0.1:{port}/json/list", timeout=LIMIT_S) as answer:
            pages = [one for one in json.load(answer) if one["type"] == "page"]
        return str(pages[0]["webSocketDebuggerUrl"]) if pages else ""

    return str(until(first))
