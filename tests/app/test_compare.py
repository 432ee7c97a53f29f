"""The Compare page: choosing the sides, and what does not compare."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFileDialog

from logbench.analysis.comparison.results import SignalVerdict
from logbench.app.compare.page import ComparePage
from logbench.app.compare.recent import RecentRecordings
from logbench.app.compare.results import SIGNALS
from logbench.app.window import MainWindow
from logbench.car.model import Car
from logbench.cases.compare import AFTER, BEFORE, compare_files, find_recordings
from logbench.cases.settings import Settings
from logbench.cases.work import CancelledError
from logbench.cases.work import Work as Task
from logbench.errors import UsageError
from logbench.job.folder import create_job
from tests.app.comparing import DRIVES, changed, compare, drop, first_seconds


@pytest.fixture
def page(compare_page: ComparePage) -> ComparePage:
    return compare_page


# --- choosing the sides -------------------------------------------------------------------------


def test_the_empty_page_says_how_to_begin(page: ComparePage, settings: Settings, qtbot):
    qtbot.waitUntil(lambda: "no recordings in" in page.sides.recent.none.text())
    assert str(settings.folder) in page.sides.recent.none.text()
    assert "before and one made after the repair" in page.sides.said.text()
    assert not page.sides.compare_button.isEnabled()
    page.compare()
    assert "Choose at least one recording" in page.notice.text


def test_recent_recordings_are_put_on_sides_by_keys(page: ComparePage, settings: Settings, qtbot):
    settings.folder.mkdir()
    for number, drive in enumerate(DRIVES):
        copy = settings.folder / drive.name
        copy.write_bytes(drive.read_bytes())
        os.utime(copy, (number, number))
    (settings.folder / "torn.parquet").write_bytes(b"torn")
    page.choose_sides()
    recent = page.sides.recent.list
    qtbot.waitUntil(lambda: recent.topLevelItemCount() == 3)
    rows = [recent.topLevelItem(n) for n in range(3)]
    assert [r.text(0) for r in rows] == ["torn.parquet", "after.parquet", "before.parquet"]
    assert rows[0].text(1) == "cannot be read"
    assert rows[2].text(3) == "19:22"
    recent.setCurrentItem(rows[2])
    qtbot.keyClick(recent, Qt.Key.Key_B)
    recent.setCurrentItem(rows[1])
    qtbot.keyClick(recent, Qt.Key.Key_A)
    assert [b.paths[0].name for b in page.sides.boxes.values()] == [d.name for d in DRIVES]
    assert page.sides.compare_button.isEnabled()
    qtbot.keyClick(recent, Qt.Key.Key_B)  # moves it over: a file is never on both sides
    assert page.sides.boxes[AFTER].paths == ()
    box = page.sides.boxes[BEFORE]
    box.list.selectAll()
    qtbot.keyClick(box.list, Qt.Key.Key_Delete)
    assert box.paths == ()


def test_an_archive_folder_is_looked_through_by_car_and_date(
    page: ComparePage, settings: Settings, qtbot, tmp_path: Path, monkeypatch
):
    monkeypatch.setattr("logbench.archive.index.cache_home", lambda: tmp_path / "cache")
    root = tmp_path / "years"
    made = []
    for car, started in (
        ("blue van", "2024-03-01T10:00:00+00:00"),
        ("blue van", "2025-03-01T10:00:00+00:00"),
        ("red car", "2025-06-01T10:00:00+00:00"),
    ):
        path = root / car / f"{started[:10]}.parquet"
        path.parent.mkdir(parents=True, exist_ok=True)
        keep = first_seconds(20.0 + len(made))
        vehicle = Car(label=car)
        made.append(changed(DRIVES[0], path, keep=keep, started_utc=started, vehicle=vehicle))
    (root / "torn.parquet").write_bytes(b"torn")
    recent = page.sides.recent
    answers = iter(["", str(root)])
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *_: next(answers))
    page.sides.recent.ask_for_folder()  # left with Esc: nothing changes
    assert recent.place is None
    page.sides.recent.ask_for_folder()
    assert recent.place == root
    qtbot.waitUntil(lambda: recent.list.topLevelItemCount() == 3, timeout=20_000)

    def rows(column: int) -> list[str]:
        items = (recent.list.topLevelItem(n) for n in range(recent.list.topLevelItemCount()))
        return [item.text(column) for item in items]

    assert rows(1) == ["red car", "blue van", "blue van"]  # the newest first
    assert rows(0)[0] == "red car/2025-06-01.parquet"
    recent.finder.setText("Blue 2025")
    assert rows(2) == ["2025-03-01 10:00 UTC"]
    qtbot.keyClick(recent.list, Qt.Key.Key_A)
    assert page.sides.boxes[AFTER].paths == (made[1].resolve(),)
    recent.finder.setText("green")
    assert rows(0) == []
    assert "None of 3 recordings matches" in recent.none.text()
    recent.finder.clear()
    recent.list.header().setSortIndicator(3, Qt.SortOrder.DescendingOrder)
    assert rows(3) == ["0:22", "0:21", "0:20"]

    # it is remembered; a folder that is gone is not offered
    again = RecentRecordings(settings, page._owner)
    assert [again.places.itemText(n) for n in range(again.places.count())][1:] == [str(root)]
    root.rename(tmp_path / "moved")
    assert RecentRecordings(settings, page._owner).places.count() == 1
    page.sides.recent.refresh()
    qtbot.waitUntil(lambda: str(root) in page.notice.text, timeout=20_000)


def test_both_sides_are_taken_from_a_job(
    page: ComparePage, window: MainWindow, tmp_path: Path, qtbot, monkeypatch
):
    folder, job = create_job(tmp_path, "visit")
    for drive, role in zip(DRIVES, ("before", "after"), strict=True):
        folder.add_recording(job, drive, role)
    folder.save(job)
    answers = iter([("", ""), (str(folder.file), "")])
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_: next(answers))
    qtbot.mouseClick(page.sides.job_button, Qt.MouseButton.LeftButton)  # left with Esc
    assert page.sides.boxes[BEFORE].paths == ()
    qtbot.mouseClick(page.sides.job_button, Qt.MouseButton.LeftButton)
    assert page.isVisible()
    assert [box.paths for box in page.sides.boxes.values()] == [
        (folder.place("recordings/before.parquet"),),
        (folder.place("recordings/after.parquet"),),
    ]
    page.sides.set_sides([], [])
    qtbot.keyClick(page, Qt.Key.Key_J, Qt.KeyboardModifier.ControlModifier)  # it is open by now
    assert page.sides.ready
    qtbot.waitUntil(lambda: not window.services.runner.busy, timeout=20_000)


def test_files_are_dropped_on_a_side_or_beside_them(page: ComparePage, tmp_path: Path, qtbot):
    drop(page.sides.boxes[AFTER], DRIVES[1])
    qtbot.waitUntil(lambda: page.sides.boxes[AFTER].paths == (DRIVES[1].resolve(),))
    page.sides.set_sides([], [])
    copies = []
    for number, name in ((2, "a-later.parquet"), (1, "b-earlier.parquet")):
        copies.append(tmp_path / name)
        copies[-1].write_bytes(b"")
        os.utime(copies[-1], (number, number))
    drop(page, *copies)
    qtbot.waitUntil(lambda: page.sides.ready)
    assert page.sides.boxes[BEFORE].paths[0].name == "b-earlier.parquet"
    assert page.sides.boxes[AFTER].paths[0].name == "a-later.parquet"
    page.swap()
    assert page.sides.boxes[BEFORE].paths[0].name == "a-later.parquet"


def test_looking_for_recordings_ends_when_canceled(tmp_path: Path):
    task = Task()
    task.cancel()
    with pytest.raises(CancelledError):
        find_recordings(tmp_path, DRIVES).run(task)
    with pytest.raises(CancelledError):
        compare_files((DRIVES[0],), (DRIVES[1],)).run(task)


def test_comparing_ends_in_its_midst_when_canceled():
    told: list[float] = []

    def tell(text: str, share: float) -> None:
        told.append(share)
        if share > 0.3:
            task.cancel()

    task = Task(tell)
    with pytest.raises(CancelledError):
        compare_files((DRIVES[0],), (DRIVES[1],)).run(task)
    assert told == sorted(told)
    assert 0.3 < told[-1] < 0.4


def test_cancel_leaves_the_page_as_it_was(page: ComparePage, qtbot):
    page.set_sides(DRIVES[:1], DRIVES[1:])
    page.compare()
    assert page.work.cancel_button.isVisible()
    qtbot.keyClick(page, Qt.Key.Key_Period, Qt.KeyboardModifier.ControlModifier)
    assert not page.work.cancel_button.isVisible()
    qtbot.waitUntil(lambda: not page._services.runner.busy, timeout=20_000)
    assert page.compared is None
    assert page.sides.isVisible()


# --- what does not compare ----------------------------------------------------------------------


def test_another_car_must_be_confirmed(page: ComparePage, tmp_path: Path, qtbot):
    other = Car(label="another", vin="ZZ9TEST280X000002", displacement_l=2.3, cylinders=4)
    second = changed(DRIVES[1], tmp_path / "other.parquet", vehicle=other)
    page.set_sides([DRIVES[0]], [second])
    page.compare()
    qtbot.waitUntil(page.question.isVisible, timeout=30_000)
    assert page.compared is None
    assert "ZZ9TEST280X000002" in page.question.text.text()
    assert page.question.no.hasFocus()
    qtbot.keyClick(page.question.no, Qt.Key.Key_Space)
    assert page.sides.isVisible()
    assert page.compared is None
    page.compare()
    qtbot.waitUntil(page.question.isVisible, timeout=30_000)
    qtbot.mouseClick(page.question.yes, Qt.MouseButton.LeftButton)
    assert page.compared is not None
    assert "ZZ9TEST280X000002" in page.results.notes.text()
    assert page.results.notes.isVisible()
    page.choose_sides()
    page.compare()  # asked once
    qtbot.waitUntil(lambda: page.compared is not None and page.results.isVisible(), timeout=30_000)
    assert "as you said earlier" in page.results.notes.text()


def test_one_recording_on_both_sides_is_refused(page: ComparePage, qtbot, tmp_path: Path):
    copy = tmp_path / "copy.parquet"
    copy.write_bytes(DRIVES[0].read_bytes())
    with pytest.raises(UsageError, match="same recording"):
        compare_files((DRIVES[0],), (copy,)).run(Task())
    page.set_sides([DRIVES[0]], [copy])
    page.compare()
    qtbot.waitUntil(lambda: "same recording is on both sides" in page.notice.text, timeout=20_000)
    assert page.compared is None


def test_a_damaged_file_is_a_sentence(page: ComparePage, qtbot, tmp_path: Path):
    torn = tmp_path / "torn.parquet"
    torn.write_bytes(b"no recording")
    page.set_sides([DRIVES[0]], [torn])
    page.compare()
    qtbot.waitUntil(lambda: "torn.parquet" in page.notice.text, timeout=20_000)
    assert page.sides.isVisible()
    assert not page.work.cancel_button.isVisible()


def test_a_few_seconds_give_no_number(page: ComparePage, qtbot, tmp_path: Path):
    short = changed(DRIVES[1], tmp_path / "short.parquet", keep=first_seconds(5.0))
    compare(page, qtbot, DRIVES[0], short)
    assert "not have enough in common" in page.results.summary.text()
    model = page.results.signals.model_
    assert {r.verdict for r in model.rows} == {SignalVerdict.NOT_COMPARABLE}
    assert all(model.index(r, 1).data() == "" for r in range(model.rowCount()))
    assert all(c.difference is None for c in page.results.grid.cells)
    page.results.show_tab(SIGNALS)
    page.results.step(1)
    assert "never warm" in page.results.detail.toPlainText()
    qtbot.waitUntil(lambda: not page._services.runner.busy, timeout=20_000)


def test_without_a_load_the_page_says_what_to_record(page: ComparePage, qtbot, tmp_path: Path):
    loads = ("MAP", "LOAD_ABS", "LOAD_PCT", "MAF")
    bare = changed(
        DRIVES[1],
        tmp_path / "bare.parquet",
        keep=lambda t: None if t.signal in loads else t,
    )
    compare(page, qtbot, DRIVES[0], bare)
    assert page.results.grid.cells == []
    assert "one of MAP, LOAD_ABS" in page.results.drive_said.text()
    assert not page.results.to_drive.isVisible()
    page.results.grid.setFocus()
    qtbot.keyClick(page.results.grid.table, Qt.Key.Key_Right)  # nowhere to go
    assert page.results.grid.current is None
    qtbot.waitUntil(lambda: not page._services.runner.busy, timeout=20_000)


def test_several_recordings_of_a_side(page: ComparePage, qtbot, tmp_path: Path):
    half = changed(DRIVES[1], tmp_path / "half.parquet", keep=first_seconds(900.0))
    page.set_sides([DRIVES[0]], [DRIVES[1], half])
    page.compare()
    overlay = page.results.overlay
    qtbot.waitUntil(lambda: overlay.laid is not None, timeout=40_000)
    assert "shown when each side is one recording" in page.results.detail.toPlainText()
    box = overlay.file_boxes[AFTER]
    assert box.isVisible()
    assert not overlay.file_boxes[BEFORE].isVisible()
    idle = min(page.results.grid.cells, key=lambda c: c.key.rpm_index)
    page.results.grid.choose(idle)
    whole = overlay.rows.spans[AFTER]
    box.setCurrentIndex(1)
    box.activated.emit(1)
    qtbot.waitUntil(lambda: overlay.laid.wish.recordings == (0, 1), timeout=20_000)
    assert 0 < len(overlay.rows.spans[AFTER]) < len(whole)  # of the half drive
    after = overlay.stack.strips[1].traces[1].pyramid
    assert after.end_ns < overlay.stack.strips[1].traces[0].pyramid.end_ns
