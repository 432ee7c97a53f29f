"""The Archive page: a real page over a small archive, without a display."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pytest
from PySide6.QtCore import QItemSelectionModel, QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QImage, QPainter
from PySide6.QtWidgets import QDialog, QWidget

from logbench.app.archive.page import ArchivePage
from logbench.app.archive.recordings import PREVIEW, SIDE, WORST, RecordingsModel, RecordingsTable
from logbench.app.archive.sparks import paint_spark, spark_text
from logbench.app.window import MainWindow
from logbench.archive import columns
from logbench.archive.columns import Cell, Column
from logbench.archive.find import Filter
from logbench.importing.model import recall
from logbench.recording.model import Trace
from logbench.recording.notes import change_notes, new_note
from logbench.recording.preview import shrunk
from logbench.signals.units import METRIC, Units
from tests.archive.conftest import make
from tests.archive.test_columns import MADE_UP
from tests.importing.reading import column_of

CSV = "time (s),engine rpm,coolant (F),odd thing\n" + "".join(
    f"{k},{800 + k},{180 if k != 3 else 'spoiled'},{k * 2}\n" for k in range(40)
)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    folder = tmp_path / "archive"
    make(folder / "van/a.parquet", started="2026-01-10T10:00:00+00:00", trim=1.0)
    make(folder / "van/b.parquet", started="2026-02-10T10:00:00+00:00", trim=4.0, note="Stalls")
    make(folder / "van/c.parquet", started="2026-03-10T10:00:00+00:00", trim=14.0)
    make(folder / "hatch/a.parquet", car="hatch", liters=1.82, event="hesitates")
    (folder / "spoiled.parquet").write_bytes(b"PAR1 no recording PAR1")
    return folder


@pytest.fixture
def page(window: MainWindow, tmp_path: Path) -> Iterator[ArchivePage]:
    """The window's Archive page with a cache and a memory of its own."""
    made = ArchivePage(window.services, tmp_path / "cache", tmp_path / "memory")
    made.processes = 1
    made.choice.review_wanted.connect(lambda path: window.pages.open_recordings([path]))
    made.choice.compare_wanted.connect(window.pages.compare_recordings)
    window.pages.put("archive", made)
    window.pages.show_page("archive")
    return made


def until(qtbot, true: Callable[[], object]) -> None:
    qtbot.waitUntil(true, timeout=60_000)


def settled(page: ArchivePage) -> bool:
    return not page._services.runner.busy and not page._soon.isActive()


def listed(page: ArchivePage) -> list[str]:
    return [row.recording for row in page.body.model.rows]


@pytest.fixture
def opened(page: ArchivePage, root: Path, qtbot) -> ArchivePage:
    page.open_place(str(root))
    until(qtbot, lambda: page.listed is not None and settled(page))
    return page


def wait_for_list(page: ArchivePage, qtbot, *names: str) -> None:
    until(qtbot, lambda: settled(page) and set(listed(page)) == set(names))


def test_empty_state_says_how_to_begin(page: ArchivePage, window, root, qtbot):
    assert page.empty.isVisible()
    assert "folder" in page.empty.text.text()
    page.add_paths([root])  # nothing is open: nothing happens
    page.import_paths([root])
    assert "Open an archive first" in page.notice.text
    page.open_place(str(root / "gone"))
    until(qtbot, lambda: "no archive" in page.notice.text)
    assert page.empty.isVisible()


def test_lists_and_is_opened_again_the_next_time(opened: ArchivePage, root, window, qtbot):
    assert listed(opened) == ["van/c.parquet", "hatch/a.parquet", "van/b.parquet", "van/a.parquet"]
    assert "4 of 4 recordings" in opened.counts.text()
    assert opened.title.whole == "archive"
    assert opened.body.tabs.tabText(4) == "Left out (1)"
    assert "damaged" in opened.body.problems.tree.topLevelItem(0).text(1)
    opened.body.table.sort_by_next()
    assert [row.car for row in opened.body.model.rows] == ["hatch", "van", "van", "van"]
    opened.body.table.sortByColumn(0, Qt.SortOrder.DescendingOrder)
    again = ArchivePage(window.services, opened._cache)
    window.pages.addWidget(again)
    window.pages.setCurrentWidget(again)
    until(qtbot, lambda: again.listed is not None and settled(again))
    assert listed(again) == listed(opened)


def test_filters_of_every_kind(opened: ArchivePage, qtbot):
    facets = opened.body.facets
    everything = listed(opened)
    facets.words.setText("van stalls")
    wait_for_list(opened, qtbot, "van/b.parquet")
    facets.clear()
    wait_for_list(opened, qtbot, *everything)
    facets.condition.setText("SHRTFT1 above 10 after 5 min")
    wait_for_list(opened, qtbot, "van/c.parquet")
    facets.condition.setText("nonsense")
    until(qtbot, lambda: "no signal 'NONSENSE'" in facets.trouble.text())
    facets.clear()
    facets.since.setText("2026-03-02")
    wait_for_list(opened, qtbot, "van/c.parquet")
    assert not facets.trouble.isVisible()
    facets.since.setText("yesterday")
    until(qtbot, lambda: "is not a date" in facets.trouble.text())
    facets.clear()
    wait_for_list(opened, qtbot, *everything)
    facets.cars.item(0).setCheckState(Qt.CheckState.Checked)
    wait_for_list(opened, qtbot, "hatch/a.parquet")
    facets.signals.item(0).setCheckState(Qt.CheckState.Checked)
    facets.words.setText("nothing like it")
    wait_for_list(opened, qtbot)
    assert opened.body.none.isVisible()


def test_what_was_noted_beside_a_drive_is_found_and_listed(opened: ArchivePage, root: Path, qtbot):
    change_notes(root / "hatch/a.parquet", "", lambda _: [new_note(60 * 10**9, 70 * 10**9, "hiss")])
    opened.refresh()
    opened.body.facets.words.setText("hiss")
    wait_for_list(opened, qtbot, "hatch/a.parquet")
    opened.body.table.choose("hatch/a.parquet")
    tree = opened.body.details.said.tree
    until(qtbot, lambda: tree.topLevelItemCount() == 2)
    said = [(tree.topLevelItem(n).text(2), tree.topLevelItem(n).text(3)) for n in range(2)]
    assert said == [("marker", "hesitates"), ("note", "hiss")]
    assert "hiss" in opened.body.details.facts.toPlainText()


def test_facets_count_what_the_other_filters_leave(opened: ArchivePage, qtbot):
    """They counted the whole archive, whatever was chosen."""
    facets = opened.body.facets
    assert [facets.cars.item(n).text() for n in range(2)] == ["hatch  (1)", "van  (3)"]
    facets.since.setText("2026-02-01")
    wait_for_list(opened, qtbot, "van/b.parquet", "van/c.parquet", "hatch/a.parquet")
    assert [facets.cars.item(n).text() for n in range(2)] == ["hatch  (1)", "van  (2)"]
    facets.cars.item(1).setCheckState(Qt.CheckState.Checked)
    wait_for_list(opened, qtbot, "van/b.parquet", "van/c.parquet")
    assert [facets.cars.item(n).text() for n in range(2)] == ["hatch  (1)", "van  (2)"]
    assert {facets.signals.item(n).text()[-3:] for n in range(facets.signals.count())} == {"(2)"}
    facets.words.setText("stalls hatch")
    wait_for_list(opened, qtbot)
    assert [facets.cars.item(0).text(), facets.cars.count()] == ["van  (0)", 1]


def test_nothing_of_one_archive_stays_when_another_is_opened(
    opened: ArchivePage, tmp_path: Path, qtbot
):
    """Filters, sides, similar drives, trend and accounts of the last one stayed."""
    body, other = opened.body, tmp_path / "other"
    make(other / "truck.parquet", car="truck")
    body.table.choose("van/a.parquet")
    opened.choice.put("before")
    opened.verify()
    until(qtbot, lambda: "sound" in opened.notice.text and settled(opened))
    opened.choice.find_similar()
    until(qtbot, lambda: "van" in body.similar.said.whole and settled(opened))
    body.facets.words.setText("van")
    body.facets.cars.item(1).setCheckState(Qt.CheckState.Checked)
    wait_for_list(opened, qtbot, "van/a.parquet", "van/b.parquet", "van/c.parquet")
    opened.open_place(str(other))
    wait_for_list(opened, qtbot, "truck.parquet")
    assert (body.facets.filter(), body.model.sides) == (Filter(), {})
    assert body.facets.cars.item(0).text() == "truck  (1)"
    assert opened.choice.buttons["compare"].text() == "Compare"
    said = (body.similar.said.whole, body.trend.said.whole, body.account.said.whole)
    assert not any("van" in text for text in said)
    assert body.account.tree.topLevelItemCount() == body.problems.tree.topLevelItemCount() == 0
    assert (body.tabs.currentIndex(), body.tabs.tabText(4)) == (0, "Left out")
    assert "1 of 1 recordings" in opened.counts.text()


def test_unnamed_and_undated_drives_are_told_apart_named_and_dated(
    opened: ArchivePage, root: Path, qtbot
):
    """Their rows were alike, and each had to be opened on another page to be named."""
    for name in "xy":
        made = make(root / f"{name}.parquet", car="", started="", liters=None)
        os.utime(made, (1_772_366_400 + 600, 1_772_366_400 + 600))  # 2026-03-01T12:10 UTC
    before = (root / "x.parquet").read_bytes()
    opened.refresh()
    until(qtbot, lambda: settled(opened) and len(listed(opened)) == 6)
    model, table = opened.body.model, opened.body.table
    rows = [row for row in model.rows if row.recording in ("x.parquet", "y.parquet")]
    assert {model.text(row, model.place("recording")) for row in rows} == {"x", "y"}
    table.clearSelection()
    for row in rows:
        flags = QItemSelectionModel.SelectionFlag.Select | QItemSelectionModel.SelectionFlag.Rows
        table.selectionModel().select(model.index(model.rows.index(row), 0), flags)
    opened.naming.ask()
    dialog = opened.naming.dialog
    dialog.lines["label"].setText("estate")
    dialog.own_dates.setChecked(True)
    dialog.accept()
    until(qtbot, lambda: settled(opened) and "2 drives named" in opened.notice.text)
    named = {row.recording: (row.car, row.started) for row in model.rows}
    assert named["x.parquet"] == ("estate", "2026-03-01T12:00:00+00:00")
    assert named["y.parquet"][0] == "estate"
    assert (root / "x.parquet").read_bytes() == before
    opened.naming.undo()
    until(qtbot, lambda: settled(opened) and "2 drives are as they were" in opened.notice.text)
    until(qtbot, lambda: {row.car for row in model.rows} == {"", "van", "hatch"})
    assert opened.naming.undo() is None
    assert "Nothing was named" in opened.notice.text


def test_sweep_then_filter_by_finding_and_follow_it(opened: ArchivePage, qtbot):
    assert "4 not checked yet" in opened.counts.text()
    opened.sweep()
    until(qtbot, lambda: settled(opened) and opened.listed.facets.checked == 4)
    model = opened.body.model
    worst = {row.recording: row.judged.worst for row in model.rows}
    assert worst["van/c.parquet"] in {"act", "watch"}
    assert model.index(0, model.place(WORST)).data() != "not checked yet"
    verdict = opened.body.facets.verdict
    verdict.setCurrentIndex(verdict.findData(worst["van/c.parquet"]))
    verdict.activated.emit(verdict.currentIndex())
    until(qtbot, lambda: settled(opened) and "van/c.parquet" in listed(opened))
    assert opened.body.table.choose("van/c.parquet")
    opened.choice.follow()
    trend = opened.body.trend
    until(qtbot, lambda: trend.plot._shown is not None)
    assert [p.recording for p in trend.plot._shown.points] == [
        "van/a.parquet", "van/b.parquet", "van/c.parquet"]  # fmt: skip
    assert "1 other" in trend.said.whole
    values = [p.value for p in trend.plot._shown.points]
    assert values == sorted(values)
    qtbot.keyClick(trend.plot, Qt.Key.Key_Left)
    assert "2026-02-10" in trend.at.text()
    qtbot.keyClick(trend.plot, Qt.Key.Key_Return)  # hidden by the filter: it is dropped
    until(qtbot, lambda: [r.recording for r in opened.body.table.chosen()] == ["van/b.parquet"])
    place = trend.plot._places()[0]
    assert trend.plot.nearest(place + QPointF(2, 2)) == 0
    qtbot.mouseClick(trend.plot, Qt.MouseButton.LeftButton, pos=place.toPoint())
    assert [r.recording for r in opened.body.table.chosen()] == ["van/a.parquet"]
    assert "2026-01-10" in trend.at.text()


def test_a_sweep_can_be_stopped_and_goes_on(opened: ArchivePage, root, qtbot):
    for k in range(12):
        make(root / f"more/{k:02d}.parquet", started=f"2025-01-{k + 1:02d}T10:00:00+00:00")
    opened.refresh()
    until(qtbot, lambda: settled(opened) and len(listed(opened)) == 16)
    opened.sweep()
    opened.work.cancel()
    until(qtbot, lambda: settled(opened) and "left" in opened.notice.text)
    assert opened.archive is not None
    done = 16 - len(opened.archive.pending())
    assert 0 < done < 16
    opened.sweep()
    until(qtbot, lambda: settled(opened) and not opened.archive.pending())
    assert f"{done} checked earlier" in opened.notice.text


def test_details_with_findings_made_at_once(opened: ArchivePage, window, qtbot):
    assert opened.body.table.choose("van/c.parquet")
    details = opened.body.details
    until(qtbot, lambda: "fuel trim" in details.findings.toPlainText())
    text = details.facts.toPlainText()
    assert "van" in text
    assert "1.8 L" in text
    assert "90 °C" in text
    window.services.look.choose_units(True)
    assert "194 °F" in details.facts.toPlainText()
    row = next(r for r in opened.body.model.rows if r.recording == "van/c.parquet")
    assert row.judged.worst
    model = opened.body.model
    said = model.text(row, model.place(WORST))
    assert re.search(r"(within|watch|act) \([1-9]\d*\)$", said), said
    assert re.search(r"\n[1-9]\d* parts were not judged$", model.tip(row))


def test_what_is_shown_of_a_recording_is_gone_as_soon_as_another_is_chosen(
    opened: ArchivePage, qtbot
):
    """Facts of the one before stood there for up to 0.7 s, with no sign that more would come."""
    details, table = opened.body.details, opened.body.table
    assert table.choose("van/c.parquet")
    until(qtbot, lambda: "van/c.parquet" in details.facts.toPlainText())
    assert table.choose("van/a.parquet")
    assert details.facts.toPlainText() == "Reading"
    assert not details.findings.toPlainText()
    until(qtbot, lambda: "van/a.parquet" in details.facts.toPlainText())
    table.chosen_changed.emit()  # listed anew, with the same one chosen
    assert "van/a.parquet" in details.facts.toPlainText()


def test_open_and_compare(opened: ArchivePage, window, root, qtbot):
    table = opened.body.table
    table.choose("van/a.parquet")
    table.setFocus()
    opened.choice.compare()
    assert "on the side before" in opened.notice.text
    qtbot.keyClick(table, Qt.Key.Key_B)
    table.choose("van/c.parquet")
    qtbot.keyClick(table, Qt.Key.Key_A)
    model = opened.body.model
    assert model.on_side("before") == ["van/a.parquet"]
    assert model.index(0, model.place(SIDE)).data() == "after"
    assert opened.choice.buttons["compare"].text() == "Compare  1 : 1"
    sides: list[tuple[list[Path], list[Path]]] = []
    opened.choice.compare_wanted.connect(lambda before, after: sides.append((before, after)))
    opened.choice.compare()
    until(qtbot, lambda: bool(sides))
    assert sides == [([root / "van/a.parquet"], [root / "van/c.parquet"])]
    assert window.pages.compare.isVisible()
    window.pages.show_page("archive")
    qtbot.keyClick(table, Qt.Key.Key_A)  # again: taken away
    assert model.on_side("after") == []
    qtbot.keyClick(table, Qt.Key.Key_Return)
    until(qtbot, window.pages.review.isVisible)
    until(qtbot, lambda: window.pages.review.judged is not None)


def test_a_column_added_in_one_place_is_in_the_list_and_in_the_details(
    page: ArchivePage, root: Path, window: MainWindow, tmp_path, monkeypatch, qtbot
):
    monkeypatch.setattr(columns, "COLUMNS", (*columns.COLUMNS, MADE_UP))
    made = ArchivePage(window.services, tmp_path / "cache", tmp_path / "memory")
    qtbot.addWidget(made)
    window.pages.put("archive", made)
    window.pages.show_page("archive")
    made.open_place(str(root))
    until(qtbot, lambda: made.listed is not None and settled(made))
    model = made.body.model
    place = model.place("ambient_degc")
    assert model.headerData(place, Qt.Orientation.Horizontal) == "Ambient"
    row = listed(made).index("van/a.parquet")
    assert model.index(row, place).data() == "20 °C"
    made.body.table.sortByColumn(place, Qt.SortOrder.AscendingOrder)
    assert listed(made)[0] == "hatch/a.parquet"  # what is not known comes first
    made.body.table.choose("van/a.parquet")
    until(qtbot, lambda: "Ambient" in made.body.details.facts.toPlainText())
    assert "20 °C" in made.body.details.facts.toPlainText()


def test_drives_like_this_one(opened: ArchivePage, qtbot):
    opened.body.table.choose("van/a.parquet")
    opened.choice.find_similar()
    tree = opened.body.similar.tree
    until(qtbot, lambda: settled(opened) and "an" in opened.body.similar.said.whole)
    # idling at one load fills one cell of the grid: too little to call drives alike
    assert tree.topLevelItemCount() == 0
    assert "No other drive" in opened.body.similar.said.whole


def test_previews_are_read_and_drawn(opened: ArchivePage, qtbot):
    sparks = opened.body.sparks
    until(qtbot, lambda: all(sparks.known(name) for name in listed(opened)))
    preview = sparks.get("van/a.parquet")
    assert preview is not None
    assert float(np.nanmin(preview.low)) < 800 < float(np.nanmax(preview.high))
    model = opened.body.model
    words = model.index(0, model.place(PREVIEW)).data(Qt.ItemDataRole.AccessibleTextRole)
    assert words.startswith("RPM ")
    opened.body.next_signal()
    assert sparks.signal == "SHRTFT1"
    until(qtbot, lambda: all(sparks.known(name) for name in listed(opened)))
    before = opened.body.table.grab().toImage()
    opened.body.model.rows.clear()
    assert before.height() > 0


def test_a_spark_shows_the_extremes_where_they_were():
    """One high sample in the middle of a flat minute must be seen, whatever the width."""
    t_ns = np.arange(60_000, dtype=np.int64) * 1_000_000
    value = np.zeros(60_000)
    value[30_000] = 100.0
    value[10] = np.nan
    preview = shrunk(Trace("RPM", "7E8", "rpm", t_ns, value), int(t_ns[-1]))
    assert float(np.nanmax(preview.high)) == 100.0
    assert int(np.nanargmax(preview.high)) == len(preview.high) // 2
    image = QImage(200, 40, QImage.Format.Format_RGB32)
    image.fill(QColor("white"))
    painter = QPainter(image)
    paint_spark(painter, QRectF(0, 2, 200, 36), preview, QColor("black"))
    painter.end()
    top = [x for x in range(200) if image.pixelColor(x, 4).lightness() < 200]
    assert top
    assert all(90 <= x <= 110 for x in top)
    assert spark_text(preview, METRIC) == "RPM 0 rpm to 100 rpm"
    assert "nothing" in spark_text(None, Units(True))


def test_add_files_and_folders(opened: ArchivePage, tmp_path, qtbot):
    make(tmp_path / "in/x.parquet", car="estate", started="2026-05-01T00:00:00+00:00", rpm=900.0)
    (tmp_path / "in/bad.parquet").write_bytes(b"PAR1")
    opened.add_paths([tmp_path / "in"])
    until(qtbot, lambda: settled(opened) and len(listed(opened)) == 5)
    assert "estate/2026-05-01-x.parquet" in listed(opened)
    assert "1 recording added, 1 not" in opened.notice.text
    first = opened.body.account.tree.topLevelItem(0)
    assert first.text(0) == "bad.parquet"


def test_import_with_a_correction_that_is_remembered(opened: ArchivePage, tmp_path, qtbot):
    (tmp_path / "in").mkdir()
    (tmp_path / "in/one.csv").write_text(CSV)
    (tmp_path / "in/two.csv").write_text(CSV.replace("\n5,", "\n5.5,"))
    (tmp_path / "in/bad.csv").write_bytes(b"\0\1\2")
    opened.import_paths([tmp_path / "in"])
    until(qtbot, lambda: opened.importer.dialog is not None)
    dialog = opened.importer.dialog
    assert dialog is not None
    assert "and 1 more" in dialog.head.whole
    names = [column.column for column in dialog.mapping.columns]
    odd, coolant = names.index("odd thing"), names.index("coolant (F)")
    assert dialog.line(coolant, 2).text() == "ECT"
    assert dialog.columns.item(odd, 4).text() == "left out"
    dialog.line(odd, 2).setText("vss")
    dialog.line(odd, 3).setText("volt")
    dialog.line(odd, 3).editingFinished.emit()
    assert "cannot be converted" in dialog.said.text()
    assert not dialog.import_button.isEnabled()
    dialog.line(odd, 3).setText("mph")
    dialog.line(odd, 3).editingFinished.emit()
    assert dialog.import_button.isEnabled()
    assert dialog.columns.item(odd, 4).text() == "100 % sure"
    dialog.car.setText("estate")
    dialog.liters.setValue(1.6)
    fingerprint = dialog.mapping.fingerprint
    dialog.accept()
    until(qtbot, lambda: settled(opened) and len(listed(opened)) == 6)
    assert "2 recordings from 2 files; 1 not imported" in opened.notice.text
    shown = opened.body.account.tree
    texts = [shown.topLevelItem(k).child(0).text(1) for k in (1, 2)]
    assert all("coolant" in text for text in texts)  # the spoiled cell is counted and listed
    assert opened.archive is not None
    speed = opened.archive.open("estate/one.parquet").trace("VSS")
    assert speed.value[10] == pytest.approx(20 * 1.609344)
    kept = recall(fingerprint, tmp_path / "memory")
    assert kept is not None
    assert column_of(kept, "odd thing").unit == "mph"
    opened.import_paths([tmp_path / "in/one.csv"])
    until(qtbot, lambda: opened.importer.dialog is not None)
    assert opened.importer.dialog is not None
    assert "remembered" in opened.importer.dialog.said.text()
    opened.importer.dialog.reject()
    assert not opened.work.busy


def test_import_cut_by_another_delimiter(opened: ArchivePage, tmp_path, qtbot):
    (tmp_path / "odd.csv").write_text("t;engine rpm,a\n0;800,1\n1;810,2\n2;820,3\n")
    opened.import_paths([tmp_path / "odd.csv"])
    until(qtbot, lambda: opened.importer.dialog is not None)
    dialog = opened.importer.dialog
    assert dialog is not None
    wanted = "," if dialog.mapping.delimiter == ";" else ";"
    dialog.cut_wanted.emit(wanted)
    until(qtbot, lambda: dialog.mapping.delimiter == wanted)
    assert dialog.rows.columnCount() == 2
    form = dialog.time_format
    form.setCurrentIndex(form.findData("none"))
    form.activated.emit(0)
    assert dialog.mapping.time.places == []
    assert dialog.period.isEnabled()
    dialog.done(QDialog.DialogCode.Rejected)


def test_verify_sets_aside_only_when_asked(opened: ArchivePage, root, qtbot):
    opened.verify()
    assert not opened.tools[0].isEnabled()
    opened.refresh()  # one long work at a time
    assert "already" in opened.notice.text
    until(qtbot, lambda: settled(opened) and "Verified" in opened.notice.text)
    assert opened.tools[0].isEnabled()
    assert "1 damaged, 4 sound" in opened.notice.text
    assert (root / "spoiled.parquet").exists()
    opened.verify(quarantine=True)
    until(qtbot, lambda: settled(opened) and not (root / "spoiled.parquet").exists())
    assert (root / "quarantine/spoiled.parquet").exists()


def test_a_column_that_needs_room_is_in_the_list_where_there_is_room(
    opened: ArchivePage, window, monkeypatch
):
    cell = Cell("list", 4, "Height", widest="0" * 40, spacious=True)
    height = Column("height_m", pa.float64(), lambda _: 120.0, (cell,))
    monkeypatch.setattr(columns, "COLUMNS", (*columns.COLUMNS, height))
    table = RecordingsTable(RecordingsModel(opened.body.sparks, window.services.look.theme))
    names = [column.name for column in table.recordings.columns]
    assert names[:5] == ["started", "recording", "car", "duration_s", "height_m"]
    for width, shown in ((700, False), (1400, True), (700, False)):
        table.resize(width, 300)
        table.show()
        assert table.isColumnHidden(4) == (not shown)
        assert table.viewport().width() >= table.horizontalHeader().length() - 1
    table.close()


def test_looks_sizes_keys_and_names(opened: ArchivePage, window):
    keys = [k.toString() for a in window.commands() for k in a.shortcuts()]
    assert sorted(keys) == sorted(set(keys))
    assert all(a.text() for a in window.commands())
    assert len({a.text() for a in window.commands()}) == len(window.commands())
    kinds = {"QPushButton", "QComboBox", "QLineEdit", "QTableView", "QTreeWidget", "QListWidget"}
    for widget in opened.findChildren(QWidget):
        if widget.metaObject().className() in kinds and widget.isVisibleTo(window):
            assert widget.accessibleName() or widget.property("text"), widget.parentWidget()

    for theme in ("night", "light"):
        window.services.look.choose(theme)  # type: ignore[arg-type]
        for size in ((900, 600), (1600, 900)):
            window.resize(*size)
            table = opened.body.table
            assert table.viewport().width() >= table.horizontalHeader().length() - 1
            ground = window.grab().toImage().pixelColor(2, size[1] - 2).lightness()
            assert (ground < 100) == (theme == "night")
