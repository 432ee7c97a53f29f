"""The window does the main job on real bytes: the simulated car behind its adapter on a socket."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from PySide6.QtCore import Qt
from pytestqt.qtbot import QtBot

from logbench.app.window import MainWindow
from logbench.cases.settings import Settings

URL = "sim:?schedule=test-drive&baud=2000000&latency_ms=1&speed=20&seed=4"


@pytest.fixture
def real_window(qtbot: QtBot, settings: Settings) -> Iterator[MainWindow]:
    made = MainWindow(settings)
    made.ask_to_finish = lambda: True
    made.show()
    yield made
    made.close()
    qtbot.waitUntil(lambda: not made.isVisible(), timeout=100_000)
    made.deleteLater()


def test_record_mark_stop_review(real_window: MainWindow, qtbot: QtBot):
    live = real_window.live
    live.choose_link(URL)
    real_window.activateWindow()
    qtbot.mouseClick(live.record, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: live.session.now_ns > 40e9 or not live.busy, timeout=200_000)
    assert live.busy, live.notice.text
    assert {"RPM", "VSS", "ECT"} <= {signal for signal, _ in live.stack.keys}
    live.mark()
    qtbot.waitUntil(lambda: any(e.kind == "marker" for e in live.shown.events), timeout=50_000)
    assert live.values.model_.rowCount() >= 10
    with qtbot.waitSignal(live.bar.stop.wanted, timeout=100_000):
        qtbot.mousePress(live.bar.stop, Qt.MouseButton.LeftButton)  # and held
    qtbot.mouseRelease(live.bar.stop, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: not live.busy, timeout=100_000)
    assert "Saved" in live.notice.text
    seen = {key: len(trace.pyramid) for key, trace in live.session.traces.items()}

    qtbot.mouseClick(live.notice.button, Qt.MouseButton.LeftButton)
    review = real_window.pages.review
    qtbot.waitUntil(lambda: review.judged is not None, timeout=100_000)
    assert review.opened is not None
    held = {t.key: len(t.pyramid) for t in review.opened.traces}
    assert all(held[key] >= count for key, count in seen.items())
    assert [e.kind for e in review.opened.recording.facts.events].count("marker") == 1
    assert review.judged is not None
    assert "key-on engine-off" in {c.condition.value for c in review.judged.conditions}
    assert {f.check for f in review.findings.findings} >= {"fuel_trim", "airflow", "warm_up"}


def test_a_car_that_is_not_there_is_a_sentence(real_window: MainWindow, qtbot: QtBot):
    live = real_window.live
    live.starting.cautions_seen = True
    live.choose_link("127.0.0.1:9")  # the discard port: nothing listens
    live.start()
    qtbot.waitUntil(lambda: not live.busy, timeout=200_000)
    assert "127.0.0.1" in live.notice.text
    assert live.notice.button.text() == "Try again"
