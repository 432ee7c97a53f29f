"""Theme, size of texts, and a unit for each quantity; outside check of the further units: pint."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pint
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QColor
from PySide6.QtWidgets import QApplication

from logbench.analysis.bands import load_bands
from logbench.analysis.expression.checked import condition
from logbench.analysis.findings import Explanation, Measured, Subject, number_text
from logbench.analysis.model import Condition, Finding, Verdict
from logbench.analysis.run import CheckEvidence
from logbench.analysis.search import find_spans
from logbench.analysis.statement import in_units, marked, said
from logbench.app import theme
from logbench.app.live.plan_panel import EvidenceList
from logbench.app.review.cross_view import point_ink
from logbench.app.review.findings import as_html
from logbench.app.tables import step
from logbench.app.theme import SIZES
from logbench.app.window import MainWindow
from logbench.plot.trace import SECOND
from logbench.recording.model import Trace
from logbench.recording.reader import Recording
from logbench.signals.units import METRIC, QUANTITIES, Units

US = Units(us=True)
CTRL = Qt.KeyboardModifier.ControlModifier


# --- units ---


@pytest.mark.parametrize(
    ("unit", "ours", "choice", "theirs"),
    [
        ("kPa", "kPa", "psi", "psi"),
        ("kPa", "kPa", "bar", "bar"),
        ("kPa", "kPa", "inHg", "inHg"),
        ("g/s", "g/s", "kg/h", "kg/h"),
        ("L/h", "L/h", "gal/h", "gal/h"),
        ("km", "km", "mi", "mi"),
        ("degC", "degC", "°F", "degF"),
    ],
)
def test_each_choice_against_pint(unit: str, ours: str, choice: str, theirs: str):
    quantity = next(key for key, q in QUANTITIES.items() if unit in q.shown)
    units = METRIC.choose(quantity, choice)
    values = np.array([-12.5, 0.0, 3.0, 654.0])
    want = pint.UnitRegistry().Quantity(values, ours).to(theirs).magnitude
    np.testing.assert_allclose(units.array(values, unit), want, rtol=2e-5, atol=1e-6)
    assert units.value(654.0, unit) == pytest.approx(want[3], rel=2e-5)
    assert units.unit("rpm") == "rpm"


def test_one_quantity_is_changed_and_the_others_stay():
    units = US.choose("pressure", "psi")
    assert (units.unit("kPa"), units.unit("km/h")) == ("psi", "mph")
    assert units.text(700.0, "kPa") == "101.5 psi"
    assert units.choose("pressure", "inHg") == US
    assert METRIC.choose("speed", "mph").choose("speed", "km/h") == METRIC
    assert METRIC.metric
    assert not METRIC.choose("speed", "mph").metric
    assert US.choose("speed", "furlong") == US.choose("age", "year") == US


def test_a_condition_is_read_in_the_units_shown():
    t_ns = np.arange(100, dtype=np.int64) * SECOND
    drive = Recording.of([Trace("VSS", "7E8", "km/h", t_ns, np.arange(100.0))])
    metric, us = (find_spans(condition("VSS > 50", units), drive) for units in (METRIC, US))
    assert metric[0].start_ns == 51 * SECOND
    assert us[0].start_ns == 81 * SECOND  # 50 mph are 80.47 km/h


# --- findings in other units ---


def test_a_finding_is_told_in_the_units_shown():
    band = load_bands()["warm_up_plateau"]
    finding = Subject("warm_up", "settled").judged("Coolant temperature", Measured(92.1, 0.4), band)
    assert number_text(finding, US) == "197.8 ±0.7 °F"
    text = in_units(finding.reason, US)
    assert text.startswith("Coolant temperature 197.8 ±0.7 °F is within")
    assert "degC" not in text
    low, high = band.within
    assert low is not None
    assert high is not None
    assert f"{low * 1.8 + 32:g} to {high * 1.8 + 32:g} °F" in text
    assert "°C" not in as_html(finding, US)


def test_a_difference_of_temperatures_gets_no_32():
    band = load_bands()["cold_soak"]
    finding = Subject("cold_soak", "spread").judged("Spread", Measured(4.0, 0.5), band)
    assert number_text(finding) == "+4.0 ±0.5 K"
    assert number_text(finding, US) == "+7.2 ±0.9 Δ°F"
    assert band.within[1] is not None
    assert f"to {band.within[1] * 1.8:g} Δ°F" in in_units(finding.reason, US)


def test_remarks_follow_the_units_too():
    band = load_bands()["warm_up_plateau"]
    measured = Measured(92.1, 0.4, remarks=(marked("from {20 degC}, {70 degC} after 300 s"),))
    finding = Subject("warm_up", "settled").judged("Coolant temperature", measured, band)
    assert "; from 68 °F, 158 °F after 300 s." in in_units(finding.reason, US)
    assert "; from 20 °C, 70 °C after 300 s." in finding.reason
    html = as_html(finding, US)
    assert "°C" not in html
    assert "lowest common rating 180 °F, steady within 5.4 to 9.0 Δ°F" in html  # the band's basis
    assert "lowest common rating 82 °C, steady within 3 to 5 K" in as_html(finding)


def test_the_findings_list_switches_at_once(window: MainWindow):
    bands = load_bands()
    remarks = ("from {20 degC}, up by {100 K}", "{52.0 rpm per km/h} at {95 kPa}")
    hot = Measured(120.0, 0.5, remarks=tuple(map(marked, remarks)))
    told = Explanation((), (marked("See whether the fan starts at {95 to 105 degC}."),))
    finding = Subject("warm_up", "highest").judged(
        "The highest seen,", hot, bands["coolant_highest"], told
    )
    panel = window.pages.review.findings
    panel.show_findings([finding])
    step(panel.list, 1)
    metric = panel.detail.toPlainText()
    assert "from 20 °C, up by 100 K; 52.0 rpm per km/h at 95 kPa" in metric
    window.services.look.choose_units(True)
    for text in (panel.detail.toPlainText(), panel.list.topLevelItem(0).toolTip(1)):
        assert "is surely above 244.4 °F" in text
        assert "from 68 °F, up by 180 Δ°F; 83.7 rpm per mph at 28.1 inHg" in text
    assert "the fan starts at 203 to 221 °F." in panel.detail.toPlainText()
    assert "above 230 °F caution" in panel.detail.toPlainText()
    window.services.look.choose_units(False)
    assert panel.detail.toPlainText() == metric
    assert "from 20 °C" in panel.list.topLevelItem(0).toolTip(1)


def test_a_figure_without_a_band_is_the_number_beside_it():
    """1.364 l are 0.3603 gal, and 1.36 l would be 0.359: exact by the US gallon of 231 in³."""
    reason = said(
        "{used:.2f l} of fuel over {km:.1f km}: {rate:.1f l/100 km}.", used=1.364, km=17.2, rate=7.9
    )
    finding = Finding("fuel_used", "fuel used", Verdict.NOT_JUDGED, reason, value=1.364, unit="l")
    assert number_text(finding, US) == "0.360 gal"
    assert in_units(finding.reason, US) == "0.360 gal of fuel over 10.7 mi: 30 mpg."
    assert finding.reason == "1.36 L of fuel over 17.2 km: 7.9 L/100 km."


def test_what_is_still_to_be_recorded_follows_the_units(qtbot):
    look = theme.Look()
    told = EvidenceList(look)
    qtbot.addWidget(told)
    missing = marked("Record 60 s of steady cruise at {50 to 80 km/h} on the level, warm.")
    told.show_evidence([CheckEvidence("fuel_trim", "Fuel trim", False, missing, 0, 1)])
    look.set_units(US)
    assert "60 s of steady cruise at 31 to 50 mph on the level" in told.toPlainText()
    look.set_units(METRIC)
    assert missing in told.toPlainText()


@pytest.mark.parametrize("key", sorted(band.key for band in load_bands()))
def test_every_band_is_told_without_a_metric_unit(key: str):
    band = load_bands()[key]
    ends = [e for e in (*band.within, *band.watch) if e is not None]
    finding = Subject("x", "y").judged("The number", Measured(ends[0], 0.123), band)
    text = in_units(finding.reason, US)
    assert not any(word in text for word in ("degC", "°C", " K", "kPa", "km/h", "g/s", "/K"))
    assert in_units(finding.reason, METRIC) == finding.reason


# --- the dialog, and keys ---


def test_the_dialog_switches_at_once_and_is_remembered(window: MainWindow, settings, qtbot):
    window.activateWindow()
    qtbot.keyClick(window, Qt.Key.Key_Comma, CTRL)
    dialog = window.appearance._dialog
    assert dialog is not None
    assert dialog.isVisible()
    box = dialog.unit_boxes["pressure"]
    box.setCurrentText("psi")
    box.activated.emit(box.currentIndex())
    assert window.services.look.units.unit("kPa") == "psi"
    assert settings.units.unit("kPa") == "psi"
    dialog.size_box.activated.emit(3)
    assert settings.size_percent == 150
    dialog.theme_box.activated.emit(2)
    assert settings.theme == "night"
    qtbot.keyClick(window, Qt.Key.Key_U, CTRL)
    assert dialog.unit_boxes["speed"].currentText() == "mph"
    dialog.close()


def test_larger_texts_everywhere(window: MainWindow, drive_file: Path, qtbot):
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)
    review = window.pages.review
    before = window.fontMetrics().height()
    ribbon_before = review.ribbon.height()
    window.activateWindow()
    for _ in range(len(SIZES)):
        qtbot.keyClick(window, Qt.Key.Key_Plus, CTRL)
    QApplication.processEvents()
    assert window.services.look.size_percent == max(SIZES)
    for widget in (window, review.stack.strips[0], review.findings.list, review.ribbon):
        assert widget.fontMetrics().height() > 1.3 * before
    assert review.ribbon.height() >= ribbon_before
    assert review.ribbon.events_px >= review.ribbon.fontMetrics().height()
    for _ in range(len(SIZES)):
        qtbot.keyClick(window, Qt.Key.Key_Minus, CTRL)
    assert window.fontMetrics().height() == before


def test_the_system_theme_is_followed_unless_one_is_chosen(window: MainWindow, monkeypatch):
    look = window.services.look
    assert look.choice == "system"
    changed = QApplication.styleHints().colorSchemeChanged
    for dark, name in ((True, "night"), (False, "light"), (True, "night")):
        monkeypatch.setattr(theme, "system_is_dark", lambda d=dark: d)
        changed.emit(Qt.ColorScheme.Dark if dark else Qt.ColorScheme.Light)
        assert look.theme.name == name
    look.choose("light")
    changed.emit(Qt.ColorScheme.Dark)
    assert look.theme.name == "light"


@pytest.mark.parametrize("look", [theme.LIGHT, theme.NIGHT], ids=lambda look: look.name)
def test_points_of_two_conditions_are_told_apart(look: theme.Theme):
    known = [c for c in Condition if c not in (Condition.OTHER, Condition.ENGINE_OFF)]
    inks = [QColor(point_ink(c, look)) for c in known]
    rgb = np.array([(ink.red(), ink.green(), ink.blue()) for ink in inks], float)
    apart = np.linalg.norm(rgb[:, None] - rgb[None], axis=2) + 1000 * np.eye(len(rgb))
    assert apart.min() > 60, known[int(apart.min(axis=1).argmin())]


def test_a_window_has_its_own_style_sheet(window: MainWindow, qapp):
    """One of the application makes Qt look anew at all parts of a part wherever it is put: a window
    took three times as long to build, and a change of the look ten times."""
    for choice in ("night", "roadside", "light"):
        window.services.look.choose(choice)
        assert qapp.styleSheet() == ""
        assert window.services.look.theme.panel in window.styleSheet()
    window.appearance.show_settings()
    assert window.appearance._dialog.parent() is window
