"""What is said across the window, whatever page is shown: one place, and one notice a speaker."""

from __future__ import annotations

from collections.abc import Callable

from PySide6.QtCore import QEvent, QObject
from PySide6.QtWidgets import QFrame, QHBoxLayout, QPushButton, QSizePolicy, QWidget

from logbench.app.details import copy_details
from logbench.app.parts import delayed, lay, plain_text, styled, text_button
from logbench.app.plain import button_text
from logbench.cases.work import Outcome
from logbench.foreign import in_label
from logbench.words import tr

Remedy = Callable[[], object] | None
"""What is done about something; None where nothing can be."""
_PASSING_MS = 6000
_READING_MS = 60
"""A letter more takes so much longer to read."""
_NOTICE_PX = 16
_GAP_PX = 6
_FOOT_PX = 44
"""A notice leaves the status line free."""
_NO_BUTTON = tr("What can be done about it")


class Messages(QObject):
    """The one place where notices stand: over the foot of a widget, one above the other, the
    newest lowest."""

    def __init__(self, over: QWidget) -> None:
        super().__init__(over)
        self.over = over
        self.page = ""
        """Key of the page that is shown."""
        self._shown: list[Notice] = []
        over.installEventFilter(self)

    def take(self, notice: Notice) -> None:
        """This notice has something to say, or something else than before."""
        self.leave(notice)
        self._shown.append(notice)
        self._place()

    def leave(self, notice: Notice) -> None:
        """This notice is gone."""
        self._shown = [one for one in self._shown if one is not notice]
        self._place()

    def turn(self, page: str) -> None:
        """Another page is shown: what was offered on one lies over no other."""
        self.page = page
        for notice in self._shown:
            notice.setVisible(notice.page in ("", page))
        self._place()

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Stay at the foot, at any size of window and of texts."""
        if event.type() in (QEvent.Type.Resize, QEvent.Type.FontChange):
            self._place()
        return False

    def _place(self) -> None:
        bottom = self.over.height() - _FOOT_PX
        for notice in reversed([one for one in self._shown if not one.isHidden()]):
            wide = max(self.over.width() - 2 * _NOTICE_PX, notice.minimumSizeHint().width())
            tall = notice.tall(wide)
            notice.setGeometry(_NOTICE_PX, bottom - tall, wide, tall)
            notice.raise_()
            bottom -= tall + _GAP_PX


class Notice(QFrame):
    """One sentence: what went wrong or was done, and one thing to do about it. It lies over the
    pages, so that nothing on them moves. What asks for something (trouble, or a button) stays until
    it is closed or replaced; what was only done goes by itself once it can have been read."""

    def __init__(self, place: Messages) -> None:
        super().__init__(place.over)
        self._place = place
        self.setObjectName("card")
        self.label = plain_text()
        self.label.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        self.button = styled(text_button("", self._press, _NO_BUTTON), "primary")
        self.copy = text_button(tr("Copy details"), lambda: copy_details(self.text))
        close = text_button(tr("Close"), self.hide, tr("Close the notice"))
        row = ((self.label, 1), self.button, self.copy, close)
        self._row = lay(QHBoxLayout(self), *row, margins=(14, 6, 12, 6))
        self._run: Remedy = None
        self.page = ""
        """Key of the page over which it lies; empty: over every one."""
        self.others: list[QPushButton] = []
        """Beside the one that is the likeliest."""
        self._end = delayed(self, _PASSING_MS, self.hide)
        super().hide()

    @property
    def text(self) -> str:
        """What is shown; empty when nothing is."""
        return "" if self.isHidden() else self.label.text()

    def trouble(self, sentence: str, button: str = "", run: Remedy = None) -> None:
        """Show what went wrong, and what a button does about it."""
        self._show("trouble", f"■  {sentence}", button, run)

    def success(
        self, sentence: str, button: str = "", run: Remedy = None, *others: tuple[str, Remedy]
    ) -> None:
        """Show what was done, with what can be done next; without a button it goes by itself."""
        self._show("", f"●  {sentence}", button, run)
        for text, other in others:
            self.offer(text, other)
        if not button:
            self._end.start(_PASSING_MS + _READING_MS * len(sentence))

    def say(self, outcome: Outcome, button: str = "", run: Remedy = None) -> None:
        """Show how something went; nothing where there is no sentence."""
        if outcome.sentence:
            (self.success if outcome.well else self.trouble)(outcome.sentence, button, run)

    def passing(self, sentence: str) -> None:
        """Show what was done, for some seconds; what still stands there stays."""
        if self.isHidden() or self._end.isActive():
            self.success(sentence)

    def offer(self, text: str, run: Remedy) -> None:
        """One thing more that can be done about what is shown."""
        made = text_button(text, run or self.hide)
        self.others.append(made)
        self._row.insertWidget(self._row.indexOf(self.button) + 1, made)
        self._place.take(self)

    def hide(self) -> None:
        """Say nothing any more."""
        super().hide()
        self._place.leave(self)

    def tall(self, wide: int) -> int:
        """Pixels of height at this width."""
        return self._row.totalHeightForWidth(wide)

    def _press(self) -> None:
        if self._run is not None:
            self._run()

    def _show(self, name: str, sentence: str, button: str, run: Remedy) -> None:
        self._end.stop()
        while self.others:
            self.others.pop().deleteLater()
        self._run = run
        styled(self.label, name).style().polish(self.label)
        self.label.setText(sentence)
        self.label.setAccessibleName(self.label.text())
        self.button.setText(button_text(button))
        self.button.setAccessibleName(in_label(button) or _NO_BUTTON)
        self.button.setVisible(bool(button))
        self.copy.setVisible(name == "trouble")
        self.page = self._place.page if button and name != "trouble" else ""
        self.show()
        self._place.take(self)
