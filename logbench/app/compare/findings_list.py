"""Outcome of each finding."""

from __future__ import annotations

from collections.abc import Sequence

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QBrush, QColor
from PySide6.QtWidgets import QTreeWidgetItem

from logbench.analysis.comparison.results import FindingResult, FindingVerdict
from logbench.analysis.model import Finding, Verdict, headed
from logbench.analysis.statement import in_units
from logbench.app.plain import TreeRow, plain_tip
from logbench.app.tables import Tree
from logbench.app.theme import Look, Theme
from logbench.signals.numbers import decimal_text, digits
from logbench.signals.units import Units, unit_text
from logbench.words import tr, word

_SYMBOLS = {
    FindingVerdict.WORSE: "▼",
    FindingVerdict.NEW: "◆",
    FindingVerdict.RESOLVED: "●",
    FindingVerdict.IMPROVED: "▲",
    FindingVerdict.NO_CHANGE: "–",
    FindingVerdict.WITHIN_BOTH: "–",
    FindingVerdict.NOT_COMPARABLE: "○",
}
"""In the order in which findings are listed."""
_ORDER = tuple(_SYMBOLS)


def sorted_findings(findings: Sequence[FindingResult]) -> list[FindingResult]:
    """Worse first, then the better ones, then those still out of their band, then the rest."""

    def rank(result: FindingResult) -> tuple[int, int]:
        still = result.after.verdict.severity if result.after is not None else 0
        return _ORDER.index(result.verdict), -still

    return sorted(findings, key=rank)


def _color(verdict: FindingVerdict, theme: Theme) -> QColor:
    """Text color of the outcome of a finding."""
    like = {
        FindingVerdict.WORSE: Verdict.ACT,
        FindingVerdict.NEW: Verdict.ACT,
        FindingVerdict.RESOLVED: Verdict.WITHIN,
        FindingVerdict.IMPROVED: Verdict.WITHIN,
        FindingVerdict.NOT_COMPARABLE: Verdict.NOT_JUDGED,
    }
    return theme.verdict(like[verdict]) if verdict in like else QColor(theme.text)


def count_of(findings: Sequence[FindingResult]) -> str:
    """`2 resolved, 1 worse`; empty when neither."""
    counts = [(v, sum(f.verdict is v for f in findings)) for v in _ORDER[:4]]
    return ", ".join(f"{n} {word(verdict.value)}" for verdict, n in counts if n)


def numbers_of(result: FindingResult, units: Units) -> str:
    """`20.3 → 0.1 %`, or the checks' words where there are no numbers."""
    sides = (result.before, result.after)
    known = [units.value(f.value, f.unit) for f in sides if f and f.value is not None]
    decimals = digits(max(map(abs, known), default=0.0))
    first, second = (_side(side, units, decimals) for side in sides)
    unit = next((f.unit for f in sides if f and f.unit), "")
    shown = unit_text(units.unit(unit)) if len(known) == len(sides) else ""
    return f"{first} → {second} {shown}".strip()


def _side(finding: Finding | None, units: Units, decimals: int) -> str:
    if finding is None:
        return "–"
    if finding.value is None:
        return word(finding.verdict.value)
    return decimal_text(units.value(finding.value, finding.unit), decimals)


class FindingsList(Tree):
    """Choosing a finding sends `chosen`."""

    chosen = Signal(object)

    def __init__(self, look: Look) -> None:
        titles = (tr("Result"), tr("Finding"), tr("Before → after"))
        super().__init__(titles, tr("Outcome of each finding"), wide=(1,))
        self._look = look
        self.results: list[FindingResult] = []
        """Those shown, from the top."""
        self.currentItemChanged.connect(self._changed)
        look.follow(self._write)

    def show_findings(self, findings: Sequence[FindingResult]) -> None:
        """Other findings."""
        self.results = sorted_findings(findings)
        self.clear()
        for result in self.results:
            verdict = f"{_SYMBOLS[result.verdict]} {word(result.verdict.value)}"
            item = TreeRow([verdict, headed(result.check, result.subject)])
            item.setTextAlignment(2, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
            self.addTopLevelItem(item)
        self._write()

    def _write(self, _: object = None) -> None:
        """What depends on the look."""
        theme, units = self._look.theme, self._look.units
        for row, result in enumerate(self.results):
            item = self.topLevelItem(row)
            assert item is not None
            item.setForeground(0, QBrush(_color(result.verdict, theme)))
            item.setText(2, numbers_of(result, units))
            for column in range(3):
                said = f"{headed(result.check, result.subject)}: {in_units(result.reason, units)}"
                item.setToolTip(column, plain_tip(said))

    def _changed(self, item: QTreeWidgetItem | None) -> None:
        if item is not None:
            self.chosen.emit(self.results[self.indexOfTopLevelItem(item)])
