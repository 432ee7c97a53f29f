"""After a crash or a loss of power the window comes back to its page, drive, cursors and texts."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from PySide6.QtCore import QLockFile, QObject, QTimer
from PySide6.QtWidgets import QLineEdit, QPlainTextEdit, QWidget

from logbench.app.notice import Notice
from logbench.app.pages import TITLES, Pages
from logbench.cases.left_open import (
    LONGEST,
    MOST_TYPED,
    LeftOpen,
    forget_left_open,
    keep_left_open,
    load_left_open,
)
from logbench.foreign import in_label
from logbench.system.private import make_folder
from logbench.words import tr

_EVERY_MS = 2000
_Field = QLineEdit | QPlainTextEdit


class ComingBack(QObject):
    """Of several windows with the same settings, the first keeps what it has open."""

    def __init__(self, pages: Pages, notice: Notice, file: Path | None, parent: QObject) -> None:
        """`file`: where it is kept; None: nowhere."""
        super().__init__(parent)
        self._pages, self._notice, self._file = pages, notice, file
        self._kept = self._left = LeftOpen()
        self._lock = QLockFile(str(file.with_suffix(".lock"))) if file is not None else None
        self._timer = QTimer(self, interval=_EVERY_MS)
        self._timer.timeout.connect(self.keep)

    def start(self, *, restore: bool) -> None:
        """Come back to what was left open, where that is wanted; from now on keep what is."""
        if self._file is None or self._lock is None:
            return
        make_folder(self._file.parent)
        if not self._lock.tryLock(0):
            return  # another window keeps its own
        left = load_left_open(self._file)
        if left is not None and restore:
            self._restore(left)
        self._timer.start()

    def keep(self) -> None:
        """Write what is open now, where that has changed."""
        now = self._now()
        if self._file is not None and now != self._kept:
            self._kept = now
            keep_left_open(self._file, now)

    def close(self) -> None:
        """The window was closed: there is nothing to come back to."""
        self._timer.stop()
        if self._file is not None and self._lock is not None and self._lock.isLocked():
            forget_left_open(self._file)
            self._lock.unlock()

    def _now(self) -> LeftOpen:
        pages = self._pages
        left = LeftOpen(page=pages.shown_key, typed=dict(self._typed()))
        if (review := pages.made("review")) is not None and review.opened is not None:
            view = review.view
            left.drive = review.opened.recording.path
            left.span_ns = (view.start_ns, view.end_ns)
            left.cursor_ns, left.marks_ns = view.cursor_ns, dict(view.marks)
        if (job := pages.made("job")) is not None and job.opened is not None:
            left.job = job.opened.folder.path
        return left

    def _typed(self) -> Iterator[tuple[str, str]]:
        for n, (name, field) in enumerate(self._fields()):
            if n >= MOST_TYPED:
                return
            if isinstance(field, QLineEdit):
                changed, text = field.isModified(), field.text()
            else:
                changed, text = field.document().isModified(), field.toPlainText()
            if changed and text:
                yield name, text[:LONGEST]

    def _fields(self) -> Iterator[tuple[str, _Field]]:
        """Fields for text with their names; what is typed on the Job page is in the job."""
        for key in TITLES:
            page = self._pages.made(key)
            if page is None or key == "job":
                continue
            for field in page.findChildren(QWidget):
                if isinstance(field, _Field) and field.accessibleName():
                    yield f"{key}: {field.accessibleName()}", field

    def _restore(self, left: LeftOpen) -> None:
        pages = self._pages
        if left.job is not None and left.job.is_dir():
            pages.job.open_path(left.job)
        if left.drive is not None and left.drive.is_file():
            self._left = left
            pages.review.opening.opened.connect(self._show_place)
            pages.review.open_path(left.drive)
        if left.page in TITLES:
            pages.show_page(left.page)
        fields = dict(self._fields())
        for name, text in left.typed.items():
            if (field := fields.get(name)) is not None:
                _type(field, text)
        self._notice.passing(
            tr("logbench did not come to its end the last time: here is what was open then.")
        )

    def _show_place(self) -> None:
        """Once, in the drive that was opened first."""
        left, view = self._left, self._pages.review.view
        self._pages.review.opening.opened.disconnect(self._show_place)
        if left.span_ns is not None:
            view.show_span(*left.span_ns)
        for name, t_ns in left.marks_ns.items():
            view.set_mark(name, t_ns)
        view.set_cursor(left.cursor_ns)


def _type(field: _Field, text: str) -> None:
    """As if it had been typed."""
    if isinstance(field, QLineEdit):
        field.setText(in_label(text))
        field.setModified(True)
    else:
        field.setPlainText(text)
        field.document().setModified(True)
