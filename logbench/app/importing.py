"""Other programs' files dropped on any page: shown, confirmed, imported, then used there."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from PySide6.QtWidgets import QVBoxLayout, QWidget

from logbench.app.archive.importer import Importer
from logbench.app.long_work import LongWork
from logbench.app.notice import Notice
from logbench.app.parts import lay
from logbench.app.services import Services
from logbench.cases.archive import Account
from logbench.cases.importing import sort_files
from logbench.words import tr

Then = Callable[[list[Path]], object]


class Importing(QWidget):
    """Stands under the window's header while something is imported or there is something to say.
    What is imported becomes recordings in the recordings' folder."""

    def __init__(self, services: Services, memory: Path | None = None) -> None:
        """`memory`: where mappings are kept; None: the user's."""
        super().__init__()
        self._services = services
        self._own: list[Path] = []
        self._then: Then = list
        self.notice = Notice(services.messages)
        self._owner = services.runner.owner()
        self.work = LongWork(self._owner)
        self.importer = Importer(self._owner, self.work, services.look, memory, self)
        self.importer.done.connect(self._done)
        self.work.stopped.connect(self.notice.passing)
        for source in (self.work, self.importer):
            source.failed.connect(self.notice.trouble)
        lay(QVBoxLayout(self), self.work, margins=(0, 0, 0, 0), spacing=0)

    def take(self, paths: Sequence[Path], then: Then) -> None:
        """Import those of the files that are another program's; `then` gets the rest and, once
        they are there, the recordings that were made of them."""
        self.notice.hide()
        case, sort = sort_files(tuple(paths)), partial(self._sort, then)
        self._owner.start(case, sort, self.notice.trouble)

    def _sort(self, then: Then, found: tuple[list[Path], list[Path]]) -> None:
        own, foreign = found
        if not foreign:
            then(own)
        elif self.work.busy or self.importer.dialog is not None:
            self.notice.trouble(tr("Something is being imported already: finish that first."))
        else:
            self._own, self._then = own, then
            self.importer.start(self._services.settings.folder, foreign)

    def _done(self, account: Account) -> None:
        bad = [f"{line.name}: {line.text}" for line in account.lines if line.bad]
        if bad:
            self.notice.trouble(" ".join((account.sentence, *bad[:2])))
        else:
            folder = self._services.settings.folder
            self.notice.success(
                tr("{sentence} They are in {folder}.", sentence=account.sentence, folder=folder)
            )
        if found := [*self._own, *account.made, *account.here]:
            self._then(found)
