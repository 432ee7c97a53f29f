"""Pictures of all drives on the Archive page: over what is listed, each press names drives."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.compute as pc
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QGuiApplication

from logbench.app.archive.behind import BehindModel, BehindPanel
from logbench.app.archive.body import PICTURES
from logbench.app.archive.page import ArchivePage
from logbench.app.window import MainWindow
from logbench.archive.archive import Archive
from logbench.archive.find import Filter
from logbench.archive.overview import Judged, Row
from logbench.archive.pictures import WarmUpCurves, python_of_picture, sql_of_picture
from logbench.archive.sweep import sweep_checks
from logbench.signals.units import Units
from tests.app.geometry import faults, settle
from tests.archive.conftest import make
from tests.archive.test_pictures import IDLE, JOB

VAN = ["job/after.parquet", "van/0.parquet", "van/1.parquet", "van/2.parquet"]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive that has been checked, and its cache beside it."""
    folder = tmp_path_factory.mktemp("pictures")
    for k in range(3):
        make(folder / f"a/van/{k}.parquet", started=f"2026-01-{k + 1:02d}T10:00:00Z", trim=5 + k)
    make(folder / "a/coupe.parquet", car="coupe", liters=1.78, trim=3.0)
    make(folder / "a/job/after.parquet", started="2026-02-20T11:00:00Z", trim=0.0)
    make(folder / "a/wagon.parquet", car="wagon", liters=1.82, ect=70.0, trim=2.0)
    (folder / "a/job/job.toml").write_text(JOB)
    make(folder / "other/x.parquet", car="truck")
    sweep_checks(Archive(folder / "a", folder / "cache"), processes=1, only=["fuel_trim"])
    return folder


@pytest.fixture
def page(window: MainWindow, place: Path, qtbot) -> Iterator[ArchivePage]:
    made = ArchivePage(window.services, place / "cache", place / "memory")
    made.processes = 1
    made.choice.review_wanted.connect(lambda path: window.pages.open_recordings([path]))
    window.pages.put("archive", made)
    window.pages.show_page("archive")
    made.open_place(str(place / "a"))
    until(qtbot, lambda: made.listed is not None)
    made.body.tabs.setCurrentIndex(PICTURES)
    until(qtbot, lambda: drawn(made))
    return made


def until(qtbot, true: Callable[[], object]) -> None:
    qtbot.waitUntil(true, timeout=60_000)


def drawn(page: ArchivePage) -> bool:
    idle = not page._services.runner.busy and not page._soon.isActive() and not page.work.busy
    return idle and page.body.pictures.shown_picture is not None


def show(page: ArchivePage, kind: str, qtbot) -> None:
    panel = page.body.pictures
    for box, wanted in ((panel.kind, kind), (panel.number, IDLE), (panel.car, "van")):
        box.setCurrentIndex(box.findData(wanted))
    panel.kind.activated.emit(0)
    until(qtbot, lambda: drawn(page))


def test_curves_follow_the_filters_and_a_press_opens_the_drive(page, window, qtbot):
    panel = page.body.pictures
    show(page, "warm_up", qtbot)
    made = panel.plot.drawing
    assert {mark.drives[0] for mark in made.marks} == {*VAN, "coupe.parquet", "wagon.parquet"}
    assert sum(made.front) == 4
    assert set(made.y) == {70.0, 90.0}
    page._services.look.set_units(Units(us=True))
    until(qtbot, lambda: drawn(page))
    assert set(panel.plot.drawing.y) == {158.0, 194.0}
    place = next(i for i, mark in enumerate(made.marks) if mark.drives == ("wagon.parquet",))
    x, y = panel.plot._pixels(panel.plot.drawing.x, panel.plot.drawing.y)
    at = np.flatnonzero(panel.plot.drawing.which == place)[20]
    point = panel.plot.rect().topLeft() + type(panel.plot.pos())(round(x[at]), round(y[at]))
    qtbot.mouseClick(panel.plot, Qt.MouseButton.LeftButton, pos=point)
    assert panel.behind.drives == ["wagon.parquet"]
    assert [row.recording for row in page.body.table.chosen()] == ["wagon.parquet"]
    assert "wagon" in panel.at.whole
    page.body.facets.words.setText("van")
    until(qtbot, lambda: drawn(page) and len(page.body.model.rows) == 4)
    assert {mark.drives[0] for mark in panel.plot.drawing.marks} == set(VAN)
    panel.plot.point_at(0)
    qtbot.keyClick(panel.plot, Qt.Key.Key_Return)
    panel.behind.table.activated.emit(panel.behind.table.currentIndex())
    until(qtbot, lambda: window.pages.currentWidget() is not page)


def test_cells_cars_and_lines_name_the_drives_behind_them(page, qtbot):
    panel = page.body.pictures
    show(page, "map_1", qtbot)
    (key,) = panel.map._items
    panel.map.choose(key)
    assert sorted(panel.behind.drives) == ["coupe.parquet", *VAN]  # the wagon is not warm
    assert panel.behind.model.index(0, 2).data() == "+0.0 %"  # furthest from the median
    assert "5 drives" in panel.map.currentItem().toolTip()
    show(page, "kind", qtbot)
    assert "1 other car" in panel.said.whole
    marks = [mark.drives for mark in panel.plot.drawing.marks]
    assert marks == [("coupe.parquet",), *((name,) for name in VAN)]
    assert "coupe: " in panel.plot.drawing.marks[0].said()
    show(page, "by_date", qtbot)
    assert sum(panel.plot.drawing.front) == 4 < len(panel.plot.drawing.front) == 5
    assert "95 % of this car's drives give" in panel.said.whole
    show(page, "years", qtbot)
    made = panel.plot.drawing
    assert list(made.flags.values()) == ["1"]  # one day
    assert panel.behind.model.index(1, 0).data() == "1  work"
    panel.plot.point_at(len(made.marks) - 1)
    assert "Sealed the intake" in panel.at.whole
    qtbot.keyClick(panel.plot, Qt.Key.Key_Return)
    assert panel.behind.drives == ["job/after.parquet"]


def test_code_is_copied_of_what_is_drawn(page, place, qtbot):
    page.body.facets.words.setText("van")
    until(qtbot, lambda: drawn(page) and len(page.body.model.rows) == 4)
    show(page, "warm_up", qtbot)
    wanted, chosen = WarmUpCurves("van"), Filter(words="van")
    listed = [row.recording for row in page.listed.rows]
    python, sql = page.body.pictures.copies
    qtbot.mouseClick(python, Qt.MouseButton.LeftButton)
    text = python_of_picture(wanted, str(place / "a"), chosen, listed)
    assert QGuiApplication.clipboard().text() == text
    qtbot.mouseClick(sql, Qt.MouseButton.LeftButton)
    assert QGuiApplication.clipboard().text() == sql_of_picture(wanted, chosen, listed)


def test_nothing_of_another_archive_is_left_and_work_can_be_stopped(
    page, place, qtbot, monkeypatch
):
    panel = page.body.pictures
    page.open_place(str(place / "other"))
    until(qtbot, lambda: page.title.whole == "other")
    assert panel.shown_picture is None
    page.body.tabs.setCurrentIndex(PICTURES)
    until(qtbot, lambda: drawn(page))
    assert [mark.drives for mark in panel.plot.drawing.marks] == [("x.parquet",)]
    go_on = threading.Event()

    def slow(archive, picture, drives, progress, processes):
        progress("samples", 1, 2)
        go_on.wait(60)
        progress("samples", 2, 2)

    monkeypatch.setattr("logbench.archive.picture_rows.numbers_of_picture", slow)
    panel.kind.activated.emit(0)
    until(qtbot, lambda: "Read 1 of 2" in panel.work.doing.whole)
    assert panel.work.isVisible()
    page.stop()
    assert not panel.work.busy
    assert "Stopped" in panel.said.whole
    go_on.set()
    panel.kind.setCurrentIndex(panel.kind.findData("years"))
    panel.kind.activated.emit(0)
    assert "run the checks first" in panel.said.whole


def test_a_picture_without_drives_is_empty_and_says_why(page, place, qtbot):
    """It kept the axes of the picture before."""
    panel = page.body.pictures
    show(page, "kind", qtbot)
    numbers = panel._numbers
    assert numbers is not None
    show(page, "by_date", qtbot)
    dated = panel._numbers
    assert dated is not None
    panel.show_numbers(replace(dated, table=dated.table.slice(0, 0)))
    assert panel.said.whole == "5 drives. 5 of them have no date and are not drawn."
    assert panel.plot.graph._titles == ("", "")
    alone = numbers.table.filter(pc.field("this_car"))
    panel.show_numbers(replace(numbers, table=alone))
    assert panel.said.whole.startswith("0 other cars")
    assert panel.plot.graph._titles[1]


def test_of_thousands_of_drives_behind_a_press_only_those_seen_are_written(qtbot, monkeypatch):
    """A row each was made, and measured for the width of its column: 0.1 s for 500."""
    written: set[str] = set()
    text = BehindModel.text

    def counted(self, row, column):
        written.add(row.recording)
        return text(self, row, column)

    monkeypatch.setattr(BehindModel, "text", counted)
    panel = BehindPanel()
    qtbot.addWidget(panel)
    panel.resize(300, 400)
    panel.show()
    names = [f"{n}.parquet" for n in range(3000)]
    panel.show_drives("idle", [(name, "+1.0 %") for name in names], {})
    qtbot.waitUntil(lambda: names[0] in written)
    panel.table.grab()
    assert panel.drives == names
    assert len(written) < 60


def test_a_filter_that_is_typed_is_answered_before_the_search_begins(page, qtbot):
    """Nothing was seen to happen until all was listed: 0.5 s with 3,000 drives."""
    counted = page.counts.text()
    page.body.facets.words.setText("van")
    assert not page._services.runner.busy
    assert page.counts.text() == "Searching"
    until(qtbot, lambda: len(page.body.model.rows) == 4)
    assert page.counts.text() != "Searching"
    page.body.facets.condition.setText("ECT belo")
    until(qtbot, lambda: page.body.facets.trouble.isVisibleTo(page))
    assert page.counts.text().startswith("4 of ")
    page.body.facets.clear()
    until(qtbot, lambda: drawn(page) and page.counts.text() == counted)


def test_a_small_window_of_the_roadside_look_shows_the_picture(page, window, qtbot):
    """It began below the window's lower end; the list is on the other tabs."""
    body, panel = page.body, page.body.pictures
    show(page, "map_1", qtbot)
    window.resize(1400, 900)
    qtbot.waitUntil(body.upper.isVisible)
    window.services.look.choose("roadside")
    window.resize(1024, 640)
    qtbot.waitUntil(lambda: not body.upper.isVisible() and window.width() == 1024)
    qtbot.waitUntil(lambda: panel.map.visibleRegion().boundingRect().height() >= 150)
    body.to_list()
    assert body.table.isVisible()
    body.tabs.setCurrentIndex(PICTURES)
    assert not body.upper.isVisible()
    window.services.look.choose("light")
    window.resize(1400, 900)
    qtbot.waitUntil(body.upper.isVisible)


def test_filters_first_seen_in_a_small_window_of_the_roadside_look_are_whole(window, place, qtbot):
    """They were laid out for the room of another look: labels lay on fields, choices were cut."""
    window.services.look.choose("roadside")
    window.resize(1024, 640)
    made = ArchivePage(window.services, place / "cache", place / "memory")
    window.pages.put("archive", made)
    window.pages.show_page("archive")
    settle()
    made.open_place(str(place / "a"))
    until(qtbot, lambda: made.listed is not None)
    settle()
    facets = made.body.facets
    assert facets.layout().geometry() == facets.contentsRect()
    for box in (facets.engine, facets.verdict, facets.check):
        assert box.width() >= box.minimumSizeHint().width()
    assert not faults(window, window.services.look.target_px)
    window.services.look.choose("light")


def test_drives_without_a_date_are_told_apart_by_their_files(qtbot):
    panel = BehindPanel()
    qtbot.addWidget(panel)
    names = ("in/a.parquet", "in/b.parquet")
    cars = {n: Row({"recording": n, "car": "wagon", "started": ""}, (), Judged()) for n in names}
    panel.show_drives("idle", [(n, "+1.0 %") for n in names], cars)
    assert [panel.model.index(k, 0).data() for k in (0, 1)] == ["a  wagon", "b  wagon"]
