"""The view of causes: bars, evidence, the next tests, a what-if, and outcomes that are entered."""

from __future__ import annotations

from pathlib import Path

import pytest
from PySide6.QtCore import Qt
from pytestqt.qtbot import QtBot

from logbench.analysis.causes.hand_tests import HAND_TESTS, Done, after_tests
from logbench.analysis.causes.model import Causes, Observation, Weight
from logbench.analysis.causes.next_tests import next_tests
from logbench.analysis.causes.sentence import headline
from logbench.analysis.engine import Engine
from logbench.analysis.model import Span
from logbench.app.causes.panel import CausesPanel
from logbench.app.job.page import CAUSES, RECORDS
from logbench.app.theme import Look
from logbench.app.window import MainWindow
from logbench.job.folder import create_job
from tests.analysis.causes.handmade import LEAN, explained
from tests.app.jobs import new_job, on_disk


@pytest.fixture
def panel(qtbot: QtBot) -> CausesPanel:
    made = CausesPanel(Look("light"))
    qtbot.addWidget(made)
    return made


def rows(tree: object) -> list[list[str]]:
    columns = tree.columnCount()
    return [
        [tree.topLevelItem(row).text(column) for column in range(columns)]
        for row in range(tree.topLevelItemCount())
    ]


def with_evidence(causes: Causes) -> Causes:
    seen = Observation("fuel_trim|bank 1", "Trim high at idle", (Span(0, 10**9),), finding=3)
    first, *rest = causes.ranked
    known = type(first)(
        first.cause, first.probability, (Weight(seen, 2.5),),
        (Weight(Observation("x|y", "Idle speed as usual"), -1.0),),
    )  # fmt: skip
    left = (Observation("code|P0500", "Code P0500"),)
    return Causes(causes.hypotheses, (known, *rest), left)


def test_causes_stand_with_their_probability_the_likeliest_first(panel: CausesPanel):
    panel.show_causes(LEAN)
    assert [row[0] for row in rows(panel.bars)] == ["45 %", "40 %", "10 %", "5 %"]
    assert panel.head.text() == headline(LEAN)
    assert "Not a verdict" in panel.state.text()
    many = explained(**{f"cause_{n}": 1 / 200 for n in range(100)}, maf_low=0.5)
    panel.show_causes(many)
    assert rows(panel.bars)[1:] == [["", "100 more, each less likely"]]


def test_what_speaks_for_a_cause_and_against_it_opens_its_evidence(panel: CausesPanel):
    told: list[Observation] = []
    panel.observed.connect(told.append)
    panel.show_causes(with_evidence(LEAN))
    assert rows(panel.evidence) == [
        ["for 12 : 1", "Trim high at idle"],
        ["against 2.7 : 1", "Idle speed as usual"],
        ["unexplained", "Code P0500"],
    ]
    assert told == []
    panel.evidence.setCurrentItem(panel.evidence.topLevelItem(0))
    assert [(one.key, one.finding) for one in told] == [("fuel_trim|bank 1", 3)]
    panel.bars.setCurrentItem(panel.bars.topLevelItem(1))
    assert [row[0] for row in rows(panel.evidence)] == ["unexplained"]


def test_the_next_tests_are_in_order_with_their_cost_and_what_outcomes_would_leave(
    panel: CausesPanel,
):
    panel.show_causes(LEAN)
    proposed = next_tests(LEAN, Engine())
    shown = rows(panel.tests.list)
    assert [row[2].removeprefix("▲ ") for row in shown] == [p.test.title for p in proposed]
    assert [row[1] for row in shown] == [f"{p.test.minutes:g}" for p in proposed]
    text = panel.tests.detail.toPlainText()
    first = proposed[0].test
    assert first.what in text
    assert all(caution.text in text for caution in first.cautions)
    for left in proposed[0].leaves(LEAN):
        assert headline(left.causes) in text


def choose(panel: CausesPanel, test: str, outcome: str) -> None:
    proposed = [one.test.key for one in panel.tests._proposed]
    panel.tests.list.setCurrentItem(panel.tests.list.topLevelItem(proposed.index(test)))
    panel.tests.outcome.setCurrentIndex(panel.tests.outcome.findData(outcome))


def test_a_what_if_shows_what_an_outcome_would_leave_and_keeps_nothing(panel: CausesPanel):
    kept: list[Done] = []
    panel.entered.connect(kept.append)
    panel.show_causes(LEAN)
    choose(panel, "smoke_test", "leak")
    panel.tests.what_if.click()
    after = after_tests(LEAN, [Done("smoke_test", "leak")])
    assert panel.head.text() == (
        f"What if Smoke test of the intake: smoke escapes from the intake? {headline(after)}"
    )
    assert rows(panel.bars)[0][0] == "94 %"
    panel.tests.what_if.click()
    assert panel.head.text() == headline(LEAN)
    assert kept == []


def test_an_outcome_is_entered_updates_everything_and_is_taken_back(panel: CausesPanel):
    done: list[Done] = []
    taken: list[int] = []
    panel.entered.connect(done.append)
    panel.withdrawn.connect(taken.append)
    panel.show_causes(LEAN)
    choose(panel, "smoke_test", "leak")
    panel.tests.enter.click()
    assert done == [Done("smoke_test", "leak")]
    panel.show_causes(LEAN, done=done)
    assert panel.head.text().startswith("Most likely: unmetered air")
    assert HAND_TESTS["smoke_test"].title not in {row[2] for row in rows(panel.tests.list)}
    ((outcome, did),) = rows(panel.log)
    assert outcome == "Smoke test of the intake: smoke escapes from the intake"
    assert did.startswith("points to unmetered air")
    panel.take_back.click()
    assert taken == [0]


def test_a_number_decides_where_a_limit_holds_and_one_that_is_none_is_refused(panel: CausesPanel):
    done: list[Done] = []
    panel.entered.connect(done.append)
    panel.show_causes(explained(worn_battery=0.5, weak_alternator=0.3, starter=0.2))
    choose(panel, "battery_load", "nothing")
    panel.tests.number.setText("8,9")
    panel.tests.enter.click()
    panel.tests.number.setText("flat")
    panel.tests.enter.click()
    assert done == [Done("battery_load", "weak", 8.9)]
    assert "'flat' is not a number in V" in panel.state.text()


def test_without_a_job_nothing_is_entered_but_a_what_if_is_shown(panel: CausesPanel):
    done: list[Done] = []
    panel.entered.connect(done.append)
    panel.let_enter(False)
    panel.show_causes(LEAN)
    choose(panel, "smoke_test", "leak")
    panel.tests.number.returnPressed.emit()
    assert panel.tests.enter.isHidden()
    assert not panel.tests.what_if.isHidden()
    assert done == []


def test_without_causes_it_says_why(panel: CausesPanel):
    panel.show_causes(None, state="Nothing to weigh.")
    assert panel.state.text() == "Nothing to weigh."
    assert rows(panel.tests.list) == []


def test_review_weighs_the_causes_and_an_observation_opens_its_finding(
    window: MainWindow, drive_file: Path, qtbot: QtBot
):
    window.pages.open_recordings([drive_file])
    review = window.pages.review
    qtbot.waitUntil(lambda: rows(review.causes.bars) != [], timeout=30_000)
    assert review.causes.head.text()
    assert review.causes.tests.enter.isHidden()  # the recording is in no job
    shares = [r.probability for r in review.causes._evidence_of.ranked]
    assert shares == sorted(shares, reverse=True)
    judged = [f for f in review.judged.findings if f.value is not None]
    place = review.judged.findings.index(judged[0])
    shown: list[object] = []
    review.plots.show_spans = lambda spans, *_: shown.append(spans)
    review.causes.observed.emit(Observation("a|b", "", finding=place))
    assert shown == [judged[0].evidence]


def test_in_a_job_an_outcome_entered_on_review_is_kept_and_taken_back(
    window: MainWindow, drive_file: Path, tmp_path: Path, qtbot: QtBot
):
    folder, job = create_job(tmp_path, "Rough idle, invented")
    folder.add_recording(job, drive_file, "before")
    folder.save(job)
    window.pages.open_recordings([folder.place(job.recordings[0].file)])
    review = window.pages.review
    qtbot.waitUntil(lambda: rows(review.causes.bars) != [], timeout=30_000)
    review.causes.entered.emit(Done("smoke_test", "leak"))
    qtbot.waitUntil(lambda: len(rows(review.causes.log)) == 1)
    assert [test.done for test in folder.load().tests] == [Done("smoke_test", "leak")]
    review.causes.take_back.click()
    qtbot.waitUntil(lambda: rows(review.causes.log) == [])
    assert folder.load().tests == []


def test_in_the_job_complaints_and_outcomes_are_edits_that_are_undone(
    window: MainWindow, drive_file: Path, tmp_path: Path, qtbot: QtBot
):
    page = new_job(window, tmp_path)
    folder = page.opened.folder
    page.opened.edit(lambda job: folder.add_recording(job, drive_file, "before"))
    page.tabs.show_part(CAUSES)
    causes = page.tabs.causes
    qtbot.waitUntil(lambda: rows(causes.panel.bars) != [], timeout=60_000)
    item = causes.symptoms.item(0)
    item.setCheckState(Qt.CheckState.Checked)
    assert on_disk(page).symptoms == [item.data(Qt.ItemDataRole.UserRole)]
    causes.panel.entered.emit(Done("smoke_test", "leak"))
    assert [test.done for test in on_disk(page).tests] == [Done("smoke_test", "leak")]
    assert len(rows(causes.panel.log)) == 1
    page.opened.undo()
    assert on_disk(page).tests == []
    assert rows(causes.panel.log) == []
    page.opened.undo()
    assert item.checkState() == Qt.CheckState.Unchecked


def test_an_observation_in_the_job_opens_review_at_its_evidence_in_the_right_recording(
    window: MainWindow, drive_file: Path, tmp_path: Path, qtbot: QtBot
):
    """Seen: it opened Review of the last drive, wherever the evidence was."""
    demo = Path(__file__).resolve().parents[2] / "recordings" / "before.parquet"
    page = new_job(window, tmp_path)
    folder = page.opened.folder
    for file in (demo, drive_file):
        page.opened.edit(lambda job, file=file: folder.add_recording(job, file, "before"))
    page.tabs.show_part(CAUSES)
    causes = page.tabs.causes
    qtbot.waitUntil(lambda: rows(causes.panel.bars) != [], timeout=60_000)
    explained = causes._explained
    place = next(
        n for n, f in enumerate(explained.findings)
        if f.check == "fuel_trim" and f.evidence and "before" in explained.files[n]
    )  # fmt: skip
    finding = explained.findings[place]
    causes.panel.opened.emit(Observation("fuel_trim|x", "", finding=place))
    review = window.pages.review
    shown: list[object] = []
    review.plots.show_spans = lambda spans, *_: shown.append(spans)
    qtbot.waitUntil(lambda: shown != [], timeout=60_000)
    assert window.pages.currentWidget() is review
    assert review.opened.recording.path.name == "before.parquet"
    assert shown == [finding.evidence]
    causes.panel.opened.emit(Observation("fuel_trim|x", "", finding=place))  # open already
    assert shown == [finding.evidence] * 2


def test_codes_complaints_and_tests_in_the_job_open_where_they_are(
    window: MainWindow, tmp_path: Path
):
    page = new_job(window, tmp_path)
    page.tabs.show_part(CAUSES)
    causes = page.tabs.causes
    causes.panel.opened.emit(Observation("symptom|stalls", ""))
    assert causes.symptoms.currentItem().text() == "stalls"
    causes.panel.opened.emit(Observation("test|smoke_test", ""))
    assert causes.panel.tabs.tabText(causes.panel.tabs.currentIndex()) == "Tests done"
    causes.panel.opened.emit(Observation("code|P0171", ""))
    assert page.tabs.currentIndex() == RECORDS


def test_choosing_by_arrows_opens_nothing_and_a_click_does(panel: CausesPanel, qtbot: QtBot):
    told: list[Observation] = []
    panel.opened.connect(told.append)
    panel.show_causes(with_evidence(LEAN))
    panel.show()
    panel.evidence.setCurrentItem(panel.evidence.topLevelItem(0))
    qtbot.keyClick(panel.evidence, Qt.Key.Key_Down)
    assert told == []
    place = panel.evidence.visualItemRect(panel.evidence.topLevelItem(0)).center()
    qtbot.mouseClick(panel.evidence.viewport(), Qt.MouseButton.LeftButton, pos=place)
    assert [one.key for one in told] == ["fuel_trim|bank 1"]


def test_what_is_certain_needs_no_test_and_the_panel_says_so(panel: CausesPanel):
    panel.show_causes(explained(unmetered_air=0.97, maf_low=0.03))
    assert rows(panel.tests.list) == []
    assert panel.tests.none.text().startswith("No test is needed to tell what it is: unmetered air")
    assert panel.tests.split.isHidden()
