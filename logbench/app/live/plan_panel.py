"""The drive plan: what comes next in large letters, the steps, the grid filling up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import zip_longest
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QBrush, QColor, QFont, QLinearGradient, QPen
from PySide6.QtWidgets import (
    QHBoxLayout,
    QVBoxLayout,
    QWidget,
)

from logbench.analysis.comparison.cells import RPM_EDGES, CellKey, LoadAxis
from logbench.analysis.drive_plan import (
    CELL_S,
    STEPS,
    CellProgress,
    DriveProgress,
    StepProgress,
    StepState,
)
from logbench.analysis.statement import in_units
from logbench.app.live.under_way import UnderWay
from logbench.app.parts import Elided, lay, muted, named, set_letters, styled, text_button
from logbench.app.plain import Label, Page
from logbench.app.plot.cell_table import Cell, CellTable
from logbench.app.theme import Look
from logbench.app.tones import Tones
from logbench.foreign import in_html
from logbench.words import shown, tr, word

if TYPE_CHECKING:
    from logbench.analysis.run import CheckEvidence

_WAITING = tr("What the checks still need is shown here while the car reports.")
_MARKS = {StepState.DONE: "✔", StepState.TO_DO: "○", StepState.TOO_LATE: "–"}
_FEWEST_ROWS, _FEWEST_COLUMNS = 6, 6
_LARGE_PX, _STEP_PX = 30, 17


class EvidenceList(Page):
    """Checks that lack something first, with what it is; then those with enough evidence."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self._shown: tuple[CheckEvidence, ...] = ()
        self.setAccessibleName(tr("Evidence for each check so far"))
        self.setMinimumHeight(110)
        look.follow(self._write)
        self._write()

    def show_evidence(self, evidence: Sequence[CheckEvidence]) -> None:
        """Another look; the place that was scrolled to stays."""
        fresh = tuple(evidence)
        if fresh != self._shown:
            self._shown = fresh
            self._write()

    def _write(self) -> None:
        bar = self.verticalScrollBar()
        at = bar.value()
        self.setHtml(self._html())
        bar.setValue(at)

    def _html(self) -> str:
        muted = self._look.theme.muted
        if not self._shown:
            return f"<p style='color:{muted}'>{_WAITING}</p>"
        lacking = [e for e in self._shown if not e.enough]
        enough = [e for e in self._shown if e.enough]
        enough_said = in_html(tr("enough evidence"))
        units = self._look.units
        lines = [
            f"<p style='margin:3px 0'>○ <b>{in_html(e.title)}</b> ({in_html(_counted(e))})<br/>"
            f"<span style='color:{muted}'>{in_html(in_units(e.missing, units))}</span></p>"
            for e in lacking
        ]
        lines += [
            f"<p style='margin:3px 0'>✔ <b>{in_html(e.title)}</b>: {enough_said}</p>"
            for e in enough
        ]
        return "".join(lines)


def _counted(evidence: CheckEvidence) -> str:
    return tr("{judged} of {asked}", judged=evidence.judged, asked=evidence.asked)


class PlanGrid(CellTable):
    """A cell fills with the seconds it has; wanted ones are framed."""

    def __init__(self, look: Look) -> None:
        super().__init__(look.theme, tr("The grid fills up with steady driving, engine warm."))
        self._look = look
        self._progress: DriveProgress | None = None
        for changed in (look.changed, look.units_changed):
            changed.connect(self._set_look)
        self.show_progress(None)

    def show_progress(self, progress: DriveProgress | None) -> None:
        """Show this one."""
        self._progress = progress
        cells = progress.cells if progress is not None else {}
        done = sum(c.done for c in cells.values())
        self.setAccessibleName(
            tr("Grid of engine speed by load: {done} of {n} cells filled", done=done, n=len(cells))
        )
        axis = progress.axis if progress is not None else None
        if axis is None or not cells:
            self.show_cells({}, None, range(0), range(0))
            return
        columns, rows = _reach(cells)
        shown = {
            CellKey(column, row): self._shown(CellKey(column, row), cells, axis)
            for column in columns
            for row in rows
        }
        self.show_cells(shown, axis, columns, rows)

    def _set_look(self, _: object) -> None:
        self.theme = self._look.theme
        self.show_progress(self._progress)

    def _shown(self, key: CellKey, cells: Mapping[CellKey, CellProgress], axis: LoadAxis) -> Cell:
        ground, text = QColor(self.theme.grid), QColor(self.theme.text)
        cell, place = cells.get(key), in_units(key.text(axis), self._look.units)
        if cell is None:
            return Cell("", place, QBrush(ground), text, QPen(ground))
        share = min(1.0, cell.have_s / (cell.wanted_s or CELL_S))
        color = QColor(self.theme.traces[2] if cell.done else self.theme.accent)
        fill = QLinearGradient(0, 1, 0, 0)  # from the foot up
        fill.setCoordinateMode(QLinearGradient.CoordinateMode.ObjectMode)
        color.setAlpha(150)
        for at, ink in ((0.0, color), (share, color), (min(1.0, share + 1e-6), ground)):
            fill.setColorAt(at, ink if share < 1.0 else color)
        said = f"{cell.have_s:.0f}/{cell.wanted_s:.0f} s" if cell.wanted_s else f"{cell.have_s:.0f}"
        if cell.done:
            said = f"✔ {said}"
        frame = QPen(text if cell.wanted_s else ground)
        return Cell(said, f"{place}: {said}", QBrush(fill), text, frame)


def _reach(cells: Mapping[CellKey, object]) -> tuple[range, range]:
    """Columns and rows to show: those with something, and enough for a grid."""
    columns = max(_FEWEST_COLUMNS, 1 + max(c.rpm_index for c in cells))
    low = min(c.load_index for c in cells)
    rows = max(low + _FEWEST_ROWS, 1 + max(c.load_index for c in cells))
    return range(min(columns, len(RPM_EDGES) - 1)), range(low, rows)


class PlanPanel(QWidget):
    """Shows a `DriveProgress`; a tone tells when something else comes next, a driver under way only
    once the car stands."""

    repeat_wanted = Signal()
    """The user wants to repeat an earlier drive."""

    def __init__(self, look: Look, tones: Tones, under_way: UnderWay) -> None:
        super().__init__()
        self._look, self._tones, self._under_way = look, tones, under_way
        self._next = self._called = ""
        self._progress: DriveProgress | None = None
        self._goals: tuple[str, ...] = ()
        self.says = named(
            Label(
                tr("Start recording; the plan is ticked off by what the car reports."),
                wordWrap=True,
            ),
            tr("What comes next"),
        )
        set_letters(self.says, _LARGE_PX, QFont.Weight.Bold)
        self.steps = [Label() for _ in STEPS]
        for label in self.steps:
            set_letters(label, _STEP_PX)
        self.grid = PlanGrid(look)
        self.axes = styled(Elided(), "muted")
        self.evidence = EvidenceList(look)
        self.repeat = text_button(
            tr("Repeat an earlier drive …"),
            self.repeat_wanted.emit,
            tip=tr("The grid then shows what that drive had, to be driven again"),
        )
        self.goals = muted()
        self.goals.hide()
        repeat = (self.repeat, 0, Qt.AlignmentFlag.AlignLeft)
        left = lay(QVBoxLayout(), *self.steps, (self.evidence, 1), self.goals, repeat)
        right = lay(QVBoxLayout(), (self.grid, 1), self.axes)
        body = lay(QHBoxLayout(), (left, 2), (right, 3))
        lay(QVBoxLayout(self), self.says, (body, 1), margins=(12, 6, 12, 10))
        look.units_changed.connect(self._say)
        under_way.changed.connect(self._say)
        self.show_progress(None)

    def show_progress(self, progress: DriveProgress | None) -> None:
        """Tick off, fill the grid, say what comes next."""
        steps = progress.steps if progress is not None else [
            StepProgress(step, StepState.TO_DO) for step in STEPS
        ]  # fmt: skip
        for label, step in zip_longest(self.steps, steps):
            label.setVisible(step is not None)  # of some engines fewer are asked
            if step is not None:
                label.setText(_text(step))
                label.setEnabled(step.state is not StepState.TOO_LATE)
        self.grid.show_progress(progress)
        self.axes.tell(self.grid.axes_text)
        self._progress = progress
        if progress is None:
            self._next = self._called = ""
            self.evidence.show_evidence(())
            return
        self._next = progress.coming
        self._called = self._called or self._next
        self._say()

    def tell_goals(self, name: str, powers: Sequence[str] = ()) -> None:
        """Say which drive is repeated, and what so many drives show."""
        self._goals = (tr("Framed cells: what {name} had.", name=name), *powers)
        self.goals.show()
        self._say()

    def _say(self) -> None:
        """The grid keeps the units of its cells."""
        units = self._look.units
        self.goals.setText("\n".join(in_units(text, units) for text in self._goals))
        if self._progress is None:
            return
        may_ask = self._under_way.may_ask
        told = self._progress.says(under_way=not may_ask)
        self.says.setText(in_units(told, self._look.units))
        if may_ask and self._next != self._called:  # a tone calls the eyes: not the driver's
            self._called = self._next
            self._tones.play("next")


def _text(progress: StepProgress) -> str:
    step = progress.step
    counted = step.needed_s and progress.state is StepState.TO_DO and progress.have_s > 0
    have = tr("  (so far {seconds:.0f} s)", seconds=progress.have_s) if counted else ""
    late = f" ({word(progress.state.value)})" if progress.state is StepState.TOO_LATE else ""
    return f"{_MARKS[progress.state]}  {shown(step.title)}{have}{late}"
