"""The Job page and the car: leak test, closing the window in the midst, codes looked up."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtCore import QPoint, Qt, QUrl
from PySide6.QtGui import QDesktopServices
from PySide6.QtWidgets import QDoubleSpinBox, QLabel
from pytestqt.qtbot import QtBot

from logbench.app.few_values import FewValues
from logbench.app.job.car_actions import GuardDialog
from logbench.app.job.page import RECORDS, TIMELINE, JobPage
from logbench.app.job.reading_tree import MARGIN_COLUMN, MARGIN_ROLE, ReadingTree
from logbench.app.job.records import SearchPageDialog
from logbench.app.theme import LIGHT, Look
from logbench.app.window import MainWindow
from logbench.cases.settings import Settings
from logbench.job.folder import open_job
from logbench.simulator.model import WARM_IDLE
from logbench.simulator.timing import Timing
from logbench.vehicle.gate import CONSENT
from logbench.vehicle.records.clearing import EVAP_CAUTIONS
from logbench.vehicle.records.codes import code_of
from logbench.vehicle.records.model import (
    CarReading,
    FreezeFrame,
    FrozenValue,
    InUse,
    MonitorResult,
    MonitorState,
    MonitorUse,
    Readiness,
)
from tests.app.jobs import new_job, on_disk, words_of
from tests.serving import serve_tcp
from tests.still import StillCar

SLOW_MS = 100_000
QUICK = Timing(baud=0, latency_ms=1.0, command_ms=0.5, reset_ms=20.0)
STANDING = {**WARM_IDLE, "RPM": 0.0, "VSS": 0.0}


def standing(**how) -> StillCar:
    return StillCar(values=dict(STANDING), stored=("P0171",), permanent=("P0171",), **how)


@pytest.fixture
def page(window: MainWindow, tmp_path: Path) -> JobPage:
    window.pages.show_page("job")
    window.pages.job.opening.make(tmp_path, "Rough idle")
    assert window.pages.job.opened is not None
    window.pages.job.tabs.records.car.ask = agree
    window.pages.job.tabs.show_part(RECORDS)
    return window.pages.job


def agree(dialog: GuardDialog) -> bool:
    dialog.tick.setChecked(True)
    dialog.words.setText(CONSENT)
    return dialog.go.isEnabled()


# --- the leak test ---


def test_the_standards_leak_test_is_started_and_recorded(page: JobPage, qtbot: QtBot):
    shown: list[str] = []

    def look_and_agree(dialog: GuardDialog) -> bool:
        shown.append(" ".join(label.text() for label in dialog.findChildren(QLabel)))
        return agree(dialog)

    page.tabs.records.car.ask = look_and_agree
    car = standing(controls={"7E8": frozenset({0x01, 0x05})})
    with serve_tcp(car, timing=QUICK) as url:
        page.tabs.records.link.choose(url)
        qtbot.mouseClick(page.tabs.records.evap_button, Qt.MouseButton.LeftButton)
        qtbot.waitUntil(lambda: bool(page.notice.text), timeout=SLOW_MS)
    assert car.started == [("7E8", 0x01)]
    assert "7E8 closed the evaporative system." in page.notice.text
    assert all(caution in shown[0] for caution in EVAP_CAUTIONS)
    assert "7E8 test 05, maker's own: not run (shown only, never run)" in shown[0]
    job = on_disk(page)
    assert [(event.kind, event.text) for event in job.events] == [
        ("evaporative system closed", "7E8 closed the evaporative system.")
    ]
    assert [entry.role for entry in job.readings] == ["other"]  # read and saved first
    page.tabs.show_part(TIMELINE)
    timeline = page.tabs.timeline
    qtbot.waitUntil(lambda: "evaporative" in words_of(timeline), timeout=SLOW_MS)
    words = words_of(timeline)
    for part in (
        f"Consent given {CONSENT}", "engine speed 0 rpm, road speed 0 km/h", "Sent, once 08 01",
        "on the wire 30 38 30 31 30 30 30 30 30 30 30 30 30 30 0D",
        "7E8 48 01 00 00 00 00 00 (done)",
    ):  # fmt: skip
        assert part in words, words


def test_no_leak_test_without_consent_or_without_the_control(page: JobPage, qtbot: QtBot):
    page.tabs.records.car.ask = lambda dialog: False
    car = standing(controls={"7E8": frozenset({0x01})})
    with serve_tcp(car, timing=QUICK) as url:
        page.tabs.records.link.choose(url)
        page.tabs.records.evap_button.click()
        qtbot.waitUntil(lambda: not page.tabs.records.car.busy, timeout=SLOW_MS)
    assert car.started == []
    assert on_disk(page).events == []
    page.tabs.records.car.ask = lambda dialog: pytest.fail("there is nothing to ask")
    with serve_tcp(standing(), timing=QUICK) as url:
        page.tabs.records.link.choose(url)
        page.tabs.records.evap_button.click()
        qtbot.waitUntil(lambda: bool(page.notice.text), timeout=SLOW_MS)
    assert "offers no control to start" in page.notice.text


# --- leaving in the midst ---


def test_closing_the_window_in_the_midst_of_clearing_loses_nothing(
    window: MainWindow, page: JobPage, qtbot: QtBot
):
    assert page.opened is not None
    path = page.opened.folder.path
    steps: list[str] = []

    def close_at() -> None:
        steps.append(page.work_bar.doing.whole)
        if len(steps) > 5 and steps[-1] == "Clearing the codes":
            window.close()

    window.services.runner.changed.append(close_at)
    car = standing()
    with serve_tcp(car, timing=QUICK) as url:
        page.tabs.records.link.choose(url)
        page.tabs.records.clear_button.click()
        assert not page.work_bar.cancel_button.isVisible()
        page.work_bar.cancel()  # what has begun to change a car is seen through
        assert page.tabs.records.car.busy
        qtbot.waitUntil(lambda: not window.isVisible(), timeout=SLOW_MS)
    assert "Clearing the codes" in steps
    assert car.codes(0x03) == ()
    folder, job = open_job(path)
    assert [event.kind for event in job.events] == ["codes cleared"]
    before, after = (folder.reading(entry) for entry in job.readings)
    assert [code.code for code in before.codes_in("stored")] == ["P0171"]
    assert after.codes_in("stored") == []


def test_a_reading_is_canceled_and_what_is_whole_is_kept(page: JobPage, qtbot: QtBot):
    with serve_tcp(standing(), timing=QUICK) as url:
        page.tabs.records.link.choose(url)
        page.tabs.records.read_button.click()
        assert page.work_bar.cancel_button.isVisible()
        qtbot.mouseClick(page.work_bar.cancel_button, Qt.MouseButton.LeftButton)
        assert not page.tabs.records.car.busy
        qtbot.waitUntil(lambda: not page._services.runner.busy, timeout=SLOW_MS)
        assert page.tabs.records.read_button.isEnabled()
        page.tabs.records.read_button.click()
        qtbot.waitUntil(lambda: not page.tabs.records.car.busy, timeout=SLOW_MS)
    assert [entry.role for entry in on_disk(page).readings] == ["before"]


# --- a code looked up on the web ---


@pytest.fixture
def browser(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """What would have been opened; there is no browser in a test."""
    opened: list[str] = []

    def open_url(url: QUrl) -> bool:
        opened.append(url.toString(QUrl.ComponentFormattingOption.FullyEncoded))
        return "closed.example" not in opened[-1]

    monkeypatch.setattr(QDesktopServices, "openUrl", open_url)
    return opened


def choose_code(page: JobPage, qtbot: QtBot) -> None:
    assert page.opened is not None
    folder = page.opened.folder
    reading = CarReading(
        read_utc="2026-03-01T10:00:00+00:00",
        complete=True,
        codes=[code_of("P0171", "stored", "7E8")],
        answered={"stored codes": ["7E8"]},
    )
    page.opened.edit(lambda job: folder.add_reading(job, reading, "before"))
    tree = page.tabs.records.tree
    qtbot.waitUntil(lambda: "P0171" in words_of(tree), timeout=SLOW_MS)
    assert not page.tabs.records.lookup_button.isEnabled()
    (item,) = tree.findItems("P0171", Qt.MatchFlag.MatchStartsWith | Qt.MatchFlag.MatchRecursive)
    tree.setCurrentItem(item)
    assert page.tabs.records.lookup_button.isEnabled()


def test_a_code_is_looked_up_with_code_year_and_make_only(
    page: JobPage, qtbot: QtBot, browser: list[str], settings: Settings
):
    choose_code(page, qtbot)
    assert page.opened is not None
    vehicle = page.opened.job.vehicle
    vehicle.make, vehicle.year, vehicle.vin = "Example & Co", 2016, "ZZ9TEST170X000001"
    page.opened.job.customer.name = "Ada Example"
    shown: list[SearchPageDialog] = []

    def set_it(dialog: SearchPageDialog) -> bool:
        shown.append(dialog)
        assert "No search page is set yet." in dialog.findChildren(QLabel)[0].text()
        assert not dialog.go.isEnabled()
        dialog.address.setText("http://search.example/?q={words}")
        assert "https://" in dialog.said.text()
        assert not dialog.go.isEnabled()
        dialog.address.setText("https://search.example/?q={words}")
        assert "Opened for 'P0171 2016 Example & Co'" in dialog.said.text()
        return dialog.go.isEnabled()

    page.tabs.records.lookup.ask = lambda dialog: False
    page.tabs.records.lookup_button.click()
    assert browser == []  # left without an address: nothing is opened
    page.tabs.records.lookup.ask = set_it
    page.tabs.records.lookup_button.click()
    page.tabs.records.lookup_button.click()
    assert browser == ["https://search.example/?q=P0171+2016+Example+%26+Co"] * 2
    assert len(shown) == 1  # the address is remembered
    assert page._services.settings.search_page == "https://search.example/?q={words}"


def test_another_search_page_and_no_browser(page: JobPage, qtbot: QtBot, browser: list[str]):
    choose_code(page, qtbot)

    def set_it(dialog: SearchPageDialog) -> bool:
        dialog.address.setText("https://closed.example/{words}")
        return True

    page.tabs.records.lookup.ask = set_it
    page.tabs.records.search_button.click()
    assert browser == []
    page.tabs.records.lookup_button.click()
    assert "No browser could be opened" in page.notice.text
    assert "https://closed.example/P0171" in page.notice.text


# --- how records are shown ---


def test_the_last_rows_of_the_story_stand_in_line(window: MainWindow, tmp_path: Path):
    page = new_job(window, tmp_path / "job")
    story = page.tabs.story
    edges: dict[type, set[int]] = {}
    for path, field in story.widgets.items():
        if path.startswith("vehicle.") and isinstance(field, FewValues | QDoubleSpinBox):
            at = field.mapTo(story, QPoint(0, 0)).x()
            edges.setdefault(type(field), set()).add(at)
    assert all(len(found) == 2 for found in edges.values()), edges


def test_distances_are_shown_and_taken_in_the_units_chosen(
    page: JobPage, window: MainWindow, qtbot
):
    """A mile is 1.609344 km exactly (international yard and pound agreement)."""
    assert page.opened is not None
    folder = page.opened.folder
    told = CarReading(
        read_utc="2026-03-01T10:00:00+00:00",
        complete=True,
        odometer_km=160_934.4,
        readiness=[
            Readiness(
                ecu="7E8",
                lamp_on=True,
                cleared_distance_km=16.09344,
                monitors=[MonitorState(key="CAT", name="Catalyst", complete=True)],
            )
        ],
        freeze_frames=[
            FreezeFrame(
                ecu="7E8",
                number=0,
                values=[
                    FrozenValue(
                        signal="ECT", name="Coolant", value=88.0, unit="degC", text="88 degC"
                    ),
                    FrozenValue(signal="FUELSYS1", name="Loop", value=2.0, text="closed loop"),
                ],
            )
        ],
    )
    page.opened.edit(lambda job: folder.add_reading(job, told, "before"))
    tree, box = page.tabs.records.tree, page.tabs.story.widgets["vehicle.odometer_km"]
    qtbot.waitUntil(lambda: "Odometer 160,934 km" in words_of(tree), timeout=SLOW_MS)
    assert (box.value(), box.suffix()) == (160_934, " km")
    assert "Coolant 88 °C" in words_of(tree)  # with its signal's decimals, in the trade's unit
    heads = [tree.topLevelItem(n).text(0) for n in range(tree.topLevelItemCount())]
    assert any(head.startswith("■ Lamp on.") for head in heads)  # whatever is folded up
    window.services.look.choose_units(True)
    assert (box.value(), box.suffix()) == (100_000, " mi")
    for part in (
        "Odometer 100,000 mi",
        "since clearing 10 mi",
        "Coolant 190 °F",
        "Loop closed loop",
    ):
        assert part in words_of(tree), part
    assert on_disk(page).vehicle.odometer_km == 160_934.4  # shown otherwise, not changed
    box.setValue(100_010)
    assert on_disk(page).vehicle.odometer_km == pytest.approx(100_010 * 1.609344)
    window.services.look.choose_units(False)
    assert box.value() == pytest.approx(160_950, abs=1)
    assert "Odometer 160,934 km" in words_of(tree)


def test_margin_bars_are_drawn_on_the_side_of_the_limit(qtbot):
    tree = ReadingTree(Look("light"))
    qtbot.addWidget(tree)
    tree.resize(900, 400)
    results = [
        MonitorResult(ecu="7E8", test_id=1, monitor="Catalyst", passed=True, margin=0.8),
        MonitorResult(ecu="7E8", test_id=2, monitor="Catalyst", passed=False, margin=-0.8),
    ]
    tree.show_reading(CarReading(monitor_results=results))
    tree.show()
    section = next(
        tree.topLevelItem(n)
        for n in range(tree.topLevelItemCount())
        if tree.topLevelItem(n).text(0).startswith("Monitor results: 2, 1 failed")
    )
    picture = tree.viewport().grab().toImage()
    ratio = picture.devicePixelRatio()
    seen = []
    for number in range(2):
        row = section.child(number)
        assert row.data(MARGIN_COLUMN, MARGIN_ROLE) == results[number].margin
        room = tree.visualRect(tree.indexFromItem(row, MARGIN_COLUMN))
        at = [room.left() + round(room.width() * share) for share in (0.3, 0.7)]
        y = room.center().y()
        colors = [picture.pixelColor(round(x * ratio), round(y * ratio)).name() for x in at]
        seen.append(colors)
    ground = LIGHT.line.lower()
    assert seen[0][0] == ground != seen[0][1]
    assert seen[1][1] == ground != seen[1][0]


def test_the_cylinder_that_the_misfire_counts_name_stands_above_them(qtbot):
    tree = ReadingTree(Look("light"))
    qtbot.addWidget(tree)
    counts = [
        MonitorResult(ecu="7E8", monitor_id=0xA2 + k, test_id=0x0C, value=n)
        for k, n in enumerate((1.0, 312.0, 0.0))
    ]
    tree.show_reading(CarReading(monitor_results=counts))
    texts = [
        tree.topLevelItem(n).child(0).text(0)
        for n in range(tree.topLevelItemCount())
        if tree.topLevelItem(n).text(0).startswith("Monitor results")
    ]
    assert len(texts) == 1
    assert "cylinder 2 missed 312 times" in texts[0]


def test_how_often_monitors_run_and_constants_are_shown_as_what_they_are(qtbot):
    tree = ReadingTree(Look("light"))
    qtbot.addWidget(tree)
    uses = [MonitorUse(monitor="Catalyst, bank 1", ran=90, of=120)]
    uses += [MonitorUse(monitor="EGR and/or VVT system", ran=0, of=0)]
    used = InUse(ecu="7E8", encountered=120, ignition_cycles=400, monitors=uses)
    constant = MonitorResult(ecu="10", test_id=1, monitor="Sensor", value=0.45, unit="V")
    tree.show_reading(CarReading(in_use=[used], monitor_results=[constant]))
    shown = words_of(tree)
    assert "How often the monitors of 7E8 run: 120 driving cycles counted" in shown
    assert "Catalyst, bank 1 90 of 120, 0.75" in shown
    assert "EGR" not in shown  # no driving cycle counted for it
    assert "0.45 V no limits" in shown
