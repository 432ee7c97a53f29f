"""The Archive page: everything ever recorded, found, opened, checked, compared."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QAction, QDragEnterEvent, QDropEvent, QShowEvent
from PySide6.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QPushButton,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.app.archive.asking import Asking
from logbench.app.archive.body import ACCOUNT, ARCHIVE_TABS, ArchiveBody
from logbench.app.archive.bringing import Bringing
from logbench.app.archive.choice import Choice
from logbench.app.archive.long_work import LongWork
from logbench.app.archive.working import (
    Account,
    Details,
    Listing,
    Seen,
    Stop,
    add,
    details_of,
    listing,
    look_again,
    open_archive,
    sweep,
    verify,
)
from logbench.app.commands import add_command
from logbench.app.parts import Elided, EmptyState, Notice, middle, text_button
from logbench.app.services import Services
from logbench.app.theme import Theme
from logbench.cases.runner import Running
from logbench.cases.work import Work as Task
from logbench.signals.units import Units
from logbench.words import inside, tr, tr_n

if TYPE_CHECKING:
    from logbench.archive.archive import Archive

_SOON_MS = 180


class ArchivePage(QWidget):
    """One archive at a time."""

    review_wanted = Signal(object)
    """Path of a recording."""
    compare_wanted = Signal(object, object)
    """Paths before and after."""

    def __init__(
        self, services: Services, cache: Path | None = None, memory: Path | None = None
    ) -> None:
        """`cache`, `memory`: where archives' indexes and mappings are kept; None: the user's."""
        super().__init__()
        self._services = services
        self._cache = cache
        self.archive: Archive | None = None
        self._seen: Seen | None = None
        self._stale = False
        self.listed: Listing | None = None
        self.processes = 0
        """Worker processes of a sweep; 0: as many as pay."""
        self.notice = Notice(self)
        self.notice.pressed.connect(self.sweep)
        self.work = LongWork(services.jobs)
        self.bringing = Bringing(services, self.work, memory, self)
        self.body = ArchiveBody(services)
        self.asking = Asking(services.settings, self)
        self.choice = Choice(services.jobs, self.body, self.work, self)
        self._looking: Running | None = None
        self._showing: Running | None = None
        self._soon = _timer(self, self.look)
        self._details_soon = _timer(self, self._ask_details)
        self.setAcceptDrops(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self._lay_out()
        self._connect()
        self._add_commands()

    # --- building ---

    def _lay_out(self) -> None:
        self.title = Elided()
        self.title.setObjectName("title")
        self.counts = QLabel()
        self.counts.setObjectName("muted")
        bar = QHBoxLayout()
        bar.setContentsMargins(20, 6, 20, 0)
        bar.addWidget(self.title, 1)
        bar.addWidget(self.counts)
        self.tools = []
        for text, run in (
            (tr("Open …"), self.asking.for_archive), (tr("Add …"), self.asking.for_recordings),
            (tr("Import …"), self.asking.for_files), (tr("Run checks"), self.sweep),
            (tr("Verify …"), self.asking.to_verify),
        ):  # fmt: skip
            button = text_button(text, run)
            self.tools.append(button)
            bar.addWidget(button)
        inside = QWidget()
        inner = QVBoxLayout(inside)
        inner.setContentsMargins(0, 0, 0, 0)
        inner.addLayout(bar)
        inner.addWidget(self.body, 1)
        self._pages = QStackedWidget()
        self._pages.addWidget(middle(self._empty()))
        self._pages.addWidget(inside)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self.work)
        layout.addWidget(self._pages, 1)

    def _empty(self) -> EmptyState:
        self.empty = EmptyState(
            tr("No archive is open"),
            tr(
                "An archive is a folder with recordings in it, at any depth. Open one, and find "
                "drives by car, date, signal or finding; open them, hold them against each other, "
                "follow a number over a car's life. Nothing in the folder is changed by looking, "
                "and nothing leaves this machine."
            ),
            tr("Open a folder …  Ctrl+Shift+O"),
        )
        self.empty.pressed.connect(self.asking.for_archive)
        self.recordings_button = QPushButton()
        self.recordings_button.clicked.connect(
            lambda: self.open_place(str(self._services.settings.folder))
        )
        self.empty.extra.addWidget(self.recordings_button, 0, Qt.AlignmentFlag.AlignLeft)
        return self.empty

    def _connect(self) -> None:
        look, body, table = self._services.look, self.body, self.body.table
        look.changed.connect(self._set_theme)
        look.units_changed.connect(self._set_units)
        body.facets.changed.connect(self._soon.start)
        table.chosen_changed.connect(self._details_soon.start)
        for source in (self.work, self.bringing, self.choice):
            source.failed.connect(self.notice.trouble)
        self.choice.review_wanted.connect(self.review_wanted)
        self.choice.compare_wanted.connect(self.compare_wanted)
        asking = self.asking
        asking.place.connect(self.open_place)
        asking.add.connect(self.add_paths)
        asking.bring.connect(self.import_paths)
        asking.verify.connect(self.verify)
        self.work.changed.connect(self._busy_changed)
        self.bringing.done.connect(self._files_changed)

    def _add_commands(self) -> None:
        choice = self.choice
        for title, keys, run in (
            (tr("Open an archive"), "Ctrl+Shift+O", self.asking.for_archive),
            (tr("Open an archive by its address"), "Ctrl+Shift+U", self.asking.for_address),
            (tr("Add recordings to the archive"), "Ctrl+B", self.asking.for_recordings),
            (tr("Add a folder of recordings"), "Ctrl+Shift+B", self.asking.for_folder),
            (tr("Import other files"), "Ctrl+I", self.asking.for_files),
            (tr("Import a folder of other files"), "Ctrl+Shift+I", self.asking.for_import_folder),
            (tr("Run the checks over what is listed"), "Ctrl+R", self.sweep),
            (tr("Verify every recording"), "Ctrl+Shift+V", self.asking.to_verify),
            (tr("Look through the archive again"), "F5", self.refresh),
            (tr("Search in the archive"), "Ctrl+F", self.body.facets.words.setFocus),
            (tr("Clear the filters"), "Ctrl+Shift+F", self.body.facets.clear),
            (tr("Go to the list of recordings"), "Ctrl+L", self.body.table.setFocus),
            (tr("Sort by the next column"), "Ctrl+J", self.body.table.sort_by_next),
            (tr("Preview the next signal"), "Ctrl+G", self.body.next_signal),
            (tr("Review the chosen recording"), "Ctrl+Return", choice.review),
            (tr("Put the chosen on the side before"), "Alt+B", choice.put_before),
            (tr("Put the chosen on the side after"), "Alt+A", choice.put_after),
            (tr("Compare before with after"), "Ctrl+Shift+Return", choice.compare),
            (tr("Find drives like the chosen one"), "Alt+L", choice.find_alike),
            (tr("Follow a number over the car's life"), "Alt+T", choice.follow),
            (tr("Stop what the archive is doing"), "Ctrl+.", self.work.cancel),
        ):  # fmt: skip
            add_command(self, title, keys, run)
        for number, title in enumerate(ARCHIVE_TABS):
            show = partial(self.body.tabs.setCurrentIndex, number)
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
        folder = self._services.settings.folder
        self.recordings_button.setText(
            tr("Open the folder of your recordings: {name}", name=folder.name[:40])
        )
        self.recordings_button.setToolTip(str(folder))
        self.recordings_button.setVisible(folder.is_dir())
        last = self._services.settings.last_archive
        if self.archive is None and not self.work.busy and last:
            self.open_place(last)

    def open_place(self, place: str) -> None:
        """Open the archive at a folder or URL."""

        def work(_: Stop, task: Task) -> Any:
            return open_archive(place, self._cache, task)

        self.work.start(work, partial(self._opened, place), gentle=False)

    def _opened(self, place: str, seen: Seen) -> None:
        archive = self.archive = self.choice.archive = seen.archive
        self._seen = seen
        self.notice.hide()
        self._services.settings.last_archive = place
        url = archive.store.url
        self.title.tell(url.rstrip("/").rpartition("/")[2] or url)
        self.title.setToolTip(url)
        self._pages.setCurrentIndex(1)
        self.body.forget(archive)
        self.look()
        self.body.table.setFocus()

    def refresh(self) -> None:
        """Look through the folder again."""
        archive = self.archive
        if archive is not None:
            self.work.start(
                lambda _, task: look_again(archive, task), self._looked_again, gentle=False
            )

    def _looked_again(self, seen: Seen) -> None:
        self._seen = seen
        self.body.forget(seen.archive)
        self.look()

    # --- looking ---

    def look(self) -> None:
        """List what fits the filter; when the page is not in sight, as soon as it is."""
        self._stale = not self.isVisible()
        if self._stale:
            return
        seen, chosen = self._seen, self.body.facets.filter()
        if seen is None or chosen is None:
            return
        if self._looking is not None:
            self._looking.cancel()
        self._looking = self._services.jobs.start(
            lambda task: listing(seen, chosen, task), self._listed, self._not_listed
        )

    def _listed(self, found: Listing) -> None:
        self._looking = None
        self.listed = found
        self.body.show_listing(found)
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

    def _not_listed(self, sentence: str) -> None:
        self._looking = None
        self.body.facets.say(sentence)

    def _ask_details(self) -> None:
        archive, rows = self.archive, self.body.table.chosen()
        self.body.show_choice(len(rows))
        if not self.isVisible():  # the window has been closed meanwhile
            return
        if self._showing is not None:
            self._showing.cancel()
            self._showing = None
        if archive is None or len(rows) != 1:
            text = (
                tr_n("{n} recording is chosen.", "{n} recordings are chosen.", len(rows))
                if rows
                else ""
            )
            self.body.details.say(text) if text else self.body.details.show_details(None)
            return
        name = rows[0].recording
        self._showing = self._services.jobs.start(
            lambda task: details_of(archive, name, task), self._show_details, self.body.details.say
        )

    def _show_details(self, details: Details) -> None:
        self._showing = None
        self.body.show_details(details)

    # --- long work ---

    def sweep(self) -> None:
        """Run the checks over what is listed and has not been checked yet."""
        archive, found = self.archive, self.listed
        if archive is None or found is None:
            return
        names = [row.recording for row in found.rows]
        processes = self.processes
        self.work.start(
            lambda stop, task: sweep(archive, names, processes, stop, task),
            self._files_changed,
            gentle=True,
        )

    def verify(self, quarantine: bool = False) -> None:
        """Hold every recording against its checksum."""
        archive = self.archive
        if archive is not None:
            self.work.start(
                lambda stop, task: verify(archive, quarantine, stop, task),
                self._files_changed,
                gentle=True,
            )

    def add_paths(self, paths: Sequence[Path]) -> None:
        """Copy recordings, or folders of them, into the archive."""
        archive = self.archive
        if archive is None:
            self.notice.trouble(tr("Open an archive first: what is added goes into it."))
        elif paths:
            self.work.start(
                lambda stop, task: add(archive, paths, stop, task), self._files_changed, gentle=True
            )

    def import_paths(self, paths: Sequence[Path]) -> None:
        """Import other programs' files into the archive; each kind is shown first."""
        if self.archive is None:
            self.notice.trouble(tr("Open an archive first: what is imported goes into it."))
        elif paths:
            self.bringing.begin(self.archive, paths)

    def _files_changed(self, account: Account) -> None:
        self.body.account.show_account(account)
        if account.bad:
            self.body.tabs.setCurrentIndex(ACCOUNT)
            self.notice.trouble(
                tr("{sentence} The list below says what is wrong.", sentence=account.sentence)
            )
        else:
            self.notice.success(account.sentence)
        self.refresh()

    def _busy_changed(self) -> None:
        for button in self.tools:
            button.setEnabled(not self.work.busy)

    # --- look, drops ---

    def _set_theme(self, theme: Theme) -> None:
        self.body.set_look(theme, self._services.look.units)

    def _set_units(self, units: Units) -> None:
        self.body.set_look(self._services.look.theme, units)

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        """Files are welcome."""
        from logbench.app.compare.sides import dropped_files  # brings scipy

        if self.archive is not None and dropped_files(event):
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        """Recordings are added, a folder's too; other files are imported."""
        from logbench.app.compare.sides import dropped_files

        paths = dropped_files(event)
        event.acceptProposedAction()
        others = [p for p in paths if p.is_file() and p.suffix.lower() != ".parquet"]
        if others:
            self.import_paths(others)
        else:
            self.add_paths(paths)


def _timer(owner: QWidget, run: Callable[[], None]) -> QTimer:
    timer = QTimer(owner)
    timer.setSingleShot(True)
    timer.setInterval(_SOON_MS)
    timer.timeout.connect(run)
    return timer
