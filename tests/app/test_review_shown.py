"""What the Review page shows besides the strips: find line, shades on the ribbon, pictures."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor, QGuiApplication, QImage
from PySide6.QtWidgets import QApplication

from logbench.app.review.exporting import Sheet
from logbench.app.review.values import row_of
from logbench.app.window import MainWindow
from logbench.plot.trace import SECOND
from logbench.recording.notes import Remark
from logbench.report.plots import drive_title


@pytest.fixture
def reviewing(window: MainWindow, drive_file: Path, qtbot) -> MainWindow:
    window.activateWindow()
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)
    return window


def test_the_find_line_is_closed_by_key_and_what_it_found_is_on_the_ribbon(
    reviewing: MainWindow, qtbot
):
    review = reviewing.pages.review
    review.find_bar.open()
    qtbot.keyClicks(review.find_bar.line, "RPM > 1500")
    qtbot.keyClick(review.find_bar.line, Qt.Key.Key_Return)
    shades = review.stack.strips[0].canvas.look.shades
    assert shades
    shaded = review.ribbon.grab().toImage()
    review.plots.shade(())
    plain = review.ribbon.grab().toImage()
    middle = review.ribbon.x_of((shades[0].start_ns + shades[0].end_ns) / 2)
    text = QColor(review.ribbon.look.theme.text)
    rows = range(shaded.height())
    assert [y for y in rows if shaded.pixelColor(middle, y) != plain.pixelColor(middle, y)]
    assert any(shaded.pixelColor(middle, y) == text for y in rows)
    qtbot.keyClick(review.find_bar.line, Qt.Key.Key_Escape)
    assert review.find_bar.isHidden()
    assert review.stack.hasFocus()


def sheet_of(review) -> Sheet:
    return Sheet(review.plots, review.ribbon.look.theme, review.opened.recording)


def test_a_picture_says_which_car_drive_and_date_and_what_was_said_uncut(
    reviewing: MainWindow, tmp_path: Path
):
    review = reviewing.pages.review
    long = "wiggled the connector beside the battery " * 12
    remarks = [Remark(start_ns=n * SECOND, end_ns=n * SECOND, text=long) for n in (5, 6)]
    bare = sheet_of(review)
    review.ribbon.change(remarks=remarks)
    review.exporting.export(tmp_path / "out.png")
    image = QImage(str(tmp_path / "out.png"))
    told = image.text("Description")
    facts = review.opened.recording.facts
    assert told.splitlines()[0] == drive_title(facts, review.opened.recording.path.name)
    assert review.opened.recording.path.name in told
    assert told.count(long.strip()) == 2
    assert "0:05" in told
    sheet = sheet_of(review)
    assert sheet.foot > bare.foot
    assert image.height() == sheet.size.height()
    text = QColor(review.ribbon.look.theme.text)
    ground = QColor(review.ribbon.look.theme.window)
    for first, last in ((0, sheet.head), (image.height() - sheet.foot, image.height())):
        found = {image.pixelColor(x, y).name() for y in range(first, last) for x in range(400)}
        assert {text.name(), ground.name()} <= found
    review.exporting.export(tmp_path / "out.svg")
    drawn = (tmp_path / "out.svg").read_text("utf-8")
    assert review.opened.recording.path.name in drawn


def test_strips_out_of_sight_are_in_the_picture_too(reviewing: MainWindow, tmp_path: Path):
    review = reviewing.pages.review
    reviewing.resize(1000, 600)
    before = review.stack.geometry()
    review.stack.splitter.share_out([3, *[1] * (len(review.stack.strips) - 1)])
    QApplication.processEvents()
    review.exporting.export(tmp_path / "strips.png")
    image = QImage(str(tmp_path / "strips.png"))
    strips = sum(s.height() for s in review.stack.strips)
    assert strips > review.stack.height()
    sheet = sheet_of(review)
    around = sheet.head + sheet.foot
    shown = review.ribbon.height() + strips + review.stack.axis.height()
    assert image.height() == around + shown
    assert "Written to" in review.notice.text
    assert review.stack.geometry() == before  # it lies over the page and moves nothing
    right = review.ribbon.x_of(review.view.high_ns)
    assert abs(right - 72 - review.view.pixels) <= 1  # both end at the same pixel


def test_the_scatter_is_the_picture_where_it_is_shown(reviewing: MainWindow, qtbot):
    review = reviewing.pages.review
    review.plots.show_cross(True)
    qtbot.waitUntil(lambda: "points" in review.cross.said.text())
    review.exporting.copy_picture()
    image = QGuiApplication.clipboard().image()
    sheet = sheet_of(review)
    ribbon = sheet.head + review.ribbon.height()
    assert image.height() == ribbon + review.cross.height() + sheet.foot
    mine = review.cross.grab().toImage()
    for at in ((20, 20), (mine.width() // 2, mine.height() // 2)):
        assert image.pixelColor(at[0], at[1] + ribbon) == mine.pixelColor(*at)


def test_a_span_without_samples_shows_dashes(reviewing: MainWindow):
    trace = reviewing.pages.review.stack.strips[0].traces[0]
    row = row_of(trace, 50 * SECOND + 1, 50 * SECOND + 2)
    assert row[4:] == ["–", "–", "–", "–", "–", "0", "–"]


def test_a_finding_scrolls_to_the_strip_it_is_about(reviewing: MainWindow):
    review = reviewing.pages.review
    reviewing.resize(1000, 600)
    review.stack.splitter.share_out([4, *[1] * (len(review.stack.strips) - 1)])
    QApplication.processEvents()
    last = review.stack.strips[-1]
    assert last.visibleRegion().isEmpty()
    review.stack.reveal(last.traces[0].key)
    QApplication.processEvents()
    assert last.visibleRegion().boundingRect().height() == last.height()
