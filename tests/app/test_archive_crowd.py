"""Warm-up curves of so many drives that they run together are bands; each can still be pressed."""

from __future__ import annotations

import duckdb
import numpy as np
import pyarrow as pa
from PySide6.QtCore import QPoint, Qt

from logbench.app.archive.crowd import crowd_of
from logbench.app.archive.fleet_plot import Drawing, FleetPlot, Mark
from logbench.app.theme import Look

MINUTES = np.arange(1, 25) / 6.0


def drawing(n: int, apart: float, mine: int = 1) -> Drawing:
    """Curves that begin so far apart, the first of them in front; every tenth is half as long."""
    lengths = [len(MINUTES) // (2 if k % 10 == 9 else 1) for k in range(n)]
    which = np.repeat(np.arange(n), lengths)
    x = np.concatenate([MINUTES[:length] for length in lengths])
    marks = [Mark((f"{k}.parquet",), lambda k=k: f"drive {k}") for k in range(n)]
    return Drawing(x, 10.0 * x + apart * which, which, marks, np.arange(n) < mine, curves=True)


def shown(made: Drawing, look: Look, qtbot, size: tuple[int, int] = (500, 300)) -> FleetPlot:
    plot = FleetPlot(look)
    qtbot.addWidget(plot)
    plot.resize(*size)
    plot.show_drawing(lambda: made)
    with qtbot.waitExposed(plot):
        plot.show()
    return plot


def points_drawn(plot: FleetPlot) -> int:
    """Of single drives, the one pointed at aside."""
    import pyqtgraph as pg

    curves = [one for one in plot.graph.items() if type(one) is pg.PlotCurveItem]
    lines = [c for c in curves if c.opts["pen"].style() != Qt.PenStyle.NoPen]
    return sum(len(c.xData) for c in lines if c.xData is not None and len(c.xData))


def test_bands_are_the_percentiles_of_the_curves_at_each_time():
    """Against DuckDB's `quantile_cont`, which interpolates like NumPy does by default."""
    made = drawing(60, 0.37)
    crowd = crowd_of(made.x, made.y)
    assert crowd is not None
    table = pa.table({"x": made.x, "y": made.y})
    connection = duckdb.connect()
    connection.register("curves", table)
    shares = "quantile_cont(y, [0.05, 0.25, 0.75, 0.95])"
    asked = f"SELECT x, count(*), {shares} FROM curves GROUP BY x ORDER BY x"
    found = connection.sql(asked).fetchall()
    assert [row[0] for row in found] == list(crowd.x)
    assert [row[1] for row in found] == list(crowd.drives)
    ends = np.array([row[2] for row in found]).T
    for name, theirs in zip(("5 %", "25 %", "75 %", "95 %"), ends, strict=True):
        np.testing.assert_allclose(crowd.ends[name], theirs)
    assert crowd.said == "middle half, 5 to 95 % of 54 to 60 drives at a time"


def test_few_drives_have_no_band():
    made = drawing(19, 0.0)
    assert crowd_of(made.x, made.y) is None
    made = drawing(21, 0.0)  # two of them are half as long: then there are 19
    crowd = crowd_of(made.x, made.y)
    assert crowd is not None
    assert len(crowd.x) == len(MINUTES) // 2
    assert crowd.said == "middle half, 5 to 95 % of 21 drives"


def test_many_are_bands_with_the_car_in_front_and_each_can_be_pressed(window, qtbot):
    made = drawing(600, 0.1)
    plot = shown(made, window.services.look, qtbot)
    assert plot.banded
    head = plot.graph.getPlotItem().titleLabel
    assert head.text == "middle half, 5 to 95 % of 540 to 600 drives at a time"
    assert points_drawn(plot) == len(MINUTES)
    pressed: list[Mark] = []
    plot.chosen.connect(pressed.append)
    x, y = plot._pixels(made.x, made.y)
    at = int(np.flatnonzero(made.which == 450)[10])
    qtbot.mouseClick(plot, Qt.MouseButton.LeftButton, pos=QPoint(round(x[at]), round(y[at])))
    (mark,) = pressed
    assert abs(int(mark.drives[0].removesuffix(".parquet")) - 450) < 10  # a pixel is 5 of them


def test_where_a_pixel_has_less_than_a_line_they_are_lines(window, qtbot):
    """Decided by the room: 100 curves over 100 of 140 degrees."""
    made = drawing(100, 1.0)
    plot = shown(made, window.services.look, qtbot, (500, 600))
    assert not plot.banded
    assert points_drawn(plot) == len(made.x)
    assert not plot.graph.getPlotItem().titleLabel.isVisible()
    plot.resize(500, 110)
    qtbot.waitUntil(lambda: plot.banded)
    assert points_drawn(plot) == len(MINUTES)
    plot.resize(500, 600)
    qtbot.waitUntil(lambda: not plot.banded)
