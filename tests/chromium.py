"""A headless Chromium, driven over its debugging pipe; what it loads and sends is listened to."""

from __future__ import annotations

import fcntl
import json
import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
_FREE = 10
"""File descriptors from here on are none of the pipe's own, 3 and 4."""


class Browser:
    """One page."""

    def __init__(self, into: int, out: int) -> None:
        self._into, self._out = os.fdopen(into, "wb", 0), os.fdopen(out, "rb")
        self._said = b""
        self._count = 0
        self.session = ""
        self.requested: list[str] = []
        """Addresses that the page asked for."""

    def close(self) -> None:
        """Hear and say no more."""
        self._into.close()
        self._out.close()

    def call(self, method: str, **params: Any) -> Any:
        """A command of the DevTools protocol, and its answer."""
        self._count += 1
        message = {"id": self._count, "method": method, "params": params}
        if self.session:
            message["sessionId"] = self.session
        self._into.write(json.dumps(message).encode() + b"\0")
        while True:
            heard = self._next()
            if heard.get("method") == "Network.requestWillBeSent":
                self.requested.append(heard["params"]["request"]["url"])
            if heard.get("id") == self._count:
                assert "error" not in heard, heard
                return heard["result"]

    def _next(self) -> Any:
        while b"\0" not in self._said:
            come = self._out.read1(65536)
            assert come, "the browser has ended"
            self._said += come
        message, self._said = self._said.split(b"\0", 1)
        return json.loads(message)

    def open(self, page: Path) -> None:
        """Open a file as a page."""
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.call("Target.attachToTarget", targetId=target, flatten=True)[
            "sessionId"
        ]
        self.call("Network.enable")
        self.call("Page.enable")
        self.call("Page.navigate", url=page.as_uri())
        self.run("new Promise(done => document.readyState === 'complete' ? done() "
                 ": addEventListener('load', done))")  # fmt: skip

    def run(self, script: str) -> Any:
        """The value of an expression, awaited."""
        found = self.call(
            "Runtime.evaluate", expression=script, awaitPromise=True, returnByValue=True
        )
        assert "exceptionDetails" not in found, found
        return found["result"].get("value")

    def choose(self, field: str, path: Path) -> None:
        """Put a file, or a folder, into a field for files."""
        expression = f"document.getElementById('{field}')"
        field_id = self.call("Runtime.evaluate", expression=expression)["result"]["objectId"]
        self.call("DOM.setFileInputFiles", files=[str(path)], objectId=field_id)


@contextmanager
def chromium(profile: Path) -> Iterator[Browser]:
    """Started for as long as the context lasts, with a profile of its own."""
    assert CHROMIUM is not None
    pipes = (*os.pipe(), *os.pipe())
    ends = [fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, _FREE) for end in pipes]
    for end in pipes:
        os.close(end)
    theirs_in, ours_in, ours_out, theirs_out = ends

    pipe = f'exec "$0" "$@" 3<&{theirs_in} 4>&{theirs_out}'
    quiet = ("background-networking", "component-update", "sync", "gpu", "dev-shm-usage")
    process = subprocess.Popen(
        ["bash", "-c", pipe, CHROMIUM, "--headless", "--no-sandbox", "--no-first-run",
         *(f"--disable-{one}" for one in quiet), f"--user-data-dir={profile}",
         "--remote-debugging-pipe"],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        pass_fds=(theirs_in, theirs_out),
    )  # fmt: skip
    os.close(theirs_in)
    os.close(theirs_out)
    browser = Browser(ours_in, ours_out)
    try:
        yield browser
    finally:
        browser.close()
        process.terminate()
        process.wait(60)
