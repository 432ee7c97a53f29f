"""An hour of live recording with the real window open: frames missed, memory kept, nothing lost.

    QT_QPA_PLATFORM=offscreen python tests/benchmarks/bench_live_hour.py [--speed 12] [--rate 10]

A recording of 30 signals is made up and replayed `--speed` times as fast into the capture process,
which records it anew, while the whole window (1600x900, all 30 traces in strips, a 60 s window that
follows, table of values, driving conditions; with `--plan` the drive plan and its evidence instead
of the strips) shows it. `--rate`: samples a second of each signal; 10 is what an adapter gives for
30 signals, 28 what a native CAN link gives.

A frame is what the window does for one interval of its timer (40 ms): taking in what came,
painting, and whatever else was due. It is missed when that takes longer than the interval. Counted
by the clock, which other programs disturb, and by the window thread's own processor time.
Memory is what window and capture process hold at the end beyond what they held after a tenth of the
hour. Exit code 1 when a goal is missed: 1 % of the frames (by processor time), 50 MB each, or a
sample that is not in the recording. Linux only (memory from /proc).
"""

from __future__ import annotations

import argparse
import gc
import os
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
from PySide6.QtWidgets import QApplication

from logbench.app.live.page import LivePage
from logbench.app.live.session import POLL_MS
from logbench.app.window import MainWindow
from logbench.capture.messages import CaptureRequest
from logbench.capture.process import Capture
from logbench.cases.settings import Settings
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, SignalFacts, Trace
from logbench.recording.reader import open_recording
from logbench.signals.table import table

SIGNALS = 30
FIRST = (
    *("RPM", "VSS", "ECT", "IAT", "MAF", "MAP", "LOAD_PCT", "SHRTFT1", "LONGFT1", "TP", "SPARKADV"),
    *("VPWR", "BARO", "LOAD_ABS", "LAMBDA11", "O2S11", "O2S12", "APP_D", "APP_E", "AAT"),
)
FRAME_S = POLL_MS / 1000
MOST_MISSED = 0.01
MOST_GROWN_MB = 50.0
_DEADLINE = 3.0
"""Gives up after so many times the time it should take."""


@dataclass
class Frames:
    """What each frame took, seconds: by the clock and of the thread's processor time."""

    wall: list[float] = field(default_factory=list)
    own: list[float] = field(default_factory=list)

    def missed(self, times: list[float]) -> float:
        """Share of the frames that took longer than the interval."""
        return float(np.mean(np.array(times) > FRAME_S))


def made_up(path: Path, seconds: float, rate_hz: float) -> Path:
    """A recording of `SIGNALS` signals that wander within their ranges."""
    known = [s for s in table() if s.kind == "number"]
    named = [s for s in known if s.acronym in FIRST]
    signals = (named + [s for s in known if s.acronym not in FIRST])[:SIGNALS]
    rng = np.random.default_rng(11)
    t_ns = (np.arange(round(seconds * rate_hz)) * (1e9 / rate_hz)).astype(np.int64)
    traces = []
    for number, signal in enumerate(signals):
        low, high = max(signal.minimum, -200.0), min(signal.maximum, 6000.0)
        wave = np.sin(t_ns / 1e9 / (7.0 + number)) + 0.02 * rng.normal(size=len(t_ns))
        value = (low + high) / 2 + 0.3 * (high - low) * wave
        traces.append(Trace(signal.acronym, "7E8", signal.unit, t_ns + number * 1000, value))
    facts = Facts(
        signals={s.acronym: SignalFacts(unit=s.unit, name=s.name, pid=s.pid) for s in signals},
        ecus={"7E8": "Engine"},
    )
    return write_recording(path, traces, facts)


def resident_mb(pid: int) -> float:
    """Memory that a process holds."""
    for line in Path(f"/proc/{pid}/status").read_text().splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) / 1024
    raise RuntimeError(f"no VmRSS of {pid}")


class Drive:
    """The window, driven frame by frame until the replay has come to its end."""

    def __init__(self, window: MainWindow, captures: list[Capture], seconds: float) -> None:
        self.window, self.live = window, window.live
        self._captures, self._seconds = captures, seconds
        self.frames = Frames()
        self.at_tenth: tuple[float, float] | None = None
        self.at_end = (0.0, 0.0)

    def run(self, deadline: float) -> None:
        """Until the recording is finished; raises `TimeoutError` past the deadline."""
        session = self.live.session
        session._timer.stop()  # polled here, so that what a frame takes can be told
        following = time.perf_counter()
        while session.active:
            if time.monotonic() > deadline:
                raise TimeoutError("the drive did not come to its end")
            self._frame(session.state == "recording")
            following += FRAME_S
            wait = following - time.perf_counter()
            if wait > 0:
                time.sleep(wait)
            else:
                following = time.perf_counter()

    def _frame(self, counts: bool) -> None:
        wall, own = time.perf_counter(), time.thread_time()
        self.live.session.poll()
        QApplication.processEvents()
        if counts and self.live.session.active:
            self.frames.wall.append(time.perf_counter() - wall)
            self.frames.own.append(time.thread_time() - own)
            self._weigh()

    def _weigh(self) -> None:
        now_s = self.live.session.now_ns / 1e9
        pid = self._captures[-1].pid
        if now_s < self._seconds / 10 or pid is None:
            return
        if self.at_tenth is None:
            gc.collect()
            self.at_tenth = (resident_mb(os.getpid()), resident_mb(pid))
        if len(self.frames.wall) % 25 == 0:
            self.at_end = (resident_mb(os.getpid()), resident_mb(pid))


def plot_everything(live: LivePage) -> None:
    """Check every row of the table of values."""
    for trace in live.session.traces.values():
        if trace.key not in live.stack.keys:
            live.values.model_.plotted_changed.emit(trace, True)


def report(drive: Drive, samples: int, took_s: float, options: argparse.Namespace) -> bool:
    """Print the figures; whether all goals are met."""
    frames, seconds = drive.frames, options.minutes * 60
    assert drive.at_tenth is not None
    grown = [end - tenth for end, tenth in zip(drive.at_end, drive.at_tenth, strict=True)]
    by_clock, by_own = frames.missed(frames.wall), frames.missed(frames.own)
    own_ms, wall_ms = np.array(frames.own) * 1e3, np.array(frames.wall) * 1e3
    print(f"{seconds / 60:.0f} min, {SIGNALS} signals, {samples:,} samples, replayed in")
    print(f"{took_s:.0f} s (asked for {options.speed:g} times as fast), {len(own_ms):,} frames")
    for name, times, share in (("clock", wall_ms, by_clock), ("own", own_ms, by_own)):
        median, high = np.median(times), np.percentile(times, 99)
        print(
            f"frame, {name:6}: median {median:5.1f} ms, 99 % {high:5.1f} ms, most"
            f" {times.max():5.1f} ms; longer than {POLL_MS} ms: {100 * share:.2f} %"
        )
    for name, tenth, more in zip(("window", "capture"), drive.at_tenth, grown, strict=True):
        print(f"memory, {name:8}: {tenth:.0f} MB after a tenth, {more:+.1f} MB at the end")
    print(f"load: {os.getloadavg()[0]:.1f}")
    return by_own <= MOST_MISSED and max(grown) < MOST_GROWN_MB


def main() -> int:
    """Make, replay, watch, compare."""
    parser = argparse.ArgumentParser(description="An hour of live recording, window open.")
    parser.add_argument("--speed", type=float, default=12.0)
    parser.add_argument("--rate", type=float, default=10.0)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--plan", action="store_true")
    options = parser.parse_args()
    application = QApplication([])
    application.setStyle("Fusion")
    captures: list[Capture] = []

    def capture(request: CaptureRequest) -> Capture:
        captures.append(Capture(request))
        return captures[-1]

    with tempfile.TemporaryDirectory() as folder:
        source = made_up(Path(folder) / "hour.parquet", options.minutes * 60, options.rate)
        settings = Settings.load(Path(folder) / "settings.json")
        settings.folder = Path(folder) / "recordings"
        window = MainWindow(settings, capture)
        window.resize(1600, 900)
        window.show()
        live = window.live
        live.starting.cautions_seen = True
        live.choose_link(f"replay:{source}?speed={options.speed:g}")
        drive = Drive(window, captures, options.minutes * 60)
        shown: list[bool] = []

        def first_samples() -> None:
            if not shown and len(live.session.traces) >= SIGNALS:
                shown.append(True)
                plot_everything(live)
                live.show_shape("plan" if options.plan else "strips")

        live.session.grew.connect(first_samples)
        finished: list[Path | None] = []
        live.session.finished.connect(lambda message: finished.append(message.path))
        began = time.monotonic()
        live.start()
        drive.run(began + 60 + _DEADLINE * options.minutes * 60 / options.speed)
        took_s = time.monotonic() - began
        (path,) = finished
        assert path is not None
        assert len(live.stack.keys) >= SIGNALS
        before, after = open_recording(source), open_recording(path)
        assert after.intact()
        for trace in before.traces():
            assert np.array_equal(after.trace(trace.signal).value, trace.value), trace.signal
        samples = sum(len(trace) for trace in after.traces())
        good = report(drive, samples, took_s, options)
        window.ask_to_finish = lambda: True
        window.close()
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
