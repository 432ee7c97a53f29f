"""Causes with their probability as bars, and what speaks for the chosen one and against."""

from __future__ import annotations

import math
from collections.abc import Iterable

from PySide6.QtCore import QModelIndex, QPersistentModelIndex, QRectF, Qt, Signal, SignalInstance
from PySide6.QtGui import QColor, QPainter
from PySide6.QtWidgets import QStyle, QStyledItemDelegate, QStyleOptionViewItem

from logbench.analysis.causes.model import Causes, Observation, Ranked, Weight
from logbench.analysis.causes.sentence import cause_words, share_text
from logbench.analysis.statement import in_units
from logbench.app.plain import TreeRow, plain_tip
from logbench.app.tables import Tree
from logbench.app.theme import Look
from logbench.words import shown, tr

_SHARE = Qt.ItemDataRole.UserRole
LEAST_SHOWN, MOST_SHOWN = 0.01, 12
"""Causes below the first, or beyond so many, are summed up in one row."""
_MOST_RATIO = 1000.0


class _Bar(QStyledItemDelegate):
    """A bar behind the number of a share."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look

    def paint(
        self,
        painter: QPainter,
        option: QStyleOptionViewItem,
        index: QModelIndex | QPersistentModelIndex,
    ) -> None:
        """The row as always, then the bar right of the widest number."""
        super().paint(painter, option, index)
        share = index.data(_SHARE)
        if share is None:
            return
        cell: QRectF = QRectF(option.rect)
        left = option.fontMetrics.horizontalAdvance("<100 % ") + 6.0
        whole = cell.adjusted(left, cell.height() * 0.3, -6.0, -cell.height() * 0.3)
        theme = self._look.theme
        ground, bar = QColor(theme.line), theme.trace(0)
        if option.state & QStyle.StateFlag.State_Selected:
            ground, bar = QColor(theme.on_accent), QColor(theme.on_accent)
            ground.setAlpha(80)
        painter.fillRect(whole, ground)
        whole.setWidth(whole.width() * float(share))
        painter.fillRect(whole, bar)


class CauseBars(Tree):
    """The causes, the likeliest first. Choosing one sends `cause_chosen` with its `Ranked`."""

    cause_chosen = Signal(object)

    def __init__(self, look: Look) -> None:
        super().__init__((tr("Probability"), tr("Cause")), tr("Causes with their probability"))
        self._bar = _Bar(look)
        self.setItemDelegateForColumn(0, self._bar)
        self.header().setSectionResizeMode(0, self.header().ResizeMode.Interactive)
        self.header().resizeSection(0, 150)
        self._ranked: list[Ranked] = []
        self.currentItemChanged.connect(lambda *_: self._changed())

    def show_causes(self, causes: Causes | None) -> None:
        """Show these; the chosen one stays chosen, else the first is."""
        chosen = self.chosen
        self.blockSignals(True)
        self.clear()
        ranked = causes.ranked if causes is not None else ()
        self._ranked = [r for r in ranked if r.probability >= LEAST_SHOWN][:MOST_SHOWN]
        for one in self._ranked:
            self._add(one.probability, shown(cause_words(one.cause)))
        rest = len(ranked) - len(self._ranked)
        if rest:
            self.addTopLevelItem(TreeRow(["", tr("{n} more, each less likely", n=rest)]))
        keys = [one.cause for one in self._ranked]
        at = keys.index(chosen.cause) if chosen is not None and chosen.cause in keys else 0
        self.setCurrentIndex(self.model().index(at, 0))
        self.blockSignals(False)
        self._changed()

    @property
    def chosen(self) -> Ranked | None:
        """The cause that is chosen."""
        at = self.currentIndex().row()
        return self._ranked[at] if 0 <= at < len(self._ranked) else None

    def _add(self, share: float, words: str) -> None:
        row = TreeRow([share_text(share), words])
        row.setData(0, _SHARE, share)
        row.setToolTip(1, plain_tip(words))
        self.addTopLevelItem(row)

    def _changed(self) -> None:
        self.cause_chosen.emit(self.chosen)


class EvidenceList(Tree):
    """What speaks for a cause, then what speaks against it, by weight, then what no cause
    explains. Choosing one sends `observed` with its `Observation`; a click or Enter on it
    `opened`, too."""

    observed = Signal(object)
    opened = Signal(object)

    def __init__(self, look: Look) -> None:
        super().__init__((tr("Weight"), tr("Observation")), tr("For and against the cause"))
        self._look = look
        self._shown: list[Observation] = []
        self.currentItemChanged.connect(lambda *_: self._send(self.observed))
        self.itemClicked.connect(lambda *_: self._send(self.opened))
        self.itemActivated.connect(lambda *_: self._send(self.opened))

    def show_evidence(self, one: Ranked | None, unexplained: Iterable[Observation]) -> None:
        """Of this cause."""
        self.blockSignals(True)
        self.clear()
        self._shown = []
        weights = (*one.pro, *one.contra) if one is not None else ()
        for weight in weights:
            self._add(weight_text(weight), weight.observation)
        for observation in unexplained:
            self._add(tr("unexplained"), observation)
        if one is not None and not self._shown:
            self.addTopLevelItem(TreeRow(["", tr("Nothing speaks for it or against it.")]))
        self.blockSignals(False)

    def _add(self, weight: str, observation: Observation) -> None:
        words = in_units(observation.words, self._look.units)
        row = TreeRow([weight, words])
        row.setToolTip(1, plain_tip(words))
        self.addTopLevelItem(row)
        self._shown.append(observation)

    def _send(self, signal: SignalInstance) -> None:
        at = self.currentIndex().row()
        if 0 <= at < len(self._shown):
            signal.emit(self._shown[at])


def weight_text(weight: Weight) -> str:
    """How much likelier it is with the cause than without: `for 12 : 1`, `against 3.0 : 1`."""
    ratio = math.exp(min(abs(weight.log_odds), 20.0))
    much = f">{_MOST_RATIO:.0f}" if ratio > _MOST_RATIO else f"{ratio:.{0 if ratio >= 10 else 1}f}"
    if weight.log_odds > 0.0:
        return tr("for {ratio} : 1", ratio=much)
    return tr("against {ratio} : 1", ratio=much)
