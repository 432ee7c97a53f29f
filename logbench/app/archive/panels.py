"""What is known of the chosen recording: facts and findings, drives like it, trends, accounts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt, Signal
from PySide6.QtWidgets import (
    QHBoxLayout,
    QSplitter,
    QVBoxLayout,
    QWidget,
)

from logbench.analysis.model import Verdict, headed, heading
from logbench.analysis.statement import in_units
from logbench.app.archive.trend_plot import TrendPlot
from logbench.app.parts import STRETCH, Elided, chooser, lay, muted, named, offer, text_button
from logbench.app.plain import Page, TreeRow, plain_tip
from logbench.app.remarks import RemarkList
from logbench.app.tables import Tree
from logbench.app.theme import VERDICT_SYMBOLS, Look, Theme
from logbench.archive.columns import cells
from logbench.archive.findings import reason_of
from logbench.archive.overview import RANKS, Number, Row
from logbench.cases.archive import Account, Details, Line
from logbench.foreign import in_html
from logbench.signals.catalog import catalog
from logbench.signals.numbers import started_text
from logbench.signals.units import Units
from logbench.words import tr, tr_n

if TYPE_CHECKING:
    from logbench.archive.likeness import Alike
    from logbench.archive.store import Problem
    from logbench.archive.trend import Trend

_RECORDING = Qt.ItemDataRole.UserRole


class DetailsPanel(QSplitter):
    """Facts and signals on the left, then findings, and what is said of the drive."""

    def __init__(self, look: Look) -> None:
        super().__init__(Qt.Orientation.Horizontal)
        self._look = look
        self._shown: Details | None = None
        facts, findings = Page(), Page()
        self.facts = named(facts, tr("Facts and signals of the recording"))
        self.findings = named(findings, tr("Findings of the recording"))
        self.said = RemarkList()
        for widget in (facts, findings, self.said):
            self.addWidget(widget)
        self.setChildrenCollapsible(False)
        self.show_details(None)

    def show_details(self, details: Details | None) -> None:
        """Another recording, or none."""
        if details is None:
            self.say(tr("Choose a recording above."))
            return
        self._shown = details
        theme, units = self._look.theme, self._look.units
        self.facts.setHtml(_facts_html(details, theme, units))
        self.findings.setHtml(_findings_html(details, theme, units))
        self.said.show_remarks(details.remarks)

    def await_details(self, recording: str) -> None:
        """Those of this one are being read; until they are there, none of another is shown."""
        if self._shown is None or self._shown.recording != recording:
            self.say(tr("Reading"))

    def say(self, sentence: str) -> None:
        """In place of facts."""
        self._shown = None
        self.facts.setHtml(_muted(sentence, self._look.theme))
        self.findings.setHtml("")
        self.said.show_remarks(())

    def renew(self) -> None:
        """In other colors or units."""
        if self._shown is not None:
            self.show_details(self._shown)


def _muted(text: str, theme: Theme) -> str:
    return f'<p style="color:{theme.muted}">{in_html(text)}</p>'


def _facts_html(details: Details, theme: Theme, units: Units) -> str:
    pairs = [
        (cell.title, column.text(cell, details.facts, units)) for column, cell in cells("details")
    ]
    rows = "".join(
        f'<tr><td style="color:{theme.muted}; padding-right:10px">{in_html(name)}</td>'
        f"<td>{in_html(str(value))}</td></tr>"
        for name, value in pairs
        if value
    )
    signals = "".join(
        f'<tr><td style="padding-right:10px">{in_html(s["signal"])}</td>'
        f'<td style="color:{theme.muted}; padding-right:10px">{in_html(s["ecu"])}</td>'
        f"<td>{in_html(_span(s, units))}</td></tr>"
        for s in details.signals
    )
    return f"<table>{rows}</table><p></p><table>{signals}</table>"


def _in_words(signal: dict[str, object]) -> bool:
    """Whether its values stand for words: from which to which says nothing."""
    name, known = str(signal["signal"]), catalog()
    return name in known and known.by_acronym(name).kind != "number"


def _span(signal: dict[str, object], units: Units) -> str:
    low, high, unit = signal["minimum"], signal["maximum"], str(signal["unit"] or "")
    if not isinstance(low, float) or not isinstance(high, float) or _in_words(signal):
        return ""
    whole = not unit and low.is_integer() and high.is_integer()
    ends = [f"{x + 0.0:.0f}" if whole else units.text(x + 0.0, unit) for x in (low, high)]
    return tr("{low} to {high}", low=ends[0], high=ends[1])


def _findings_html(details: Details, theme: Theme, units: Units) -> str:
    findings = sorted(
        details.findings, key=lambda f: RANKS.get(f["verdict"] or "", -1), reverse=True
    )
    out = []
    for finding in findings:
        if finding["problem"]:
            out.append(_muted(finding["problem"], theme))
            continue
        verdict = Verdict(finding["verdict"])
        head = f"{VERDICT_SYMBOLS[verdict]} {headed(finding['check'], finding['subject'])}"
        out.append(
            f'<p style="margin:2px 0"><b style="color:{theme.verdict(verdict).name()}">'
            f"{in_html(head)}</b><br>{in_html(in_units(reason_of(finding), units))}</p>"
        )
    return "".join(out) or _muted(tr("The checks found nothing to say."), theme)


class SimilarPanel(QWidget):
    """The nearest recordings."""

    wanted = Signal()
    chosen = Signal(str)

    def __init__(self) -> None:
        super().__init__()
        self.said = Elided()
        titles = (
            tr("Distance"),
            tr("Car"),
            tr("Started"),
            tr("Cells in common"),
            tr("By quantity"),
            tr("File"),
        )
        self.tree = Tree(titles, tr("Similar drives"))
        self.tree.setAllColumnsShowFocus(True)
        self.tree.itemActivated.connect(lambda item: self.chosen.emit(item.data(0, _RECORDING)))
        button = text_button(tr("Find similar drives  L"), self.wanted.emit)
        head = lay(QHBoxLayout(), (self.said, 1), button)
        lay(QVBoxLayout(self), head, (self.tree, 1), margins=(0, 4, 0, 0))
        self.forget()

    def forget(self) -> None:
        """None."""
        self.tree.clear()
        self.said.tell(tr("Drives are held against each other at equal rpm and load, warm engine."))

    def show_similar(self, name: str, found: Sequence[Alike], rows: dict[str, Row]) -> None:
        """The nearest, the nearest first; `rows`: what is known of them."""
        self.tree.clear()
        for one in found:
            row = rows.get(one.recording)
            parts = ", ".join(f"{quantity} {x:.2f}" for quantity, x in one.parts.items())
            texts = [f"{one.distance:.2f}", row.car if row else "",
                     started_text(row.started) if row else "",
                     f"{one.common_cells}", parts, one.recording]  # fmt: skip
            item = TreeRow(texts)
            item.setData(0, _RECORDING, one.recording)
            item.setToolTip(4, plain_tip(parts))
            self.tree.addTopLevelItem(item)
        self.said.tell(
            tr(
                "Like {name}: 1 is as far apart as two drives of the untouched car, 0 the same. "
                "Enter goes there.",
                name=name,
            )
            if found
            else tr("No other drive has enough warm driving in common with {name}.", name=name)
        )
        first = self.tree.topLevelItem(0)
        if first is not None:
            self.tree.setCurrentItem(first)


class TrendPanel(QWidget):
    """One number over the car's life."""

    wanted = Signal(object)
    """A `Number`."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self._trend: Trend | None = None
        self._numbers: dict[str, Number] = {}
        self.box = chooser(tr("Number to follow"), 34)
        self.box.activated.connect(self._ask)
        self.said, self.at, self.moves = Elided(), muted(wrap=False), muted()
        self.plot = TrendPlot(look)
        self.plot.pointed.connect(self.at.setText)
        head = lay(QHBoxLayout(), (self.box, 1), STRETCH, self.at)
        whole = head, self.said, self.moves, (self.plot, 1)
        lay(QVBoxLayout(self), *whole, margins=(0, 4, 0, 0)).addStretch(0)
        self.show_numbers("", [])

    def show_numbers(self, car: str, numbers: Sequence[Number]) -> None:
        """What is known of the car; the number chosen before is asked for again."""
        self._numbers = {heading(number.check, number.subject): number for number in numbers}
        offer(
            self.box, [(f"{key}  ({number.times})", key) for key, number in self._numbers.items()]
        )
        self._trend = None
        self.plot.show_trend(None)
        for part in (self.box, self.plot):
            part.setVisible(bool(numbers))
        self.at.setText("")
        self.moves.setText("")
        if numbers:
            self._ask()
        elif car:
            self.said.tell(tr("No number is known of {car} yet: run the checks first.", car=car))
        else:
            self.said.tell(tr("Choose a recording and press T: its car's numbers are followed."))

    def show_trend(self, trend: Trend) -> None:
        """The points of the number that was asked for."""
        self._trend = trend
        self.plot.show()
        self.plot.show_trend(trend)
        self._tell()

    def renew(self) -> None:
        """In other units."""
        self._tell()

    def _tell(self) -> None:
        self.at.setText(self.plot.sentence())
        if self._trend is not None:
            self.said.tell(_trend_text(self._trend))
            moves = [*self._trend.changes, self._trend.band]
            self.moves.setText(" ".join(in_units(text, self._look.units) for text in moves))

    def _ask(self, _: int = 0) -> None:
        if self._numbers:
            self.wanted.emit(self._numbers[self.box.currentData()])


def _trend_text(trend: Trend) -> str:
    n = len(trend.points)
    parts = [tr_n("{car}: {n} recording.", "{car}: {n} recordings.", n, car=trend.car)]
    if trend.unsure:
        parts.append(
            tr_n(
                "{n} of them gives no VIN: not known whether it is of this car.",
                "{n} of them give no VIN: not known whether they are of this car.",
                trend.unsure,
            )
        )
    spread = trend.spread
    if not n or spread is None:
        parts.append(tr("Its displacement is not known: no other cars to hold it against."))
    elif not spread.place:
        parts.append(tr("No other car of {liters:.1f} L is known.", liters=trend.displacement_l))
    else:
        parts.append(
            tr(
                "By its last value it lies above {place} % of {cars} other cars of {liters:.1f} L.",
                place=spread.place,
                cars=spread.cars,
                liters=trend.displacement_l,
            )
        )
    return " ".join(parts)


class AccountPanel(QWidget):
    """What the last piece of work did, and which files are left out."""

    def __init__(self, name: str, empty: str) -> None:
        super().__init__()
        self.empty = empty
        self.said = Elided()
        self.said.tell(empty)
        self.tree = Tree((tr("File"), tr("What")), name, branches=True)
        self.tree.setAllColumnsShowFocus(True)
        lay(QVBoxLayout(self), self.said, (self.tree, 1), margins=(0, 4, 0, 0))

    def show_account(self, account: Account) -> None:
        """Files with trouble first, each with what lies below it."""
        self.said.tell(account.sentence)
        self.tree.clear()
        for line in sorted(account.lines, key=lambda line: not line.bad):
            item = TreeRow([line.name, f"{'■ ' if line.bad else ''}{line.text}"])
            item.setToolTip(1, plain_tip(line.text))
            for text in line.more:
                item.addChild(TreeRow(["", text]))
            self.tree.addTopLevelItem(item)
            item.setExpanded(True)

    def show_problems(self, problems: Sequence[Problem]) -> None:
        """Files that are left out."""
        sentence = (
            tr("{n} left out; nothing is deleted.", n=len(problems)) if problems else self.empty
        )
        lines = [Line(p.path, f"{p.kind}: {p.sentence}", bad=True) for p in problems]
        self.show_account(Account(sentence, lines))
