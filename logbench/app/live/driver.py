"""The driver's view: at most four values, large enough to be read at a glance."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QFont, QResizeEvent
from PySide6.QtWidgets import QDialog, QGridLayout, QLabel, QVBoxLayout, QWidget

from logbench.app.commands import add_command
from logbench.app.live.values import shown_value
from logbench.app.parts import lay, text_button
from logbench.plot.trace import LiveTrace
from logbench.signals.units import Units
from logbench.words import tr

MOST = 4
_EVERY_MS = 250
_OLD_NS = 3_000_000_000
_OLD_INTERVALS = 3.0


class _Value(QWidget):
    """One value with its name above it."""

    def __init__(self) -> None:
        super().__init__()
        self.name, self.value = QLabel(), QLabel()
        self.name.setObjectName("muted")
        layout = QVBoxLayout(self)
        layout.setSpacing(0)
        layout.addStretch(1)  # the name stays close to its value, however much room there is
        for label in (self.name, self.value):
            label.setAlignment(Qt.AlignmentFlag.AlignCenter)
            layout.addWidget(label)
        layout.addStretch(1)

    def fit(self, width: int, height: int) -> None:
        """As large as the text "−88,888 km/h" may be."""
        size = max(18, min(round(height * 0.42), round(width / 8.2)))
        for label, pixels, weight in (
            (self.name, max(16, size // 3), QFont.Weight.Normal),
            (self.value, size, QFont.Weight.DemiBold),
        ):
            font = QFont(self.font())
            font.setPixelSize(pixels)
            font.setWeight(weight)
            label.setFont(font)


class DriverView(QDialog):
    """Full screen; the values go on by themselves. Space puts a marker, Esc leaves."""

    def __init__(
        self,
        traces: Callable[[], Sequence[LiveTrace]],
        now_ns: Callable[[], int],
        said: Callable[[], str],
        units: Callable[[], Units],
        mark: Callable[[], None],
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle(tr("Driver's view"))
        self._traces, self._now_ns, self._said, self._units = traces, now_ns, said, units
        self.values = [_Value() for _ in range(MOST)]
        grid = QGridLayout()
        for place, value in enumerate(self.values):
            grid.addWidget(value, place // 2, place % 2)
        self.state = QLabel()
        self.state.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self.leave = text_button(tr("Back  Esc"), self.reject)
        self.leave.setFocusPolicy(Qt.FocusPolicy.NoFocus)
        lay(
            QVBoxLayout(self),
            (grid, 1),
            self.state,
            (self.leave, 0, Qt.AlignmentFlag.AlignRight),
            margins=(24, 16, 24, 16),
        )
        add_command(self, tr("Put a marker"), ["Space", "M"], mark)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setFocus()  # nothing in it takes the focus, and without one no command has its key
        self._timer = QTimer(self)
        self._timer.setInterval(_EVERY_MS)
        self._timer.timeout.connect(self.refresh)
        self._timer.start()
        self.refresh()

    def refresh(self) -> None:
        """Show what the traces hold now; a value older than 3 s and 3 intervals is a dash."""
        traces = list(self._traces())[:MOST]
        now_ns = self._now_ns()
        for place, widget in enumerate(self.values):
            widget.setVisible(place < max(1, len(traces)))
            if place >= len(traces):
                widget.name.setText("" if traces else tr("No values yet"))
                widget.value.setText("")
                continue
            trace = traces[place]
            old_ns = max(_OLD_NS, _OLD_INTERVALS * trace.pyramid.interval_ns)
            value = trace.fresh(now_ns, old_ns)
            text = "–" if value is None else shown_value(trace, value, self._units())
            widget.name.setText(trace.title)
            widget.value.setText(text)
            widget.setAccessibleName(f"{trace.title}: {text}")
        self.state.setText(self._said())

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Letters as large as there is room."""
        super().resizeEvent(event)
        for value in self.values:
            value.fit(self.width() // 2 - 40, self.height() // 2 - 60)
        font = QFont(self.font())
        font.setPixelSize(max(16, self.height() // 26))
        self.state.setFont(font)
