"""The Archive page: everything ever recorded, found, opened, checked, compared."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import Qt
from PySide6.QtGui import QAction, QShowEvent
from PySide6.QtWidgets import QHBoxLayout, QStackedWidget, QVBoxLayout, QWidget

from logbench.app.archive.asking import Asking
from logbench.app.archive.body import ACCOUNT, ARCHIVE_TABS, ArchiveBody
from logbench.app.archive.choice import Choice
from logbench.app.archive.importer import Importer
from logbench.app.archive.naming import Naming
from logbench.app.archive.picturing import Picturing
from logbench.app.commands import add_command
from logbench.app.long_work import LongWork
from logbench.app.notice import Notice
from logbench.app.parts import (
    Drops,
    Elided,
    EmptyState,
    delayed,
    lay,
    middle,
    muted,
    styled,
    text_button,
)
from logbench.app.plain import plain_tip
from logbench.app.services import Services
from logbench.cases.archive import (
    Account,
    AddRecordings,
    Listing,
    RunChecks,
    VerifyArchive,
    list_recordings,
    open_archive,
    show_recording,
)
from logbench.cases.settings import Settings
from logbench.cases.work import Outcome
from logbench.words import inside, tr, tr_n

if TYPE_CHECKING:
    from logbench.archive.archive import Archive
    from logbench.archive.overview import Catalog

_SOON_MS = 180


class ArchiveStart(EmptyState):
    """How to begin with nothing open. `pressed`: the user wants to choose a folder."""

    def __init__(self, settings: Settings, open_place: Callable[[str], None]) -> None:
        super().__init__(
            tr("No archive is open"),
            tr(
                "An archive is a folder with recordings in it, at any depth. Open one, and find "
                "drives by car, date, signal or finding; open them, hold them against each other, "
                "follow a number over the car's life. Nothing in the folder is changed by looking, "
                "and nothing leaves this machine."
            ),
            tr("Open a folder …  Ctrl+Shift+O"),
        )
        self._settings = settings
        self.recordings_button = text_button("", lambda: open_place(str(settings.folder)))
        self.extra.addWidget(self.recordings_button, 0, Qt.AlignmentFlag.AlignLeft)

    def showEvent(self, event: QShowEvent) -> None:
        """The folder of the recordings may be another one, or not be there yet."""
        super().showEvent(event)
        folder = self._settings.folder
        self.recordings_button.setText(
            tr("Open the folder of your recordings: {name}", name=folder.name[:40])
        )
        self.recordings_button.setToolTip(plain_tip(str(folder)))
        self.recordings_button.setVisible(folder.is_dir())


class ArchivePage(QWidget):
    """One archive at a time."""

    def __init__(
        self, services: Services, cache: Path | None = None, memory: Path | None = None
    ) -> None:
        """`cache`, `memory`: where archives' indexes and mappings are kept; None: the user's."""
        super().__init__()
        self._services = services
        self._cache = cache
        self._owner = services.runner.owner(tr("Archive"))
        self._shown = services.runner.owner()
        """The archive that is open: whoever what is looked up in it belongs to."""
        self.archive: Archive | None = None
        self._seen: Catalog | None = None
        self._stale = False
        self.listed: Listing | None = None
        self.processes = 0
        """Worker processes of a sweep; 0: as many as pay."""
        self.notice = Notice(services.messages)
        self.work = LongWork(self._owner)
        self.importer = Importer(self._owner, self.work, services.look, memory, self)
        self.body = ArchiveBody(services)
        self.asking = Asking(services.settings, self)
        self.choice = Choice(self.body, self.work, self)
        self.naming = Naming(self.body, self.work, self)
        self.picturing = Picturing(self.body, self.choice, lambda: self.processes, self)
        self._soon = delayed(self, _SOON_MS, self.look)
        self._details_soon = delayed(self, _SOON_MS, self._ask_details)
        Drops(self, self._dropped)
        self.setAcceptDrops(False)  # until an archive is open
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self._lay_out()
        self._connect()
        self._add_commands()

    # --- building ---

    def _lay_out(self) -> None:
        self.title = styled(Elided(), "title")
        self.counts = muted(wrap=False)
        self.tools = [
            text_button(tr("Open …"), self.asking.for_archive),
            text_button(tr("Add …"), self.asking.for_recordings),
            text_button(tr("Import …"), self.asking.for_files),
            text_button(tr("Run checks"), self.sweep),
            text_button(tr("Verify files …"), self.asking.to_verify),
        ]
        bar = lay(QHBoxLayout(), (self.title, 1), self.counts, *self.tools, margins=(20, 6, 20, 0))
        inside = QWidget()
        lay(QVBoxLayout(inside), bar, (self.body, 1), margins=(0, 0, 0, 0))
        self._pages = QStackedWidget()
        self.empty = ArchiveStart(self._services.settings, self.open_place)
        self._pages.addWidget(middle(self.empty))
        self._pages.addWidget(inside)
        whole = QVBoxLayout(self)
        lay(whole, self.work, (self._pages, 1), margins=(0, 0, 0, 0), spacing=0)

    def _connect(self) -> None:
        asking, body = self.asking, self.body
        self.empty.pressed.connect(asking.for_archive)
        body.facets.changed.connect(self._look_soon)
        body.table.chosen_changed.connect(self._choose)
        self.work.stopped.connect(self.notice.passing)
        for source in (self.work, self.importer, self.choice, self.naming):
            source.failed.connect(self.notice.trouble)
        asking.place.connect(self.open_place)
        asking.add.connect(self.add_paths)
        asking.bring.connect(self.import_paths)
        asking.verify.connect(self.verify)
        for made in (self.importer, self.naming):
            made.done.connect(self._files_changed)
        for button in self.tools:
            self.work.changed.connect(lambda button=button: button.setEnabled(not self.work.busy))

    def _add_commands(self) -> None:
        body = self.body
        for title, keys, run in (
            (tr("Run the checks over what is listed"), "Ctrl+R", self.sweep),
            (tr("Refresh"), "F5", self.refresh),
            (tr("Search in the archive"), "Ctrl+F", body.facets.words.setFocus),
            (tr("Clear the filters"), "Ctrl+Shift+F", body.facets.clear),
            (tr("Go to the list of recordings"), "Ctrl+L", body.to_list),
            (tr("Sort by the next column"), "Ctrl+J", body.table.sort_by_next),
            (tr("Preview the next signal"), "Ctrl+G", body.next_signal),
            (tr("Stop what the archive is doing"), "Ctrl+.", self.stop),
        ):
            add_command(self, title, keys, run)
        body.details.said.add_commands(self)
        for number, title in enumerate(ARCHIVE_TABS):
            show = partial(body.tabs.setCurrentIndex, number)
            add_command(self, tr("Show {part}", part=inside(title)), f"Alt+{number + 1}", show)

    def commands(self) -> list[QAction]:
        """What can be done on this page."""
        return self.actions()

    # --- opening ---

    def showEvent(self, event: QShowEvent) -> None:
        """The archive that was open last is opened again."""
        super().showEvent(event)
        if self._stale:
            self._soon.start()
        last = self._services.settings.last_archive
        if self.archive is None and not self.work.busy and last:
            self.open_place(last)

    def open_place(self, place: str) -> None:
        """Open the archive at a folder or URL."""
        self.work.start(open_archive(place, self._cache), partial(self._opened, place))

    def _opened(self, place: str, seen: Catalog) -> None:
        before, self.archive = self.archive, seen.archive
        if before is None or before.store.url != seen.archive.store.url:
            self.body.forget()
            self.naming.forget()
            self.counts.setText("")
            self.listed = None
        self.setAcceptDrops(True)
        self.notice.hide()
        self._services.settings.last_archive = place
        url = seen.archive.store.url
        self.title.tell(url.rstrip("/").rpartition("/")[2] or url)
        self.title.setToolTip(plain_tip(url))
        self._pages.setCurrentIndex(1)
        self._look_at(seen)
        self.body.table.setFocus()

    def _look_at(self, seen: Catalog) -> None:
        """Another archive, or one in which other files are."""
        self._shown.close()
        self._shown = self._services.runner.owner()
        self._seen = seen
        self.choice.open(self._shown, seen.archive)
        self.naming.open(seen.archive)
        self.picturing.open(self._shown, seen.archive)
        self.body.sparks.forget(self._shown, seen.archive)
        self.look()

    def refresh(self) -> None:
        """Look through the folder again."""
        if self.archive is not None:
            self.work.start(open_archive(self.archive), self._look_at)

    # --- looking ---

    def look(self) -> None:
        """List what fits the filter; when the page is not in sight, as soon as it is."""
        self._stale = not self.isVisible()
        if self._stale:
            return
        seen, chosen = self._seen, self.body.facets.filter()
        if seen is None or chosen is None:
            self._count()
            return
        case = list_recordings(seen, chosen)
        self._shown.start(case, self._listed, self._not_listed, slot="list")

    def _look_soon(self) -> None:
        """A filter is being changed; the press has its answer before the search begins."""
        self.counts.setText(tr("Searching"))
        self._soon.start()

    def _not_listed(self, sentence: str) -> None:
        self.body.facets.say(sentence)
        self._count()

    def _listed(self, found: Listing) -> None:
        self.listed = found
        self.body.show_listing(found)
        self.picturing.show_listing(found)
        self._count()

    def _count(self) -> None:
        """How much is listed, of how much there is."""
        found = self.listed
        if found is None:
            self.counts.setText("")
            return
        facets = found.facets
        unchecked = facets.recordings - facets.checked
        more = tr(", {unchecked:,} not checked yet", unchecked=unchecked) if unchecked else ""
        self.counts.setText(
            tr(
                "{shown:,} of {all:,} recordings{more}",
                shown=len(found.rows),
                all=facets.recordings,
                more=more,
            )
        )

    def _choose(self) -> None:
        """Another recording; its details are asked for when it stays chosen."""
        rows = self.body.table.chosen()
        if len(rows) == 1:
            self.body.details.await_details(rows[0].recording)
        self._details_soon.start()

    def _ask_details(self) -> None:
        archive, rows, body = self.archive, self.body.table.chosen(), self.body
        self.choice.allow(len(rows))
        if not self.isVisible():  # the window has been closed meanwhile
            return
        if archive is not None and len(rows) == 1:
            case = show_recording(archive, rows[0].recording)
            say = body.details.say
            self._shown.start(case, body.show_details, say, slot="details")
            return
        self._shown.cancel("details")
        if rows:
            body.details.say(
                tr_n("{n} recording is chosen.", "{n} recordings are chosen.", len(rows))
            )
        else:
            body.details.show_details(None)

    # --- long work ---

    def stop(self) -> None:
        """End what runs, long work or a picture."""
        self.work.cancel()
        self.picturing.stop()

    def sweep(self) -> None:
        """Run the checks over what is listed and has not been checked yet."""
        if self.archive is not None and self.listed is not None:
            names = tuple(row.recording for row in self.listed.rows)
            self.work.start(RunChecks(self.archive, names, self.processes), self._files_changed)

    def verify(self, quarantine: bool = False) -> None:
        """Hold every recording against its checksum."""
        if self.archive is not None:
            self.work.start(VerifyArchive(self.archive, quarantine), self._files_changed)

    def add_paths(self, paths: Sequence[Path]) -> None:
        """Copy recordings, or folders of them, into the archive."""
        if self.archive is None:
            self.notice.trouble(tr("Open an archive first: what is added goes into it."))
        elif paths:
            self.work.start(AddRecordings(self.archive, tuple(paths)), self._files_changed)

    def import_paths(self, paths: Sequence[Path]) -> None:
        """Import other programs' files into the archive; each kind is shown first."""
        if self.archive is None:
            self.notice.trouble(tr("Open an archive first: what is imported goes into it."))
        elif paths:
            self.importer.start(self.archive, paths)

    def _files_changed(self, account: Account) -> None:
        self.body.account.show_account(account)
        sentence = account.sentence
        if account.bad:
            self.body.tabs.setCurrentIndex(ACCOUNT)
            sentence = tr("{sentence} The list below says what is wrong.", sentence=sentence)
        outcome = Outcome(sentence, well=not account.bad)
        self.notice.say(outcome if self.isVisible() else self._owner.named(outcome))
        self.refresh()

    def _dropped(self, paths: list[Path]) -> None:
        """Recordings are added, a folder's too; other files are imported."""
        others = [p for p in paths if p.is_file() and p.suffix.lower() != ".parquet"]
        if others:
            self.import_paths(others)
        else:
            self.add_paths(paths)
