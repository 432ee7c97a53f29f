"""What a second screen costs the window: frame time and sampling with one that looks, and without.

    QT_QPA_PLATFORM=offscreen python tests/benchmarks/bench_second_screen.py [--rounds 6]

A window records the simulated car (in processes of their own) and paints its strips as fast as it
can; a process of its own takes what the page would. In turn with the screen and without, some
seconds each; ratios of medians. Goal: not slower by more than 2 %.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

from PySide6.QtWidgets import QApplication

from logbench.app.window import MainWindow
from logbench.cases.settings import Settings

ROUND_S = 3.0
CLIENT = (
    "import sys; from websockets.sync.client import connect\n"
    "with connect(sys.argv[1], origin=sys.argv[2], compression=None) as screen:\n"
    "    for _ in screen: pass\n"
)


def until(reached: Callable[[], object]) -> None:
    """Wait while the window goes on."""
    last = time.monotonic() + 60
    while not reached():
        QApplication.processEvents()
        if time.monotonic() > last:
            raise SystemExit("waited in vain")


def measured(window: MainWindow) -> tuple[float, float]:
    """Median frame time (ms) and samples a second of one round."""
    stack, traces = window.live.stack, window.live.session.traces
    began, samples = time.monotonic(), sum(len(t.pyramid) for t in traces.values())
    frames = []
    while time.monotonic() - began < ROUND_S:
        started = time.perf_counter()
        QApplication.processEvents()
        stack.grab()
        frames.append((time.perf_counter() - started) * 1000)
    more = sum(len(t.pyramid) for t in traces.values()) - samples
    return median(frames), more / (time.monotonic() - began)


def with_screen(window: MainWindow) -> tuple[float, float]:
    """The same while a screen looks."""
    second = window.live.second
    second.open("127.0.0.1", "127.0.0.0/8")
    until(lambda: second.address)
    host = second.address.split("/")[2]
    url = f"{second.address.replace('http', 'ws')}live"
    client = subprocess.Popen([sys.executable, "-c", CLIENT, url, f"http://{host}"])
    until(lambda: second.screens)
    told = measured(window)
    second.close()
    client.wait(30)
    return told


def main() -> None:
    """Print both, and their ratios."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=6)
    rounds = parser.parse_args().rounds
    application = QApplication.instance() or QApplication([])
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings.load(Path(folder) / "settings.json")
        settings.folder = Path(folder)
        window = MainWindow(settings)
        window.ask_to_finish = lambda: True
        window.resize(1600, 900)
        window.show()
        window.live.choose_link("sim:?seed=7&baud=0&latency_ms=1")
        window.live.start()
        until(lambda: len(window.live.session.traces) > 8)
        measured(window)
        without, looked = [], []
        for _ in range(rounds):
            without.append(measured(window))
            looked.append(with_screen(window))
        window.live.stop()
        until(lambda: not window.live.busy)
        window.close()
    for place, what in enumerate(("frame, ms", "samples a second")):
        alone, beside = (median(row[place] for row in rows) for rows in (without, looked))
        print(f"{what}: without {alone:.2f}, with {beside:.2f}, ratio {beside / alone:.3f}")
    del application


if __name__ == "__main__":
    main()
