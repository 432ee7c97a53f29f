"""The report from the window: options and sentences are asked for, then it is written."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

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
from logbench.app.plain import Choice, TableCell, plain_tip
from logbench.cases.handover import HandOver
from logbench.cases.job import WriteReport, make_sentences
from logbench.cases.settings import Settings
from logbench.cases.work import Case, Outcome
from logbench.job.model import Job
from logbench.recording.storage import numbered
from logbench.report.options import ALWAYS, SECTIONS, ReportOptions
from logbench.system.refusal import refusal_of
from logbench.words import LANGUAGES, tr, word

REPORT = "report.pdf"
_MOST_SHOP_LINES = 6
_AUDIENCES = {
    tr("Claims file: all, with the evidence"): "claims",
    tr("Technician: all"): "technician",
    tr("Owner: one page"): "owner",
}
_PAPERS = {"A4": "A4", tr("US letter"): "letter"}
_UNITS = {tr("Metric"): "metric", tr("US"): "us"}
_LANGUAGES = {tr("Language of the window"): ""} | {own: key for key, own in LANGUAGES.items()}


class ReportDialog(Dialog):
    """Options with what was chosen the last time."""

    TITLE = tr("Report")
    FILE = REPORT
    OVER = True
    """Written over one of that name."""
    FILES = tr("PDF (*.pdf);;Web page (*.html)")
    WRITE = tr("Write the report")
    PERSONAL = (
        tr("Without personal data"),
        tr("Whose car it is, where and when, and all that was typed stay behind: shop, photos"),
    )
    """What is chosen of personal data, and what that means."""

    def __init__(self, settings: Settings, folder: Path, parent: QWidget) -> None:
        """`folder`: of the job."""
        super().__init__(self.TITLE, parent, 820)
        self._settings = settings
        self.paper = self._box(tr("Paper"), _PAPERS, settings.report_paper)
        self.units = self._box(tr("Units"), _UNITS, settings.report_units)
        self.language = self._box(tr("Language"), _LANGUAGES, settings.report_language)
        self.audience = self._box(tr("For whom"), _AUDIENCES, settings.report_audience)
        self.private = QCheckBox(self.PERSONAL[0])
        self.private.setToolTip(plain_tip(self.PERSONAL[1]))
        self.private.toggled.connect(self._show_private)
        self.shop = named(
            QPlainTextEdit(settings.report_shop, tabChangesFocus=True),
            tr("Shop: name, then address and telephone, a line each"),
        )
        self.shop.setPlaceholderText(tr("Name of the shop, then address, telephone …"))
        self.shop.setFixedHeight(84)
        self.logo = named(QLineEdit(settings.report_logo), tr("File of the shop's logo"))
        self.logo.setPlaceholderText(tr("PNG or JPEG (optional)"))
        place = folder / self.FILE
        if not self.OVER:
            place = next(name for name in numbered(place) if not name.exists())
        self.out = named(QLineEdit(str(place)), tr("File to write"))
        self.sections = {section: QCheckBox(word(section.title())) for section in SECTIONS}
        for section, box in self.sections.items():
            box.setChecked(True)
            box.setEnabled(section not in ALWAYS)
        self.sentences = named(QTableWidget(0, 2), tr("Sentences of the report"))
        self._keys: list[str] = []
        self._made: dict[str, str] = {}
        self.answers = Answers(self, self.WRITE, tr("Back to the job"))
        self._lay_out()

    def _lay_out(self) -> None:
        form = Form()
        how = self.audience, self.paper, self.units, self.language
        form.add(tr("Format"), lay(QHBoxLayout(), *how, STRETCH, spacing=12))
        form.add(tr("Privacy"), self.private)
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

    # --- what is written ---

    def case(self, opened: OpenJob) -> Case[Any]:
        """What writes it. Raises ValidationError."""
        return WriteReport(opened.folder, opened.snapshot(), self.path, self.options())

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
        settings.report_language = self.language.currentData()
        return ReportOptions(
            paper=settings.report_paper,
            units=settings.report_units,
            language=settings.report_language,
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
        name, _ = QFileDialog.getSaveFileName(self, self.TITLE, self.out.text(), self.FILES)
        if name:
            self.out.setText(name)

    def _choose_logo(self) -> None:
        name, _ = QFileDialog.getOpenFileName(
            self, tr("Logo"), self.logo.text(), tr("Pictures (*.png *.jpg *.jpeg)")
        )
        if name:
            self.logo.setText(name)


class ExportDialog(ReportDialog):
    """The same of the file for third parties, which holds a report."""

    TITLE = tr("Export for third parties")
    FILE = "export.zip"
    OVER = False
    FILES = tr("Packed files (*.zip)")
    WRITE = tr("Write the export")
    PERSONAL = (
        tr("Shorten names, plates and VINs"),
        tr("Photos, files and the raw exchanges with the car stay behind then"),
    )

    def case(self, opened: OpenJob) -> Case[Any]:
        """What writes it. Raises ValidationError."""
        options = self.options().model_copy(update={"private": False})
        return HandOver(opened.folder, self.path, options, self.private.isChecked())

    def _show_private(self, private: bool) -> None:
        """What was typed goes along, shortened."""


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

    def ask(self, opened: OpenJob, kind: type[ReportDialog] = ReportDialog) -> None:
        """Options first; the sentences come into the dialog as soon as they are made."""
        dialog = kind(self._settings, opened.folder.path, self._parent)
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
            case = dialog.case(opened)
        except ValidationError as error:
            refusal = refusal_of(error, ReportOptions)
            opened.trouble(
                tr("The report's {name} is not taken: {why}.", name=refusal.name, why=refusal.why)
            )
            return
        path = dialog.path
        packed = isinstance(dialog, ExportDialog)

        def done(written: Any) -> None:
            text = tr("Open its folder") if packed else tr("Open the report")
            shown = path.parent if packed else path
            self._say(case.outcome(written), text, lambda: open_written(shown))

        opened.started.emit()
        opened.owner.start(case, done, opened.trouble)


def _with_button(edit: QLineEdit, text: str, run: Callable[[], object]) -> QHBoxLayout:
    button = text_button(text, run, tr("{field}: choose", field=edit.accessibleName()))
    button.setAutoDefault(False)
    return lay(QHBoxLayout(), (edit, 1), button, spacing=8)


def _rewrite(job: Job, rewritten: dict[str, str]) -> None:
    kept = {**job.sentences, **rewritten}
    job.sentences = {key: text for key, text in kept.items() if text}
