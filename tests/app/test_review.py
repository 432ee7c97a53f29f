"""The Review page with a real small recording."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from PySide6.QtCore import QPoint, Qt

from logbench.analysis.findings import number_text
from logbench.analysis.model import Band, Finding, Span, Verdict
from logbench.app.review.findings import as_html
from logbench.app.window import MainWindow
from logbench.plot.trace import SECOND
from tests.app.comparing import drop


@pytest.fixture
def reviewing(window: MainWindow, drive_file: Path, qtbot) -> MainWindow:
    window.pages.open_recordings([drive_file])
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)
    return window


def test_a_recording_opens_with_strips_events_and_facts(reviewing: MainWindow):
    review = reviewing.pages.review
    shown = {signal for signal, _ in review.stack.keys}
    assert {"RPM", "SHRTFT1", "ECT"} <= shown
    assert "FUELSYS1" not in shown
    assert "invented car" in review.plots.title.whole
    assert "3:59" in review.plots.title.whole or "4:00" in review.plots.title.whole
    assert review.stack.strips[0].canvas.look.event_times == (30 * SECOND,)
    assert review.judged is not None
    assert {c.condition.value for c in review.judged.conditions} & {"warm idle", "steady cruise"}


def test_a_finding_jumps_to_its_evidence(reviewing: MainWindow):
    review = reviewing.pages.review
    findings = review.findings.findings
    index = next(i for i, f in enumerate(findings) if f.evidence and f.band)
    shown = review.findings.list
    shown.setCurrentItem(shown.topLevelItem(index))
    finding = findings[index]
    for span in finding.evidence:
        assert review.view.start_ns <= span.start_ns
        assert span.end_ns <= review.view.end_ns
    assert review.stack.strips[0].canvas.look.shades == finding.evidence
    html = review.findings.detail.toPlainText()
    assert finding.reason in html
    assert finding.band is not None
    assert finding.band.basis[:20] in html
    assert review.findings.bar.isVisible()


def test_worst_findings_come_first(reviewing: MainWindow):
    severities = [f.verdict.severity for f in reviewing.pages.review.findings.findings]
    assert severities == sorted(severities, reverse=True)
    assert severities[0] == 2  # the drive was made far too lean at idle


def test_keys_step_through_findings(reviewing: MainWindow, qtbot):
    reviewing.activateWindow()
    reviewing.pages.review.stack.setFocus()
    qtbot.keyClick(reviewing.pages.review.stack, Qt.Key.Key_N)
    first = reviewing.pages.review.findings.list.currentItem()
    qtbot.keyClick(reviewing.pages.review.stack, Qt.Key.Key_N)
    assert reviewing.pages.review.findings.list.currentItem() is not first


def test_values_at_the_cursor(reviewing: MainWindow):
    review = reviewing.pages.review
    model = review.signals.model_
    names = [model.data(model.index(r, 0)) for r in range(model.rowCount())]
    recorded = names[: len(review.opened.recording.keys)]
    assert recorded == sorted(recorded)
    assert "TOTAL_TRIM1" in names[len(recorded) :]  # derived signals follow
    review.view.set_cursor(10 * SECOND)
    at = {n: model.data(model.index(r, 1)) for r, n in enumerate(names)}
    assert at["RPM"] == "800 rpm"
    assert at["ECT"] == "90 °C"
    assert "closed loop" in at["FUELSYS1"]
    review.view.set_cursor(None)
    assert model.data(model.index(0, 1)) == ""


def test_checking_a_signal_plots_it(reviewing: MainWindow):
    model = reviewing.pages.review.signals.model_
    row = [model.data(model.index(r, 0)) for r in range(model.rowCount())].index("FUELSYS1")
    model.setData(model.index(row, 0), Qt.CheckState.Checked, Qt.ItemDataRole.CheckStateRole)
    assert ("FUELSYS1", "7E8") in reviewing.pages.review.stack.keys


def test_zoom_keys(reviewing: MainWindow, qtbot):
    reviewing.activateWindow()
    stack, view = reviewing.pages.review.stack, reviewing.pages.review.view
    stack.setFocus()
    whole = view.width_ns
    qtbot.keyClick(stack, Qt.Key.Key_Up)
    assert view.width_ns == pytest.approx(whole * 0.7)
    start = view.start_ns
    qtbot.keyClick(stack, Qt.Key.Key_Right)
    assert view.start_ns > start
    qtbot.keyClick(stack, Qt.Key.Key_W)
    assert view.width_ns == pytest.approx(whole)
    qtbot.keyClick(stack, Qt.Key.Key_Period)
    assert view.cursor_ns is not None
    qtbot.keyClick(stack, Qt.Key.Key_Escape)
    assert view.cursor_ns is None


def test_strips_are_chosen_moved_and_removed_by_keys(reviewing: MainWindow, qtbot):
    reviewing.activateWindow()
    stack = reviewing.pages.review.stack
    stack.setFocus()
    before = [s.traces[0].signal for s in stack.strips]
    qtbot.keyClick(stack, Qt.Key.Key_J)
    assert stack.focused() is stack.strips[0]
    first = stack.strips[0]
    qtbot.keyClick(first, Qt.Key.Key_Down, Qt.KeyboardModifier.ControlModifier)
    after = [s.traces[0].signal for s in stack.strips]
    assert after == [before[1], before[0], *before[2:]]
    tops = [s.mapTo(stack, QPoint(0, 0)).y() for s in stack.strips]
    assert tops == sorted(tops)
    assert stack.focused() is first
    qtbot.keyClick(first, Qt.Key.Key_Delete)
    assert [s.traces[0].signal for s in stack.strips] == [before[1], *before[2:]]
    assert stack.focused() is stack.strips[1]
    model = reviewing.pages.review.signals.model_
    names = [model.data(model.index(r, 0)) for r in range(model.rowCount())]
    checked = model.data(model.index(names.index(before[0]), 0), Qt.ItemDataRole.CheckStateRole)
    assert checked == Qt.CheckState.Unchecked


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("missing.parquet", None, "missing.parquet"),
        ("text.parquet", b"RPM,VSS\n1,2\n", "text.parquet"),
        ("cut.parquet", b"PAR1" + b"\0" * 50, "cut.parquet"),
    ],
)
def test_wrong_files_are_a_sentence(
    window: MainWindow, tmp_path: Path, qtbot, name: str, content: bytes | None, says: str
):
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    window.pages.open_recordings([path])
    qtbot.waitUntil(lambda: window.pages.review.notice.text != "", timeout=20_000)
    assert says in window.pages.review.notice.text
    assert window.pages.review.opened is None
    assert window.pages.review.empty.isVisible()


def test_a_failed_opening_leaves_what_was_open(reviewing: MainWindow, tmp_path: Path, qtbot):
    before = reviewing.pages.review.opened
    reviewing.pages.open_recordings([tmp_path / "none.parquet"])
    qtbot.waitUntil(lambda: reviewing.pages.review.notice.text != "", timeout=20_000)
    assert reviewing.pages.review.opened is before
    assert reviewing.pages.review.stack.keys


def test_a_dropped_file_opens(window: MainWindow, drive_file: Path, qtbot):
    drop(window, drive_file)
    qtbot.waitUntil(lambda: window.pages.review.judged is not None, timeout=20_000)


def test_empty_page_says_how_to_begin(window: MainWindow, qtbot):
    window.pages.show_page("review")
    assert window.pages.review.empty.isVisible()
    assert "Ctrl+O" in window.pages.review.empty.button.text()


def test_opening_reads_without_pandas(drive_file: Path):
    """Its import takes longer than all else of an opening; a null value is NaN without it."""
    code = (
        "import sys; from pathlib import Path; from logbench.cases.work import Work;"
        "from logbench.cases.review import open_for_review;"
        f"opened = open_for_review(Path({str(drive_file)!r})).run(Work());"
        "print(len(opened.traces), 'pandas' in sys.modules)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    count, pandas = done.stdout.split()
    assert int(count) > 5
    assert pandas == "False"


def test_a_finding_in_words():
    finding = Finding(
        check="fuel_trim",
        subject="bank 1, warm idle",
        verdict=Verdict.ACT,
        reason="Total trim <b>is</b> high.",
        value=22.34567,
        uncertainty=1.234,
        unit="%",
        band=Band("k", "Total trim", "%", (-10, 10), (None, 15), "common practice, no source"),
        evidence=tuple(Span(n * SECOND, (n + 1) * SECOND) for n in range(9)),
        causes=("unmetered air",),
        next_steps=("smoke test",),
    )
    html = as_html(finding)
    assert "&lt;b&gt;is" in html  # texts are never markup
    for part in (
        "unmetered air",
        "smoke test",
        "no source",
        "−10 to 10 %",
        "at most 15 %",
        "3 more",
    ):
        assert part in html
    assert number_text(finding) == "+22.3 ±1.2 %"
