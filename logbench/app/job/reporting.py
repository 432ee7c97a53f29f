"""The report from the window: options and sentences are asked for, then it is written."""

from __future__ import annotations

from collections.abc import Callable

from pydantic import ValidationError
from PySide6.QtCore import QObject, Signal
from PySide6.QtWidgets import QWidget

from logbench.app.job.opened import OpenJob
from logbench.app.job.report_dialog import ReportDialog
from logbench.cases.job import MakeSentences, WriteReport, Written
from logbench.cases.settings import Settings
from logbench.job.model import Job
from logbench.report.options import ReportOptions
from logbench.words import tr

REPORT = "report.pdf"


class Reporting(QObject):
    """Asks, keeps the rewritten sentences in the job, writes the file."""

    written = Signal(object, object)
    """Path, and `Outcome`."""

    def __init__(self, settings: Settings, parent: QWidget) -> None:
        super().__init__(parent)
        self._settings, self._parent = settings, parent
        self.show: Callable[[ReportDialog], bool] = lambda dialog: bool(dialog.exec())
        """Shows the dialog; tests put their own answer here."""

    def ask(self, opened: OpenJob) -> None:
        """Options first; the sentences come into the dialog as soon as they are made."""
        dialog = ReportDialog(self._settings, opened.folder.path / REPORT, self._parent)
        job = opened.snapshot()

        def make() -> None:
            if not dialog.rewritten():  # what was typed is not thrown away
                options = ReportOptions(units=dialog.units.currentData())
                sentences = MakeSentences(opened.folder, job, options)
                opened.start(sentences, dialog.show_sentences, slot="sentences")

        make()
        dialog.units.activated.connect(make)
        if self.show(dialog):
            self._write(opened, dialog)
        opened.owner.cancel("sentences")

    def _write(self, opened: OpenJob, dialog: ReportDialog) -> None:
        rewritten = dialog.rewritten()
        if rewritten:
            opened.edit(lambda job: _rewrite(job, rewritten))
            opened.flush()
        try:
            options = dialog.options()
        except ValidationError as error:
            what = error.errors()[0]
            where = " ".join(str(part) for part in what["loc"]).replace("_", " ")
            opened.trouble(
                tr("The report's {where} is not taken: {msg}.", where=where, msg=what["msg"])
            )
            return
        report = WriteReport(opened.folder, opened.snapshot(), dialog.path, options)

        def done(written: Written) -> None:
            self.written.emit(written.path, report.outcome(written))

        opened.started.emit()
        opened.owner.start(report, done, opened.trouble)


def _rewrite(job: Job, rewritten: dict[str, str]) -> None:
    kept = {**job.sentences, **rewritten}
    job.sentences = {key: text for key, text in kept.items() if text}
