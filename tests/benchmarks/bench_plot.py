"""How long a frame takes: our strips against stock pyqtgraph, in one run on one machine.

    QT_QPA_PLATFORM=offscreen python tests/benchmarks/bench_plot.py [--quick]

30 traces in 6 strips, 1600x900, 20 samples a second and trace. `live`: a 60 s window follows while
every trace gets one sample a frame. `pan`: nearly the whole recording, moved a little every frame.
`zoom`: from the whole recording inward. `cursor`: over the whole recording, moved by 5 pixels.
`walk` is a smooth random walk, `dense` changes its whole height within every pixel column.

Times are of the drawing thread's own processor time, median of the frames, so that other work on
the machine disturbs little; the ratios are what counts. Stock pyqtgraph gets what its documentation
advises for long traces: automatic peak downsampling and clipping to the view.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Callable

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import numpy as np
from PySide6.QtWidgets import QApplication, QWidget

from logbench.app.plot.stack import StripStack
from logbench.app.plot.view import TimeView
from logbench.app.theme import Look
from logbench.plot.pyramid import Pyramid
from logbench.plot.trace import SECOND, StripTrace

UNITS = ("rpm", "km/h", "%", "kPa", "g/s", "V")
PER_STRIP = 5
STEP_NS = SECOND // 20
WINDOW_NS = 60 * SECOND
WARM_UP = 5
Frame = Callable[[int], None]


def values(kind: str, count: int) -> list[np.ndarray]:
    """30 arrays of shape (count,)."""
    rng = np.random.default_rng(5)
    t = np.arange(count) / 20
    if kind == "walk":
        return [np.cumsum(rng.normal(size=count)) for _ in range(len(UNITS) * PER_STRIP)]
    return [
        50 * np.abs(np.sin(t / (5 + n))) + 8 * rng.normal(size=count)
        for n in range(len(UNITS) * PER_STRIP)
    ]


def timed(frame: Frame, frames: int) -> float:
    """Median milliseconds of the drawing thread a frame."""
    taken = []
    for number in range(WARM_UP + frames):
        before = time.thread_time()
        frame(number)
        QApplication.processEvents()
        taken.append((time.thread_time() - before) * 1e3)
    return float(np.median(taken[WARM_UP:]))


def spans(name: str, end_ns: int) -> Callable[[int], tuple[float, float]]:
    """Which stretch a frame shows."""
    if name == "pan":
        return lambda n: (end_ns * 0.001 * n, end_ns * (0.9 + 0.001 * n))
    return lambda n: (end_ns * 0.004 * n, end_ns * (1 - 0.004 * n))


class Ours:
    """The strips of the program."""

    def __init__(self, t_ns: np.ndarray, arrays: list[np.ndarray]) -> None:
        self.view = TimeView()
        self.stack = StripStack(self.view, Look("light"))
        self.end_ns = int(t_ns[-1])
        self.pyramids = [Pyramid.of(t_ns, a) for a in arrays]
        for number, pyramid in enumerate(self.pyramids):
            unit = UNITS[number // PER_STRIP]
            if number % PER_STRIP == 0:
                strip = self.stack.add_strip(unit)
            strip.add(StripTrace(f"S{number}", "7E8", unit, pyramid))
        self.widget: QWidget = self.stack
        self.view.set_limits(0, self.end_ns)

    def frame(self, name: str) -> Frame:
        """What one frame of a scenario does."""
        view = self.view
        if name == "live":
            return self._live
        if name == "cursor":
            view.show_all()
            return lambda n: view.set_cursor(view.t_of(300 + 5 * n))
        shown = spans(name, self.end_ns)
        return lambda n: view.show_span(*shown(n))

    def _live(self, number: int) -> None:
        self.end_ns += STEP_NS
        t_ns = np.array([self.end_ns], np.int64)
        for place, pyramid in enumerate(self.pyramids):
            pyramid.append(t_ns, np.array([10.0 * np.sin(number / 9 + place)]))
        self.view.show_span(self.end_ns - WINDOW_NS, self.end_ns)


class Stock:
    """pyqtgraph as it comes, with peak downsampling and clipping."""

    def __init__(self, t_ns: np.ndarray, arrays: list[np.ndarray]) -> None:
        import pyqtgraph as pg

        pg.setConfigOptions(background="w", foreground="k")
        self.plots, self.items = [], []
        self.t_s = t_ns / 1e9
        self.arrays = arrays
        layout = pg.GraphicsLayoutWidget()
        for row in range(len(UNITS)):
            plot = layout.addPlot(row=row, col=0)
            plot.setDownsampling(auto=True, mode="peak")
            plot.setClipToView(True)
            if self.plots:
                plot.setXLink(self.plots[0])
            for place in range(PER_STRIP):
                array = arrays[row * PER_STRIP + place]
                self.items.append(plot.plot(self.t_s, array, pen=pg.mkPen(place)))
            self.plots.append(plot)
        self.widget: QWidget = layout
        self.lines = [pg.InfiniteLine(pos=0) for _ in self.plots]

    def frame(self, name: str) -> Frame:
        """What one frame of a scenario does."""
        end_s = self.t_s[-1]
        if name == "live":
            return self._live
        if name == "cursor":
            for plot, line in zip(self.plots, self.lines, strict=True):
                plot.addItem(line, ignoreBounds=True)
            self.plots[0].setXRange(0, end_s, padding=0)
            return lambda n: [line.setPos(end_s * (0.2 + n / 300)) for line in self.lines] and None
        shown = spans(name, int(end_s * 1e9))
        return lambda n: self.plots[0].setXRange(*(v / 1e9 for v in shown(n)), padding=0)

    def _live(self, number: int) -> None:
        self.t_s = np.append(self.t_s, self.t_s[-1] + STEP_NS / 1e9)
        for place, item in enumerate(self.items):
            value = 10.0 * np.sin(number / 9 + place)
            self.arrays[place] = np.append(self.arrays[place], value)
            item.setData(self.t_s, self.arrays[place])
        end_s = self.t_s[-1]
        self.plots[0].setXRange(end_s - WINDOW_NS / 1e9, end_s, padding=0)


def measure(kind: str, count: int, frames: int) -> dict[str, tuple[float, float]]:
    """Scenario to (ours, stock) in milliseconds a frame."""
    t_ns = np.arange(count, dtype=np.int64) * STEP_NS
    arrays = values(kind, count)
    results: dict[str, list[float]] = {}
    for maker in (Ours, Stock):
        plot = maker(t_ns, [a.copy() for a in arrays])
        plot.widget.resize(1600, 900)
        plot.widget.show()
        QApplication.processEvents()
        for name in ("pan", "zoom", "cursor", "live"):
            few = frames if maker is Ours else max(8, frames // 4)
            results.setdefault(name, []).append(timed(plot.frame(name), few))
        plot.widget.close()
        plot.widget.deleteLater()
        QApplication.processEvents()
    return {name: (pair[0], pair[1]) for name, pair in results.items()}


def main() -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description="Frame times of the strips against pyqtgraph.")
    parser.add_argument("--quick", action="store_true", help="one hour only")
    options = parser.parse_args()
    application = QApplication([])
    application.setStyle("Fusion")
    sizes = {"1 h": 72_000} if options.quick else {"1 h": 72_000, "20 h": 1_440_000}
    print(f"{'trace':7}{'length':8}{'scenario':10}{'ours ms':>9}{'stock ms':>10}{'ratio':>8}")
    for kind in ("walk", "dense"):
        for length, count in sizes.items():
            for name, (ours, stock) in measure(kind, count, 60).items():
                ratio = stock / ours
                print(f"{kind:7}{length:8}{name:10}{ours:9.1f}{stock:10.1f}{ratio:8.1f}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
