"""What a comparison has found: the sentence, the lists, the grid, the overlay and the warm-up."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from PySide6.QtCore import QSignalBlocker, QSize, Qt
from PySide6.QtGui import QPen
from PySide6.QtWidgets import (
    QFrame,
    QListWidget,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.analysis.comparison.cells import key_of
from logbench.analysis.comparison.results import Comparison, FindingResult, SignalResult
from logbench.analysis.comparison.warmup_curves import WarmUpComparison, WarmUpCurve
from logbench.analysis.model import Span, headed
from logbench.analysis.statement import in_units
from logbench.app.compare.cell_grid import CellGrid, GridCell
from logbench.app.compare.findings_list import FindingsList, count_of
from logbench.app.compare.overlay_view import OverlayView
from logbench.app.compare.signals_table import SignalsTable, detail_of, sorted_signals
from logbench.app.parts import Given, lay, muted, named, styled
from logbench.app.plain import Label, Page
from logbench.app.plot.late_graph import LateGraph
from logbench.app.remarks import RemarkList
from logbench.app.scrolling import UpAndDown
from logbench.app.tables import splitter, step
from logbench.app.theme import Look
from logbench.cases.compare import SIDES, Compared, Wish, make_overlay
from logbench.cases.runner import Owner
from logbench.recording.notes import Remark
from logbench.signals.units import unit_text
from logbench.words import tr, word

if TYPE_CHECKING:
    from logbench.app.plot.graph import Graph

FINDINGS, SIGNALS, DRIVE, WARM_UP, NOTES = range(5)
_DETAIL_PX = 66
_MOST_POINTS = 400
_STYLES = {"before": Qt.PenStyle.SolidLine, "after": Qt.PenStyle.DashLine}


class WarmUpPlot(LateGraph):
    """Two curves; nothing where no side has one."""

    def __init__(self, look: Look) -> None:
        super().__init__(look)
        self._curves: dict[str, WarmUpCurve] = {}
        self.setMinimumSize(QSize(260, 130))

    def show_warm_up(self, warm: WarmUpComparison) -> None:
        """Other curves."""
        both = {"before": warm.before, "after": warm.after}
        self._curves = {side: curve for side, curve in both.items() if curve is not None}
        names = tr(" and ").join(map(word, self._curves)) or tr("none")
        self.setAccessibleName(tr("Coolant temperature against heat put in: {names}", names=names))
        self.setVisible(bool(self._curves))
        self.draw()

    def fill(self, graph: Graph) -> None:
        """Curves with their names."""
        measured = "MAF" in {curve.source for curve in self._curves.values()}
        legend = graph.addLegend(offset=(-10, -10), labelTextColor=self.look.theme.text)
        legend.setLabelTextColor(self.look.theme.text)
        for place, side in enumerate(_STYLES):
            curve = self._curves.get(side)
            if curve is not None:
                step = max(1, len(curve.heat) // _MOST_POINTS)
                shown = self.look.units.array(curve.degc[::step], "degC")
                pen = QPen(self.look.theme.trace(place), 2, _STYLES[side])
                pen.setCosmetic(True)
                heat = self.look.units.array(curve.heat[::step], "g" if measured else "")
                graph.plot(heat, shown, pen=pen, connect="finite", name=word(side))
        unit = self.look.units.printed("g") if measured else tr("relative")
        degrees = unit_text(self.look.units.unit("degC"))
        graph.set_titles(
            tr("air burned since the start, {unit}", unit=unit),
            tr("coolant, {degrees}", degrees=degrees),
        )


class ResultsPanel(QWidget):
    """Everything about one comparison. Choosing anything shows where it comes from."""

    def __init__(self, owner: Owner, look: Look) -> None:
        super().__init__()
        self._owner, self._look = owner, look
        self.compared: Compared | None = None
        self._codes: set[int] = set()
        """The cells whose spans are shown."""
        self._told: Callable[[], str] | None = None
        """Makes the sentences about what is chosen; None where nothing is."""
        self.findings = FindingsList(look)
        self.signals = SignalsTable(look)
        self.grid = CellGrid(look)
        self.overlay = OverlayView(look)
        self.warm_plot = WarmUpPlot(look)
        self.to_drive = named(QListWidget(), tr("Operating cells to drive"))
        self.to_drive.setWordWrap(True)
        self.said = RemarkList()
        self.summary = Label(wordWrap=True)
        font = self.summary.font()
        font.setPointSizeF(font.pointSizeF() * 1.25)
        font.setBold(True)
        self.summary.setFont(font)
        self.notes = muted()
        for label in (self.summary, self.notes):
            label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.detail = named(Page(), tr("The chosen row or cell in full"))
        self.detail.setFixedHeight(_DETAIL_PX)
        self._lay_out()
        self.findings.chosen.connect(self._finding_chosen)
        self.signals.chosen.connect(self._signal_chosen)
        self.grid.chosen.connect(self._cell_chosen)
        self.overlay.wished.connect(self._make_overlay)
        self.to_drive.currentRowChanged.connect(self._drive_chosen)
        self.said.chosen.connect(self._remark_chosen)
        self.overlay.recordings_changed.connect(lambda: self._show_cells(self._codes))
        self.overlay.recordings_changed.connect(self._show_said)
        self.tabs.currentChanged.connect(lambda tab: self.detail.setVisible(tab != WARM_UP))
        look.units_changed.connect(self._units_changed)

    def _lay_out(self) -> None:
        card = styled(QFrame(), "card")
        lay(QVBoxLayout(card), self.summary, self.notes, margins=(14, 6, 14, 6), spacing=2)
        self.tabs = named(QTabWidget(documentMode=True), tr("Results of the comparison"))
        bars_said = muted(tr("Gray: a change that small could have been missed. ◆ changed"))
        self.drive_said, self.warm_said = Label(wordWrap=True), Label(wordWrap=True)
        self.power_said = muted()
        self.tabs.addTab(self.findings, tr("Findings"))
        self.tabs.addTab(_column((self.signals, 1), bars_said), tr("Signals"))
        self.tabs.addTab(
            _column(self.drive_said, (self.to_drive, 1), self.power_said, top=6), tr("To drive")
        )
        self.tabs.addTab(_column(self.warm_said, (self.warm_plot, 1), top=6), tr("Warm-up"))
        self.tabs.addTab(self.said, tr("Notes"))
        lists = QWidget()
        lay(QVBoxLayout(lists), (self.tabs, 1), self.detail, margins=(0, 0, 0, 0))
        left = splitter(Qt.Orientation.Vertical, {lists: 290, self.grid: 240})
        left.setMinimumWidth(450)
        whole = splitter(Qt.Orientation.Horizontal, {UpAndDown(left): 520, self.overlay: 540})
        whole.setStretchFactor(0, 2)
        whole.setStretchFactor(1, 3)
        lay(QVBoxLayout(self), card, (whole, 1), margins=(12, 2, 6, 4), spacing=4)

    def show_comparison(self, compared: Compared) -> None:
        """Another comparison; an overlay of the signal that changed most."""
        self.compared = compared
        result = compared.result
        self._show_sentences()
        self.findings.show_findings(result.findings)
        self.signals.show_signals(result.signals)
        counted = count_of(result.findings)
        self.tabs.setTabText(
            FINDINGS, tr("Findings: {counted}", counted=counted) if counted else tr("Findings")
        )
        self._told = None
        self._show_drive(result)
        self.warm_plot.show_warm_up(result.warm_up)
        self.detail.setPlainText(
            tr("Choose a finding, a signal or a cell to see where it comes from.")
        )
        self.grid.clear()
        self.overlay.show_comparison(compared)
        self._show_said()
        first = next(iter(sorted_signals(result.signals)), None)
        if first is not None:
            self.grid.show_signal(result, first.key)
            self.overlay.laid = None
            self.overlay.choose_signal(first.key)
        else:
            self.overlay.show_trouble(tr("No signal of both sides can be shown as an overlay."))
        if result.findings:
            step(self.findings, 1)

    def _units_changed(self, _: object) -> None:
        self._show_sentences()
        if self._told is not None:
            self.detail.setPlainText(self._told())

    def _show_sentences(self) -> None:
        if self.compared is None:
            return
        result, units = self.compared.result, self._look.units
        summary = in_units(result.summary, units)
        self.summary.setText(summary)
        self.summary.setAccessibleName(summary)
        warm = (result.warm_up.reason, result.cranking.reason)
        self.warm_said.setText("\n".join(in_units(text, units) for text in warm))
        powers = [in_units(text, units) for text in self.compared.powers]
        self.power_said.setText("\n".join(powers))
        chosen = self.to_drive.currentRow()
        with QSignalBlocker(self.to_drive):
            self.to_drive.clear()
            self.to_drive.addItems([in_units(text, units) for text in result.to_drive])
            self.to_drive.setCurrentRow(chosen)
        concerns = [in_units(concern.text, units) for concern in result.concerns]
        text = "  ".join(tr("Note: {text}", text=concern) for concern in concerns)
        self.notes.setText(text)
        self.notes.setVisible(bool(text))

    def step(self, by: int) -> None:
        """The next row of the list that is shown, or the one before."""
        lists = {FINDINGS: self.findings, SIGNALS: self.signals, DRIVE: self.to_drive}
        shown = {**lists, NOTES: self.said.tree}.get(self.tabs.currentIndex())
        if shown is not None:
            step(shown, by)

    def show_tab(self, index: int) -> None:
        """Bring a list to the front, with the keyboard's focus."""
        self.tabs.setCurrentIndex(index)
        focused = (self.findings, self.signals, self.to_drive, self.tabs, self.said)[index]
        focused.setFocus()

    def _make_overlay(self, wish: Wish) -> None:
        if self.compared is not None:
            case, overlay = make_overlay(self.compared, wish), self.overlay
            self._owner.start(case, overlay.show_laid, overlay.show_trouble, slot="overlay")

    # --- where it comes from ---

    def spans_of(self, codes: set[int]) -> dict[str, tuple[Span, ...]]:
        """When the shown recording of each side was in any of these cells."""
        assert self.compared is not None
        result, pairs = self.compared.result, zip(SIDES, self.overlay.recordings, strict=True)
        return {
            side: tuple(s for code in sorted(codes) for s in result.spans(code, side, index))
            for side, index in pairs
        }

    def _tell(self, told: Callable[[], str]) -> None:
        """Say this below the lists, and again whenever other units are chosen."""
        self._told = told
        self.detail.setPlainText(told())

    def _show_cells(self, codes: set[int]) -> None:
        self._codes = codes
        self.overlay.show_spans(self.spans_of(codes))

    def _signal_chosen(self, signal: SignalResult) -> None:
        assert self.compared is not None
        self.grid.choose(None)
        self._tell(lambda: detail_of(signal, self._look.units))
        self.grid.show_signal(self.compared.result, signal.key)
        self._show_cells({c.code for c in signal.cells})
        self.overlay.choose_signal(signal.key)

    def _cell_chosen(self, cell: GridCell | None) -> None:
        if self.compared is None:
            return
        self._tell(lambda: "" if cell is None else self.grid.text_of(cell))
        self._show_cells(set() if cell is None else {cell.code})

    def _finding_chosen(self, finding: FindingResult) -> None:
        assert self.compared is not None
        name = headed(finding.check, finding.subject)
        tail = ""
        single = all(len(files) == 1 for files in self.compared.files)
        spans: dict[str, tuple[Span, ...]] = dict.fromkeys(SIDES, ())
        if single:
            for side, told in zip(SIDES, (finding.before, finding.after), strict=True):
                spans[side] = told.evidence if told is not None else ()
        else:
            tail = tr(" (Its spans are shown when each side is one recording.)")
        self._tell(lambda: f"{name}: {in_units(finding.reason, self._look.units)}{tail}")
        self._codes = set()
        self.overlay.show_spans(spans)

    def _show_said(self) -> None:
        """What is said of the recording of each side that is shown."""
        assert self.compared is not None
        sides = zip(SIDES, self.compared.remarks, self.overlay.recordings, strict=True)
        said = [(r, side) for side, found, index in sides for r in (found[index] if found else ())]
        self.said.show_remarks([r for r, _ in said], [side for _, side in said])

    def _remark_chosen(self, remark: Remark, side: str) -> None:
        self._tell(lambda: remark.said)
        self._codes = set()
        spans: dict[str, tuple[Span, ...]] = dict.fromkeys(SIDES, ())
        self.overlay.show_spans(spans | {side: (Span(remark.start_ns, remark.end_ns),)})

    def _show_drive(self, result: Comparison) -> None:
        self.tabs.setTabText(DRIVE, tr("To drive: {n}", n=len(result.to_drive)))
        if result.axis is None:
            said = tr("Record RPM and one of MAP, LOAD_ABS, LOAD_PCT or MAF on both drives.")
        elif result.to_drive:
            said = tr("Hold these steady for half a minute each, so that both drives share them:")
        else:
            said = tr("There is no cell that one drive held for long and the other lacks.")
        self.drive_said.setText(said)
        self.to_drive.setVisible(bool(result.to_drive))

    def _drive_chosen(self, row: int) -> None:
        """The cell of a line of the list, in the grid."""
        result = self.compared.result if self.compared is not None else None
        if result is None or result.axis is None or row < 0:
            return
        for cell in self.grid.cells:
            if result.to_drive[row].startswith(key_of(cell.code).text(result.axis)):
                self.grid.choose(cell)
                return


def _column(*parts: Given, top: int = 0) -> QWidget:
    """A tab with a sentence and what it is about, so many pixels below its top."""
    page = QWidget()
    lay(QVBoxLayout(page), *parts, 0, margins=(0, top, 0, 0), spacing=4)
    return page
