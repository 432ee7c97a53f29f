"""Layouts of the strips: dragged, moved by keys, undone, saved by name, kept for a recording."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st
from PySide6.QtCore import QMimeData, QPoint, QPointF, Qt
from PySide6.QtGui import QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import QApplication

from logbench.app.plot.dragging import STRIP, TRACE, Place, trace_data, trace_in
from logbench.app.plot.layouts import apply_layout, layout_of
from logbench.app.plot.stack import StripStack
from logbench.app.plot.view import TimeView
from logbench.app.theme import Look
from logbench.app.window import MainWindow
from logbench.cases.settings import Settings
from logbench.plot.layout import Layout, StripPlan, layout_from_json
from logbench.plot.pyramid import Pyramid
from logbench.plot.trace import StripTrace
from logbench.system.history import History

CTRL, SHIFT = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.ShiftModifier
PLAIN = Qt.KeyboardModifier.NoModifier


@pytest.fixture
def reviewing(window: MainWindow, drive_file: Path, qtbot) -> MainWindow:
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)
    window.activateWindow()
    return window


def shown(window: MainWindow) -> list[list[str]]:
    return [[t.signal for t in s.traces] for s in window.pages.review.stack.strips]


def checked(window: MainWindow) -> set[str]:
    return {trace.signal for trace in window.pages.review.signals.model_.plotted()}


# --- values ---

names = st.text(st.characters(codec="utf-8"), max_size=20)
plans = st.builds(
    StripPlan,
    st.lists(st.tuples(names, names), min_size=1, max_size=5).map(tuple),
    st.floats(0.01, 1.0).map(lambda x: round(x, 4)),
)


@effort(deadline=None, derandomize=True)
@given(st.lists(plans, max_size=6).map(tuple))
def test_a_layout_survives_being_kept(strips: tuple[StripPlan, ...]):
    layout = Layout(strips)
    assert layout_from_json(layout.to_json()) == layout


@pytest.mark.parametrize(
    "text",
    ["", "nonsense", "{}", "[1, 2]", '[{"keys": 3}]', '[{"keys": [["RPM"]]}]', "[" * 100_000,
     '[{"keys": [["RPM", {}], [1, 2], "ab"]}]', '{"a": [1]}', "null"],
)  # fmt: skip
def test_hostile_layouts_are_empty(text: str):
    assert layout_from_json(text) == Layout()


def test_what_is_good_in_a_damaged_layout_is_used():
    text = json.dumps([{"keys": [["RPM", "7E8"], 4], "share": "wide"}, 7, {"keys": []}])
    assert layout_from_json(text) == Layout((StripPlan((("RPM", "7E8"),), 1.0),))


@effort(deadline=None, derandomize=True)
@given(st.lists(st.sampled_from(["do", "undo", "redo"]), max_size=40))
def test_history_against_a_list_and_an_index(steps: list[str]):
    """Oracle: a list of all states and where in it one is."""
    states, at = [Layout()], 0
    history, now = History[Layout](), Layout()
    for n, step in enumerate(steps):
        if step == "do":
            history.done(f"step {n}", now)
            now = Layout((StripPlan(((str(n), ""),)),))
            states, at = [*states[: at + 1], now], at + 1
        elif step == "undo":
            _, found = history.undo(now)
            assert (found is None) == (at == 0)
            if found is not None:
                now, at = found, at - 1
        else:
            _, found = history.undo(now, redo=True)
            assert (found is None) == (at == len(states) - 1)
            if found is not None:
                now, at = found, at + 1
        assert now == states[at]


def test_one_drag_of_heights_is_one_step_back():
    history = History[Layout]()
    history.done("Heights", Layout(), merge=True)
    history.done("Heights", Layout((StripPlan((("A", ""),)),)), merge=True)
    assert history.undo(Layout()) == ("Undone: heights.", Layout())
    assert history.undo(Layout())[1] is None


def test_a_layout_serves_a_car_with_another_ecu_address(qtbot):
    view = TimeView()
    stack = StripStack(view, Look("light"))
    view.setParent(stack)
    qtbot.addWidget(stack)
    traces = [StripTrace(s, "7EA", u, Pyramid()) for s, u in (("RPM", "rpm"), ("MAP", "kPa"))]
    layout = Layout((StripPlan((("RPM", "7E8"), ("MAP", "7E8"), ("MAF", "7E8"))),))
    assert apply_layout(stack, layout, traces) == 2
    assert layout_of(stack).keys == (("RPM", "7EA"), ("MAP", "7EA"))
    assert apply_layout(stack, Layout((StripPlan((("X", "1"),)),)), traces) == 0
    assert len(stack.strips) == 1  # nothing found: what is shown stays


# --- by keys ---


def test_moving_a_trace_by_keys_and_back(reviewing: MainWindow, qtbot):
    stack = reviewing.pages.review.stack
    stack.setFocus()
    before = shown(reviewing)
    qtbot.keyClick(stack, Qt.Key.Key_J)
    assert before[0] == ["RPM"]
    qtbot.keyClick(stack.strips[0], Qt.Key.Key_Down, CTRL | SHIFT)
    after = shown(reviewing)
    assert after == [[*before[1], "RPM"], *before[2:]]
    strip = stack.strips[0]
    assert stack.focused() is strip
    assert strip.accessibleName().endswith(", rpm")  # the moved trace is the chosen one
    qtbot.keyClick(strip, Qt.Key.Key_K)
    assert strip.chosen is not None
    assert strip.chosen.signal != "RPM"
    qtbot.keyClick(strip, Qt.Key.Key_K, SHIFT)
    qtbot.keyClick(strip, Qt.Key.Key_O)
    assert shown(reviewing) == [before[1], ["RPM"], *before[2:]]
    for _ in range(2):
        qtbot.keyClick(stack.strips[0], Qt.Key.Key_Z, CTRL)
    assert shown(reviewing) == before
    qtbot.keyClick(stack.strips[0], Qt.Key.Key_Z, CTRL | SHIFT)
    assert shown(reviewing) == after
    qtbot.keyClick(stack.strips[0], Qt.Key.Key_Y, CTRL)
    assert shown(reviewing) == [before[1], ["RPM"], *before[2:]]
    assert "Redone" in reviewing.pages.review.notice.text


def test_every_kind_of_change_is_undone(reviewing: MainWindow, qtbot):
    review, stack = reviewing.pages.review, reviewing.pages.review.stack
    review.stack.setFocus()
    before, checks = layout_of(stack), checked(reviewing)
    model = review.signals.model_
    row = [t.signal for t in model.rows].index("FUELSYS1")
    model.setData(model.index(row, 0), Qt.CheckState.Checked, Qt.ItemDataRole.CheckStateRole)
    qtbot.keyClick(stack, Qt.Key.Key_J)
    qtbot.keyClick(stack.focused(), Qt.Key.Key_Down, CTRL)
    qtbot.keyClick(stack.focused(), Qt.Key.Key_BracketRight)
    qtbot.keyClick(stack.focused(), Qt.Key.Key_Delete, SHIFT)
    qtbot.keyClick(stack.focused(), Qt.Key.Key_Delete)
    assert len(review.layouts.history.past) == 5
    assert len(checked(reviewing)) < len(checks) + 1
    for _ in range(5):
        review.layouts.undo()
    assert layout_of(stack).same_as(before)
    assert checked(reviewing) == checks
    review.layouts.undo()
    assert "nothing to undo" in review.notice.text


def test_the_keyboard_stays_with_the_strips(reviewing: MainWindow, qtbot):
    """Whatever happens to the strip that has it: keys of the page must go on working."""
    stack, layouts = reviewing.pages.review.stack, reviewing.pages.review.layouts
    keys = reviewing.pages.review.strip_keys
    for change in (layouts.reset, keys.remove_strip, keys.remove_trace, stack.clear):
        stack.strips[0].setFocus()
        assert stack.focused() is stack.strips[0]
        change()
        assert stack.isAncestorOf(reviewing.focusWidget()) or reviewing.focusWidget() is stack
    layouts.undo()
    stack.setFocus()
    qtbot.keyClick(stack, Qt.Key.Key_N)
    assert reviewing.pages.review.findings.list.currentItem() is not None


def test_a_taller_strip(reviewing: MainWindow, qtbot):
    stack = reviewing.pages.review.stack
    stack.setFocus()
    qtbot.keyClick(stack, Qt.Key.Key_J)
    share = layout_of(stack).strips[0].share
    for _ in range(3):
        qtbot.keyClick(stack.strips[0], Qt.Key.Key_BracketRight)
    assert layout_of(stack).strips[0].share > share
    reviewing.pages.review.layouts.undo()
    assert layout_of(stack).strips[0].share == pytest.approx(share, abs=0.01)


# --- by mouse ---


def drop(stack: StripStack, data: QMimeData, y: int) -> bool:
    """Enter and drop as the window system sends them; whether it was taken."""
    move, left = Qt.DropAction.MoveAction, Qt.MouseButton.LeftButton
    enter = QDragEnterEvent(QPoint(300, y), move, data, left, PLAIN)
    QApplication.sendEvent(stack, enter)
    event = QDropEvent(QPointF(300, y), move, data, left, PLAIN)
    QApplication.sendEvent(stack, event)
    return enter.isAccepted() and event.isAccepted()


def middle_of(stack: StripStack, place: int) -> int:
    strip = stack.strips[place]
    return strip.mapTo(stack, QPoint(0, strip.height() // 2)).y()


def test_dropping_a_signal_of_the_list_on_a_strip(reviewing: MainWindow):
    review, stack = reviewing.pages.review, reviewing.pages.review.stack
    model = review.signals.model_
    row = [t.signal for t in model.rows].index("FUELSYS1")
    assert model.flags(model.index(row, 0)) & Qt.ItemFlag.ItemIsDragEnabled
    data = model.mimeData([model.index(row, 0)])
    before = shown(reviewing)
    assert drop(stack, data, middle_of(stack, 1))
    assert shown(reviewing) == [before[0], [*before[1], "FUELSYS1"], *before[2:]]
    assert "FUELSYS1" in checked(reviewing)
    review.layouts.undo()
    assert shown(reviewing) == before
    top = stack.strips[1].mapTo(stack, QPoint(0, 2)).y()
    assert drop(stack, data, top)
    assert shown(reviewing) == [before[0], ["FUELSYS1"], *before[1:]]


def test_dropping_a_trace_on_another_strip_and_on_its_own(reviewing: MainWindow):
    stack = reviewing.pages.review.stack
    before = shown(reviewing)
    data = trace_data(("RPM", "7E8"))
    assert drop(stack, data, middle_of(stack, 0))
    assert shown(reviewing) == before
    assert drop(stack, data, middle_of(stack, 2))
    assert shown(reviewing) == [before[1], [*before[2], "RPM"], *before[3:]]


def test_strips_are_dropped_between_strips(reviewing: MainWindow):
    layouts = reviewing.pages.review.layouts
    before = shown(reviewing)
    stack = reviewing.pages.review.stack
    assert layouts.dragging.place_at(2, whole_strip=True) == Place("at", 0)
    assert layouts.dragging.place_at(10_000, whole_strip=True) == Place("at", len(stack.strips))
    layouts.dragging.strip_dropped.emit(0, 2)
    assert shown(reviewing) == [before[1], before[0], *before[2:]]
    layouts.dragging.strip_dropped.emit(1, 0)
    assert shown(reviewing) == before


@pytest.mark.parametrize(
    "content", [b"", b"\xff\xfe", b"[]", b"[1,2]", b'["NOSUCH","7E8"]', b"[" * 900, b"x" * 5000]
)
def test_hostile_drops_change_nothing(reviewing: MainWindow, content: bytes):
    before = shown(reviewing)
    for kind in (TRACE, STRIP, "text/plain"):
        data = QMimeData()
        data.setData(kind, content)
        drop(reviewing.pages.review.stack, data, 60)
        assert trace_in(data) in (None, ("NOSUCH", "7E8"))
    assert shown(reviewing) == before


def test_clicking_a_label_chooses_its_axis_and_does_not_pan(reviewing: MainWindow, qtbot):
    review, stack = reviewing.pages.review, reviewing.pages.review.stack
    review.layouts.put(("RPM", "7E8"), Place("into", 1))
    strip = stack.strips[0]
    label = strip.header.boxes()[0].center()
    start = review.view.start_ns
    qtbot.mouseClick(strip, Qt.MouseButton.LeftButton, pos=label)
    assert strip.chosen is strip.traces[0]
    assert review.view.start_ns == start


# --- saved and kept ---


def test_layouts_saved_by_name(reviewing: MainWindow, settings: Settings):
    review = reviewing.pages.review
    before = layout_of(review.stack)
    review.saved_layouts.save("  as   it was ")
    assert list(settings.layouts) == ["as it was"]
    review.stack.strips[0].setFocus()
    review.strip_keys.remove_strip()
    assert not layout_of(review.stack).same_as(before)
    review.saved_layouts.fill_menu()
    menu = review.saved_layouts.button.menu()
    action = next(a for a in menu.actions() if a.text() == "as it was")
    action.trigger()
    assert layout_of(review.stack).same_as(before)
    review.saved_layouts.delete("as it was")
    assert settings.layouts == {}
    review.saved_layouts.ask_which()
    assert "Ctrl+S" in review.notice.text


def test_a_recording_comes_up_as_it_was_left(
    reviewing: MainWindow, drive_file: Path, qtbot, settings: Settings, garage
):
    review = reviewing.pages.review
    total = next(t for t in review.opened.traces if t.signal == "TOTAL_TRIM1")
    review.layouts.put(("FUELSYS1", "7E8"), Place("at", 0))
    review.layouts.put(total.key, Place("into", 0))
    review.strip_keys.remove_trace()
    review.layouts.put(total.key, Place("into", 0))
    left = layout_of(review.stack)
    again = MainWindow(settings, garage)
    qtbot.addWidget(again)
    again.resize(reviewing.size())
    again.show()
    again.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: again.pages.review.judged is not None, timeout=20_000)
    assert layout_of(again.pages.review.stack).keys == left.keys
    again.pages.review.layouts.reset()
    assert "FUELSYS1" not in {s for s, _ in again.pages.review.stack.keys}
    again.close()


def test_the_live_page_undoes_too_and_keeps_its_layout(window: MainWindow, garage, qtbot):
    live = window.live
    window.activateWindow()

    def drive() -> None:
        live.choose_link("sim:")
        live.start()
        garage.last.find_car("RPM", "VSS", "ECT")
        garage.last.drive("RPM", "VSS", "ECT")
        qtbot.waitUntil(lambda: len(live.session.traces) == 3)

    drive()
    assert [s for s, _ in live.stack.keys] == ["RPM", "VSS", "ECT"]
    live.stack.setFocus()
    qtbot.keyClick(live.stack, Qt.Key.Key_J)
    qtbot.keyClick(live.stack.focused(), Qt.Key.Key_Down, CTRL | SHIFT)
    kept = layout_of(live.stack).keys
    assert [s for s, _ in kept] == ["VSS", "RPM", "ECT"]
    live.layouts.undo()
    assert [s for s, _ in live.stack.keys] == ["RPM", "VSS", "ECT"]
    live.layouts.undo(redo=True)
    live.stop()
    qtbot.waitUntil(lambda: not live.busy)
    drive()
    assert layout_of(live.stack).keys == kept
    assert [len(s.traces) for s in live.stack.strips] == [2, 1]
    live.stop()
    qtbot.waitUntil(lambda: not live.busy)
