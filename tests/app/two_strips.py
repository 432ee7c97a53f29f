"""Two strips of ten minutes, as several modules of tests use them."""

from __future__ import annotations

import numpy as np
from PySide6.QtWidgets import QApplication

from logbench.app.plot.stack import StripStack
from logbench.app.plot.view import TimeView
from logbench.app.theme import Look
from logbench.plot.pyramid import Pyramid
from logbench.plot.trace import SECOND, StripTrace


def two_strips(qtbot, look: Look) -> StripStack:
    """Shown, the whole drive in view: engine speed rises while the car slows down."""
    view = TimeView()
    made = StripStack(view, look)
    view.setParent(made)
    qtbot.addWidget(made)
    t_ns = np.arange(6000, dtype=np.int64) * SECOND // 10
    ramp = np.linspace(0, 1000, 6000)
    made.add(StripTrace("RPM", "7E8", "rpm", Pyramid.of(t_ns, ramp)))
    made.add(StripTrace("VSS", "7E8", "km/h", Pyramid.of(t_ns, 1000 - ramp)))
    made.resize(900, 400)
    made.show()
    qtbot.waitExposed(made)
    view.set_limits(0, 600 * SECOND)
    view.show_all()
    QApplication.processEvents()
    return made
