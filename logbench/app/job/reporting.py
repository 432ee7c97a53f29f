"""The report from the window: options and sentences are asked for, writing is done elsewhere."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from pydantic import ValidationError
from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QWidget

from logbench.app.job import working
from logbench.app.job.opened import OpenJob
from logbench.app.job.report_dialog import ReportDialog
from logbench.app.services import Services
from logbench.cases.runner import Running
from logbench.job.model import Job
from logbench.report.options import ReportOptions
from logbench.words import tr

REPORT = "report.pdf"


class Reporting(QObject):
    """Asks, keeps the rewritten sentences in the job, writes the file."""

    began = Signal()
    ended = Signal()
    written = Signal(object, object)
    """Path, and what could not be put in."""
    failed = Signal(str)

    def __init__(self, services: Services, parent: QWidget) -> None:
        super().__init__(parent)
        self._services, self._parent = services, parent
        self.dialog: ReportDialog | None = None
        self.show: Callable[[ReportDialog], bool] = lambda dialog: bool(dialog.exec())
        """Shows the dialog; tests put their own answer here."""

    def ask(self, opened: OpenJob) -> None:
        """Options first; the sentences come into the dialog as soon as they are made."""
        dialog = ReportDialog(self._services.settings, opened.folder.path / REPORT, self._parent)
        self.dialog = dialog
        job = opened.job.model_copy(deep=True)

        def make() -> Running:
            options = ReportOptions(units=dialog.units.currentData())

            def show(sentences: dict[str, str]) -> None:
                if self.dialog is dialog and options.units == dialog.units.currentData():
                    dialog.show_sentences(sentences)

            return self._services.jobs.start(
                lambda task: working.sentences(opened.folder, job, options, task),
                show,
                self.failed.emit,
            )

        def make_again() -> None:
            if not dialog.rewritten():  # what was typed is not thrown away
                tasks.append(make())

        tasks = [make()]
        dialog.units.activated.connect(make_again)
        agreed = self.show(dialog)
        for task in tasks:
            task.cancel()
        self.dialog = None
        if not agreed:
            return
        rewritten = dialog.rewritten()
        if rewritten:
            opened.edit(lambda job: _rewrite(job, rewritten))
            opened.flush()
        try:
            options = dialog.options()
        except ValidationError as error:
            what = error.errors()[0]
            where = " ".join(str(part) for part in what["loc"]).replace("_", " ")
            self.failed.emit(
                tr("The report's {where} is not taken: {msg}.", where=where, msg=what["msg"])
            )
            return
        self.write(opened, dialog.path, options)

    def write(self, opened: OpenJob, path: Path, options: ReportOptions) -> None:
        """Write the report of the job as it is now."""
        job = opened.job.model_copy(deep=True)
        self.began.emit()
        self._services.jobs.start(
            lambda task: working.report(opened.folder, job, path, options, task),
            self._done,
            self._failed,
        )

    def _done(self, result: tuple[Path, tuple[str, ...]]) -> None:
        self.ended.emit()
        self.written.emit(*result)

    def _failed(self, sentence: str) -> None:
        self.ended.emit()
        self.failed.emit(sentence)


def _rewrite(job: Job, rewritten: dict[str, str]) -> None:
    kept = dict(job.sentences)
    for key, text in rewritten.items():
        if text:
            kept[key] = text
        else:
            kept.pop(key, None)
    job.sentences = kept
