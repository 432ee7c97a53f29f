"""The findings beside the traces: a list, and the whole of the chosen one."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from PySide6.QtCore import QEvent, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QBrush, QColor, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QTreeWidgetItem, QVBoxLayout, QWidget

from logbench.analysis.findings import ends_in, number_text, range_of
from logbench.analysis.learned import Told
from logbench.analysis.model import Band, Coverage, Finding, headed
from logbench.analysis.run import parts_of
from logbench.analysis.statement import in_units
from logbench.app.parts import lay, muted, named
from logbench.app.plain import Page, TreeRow, plain_tip
from logbench.app.tables import Tree, splitter
from logbench.app.theme import VERDICT_SYMBOLS, Look
from logbench.foreign import in_html
from logbench.plot.trace import SECOND
from logbench.signals.numbers import end_text, time_text
from logbench.signals.units import METRIC, Units
from logbench.words import tr, word

_MOST_TIMES = 6


class BandBar(QWidget):
    """Where a number stands in its band: watch range, the range within it, and the number."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self._finding: Finding | None = None
        self._tall = 16
        self._fit_font()

    def sizeHint(self) -> QSize:
        """A wide, low bar."""
        return QSize(260, self.height())

    def changeEvent(self, event: QEvent) -> None:
        """Another size of texts."""
        if event.type() == QEvent.Type.FontChange:
            self._fit_font()
        super().changeEvent(event)

    def _fit_font(self) -> None:
        self._tall = max(16, self.fontMetrics().height() + 1)
        self.setFixedHeight(2 * self._tall + 22)

    def show_finding(self, finding: Finding | None) -> None:
        """Draw this one; nothing without a number and a band."""
        self._finding = finding
        band = finding.band if finding is not None and finding.value is not None else None
        self.setVisible(band is not None)
        if finding is not None and band is not None:
            self.setAccessibleName(in_units(finding.reason, self._look.units))
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Ranges, their ends as numbers, the value as a pointer with its uncertainty."""
        finding = self._finding
        if finding is None or finding.band is None or finding.value is None:
            return
        painter = QPainter(self)
        left, right = 8.0, self.width() - 8.0
        theme, units = self._look.theme, self._look.units
        value = units.value(finding.value, finding.unit)
        outer, inner = (
            ends_in(finding.band, e, units) for e in (finding.band.watch, finding.band.within)
        )
        ends = [v for v in (*outer, *inner) if v is not None]
        low, high = min([*ends, value]), max([*ends, value])
        pad = (high - low) * 0.12 or 1.0
        low, high = low - pad, high + pad

        def x(value: float) -> float:
            return left + (value - low) / (high - low) * (right - left)

        watch, within = QColor(theme.traces[1]), QColor(theme.traces[2])
        beyond = QColor(theme.muted)
        beyond.setAlpha(70)
        watch.setAlpha(70)
        within.setAlpha(120)
        painter.fillRect(QRectF(left, self._tall + 2, right - left, 12), beyond)
        for (start, end), color in ((outer, watch), (inner, within)):
            x0, x1 = (left if start is None else x(start)), (right if end is None else x(end))
            painter.fillRect(QRectF(x0, self._tall + 2, x1 - x0, 12), color)
        painter.setPen(QColor(theme.muted))
        self._write_ends(painter, sorted(set(ends)), x)
        half = units.value(finding.uncertainty or 0.0, finding.unit, difference=True)
        car = units.value(finding.of_car or 0.0, finding.unit, difference=True)
        self._point(painter, value, half, car, x)
        painter.end()

    def _write_ends(
        self, painter: QPainter, ends: list[float], x: Callable[[float], float]
    ) -> None:
        metrics = painter.fontMetrics()
        free_from = 0.0
        for end in ends:
            text = end_text(end)
            wide = metrics.horizontalAdvance(text)
            at = min(max(x(end) - wide / 2, 0.0), self.width() - wide)
            if at >= free_from:
                painter.drawText(QRectF(at, self._tall + 16, wide + 2, self._tall + 4), 0, text)
                free_from = at + wide + 6

    def _point(
        self,
        painter: QPainter,
        value: float,
        half: float,
        car: float,
        x: Callable[[float], float],
    ) -> None:
        """The value, its interval of this drive, thick, and of this car, thin."""
        assert self._finding is not None
        at = x(value)
        painter.setPen(QPen(QColor(self._look.theme.text), 2))
        painter.drawLine(int(at), self._tall - 4, int(at), self._tall + 18)
        for size, thick in ((half, 3), (car, 1)):
            if size:
                x0, x1 = max(8.0, x(value - size)), min(self.width() - 8.0, x(value + size))
                painter.setPen(QPen(QColor(self._look.theme.text), thick))
                painter.drawLine(int(x0), self._tall + 8, int(x1), self._tall + 8)
        text = number_text(self._finding, self._look.units)
        wide = painter.fontMetrics().horizontalAdvance(text)
        left = min(max(at - wide / 2, 0), self.width() - wide - 2)
        painter.drawText(QRectF(left, -2, wide + 4, self._tall + 2), 0, text)


class FindingsPanel(QWidget):
    """Choosing a finding sends `chosen`."""

    chosen = Signal(object)

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self.findings: list[Finding] = []
        """Those shown, in the order of the list."""
        self.list = Tree((tr("Result"), tr("Finding")), tr("Findings"))
        self.list.currentItemChanged.connect(self._changed)
        self.bar = BandBar(look)
        self.detail = named(Page(), tr("The finding in full"))
        self.detail.setOpenLinks(False)
        self.state = muted()
        lower = QWidget()
        lay(QVBoxLayout(lower), self.bar, (self.detail, 1), margins=(0, 4, 0, 0))
        split = splitter(Qt.Orientation.Vertical, {self.list: 240, lower: 360})
        lay(QVBoxLayout(self), self.state, (split, 1), margins=(0, 6, 0, 0))
        look.changed.connect(self._write)
        look.units_changed.connect(self._write)
        look.units_changed.connect(self._write_detail)
        self.show_findings((), tr("Open a recording to have it checked."))

    def show_findings(
        self, findings: Sequence[Finding], state: str = "", engine: Sequence[Told] = ()
    ) -> None:
        """Show these, the most severe first; `state` says why there are none, and how many were
        judged where there are some. Until one is chosen, what engine it is stands below."""
        order = {"act": 0, "watch": 1, "within": 2, "not judged": 3}
        self.findings = sorted(findings, key=lambda f: order[f.verdict.value])
        self.list.clear()
        for finding in self.findings:
            verdict = f"{VERDICT_SYMBOLS[finding.verdict]} {word(finding.verdict.value)}"
            self.list.addTopLevelItem(TreeRow([verdict, headed(finding.check, finding.subject)]))
        self._write()
        parts = parts_of(findings)
        judged = sum(part.coverage is Coverage.JUDGED for part in parts)
        said = tr("Judged: {n} of {all}", n=judged, all=len(parts)) if parts else state
        self.state.setText(said)
        self.state.setVisible(bool(said))
        hint = tr("Choose a finding to see its evidence.")
        self.detail.setHtml(
            f"<p>{in_html(hint)}</p>{_engine_html(engine, self._look.units)}" if findings else ""
        )

    def current(self) -> Finding | None:
        """The chosen finding."""
        place = self.list.currentIndex().row()
        return self.findings[place] if 0 <= place < len(self.findings) else None

    def _write(self, _: object = None) -> None:
        """What depends on the look."""
        theme, units = self._look.theme, self._look.units
        for row, finding in enumerate(self.findings):
            item = self.list.topLevelItem(row)
            assert item is not None
            item.setToolTip(1, plain_tip(in_units(finding.reason, units)))
            item.setForeground(0, QBrush(theme.verdict(finding.verdict)))
        self.bar.show_finding(self.current())

    def _write_detail(self, _: object = None) -> None:
        finding = self.current()
        if finding is not None:
            self.detail.setHtml(as_html(finding, self._look.units))

    def _changed(self, item: QTreeWidgetItem | None) -> None:
        if item is not None:
            self.bar.show_finding(self.current())
            self._write_detail()
            self.chosen.emit(self.current())


def _outcome(finding: Finding) -> str:
    return ", ".join(map(word, finding.outcome))


def as_html(finding: Finding, units: Units = METRIC) -> str:
    """The whole finding: number, band, basis, reason, causes, next steps, evidence."""
    reason = in_units(finding.reason, units)
    parts = [f"<p><b>{in_html(_outcome(finding))}</b>: {in_html(reason)}</p>"]
    if finding.value is not None:
        head = in_html(tr("Number:"))
        parts.append(f"<p>{head} <b>{in_html(number_text(finding, units))}</b></p>")
    if finding.band is not None:
        parts.append(_band_html(finding.band, units))
    for title, tag, texts in (
        (tr("May mean"), "ol", finding.causes),
        (tr("What to do next"), "ul", finding.next_steps),
    ):
        if texts:
            items = "".join(f"<li>{in_html(in_units(text, units))}</li>" for text in texts)
            parts.append(f"<p>{in_html(title)}</p><{tag}>{items}</{tag}>")
    if finding.evidence:
        spans = [
            tr(
                "{start} to {end}",
                start=time_text(s.start_ns / SECOND),
                end=time_text(s.end_ns / SECOND),
            )
            for s in finding.evidence[:_MOST_TIMES]
        ]
        more = len(finding.evidence) - len(spans)
        tail = tr(" and {n} more", n=more) if more > 0 else ""
        said = tr("Evidence: {times}", times=", ".join(spans))
        parts.append(f"<p>{in_html(said + tail)}</p>")
    return "".join(parts)


def _band_html(band: Band, units: Units) -> str:
    within, watch = (in_units(range_of(band, ends), units) for ends in (band.within, band.watch))
    title = in_units(band.title, units)
    said = tr("{band}: within {within}, watch {watch}.", band=title, within=within, watch=watch)
    basis = tr(
        "Basis: {basis}. A rule of thumb; the maker's specification comes first.",
        basis=in_units(band.basis, units),
    )
    return f"<p>{in_html(said)}<br>{in_html(basis)}</p>"


def _engine_html(told: Sequence[Told], units: Units) -> str:
    """What engine it is, as a list, and where it is corrected."""
    if not told:
        return ""
    rows = "".join(f"<li>{in_html(in_units(one.text, units))}</li>" for one in told)
    title, where = tr("The engine"), tr("What is wrong here: Correct car and date, Ctrl+Shift+T.")
    return f"<h4>{in_html(title)}</h4><ul>{rows}</ul><p>{in_html(where)}</p>"
