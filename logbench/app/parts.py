"""Small widgets that several pages share."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TypeVar

from PySide6.QtCore import QEvent, QObject, QSize, Qt, QTimer, Signal
from PySide6.QtGui import QDropEvent, QFont, QResizeEvent, QShowEvent
from PySide6.QtWidgets import (
    QBoxLayout,
    QComboBox,
    QDialog,
    QDoubleSpinBox,
    QFormLayout,
    QFrame,
    QHBoxLayout,
    QLabel,
    QLayout,
    QPushButton,
    QSizePolicy,
    QSpinBox,
    QTableView,
    QVBoxLayout,
    QWidget,
)

from logbench.app.plain import Choice, Label, button_text, plain_tip
from logbench.app.theme import row_px
from logbench.app.touch import take_fingers
from logbench.foreign import in_label
from logbench.words import word

WidgetT = TypeVar("WidgetT", bound=QWidget)
BoxT = TypeVar("BoxT", bound=QBoxLayout)
Item = QWidget | QLayout | int
Given = Item | tuple[Item, int] | tuple[Item, int, Qt.AlignmentFlag]
STRETCH = 1
"""In `lay`: the room that is left."""
_UNALIGNED = Qt.AlignmentFlag(0)
_SPIN_PAD = 8


class Drops(QObject):
    """Files dropped anywhere on a widget are given to `take`."""

    def __init__(self, widget: QWidget, take: Callable[[list[Path]], object]) -> None:
        super().__init__(widget)
        self._take = take
        widget.setAcceptDrops(True)
        widget.installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """A drag is welcome where it holds files of this machine."""
        kinds = QEvent.Type.DragEnter, QEvent.Type.Drop
        if event.type() not in kinds or not isinstance(event, QDropEvent):
            return False
        paths = [Path(url.toLocalFile()) for url in event.mimeData().urls() if url.isLocalFile()]
        if paths:
            event.acceptProposedAction()
            if event.type() == QEvent.Type.Drop:
                self._take(paths)
        return True


def pad(box: QSpinBox | QDoubleSpinBox) -> None:
    """Leave room before the number: the style sheet's padding does not reach a spin box's field."""
    box.lineEdit().setTextMargins(_SPIN_PAD, 0, 0, 0)


def named(widget: WidgetT, name: str, tip: str = "") -> WidgetT:
    """A widget with its name for screen readers, and a tool tip."""
    widget.setAccessibleName(in_label(name, lines=True))
    if tip:
        widget.setToolTip(plain_tip(tip))
    return widget


def styled(widget: WidgetT, style: str) -> WidgetT:
    """A widget with its name in the style sheet."""
    widget.setObjectName(style)
    return widget


def chooser(name: str, chars: int, choices: Iterable[tuple[str, str]] = ()) -> QComboBox:
    """A box of texts with what each stands for, as wide as so many letters or as its place gives
    it, however long the texts are."""
    box = named(Choice(), name)
    box.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
    box.setMinimumContentsLength(chars)
    offer(box, choices)
    return box


def offer(box: QComboBox, choices: Iterable[tuple[str, str]]) -> None:
    """Other choices; what is chosen stays chosen where it still can be."""
    chosen = box.currentData()
    box.clear()
    for text, value in choices:
        box.addItem(text, value)
    box.setCurrentIndex(max(0, box.findData(chosen)))


def delayed(owner: QObject, wait_ms: int, run: Callable[[], object]) -> QTimer:
    """A timer that runs something once, so long after it was last started."""
    timer = QTimer(owner, singleShot=True, interval=wait_ms)
    timer.timeout.connect(run)
    return timer


class TextButton(QPushButton):
    """A button at least as wide as a finger, where the look is for gloves."""

    def sizeHint(self) -> QSize:
        """Its text, or a square."""
        hint = super().sizeHint()
        return hint.expandedTo(QSize(row_px(0), hint.height()))


def text_button(
    text: str, run: Callable[[], object], name: str = "", tip: str = "", *, checkable: bool = False
) -> QPushButton:
    """A button that runs something; unless it has a name, it is named by its text, without the key
    behind two spaces."""
    button = TextButton(button_text(text))
    button.setCheckable(checkable)
    button.clicked.connect(lambda _=False: run())
    return named(button, name or text.split("  ", maxsplit=1)[0].rstrip(" …"), tip)


def set_letters(label: QLabel, pixels: int, weight: QFont.Weight = QFont.Weight.Normal) -> None:
    """Write a label in letters of so many pixels, whatever the size of texts."""
    font = QFont(label.font())
    font.setPixelSize(pixels)
    font.setWeight(weight)
    label.setFont(font)


def muted(text: str = "", *, wrap: bool = True) -> QLabel:
    """A label that stands back."""
    return styled(Label(text, wordWrap=wrap), "muted")


def plain_text(text: str = "") -> QLabel:
    """Text that can be marked and copied."""
    chosen = Qt.TextInteractionFlag.TextSelectableByMouse
    return Label(text, wordWrap=True, textInteractionFlags=chosen)


def lay(
    layout: BoxT,
    *items: Given,
    margins: tuple[int, int, int, int] | None = None,
    spacing: int | None = None,
) -> BoxT:
    """Fill a layout: widgets and layouts in their order, each with its stretch and alignment where
    they matter, and `STRETCH` for room between them."""
    if margins is not None:
        layout.setContentsMargins(*margins)
    if spacing is not None:
        layout.setSpacing(spacing)
    for given in items:
        item, stretch, align = _placed(given)
        if isinstance(item, QWidget):
            layout.addWidget(item, stretch, align)
        elif isinstance(item, QLayout):
            layout.addLayout(item, stretch)
        else:
            layout.addStretch(item)
    return layout


def _placed(given: Given) -> tuple[Item, int, Qt.AlignmentFlag]:
    """With its stretch and alignment."""
    if not isinstance(given, tuple):
        return given, 0, _UNALIGNED
    return given if len(given) == 3 else (*given, _UNALIGNED)


class Dialog(QDialog):
    """With its title, and at least so many pixels wide."""

    def __init__(self, title: str, parent: QWidget | None, least_px: int = 0) -> None:
        super().__init__(parent)
        self.setWindowTitle(in_label(title).replace("[*]", "[*][*]"))  # Qt's mark of a change
        self.setMinimumWidth(least_px)

    def showEvent(self, event: QShowEvent) -> None:
        """Fingers work from now on."""
        super().showEvent(event)
        take_fingers(self)


class Answers(QHBoxLayout):
    """The foot of a dialog: `leave` on the left, `go` on the right, connected. Enter in a field
    presses `go`, or with `careful` leaves."""

    def __init__(self, dialog: QDialog, go: str, leave: str, *, careful: bool = False) -> None:
        super().__init__()
        self.go = styled(text_button(go, dialog.accept), "primary")
        self.leave = text_button(leave, dialog.reject)
        (self.leave if careful else self.go).setDefault(True)
        lay(self, self.leave, STRETCH, self.go)


def heads_left(table: QTableView) -> None:
    """Headings above the first letters of their columns."""
    table.horizontalHeader().setDefaultAlignment(
        Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter
    )


class Form(QFormLayout):
    """Fields one below the other, each with its name on the left, level with it."""

    def __init__(self) -> None:
        super().__init__(verticalSpacing=8, horizontalSpacing=12)
        self.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)

    def add(self, name: str, field: QWidget | QLayout, buddy: QWidget | None = None) -> None:
        """One more; an `&` in the name is the key to the field, or to `buddy` inside it."""
        label = styled(Label(name), "field")
        to = field if isinstance(field, QWidget) else buddy
        if to is not None:
            label.setBuddy(to)
        self.addRow(label, field)


def middle(widget: QWidget) -> QWidget:
    """A page with the widget in its middle."""
    page = QWidget()
    placed = (widget, 6, Qt.AlignmentFlag.AlignVCenter)
    lay(QHBoxLayout(page), STRETCH, placed, STRETCH, margins=(24, 24, 24, 24))
    return page


class Card(QFrame):
    """A frame with a title, at most so many pixels wide."""

    def __init__(
        self, title: str, most_px: int, margins: tuple[int, int, int, int], spacing: int
    ) -> None:
        super().__init__()
        self.setObjectName("card")
        self.setMaximumWidth(most_px)
        self.title = styled(Label(title), "title")
        self.column = lay(QVBoxLayout(self), self.title, margins=margins, spacing=spacing)


class EmptyState(Card):
    """Says how to begin, with a button for it."""

    pressed = Signal()

    def __init__(self, title: str, text: str, button: str) -> None:
        super().__init__(title, 620, (28, 24, 28, 24), 14)
        self.text = Label(text, wordWrap=True)
        self.button = text_button(button, self.pressed.emit)
        self.extra = QVBoxLayout()
        lay(self.column, self.text, self.extra, (self.button, 0, Qt.AlignmentFlag.AlignLeft))


class StatusLine(QFrame):
    """A line of short facts under a page; the last takes the room that is left."""

    def __init__(self, keys: Sequence[str]) -> None:
        super().__init__()
        self.setObjectName("bar")
        self._labels = {key: named(Label(), word(key)) for key in keys}
        *others, last = self._labels.values()
        last.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        lay(QHBoxLayout(self), *others, (last, 1), margins=(14, 6, 14, 6), spacing=22)
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)

    def tell(self, key: str, text: str) -> None:
        """Show a fact."""
        self._labels[key].setText(text)
        self._labels[key].setToolTip(plain_tip(text))

    def said(self, key: str) -> str:
        """What is shown."""
        return self._labels[key].text()

    def clear(self) -> None:
        """Show nothing."""
        for label in self._labels.values():
            label.clear()


class Elided(Label):
    """A label that ends in dots where there is too little room; the tool tip has all of it."""

    def __init__(self) -> None:
        super().__init__()
        self._whole = ""
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)

    @property
    def whole(self) -> str:
        """The text without dots."""
        return self._whole

    def tell(self, text: str) -> None:
        """Show a text."""
        self._whole = in_label(text, lines=True)
        self.setToolTip(plain_tip(text))
        self.setAccessibleName(self._whole)
        self._fit()

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Fit the text to the room."""
        super().resizeEvent(event)
        self._fit()

    def _fit(self) -> None:
        room = self.contentsRect().width()
        dots = Qt.TextElideMode.ElideRight
        super().setText(self.fontMetrics().elidedText(self._whole, dots, room))
