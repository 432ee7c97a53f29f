"""The list of signals to record: what is usual, found by words, whole."""

from __future__ import annotations

import pytest

from logbench.app.live.picker import DEFAULT, OWN, SignalPicker
from logbench.cases.settings import Settings
from logbench.signals.table import default_signals, table


@pytest.fixture
def picker(qtbot, settings: Settings) -> SignalPicker:
    made = SignalPicker(settings)
    qtbot.addWidget(made)
    made.resize(340, 400)
    made.show()
    return made


def rows(picker: SignalPicker) -> list[str]:
    shown = picker.list.model()
    return [shown.index(row, 0).data().split()[0] for row in range(shown.rowCount())]


def test_the_default_set_shows_which_signals_it_has_and_leaves_the_choice(picker: SignalPicker):
    usual = default_signals(frozenset(signal.pid for signal in table()))
    assert picker.chosen() == ()
    assert set(picker._checked()) == set(usual)
    assert all(name in picker.count.whole for name in usual)


def test_the_default_set_is_this_cars_where_it_is_known(picker: SignalPicker):
    picker.set_supported(frozenset({0x05, 0x0C}))
    assert set(picker._checked()) == {"ECT", "RPM"}
    assert picker.chosen() == ()


def test_the_list_opens_on_the_usual_signals(picker: SignalPicker):
    usual = default_signals(frozenset(signal.pid for signal in table()))
    assert set(rows(picker)[: len(usual)]) == set(usual)


def test_unchecking_one_makes_it_ones_own_choice(picker: SignalPicker):
    before = picker._checked()
    picker.list.activated.emit(picker.list.model().index(0, 0))
    assert picker.purpose.currentData() == OWN
    assert len(picker.chosen()) == len(before) - 1
    picker.choose((), DEFAULT)
    assert picker.chosen() == ()


@pytest.mark.parametrize("words", ["coolant temperature", "temperature  COOLANT", "ect", "05"])
def test_it_finds_by_words_in_any_order_and_goes_to_the_hit(picker: SignalPicker, words: str):
    picker.list.scrollToBottom()
    picker.search.setText(words)
    assert "ECT" in rows(picker)
    hit = picker.list.currentIndex()
    assert hit.isValid()
    assert picker.list.visualRect(hit).top() == 0


def test_where_a_sensor_sits_is_not_cut(picker: SignalPicker):
    """Rows are as high as their texts need."""
    picker.search.setText("oxygen sensor")
    metrics = picker.list.fontMetrics()
    wide = picker.list.viewport().width()
    shown = picker.list.model()
    longest = max(
        (shown.index(row, 0) for row in range(shown.rowCount())),
        key=lambda index: len(index.data()),
    )
    assert metrics.horizontalAdvance(longest.data()) > wide
    assert picker.list.visualRect(longest).height() >= 2 * metrics.height()
    assert picker.list.horizontalScrollBar().maximum() == 0
