"""The report from the window: options and sentences are asked for, then it is written."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from pydantic import ValidationError
from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLineEdit,
    QPlainTextEdit,
    QTableWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.app.job.opened import OpenJob
from logbench.app.opening import open_written
from logbench.app.parts import (
    STRETCH,
    Answers,
    Dialog,
    Form,
    heads_left,
    lay,
    muted,
    named,
    text_button,
)
from logbench.app.plain import Choice, TableCell
from logbench.cases.job import WriteReport, Written, make_sentences
from logbench.cases.settings import Settings
from logbench.cases.work import Outcome
from logbench.job.model import Job
from logbench.report.options import ALWAYS, SECTIONS, ReportOptions
from logbench.system.refusal import refusal_of
from logbench.words import tr, word

REPORT = "report.pdf"
_MOST_SHOP_LINES = 6
_AUDIENCES = {
    tr("Claims file: all, with the evidence"): "claims",
    tr("Technician: all"): "technician",
    tr("Owner: one page"): "owner",
}
_PAPERS = {"A4": "A4", tr("US letter"): "letter"}
_UNITS = {tr("Metric"): "metric", tr("US"): "us"}


class ReportDialog(Dialog):
    """Options with what was chosen the last time."""

    def __init__(self, settings: Settings, out: Path, parent: QWidget) -> None:
        super().__init__(tr("Report"), parent, 720)
        self._settings = settings
        self.paper = self._box(tr("Paper"), _PAPERS, settings.report_paper)
        self.units = self._box(tr("Units"), _UNITS, settings.report_units)
        self.audience = self._box(tr("For whom"), _AUDIENCES, settings.report_audience)
        self.private = QCheckBox(tr("Without personal data"))
        self.private.setToolTip(
            tr("Whose car it is, where and when, and all that was typed stay behind: shop, photos")
        )
        self.private.toggled.connect(self._show_private)
        self.shop = named(
            QPlainTextEdit(settings.report_shop, tabChangesFocus=True),
            tr("Shop: name, then address and telephone, a line each"),
        )
        self.shop.setPlaceholderText(tr("Name of the shop, then address, telephone …"))
        self.shop.setFixedHeight(84)
        self.logo = named(QLineEdit(settings.report_logo), tr("File of the shop's logo"))
        self.logo.setPlaceholderText(tr("PNG or JPEG (optional)"))
        self.out = named(QLineEdit(str(out)), tr("File to write, .pdf or .html"))
        self.sections = {section: QCheckBox(word(section.title())) for section in SECTIONS}
        for section, box in self.sections.items():
            box.setChecked(True)
            box.setEnabled(section not in ALWAYS)
        self.sentences = named(QTableWidget(0, 2), tr("Sentences of the report"))
        self._keys: list[str] = []
        self._made: dict[str, str] = {}
        self.answers = Answers(self, tr("Write the report"), tr("Back to the job"))
        self._lay_out()

    def _lay_out(self) -> None:
        form = Form()
        look = self.audience, self.paper, self.units, self.private
        form.add(tr("Look"), lay(QHBoxLayout(), *look, STRETCH, spacing=12))
        form.add(tr("Shop"), self.shop)
        form.add(tr("Logo"), _with_button(self.logo, tr("Choose …"), self._choose_logo))
        grid = QGridLayout()
        grid.setVerticalSpacing(4)
        for number, box in enumerate(self.sections.values()):
            grid.addWidget(box, number // 6, number % 6)
        form.add(tr("Sections"), grid)
        form.add(tr("File"), _with_button(self.out, tr("Choose …"), self._choose_out))
        self.sentences.setHorizontalHeaderLabels(
            [tr("About"), tr("Sentence, as it will be printed")]
        )
        self.sentences.verticalHeader().hide()
        heads_left(self.sentences)
        self.sentences.setTabKeyNavigation(False)
        self.sentences.setWordWrap(True)
        self.sentences.horizontalHeader().setStretchLastSection(True)
        self.sentences.setColumnWidth(0, 170)
        self.sentences.setMinimumHeight(150)
        head = muted(
            tr("Sentences for the owner (edit in place; emptied, the program's own returns)"),
            wrap=False,
        )
        parts = form, head, (self.sentences, 1), self.answers
        lay(QVBoxLayout(self), *parts, margins=(20, 16, 20, 16))

    def _show_private(self, private: bool) -> None:
        """What was typed does not go into a private report."""
        for typed in (self.shop, self.logo, self.sentences):
            typed.setDisabled(private)

    # --- sentences ---

    def show_sentences(self, sentences: dict[str, str]) -> None:
        """Those that will be printed."""
        self._made, self._keys = dict(sentences), list(sentences)
        self.sentences.setRowCount(len(self._keys))
        for row, key in enumerate(self._keys):
            about = TableCell(key.replace(".", " ").replace("_", " "))
            about.setFlags(Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsSelectable)
            self.sentences.setItem(row, 0, about)
            self.sentences.setItem(row, 1, TableCell(sentences[key]))
        self.sentences.resizeRowsToContents()

    def rewritten(self) -> dict[str, str]:
        """Those that were changed here, by key; '' where the program's own shall return."""
        changed = {}
        for row, key in enumerate(self._keys):
            item = self.sentences.item(row, 1)
            text = "" if item is None else item.text().strip()
            if text != self._made[key]:
                changed[key] = text
        return changed

    # --- options ---

    @property
    def path(self) -> Path:
        """The file to write."""
        return Path(self.out.text().strip())

    def options(self) -> ReportOptions:
        """As chosen; shop, paper and units are kept for the next time."""
        lines = [line.strip() for line in self.shop.toPlainText().splitlines() if line.strip()]
        lines = lines[: _MOST_SHOP_LINES + 1]
        logo = self.logo.text().strip()
        settings = self._settings
        settings.report_shop, settings.report_logo = "\n".join(lines), logo
        settings.report_paper = self.paper.currentData()
        settings.report_units = self.units.currentData()
        settings.report_audience = self.audience.currentData()
        return ReportOptions(
            paper=settings.report_paper,
            units=settings.report_units,
            sections=tuple(s for s in SECTIONS if self.sections[s].isChecked()),
            audience=settings.report_audience,
            shop_name=lines[0][:300] if lines else "",
            shop_lines=tuple(line[:300] for line in lines[1:]),
            logo=Path(logo) if logo else None,
            private=self.private.isChecked(),
            archive=settings.archive_at_hand,
        )

    def _box(self, name: str, choices: dict[str, str], chosen: str) -> QComboBox:
        box = named(Choice(), name)
        for text, value in choices.items():
            box.addItem(text, value)
        box.setCurrentIndex(max(0, box.findData(chosen)))
        return box

    def _choose_out(self) -> None:
        name, _ = QFileDialog.getSaveFileName(
            self, tr("Report"), self.out.text(), tr("PDF (*.pdf);;Web page (*.html)")
        )
        if name:
            self.out.setText(name)

    def _choose_logo(self) -> None:
        name, _ = QFileDialog.getOpenFileName(
            self, tr("Logo"), self.logo.text(), tr("Pictures (*.png *.jpg *.jpeg)")
        )
        if name:
            self.logo.setText(name)


class Reporting:
    """Asks, keeps the rewritten sentences in the job, writes the file. `say`: shows the outcome
    with a button and what it does."""

    def __init__(
        self,
        settings: Settings,
        say: Callable[[Outcome, str, Callable[[], object]], object],
        parent: QWidget,
    ) -> None:
        self._settings, self._say, self._parent = settings, say, parent
        self.show: Callable[[ReportDialog], bool] = lambda dialog: bool(dialog.exec())
        """Shows the dialog; tests put their own answer here."""

    def ask(self, opened: OpenJob) -> None:
        """Options first; the sentences come into the dialog as soon as they are made."""
        dialog = ReportDialog(self._settings, opened.folder.path / REPORT, self._parent)
        job = opened.snapshot()

        def make() -> None:
            if not dialog.rewritten():  # what was typed is not thrown away
                options = ReportOptions(units=dialog.units.currentData())
                sentences = make_sentences(opened.folder, job, options)
                opened.start(sentences, dialog.show_sentences, slot="sentences")

        make()
        dialog.units.activated.connect(make)
        if self.show(dialog):
            self._write(opened, dialog)
        opened.owner.cancel("sentences")

    def _write(self, opened: OpenJob, dialog: ReportDialog) -> None:
        rewritten = dialog.rewritten()
        if rewritten:
            opened.edit(lambda job: _rewrite(job, rewritten), tr("Sentences for the owner"))
            opened.flush()
        try:
            options = dialog.options()
        except ValidationError as error:
            refusal = refusal_of(error, ReportOptions)
            opened.trouble(
                tr("The report's {name} is not taken: {why}.", name=refusal.name, why=refusal.why)
            )
            return
        report = WriteReport(opened.folder, opened.snapshot(), dialog.path, options)

        def done(written: Written) -> None:
            outcome = report.outcome(written)
            self._say(outcome, tr("Open the report"), lambda: open_written(written.path))

        opened.started.emit()
        opened.owner.start(report, done, opened.trouble)


def _with_button(edit: QLineEdit, text: str, run: Callable[[], object]) -> QHBoxLayout:
    button = text_button(text, run, tr("{field}: choose", field=edit.accessibleName()))
    button.setAutoDefault(False)
    return lay(QHBoxLayout(), (edit, 1), button, spacing=8)


def _rewrite(job: Job, rewritten: dict[str, str]) -> None:
    kept = {**job.sentences, **rewritten}
    job.sentences = {key: text for key, text in kept.items() if text}
