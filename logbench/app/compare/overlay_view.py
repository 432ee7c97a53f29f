"""An overlay of two drives: strips of both sides, and the change under them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from PySide6.QtCore import QRectF, QSignalBlocker, Qt, Signal
from PySide6.QtGui import QBrush, QColor, QPainter, QPaintEvent
from PySide6.QtWidgets import (
    QComboBox,
    QDoubleSpinBox,
    QHBoxLayout,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from logbench.analysis.comparison.overlay import By
from logbench.analysis.model import Span
from logbench.app.parts import Elided, chooser, delayed, lay, named, pad, styled
from logbench.app.plain import Label
from logbench.app.plot.canvas import GUTTER
from logbench.app.plot.keys import add_view_commands
from logbench.app.plot.stack import StripStack
from logbench.app.plot.view import TimeView
from logbench.app.theme import Look
from logbench.cases.compare import SIDES, Compared, Laid, Wish, place_ns, shown_signals
from logbench.foreign import raw
from logbench.plot.trace import SECOND, StripTrace
from logbench.signals.numbers import tick_text, time_text
from logbench.signals.units import Differences, Units
from logbench.words import shown, tr, tr_n, word

_ROW_PX = 15
_WAIT_MS = 250
_DEGC = (-30.0, 130.0)
"""What a coolant to align by can have."""
_FIRST_MARKER = tr("first marker")


class SpanRows(QWidget):
    """Two rows above the strips: when each side was in what is chosen."""

    def __init__(self, view: TimeView, look: Look) -> None:
        super().__init__()
        self._view = view
        self._look = look
        self.spans: dict[str, tuple[Span, ...]] = dict.fromkeys(SIDES, ())
        self.setFixedHeight(2 * _ROW_PX + 4)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        view.changed.connect(self.update)

    def show_spans(self, spans: dict[str, tuple[Span, ...]]) -> None:
        """Other spans, on the strips' axis."""
        self.spans = spans
        said = [
            tr_n(
                "{n} span {side}, {seconds:.0f} s",
                "{n} spans {side}, {seconds:.0f} s",
                len(spans[side]),
                side=word(side),
                seconds=sum(s.duration_s for s in spans[side]),
            )
            for side in SIDES
        ]
        self.setAccessibleName(tr("Where it comes from: ") + "; ".join(said))
        self.setVisible(any(spans.values()))
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """A label and the spans of each side; hatched after the repair."""
        painter, theme = QPainter(self), self._look.theme
        painter.fillRect(self.rect(), QColor(theme.window))
        for row, side in enumerate(SIDES):
            top = 2 + row * _ROW_PX
            painter.setPen(QColor(theme.muted))
            right = int(Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter)
            painter.drawText(QRectF(0, top, GUTTER - 8, _ROW_PX), right, word(side))
            pattern = (Qt.BrushStyle.SolidPattern, Qt.BrushStyle.Dense4Pattern)[row]
            brush = QBrush(theme.trace(row), pattern)
            painter.setClipRect(GUTTER, 0, self._view.pixels, self.height())
            for span in self.spans[side]:
                x0, x1 = self._view.x_of(span.start_ns), self._view.x_of(span.end_ns)
                box = QRectF(GUTTER + x0, top + 2, max(2.0, x1 - x0), _ROW_PX - 4)
                painter.fillRect(box, brush)
            painter.setClipping(False)
        painter.end()


class OverlayView(QWidget):
    """Choose a signal and what drives are aligned by; sends a `Wish`, is given what was laid."""

    wished = Signal(object)
    recordings_changed = Signal()
    """Another recording of a side is shown: what was given as spans is no longer of it."""

    def __init__(self, look: Look) -> None:
        super().__init__()
        self._look = look
        self._compared: Compared | None = None
        self.laid: Laid | None = None
        self._spans: dict[str, tuple[Span, ...]] = dict.fromkeys(SIDES, ())
        self.view = TimeView(self)
        self.stack = StripStack(self.view, look)
        self.rows = SpanRows(self.view, look)
        self.rows.hide()
        self.signal_box = _box(tr("Signal overlaid"))
        self.by_box = _box(tr("What the drives are aligned by"))
        for by in By:
            self.by_box.addItem(word(by.value), by.value)
        self.by_box.setMinimumContentsLength(14)
        self.marker_box = _box(tr("Marker that both drives hold"))
        self._degc = 70.0
        name = tr("Coolant temperature that both drives reach")
        self.degc_box = named(QDoubleSpinBox(decimals=0), name)
        pad(self.degc_box)
        self.degc_box.setFixedWidth(84)
        self.file_boxes = {
            side: _box(tr("Recording shown {side} the repair", side=word(side))) for side in SIDES
        }
        self.note = styled(Elided(), "muted")
        center = Qt.AlignmentFlag.AlignCenter
        self.trouble = styled(Label(wordWrap=True, margin=24, alignment=center), "trouble")
        self.trouble.hide()
        self._soon = delayed(self, _WAIT_MS, self.ask)
        self._lay_out()
        for box in (self.signal_box, self.by_box, self.marker_box, *self.file_boxes.values()):
            box.activated.connect(self._chosen)
        self.degc_box.valueChanged.connect(self._degrees_chosen)
        add_view_commands(self.stack, self.view)
        self.setFocusProxy(self.stack)
        look.follow(self._set_look)
        self._set_look()

    def _lay_out(self) -> None:
        tools = lay(QHBoxLayout(), (self.signal_box, 1), margins=(6, 2, 10, 2))
        tools.addSpacing(4)
        lay(tools, Label(tr("align by")), self.by_box)
        boxes = [(box, 1) for box in (self.marker_box, *self.file_boxes.values())]
        degc = (self.degc_box, 0, Qt.AlignmentFlag.AlignRight)
        files = lay(QHBoxLayout(), *boxes, degc, margins=(6, 0, 10, 2))
        parts = (tools, files, self.rows, (self.stack, 1), (self.trouble, 1), self.note)
        lay(QVBoxLayout(self), *parts, margins=(0, 0, 0, 6), spacing=2)
        self._show_options()

    # --- what is shown ---

    def show_comparison(self, compared: Compared) -> None:
        """Other recordings: fill the choices; nothing is asked for yet."""
        self._compared = compared
        self._spans = dict.fromkeys(SIDES, ())
        self.signal_box.clear()
        titles = {s.key: s.title for s in compared.result.signals if s.derived}
        for key in shown_signals(compared):
            self.signal_box.addItem(shown(titles.get(key, key)), key)
        for side, paths in zip(SIDES, compared.files, strict=True):
            box = self.file_boxes[side]
            box.clear()
            box.addItems([f"{word(side)}: {path.name}" for path in paths])
            box.setVisible(len(paths) > 1)
        self._list_markers()
        views = [side[0] for side in compared.views]
        started = all(view.run_start_ns is not None for view in views)
        self.by_box.setCurrentIndex(list(By).index(By.ENGINE_START if started else By.TIME))
        self._show_options()

    def show_laid(self, laid: Laid) -> None:
        """Draw an overlay."""
        same = self.laid is not None and self.laid.wish.by is laid.wish.by
        self.laid = laid
        self.stack.clear()
        if laid.speed is not None:
            self._strip(laid.speed, "speed")
        self._strip(laid.lines, "signal")
        self._strip((laid.difference,), "difference")
        self._tint()
        km = laid.overlay.x_unit == "km"
        self.stack.axis.text_of = _km_text if km else time_text
        self.stack.axis.setAccessibleName(tr("Kilometers driven") if km else tr("Time axis"))
        x = laid.overlay.x
        if len(x):
            self.view.set_limits(round(x[0] * SECOND), round(x[-1] * SECOND))
        if not same:
            self.view.show_all()
        self.trouble.hide()
        self.stack.show()
        self.note.tell(_note(laid, self._look.units))
        self._place_spans()
        self.stack.refresh()
        self.stack.axis.update()

    def show_trouble(self, sentence: str) -> None:
        """There is no such overlay, and why."""
        self.laid = None
        self.stack.clear()
        self.rows.hide()
        self.stack.hide()
        self.note.tell("")
        self.trouble.setText(f"■  {sentence}")
        self.trouble.setAccessibleName(sentence)
        self.trouble.show()

    def show_spans(self, spans: dict[str, tuple[Span, ...]]) -> None:
        """Show when each side was in what is chosen, in times of the recordings shown."""
        self._spans = spans
        self._place_spans()

    def step_span(self, by: int) -> None:
        """Show the next of these spans, or the one before."""
        starts = sorted({(s.start_ns, s.end_ns) for side in self.rows.spans.values() for s in side})
        if not starts:
            return
        at = (self.view.start_ns + self.view.end_ns) / 2
        middles = [(a + b) / 2 for a, b in starts]
        near = 0.01 * SECOND
        if by > 0:
            chosen = next((i for i, m in enumerate(middles) if m > at + near), 0)
        else:
            earlier = [i for i, m in enumerate(middles) if m < at - near]
            chosen = earlier[-1] if earlier else len(starts) - 1
        start, end = starts[chosen]
        pad = max(end - start, 4 * SECOND)
        self.view.show_span(start - pad, end + pad)

    # --- choosing ---

    def choose_signal(self, key: str) -> None:
        """Show an overlay of this signal, as choosing it in the box would."""
        index = self.signal_box.findData(key)
        if index >= 0 and (index != self.signal_box.currentIndex() or self.laid is None):
            self.signal_box.setCurrentIndex(index)
            self.ask()

    @property
    def recordings(self) -> tuple[int, int]:
        """Which recording of each side is shown."""
        first, second = (max(0, box.currentIndex()) for box in self.file_boxes.values())
        return first, second

    def ask(self) -> None:
        """Ask for the overlay that the boxes say."""
        if self._compared is None or self.signal_box.currentIndex() < 0:
            return
        self.wished.emit(
            Wish(
                self.signal_box.currentData(),
                By(self.by_box.currentData()),
                self.marker_box.currentData() or "",
                self._degc,
                self.recordings,
            )
        )

    def _chosen(self) -> None:
        if self.sender() in self.file_boxes.values():
            self._list_markers()
            self.recordings_changed.emit()
        self._show_options()
        self.ask()

    def _list_markers(self) -> None:
        """Markers that both shown recordings hold."""
        assert self._compared is not None
        pairs = zip(self._compared.views, self.recordings, strict=True)
        texts = [
            {e.text for e in side[i].facts.events if e.kind == "marker" and e.text}
            for side, i in pairs
        ]
        self.marker_box.clear()
        self.marker_box.addItem(_FIRST_MARKER, "")
        for text in sorted(texts[0] & texts[1]):
            self.marker_box.addItem(text, raw(text))

    def _show_options(self) -> None:
        by = self.by_box.currentData()
        self.marker_box.setVisible(by == By.MARKER.value)
        self.degc_box.setVisible(by == By.COOLANT.value)

    # --- drawing ---

    def _strip(self, traces: Sequence[StripTrace], group: str) -> None:
        strip = self.stack.add_strip(traces[0].unit, group)
        for trace in traces:
            strip.add(trace)

    def _set_look(self, _: object = None) -> None:
        """Distances keep their units."""
        self.rows.update()
        self._tint()
        units = self._look.units
        with QSignalBlocker(self.degc_box):
            self.degc_box.setRange(*(units.value(end, "degC") for end in _DEGC))
            self.degc_box.setValue(units.value(self._degc, "degC"))
            self.degc_box.setSuffix(f" {units.printed('degC')}")
        if self.laid is not None:
            self.note.tell(_note(self.laid, units))

    def _degrees_chosen(self, shown: float) -> None:
        factor, offset = self._look.units.line("degC")
        self._degc = (shown - offset) / factor
        self._soon.start()

    def _tint(self) -> None:
        """The difference has units of differences."""
        if self.stack.strips:
            look = self.stack.look
            units = Differences(look.units.us, look.units.own)
            self.stack.strips[-1].set_look(replace(look, units=units))

    def _place_spans(self) -> None:
        laid = self.laid
        placed: dict[str, tuple[Span, ...]] = dict.fromkeys(SIDES, ())
        if laid is not None:
            for side in SIDES:
                placed[side] = tuple(
                    Span(place_ns(laid, side, s.start_ns), place_ns(laid, side, s.end_ns))
                    for s in self._spans[side]
                )
        self.rows.show_spans(placed)
        self.stack.mark(shades=[s for side in SIDES for s in placed[side]])
        self._tint()


def _box(name: str) -> QComboBox:
    box = chooser(name, 9)
    box.currentTextChanged.connect(box.setToolTip)
    return box


def _km_text(at_s: float, step_s: float) -> str:
    return f"{tick_text(at_s, step_s)} km"


def _note(laid: Laid, units: Units) -> str:
    start = {
        By.TIME: tr("Time since the start of each recording."),
        By.ENGINE_START: tr("Time since the start of the engine."),
        By.MARKER: tr("Time since the marker."),
        By.COOLANT: tr(
            "Time since the coolant reached {degrees}.",
            degrees=units.text(laid.wish.coolant_degc, "degC"),
        ),
        By.DISTANCE: tr("Distance since the start of each recording."),
        By.SPEED_MATCH: tr("Moved to the best fit."),
    }[laid.wish.by]
    said = laid.overlay.note or tr("An overlay shows; it judges nothing.")
    return f"{start} {said}"
