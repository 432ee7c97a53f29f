"""Does a busy window cost samples? The rate of a recording headless and with a window painting.

    QT_QPA_PLATFORM=offscreen python tests/benchmarks/bench_capture_painting.py [--seconds 12]

The same recording (simulated adapter and capture in processes of their own, twelve signals) is made
in turn without a window, with 30 traces in 6 strips, 1600x900, painted 60 times a second, and with
the same painted as fast as this process can, which takes a whole processor core. Each frame shows
what has come since the last. The first two seconds do not count. Goal: at least 98 % of the
headless rate.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
from PySide6.QtWidgets import QApplication

from logbench.app.plot.stack import StripStack
from logbench.app.plot.view import TimeView
from logbench.app.theme import Look
from logbench.capture.messages import Batch, CaptureRequest, CarFound, Failed, Finished, Message
from logbench.capture.process import Capture
from logbench.plot.pyramid import Pyramid
from logbench.plot.trace import SECOND, StripTrace
from logbench.recording.reader import open_recording
from tests.capture.watched import batch_table

TWELVE = (
    *("RPM", "VSS", "ECT", "IAT", "MAF", "MAP", "LOAD_PCT"),
    *("SHRTFT1", "LONGFT1", "TP", "SPARKADV", "VPWR"),
)
STRIPS, PER_STRIP = 6, 5
WINDOW_NS = 60 * SECOND
JITTER_NS = SECOND // 5
"""Every other frame is moved by about five pixels, so that none is the same picture."""
HISTORY = 1_200
"""Samples of each trace there are to paint from the start: a minute at 20 a second."""
SETTLED_S = 2.0
LINKS = {
    "wire": ("115,200 baud, 8 ms ECU", "sim:?seed=7&baud=115200&latency_ms=8"),
    "quick": ("no wire time, 1 ms ECU", "sim:?seed=7&baud=0&latency_ms=1"),
}
RATES_HZ = {"60 Hz": 60.0, "flat out": 1e9}


class Window:
    """30 traces that grow with what the capture sends; every frame paints all strips."""

    def __init__(self) -> None:
        rng = np.random.default_rng(5)
        self.view = TimeView()
        self.stack = StripStack(self.view, Look("light"))
        self.pyramids: list[Pyramid] = []
        t_ns = np.arange(-HISTORY, 0, dtype=np.int64) * SECOND // 20
        for number in range(STRIPS):
            strip = self.stack.add_strip(f"unit {number}")
            for place in range(PER_STRIP):
                pyramid = Pyramid.of(t_ns, np.cumsum(rng.normal(size=HISTORY)))
                self.pyramids.append(pyramid)
                name = f"S{number}{place}"
                strip.add(StripTrace(name, "7E8", f"unit {number}", pyramid))
        self.view.set_limits(int(t_ns[0]), 3600 * SECOND)
        self.stack.resize(1600, 900)
        self.stack.show()
        self.frames = 0
        self._end_ns = 0
        QApplication.processEvents()

    def frame(self, messages: list[Message]) -> None:
        """One frame: new samples of each signal into some of the traces, then painting."""
        for message in messages:
            if isinstance(message, Batch):
                self._append(message)
        end_ns = self._end_ns + self.frames % 2 * JITTER_NS
        self.view.show_span(end_ns - WINDOW_NS, end_ns)
        QApplication.processEvents()
        self.frames += 1

    def _append(self, batch: Batch) -> None:
        table = batch_table(batch)
        t_ns, value = table["t"].to_numpy(), table["value"].to_numpy()
        self._end_ns = max(self._end_ns, int(t_ns[-1]))
        for pyramid in self.pyramids:
            pyramid.append(t_ns[-1:], value[-1:])

    def close(self) -> None:
        """Take it off the screen."""
        self.stack.close()
        self.stack.deleteLater()
        QApplication.processEvents()


def recorded(url: str, seconds: float, show: Callable[[list[Message]], None] | None) -> float:
    """Samples a second of a recording of `seconds`, on its own clock."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "drive.parquet"
        request = CaptureRequest(url, TWELVE, out, limit_s=SETTLED_S + seconds)
        with Capture(request) as capture:
            found = False
            while not capture.ended:
                if show is None or not found:
                    capture.wait(0.05)
                messages = capture.poll()
                found = found or any(isinstance(m, CarFound) for m in messages)
                failed = [m for m in messages if isinstance(m, Failed)]
                if failed:
                    raise SystemExit(failed[0].sentence)
                if show is not None and not any(isinstance(m, Finished) for m in messages):
                    show(messages)
        traces = open_recording(out).traces()
        t_s = np.concatenate([trace.t_s for trace in traces])
        t_s = t_s[t_s >= SETTLED_S]
        return len(t_s) / (float(t_s.max()) - SETTLED_S)


def painted(url: str, seconds: float, most_hz: float) -> tuple[float, float]:
    """Samples a second with the window busy at `most_hz` at most, and its frames a second."""
    window = Window()
    began = time.monotonic()

    def frame(messages: list[Message]) -> None:
        wait_s = began + window.frames / most_hz - time.monotonic()
        if wait_s > 0:
            time.sleep(wait_s)
        window.frame(messages)

    try:
        rate = recorded(url, seconds, frame)
        return rate, window.frames / (time.monotonic() - began)
    finally:
        window.close()


def main() -> int:
    """Print a line for each round and the medians."""
    parser = argparse.ArgumentParser(description="Sample rate with and without a busy window.")
    parser.add_argument("--seconds", type=float, default=12.0)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--only", choices=LINKS)
    options = parser.parse_args()
    application = QApplication([])
    application.setStyle("Fusion")
    for name in [options.only] if options.only else LINKS:
        text, url = LINKS[name]
        ratios: dict[str, list[float]] = {label: [] for label in RATES_HZ}
        for _ in range(options.rounds):
            alone = recorded(url, options.seconds, None)
            line = f"{text}: headless {alone:.1f} samples/s"
            for label, most_hz in RATES_HZ.items():
                busy, frames = painted(url, options.seconds, most_hz)
                ratios[label].append(busy / alone)
                line += f"; {label} {busy:.1f} ({frames:.0f} frames/s): {busy / alone:.3f}"
            print(f"{line}; load {os.getloadavg()[0]:.1f}", flush=True)
        for label, found in ratios.items():
            print(f"{text}: {label}: median ratio {np.median(found):.3f} (goal 0.98)")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
