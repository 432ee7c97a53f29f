"""A signal that a user writes in the window: plotted live and afterwards, found, used in a check,
exported, archived and swept."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QTextBrowser
from pytestqt.qtbot import QtBot

from logbench.analysis.bands import load_bands
from logbench.analysis.expression.checked import condition
from logbench.analysis.expression.grammar import FUNCTIONS, TIMES
from logbench.analysis.run import run_checks
from logbench.app.details import show_expressions
from logbench.app.own_signals import OwnSignals
from logbench.app.window import MainWindow
from logbench.archive.archive import Archive
from logbench.archive.find import Filter
from logbench.archive.sweep import sweep_function
from logbench.capture.messages import Started
from logbench.cli.main import main
from logbench.plot.trace import SECOND
from logbench.recording.reader import open_recording
from logbench.signals.catalog import COMPUTED, catalog, own_signals_path
from tests.app.conftest import Garage

NAME, TITLE = "TRIM_HELD", "Total trim, held over a minute"
EXPRESSION = "hold(TOTAL_TRIM1, 60 s) * 2"
CHECK = f"""
[check.trim_held]
title = "Held trim"
value = "{NAME}"
unit = "%"
within = [-10, 10]
watch = [-20, 20]
basis = "made up"
"""


@pytest.fixture(autouse=True)
def no_own_signals():
    yield
    own_signals_path().unlink(missing_ok=True)


@pytest.fixture
def recording(window: MainWindow, garage: Garage, qtbot: QtBot) -> MainWindow:
    window.live.choose_link("sim:")
    window.live.start()
    garage.last.find_car("SHRTFT1", "LONGFT1")
    for n in range(3):
        at = n * SECOND
        garage.last.send(("SHRTFT1", "7E8", at, 3.0 + n), ("LONGFT1", "7E8", at, 9.0 + n))
    qtbot.waitUntil(lambda: window.live.session.now_ns == 2 * SECOND)
    return window


def write(dialog: OwnSignals, qtbot: QtBot, **texts: str) -> None:
    """Type into the form."""
    for field, text in texts.items():
        line = getattr(dialog, field)
        line.clear()
        qtbot.keyClicks(line, text)
    dialog.try_now()


def opened(window: MainWindow) -> OwnSignals:
    window.pages.show_own_signals()
    return window.pages.own_signals


def test_an_own_signal_goes_everywhere(
    window: MainWindow, drive_file: Path, garage: Garage, qtbot: QtBot, tmp_path: Path
):
    review = window.pages.review
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: review.judged is not None, timeout=60_000)
    dialog = opened(window)
    write(dialog, qtbot, name="trim_held", title=TITLE, expression=EXPRESSION)
    qtbot.waitUntil(lambda: "samples" in dialog.said.text())
    assert [t.signal for s in dialog.stack.strips for t in s.traces] == [NAME]  # live preview
    assert dialog.unit.placeholderText() == "%"
    qtbot.mouseClick(dialog.save_button, Qt.MouseButton.LeftButton)
    # afterwards: plotted, listed, found, exported
    qtbot.waitUntil(lambda: (NAME, COMPUTED) in review.stack.keys)
    trace = next(t for t in review.opened.traces if t.signal == NAME)
    assert (trace.title, trace.unit) == (TITLE, "%")
    review.find_bar.line.setText(f"{NAME.lower()} > 40 % and RPM > 0")
    review.find_bar.step(1)
    assert review.find_bar.said.text().startswith("1 of ")
    review.exporting.export(tmp_path / "out.csv")
    qtbot.waitUntil(lambda: "Written" in review.notice.text, timeout=60_000)
    assert f"{NAME} (%)" in (tmp_path / "out.csv").read_text().splitlines()[0]
    # used in a check
    (tmp_path / "limits.toml").write_text(CHECK)
    recording = open_recording(drive_file)
    (finding,) = run_checks(recording, load_bands(tmp_path / "limits.toml"), only=["own"])
    assert finding.value is not None
    assert finding.unit == "%"
    # archived and swept
    archived = tmp_path / "archive" / "a.parquet"
    archived.parent.mkdir()
    signals = f"{NAME},SHRTFT1"
    assert main(["export", str(drive_file), "--out", str(archived), "--signals", signals]) == 0
    assert open_recording(archived).facts.signals[NAME].name == TITLE
    (archived.parent / "b.parquet").write_bytes(drive_file.read_bytes())
    archive = Archive(archived.parent, tmp_path / "cache")
    archive.refresh()
    found = archive.find(Filter(condition=condition(f"{NAME} > 40 %")))
    assert found["recording"].to_pylist() == ["b.parquet", "a.parquet"] or found.num_rows == 2
    assert sweep_function(archive, NAME, tmp_path / "swept").problems == 0
    rows = pq.read_table(tmp_path / "swept").to_pylist()
    highest = {row["recording"]: row["number"] for row in rows if row["name"] == "highest"}
    assert set(highest) == {"a.parquet", "b.parquet"}
    assert highest["a.parquet"] == pytest.approx(highest["b.parquet"])


def test_an_own_signal_is_plotted_live(recording: MainWindow, garage: Garage, qtbot: QtBot):
    live = recording.live
    dialog = opened(recording)
    qtbot.waitUntil(lambda: ("TOTAL_TRIM1", COMPUTED) in live.stack.keys)
    write(dialog, qtbot, name=NAME, title=TITLE, expression="TOTAL_TRIM1 * 2", unit="%")
    qtbot.waitUntil(lambda: "3 samples" in dialog.said.text())
    dialog.save()
    qtbot.waitUntil(lambda: (NAME, COMPUTED) in live.stack.keys)
    pyramid = live.session.traces[NAME, COMPUTED].pyramid
    assert pyramid.from_sample(0)[1].tolist() == [24.0, 28.0, 32.0]
    garage.last.inbox.append(Started(1 * SECOND, ""))
    garage.last.send(("SHRTFT1", "7E8", 3 * SECOND, 1.0))
    qtbot.waitUntil(lambda: pyramid.end_ns == 3 * SECOND)
    assert pyramid.from_sample(0)[1].tolist() == [28.0, 32.0, 24.0]
    write(dialog, qtbot, expression="TOTAL_TRIM1 * 3")
    dialog.save()  # another definition: from the start again
    qtbot.waitUntil(lambda: (NAME, COMPUTED) in live.session.traces)
    pyramid = live.session.traces[NAME, COMPUTED].pyramid
    qtbot.waitUntil(lambda: len(pyramid) == 3)
    np.testing.assert_array_equal(pyramid.from_sample(0)[1], [42.0, 48.0, 36.0])
    dialog.remove()
    qtbot.waitUntil(lambda: (NAME, COMPUTED) not in live.stack.keys)
    assert NAME not in catalog()


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"name": "RPM", "expression": "VSS"}, "RPM is the name of another signal"),
        ({"name": "A B", "expression": "VSS"}, "capital letters"),
        ({"name": "MEAN", "expression": "VSS"}, "capital letters"),
        ({"name": "X1", "expression": "VSS + RPM"}, "is in rpm, what is before it in km/h"),
        ({"name": "X1", "expression": "VSS", "unit": "kPa"}, "not in kPa"),
        ({"name": "X1", "expression": "VSS", "unit": "furlong"}, "There is no unit 'furlong'"),
        ({"name": "X1", "expression": "X1 + VSS"}, "There is no signal 'X1'"),
        ({"name": "X1", "expression": "RPM > 3"}, "is a condition"),
    ],
)
def test_what_cannot_be_saved_says_why(
    window: MainWindow, qtbot: QtBot, typed: dict[str, str], said: str
):
    dialog = opened(window)
    write(dialog, qtbot, **typed)
    qtbot.waitUntil(lambda: said in dialog.said.text())
    assert not dialog.save_button.isEnabled()
    dialog.save()
    assert not own_signals_path().exists()


def test_a_ring_of_signals_is_refused(window: MainWindow, qtbot: QtBot):
    dialog = opened(window)
    write(dialog, qtbot, name="ONE", expression="RPM * 2", unit="rpm")
    dialog.save()
    write(dialog, qtbot, name="TWO", expression="ONE * 2", unit="rpm")
    dialog.save()
    dialog.renew("ONE")
    write(dialog, qtbot, expression="TWO * 2")
    qtbot.waitUntil(lambda: "made of itself" in dialog.said.text())


def test_words_are_completed_wherever_expressions_are_typed(window: MainWindow, qtbot: QtBot):
    pages = window.pages
    find, facets = pages.review.find_bar, pages.archive.body.facets
    lines = opened(window).expression, find.line, facets.condition
    for line in lines:
        qtbot.keyClicks(line, "2 * total")
        model = line.completer_.completionModel()
        offered = [model.data(model.index(n, 0)) for n in range(model.rowCount())]
        assert offered[0] == "TOTAL_TRIM1   Total fuel trim, bank 1"
        line.completer_.activated.emit("TOTAL_TRIM1")
        assert line.text() == "2 * TOTAL_TRIM1"


def test_what_a_person_wrote_in_the_file_stays(window: MainWindow, qtbot: QtBot):
    path = own_signals_path()
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text('# mine\n[A_ONE]\ntitle = "One"\nexpression = "RPM"\nunit = "rpm"\n')
    dialog = opened(window)
    write(dialog, qtbot, name="B_TWO", expression="VSS")
    dialog.save()
    text = path.read_text()
    assert text.startswith("# mine\n[A_ONE]\n")
    assert catalog().by_acronym("B_TWO").unit == "km/h"
    path.write_text("[A_ONE\n")
    dialog.renew()
    assert "Your own signals are left out" in dialog.said.text()
    write(dialog, qtbot, name="B_TWO", expression="VSS")
    dialog.save()
    assert "mend it or move it away" in dialog.said.text()
    assert path.read_text() == "[A_ONE\n"


def test_what_may_be_written_is_shown(window: MainWindow):
    page = show_expressions(window).findChild(QTextBrowser)
    text = page.toPlainText()
    for word in (*FUNCTIONS, *TIMES, "displacement", "158 F"):
        assert word in text
