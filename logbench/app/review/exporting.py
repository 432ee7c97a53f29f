"""Asking where to write what is shown, and writing it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from PySide6.QtCore import QObject
from PySide6.QtWidgets import QFileDialog, QPushButton, QWidget

from logbench.app.parts import Notice
from logbench.app.plot.ribbon import Ribbon
from logbench.app.plot.stack import StripStack
from logbench.app.review.export import Wanted, copy_picture, save_csv, save_picture
from logbench.app.review.notes_panel import NotesPanel
from logbench.app.services import Services
from logbench.cases.review import Opened
from logbench.errors import LogbenchError
from logbench.words import tr


class Exporting(QObject):
    """Pictures and CSV of the Review page."""

    def __init__(
        self,
        owner: QWidget,
        services: Services,
        ribbon: Ribbon,
        stack: StripStack,
        notes: NotesPanel,
        notice: Notice,
        opened: Callable[[], Opened | None],
        below: Callable[[], QWidget],
    ) -> None:
        super().__init__(owner)
        self._owner, self._services, self._ribbon, self._stack = owner, services, ribbon, stack
        self._notes, self._notice, self._opened = notes, notice, opened
        self._below = below
        self.button = QPushButton(tr("Export …"))
        self.button.setAccessibleName(tr("Export what is shown"))
        self.button.clicked.connect(self.ask_where)

    def ask_where(self) -> None:
        """Let the user name a file: its ending says whether a picture or the samples."""
        opened = self._opened()
        if opened is None:
            return
        path = opened.recording.path
        start = str(path.with_suffix(".png")) if path else "drive.png"
        kinds = tr("Picture (*.png);;Picture as lines (*.svg);;Samples (*.csv)")
        name, chosen = QFileDialog.getSaveFileName(
            self._owner, tr("Export what is shown"), start, kinds
        )
        if name:
            ending = chosen[chosen.index("*") + 1 : -1]
            file = Path(name)
            known = file.suffix.lower() in (".png", ".svg", ".csv")
            self.export(file if known else file.with_name(file.name + ending))

    def export(self, path: Path) -> None:
        """Write what is shown: the picture, or the samples and notes from A to B or of the view,
        in the units shown."""
        opened = self._opened()
        if opened is None:
            return
        if path.suffix.lower() != ".csv":
            try:
                save_picture(path, self._ribbon, self._below(), self._services.look.theme)
            except LogbenchError as error:
                self._notice.trouble(str(error))
            else:
                self._exported(path)
            return
        view = self._stack.view
        first, last = sorted((view.marks.get("A", view.start_ns), view.marks.get("B", view.end_ns)))
        units = self._services.look.units
        wanted = Wanted(self._recorded(opened), first, last, units, self._notes.notes)
        self._services.jobs.start(
            lambda _: save_csv(path, opened.recording, wanted),
            self._exported,
            self._notice.trouble,
        )

    def copy_picture(self) -> None:
        """Put the picture of what is shown into the clipboard."""
        copy_picture(self._ribbon, self._below(), self._services.look.theme)
        self._notice.passing(tr("The picture is in the clipboard."))

    def _recorded(self, opened: Opened) -> Sequence[str]:
        """The signals shown, without those that were computed."""
        held = opened.recording.signals
        return [s for s in dict.fromkeys(s for s, _ in self._stack.keys) if s in held]

    def _exported(self, path: Path) -> None:
        self._notice.passing(tr("Written to {path}", path=path))
