"""Work belongs to the job it was asked for: another job opened, the page left or the window closed
while it runs costs nothing, and one notice says how it went and of which job.

Each piece of work is held in its midst, the user goes away, and it is let go again.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from pytestqt.qtbot import QtBot

from logbench.app.job.car_actions import GuardDialog
from logbench.app.notice import Notice, Remedy
from logbench.app.window import MainWindow
from logbench.cases.job import WriteReport
from logbench.cases.work import Work
from logbench.job.folder import JobFolder, create_job, open_job
from logbench.job.model import Job
from logbench.simulator.model import WARM_IDLE
from logbench.simulator.timing import Timing
from logbench.vehicle.gate import CONSENT
from tests.app.comparing import DRIVES, drop
from tests.serving import serve_tcp
from tests.still import StillCar

SLOW_MS, SOON_S = 100_000, 60.0
QUICK = Timing(baud=0, latency_ms=1.0, command_ms=0.5, reset_ms=20.0)
MINE, OTHER = "Rough idle", "Blue van"


class Gate:
    """Holds the work at the first step whose text begins with `step`."""

    def __init__(self, step: str) -> None:
        self.step = step
        self.reached, self.go = threading.Event(), threading.Event()

    def __call__(self, text: str) -> None:
        if text.startswith(self.step):
            self.reached.set()
            assert self.go.wait(SOON_S)


@pytest.fixture
def notices(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every notice that is shown, on whichever page."""
    shown: list[str] = []
    show = Notice._show

    def note(notice: Notice, name: str, sentence: str, button: str, run: Remedy) -> None:
        shown.append(sentence)
        show(notice, name, sentence, button, run)

    monkeypatch.setattr(Notice, "_show", note)
    return shown


@dataclass
class Workshop:
    """Two jobs, the first of them open, and a car."""

    window: MainWindow
    mine: JobFolder
    other: JobFolder
    car: StillCar
    url: str

    def job(self, folder: JobFolder) -> Job:
        return open_job(folder.path)[1]


@pytest.fixture
def shop(window: MainWindow, tmp_path: Path) -> Iterator[Workshop]:
    made = [create_job(tmp_path, title) for title in (MINE, OTHER)]
    for folder, job in made:
        for drive, role in zip(DRIVES, ("before", "after"), strict=True):
            folder.add_recording(job, drive, role)
        folder.save(job)
    (mine, _), (other, _) = made
    car = StillCar(values={**WARM_IDLE, "RPM": 0.0, "VSS": 0.0}, stored=("P0171",))
    with serve_tcp(car, timing=QUICK) as url:
        window.pages.show_page("job")
        assert window.pages.job.open_path(mine.path)
        window.pages.job.tabs.records.link.choose(url)
        yield Workshop(window, mine, other, car, url)


# --- the work -----------------------------------------------------------------------------------


def read(shop: Workshop) -> None:
    shop.window.pages.job.tabs.records.read_button.click()


def clear(shop: Workshop) -> None:
    def agree(dialog: GuardDialog) -> bool:
        dialog.tick.setChecked(True)
        dialog.words.setText(CONSENT)
        return True

    shop.window.pages.job.tabs.records.car.ask = agree
    shop.window.pages.job.tabs.records.clear_button.click()


def add(shop: Workshop) -> None:
    page = shop.window.pages.job
    page.tabs.adding.add(page.opened, [*DRIVES, DRIVES[0].parent / "no such file.jpg"])


def compare(shop: Workshop) -> None:
    shop.window.pages.job.tabs.recordings.compare()


def report(shop: Workshop) -> None:
    shop.window.pages.job.reporting.show = lambda dialog: True
    shop.window.pages.job.ask_for_report()


def read_is_kept(shop: Workshop, whole: bool) -> None:
    (entry,) = shop.job(shop.mine).readings
    reading = shop.mine.reading(entry)
    assert [code.code for code in reading.codes_in("stored")] == ["P0171"]
    assert reading.complete is whole


def cleared_is_kept(shop: Workshop, whole: bool) -> None:
    job = shop.job(shop.mine)
    assert [event.kind for event in job.events] == ["codes cleared"]
    assert [entry.role for entry in job.readings] == ["before", "other"]
    assert shop.car.codes(0x03) == ()  # seen through, also while the window closes


def added_is_kept(shop: Workshop, whole: bool) -> None:
    files = [entry.file for entry in shop.job(shop.mine).recordings]
    assert len(files) == 4
    assert all(shop.mine.place(file).is_file() for file in files)


def compared_is_kept(shop: Workshop, whole: bool) -> None:
    kept = shop.job(shop.mine).comparisons
    assert [c.before for c in kept] == [["recordings/before.parquet"]] * whole
    assert all("Resolved: fuel trim" in c.sentence for c in kept)


def report_is_kept(shop: Workshop, whole: bool) -> None:
    assert (shop.mine.path / "report.pdf").read_bytes().startswith(b"%PDF")
    assert not (shop.other.path / "report.pdf").exists()


@dataclass(frozen=True)
class Piece:
    """What is asked for, where it is held, what must be in the job, and what is said."""

    ask: Callable[[Workshop], None]
    held_at: str
    kept: Callable[[Workshop, bool], None]
    says: str


WORK = {
    "read": Piece(read, "Reading freeze frames", read_is_kept, "The car was read and kept: 1"),
    "clear": Piece(clear, "Clearing the codes", cleared_is_kept, "7E9 cleared."),
    "add": Piece(add, "Adding after.parquet", added_is_kept, "2 files added to the job."),
    "compare": Piece(compare, "Comparing: reading", compared_is_kept, "Kept in the job"),
    "report": Piece(report, "Writing the report", report_is_kept, "Report written:"),
}


# --- where the user goes ------------------------------------------------------------------------


def opens_another_job(shop: Workshop) -> None:
    shop.window.pages.show_page("job")
    assert shop.window.pages.job.open_path(shop.other.path)


def leaves_the_page(shop: Workshop) -> None:
    shop.window.pages.show_page("live")


@pytest.fixture
def gate(monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> Iterator[Gate]:
    held = Gate(WORK[request.getfixturevalue("work")].held_at)
    report_it, write = Work.report, WriteReport.run

    def reported(work: Work, text: str, share: float = 0.0) -> None:
        held(text)
        report_it(work, text, share)

    def written(case: WriteReport, work: Work):
        held(case.title)
        return write(case, work)

    monkeypatch.setattr(Work, "report", reported)
    monkeypatch.setattr(WriteReport, "run", written)
    yield held
    held.go.set()


@pytest.mark.parametrize("go", [opens_another_job, leaves_the_page])
@pytest.mark.parametrize("work", WORK)
def test_it_goes_on_when_the_user_goes_elsewhere(
    shop: Workshop, gate: Gate, notices: list[str], qtbot: QtBot, work: str, go
):
    untouched = shop.job(shop.other)
    piece = WORK[work]
    piece.ask(shop)
    qtbot.waitUntil(gate.reached.is_set, timeout=SLOW_MS)
    go(shop)
    notices.clear()
    gate.go.set()
    qtbot.waitUntil(lambda: bool(notices), timeout=SLOW_MS)
    qtbot.waitUntil(lambda: not shop.window.services.runner.busy, timeout=SLOW_MS)
    qtbot.wait(50)
    (notice,) = notices
    assert piece.says in notice
    assert MINE in notice
    assert OTHER not in notice
    assert notice.startswith("■") is (work == "add")  # one of its files is none
    piece.kept(shop, True)
    assert shop.job(shop.other) == untouched
    assert not shop.window.pages.job.work_bar.isVisible()
    assert shop.window.pages.job.tabs.records.read_button.isEnabled()


@pytest.mark.parametrize("work", WORK)
def test_nothing_is_lost_when_the_window_closes(
    shop: Workshop, gate: Gate, qtbot: QtBot, work: str, monkeypatch: pytest.MonkeyPatch
):
    """A reading is kept as far as it came, a comparison is made again; the rest is whole."""
    untouched = shop.job(shop.other)
    piece = WORK[work]
    piece.ask(shop)
    qtbot.waitUntil(gate.reached.is_set, timeout=SLOW_MS)
    stop = Work.stop

    def let_go(work: Work) -> None:
        stop(work)
        gate.go.set()

    cancel = Work.cancel

    def cancelled(work: Work) -> bool:
        answer = cancel(work)
        gate.go.set()
        return answer

    monkeypatch.setattr(Work, "stop", let_go)
    monkeypatch.setattr(Work, "cancel", cancelled)
    shop.window.close()
    qtbot.waitUntil(lambda: not shop.window.isVisible(), timeout=SLOW_MS)
    piece.kept(shop, work not in ("read", "compare"))
    assert shop.job(shop.other) == untouched


def test_a_reading_for_another_job_is_shown_with_its_name_and_can_be_canceled(
    shop: Workshop, monkeypatch: pytest.MonkeyPatch, qtbot: QtBot, notices: list[str]
):
    held = Gate("Reading freeze frames")
    report_it = Work.report

    def reported(work: Work, text: str, share: float = 0.0) -> None:
        held(text)
        report_it(work, text, share)

    monkeypatch.setattr(Work, "report", reported)
    read(shop)
    qtbot.waitUntil(held.reached.is_set, timeout=SLOW_MS)
    opens_another_job(shop)
    bar, records = shop.window.pages.job.work_bar, shop.window.pages.job.tabs.records
    qtbot.waitUntil(lambda: bar.doing.whole.startswith(f"{MINE}: "), timeout=SLOW_MS)
    assert not records.read_button.isEnabled()  # the car is in use
    notices.clear()
    bar.cancel_button.click()
    assert not bar.isVisible()
    held.go.set()
    qtbot.waitUntil(lambda: not shop.window.services.runner.busy, timeout=SLOW_MS)
    qtbot.wait(50)
    assert notices == []
    assert shop.job(shop.mine).readings == []
    assert shop.job(shop.other).readings == []


def test_files_dropped_for_a_job_go_there_though_another_was_opened_before_they_were_ready(
    shop: Workshop, qtbot: QtBot
):
    """Other programs' files are imported first, and that takes its time."""
    page = shop.window.pages.job
    page.files_dropped.disconnect()
    waiting: list[Callable[[list[Path]], object]] = []
    page.files_dropped.connect(lambda paths, then: waiting.append(then))
    drop(page, DRIVES[0])
    opens_another_job(shop)
    waiting[0]([DRIVES[0]])
    qtbot.waitUntil(lambda: len(shop.job(shop.mine).recordings) == 3, timeout=SLOW_MS)
    assert len(shop.job(shop.other).recordings) == 2
