"""Warm-up of both sides: coolant temperature against the heat put in."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QPen

from logbench.analysis.comparison.warmup_curves import WarmUpComparison, WarmUpCurve
from logbench.app.plot.late_graph import LateGraph
from logbench.app.theme import Theme
from logbench.signals.units import unit_text
from logbench.words import tr, word

if TYPE_CHECKING:
    from logbench.app.plot.graph import Graph

_MOST_POINTS = 400
_STYLES = {"before": Qt.PenStyle.SolidLine, "after": Qt.PenStyle.DashLine}


class WarmUpPlot(LateGraph):
    """Two curves; nothing where no side has one."""

    def __init__(self, theme: Theme) -> None:
        super().__init__(theme)
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
        legend = graph.addLegend(offset=(-10, -10), labelTextColor=self.theme.text)
        legend.setLabelTextColor(self.theme.text)
        for place, side in enumerate(_STYLES):
            curve = self._curves.get(side)
            if curve is not None:
                step = max(1, len(curve.heat) // _MOST_POINTS)
                shown = self.units.array(curve.degc[::step], "degC")
                pen = QPen(self.theme.trace(place), 2, _STYLES[side])
                pen.setCosmetic(True)
                graph.plot(curve.heat[::step], shown, pen=pen, connect="finite", name=word(side))
        sources = {curve.source for curve in self._curves.values()}
        unit = "g" if "MAF" in sources else tr("relative")
        degrees = unit_text(self.units.unit("degC"))
        graph.set_titles(
            tr("air burnt since the start, {unit}", unit=unit),
            tr("coolant, {degrees}", degrees=degrees),
        )
