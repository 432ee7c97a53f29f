"""The drive plan: what comes next in large letters, the steps, the grid filling up."""

from __future__ import annotations

from collections.abc import Mapping

from PySide6.QtCore import QRect, QSize, Qt, Signal
from PySide6.QtGui import QColor, QFont, QPainter, QPaintEvent
from PySide6.QtWidgets import (
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from logbench.analysis.comparison.cells import RPM_EDGES, CellKey
from logbench.analysis.drive_plan import (
    CELL_S,
    STEPS,
    CellProgress,
    DriveProgress,
    StepProgress,
    StepState,
)
from logbench.app.live.evidence_list import EvidenceList
from logbench.app.theme import Theme
from logbench.app.tones import Tones
from logbench.signals.unit_sentences import in_units
from logbench.signals.units import METRIC, Units
from logbench.words import tr, word

_MARKS = {StepState.DONE: "✔", StepState.TO_DO: "○", StepState.TOO_LATE: "–"}
_LEFT, _BOTTOM, _TOP = 64, 40, 26
_FEWEST_ROWS, _FEWEST_COLUMNS = 6, 6
_LARGE_PX, _STEP_PX = 30, 17


class CellGrid(QWidget):
    """Engine speed along, load up. A cell fills with the seconds it has; wanted ones are framed."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self.theme = theme
        self._progress: DriveProgress | None = None
        self.setMinimumSize(QSize(320, 200))
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Expanding)
        self.show_progress(None)

    def show_progress(self, progress: DriveProgress | None) -> None:
        """Draw this one."""
        self._progress = progress
        cells = progress.cells if progress is not None else {}
        done = sum(c.done for c in cells.values())
        self.setAccessibleName(
            tr("Grid of engine speed by load: {done} of {n} cells filled", done=done, n=len(cells))
        )
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Cells, their seconds, the axes' numbers."""
        painter = QPainter(self)
        painter.fillRect(event.rect(), QColor(self.theme.plot))
        painter.setPen(QColor(self.theme.muted))
        progress = self._progress
        if progress is None or progress.axis is None or not progress.cells:
            said = tr("The grid fills up with steady driving, engine warm.")
            painter.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter, said)
            painter.end()
            return
        axis = progress.axis
        columns, rows = _reach(progress.cells)
        width = (self.width() - _LEFT - 10) / len(columns)
        height = (self.height() - _TOP - _BOTTOM) / len(rows)
        unit = f"{axis.title}, {axis.unit}"
        painter.drawText(QRect(8, 2, self.width(), _TOP), Qt.AlignmentFlag.AlignVCenter, unit)
        for place, column in enumerate(columns):
            box = QRect(round(_LEFT + place * width) - 30, self.height() - _BOTTOM + 2, 60, 18)
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, f"{RPM_EDGES[column]:.0f}")
        box = QRect(_LEFT, self.height() - 20, self.width() - _LEFT, 18)
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, tr("engine speed, rpm"))
        for place, row in enumerate(rows):
            top = round(self.height() - _BOTTOM - (place + 1) * height)
            painter.setPen(QColor(self.theme.muted))
            low = QRect(0, round(top + height) - 9, _LEFT - 8, 18)
            align = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
            painter.drawText(low, align, f"{row * axis.width:.0f}")
            for along, column in enumerate(columns):
                left = round(_LEFT + along * width)
                inner = QRect(left + 1, top + 1, round(width) - 2, round(height) - 2)
                self._draw_cell(painter, inner, progress.cells.get(CellKey(column, row)))
        painter.end()

    def _draw_cell(self, painter: QPainter, box: QRect, cell: CellProgress | None) -> None:
        painter.fillRect(box, QColor(self.theme.grid))
        if cell is None:
            return
        share = min(1.0, cell.have_s / (cell.wanted_s or CELL_S))
        full = QRect(box)
        full.setTop(box.bottom() - round(share * box.height()))
        color = QColor(self.theme.traces[2] if cell.done else self.theme.accent)
        color.setAlpha(150)
        painter.fillRect(full, color)
        if cell.wanted_s:
            painter.setPen(QColor(self.theme.text))
            painter.drawRect(box.adjusted(0, 0, -1, -1))
        painter.setPen(QColor(self.theme.text))
        text = f"{cell.have_s:.0f}/{cell.wanted_s:.0f} s" if cell.wanted_s else f"{cell.have_s:.0f}"
        if cell.done:
            text = f"✔ {text}"
        if painter.fontMetrics().horizontalAdvance(text) > box.width():
            text = f"{cell.have_s:.0f}"
        painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)


def _reach(cells: Mapping[CellKey, object]) -> tuple[range, range]:
    """Columns and rows to show: those with something, and enough for a grid."""
    columns = max(_FEWEST_COLUMNS, 1 + max(c.rpm_index for c in cells))
    low = min(c.load_index for c in cells)
    rows = max(low + _FEWEST_ROWS, 1 + max(c.load_index for c in cells))
    return range(min(columns, len(RPM_EDGES) - 1)), range(low, rows)


class PlanPanel(QWidget):
    """Shows a `DriveProgress`; a tone tells when something else comes next."""

    repeat_wanted = Signal()
    """The user wants to repeat an earlier drive."""

    def __init__(self, theme: Theme, tones: Tones) -> None:
        super().__init__()
        self._tones = tones
        self._next = ""
        self._units = METRIC
        self._progress: DriveProgress | None = None
        self.says = QLabel(tr("Start recording; the plan is ticked off by what the car reports."))
        self.says.setWordWrap(True)
        self.says.setAccessibleName(tr("What comes next"))
        self.steps = [QLabel() for _ in STEPS]
        for label in (self.says, *self.steps):
            font = QFont(self.font())
            font.setPixelSize(_LARGE_PX if label is self.says else _STEP_PX)
            font.setBold(label is self.says)
            label.setFont(font)
        self.grid = CellGrid(theme)
        self.evidence = EvidenceList(theme)
        self.repeat = QPushButton(tr("Repeat an earlier drive …"))
        self.repeat.setToolTip(tr("The grid then shows what that drive had, to be driven again"))
        self.repeat.clicked.connect(self.repeat_wanted)
        self.goals = QLabel()
        self.goals.setObjectName("muted")
        self.goals.setWordWrap(True)
        self.goals.hide()
        left = QVBoxLayout()
        for label in self.steps:
            left.addWidget(label)
        left.addWidget(self.evidence, 1)
        left.addWidget(self.goals)
        left.addWidget(self.repeat, 0, Qt.AlignmentFlag.AlignLeft)
        body = QHBoxLayout()
        body.addLayout(left, 2)
        body.addWidget(self.grid, 3)
        layout = QGridLayout(self)
        layout.setContentsMargins(12, 6, 12, 10)
        layout.addWidget(self.says, 0, 0)
        layout.addLayout(body, 1, 0)
        layout.setRowStretch(1, 1)
        self.show_progress(None)

    def show_progress(self, progress: DriveProgress | None) -> None:
        """Tick off, fill the grid, say what comes next."""
        steps = progress.steps if progress is not None else [
            StepProgress(step, StepState.TO_DO) for step in STEPS
        ]  # fmt: skip
        for label, step in zip(self.steps, steps, strict=True):
            label.setText(_text(step))
            label.setEnabled(step.state is not StepState.TOO_LATE)
        self.grid.show_progress(progress)
        self._progress = progress
        if progress is None:
            self._next = ""
            self.evidence.show_evidence(())
            return
        self.says.setText(in_units(progress.says(), self._units))
        coming = _coming(progress)
        if self._next and coming != self._next:
            self._tones.play("next")
        self._next = coming

    def tell_goals(self, name: str) -> None:
        """Say which drive is repeated."""
        self.goals.show()
        self.goals.setText(tr("Framed cells: what {name} had", name=name))

    def set_units(self, units: Units) -> None:
        """Say quantities in other units; the grid keeps those of its cells."""
        self._units = units
        self.evidence.set_units(units)
        if self._progress is not None:
            self.says.setText(in_units(self._progress.says(), units))

    def set_theme(self, theme: Theme) -> None:
        """Paint in other colours."""
        self.grid.theme = theme
        self.grid.update()
        self.evidence.set_theme(theme)


def _text(progress: StepProgress) -> str:
    step = progress.step
    counted = step.needed_s and progress.state is StepState.TO_DO and progress.have_s > 0
    have = tr("  (so far {seconds:.0f} s)", seconds=progress.have_s) if counted else ""
    late = f" ({word(progress.state.value)})" if progress.state is StepState.TOO_LATE else ""
    return f"{_MARKS[progress.state]}  {step.title}{have}{late}"


def _coming(progress: DriveProgress) -> str:
    """What comes next, without its seconds."""
    step, cell = progress.next_step(), progress.next_cell()
    if step is not None:
        return step.step.key
    return str(cell.cell) if cell is not None else "complete"
