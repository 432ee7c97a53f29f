"""Upright lines as one picture, held against Qt's own lines."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PySide6.QtCore import QSize
from PySide6.QtGui import QColor, QImage, QPainter
from PySide6.QtWidgets import QApplication

from logbench.app.plot import painting
from logbench.app.plot.canvas import Canvas, StripLook
from logbench.app.plot.view import TimeView
from logbench.app.theme import LIGHT
from logbench.plot import lines
from logbench.plot.pyramid import Pyramid
from logbench.plot.trace import SECOND, StripTrace

WIDTH, HEIGHT, LEFT = 60, 40, 7
COLORS = [QColor(name) for name in ("red", "blue", "green", "black", "orange")]
ENDS = st.integers(-20, HEIGHT + 20)


def pixels(image: QImage) -> npt.NDArray[np.uint32]:
    """Shape (height, width)."""
    return np.array(image.constBits()).view(np.uint32).reshape(image.height(), -1)


def drawn_by_qt(traces: list[lines.Rows]) -> npt.NDArray[np.uint32]:
    image = QImage(WIDTH, HEIGHT, QImage.Format.Format_RGB32)
    image.fill(QColor("white"))
    painter = QPainter(image)
    painter.translate(-LEFT, 0)
    for rows, color in zip(traces, COLORS, strict=False):
        painter.setPen(color)
        painting.draw_rows(painter, rows)
    painter.end()
    return pixels(image)


def drawn_as_picture(traces: list[lines.Rows]) -> npt.NDArray[np.uint32]:
    image = QImage(WIDTH, HEIGHT, QImage.Format.Format_RGB32)
    image.fill(QColor("white"))
    marks = lines.marked(traces, LEFT, WIDTH, HEIGHT)
    painter = QPainter(image)
    painter.drawImage(0, 0, painting.picture(marks, COLORS[: len(traces)]))
    painter.end()
    return pixels(image)


@st.composite
def upright(draw: st.DrawFn) -> lines.Rows:
    """Lines of one trace: at most one a column, some out of sight, from the top down."""
    x = draw(st.lists(st.integers(LEFT - 5, LEFT + WIDTH + 5), unique=True, max_size=80))
    ends = draw(st.lists(st.tuples(ENDS, ENDS), min_size=len(x), max_size=len(x)))
    rows = [(c, min(pair), c, max(pair)) for c, pair in zip(sorted(x), ends, strict=True)]
    return np.array(rows, float).reshape(-1, 4)


@settings(deadline=None, derandomize=True, max_examples=200)
@given(st.lists(upright(), min_size=1, max_size=5))
def test_the_picture_is_what_qt_draws(qapp: QApplication, traces: list[lines.Rows]):
    assert np.array_equal(drawn_as_picture(traces), drawn_by_qt(traces))


@settings(deadline=None, derandomize=True, max_examples=100)
@given(st.lists(upright(), min_size=2, max_size=5))
def test_the_last_trace_lies_on_top(traces: list[lines.Rows]):
    expected = np.zeros((HEIGHT, WIDTH), np.uint8)
    for number, rows in enumerate(traces, 1):
        for x, top, _, bottom in rows.tolist():
            if LEFT <= x < LEFT + WIDTH and bottom >= 0:
                expected[max(0, int(top)) : int(bottom) + 1, int(x) - LEFT] = number
    assert np.array_equal(lines.marked(traces, LEFT, WIDTH, HEIGHT), expected)


def test_a_picture_pays_for_tall_lines_only():
    x = np.arange(WIDTH, dtype=float)
    low = np.column_stack([x, x * 0 + 5, x, x * 0 + 6])
    tall = np.column_stack([x, x * 0, x, x * 0 + HEIGHT])
    assert not lines.pays([low] * 5, WIDTH, HEIGHT)
    assert lines.pays([tall] * 5, WIDTH, HEIGHT)


@pytest.mark.parametrize("ratio", [1.0, 2.0])
def test_a_dense_strip_looks_the_same_either_way(qapp, monkeypatch, ratio: float):
    rng = np.random.default_rng(3)
    t_ns = np.arange(40_000, dtype=np.int64) * SECOND // 10
    view = TimeView()
    view.set_pixels(300)
    view.show_span(0, t_ns[-1])
    canvas = Canvas(view, StripLook(LIGHT), "rpm")
    for number in range(4):
        pyramid = Pyramid.of(t_ns, rng.normal(scale=400.0 / (number + 1), size=len(t_ns)))
        canvas.traces.append(StripTrace(f"S{number}", "7E8", "rpm", pyramid))
    shown, called = [], []
    picture = painting.picture
    monkeypatch.setattr(painting, "picture", lambda *a: (called.append(a), picture(*a))[1])
    for pays in (True, False):
        monkeypatch.setattr(lines, "pays", lambda *_, pays=pays: pays)
        canvas.resize(QSize(300, 120), ratio)
        canvas.bring_up()
        image = canvas.pixmap.toImage().convertToFormat(QImage.Format.Format_RGB32)
        shown.append(pixels(image).copy())
    assert len(called) == 1
    assert len(np.unique(shown[0])) > 4
    differing = np.count_nonzero(shown[0] != shown[1]) / shown[0].size
    assert differing <= (0.0 if ratio == 1.0 else 0.05)  # ends of lines, by a pixel of the device
