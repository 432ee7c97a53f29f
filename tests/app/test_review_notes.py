"""Notes on spans, and a finding's band on the strips, in the real window."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from logbench.analysis.bands import load_bands
from logbench.analysis.model import Finding, Span, Verdict
from logbench.app.remarks import RemarkList
from logbench.app.review.notes_panel import NoteDialog
from logbench.app.window import MainWindow
from logbench.plot.bands import band_of, concerning
from logbench.plot.trace import SECOND
from logbench.recording.notes import change_notes, new_note, notes_path, read_notes

_PLAIN = Qt.KeyboardModifier.NoModifier


@pytest.fixture
def reviewing(window: MainWindow, drive_file: Path, qtbot) -> MainWindow:
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)
    window.activateWindow()
    return window


def put_a_and_b(window: MainWindow, a_s: float, b_s: float, qtbot) -> None:
    review = window.pages.review
    review.stack.setFocus()
    for key, at in ((Qt.Key.Key_A, a_s), (Qt.Key.Key_B, b_s)):
        review.view.set_cursor(round(at * SECOND))
        qtbot.keyClick(review.stack, key)


def test_a_note_written_edited_removed_and_put_back(reviewing: MainWindow, drive_file: Path, qtbot):
    review = reviewing.pages.review
    texts = iter(["hiss at idle\nunder the hood", "hiss, louder with the lights on"])
    review.notes.ask = lambda *_: next(texts)
    before = drive_file.read_bytes()
    qtbot.keyClick(review.stack, Qt.Key.Key_M)
    assert "keys A and B" in review.notice.text
    put_a_and_b(reviewing, 40, 12.5, qtbot)
    qtbot.keyClick(review.stack, Qt.Key.Key_M)
    qtbot.waitUntil(lambda: len(review.notes.notes) == 1)
    assert drive_file.read_bytes() == before
    assert read_notes(drive_file)[0].text == "hiss at idle\nunder the hood"
    review.view.show_all()
    said = review.ribbon.described_at(review.ribbon.x_of(20 * SECOND))
    assert "under the hood" in said
    qtbot.keyClick(review.stack, Qt.Key.Key_3, Qt.KeyboardModifier.AltModifier)
    assert review.notes.list.isVisible()
    qtbot.keyClick(review.notes.list, Qt.Key.Key_N, Qt.KeyboardModifier.AltModifier)
    assert review.stack.strips[0].canvas.look.shades == (Span(12_500_000_000, 40 * SECOND),)
    assert review.view.start_ns <= 12.5 * SECOND < 40 * SECOND <= review.view.end_ns
    review.notes.list.setFocus()
    qtbot.keyClick(review.notes.list, Qt.Key.Key_F2)
    qtbot.waitUntil(lambda: "lights" in review.notes.notes[0].text)
    qtbot.keyClick(review.notes.list, Qt.Key.Key_N, Qt.KeyboardModifier.AltModifier)
    qtbot.keyClick(review.notes.list, Qt.Key.Key_Delete, Qt.KeyboardModifier.ControlModifier)
    qtbot.waitUntil(lambda: review.notes.notes == ())
    assert review.notes.how.isVisible()
    review.notice.button.click()
    qtbot.waitUntil(lambda: len(review.notes.notes) == 1)
    assert "lights" in read_notes(drive_file)[0].text


def test_notes_go_into_the_csv_of_the_span_in_the_units_shown(
    reviewing: MainWindow, drive_file: Path, tmp_path: Path, qtbot
):
    review = reviewing.pages.review
    review.notes.add(round(55.04 * SECOND), 60 * SECOND, "=HYPERLINK(1)")
    review.notes.add(150 * SECOND, 160 * SECOND, "outside the span")
    qtbot.waitUntil(lambda: len(review.notes.notes) == 2)
    put_a_and_b(reviewing, 50, 58, qtbot)
    reviewing.services.look.choose_units(True)
    out = tmp_path / "span.csv"
    review.exporting.export(out)
    qtbot.waitUntil(lambda: "Written" in review.notice.text, timeout=60_000)
    frame = pd.read_csv(out, index_col="t_s")
    told = frame["note"].dropna()
    assert told.index.tolist() == [pytest.approx(55.1)]
    assert told.iloc[0] == '"=HYPERLINK(1)" (55.0 to 60.0 s)'  # never a formula
    np.testing.assert_allclose(frame["VSS (mph)"].dropna(), 60 / 1.609344, rtol=1e-6)
    np.testing.assert_allclose(frame["ECT (degF)"].dropna(), 194.0, rtol=1e-6)


def test_notes_that_cannot_be_used_are_a_sentence(window: MainWindow, drive_file: Path, qtbot):
    change_notes(drive_file, "of another drive", lambda _: [new_note(0, SECOND, "x")])
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: "another recording" in window.pages.review.notice.text, timeout=20_000)
    assert window.pages.review.notes.notes == ()
    notes_path(drive_file).write_bytes(b"\x00{")
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(
        lambda: "cannot be understood" in window.pages.review.notice.text, timeout=20_000
    )
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)


def test_markup_in_a_note_is_text(reviewing: MainWindow, qtbot):
    review = reviewing.pages.review
    review.notes.add(0, SECOND, "<img src=x>")
    qtbot.waitUntil(lambda: len(review.notes.notes) == 1)
    item = review.notes.list.tree.topLevelItem(0)
    assert item.text(3) == "<img src=x>"
    assert "&lt;img" in item.toolTip(3)


def rows_of(shown: RemarkList) -> list[str]:
    rows = (shown.tree.topLevelItem(n) for n in range(shown.tree.topLevelItemCount()))
    return [" | ".join(row.text(n) for n in range(4)) for row in rows]


def test_what_was_marked_while_driving_is_among_the_notes(
    reviewing: MainWindow, drive_file: Path, qtbot: QtBot
):
    """Live's markers and their notes were missing from Review's notes."""
    review = reviewing.pages.review
    review.notes.add(10 * SECOND, 15 * SECOND, "hiss at idle")
    qtbot.waitUntil(lambda: len(review.notes.notes) == 1)
    shown = review.notes.list
    assert rows_of(shown) == [
        "0:10.0 | 0:05.0 | note | hiss at idle",
        "0:30.0 |  | marker | rattle",
    ]
    shown.tree.sortByColumn(2, Qt.SortOrder.AscendingOrder)
    assert [row.split(" | ")[2] for row in rows_of(shown)] == ["marker", "note"]
    shown.tree.sortByColumn(0, Qt.SortOrder.DescendingOrder)
    assert [row.split(" | ")[2] for row in rows_of(shown)] == ["marker", "note"]
    shown.filter.setText("HISS note")
    assert [row.split(" | ")[2] for row in rows_of(shown)] == ["note"]
    shown.filter.clear()
    shown.tree.setCurrentItem(shown.tree.topLevelItem(0))
    assert review.view.start_ns < 30 * SECOND < review.view.end_ns < 40 * SECOND
    said = review.ribbon.described_at(review.ribbon.x_of(30 * SECOND))
    assert "rattle" in said.splitlines()


def test_a_markers_text_is_corrected_beside_the_recording(
    reviewing: MainWindow, drive_file: Path, qtbot: QtBot
):
    review, before = reviewing.pages.review, drive_file.read_bytes()
    review.notes.ask = lambda _, text: f"{text} from the left"
    shown = review.notes.list
    shown.tree.setCurrentItem(shown.tree.topLevelItem(0))
    review.notes.remove()
    assert "never changed" in review.notice.text
    review.notes.ask_to_edit()
    qtbot.waitUntil(lambda: rows_of(shown) == ["0:30.0 |  | marker | rattle from the left"])
    assert drive_file.read_bytes() == before
    review.notice.button.click()  # put it back
    qtbot.waitUntil(lambda: rows_of(shown) == ["0:30.0 |  | marker | rattle"])
    assert read_notes(drive_file) == ()


def test_find_finds_what_was_written(reviewing: MainWindow, qtbot: QtBot):
    review = reviewing.pages.review
    review.notes.add(70 * SECOND, 75 * SECOND, "hiss, then a rattle")
    qtbot.waitUntil(lambda: len(review.notes.notes) == 1)
    review.view.set_cursor(0)
    for text, place in (("Rattle", "1 of 2"), ("Rattle", "2 of 2"), ('"hiss rattle"', "1 of 1")):
        review.find_bar.line.setText(text)
        review.find_bar.step(1)
        assert review.find_bar.said.text().startswith(place)
    assert review.view.cursor_ns == 70 * SECOND
    review.find_bar.line.setText("bump")
    review.find_bar.step(1)
    assert "There is no signal 'BUMP'" in review.find_bar.said.text()


def test_the_text_of_a_note_is_written_and_left_by_keys(reviewing: MainWindow, qtbot):
    dialog = NoteDialog("Edit the note", "hiss", reviewing)
    qtbot.addWidget(dialog)
    dialog.show()
    dialog.activateWindow()
    qtbot.waitUntil(dialog.isActiveWindow)
    qtbot.keyClicks(dialog.text, " at idle")
    qtbot.keyClick(dialog.text, Qt.Key.Key_Tab)
    assert "\t" not in dialog.text.toPlainText()
    assert not dialog.text.hasFocus()
    qtbot.keyClick(dialog, Qt.Key.Key_Return, Qt.KeyboardModifier.ControlModifier)
    assert dialog.result() == 1
    assert dialog.text.toPlainText() == "hiss at idle"


# --- the band of a finding ---


def finding(check: str, key: str, subject: str, within: tuple[float, float]) -> Finding:
    band = replace(load_bands()[key], within=within)
    return Finding(check, subject, Verdict.ACT, "r", band=band)


def test_a_chosen_finding_draws_its_band(reviewing: MainWindow, qtbot):
    review = reviewing.pages.review
    found = review.findings.findings
    index = next(n for n, f in enumerate(found) if f.band and f.band.key == "fuel_trim_total")
    shown = review.findings.list
    shown.setCurrentItem(shown.topLevelItem(index))
    QApplication.processEvents()
    strip = next(s for s in review.stack.strips if ("TOTAL_TRIM1", "computed") in
                 [t.key for t in s.traces])  # fmt: skip
    trace = next(t for t in strip.traces if t.signal == "TOTAL_TRIM1")
    assert trace.band == found[index].band.within
    assert strip.canvas.range.low <= -10  # room for all of the band
    assert strip.canvas.range.high >= 10
    image = strip.canvas.pixmap.toImage()
    inside, outside = (image.pixelColor(3, int(strip.canvas.y_of(v))) for v in (-6.5, 13.5))
    assert inside != outside
    qtbot.keyClick(review.stack, Qt.Key.Key_Escape, Qt.KeyboardModifier.ShiftModifier)
    assert trace.band is None
    assert review.stack.strips[0].canvas.look.shades == ()


def test_bands_go_to_the_traces_they_hold_for(reviewing: MainWindow):
    traces = reviewing.pages.review.opened.traces
    total = finding("fuel_trim", "fuel_trim_total", "bank 1, warm idle", (-10, 10))
    assert band_of(total, traces) == {("TOTAL_TRIM1", "computed"): (-10, 10)}
    other = finding("fuel_trim", "fuel_trim_total", "bank 2, warm idle", (-10, 10))
    assert band_of(other, traces) == {}
    plateau = finding("warm_up", "warm_up_plateau", "settled", (80, 105))
    assert band_of(plateau, traces) == {("ECT", "7E8"): (80, 105)}
    rate = finding("warm_up", "warm_up_rate_idle", "rate", (1, 5))
    assert band_of(rate, traces) == {}
    assert {t.signal for t in concerning(plateau, traces)} == {"ECT", "VSS", "RPM"}
    idle = finding("idle", "idle_stability", "idle speed", (0, 50))
    assert {t.signal for t in concerning(idle, traces)} == {"RPM", "LOAD_PCT"}
