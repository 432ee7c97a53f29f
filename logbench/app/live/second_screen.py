"""A second screen: what the window shows of a drive, on a phone or tablet nearby."""

from __future__ import annotations

import ipaddress
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby

import numpy as np
from PySide6.QtCore import QObject, QRectF, QSize, Qt, QTimer, Signal
from PySide6.QtGui import QColor, QPainter, QPaintEvent
from PySide6.QtNetwork import QNetworkInterface
from PySide6.QtWidgets import QHBoxLayout, QVBoxLayout, QWidget

from logbench.app.live.session import LiveSession, State
from logbench.app.parts import Dialog, lay, muted, named, plain_text, styled, text_button
from logbench.app.plain import Choice, Label
from logbench.app.theme import Look
from logbench.plot.trace import SECOND, StripTrace
from logbench.recording.model import Event
from logbench.screen.messages import (
    Cell,
    Marks,
    MarkWanted,
    NotServed,
    Plan,
    Point,
    Ready,
    Row,
    Rows,
    Screens,
    Values,
)
from logbench.screen.process import ScreenProcess, new_token
from logbench.words import tr, tr_n

_EVERY_MS = 100
_HISTORY_S = 300
_HISTORY_POINTS = 600
"""Of the last minutes of one signal: two for each pixel of a phone."""
_LOOPBACK = ("127.0.0.1", "127.0.0.0/8")
_IDLE = {
    True: tr("Nothing is served."),
    False: tr("Connect to a car or record first: there is nothing to show yet."),
}
_QUIET = 4
"""Modules that stay light around a code; ISO/IEC 18004, 5.3.8."""


@dataclass(frozen=True)
class Drive:
    """What of the Live page goes to the screens."""

    session: LiveSession
    rows: Callable[[], Sequence[StripTrace]]
    """In the order of the table of values."""
    events: Callable[[], list[Event]]
    state: Callable[[], str]
    look: Look


class SecondScreen(QObject):
    """Serves the page from when it is asked for until the recording ends; waits for nothing."""

    changed = Signal()
    """Address, number of screens, or trouble."""

    def __init__(self, drive: Drive, parent: QObject) -> None:
        super().__init__(parent)
        self._drive = drive
        self._process: ScreenProcess | None = None
        self._plan: Plan | None = None
        self.address = ""
        """Of the page, while it is served."""
        self.screens = 0
        self.trouble = ""
        self._shown: list[StripTrace] = []
        self._marks: tuple[float, ...] = ()
        self._fresh = False
        """A screen has seen nothing so far."""
        self._timer = QTimer(self, interval=_EVERY_MS)
        self._timer.timeout.connect(self._tick)
        drive.session.state_changed.connect(self._state_changed)
        drive.session.begun.connect(self._anew)
        drive.session.began_anew.connect(self._anew)
        drive.look.units_changed.connect(self._anew)

    @property
    def served(self) -> bool:
        """The page is served, or will be in a moment."""
        return self._process is not None

    @property
    def possible(self) -> bool:
        """There is a drive to be shown."""
        return self._drive.session.state in ("watching", "recording")

    def offer(self) -> None:
        """Show where it can be opened, and how."""
        self._dialog.open()

    @cached_property
    def _dialog(self) -> SecondScreenDialog:
        window = self.parent()
        assert isinstance(window, QWidget)
        return SecondScreenDialog(self, window)

    def open(self, host: str, network: str) -> None:
        """Serve a new page at an address of this computer, for its network."""
        self.close()
        if not self.possible:
            return
        words = {
            "marker": tr("Marker"),
            "ended": tr("The recording has ended."),
            "lost": tr("Not connected; trying again"),
        }
        self._plan = Plan(host, network, new_token(), words)
        self._process, self.trouble = ScreenProcess(self._plan), ""
        try:
            self._process.start()
        except OSError as error:
            self._process = None
            self.trouble = tr("The page cannot be served ({why}).", why=error.strerror)
        else:
            self._timer.start()
        self.changed.emit()

    def close(self) -> None:
        """Serve nothing any more; the address is worth nothing from now on."""
        self._timer.stop()
        if self._process is not None:
            self._process.close()
        self._process = self._plan = None
        self.address, self.screens = "", 0
        self.changed.emit()

    def _state_changed(self, state: State) -> None:
        if state == "idle" and self.served:
            self.close()
        self.changed.emit()

    def _anew(self, _: object = None) -> None:
        self._fresh = True

    def _tick(self) -> None:
        for told in self._process.poll() if self._process is not None else ():
            match told:
                case Ready(port) if self._plan is not None:
                    self.address = f"http://{self._plan.host}:{port}/{self._plan.token}/"
                case Screens(count, joined):
                    self.screens, self._fresh = count, self._fresh or joined
                case MarkWanted():
                    self._drive.session.mark()
                case NotServed(sentence):
                    self.close()
                    self.trouble = sentence
            self.changed.emit()
        if self._process is not None and self.screens:
            self._send(self._process)

    def _send(self, process: ScreenProcess) -> None:
        traces, marks = list(self._drive.rows()), self._times()
        if self._fresh or traces != self._shown:
            self._fresh, self._shown, self._marks = False, traces, marks
            process.post(Rows(tuple(map(self._row, traces)), marks))
        elif marks != self._marks:
            self._marks = marks
            process.post(Marks(marks))
        now_s = self._drive.session.clock.now_ns / SECOND
        process.post(Values(round(now_s, 3), self._drive.state(), tuple(map(self._cell, traces))))

    def _times(self) -> tuple[float, ...]:
        """Of the markers: what is noted beside them stays here."""
        return tuple(e.t_ns / SECOND for e in self._drive.events() if e.kind == "marker")

    def _cell(self, trace: StripTrace) -> Cell:
        clock, units = self._drive.session.clock, self._drive.look.units
        shown = trace.shown(clock)
        value = units.value(shown.value, trace.unit)
        number = value if trace.plottable and math.isfinite(value) else None
        text = shown.text(lambda v: trace.text(v, units), aged=False)
        return number, text, shown.valid

    def _row(self, trace: StripTrace) -> Row:
        title = trace.title or trace.name
        several = sum(t.signal == trace.signal for t in self._drive.rows()) > 1
        return Row(trace.name, f"{title} ({trace.ecu})" if several else title, self._past(trace))

    def _past(self, trace: StripTrace) -> tuple[Point, ...]:
        """The last minutes, thinned: the page is sent everything from now on."""
        if not trace.plottable:
            return ()
        now_ns = self._drive.session.clock.now_ns
        t_ns, values = trace.pyramid.between(now_ns - _HISTORY_S * SECOND, now_ns)
        step = max(1, math.ceil(len(t_ns) / _HISTORY_POINTS))
        shown = self._drive.look.units.array(values[::step], trace.unit)
        points = zip(t_ns[::step] / SECOND, np.round(shown, 6), strict=True)
        return tuple((float(t), float(v) if math.isfinite(v) else None) for t, v in points)


def places() -> list[tuple[str, str, str]]:
    """Where the page can be served: what a place is called, address, network.

    This computer itself, then its own networks: private IPv4 ones (RFC 1918, RFC 3927) only.
    """
    found = [(tr("This computer only"), *_LOOPBACK)]
    for interface in QNetworkInterface.allInterfaces():
        flags = QNetworkInterface.InterfaceFlag
        if not interface.flags() & flags.IsRunning or interface.flags() & flags.IsLoopBack:
            continue
        for entry in interface.addressEntries():
            host, length = entry.ip().toString(), entry.prefixLength()
            if ":" in host or length < 8 or not ipaddress.ip_address(host).is_private:
                continue
            network = str(ipaddress.ip_network(f"{host}/{length}", strict=False))
            name = interface.humanReadableName()
            found.append((tr("Network {name}: {host}", name=name, host=host), host, network))
    return found


class Code(QWidget):
    """An address as a code to scan, dark on light in every look."""

    def __init__(self) -> None:
        super().__init__()
        self._rows: list[list[int]] = []
        self.setAccessibleName(tr("Code to scan: the address of the page"))

    def show_text(self, text: str) -> None:
        """The code of a text; empty: none."""
        import segno

        made = segno.make(text, error="m", micro=False).matrix if text else ()
        self._rows = [list(row) for row in made]
        self.update()

    def sizeHint(self) -> QSize:
        """Large enough for a phone held over it."""
        return QSize(260, 260)

    def minimumSizeHint(self) -> QSize:
        """Still to be read."""
        return QSize(180, 180)

    def paintEvent(self, _: QPaintEvent) -> None:
        """Runs of dark modules, whole pixels each."""
        if not self._rows:
            return
        painter = QPainter(self)
        count = len(self._rows) + 2 * _QUIET
        module = max(1, min(self.width(), self.height()) // count)
        left, top = (self.width() - module * count) // 2, (self.height() - module * count) // 2
        painter.fillRect(QRectF(left, top, module * count, module * count), QColor("white"))
        for y, row in enumerate(self._rows, _QUIET):
            x = _QUIET
            for dark, run in groupby(row):
                long = len(list(run))
                if dark:
                    place = (left + x * module, top + y * module, long * module, module)
                    painter.fillRect(QRectF(*place), QColor("black"))
                x += long


class SecondScreenDialog(Dialog):
    """Where the page is served, its code and address, and how many look; it stands in no way."""

    def __init__(self, screen: SecondScreen, parent: QWidget) -> None:
        super().__init__(tr("Second screen"), parent, 460)
        self._screen = screen
        self.place = named(Choice(), tr("Who may open the page"))
        self.code = Code()
        self.address = named(plain_text(), tr("Address of the page"))
        self.address.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.said = styled(Label(wordWrap=True), "muted")
        self.go = styled(text_button(tr("Show the page"), self._go), "primary")
        self.end = text_button(tr("End the page"), screen.close)
        told = muted(
            tr(
                "Live values, strips and markers, to look at; only markers can be put. No VIN, no "
                "name, no note is sent. What is sent is not encrypted: whoever has the address, "
                "or listens in this network, can read along. It ends with the recording."
            )
        )
        buttons = lay(QHBoxLayout(), (self.go, 1), self.end)
        parts = (told, self.place, (self.code, 1), self.address, self.said, buttons)
        lay(QVBoxLayout(self), *parts, margins=(20, 16, 20, 16), spacing=10)
        screen.changed.connect(self._show)

    def open(self) -> None:
        """Beside the window, with the networks there are now."""
        chosen = self.place.currentText()
        self.place.clear()
        for title, host, network in places():
            self.place.addItem(title, (host, network))
        self.place.setCurrentIndex(max(0, self.place.findText(chosen)))
        self._show()
        self.show()
        self.raise_()

    def _go(self) -> None:
        self._screen.open(*self.place.currentData())

    def _show(self) -> None:
        screen = self._screen
        if screen.trouble:
            said = screen.trouble
        elif screen.address:
            said = tr_n("{n} screen looks", "{n} screens look", screen.screens)
        else:
            said = tr("The page is being opened") if screen.served else _IDLE[screen.possible]
        if (self.address.text(), self.said.text()) != (screen.address, said):
            self.address.setText(screen.address)
            self.said.setText(said)
            self.code.show_text(screen.address)
        self.end.setEnabled(screen.served)
        self.place.setEnabled(not screen.served)
        self.go.setEnabled(screen.possible and not screen.served)
