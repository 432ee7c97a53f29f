"""A reading of the car, or the change between two, as one tree for the arrow keys."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QColor, QPainter
from PySide6.QtWidgets import (
    QHeaderView,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QTreeWidget,
    QTreeWidgetItem,
)

from logbench.analysis.misfire_counts import misfire_sentence
from logbench.analysis.model import Verdict
from logbench.app.plain import TreeRow, plain_tip
from logbench.app.tables import Index, Tree
from logbench.app.theme import Look
from logbench.foreign import joined
from logbench.signals.catalog import catalog
from logbench.signals.units import METRIC, Units, unit_text
from logbench.vehicle.records.diff import CodeChange, ReadingDiff
from logbench.vehicle.records.in_use import MEANING, use_text
from logbench.vehicle.records.model import (
    STATES,
    CarReading,
    FrozenValue,
    InUse,
    MonitorResult,
    Readiness,
)
from logbench.vehicle.records.monitors import missing_sentence
from logbench.words import tr, word

MARGIN_COLUMN = 3
CODE_ROLE = Qt.ItemDataRole.UserRole
MARGIN_ROLE = Qt.ItemDataRole.UserRole + 1
_BAR_PX = 9
_NEAR = 0.1
"""A margin below it is shown as 'near its limit'; a choice of the display, no source."""


class _MarginBar(QStyledItemDelegate):
    """How far inside its limits: the limit is the line in the middle, right of it is inside."""

    def __init__(self, look: Look, tree: QTreeWidget) -> None:
        super().__init__(tree)
        self._look = look

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: Index) -> None:
        """The bar, or what other rows say."""
        margin = index.data(MARGIN_ROLE)
        if margin is None:
            super().paint(painter, option, index)
            return
        theme = self._look.theme
        room = QRectF(option.rect).adjusted(6, 0, -6, 0)
        top = room.center().y() - _BAR_PX / 2
        painter.fillRect(QRectF(room.left(), top, room.width(), _BAR_PX), QColor(theme.line))
        half = room.width() / 2
        start, end = sorted((0.0, float(margin) * half))
        bar = QRectF(room.left() + half + start, top, max(end - start, 2.0), _BAR_PX)
        painter.fillRect(bar, theme.verdict(_verdict(float(margin))))
        painter.fillRect(
            QRectF(room.left() + half - 1, top - 4, 2, _BAR_PX + 8), QColor(theme.text)
        )


def _verdict(margin: float) -> Verdict:
    if margin < 0:
        return Verdict.ACT
    return Verdict.WATCH if margin < _NEAR else Verdict.WITHIN


class ReadingTree(Tree):
    """Codes, readiness, monitor results, freeze frames, identity."""

    def __init__(self, look: Look) -> None:
        titles = (tr("What"), tr("Value"), tr("State or limits"), tr("Margin"))
        super().__init__(titles, tr("Stored in the car"), wide=(0,), branches=True)
        self._look = look
        self.setItemDelegateForColumn(MARGIN_COLUMN, _MarginBar(look, self))
        self.header().setMinimumSectionSize(60)
        mode = QHeaderView.ResizeMode
        for column, how, width in (
            (1, mode.Interactive, 230),
            (2, mode.Interactive, 180),
            (MARGIN_COLUMN, mode.Fixed, 110),
        ):
            self.header().setSectionResizeMode(column, how)
            self.setColumnWidth(column, width)

    @property
    def code(self) -> str:
        """The trouble code of the current row, or ``."""
        item = self.currentItem()
        return str(item.data(0, CODE_ROLE) or "") if item is not None else ""

    # --- showing ---

    def show_text(self, text: str) -> None:
        """One sentence only."""
        self.clear()
        self._section(text)

    def show_reading(self, reading: CarReading) -> None:
        """One reading."""
        units = self._look.units
        self.clear()
        for sentence in (*reading.problems, *reading.remarks):
            self._section(joined("  ", "▲", sentence))
        self._codes(reading)
        for entry in reading.readiness:
            if entry.monitors:
                said = joined("  ", _lamp_text(entry), missing_sentence(entry))
                self._section(said, _monitor_rows(entry, units), open_=False)
        self._results(reading)
        for used in reading.in_use:
            if used.counted:
                self._in_use(used)
        if not reading.freeze_frames:
            known = bool(reading.answered.get("freeze frames"))
            text = tr("No freeze frame is stored.") if known else tr("Freeze frames: not reported.")
            self._section(text)
        for frame in reading.freeze_frames:
            rows = [(value.name, _value_text(value, units), "") for value in frame.values]
            title = tr(
                "Freeze frame {number} of {ecu}, set by {code}",
                number=frame.number,
                ecu=frame.ecu,
                code=frame.code,
            )
            self._section(title, rows, open_=False)
        self._section(tr("Identity"), _identity_rows(reading, units), open_=False)
        self._finish()

    def show_diff(self, diff: ReadingDiff) -> None:
        """Before against after."""
        self.clear()
        for warning in diff.warnings:
            self._section(joined("  ", "▲", warning))
        self._section(diff.sentence)
        for title, changes in (
            (tr("Codes gone"), diff.gone),
            (tr("Codes back after clearing"), diff.back),
            (tr("Codes still there"), diff.stayed),
            (tr("Codes new"), diff.new),
            (tr("Codes that the later reading does not report"), diff.unknown),
        ):
            if changes:
                section = self._section(title)
                for change in changes:
                    self._row(section, _change_row(change), change.code)
        for title, names in (
            (tr("Monitors run since"), diff.monitors_run),
            (tr("Monitors reset"), diff.monitors_reset),
        ):
            if names:
                self._section(title, [(name, "", "") for name in names])
        self._finish()

    def _codes(self, reading: CarReading) -> None:
        for state in STATES:
            name, codes = word(state).capitalize(), reading.codes_in(state)
            if not reading.codes_known(state):
                self._section(tr("{state} codes: not known, no ECU answered", state=name))
                continue
            if not codes:
                self._section(tr("{state} codes: none", state=name))
                continue
            section = self._section(tr("{state} codes: {n}", state=name, n=len(codes)))
            for code in codes:
                text = code.text or (tr("the maker's own") if code.manufacturer else "")
                self._row(section, (joined("  ", code.code, text), "", code.ecu), code.code)

    def _results(self, reading: CarReading) -> None:
        results = reading.monitor_results
        if not results:
            return
        failed = sum(r.passed is False for r in results)
        title = tr(
            "Monitor results: {n}, {failed} failed (middle line: the limit)",
            n=len(results),
            failed=failed,
        )
        section = self._section(title)
        if misfires := misfire_sentence(results):
            self._row(section, (tr("Misfire counts: {sentence}", sentence=misfires), "", ""))
        for result in results:
            row = self._row(section, _result_row(result, self._look.units))
            row.setData(MARGIN_COLUMN, MARGIN_ROLE, result.margin)
            said = tr("no margin")
            if result.margin is not None:
                said = tr("margin {margin:.0f} %", margin=100.0 * result.margin)
            row.setData(MARGIN_COLUMN, Qt.ItemDataRole.AccessibleTextRole, said)
            row.setToolTip(MARGIN_COLUMN, plain_tip(said))

    def _in_use(self, used: InUse) -> None:
        title = tr(
            "How often the monitors of {ecu} run: {n:,} driving cycles counted",
            ecu=used.ecu,
            n=used.encountered,
        )
        rows = [(use.monitor, use_text(use), "") for use in used.counted]
        section = self._section(title, rows, open_=False)
        section.setToolTip(0, plain_tip(MEANING))

    def _section(
        self, title: str, rows: Iterable[Sequence[str]] = (), open_: bool = True
    ) -> QTreeWidgetItem:
        section = TreeRow([title])
        section.setToolTip(0, plain_tip(title))
        self.addTopLevelItem(section)
        section.setFirstColumnSpanned(True)
        for row in rows:
            self._row(section, row)
        section.setExpanded(open_)
        return section

    def _row(
        self, section: QTreeWidgetItem, texts: Sequence[str], code: str = ""
    ) -> QTreeWidgetItem:
        row = TreeRow(list(texts))
        row.setData(0, CODE_ROLE, code)
        for column, text in enumerate(texts):
            row.setToolTip(column, plain_tip(text))
        section.addChild(row)
        section.setExpanded(True)
        return row

    def _finish(self) -> None:
        first = self.topLevelItem(0)
        if first is not None:
            self.setCurrentItem(first)


def _lamp_text(entry: Readiness) -> str:
    """Whether the malfunction lamp is on, seen without unfolding anything."""
    known = {True: tr("■ Lamp on."), False: tr("● Lamp off.")}
    return "" if entry.lamp_on is None else known[entry.lamp_on]


def _monitor_rows(entry: Readiness, units: Units) -> list[tuple[str, str, str]]:
    rows = []
    for monitor in entry.monitors:
        cycle = {True: tr("this cycle: complete"), False: tr("this cycle: not complete"), None: ""}
        done = tr("● complete") if monitor.complete else tr("○ not complete")
        this = cycle[monitor.complete_this_cycle] if monitor.enabled_this_cycle else ""
        rows.append((monitor.name, done, this))
    counters = (
        (tr("Warm-ups since clearing"), _known(entry.warm_ups, "", units)),
        (tr("Distance since clearing"), _known(entry.cleared_distance_km, "km", units)),
        (tr("Distance with the lamp on"), _known(entry.lamp_distance_km, "km", units)),
    )
    return rows + [(name, text, "") for name, text in counters if text]


def _result_row(result: MonitorResult, units: Units) -> tuple[str, str, str]:
    none = tr("○ not run") if result.value is None else tr("no limits")
    state = {True: tr("● passed"), False: tr("■ failed"), None: none}[result.passed]
    if result.minimum is not None or result.maximum is not None:
        low, high = (
            "–" if limit is None else _known(units.value(limit, result.unit), "", METRIC)
            for limit in (result.minimum, result.maximum)
        )
        state = tr("{state}, {low} to {high}", state=state, low=low, high=high)
    name = joined(" ", result.ecu, joined(", ", result.monitor, result.test))
    return name, _known(result.value, result.unit, units) or "–", state


def _change_row(change: CodeChange) -> tuple[str, str, str]:
    before, after = (
        ", ".join(map(word, states)) or tr("none") for states in (change.before, change.after)
    )
    name = joined("  ", change.code, change.text, f"({change.ecu})")
    return name, tr("before: {states}", states=before), tr("after: {states}", states=after)


def _identity_rows(reading: CarReading, units: Units) -> list[tuple[str, str, str]]:
    who = reading.identity
    rows = [
        ("VIN", who.vin or tr("not reported"), who.vin_problem or who.vin_notice),
        (tr("Model year"), tr(" or ").join(map(str, who.model_years)), ""),
        (tr("Region"), " ".join(filter(None, (who.region, who.country))), ""),
        (tr("Protocol"), who.protocol, ""),
        (tr("Adapter"), who.adapter, ""),
        (tr("Supply"), _known(who.voltage_v, "V", units), ""),
        (tr("Odometer"), _known(reading.odometer_km, "km", units), ""),
    ]
    for ecu in who.ecus:
        rows.append((joined("  ", f"ECU {ecu.address}", ecu.name), ecu.requirement, ecu.ignition))
        rows += [
            (tr("Calibration"), c.id, tr("verification {cvn}", cvn=c.cvn)) for c in ecu.calibrations
        ]
    return [row for row in rows if row[1]]


def _known(value: float | None, unit: str, units: Units) -> str:
    """A number with its unit as shown; `` for None. As told: all its digits while not converted."""
    if value is None:
        return ""
    digits = ".6g" if units.line(unit) == (1.0, 0.0) else ".4g" if value < 1000 else ".6g"
    shown = unit_text(units.unit(unit))
    return f"{units.value(value, unit):,{digits}} {shown}".strip().replace("-", "−", 1)


def _value_text(value: FrozenValue, units: Units) -> str:
    """With the decimals of its signal; words where it is not a number."""
    if value.value is not None and value.signal in catalog():
        entry = catalog().by_acronym(value.signal)
        if entry.kind == "number":
            return units.text(value.value, value.unit, decimals=entry.decimals)
    return value.text or _known(value.value, value.unit, units) or tr("not used")
