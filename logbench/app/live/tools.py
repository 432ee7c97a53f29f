"""Above the live strips: the row of buttons, and the line for a marker's note."""

from __future__ import annotations

from PySide6.QtCore import QEvent, QMargins, Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import (
    QAbstractButton,
    QAbstractItemView,
    QApplication,
    QComboBox,
    QPushButton,
    QWidget,
)

from logbench.app.flow import Flow
from logbench.app.parts import named
from logbench.app.plain import Choice
from logbench.words import tr

WIDTHS_S = (15, 30, 60, 120, 300, 600, 1800)
_USE_SPACE = (QAbstractButton, QAbstractItemView, QComboBox)


def keeps_space(event: QEvent) -> bool:
    """Whether a key about to be taken as a shortcut is the space bar of a widget that uses it."""
    if not isinstance(event, QKeyEvent) or event.key() != Qt.Key.Key_Space or event.modifiers():
        return False
    return isinstance(QApplication.focusWidget(), _USE_SPACE)


class LiveTools(Flow):
    """Freeze, width of the window, and what fills the middle."""

    def __init__(self, window_s: float) -> None:
        super().__init__(QMargins(6, 8, 12, 4))
        self.freeze = self._button(
            tr("Freeze  F"), tr("Freeze the strips; the recording goes on"), checkable=True
        )
        self.width_box = named(Choice(), tr("Width of the time window"))
        for seconds in WIDTHS_S:
            unit = f"{seconds} s" if seconds < 120 else f"{seconds // 60} min"
            self.width_box.addItem(tr("Window {unit}", unit=unit), seconds)
        near = min(WIDTHS_S, key=lambda s: abs(s - window_s))
        self.width_box.setCurrentIndex(WIDTHS_S.index(near))
        self._take(self.width_box)
        self.plan = self._button(
            tr("Plan  P"), tr("Drive plan instead of the strips"), checkable=True
        )
        self.wiggle = self._button(
            tr("Wiggle test  G"), tr("Wiggle test instead of the strips"), checkable=True
        )
        self.driver = self._button(
            tr("Driver's view  D"), tr("Driver's view: a few values, full screen")
        )
        self.passenger = self._button(
            tr("Passenger  Shift+D"),
            tr("A passenger operates this: steps are asked for under way, until this drive ends"),
            checkable=True,
        )
        self.second = self._button(
            tr("Second screen"), tr("Values, strips and markers on a phone or tablet nearby")
        )
        self.passenger.hide()
        self.end_wiggle = self._button("", tr("Stop the wiggle test"), checkable=True)
        self.end_wiggle.setToolTip(tr("The wiggle test goes on whatever is shown; this ends it"))
        self.end_wiggle.hide()

    def _button(self, text: str, name: str, *, checkable: bool = False) -> QPushButton:
        """One more; checked, its color says that something runs or is shown."""
        button = named(QPushButton(text), name)
        button.setCheckable(checkable)
        self._take(button)
        return button

    def _take(self, widget: QWidget) -> None:
        widget.setFocusPolicy(Qt.FocusPolicy.TabFocus)  # a click leaves the space bar alone
        self.add(widget)

    def show_wiggle(self, said: str) -> None:
        """How the wiggle test stands, wherever the user looks; empty: it does not run."""
        self.end_wiggle.setText(tr("{said}: stop  Shift+G", said=said))
        self.end_wiggle.setChecked(True)
        self.end_wiggle.setVisible(bool(said))

    def show_shape(self, shape: str) -> None:
        """What fills the middle now."""
        self.plan.setChecked(shape == "plan")
        self.wiggle.setChecked(shape == "wiggle")

    def show_following(self, following: bool) -> None:
        """Whether the strips follow the newest samples or stand still."""
        self.freeze.setChecked(not following)
        self.freeze.setText(tr("Freeze  F") if following else tr("Frozen: follow  F"))
