"""An exercise in the window: begun on the Job page, tests done, committed, the truth told."""

from __future__ import annotations

from pathlib import Path

import pytest
from pytestqt.qtbot import QtBot

from logbench.analysis.causes.catalog import CAUSES
from logbench.analysis.causes.hand_tests import HAND_TESTS, Done
from logbench.analysis.causes.next_tests import next_tests
from logbench.analysis.engine import Engine
from logbench.app.causes.panel import CausesPanel
from logbench.app.job.exercise import ExerciseDialog
from logbench.app.job.page import CAUSES as CAUSES_TAB
from logbench.app.theme import Look
from logbench.app.window import MainWindow
from logbench.cases.exercise import Play
from logbench.simulator.exercise import Exercise
from tests.analysis.causes.handmade import LEAN
from tests.app.jobs import on_disk
from tests.app.test_causes_panel import rows

LEAKS = Exercise(2, "diesel")
PLAY = Play(LEAKS)


@pytest.fixture
def panel(qtbot: QtBot) -> CausesPanel:
    made = CausesPanel(Look("light"))
    qtbot.addWidget(made)
    return made


def tabs_of(panel: CausesPanel) -> list[str]:
    tabs = panel.tabs
    return [tabs.tabText(n) for n in range(tabs.count()) if tabs.isTabVisible(n)]


def test_in_an_exercise_the_weighing_is_hidden_until_advice_is_asked_for(panel: CausesPanel):
    panel.show_causes(LEAN, play=PLAY)
    assert panel.bars.isHidden()
    assert tabs_of(panel) == ["Next tests", "Tests done"]
    assert panel.head.text().startswith("What is wrong with this car?")
    shown = [row[2].removeprefix("▲ ") for row in rows(panel.tests.list)]
    assert shown == [test.title for test in HAND_TESTS.values() if test.title in shown]
    assert len(shown) > 50
    assert "would leave" not in panel.tests.detail.toPlainText()
    assert panel.tests.what_if.isHidden()
    panel.exercise.advice.click()
    assert not panel.bars.isHidden()
    assert "unmetered air" in panel.head.text()
    best = next_tests(LEAN, Engine())
    assert [row[2].removeprefix("▲ ") for row in rows(panel.tests.list)] == [
        one.test.title for one in best
    ]
    assert "would leave" in panel.tests.detail.toPlainText()


def test_a_test_is_done_instead_of_entered_and_its_minutes_are_counted(panel: CausesPanel):
    done: list[Done] = []
    panel.entered.connect(done.append)
    panel.show_causes(LEAN, play=PLAY)
    panel.tests.list.setCurrentItem(panel.tests.list.topLevelItem(3))
    test = panel.tests.chosen.test
    assert panel.tests.enter.text() == f"Do it: {test.minutes:g} min"
    panel.tests.enter.click()
    assert done == [PLAY.perform(test.key)]
    panel.show_causes(LEAN, done=done, play=PLAY)
    assert panel.exercise.said.text() == f"Exercise diesel-2: {test.minutes:g} min of tests."
    assert rows(panel.log) == [[done[0].words, ""]]
    assert panel.take_back.isHidden()
    assert test.title not in {row[2] for row in rows(panel.tests.list)}


def test_one_commits_to_a_cause_and_is_told_the_truth(panel: CausesPanel):
    committed: list[tuple[str, ...]] = []
    panel.committed.connect(committed.append)
    panel.show_causes(LEAN, play=PLAY)
    bar = panel.exercise
    assert not bar.go.isEnabled()
    bar.first.setCurrentIndex(bar.first.findData("unmetered_air"))
    bar.go.click()
    bar.second.setCurrentIndex(bar.second.findData("maf_low"))
    bar.go.click()
    assert committed == [("unmetered_air",), ("unmetered_air", "maf_low")]
    done = [PLAY.perform("smoke_test")]
    panel.show_causes(LEAN, done=done, play=Play(LEAKS, ("unmetered_air",)))
    assert tabs_of(panel)[-1] == "What was wrong"
    assert panel.tabs.currentWidget() is panel.truth
    text = panel.truth.toPlainText()
    assert "Not found." in text
    (wrong,) = LEAKS.faults()
    assert CAUSES[wrong].text in text
    assert "Your tests took 25 min." in text
    assert "Better: " in text or "choice" in text
    assert panel.tests.enter.isHidden()
    assert not panel.bars.isHidden()
    panel.show_causes(LEAN)  # a job that is none
    assert bar.isHidden()
    assert "What was wrong" not in tabs_of(panel)


def test_the_dialog_takes_the_text_of_somebody_else(qtbot: QtBot):
    dialog = ExerciseDialog(None)
    qtbot.addWidget(dialog)
    assert dialog.chosen.kind == "any"
    dialog.kind.setCurrentIndex(dialog.kind.findData("hybrid"))
    assert dialog.chosen.kind == "hybrid"
    qtbot.keyClicks(dialog.text, "42")
    assert dialog.chosen == Exercise(42, "hybrid")
    dialog.text.setText("diesel-4711")
    assert dialog.chosen == Exercise(4711, "diesel")
    assert not dialog.kind.isEnabled()
    dialog.text.setText("steam-1")
    assert not dialog.go.isEnabled()
    assert "not an exercise" in dialog.said.text()


def test_it_is_played_on_the_job_page_and_goes_on_on_review(
    window: MainWindow, tmp_path: Path, qtbot: QtBot
):
    window.services.settings.folder = tmp_path
    window.pages.show_page("job")
    job = window.pages.job
    asked: list[ExerciseDialog] = []

    def answer(dialog: ExerciseDialog) -> bool:
        dialog.text.setText(LEAKS.text)
        asked.append(dialog)
        return True

    job.exercises.ask = answer
    job.empty.extra.itemAt(2).widget().click()
    qtbot.waitUntil(lambda: job.opened is not None, timeout=120_000)
    assert len(asked) == 1
    causes = job.tabs.causes
    assert job.tabs.currentIndex() == CAUSES_TAB
    qtbot.waitUntil(lambda: rows(causes.panel.tests.list) != [], timeout=60_000)
    titles = [window.windowTitle(), job.title.whole, job.opened.job.concern]
    (wrong,) = LEAKS.faults()
    assert not any(wrong in told or CAUSES[wrong].text in told for told in titles)
    causes.panel.tests.enter.click()
    assert len(on_disk(job).tests) == 1
    window.pages.open_recordings([job.opened.place(job.opened.job.recordings[0].file)])
    review = window.pages.review
    qtbot.waitUntil(lambda: rows(review.causes.log) != [], timeout=60_000)
    assert review.causes.bars.isHidden()
    bar = review.causes.exercise
    bar.first.setCurrentIndex(bar.first.findData(wrong))
    bar.go.click()
    qtbot.waitUntil(lambda: "Right." in review.causes.truth.toPlainText())
    assert on_disk(job).committed == [wrong]


def test_a_drive_of_ones_own_has_its_link_on_the_live_page(
    window: MainWindow, tmp_path: Path, qtbot: QtBot
):
    window.services.settings.folder = tmp_path
    window.pages.show_page("job")
    job = window.pages.job
    job.exercises.begin(LEAKS, driven=False)
    qtbot.waitUntil(lambda: job.opened is not None, timeout=30_000)
    assert window.pages.live.set_up.link.url() == LEAKS.link
    assert "record the drive there" in job.notice.text
