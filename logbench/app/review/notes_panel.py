"""What is said of a recording, in a list beside the strips; notes are written and edited here, and
kept in a file beside the recording."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import Signal
from PySide6.QtGui import QTextCursor
from PySide6.QtWidgets import (
    QHBoxLayout,
    QPlainTextEdit,
    QVBoxLayout,
    QWidget,
)

from logbench.app.commands import add_command
from logbench.app.notice import Notice
from logbench.app.parts import Answers, Dialog, lay, muted, named, styled, text_button
from logbench.app.plain import Label
from logbench.app.plot.view import TimeView
from logbench.app.remarks import RemarkList
from logbench.cases.recording import Change, NotesBeside
from logbench.cases.runner import Owner
from logbench.foreign import raw
from logbench.recording.model import Event
from logbench.recording.notes import MARKS, Remark, checked_text, new_note, remarks_of
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.recording.reader import Recording

_HOW = tr(
    "No notes of your own yet. Put cursors A and B around a stretch of the drive (keys A and B), "
    "then press M to write a note on it."
)

_STAYS = tr(
    "This is part of the recording, which is never changed. A marker's text can be edited; on all "
    "else write a note of your own (M)."
)


class NotesPanel(QWidget):
    """Reads and writes the notes of one recording, off the window's thread."""

    changed = Signal(object)
    """The remarks there are now."""

    def __init__(self, view: TimeView, notice: Notice) -> None:
        super().__init__()
        self._view, self._notice = view, notice
        self._owner: Owner | None = None
        self._recording: Path | None = None
        self._sha256 = ""
        self._events: Sequence[Event] = ()
        self._before: tuple[Remark, ...] | None = None
        """The notes before the last change."""
        self.notes: tuple[Remark, ...] = ()
        """Beside the recording."""
        self.ask: Callable[[str, str], str] = self._ask
        """Title and text to the text written, empty for none; tests put their own answer here."""
        self.how = muted(_HOW)
        self.list = RemarkList()
        self.list.tree.itemActivated.connect(lambda *_: self.ask_to_edit())
        span = tr("Write a note on the span from A to B")
        row = lay(
            QHBoxLayout(),
            text_button(tr("New  M"), self.ask_to_add, span),
            text_button(tr("Edit"), self.ask_to_edit, tr("Edit the chosen note")),
            text_button(tr("Remove"), self.remove, tr("Remove the chosen note")),
        )
        lay(QVBoxLayout(self), self.how, (self.list, 1), row, margins=(0, 4, 0, 0))

    def add_commands(self, owner: QWidget) -> None:
        """A note is written from anywhere on the page; edited and removed in the list."""
        add_command(owner, tr("Write a note on the span from A to B"), "M", self.ask_to_add)
        self.list.add_commands(owner)
        add_command(self, tr("Edit the chosen note"), "F2", self.ask_to_edit)
        add_command(self, tr("Remove the chosen note"), "Ctrl+Del", self.remove)

    # --- reading and showing ---

    def open(self, owner: Owner, recording: Recording) -> None:
        """Another recording, which owns what is done with its notes: read them."""
        self._owner, self._before, self._events = owner, None, recording.facts.events
        self._recording, self._sha256 = recording.path, recording.facts.samples_sha256
        self._show(())
        self._start()

    def _show(self, notes: Sequence[Remark]) -> None:
        self.notes = tuple(notes)
        self.list.show_remarks(remarks_of(self._events, notes))
        self.how.setVisible(not notes)
        self.changed.emit(self.list.remarks)

    # --- changing ---

    def ask_to_add(self) -> None:
        """Ask for the text of a note on the span between the cursors A and B."""
        marks, trouble = self._view.marks, self._notice.trouble
        if self._recording is None:
            trouble(tr("Open a recording first (Ctrl+O); notes are kept beside its file."))
        elif not {"A", "B"} <= marks.keys():
            trouble(tr("Put cursors A and B around the stretch first: keys A and B."))
        else:
            text = self.ask(tr("Note on the span from A to B"), "")
            if text:
                self.add(marks["A"], marks["B"], text)

    def ask_to_edit(self) -> None:
        """Ask for another text of the chosen note or marker."""
        note = self.list.current()
        if note is None:
            self._notice.trouble(tr("Choose a note in the list first."))
        elif note.recorded and note.kind not in MARKS:
            self._notice.trouble(_STAYS)
        else:
            text = self.ask(tr("Edit the note"), raw(note.text))
            if text:
                self.edit(note, text)

    def add(self, start_ns: int, end_ns: int, text: str) -> None:
        """Write a note on a span."""
        self._change(lambda held: [*held, new_note(start_ns, end_ns, text)])

    def edit(self, note: Remark, text: str) -> None:
        """Give a note another text; that of a marker is kept beside the recording."""

        def change(held: Sequence[Remark]) -> Sequence[Remark]:
            fresh = note.model_copy(update={"text": checked_text(text), "recorded": False})
            return [*(n for n in held if n != note), fresh]

        self._change(change, tr("The note was changed."))

    def remove(self) -> None:
        """Remove the chosen note; it can be put back."""
        note = self.list.current()
        if note is not None and note.recorded:
            self._notice.trouble(_STAYS)
        elif note is not None:
            self._change(lambda held: [n for n in held if n != note], tr("The note was removed."))

    def put_back(self) -> None:
        """Undo the last change."""
        before, after = self._before, self.notes
        if before is not None:
            self._change(
                lambda held: [
                    *(n for n in held if n in before or n not in after),
                    *(n for n in before if n not in held),
                ]
            )

    def _press_back(self) -> None:
        self.put_back()
        self._notice.hide()

    def _change(self, change: Change, said: str = "") -> None:
        if self._recording is not None:
            self._before = self.notes
            self._start(change)
            if said:
                self._notice.success(said, tr("Undo"), self._press_back)

    def _start(self, change: Change | None = None) -> None:
        if self._owner is not None and self._recording is not None:
            case = NotesBeside(self._recording, self._sha256, change)
            self._owner.start(case, self._show, self._notice.trouble)

    def _ask(self, title: str, text: str) -> str:
        dialog = NoteDialog(title, text, self)
        return dialog.text.toPlainText().strip() if dialog.exec() else ""


class NoteDialog(Dialog):
    """A few lines of text; Tab goes on to the buttons, Ctrl+Enter writes the note."""

    def __init__(self, title: str, text: str, parent: QWidget) -> None:
        super().__init__(title, parent)
        head = styled(Label(title), "title")
        self.text = named(QPlainTextEdit(text, tabChangesFocus=True), tr("Text of the note"))
        self.text.moveCursor(QTextCursor.MoveOperation.End)
        answers = Answers(self, tr("Write the note  Ctrl+Enter"), tr("Cancel"))
        add_command(self, tr("Write the note"), ["Ctrl+Return", "Ctrl+Enter"], self.accept)
        lay(QVBoxLayout(self), head, self.text, answers)
        self.resize(460, 260)
