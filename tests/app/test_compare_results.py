"""The Compare page with the two demo recordings: what is found, how it looks, its keys."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from PySide6.QtCore import QModelIndex, Qt
from PySide6.QtGui import QColor
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QComboBox,
    QHeaderView,
    QTextBrowser,
)
from pytestqt.qtbot import QtBot

from logbench.analysis.comparison.cells import key_of
from logbench.analysis.comparison.overlay import By
from logbench.analysis.comparison.results import FindingVerdict, SignalVerdict
from logbench.app.compare.cell_grid import CellGrid, difference_color, ink_on
from logbench.app.compare.overlay_view import OverlayView
from logbench.app.compare.page import ComparePage
from logbench.app.compare.results import NOTES, SIGNALS
from logbench.app.compare.signals_table import BAR, change_text
from logbench.app.plain import plain_tip
from logbench.app.theme import LIGHT, NIGHT
from logbench.app.window import MainWindow
from logbench.cases.compare import AFTER, BEFORE, Wish, place_ns
from logbench.plot.trace import SECOND
from logbench.recording.model import Event
from logbench.recording.notes import change_notes, new_note, notes_path
from logbench.signals.units import Units
from tests.app.comparing import DRIVES, changed, compare


@pytest.fixture
def shown(compare_page: ComparePage, qtbot) -> ComparePage:
    compare(compare_page, qtbot, *DRIVES)
    overlay = compare_page.results.overlay
    qtbot.waitUntil(lambda: overlay.laid is not None, timeout=20_000)
    return compare_page


# --- what is found ------------------------------------------------------------------------------


def test_the_demo_pair_is_shown_as_resolved(shown: ComparePage):
    results = shown.results
    # what make_recordings.py put in: false air at idle, cured
    assert "Resolved: fuel trim" in results.summary.text()
    assert "total fuel trim, bank 1 has changed unevenly, most by −19" in results.summary.text()
    verdicts = [f.verdict for f in results.findings.results]
    assert verdicts[:2] == [FindingVerdict.RESOLVED, FindingVerdict.RESOLVED]
    assert verdicts[-1] is FindingVerdict.NOT_COMPARABLE
    resolved = sum(verdict is FindingVerdict.RESOLVED for verdict in verdicts)
    assert results.tabs.tabText(0) == f"Findings: {resolved} resolved"
    first = results.findings.topLevelItem(0)
    assert first.text(0) == "● resolved"
    numbers = re.fullmatch(r"([\d.]+) → ([\d.]+) %", first.text(2))
    assert numbers is not None
    assert float(numbers[1]) > 15  # out of the band of 10 %
    assert float(numbers[2]) < 3
    assert results.findings.currentItem() is first
    assert "within its band now" in results.detail.toPlainText()
    assert results.to_drive.count() == len(shown.compared.result.to_drive)
    assert "heat compared with before" in results.warm_said.text()


def test_signals_have_numbers_bars_and_verdicts(shown: ComparePage):
    model = shown.results.signals.model_
    rows = {
        model.rows[r].key: [model.index(r, c).data() for c in range(4)]
        for r in range(model.rowCount())
    }
    assert rows["TOTAL_TRIM1"] == ["Total fuel trim, bank 1", "−5.5 ±6.4 points", "", "◆ changed"]
    assert rows["MAF"][3] == "– no change shown"
    spoken = model.index(0, BAR).data(Qt.ItemDataRole.AccessibleTextRole)
    assert "could have been missed" in spoken
    order = [r.verdict for r in model.rows]
    assert order == sorted(order, key=list(SignalVerdict).index)


def test_bars_show_the_interval_and_what_could_have_been_missed(shown: ComparePage, qtbot):
    shown.results.show_tab(SIGNALS)
    table, theme = shown.results.signals, shown._services.look.theme
    keys = [r.key for r in table.model_.rows]

    def colors(key: str) -> set[str]:
        index = table.model_.index(keys.index(key), BAR)
        table.scrollTo(index)
        qtbot.wait(20)
        rect = table.visualRect(index).adjusted(10, 14, -10, -14)
        picture = table.viewport().grab(rect).toImage()
        middle = picture.height() // 2
        return {picture.pixelColor(x, middle).name() for x in range(picture.width())}

    gray = QColor(theme.line).name()
    relevant, none = theme.trace(1).name(), theme.trace(0).name()
    assert {gray, relevant} <= colors("LONGFT1")
    assert none in colors("MAF")
    assert relevant not in colors("MAF")


def test_a_row_shows_its_grid_overlay_and_spans(shown: ComparePage, qtbot):
    results = shown.results
    results.signals.choose("LONGFT1")
    qtbot.waitUntil(
        lambda: results.overlay.laid is not None and results.overlay.laid.wish.key == "LONGFT1",
        timeout=20_000,
    )
    assert "LONGFT1" in results.overlay.stack.strips[1].traces[0].name
    assert len(results.overlay.stack.strips) == 3
    spans = results.overlay.rows.spans
    seconds = {side: sum(s.duration_s for s in spans[side]) for side in (BEFORE, AFTER)}
    signal = shown.compared.result.signal("LONGFT1")
    # the overlay's spans are those of the shared cells, all of them
    assert seconds[BEFORE] == pytest.approx(signal.before_s, abs=0.1 * signal.before_s)
    assert seconds[AFTER] == pytest.approx(signal.after_s, abs=0.1 * signal.after_s)
    assert results.overlay.rows.isVisible()
    assert "Changed by" in results.detail.toPlainText()
    assert f"and {signal.after_s:.0f} s of steady running" in results.detail.toPlainText()


def test_cells_are_chosen_by_mouse_and_keys(shown: ComparePage, qtbot):
    grid = shown.results.grid
    assert isinstance(grid, CellGrid)
    idle = next(c for c in grid.cells if key_of(c.code).rpm == (400.0, 1000.0))
    place = grid.table.visualItemRect(grid.table._items[idle.key]).center()
    qtbot.mouseClick(grid.table.viewport(), Qt.MouseButton.LeftButton, pos=place)
    assert grid.current is idle
    assert "400-1,000 rpm" in shown.results.detail.toPlainText()
    assert "differs by itself" in shown.results.detail.toPlainText()
    found = shown.compared.result.spans(idle.code, BEFORE)
    laid = shown.results.overlay.laid
    assert laid is not None
    placed = [place_ns(laid, BEFORE, s.start_ns) for s in found]
    assert [s.start_ns for s in shown.results.overlay.rows.spans[BEFORE]] == placed
    qtbot.keyClick(grid.table, Qt.Key.Key_Right)
    assert grid.current is not idle
    assert grid.current.key.rpm_index > idle.key.rpm_index
    assert "Chosen:" in grid.table.accessibleName()
    qtbot.keyClick(grid.table, Qt.Key.Key_Home)
    assert grid.current is grid.cells[0]
    qtbot.keyClick(grid.table, Qt.Key.Key_Escape)
    assert grid.current is None
    assert not shown.results.overlay.rows.isVisible()


def test_the_grid_has_no_number_where_only_one_side_was(shown: ComparePage):
    grid = shown.results.grid
    lone = [c for c in grid.cells if c.difference is None]
    assert lone
    for cell in lone:
        seconds = dict(zip((BEFORE, AFTER), cell.seconds, strict=True))
        assert seconds.pop(cell.side) > min(seconds.values())
    assert "no difference" in grid.text_of(lone[0])
    result = shown.compared.result
    told = f"{key_of(lone[0].code).text(result.axis)}: half a minute"
    asking = replace(shown.compared, result=replace(result, to_drive=(told,)))
    shown.results.show_comparison(asking)
    shown.results.to_drive.setCurrentRow(0)
    assert grid.current is not None
    assert grid.current.code == lone[0].code


def test_spans_are_stepped_through(shown: ComparePage):
    overlay = shown.results.overlay
    overlay.view.show_all()
    whole = overlay.view.width_ns
    overlay.step_span(1)
    first = overlay.view.start_ns
    assert overlay.view.width_ns < whole
    overlay.step_span(1)
    assert overlay.view.start_ns != first
    overlay.step_span(-1)
    assert overlay.view.start_ns == first


def choose_by(overlay: OverlayView, by: By) -> None:
    """As choosing it in the box would."""
    index = overlay.by_box.findData(by.value)
    overlay.by_box.setCurrentIndex(index)
    overlay.by_box.activated.emit(index)


@pytest.mark.parametrize("by", [By.TIME, By.COOLANT, By.DISTANCE, By.SPEED_MATCH])
def test_drives_are_placed_otherwise(shown: ComparePage, by: By, qtbot):
    overlay = shown.results.overlay
    choose_by(overlay, by)
    qtbot.waitUntil(lambda: overlay.laid is not None and overlay.laid.wish.by is by, timeout=20_000)
    laid = overlay.laid
    assert overlay.stack.axis.text_of(5.0, 1.0) == ("5 km" if by is By.DISTANCE else "0:05")
    assert overlay.degc_box.isVisible() == (by is By.COOLANT)
    limits = (overlay.view.low_ns, overlay.view.high_ns)
    x = laid.overlay.x
    assert limits == (round(x[0] * SECOND), round(x[-1] * SECOND))
    assert (overlay.view.start_ns, overlay.view.end_ns) == pytest.approx(limits)


def test_a_missing_marker_is_a_sentence_not_a_picture(shown: ComparePage, qtbot):
    overlay = shown.results.overlay
    choose_by(overlay, By.MARKER)
    qtbot.waitUntil(overlay.trouble.isVisible, timeout=20_000)
    assert "holds no marker" in overlay.trouble.text()
    assert not overlay.stack.isVisible()
    choose_by(overlay, By.TIME)
    qtbot.waitUntil(lambda: overlay.laid is not None, timeout=20_000)
    assert overlay.stack.isVisible()
    assert not overlay.trouble.isVisible()


def test_swapping_turns_the_result_round(shown: ComparePage, qtbot):
    first = shown.compared
    shown.swap()
    qtbot.waitUntil(lambda: shown.compared is not first, timeout=30_000)
    assert (
        first.result.signal("TOTAL_TRIM1").change
        < 0
        < shown.compared.result.signal("TOTAL_TRIM1").change
    )
    assert "new" in shown.results.tabs.tabText(0)
    assert shown.results.findings.topLevelItem(0).text(0) == "◆ new"


# --- looks and keys -----------------------------------------------------------------------------


def test_it_fits_a_small_window_and_both_themes(shown: ComparePage, window: MainWindow, qtbot):
    window.resize(1100, 700)
    hint = shown.minimumSizeHint()
    assert hint.width() <= 1100
    assert hint.height() <= window.centralWidget().height() - 50
    for theme in ("light", "night"):
        window.services.look.choose(theme)
        qtbot.wait(20)
        assert shown.results.grid.look.theme.name == theme
        ground = QColor(shown.results.grid.look.theme.window)
        picture = shown.results.grid.grab().toImage()
        assert picture.pixelColor(2, picture.height() - 3) == ground


def test_every_command_has_a_key_of_its_own(shown: ComparePage, window: MainWindow):
    commands = window.commands()
    keys = [k.toString() for a in commands for k in a.shortcuts()]
    assert sorted(keys) == sorted(set(keys))
    titles = [a.text() for a in commands]
    assert len(set(titles)) == len(titles)
    assert all(keys)
    assert "Swap before and after" in titles


def test_pages_and_parts_are_reached_by_keys(shown: ComparePage, window: MainWindow, qtbot):
    window.activateWindow()
    control, alt = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.AltModifier
    qtbot.keyClick(window, Qt.Key.Key_1, control)
    assert window.live.isVisible()
    qtbot.keyClick(window, Qt.Key.Key_3, control)
    assert shown.isVisible()
    shown.setFocus()
    qtbot.keyClick(shown, Qt.Key.Key_5, alt)
    assert shown.results.grid.hasFocus()
    qtbot.keyClick(shown.results.grid, Qt.Key.Key_2, alt)
    assert shown.results.signals.hasFocus()
    qtbot.keyClick(shown.results.signals, Qt.Key.Key_F8)
    assert shown.results.signals.currentIndex() != QModelIndex()


def test_everything_to_use_has_a_name(shown: ComparePage):
    kinds = (QAbstractButton, QAbstractItemView, QComboBox, QTextBrowser)
    parts = [w for kind in kinds for w in shown.findChildren(kind)]
    nameless = [
        w
        for w in parts
        if w.isVisibleTo(shown)
        and not w.accessibleName()
        and not (isinstance(w, QAbstractButton) and w.text())
        and not isinstance(w, QHeaderView)
    ]
    assert nameless == []
    boxes = [b for b in shown.findChildren(QComboBox) if not b.accessibleName()]
    assert boxes == []


def test_numbers_can_be_read_on_every_color():
    """WCAG 2.1, 1.4.3: contrast of text at least 4.5 (formulas 1.4.3 and relative luminance)."""

    def luminance(color: QColor) -> float:
        parts = (color.redF(), color.greenF(), color.blueF())
        r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    for theme in (LIGHT, NIGHT):
        for share in (-1.0, -0.6, -0.2, 0.0, 0.2, 0.6, 1.0):
            ground = difference_color(share, theme)
            pair = sorted((luminance(ground), luminance(ink_on(ground))))
            assert (pair[1] + 0.05) / (pair[0] + 0.05) >= 4.5
        ends = [difference_color(s, theme) for s in (-1.0, 1.0)]
        assert ends[0].blue() > ends[0].red()
        assert ends[1].red() > ends[1].blue()


def test_changes_are_written_like_the_sentences():
    assert change_text(-7.14, 0.39, "%") == "−7.1 ±0.4 points"
    assert change_text(0.94, 3.84, "degC") == "+0.9 ±3.8 K"
    assert change_text(-120.0, None, "rpm") == "−120 rpm"


def test_cells_have_tool_tips(shown: ComparePage):
    grid = shown.results.grid
    cell = grid.cells[0]
    said = grid.table._items[cell.key].toolTip()
    assert said == plain_tip(grid.text_of(cell))
    assert "400-1,000 rpm" in said
    assert "s of steady running before" in said


def test_numbers_follow_the_units_chosen(shown: ComparePage, window: MainWindow):
    """Factors: the inch of mercury and the degree Fahrenheit as NIST SP 811 has them."""
    us = Units(us=True)
    assert change_text(-33.86389, 3.386389, "kPa", us) == "−10.0 ±1.0 inHg"
    assert change_text(10.0, 0.5, "degC", us) == "+18.0 ±0.9 Δ°F"  # a difference: no 32
    results = shown.results
    model = results.signals.model_
    row = next(n for n, r in enumerate(model.rows) if r.key == "MAF")
    metric = model.index(row, 1).data()
    assert metric.endswith(" g/s")
    window.services.look.choose_units(True)
    assert model.index(row, 1).data().endswith(" lb/min")
    result = model.rows[row]
    number = float(model.index(row, 1).data().split(" ")[0].replace("−", "-"))
    assert number == pytest.approx(result.change * 60 / 453.59237, abs=0.01)
    results.signals.choose("MAF")
    assert " lb/min before" in results.detail.toPlainText()
    sentences = (results.detail, results.summary, results.warm_said, results.notes)
    texts = [w.toPlainText() if w is results.detail else w.text() for w in sentences]
    assert not re.search(r"°C|degC|kPa| g/s|\d K\b", " ".join(texts))
    assert "°F" in results.warm_said.text()
    tips = [
        results.findings.topLevelItem(n).toolTip(1)
        for n in range(results.findings.topLevelItemCount())
    ]
    assert not re.search(r"°C|degC|kPa|g/s|\d K\b", " ".join(tips))
    strips = results.overlay.stack.strips
    assert strips[-1].canvas.look.units.line("degC") == pytest.approx((1.8, 0.0))
    assert strips[0].canvas.look.units.line("degC") == pytest.approx((1.8, 32.0))
    window.services.look.choose_units(False)
    assert model.index(row, 1).data() == metric
    assert " g/s before" in results.detail.toPlainText()  # the sentences follow at once
    assert "°C" in results.warm_said.text()


def test_what_drives_are_aligned_by_is_typed_in_the_unit_shown(
    shown: ComparePage, window: MainWindow, qtbot
):
    overlay = shown.results.overlay
    window.services.look.choose_units(True)
    assert (overlay.degc_box.value(), overlay.degc_box.suffix()) == (158.0, " °F")
    wishes: list[Wish] = []
    overlay.wished.connect(wishes.append)
    overlay.by_box.setCurrentIndex(list(By).index(By.COOLANT))
    overlay.degc_box.setValue(140.0)
    qtbot.waitUntil(lambda: bool(wishes))
    assert wishes[-1].coolant_degc == pytest.approx(60.0)
    window.services.look.choose_units(False)
    assert overlay.degc_box.text() == "60 °C"


def test_what_is_said_of_both_drives_is_listed_and_shown(
    compare_page: ComparePage, tmp_path: Path, qtbot: QtBot
):
    before, after = tmp_path / "before.parquet", tmp_path / "after.parquet"
    rattle = Event(t_ns=40 * SECOND, kind="marker", text="rattle")
    changed(DRIVES[0], before, events=[rattle])
    shutil.copy(DRIVES[1], after)
    change_notes(after, "", lambda _: [new_note(60 * SECOND, 70 * SECOND, "no hiss")])
    compare(compare_page, qtbot, before, after)
    results = compare_page.results
    tree = results.said.tree
    rows = [tree.topLevelItem(n) for n in range(tree.topLevelItemCount())]
    said = [(row.text(0), row.text(2), row.text(3)) for row in rows]
    assert said == [("0:40.0", "before: marker", "rattle"), ("1:00.0", "after: note", "no hiss")]
    overlay = results.overlay
    qtbot.waitUntil(lambda: overlay.laid is not None, timeout=30_000)
    results.show_tab(NOTES)
    assert results.detail.toPlainText() == "rattle"  # the keyboard is in the list
    results.step(1)
    assert results.detail.toPlainText() == "no hiss"
    assert len(overlay.stack.strips[0].canvas.look.shades) == 1
    notes_path(after).write_bytes(b"{")
    compare(compare_page, qtbot, before, after)
    qtbot.waitUntil(lambda: "cannot be understood" in compare_page.notice.text, timeout=30_000)
