"""The Archive page: everything ever recorded, found, opened, checked, compared."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtGui import QAction, QDragEnterEvent, QDropEvent, QShowEvent
from PySide6.QtWidgets import (
    QCheckBox,
    QFileDialog,
    QHBoxLayout,
    QInputDialog,
    QLabel,
    QMessageBox,
    QPushButton,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.app.archive.body import ARCHIVE_TABS, ArchiveBody
from logbench.app.archive.bringing import Bringing
from logbench.app.archive.long_work import LongWork
from logbench.app.archive.recordings import AFTER, BEFORE
from logbench.app.archive.working import (
    Account,
    Details,
    Listing,
    Stop,
    add,
    alike_to,
    details_of,
    listing,
    local_files,
    look_again,
    numbers_for,
    open_archive,
    sweep,
    trend_of,
    verify,
)
from logbench.app.background import Task
from logbench.app.commands import add_command
from logbench.app.desk import Desk
from logbench.app.parts import Elided, EmptyState, Notice, middle
from logbench.app.theme import Theme
from logbench.app.units import Units

if TYPE_CHECKING:
    from logbench.archive.archive import Archive
    from logbench.archive.overview import Number

_LAST = "archive/last"
_SOON_MS = 180
_DETAILS, _ALIKE, _TREND, _ACCOUNT, _PROBLEMS = range(len(ARCHIVE_TABS))
_KINDS = "Logs (*.csv *.txt *.tsv *.tab *.parquet *.asc *.blf *.log);;All files (*)"


class ArchivePage(QWidget):
    """One archive at a time."""

    review_wanted = Signal(object)
    """Path of a recording."""
    compare_wanted = Signal(object, object)
    """Paths before and after."""

    def __init__(self, desk: Desk, cache: Path | None = None, memory: Path | None = None) -> None:
        """`cache`, `memory`: where archives' indexes and mappings are kept; None: the user's."""
        super().__init__()
        self._desk = desk
        self._cache = cache
        self.archive: Archive | None = None
        self.listed: Listing | None = None
        self.processes = 0
        """Worker processes of a sweep; 0: as many as pay."""
        self.notice = Notice()
        self.notice.pressed.connect(self.sweep)
        self.work = LongWork(desk.jobs)
        self.bringing = Bringing(desk, self.work, memory, self)
        self.body = ArchiveBody(desk)
        self._looking: Task | None = None
        self._showing: Task | None = None
        self._like: tuple[str, str] = ("", "")
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
            ("Open …", self.ask_for_archive), ("Add …", self.ask_for_recordings),
            ("Import …", self.ask_for_files), ("Run checks", self.sweep),
            ("Verify …", self.ask_to_verify),
        ):  # fmt: skip
            button = QPushButton(text)
            button.clicked.connect(lambda _=False, run=run: run())
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
        for part in (self.notice, self.work):
            layout.addWidget(part)
        layout.addWidget(self._pages, 1)

    def _empty(self) -> EmptyState:
        self.empty = EmptyState(
            "No archive is open",
            "An archive is a folder with recordings in it, at any depth. Open one, and find drives "
            "by car, date, signal or finding; open them, hold them against each other, follow a "
            "number over a car's life. Nothing in the folder is changed by looking, and nothing "
            "leaves this machine.",
            "Open a folder …  Ctrl+Shift+O",
        )
        self.empty.pressed.connect(self.ask_for_archive)
        self.recordings_button = QPushButton()
        self.recordings_button.clicked.connect(
            lambda: self.open_place(str(self._desk.settings.folder))
        )
        self.empty.extra.addWidget(self.recordings_button)
        return self.empty

    def _connect(self) -> None:
        look, body, table = self._desk.look, self.body, self.body.table
        look.changed.connect(self._set_theme)
        look.units_changed.connect(self._set_units)
        body.facets.changed.connect(self._soon.start)
        table.chosen_changed.connect(self._details_soon.start)
        table.opened.connect(self.review)
        table.put.connect(self.put)
        table.like_wanted.connect(self.find_alike)
        table.trend_wanted.connect(self.follow)
        for name, run in (
            ("review", self.review), ("before", lambda: self.put(BEFORE)),
            ("after", lambda: self.put(AFTER)), ("compare", self.compare),
            ("like", self.find_alike), ("trend", self.follow),
        ):  # fmt: skip
            body.buttons[name].clicked.connect(lambda _=False, run=run: run())
        body.alike.wanted.connect(self.find_alike)
        body.alike.chosen.connect(self.go_to)
        body.trend.wanted.connect(self._ask_trend)
        body.trend.chosen.connect(self.go_to)
        self.work.failed.connect(self.notice.trouble)
        self.work.changed.connect(self._busy_changed)
        self.bringing.failed.connect(self.notice.trouble)
        self.bringing.done.connect(self._files_changed)

    def _add_commands(self) -> None:
        for title, keys, run in (
            ("Open an archive", "Ctrl+Shift+O", self.ask_for_archive),
            ("Open an archive by its address", "Ctrl+Shift+U", self.ask_for_address),
            ("Add recordings to the archive", "Ctrl+B", self.ask_for_recordings),
            ("Add a folder of recordings", "Ctrl+Shift+B", self.ask_for_folder),
            ("Import other files", "Ctrl+I", self.ask_for_files),
            ("Import a folder of other files", "Ctrl+Shift+I", self.ask_for_import_folder),
            ("Run the checks over what is listed", "Ctrl+R", self.sweep),
            ("Verify every recording", "Ctrl+Shift+V", self.ask_to_verify),
            ("Look through the archive again", "F5", self.refresh),
            ("Search in the archive", "Ctrl+F", self.body.facets.words.setFocus),
            ("Clear the filters", "Ctrl+Shift+F", self.body.facets.clear),
            ("Go to the list of recordings", "Ctrl+L", self.body.table.setFocus),
            ("Sort by the next column", "Ctrl+J", self.body.table.sort_by_next),
            ("Preview the next signal", "Ctrl+G", self.body.next_signal),
            ("Review the chosen recording", "Ctrl+Return", self.review),
            ("Put the chosen on the side before", "Alt+B", lambda: self.put(BEFORE)),
            ("Put the chosen on the side after", "Alt+A", lambda: self.put(AFTER)),
            ("Compare before with after", "Ctrl+Shift+Return", self.compare),
            ("Find drives like the chosen one", "Alt+L", self.find_alike),
            ("Follow a number over the car's life", "Alt+T", self.follow),
            ("Stop what the archive is doing", "Ctrl+.", self.work.cancel),
        ):  # fmt: skip
            add_command(self, title, keys, run)
        for number, title in enumerate(ARCHIVE_TABS):
            show = partial(self.body.tabs.setCurrentIndex, number)
            add_command(self, f"Show {title[0].lower()}{title[1:]}", f"Alt+{number + 1}", show)

    def commands(self) -> list[QAction]:
        """What can be done on this page."""
        return self.actions()

    # --- opening ---

    def showEvent(self, event: QShowEvent) -> None:
        """The archive that was open last is opened again."""
        super().showEvent(event)
        folder = self._desk.settings.folder
        self.recordings_button.setText(f"Open the folder of your recordings: {folder.name[:40]}")
        self.recordings_button.setToolTip(str(folder))
        self.recordings_button.setVisible(folder.is_dir())
        last = self._desk.settings.store.value(_LAST)
        if self.archive is None and not self.work.busy and isinstance(last, str) and last:
            self.open_place(last)

    def open_place(self, place: str) -> None:
        """Open the archive at a folder or URL."""

        def work(_: Stop, task: Task) -> Any:
            return open_archive(place, self._cache, task)

        self.work.start(work, partial(self._opened, place), gentle=False)

    def _opened(self, place: str, archive: Archive) -> None:
        self.archive = archive
        self.notice.hide()
        self._desk.settings.store.setValue(_LAST, place)
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

    def _looked_again(self, archive: Archive) -> None:
        self.body.forget(archive)
        self.look()

    # --- looking ---

    def look(self) -> None:
        """List what fits the filter."""
        archive, chosen = self.archive, self.body.facets.filter()
        if archive is None or chosen is None:
            return
        if self._looking is not None:
            self._looking.cancel()
        self._looking = self._desk.jobs.start(
            lambda task: listing(archive, chosen, task), self._listed, self._not_listed
        )

    def _listed(self, found: Listing) -> None:
        self._looking = None
        self.listed = found
        self.body.show_listing(found)
        facets = found.facets
        unchecked = facets.recordings - facets.checked
        more = f", {unchecked:,} not checked yet" if unchecked else ""
        self.counts.setText(f"{len(found.rows):,} of {facets.recordings:,} recordings{more}")

    def _not_listed(self, sentence: str) -> None:
        self._looking = None
        self.body.facets.say(sentence)

    def _ask_details(self) -> None:
        archive, rows = self.archive, self.body.table.chosen()
        self.body.show_choice(len(rows))
        if self._showing is not None:
            self._showing.cancel()
            self._showing = None
        if archive is None or len(rows) != 1:
            text = f"{len(rows)} recordings are chosen." if rows else ""
            self.body.details.say(text) if text else self.body.details.show_details(None)
            return
        name = rows[0].recording
        self._showing = self._desk.jobs.start(
            lambda task: details_of(archive, name, task), self._show_details, self.body.details.say
        )

    def _show_details(self, details: Details) -> None:
        self._showing = None
        self.body.show_details(details)

    def go_to(self, recording: str) -> None:
        """Choose a recording in the list, dropping the filters where they hide it."""
        if not self.body.table.choose(recording):
            self.body.wanted = recording
            self.body.facets.clear()
        self.body.table.setFocus()

    # --- doing something with what is chosen ---

    def _chosen(self) -> list[str]:
        names = [row.recording for row in self.body.table.chosen()]
        if not names:
            self.notice.trouble("No recording is chosen: choose one in the list.")
        return names

    def _with_files(self, names: Sequence[str], then: Callable[[list[Path]], None]) -> None:
        archive = self.archive
        if archive is not None and names:
            self.work.start(lambda _, task: local_files(archive, names, task), then, gentle=False)

    def review(self) -> None:
        """Open the chosen recording on the Review page."""
        self._with_files(self._chosen()[:1], lambda paths: self.review_wanted.emit(paths[0]))

    def put(self, side: str) -> None:
        """Put the chosen recordings on a side of the comparison; again: take them away."""
        self.body.put(self._chosen(), side)

    def compare(self) -> None:
        """Hand both sides to the Compare page."""
        before, after = (self.body.model.on_side(side) for side in (BEFORE, AFTER))
        if not before or not after:
            missing = BEFORE if not before else AFTER
            self.notice.trouble(
                f"No recording is on the side {missing}: choose one and press {missing[0].upper()}."
            )
            return
        n = len(before)
        self._with_files(
            [*before, *after], lambda paths: self.compare_wanted.emit(paths[:n], paths[n:])
        )

    def find_alike(self) -> None:
        """Find the drives that are most like the chosen one."""
        archive, names = self.archive, self._chosen()[:1]
        if archive is None or not names:
            return
        row = self.body.table.chosen()[0]
        self._like = (row.recording, f"{row.car or 'unnamed car'}, {row.started_utc[:10]}")
        self.body.tabs.setCurrentIndex(_ALIKE)
        self.work.start(
            lambda _, task: alike_to(archive, names[0], task), self._show_alike, gentle=False
        )

    def _show_alike(self, found: Any) -> None:
        self.body.show_alike(self._like[1], found)

    def follow(self) -> None:
        """Follow a number over the life of the chosen car."""
        archive, names = self.archive, self._chosen()[:1]
        if archive is None or not names:
            return
        car = self.body.table.chosen()[0].car
        if not car:
            self.notice.trouble("This recording names no car, so there is no life to follow.")
            return
        self.body.car = car
        self.body.tabs.setCurrentIndex(_TREND)
        self._desk.jobs.start(
            lambda task: numbers_for(archive, car, task),
            lambda numbers: self.body.trend.show_numbers(car, numbers),
            self.notice.trouble,
        )

    def _ask_trend(self, number: Number) -> None:
        archive, car = self.archive, self.body.car
        if archive is not None:
            self._desk.jobs.start(
                lambda task: trend_of(archive, number, car, task),
                self.body.trend.show_trend,
                self.notice.trouble,
            )

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

    def ask_to_verify(self) -> None:
        """Verify; whether damaged files are set aside is asked first."""
        if self.archive is None:
            return
        box = QMessageBox(self)
        box.setWindowTitle("Verify the archive")
        box.setText("Read every sample of every recording and hold it against its checksum?")
        aside = QCheckBox("Set damaged files aside, in the folder quarantine; none is deleted")
        box.setCheckBox(aside)
        go = box.addButton("Verify", QMessageBox.ButtonRole.AcceptRole)
        box.addButton(QMessageBox.StandardButton.Cancel)
        box.setDefaultButton(go)
        box.exec()
        if box.clickedButton() is go:
            self.verify(aside.isChecked())

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
        if archive is not None and paths:
            self.work.start(
                lambda stop, task: add(archive, paths, stop, task), self._files_changed, gentle=True
            )

    def import_paths(self, paths: Sequence[Path]) -> None:
        """Import other programs' files into the archive; each kind is shown first."""
        if self.archive is None:
            self.notice.trouble("Open an archive first: what is imported goes into it.")
        elif paths:
            self.bringing.begin(self.archive, paths)

    def _files_changed(self, account: Account) -> None:
        self.body.account.show_account(account)
        if account.bad:
            self.body.tabs.setCurrentIndex(_ACCOUNT)
            self.notice.trouble(f"{account.sentence} The list below says what is wrong.")
        else:
            self.notice.success(account.sentence)
        self.refresh()

    def _busy_changed(self) -> None:
        for button in self.tools:
            button.setEnabled(not self.work.busy)

    # --- asking ---

    def ask_for_archive(self) -> None:
        """Let the user pick a folder."""
        start = str(self._desk.settings.folder)
        place = QFileDialog.getExistingDirectory(self, "Open an archive", start)
        if place:
            self.open_place(place)

    def ask_for_address(self) -> None:
        """Let the user type a folder or the address of an object store."""
        text, agreed = QInputDialog.getText(
            self, "Open an archive", "Folder, or address like s3://bucket/prefix?region=…"
        )
        if agreed and text.strip():
            self.open_place(text.strip())

    def ask_for_recordings(self) -> None:
        """Let the user pick recordings."""
        self._ask_for(self.add_paths, "Add recordings", "Recordings (*.parquet)")

    def ask_for_files(self) -> None:
        """Let the user pick other programs' files."""
        self._ask_for(self.import_paths, "Import files", _KINDS)

    def ask_for_folder(self) -> None:
        """Let the user pick a folder of recordings."""
        self._ask_for(self.add_paths, "Add a folder of recordings")

    def ask_for_import_folder(self) -> None:
        """Let the user pick a folder of other programs' files."""
        self._ask_for(self.import_paths, "Import a folder")

    def _ask_for(self, then: Callable[[list[Path]], None], title: str, kinds: str = "") -> None:
        if self.archive is None:
            self.notice.trouble("Open an archive first: what comes in goes into it.")
            return
        start = str(self._desk.settings.folder)
        if kinds:
            names, _ = QFileDialog.getOpenFileNames(self, title, start, kinds)
        else:
            name = QFileDialog.getExistingDirectory(self, title, start)
            names = [name] if name else []
        if names:
            then([Path(name) for name in names])

    # --- look, drops ---

    def _set_theme(self, theme: Theme) -> None:
        self.body.set_look(theme, self._desk.look.units)

    def _set_units(self, units: Units) -> None:
        self.body.set_look(self._desk.look.theme, units)

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
