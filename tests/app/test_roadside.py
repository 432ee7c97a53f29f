"""The look for sunlight and gloves: switched by key and button, remembered, large and dark."""

from __future__ import annotations

from dataclasses import fields

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QAbstractButton, QApplication, QPushButton

from logbench.analysis.model import Verdict
from logbench.app.theme import LIGHT, NIGHT, ROADSIDE, Theme, target_px
from logbench.app.window import MainWindow
from logbench.cases.settings import Settings
from tests.app.contrast import contrast


@pytest.mark.parametrize(
    ("physical", "logical", "px"),
    [
        (96.0, 96.0, 57),  # 15 mm are 0.59 in
        (141.0, 96.0, 83),
        (0.0, 96.0, 57),  # a screen that tells no size
        (2540.0, 96.0, 57),  # one that says it is 16 mm wide
        (70.0, 96.0, 56),  # the floor
        (290.0, 96.0, 110),  # more would leave no room for anything
    ],
)
def test_15_mm_by_the_screens_own_size(physical: float, logical: float, px: int):
    assert target_px(physical, logical) == px


def test_switched_by_key_and_button_and_remembered(window: MainWindow, settings: Settings, qtbot):
    look = window.services.look
    look.choose("night")
    window.activateWindow()
    qtbot.keyClick(window, Qt.Key.Key_F9)
    assert look.theme is ROADSIDE
    assert settings.theme == "roadside"
    assert Settings.load(settings._path).theme == "roadside"
    (button,) = (b for b in window.findChildren(QPushButton) if b.text() == "Roadside")
    assert button.isChecked()
    qtbot.mouseClick(button, Qt.MouseButton.LeftButton)
    assert look.theme is NIGHT  # the look before
    assert not button.isChecked()
    assert look.target_px == 0


def test_every_control_grows_with_the_texts_and_for_gloves(window: MainWindow, garage, qtbot):
    look, bar = window.services.look, window.live.bar
    buttons = [b for b in window.findChildren(QAbstractButton) if b.isVisible()]
    heights = {}
    for percent in (100, 130, 150):
        look.choose_size(percent)
        QApplication.processEvents()
        heights[percent] = bar.marker.height()
    assert heights[100] * 1.28 < heights[130] < heights[150]
    look.choose_size(100)
    look.choose("roadside")
    QApplication.processEvents()
    for button in buttons:
        if isinstance(button, QPushButton):
            assert min(button.width(), button.height()) >= look.target_px, button.text()
    look.choose("light")


@pytest.mark.parametrize("look", [LIGHT, NIGHT, ROADSIDE], ids=lambda look: look.name)
def test_words_stand_out_of_their_ground(look: Theme):
    """WCAG 2.2: 1.4.3 asks 4.5 to 1 (AA), 1.4.6 7 to 1 (AAA), 1.4.11 3 to 1 of a line of a plot."""
    text = 7.0 if look is ROADSIDE else 4.5
    for ground in (look.window, look.panel):
        for ink in (look.text, look.muted, *(look.verdict(v).name() for v in Verdict)):
            assert contrast(ink, ground) >= text, (ink, ground)
    assert contrast(look.on_accent, look.accent) >= text
    for verdict in (Verdict.WATCH, Verdict.ACT):  # grounds of the recorder's state
        assert contrast(look.on_accent, look.verdict(verdict).name()) >= text
    line = 4.5 if look is ROADSIDE else 3.0
    for trace in look.traces:
        assert contrast(trace, look.plot) >= line, trace


def test_a_look_has_all_colors_of_the_others():
    for field in fields(Theme):
        assert type(getattr(ROADSIDE, field.name)) is type(getattr(LIGHT, field.name))
