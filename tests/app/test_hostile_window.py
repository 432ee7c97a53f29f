"""Every page with files, a job, an archive and a car that hold hostile text: nothing of it is taken
for markup, nothing is loaded, nothing steers, and the window keeps its size."""

from __future__ import annotations

from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest
from PySide6.QtCore import QAbstractItemModel, QAbstractListModel, QModelIndex, Qt
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QComboBox,
    QHeaderView,
    QLabel,
    QTabBar,
    QTextBrowser,
    QWidget,
)

from logbench.app.plain import Page, RichLabel
from logbench.app.window import MainWindow
from logbench.capture.messages import CarChanged, Failed, Step
from logbench.car.model import Car
from logbench.foreign import Foreign
from logbench.recording.model import Event
from logbench.vehicle.model import CarFacts
from tests.hostile import (
    HOSTILE,
    HOSTILE_IDS,
    PROBE,
    assert_plain,
    job_with,
    recording_with,
    table_with,
)

SLOW_MS = 100_000
TAGS = {"span", "br"}
"""Of a tool tip: `plain_tip` makes no other."""
ROLES = (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.ToolTipRole)
every_text = pytest.mark.parametrize("text", HOSTILE, ids=HOSTILE_IDS)


class Tags(HTMLParser):
    """The elements of a text."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: set[str] = set()
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.found.add(tag)


def assert_tip(tip: str) -> None:
    """A tool tip that shows text only."""
    if "<" in tip:
        assert Tags(tip).found <= TAGS, tip[:300]
    assert_plain(tip, lines=True)


def items_of(model: QAbstractItemModel, parent: QModelIndex) -> Iterator[QModelIndex]:
    """Every item, those below others, too."""
    for row in range(min(model.rowCount(parent), 50)):
        flat = isinstance(model, QAbstractListModel)
        for column in range(1 if flat else model.columnCount(parent)):
            yield model.index(row, column, parent)
        yield from items_of(model, model.index(row, 0, parent))


def look_through(root: QWidget) -> int:
    """All that a widget and its children show; the number of texts."""
    seen = 0
    for widget in (root, *root.findChildren(QWidget)):
        assert_tip(widget.toolTip())
        assert_plain(widget.accessibleName(), lines=True)
        if isinstance(widget, QLabel) and widget.window() is root.window():
            plain = widget.textFormat() == Qt.TextFormat.PlainText
            assert plain or isinstance(widget, RichLabel) or not widget.text(), widget.text()
            assert_plain(widget.text(), lines=True)
            seen += bool(widget.text())
        if isinstance(widget, QAbstractButton):
            assert_plain(widget.text())
        if isinstance(widget, QComboBox):
            [assert_plain(widget.itemText(n)) for n in range(widget.count())]
        if isinstance(widget, QTabBar):
            [assert_plain(widget.tabText(n)) for n in range(widget.count())]
        if isinstance(widget, QTextBrowser):
            assert isinstance(widget, Page)
            assert_page(widget)
        if isinstance(widget, QAbstractItemView) and not isinstance(widget, QHeaderView):
            seen += look_at_items(widget)
    return seen


def assert_page(page: Page) -> None:
    """No picture and no link is in it."""
    block = page.document().begin()
    while block.isValid():
        for piece in block.textFormats():
            assert not piece.format.isAnchor()
            assert not piece.format.isImageFormat()
        block = block.next()


def look_at_items(view: QAbstractItemView) -> int:
    seen, model = 0, view.model()
    if model is None:
        return 0
    for column in range(0 if isinstance(model, QAbstractListModel) else model.columnCount()):
        title = model.headerData(column, Qt.Orientation.Horizontal)
        assert_plain(str(title or ""), lines=True)
    for index in items_of(model, QModelIndex()):
        shown, tip = (index.data(role) for role in ROLES)
        if isinstance(shown, str):
            assert_plain(shown, lines=True)
            seen += bool(shown)
        if isinstance(tip, str):
            assert_tip(tip)
    return seen


@pytest.fixture(autouse=True)
def nothing_is_loaded(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """No page asks for anything."""
    asked: list[object] = []
    monkeypatch.setattr(Page, "loadResource", lambda _, kind, name: asked.append(name))
    yield
    assert asked == []


def settle(window: MainWindow, qtbot) -> None:
    """Until nothing runs and nothing is about to."""
    qtbot.wait(250)
    qtbot.waitUntil(lambda: not window.services.runner.busy, timeout=SLOW_MS)
    qtbot.wait(50)


@every_text
def test_a_recording_on_review_and_compare(window: MainWindow, qtbot, text: str, tmp_path: Path):
    before, after = (recording_with(tmp_path / f"{n}.parquet", text) for n in "ab")
    least = window.minimumSizeHint()
    pages = window.pages
    pages.open_recordings([before])
    qtbot.waitUntil(lambda: pages.review.opened is not None, timeout=SLOW_MS)
    qtbot.waitUntil(lambda: bool(pages.review.findings.findings), timeout=SLOW_MS)
    pages.review.findings.list.setCurrentItem(pages.review.findings.list.topLevelItem(0))
    assert look_through(pages.review) > 20
    pages.compare_recordings([before], [after])
    settle(window, qtbot)
    assert look_through(pages.compare) > 10
    assert window.minimumSizeHint().width() <= max(least.width(), 1100)


@every_text
def test_a_job(window: MainWindow, qtbot, text: str, tmp_path: Path):
    window.pages.show_page("job")
    job = window.pages.job
    assert job.open_path(job_with(tmp_path, text))
    for part in range(job.tabs.count()):
        job.tabs.setCurrentIndex(part)
        qtbot.wait(50)
    assert look_through(job) > 20
    assert window.minimumSizeHint().width() <= 1100


@every_text
def test_an_archive(window: MainWindow, qtbot, text: str, tmp_path: Path):
    place = tmp_path / "archive"
    place.mkdir()
    recording_with(place / "a.parquet", text)
    (place / "b.parquet").write_text("no recording")
    window.pages.show_page("archive")
    page = window.pages.archive
    page.open_place(str(place))
    settle(window, qtbot)
    assert page.body.model.rowCount() == 1
    page.body.table.selectRow(0)
    settle(window, qtbot)
    assert look_through(page) > 10
    assert window.minimumSizeHint().width() <= 1100


@every_text
def test_a_car_and_its_adapter(window: MainWindow, garage, qtbot, text: str):
    live = window.pages.live
    live.choose_link("sim:")
    live.box.connect_.click()
    qtbot.waitUntil(lambda: bool(garage.captures), timeout=SLOW_MS)
    told = Foreign(text)
    capture = garage.last
    car = Car.model_validate({"label": text[:300], "identity": {"vin": text, "protocol": text}})
    capture.find_car("RPM", "ECT", vehicle=car, instead=text)
    capture.drive("RPM", "ECT")
    capture.inbox += [
        Step(f"Setting up the adapter ({told!r})"),
        Event(t_ns=10**9, kind="marker", text=text),
        Event(t_ns=10**9, kind=text, text=text),
    ]
    qtbot.wait(400)
    assert look_through(live) > 10
    capture.inbox += [CarChanged(text, None), Failed(text, "LinkLostError")]
    qtbot.wait(400)
    assert look_through(live) > 10
    assert window.minimumSizeHint().width() <= 1100
    assert PROBE not in live.notice.text or "<" in live.notice.text
    assert CarFacts(vin=text).identity.vin == Foreign(car.identity.vin)


@every_text
def test_another_programs_file(window: MainWindow, qtbot, text: str, tmp_path: Path):
    window.importing.take([table_with(tmp_path / "log.csv", text)], lambda _: None)

    def dialogs() -> list[QWidget]:
        return [w for w in window.findChildren(QWidget) if w.isWindow() and w.isVisible()]

    refused = window.importing.notice
    qtbot.waitUntil(lambda: bool(dialogs()) or not refused.isHidden(), timeout=SLOW_MS)
    settle(window, qtbot)
    for dialog in dialogs():
        look_through(dialog)
        dialog.close()
    look_through(window)
