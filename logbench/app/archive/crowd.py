"""Curves of so many drives that they run together: the bands that half and nine tenths lie in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from logbench.app.archive.trend_plot import BANDS
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.app.plot.graph import Graph
    from logbench.app.theme import Look

Values = npt.NDArray[np.float64]
_LEAST = 20
"""Drives at a time, for 5 % of them to be one."""


@dataclass(frozen=True)
class Crowd:
    """`x`, shape (n,): the times at which there are enough drives, `drives`, (n,), how many;
    `ends`, by percentile, (n,): the value that so many of them lie below, in the units shown."""

    x: Values
    drives: npt.NDArray[np.intp]
    ends: dict[str, Values]

    def runs_together(self, px_per_unit: float) -> bool:
        """Whether the middle half of the curves has more lines than pixels, a pixel wide each."""
        px = float(np.sum(self.ends["75 %"] - self.ends["25 %"])) * px_per_unit
        return float(np.sum(self.drives)) / 2.0 > px

    @property
    def said(self) -> str:
        """What the bands are, and of how many drives."""
        least, most = int(self.drives.min()), int(self.drives.max())
        if least == most:
            return tr("middle half, 5 to 95 % of {n:,} drives", n=most)
        return tr("middle half, 5 to 95 % of {least:,} to {most:,} drives at a time",
                  least=least, most=most)  # fmt: skip

    def draw(self, graph: Graph, look: Look) -> None:
        """In the colors of every spread over other cars."""
        import pyqtgraph as pg

        for lower, upper, alpha in BANDS:
            color = look.theme.trace(2)
            color.setAlpha(alpha)
            edges = [pg.PlotCurveItem(self.x, self.ends[name], pen=pg.mkPen(None))
                     for name in (lower, upper)]  # fmt: skip
            for item in (*edges, pg.FillBetweenItem(*edges, brush=color)):
                graph.addItem(item, ignoreBounds=True)


def crowd_of(x: Values, y: Values) -> Crowd | None:
    """Of the points of all curves, one a drive and time; None: at no time there are enough."""
    order = np.argsort(x, kind="stable")
    times, begins, counts = np.unique(x[order], return_index=True, return_counts=True)
    enough = counts >= _LEAST
    if not enough.any():
        return None
    names = [name for lower, upper, _ in BANDS for name in (lower, upper)]
    shares = [float(name.removesuffix(" %")) for name in names]
    parts = [y[order[begin : begin + n]]
             for begin, n in zip(begins[enough], counts[enough], strict=True)]  # fmt: skip
    found = np.array([np.percentile(part, shares) for part in parts])
    return Crowd(times[enough], counts[enough], dict(zip(names, found.T, strict=True)))
