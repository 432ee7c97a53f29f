"""How long until a window can be used, and until a long recording is seen.

    QT_QPA_PLATFORM=offscreen python tests/benchmarks/bench_open.py [--hours 4] [--runs 3]

`launch`: from the start of a fresh Python process to the main window's first painted frame, its
event loop idle. `open`: in that window, from asking for a recording of 30 signals at 20 samples a
second to the first painted frame with its strips, once the window has made ready for it in idle
time; the file was read once before, so that the disk is not measured. `help`: `logbench --help` in
a process of its own. Seconds, the best of the runs; each run is a process of its own. Beside the
time on the clock stands the processor's time of all threads, which other work on the machine
disturbs less.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

RATE_HZ = 20
SIGNALS = 30


def make_recording(path: Path, hours: float) -> Path:
    """A smooth drive-like recording of `SIGNALS` signals."""
    import numpy as np

    from logbench.recording.finish import write_recording
    from logbench.recording.model import Facts, SignalFacts, Trace
    from logbench.signals.table import table

    rng = np.random.default_rng(5)
    count = round(hours * 3600 * RATE_HZ)
    numbers = [s for s in table() if s.kind == "number" and s.unit][:SIGNALS]
    traces = []
    for place, signal in enumerate(numbers):
        t_ns = np.arange(count, dtype=np.int64) * (10**9 // RATE_HZ) + place * 10**6
        value = 50 + 40 * np.sin(t_ns / 1e9 / (7 + place)) + rng.normal(size=count).round(2)
        traces.append(Trace(signal.acronym, "7E8", signal.unit, t_ns, value))
    facts = Facts(signals={t.signal: SignalFacts(unit=t.unit) for t in traces})
    return write_recording(path, traces, facts)


def child(path: Path, started_s: float) -> None:
    """In a fresh process: come up, open, print both times."""
    from PySide6.QtCore import QTimer
    from PySide6.QtGui import QPaintEvent
    from PySide6.QtWidgets import QApplication

    from logbench.app.plot.strip import Strip
    from logbench.app.window import MainWindow
    from logbench.cases.settings import Settings

    application = QApplication(["logbench"])
    application.setStyle("Fusion")
    window = MainWindow(Settings.load(path.with_suffix(".json")))
    window.resize(1600, 900)
    times: dict[str, float] = {}

    paint = Strip.paintEvent

    def watched(strip: Strip, event: QPaintEvent) -> None:
        paint(strip, event)
        QTimer.singleShot(0, painted)

    Strip.paintEvent = watched  # type: ignore[method-assign]

    def usable() -> None:
        times["launch"] = time.time() - started_s
        times["launch, processor"] = time.process_time()
        window.warm_up()
        QTimer.singleShot(200, ask)

    def ask() -> None:
        if window.services.runner.busy:
            QTimer.singleShot(50, ask)
            return
        times["asked"], times["asked, processor"] = time.time(), time.process_time()
        window.pages.open_recordings([path])

    def painted() -> None:
        if "open" not in times:
            times["open"] = time.time() - times.pop("asked")
            times["open, processor"] = time.process_time() - times.pop("asked, processor")
            window.pages.review.opening.cancel()
            application.quit()

    window.show()
    QTimer.singleShot(0, usable)
    application.exec()
    print(json.dumps(times))
    sys.stdout.flush()
    os._exit(0)


def main() -> None:
    """Measure and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=4.0)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--child", nargs=2, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        child(Path(options.child[0]), float(options.child[1]))
    with tempfile.TemporaryDirectory() as folder:
        path = make_recording(Path(folder) / "long.parquet", options.hours)
        path.read_bytes()
        env = {**os.environ, "PYTHONPYCACHEPREFIX": str(Path(folder) / "compiled")}
        env.pop("PYTHONDONTWRITEBYTECODE", None)  # as installed: modules are compiled once
        found: dict[str, list[float]] = {}
        for _ in range(options.runs):
            command = [sys.executable, __file__, "--child", str(path), str(time.time())]
            done = subprocess.run(command, capture_output=True, text=True, check=True, env=env)
            said = done.stdout
            for name, seconds in json.loads(said).items():
                found.setdefault(name, []).append(seconds)
            before, children = time.time(), os.times().children_user
            command = [sys.executable, "-m", "logbench", "--help"]
            subprocess.run(command, capture_output=True, check=True, env=env)
            found.setdefault("help", []).append(time.time() - before)
            found.setdefault("help, processor", []).append(os.times().children_user - children)
    samples = SIGNALS * round(options.hours * 3600 * RATE_HZ)
    load = os.getloadavg()[0]
    print(f"{options.hours:g} h, {SIGNALS} signals, {samples:,} samples; load {load:.1f}")
    for name, seconds in found.items():
        print(f"{name:18} best {min(seconds):.2f} s, worst {max(seconds):.2f} s")


if __name__ == "__main__":
    main()
