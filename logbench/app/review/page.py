"""The Review page: a recording with its driving conditions and findings."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QMargins, Qt, QTimer, Signal
from PySide6.QtGui import QAction
from PySide6.QtWidgets import (
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QProgressBar,
    QPushButton,
    QSplitter,
    QStackedWidget,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.analysis.model import Finding, Span
from logbench.app.commands import add_command
from logbench.app.flow import Flow
from logbench.app.parts import Elided, Notice, middle
from logbench.app.plot.keys import add_view_commands
from logbench.app.plot.layout import layout_from_json
from logbench.app.plot.layouts import Layouts
from logbench.app.plot.ribbon import Ribbon
from logbench.app.plot.stack import StripStack
from logbench.app.plot.view import TimeView
from logbench.app.review.beginning import Beginning, open_demo
from logbench.app.review.cross_view import CrossView
from logbench.app.review.exporting import Exporting
from logbench.app.review.find_bar import FindBar
from logbench.app.review.findings import FindingsPanel
from logbench.app.review.notes_panel import NotesPanel
from logbench.app.review.playback import Playback
from logbench.app.review.search import find_spans
from logbench.app.review.span_panel import SpanPanel
from logbench.app.review.values import SignalsTable
from logbench.app.services import Services
from logbench.app.theme import Theme
from logbench.cases.review import Judged, Opened, judge, open_or_name, read_rest
from logbench.cases.runner import Running
from logbench.cases.work import Work as Task
from logbench.plot.evidence import Ends, band_of, concerning
from logbench.plot.trace import SECOND, StripTrace
from logbench.signals.numbers import count_text, time_text
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.recording.notes import Note

_KINDS = tr("Recordings (*.parquet);;Recordings and other programs' files (*)")
_PATIENCE_MS, _AFTER_PAINT_MS = 400, 20
_SIDE_WIDTH, _SIDE_LEAST, _SIDE_MOST = 356, 320, 400


class ReviewPage(QWidget):
    """A drive afterwards."""

    import_wanted = Signal(object)
    """The path of another program's file that was to be opened."""

    def __init__(self, services: Services) -> None:
        super().__init__()
        self._services = services
        theme = services.look.theme
        self.view = TimeView(self)
        self.stack = StripStack(self.view, theme)
        self.ribbon = Ribbon(self.view, theme)
        self.findings = FindingsPanel(theme)
        self.signals = SignalsTable()
        self.opened: Opened | None = None
        self.judged: Judged | None = None
        self._task: Running | None = None
        self.notice = Notice(self)
        self.notes = NotesPanel(services.jobs, self.view)
        self.exporting = Exporting(
            self, services, self.ribbon, self.stack, self.notes, self.notice, lambda: self.opened,
            lambda: self.cross if self._shapes.currentIndex() else self.stack,
        )  # fmt: skip
        self.span_panel = SpanPanel(self.view)
        self.cross = CrossView(self.view, theme)
        self.find_bar = FindBar(self._search, self._find_from)
        self.playback = Playback(self.view, self)
        self._first: tuple[StripTrace, ...] = ()
        settings = services.settings
        self.layouts = Layouts(self.stack, settings, self._traces, lambda: self._first, self)
        self._make_parts()
        self._lay_out()
        self._add_commands()
        self.view.cursor_moved.connect(lambda: self.signals.model_.set_cursor(self.view.cursor_ns))
        self.signals.model_.plotted_changed.connect(self.layouts.show)
        self.layouts.changed.connect(self._layout_changed)
        self.layouts.told.connect(self.notice.passing)
        self.findings.chosen.connect(self.show_finding)
        self.notes.changed.connect(self.ribbon.set_notes)
        self.notes.chosen.connect(self.show_note)
        self.notes.failed.connect(self.notice.trouble)
        self.notes.removed.connect(lambda said: self.notice.success(said, tr("Put it back")))
        self.notice.pressed.connect(self._put_back)
        self.stack.narrowed.connect(self.ribbon.set_inset)
        self.cross.marked.connect(self.shade)
        self.find_bar.found.connect(self.shade)
        self.find_bar.closed.connect(lambda: self.show_cross(self._shapes.currentIndex() == 1))
        self.find_bar.chosen.connect(self._found)
        services.look.changed.connect(self.set_theme)
        for owner in (
            self.stack, self.signals.model_, self.span_panel, self.cross, self.findings,
            self.find_bar,
        ):  # fmt: skip
            owner.set_units(services.look.units)
            services.look.units_changed.connect(owner.set_units)
        self.setFocusProxy(self.empty.button)

    # --- building ---

    def _make_parts(self) -> None:
        self.title = Elided()
        self.open_button = QPushButton(tr("Open …  Ctrl+O"))
        self.open_button.setAccessibleName(tr("Open a recording"))
        self.open_button.clicked.connect(self.ask_for_file)
        self.whole = QPushButton(tr("Whole drive  W"))
        self.whole.setAccessibleName(tr("Show the whole drive"))
        self.whole.clicked.connect(self.view.show_all)
        self.cross_button = QPushButton(tr("Scatter  X"))
        self.cross_button.setCheckable(True)
        self.cross_button.setAccessibleName(tr("Scatter and grid instead of strips"))
        self.cross_button.clicked.connect(self.show_cross)
        self.find_button = QPushButton(tr("Find  Ctrl+F"))
        self.find_button.setAccessibleName(tr("Find when a condition holds"))
        self.find_button.clicked.connect(self.find_bar.open)
        self.progress = QProgressBar()
        self.progress.setMaximum(1000)
        self.progress.setTextVisible(False)
        self.progress.setFixedSize(120, 14)
        self.progress.hide()
        self._patience, self._after_paint = QTimer(self), QTimer(self)
        for timer, wait_ms, then in (
            (self._patience, _PATIENCE_MS, self._show_progress),
            (self._after_paint, _AFTER_PAINT_MS, self._read_rest),
        ):
            timer.setSingleShot(True)
            timer.setInterval(wait_ms)
            timer.timeout.connect(then)
        self.cancel_button = QPushButton(tr("Cancel"))
        self.cancel_button.clicked.connect(self.cancel)
        self.cancel_button.hide()
        self.empty = Beginning(lambda: self._services.settings.recent)
        self.empty.pressed.connect(self.ask_for_file)
        self.empty.path_wanted.connect(self.open_path)
        self.empty.demo_wanted.connect(self.open_demo)

    def _lay_out(self) -> None:
        tools = Flow(QMargins(6, 8, 12, 4))
        for widget in (
            self.open_button,
            self.whole,
            self.cross_button,
            self.find_button,
            self.exporting.button,
            self.playback.button,
            self.playback.speed,
            self.layouts.button,
            self.cancel_button,  # here its coming and going moves nothing
        ):
            tools.add(widget)
        told = QHBoxLayout()
        told.setContentsMargins(10, 0, 12, 2)
        told.addWidget(self.title, 1)
        told.addWidget(self.progress)
        plots = QWidget()
        plots_layout = QVBoxLayout(plots)
        plots_layout.setContentsMargins(0, 0, 0, 0)
        plots_layout.setSpacing(2)
        plots_layout.addWidget(tools)
        plots_layout.addLayout(told)
        plots_layout.addWidget(self.find_bar)
        plots_layout.addWidget(self.ribbon)
        self._shapes = QStackedWidget()
        self._shapes.addWidget(self.stack)
        self._shapes.addWidget(self.cross)
        plots_layout.addWidget(self._shapes, 1)
        plots_layout.addWidget(self.span_panel)
        side = self._make_side()
        split = QSplitter(Qt.Orientation.Horizontal)
        split.addWidget(side)
        split.addWidget(plots)
        split.setStretchFactor(1, 1)
        split.setSizes([_SIDE_WIDTH, 1000])
        split.setChildrenCollapsible(False)
        self._pages = QStackedWidget()
        self._pages.addWidget(middle(self.empty))
        self._pages.addWidget(split)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self._pages, 1)

    def _make_side(self) -> QFrame:
        """Findings and signals, one behind the other."""
        self.tabs = QTabWidget()
        self.tabs.setAccessibleName(tr("Findings, signals and notes"))
        self.tabs.addTab(self.findings, tr("Findings"))
        self.tabs.addTab(self.signals, tr("Signals"))
        self.tabs.addTab(self.notes, tr("Notes"))
        self.tabs.setDocumentMode(True)
        self._side = side = QFrame()
        side.setMinimumWidth(_SIDE_LEAST)
        side_layout = QVBoxLayout(side)
        side_layout.setContentsMargins(12, 8, 6, 12)
        side_layout.addWidget(self.tabs)
        return side

    def _add_commands(self) -> None:
        add_view_commands(self._shapes, self.view)
        add_command(self, tr("Next finding"), ["N", "F8"], lambda: self.step_finding(1))
        add_command(
            self, tr("Finding before"), ["Shift+N", "Shift+F8"], lambda: self.step_finding(-1)
        )
        add_command(self, tr("Show the findings"), "Alt+1", lambda: self.tabs.setCurrentIndex(0))
        add_command(self, tr("Show the signals"), "Alt+2", lambda: self.tabs.setCurrentIndex(1))
        add_command(self, tr("Show the notes"), "Alt+3", lambda: self.tabs.setCurrentIndex(2))
        add_command(self, tr("Put cursor A here"), "A", lambda: self.span_panel.put("A"))
        add_command(self, tr("Put cursor B here"), "B", lambda: self.span_panel.put("B"))
        add_command(self, tr("Take cursors A and B away"), "Shift+A", self.span_panel.clear)
        add_command(self, tr("Scatter and grid, or strips"), "X", self._switch_cross)
        add_command(self, tr("Find when a condition holds"), "Ctrl+F", self.find_bar.open)
        add_command(self, tr("Find the next time"), "F3", lambda: self.find_bar.step(1))
        add_command(self, tr("Find the time before"), "Shift+F3", lambda: self.find_bar.step(-1))
        add_command(self, tr("Play, or stop playing"), "Space", self.playback.toggle)
        add_command(self, tr("Play faster"), "Shift+Up", lambda: self.playback.step_speed(1))
        add_command(self, tr("Play slower"), "Shift+Down", lambda: self.playback.step_speed(-1))
        add_command(self, tr("Export what is shown"), "Ctrl+E", self.exporting.ask_where)
        add_command(self, tr("Copy the picture"), "Ctrl+Shift+C", self.exporting.copy_picture)
        add_command(self, tr("Take the evidence away"), "Shift+Esc", self._unshade)
        self.notes.add_commands(self)
        self.empty.add_commands(self)
        add_command(self, tr("Cancel what is being done"), "Ctrl+.", self.cancel)

    def commands(self) -> list[QAction]:
        """What can be done on this page."""
        shown = self.cross if self._shapes.currentIndex() else self.stack
        owners = (self, self._shapes, shown, self.notes)
        return [action for owner in owners for action in owner.actions()]

    # --- doing ---

    def ask_for_file(self) -> None:
        """Let the user pick a recording."""
        recent = self._services.settings.recent
        folder = recent[0].parent if recent else self._services.settings.folder
        name, _ = QFileDialog.getOpenFileName(self, tr("Open a recording"), str(folder), _KINDS)
        if name:
            self.open_path(Path(name))

    def open_path(self, path: Path) -> None:
        """Open a recording off the main thread; what is shown stays until it is there."""
        kept = layout_from_json(self._services.settings.last_layouts.get(str(path.resolve()), ""))
        self._open(lambda task: open_or_name(path, task, kept.keys))

    def open_demo(self, name: str) -> None:
        """Open the demo drive `before` or `after` the repair; it is driven when first asked for."""
        folder = self._services.settings.folder / "demo"
        self._open(lambda task: open_demo(name, folder, task))

    def _open(self, work: Callable[[Task], Opened | Path]) -> None:
        self.cancel()
        self.playback.stop()
        self.notice.hide()
        self._busy(True)
        self._task = self._services.jobs.start(work, self._opened, self._failed, self._progressed)

    def cancel(self) -> None:
        """Stop opening or checking."""
        self._after_paint.stop()
        if self._task is not None:
            self._task.cancel()
            self._task = None
        self._busy(False)

    def show_finding(self, finding: Finding) -> None:
        """Shade its evidence, zoom to it, and show the signals it rests on."""
        self._show_strips()
        traces = concerning(finding, self._traces())
        for trace in traces:
            self.layouts.show(trace, True)
        for trace in reversed(traces):  # the first at last: it is seen in any case
            self.stack.reveal(trace.key)
        self._band(band_of(finding, self._traces()))
        self.shade(finding.evidence)
        if finding.evidence:
            start = min(span.start_ns for span in finding.evidence)
            end = max(span.end_ns for span in finding.evidence)
            self.view.show_around(start, end)
        else:
            self.view.show_all()

    def show_note(self, note: Note) -> None:
        """Shade its span and zoom to it."""
        self._show_strips()
        self._band({})
        self.shade([Span(note.start_ns, note.end_ns)])
        self.view.show_around(note.start_ns, note.end_ns)

    def _band(self, bands: Mapping[tuple[str, str], Ends]) -> None:
        for trace in self._traces():
            trace.band = bands.get(trace.key)
        self.stack.renew()

    def _show_strips(self) -> None:
        """The keyboard stays where it is, in a list for one."""
        self.cross_button.setChecked(False)
        self._shapes.setCurrentIndex(0)

    def _unshade(self) -> None:
        self._band({})
        self.shade(())

    def shade(self, spans: Sequence[Span]) -> None:
        """Shade spans in the strips and on the ribbon."""
        self.stack.set_shades(spans)
        self.ribbon.set_shades(spans)

    def show_cross(self, on: bool) -> None:
        """Show scatter and grid (True) or the strips."""
        self.cross_button.setChecked(on)
        self._shapes.setCurrentIndex(1 if on else 0)
        (self.cross if on else self.stack).setFocus()

    def step_finding(self, by: int) -> None:
        """Choose the next finding, or the one before."""
        self.tabs.setCurrentIndex(0)
        self.findings.step(by)

    def set_theme(self, theme: Theme) -> None:
        """Paint in other colours."""
        self.stack.set_theme(theme)
        self.ribbon.set_theme(theme)
        self.findings.set_theme(theme)
        self.cross.set_theme(theme)
        wide = _SIDE_LEAST * self._services.look.size_percent // 100
        self._side.setMinimumWidth(min(wide, _SIDE_MOST))

    # --- what the tasks tell ---

    def _opened(self, opened: Opened | Path) -> None:
        if isinstance(opened, Path):
            self._task = None
            self._busy(False)
            self.import_wanted.emit(opened)
            return
        self.opened, self.judged = opened, None
        recording = opened.recording
        if recording.path is not None:
            self._services.settings.recording_opened(recording.path)
        self._pages.setCurrentIndex(1)
        self.shade(())
        self._first = tuple(t for t in opened.traces if t.key in opened.first)
        self.stack.show_traces(self._first)
        self.layouts.begin(_kept_as(opened))
        self.ribbon.set_conditions(())
        self.ribbon.set_findings(())
        self.ribbon.set_events(recording.facts.events)
        self.stack.set_event_times([e.t_ns for e in recording.facts.events])
        self.notes.open(recording.path, recording.facts.samples_sha256)
        self.find_bar.forget()
        self.span_panel.clear()
        self.span_panel.show_traces(self._plotted())
        self.view.set_cursor(None)
        self.view.set_limits(0, recording.duration_ns)
        self.view.show_all()
        self._list_traces()
        self.findings.show_findings((), tr("Checking …"))
        self.setFocusProxy(self.stack)
        self.stack.setFocus()
        self._task = None
        self._after_paint.start()

    def _read_rest(self) -> None:
        """What else the recording holds, once the first strips are seen."""
        opened = self.opened
        if opened is not None:
            self._task = self._services.jobs.start(
                lambda task: read_rest(opened, task), self._all_read, self._failed, self._progressed
            )

    def _all_read(self, opened: Opened) -> None:
        self.opened = opened
        if not self.layouts.history.past:  # its computed traces are here only now
            self.layouts.begin(_kept_as(opened))
        self._list_traces()
        self._task = self._services.jobs.start(
            lambda task: judge(opened.recording, task),
            self._judged,
            self._failed,
            self._progressed,
        )

    def _list_traces(self) -> None:
        assert self.opened is not None
        self.title.tell(_title(self.opened))
        self.signals.model_.show_traces(self._traces(), self.stack.keys)
        self.cross.show_traces(self._traces(), ())

    def _judged(self, judged: Judged) -> None:
        self.judged = judged
        self._task = None
        self._busy(False)
        self.ribbon.set_conditions(judged.conditions)
        self.ribbon.set_findings(judged.findings)
        self.cross.show_traces(self._traces(), judged.conditions)
        self.findings.show_findings(judged.findings)

    def _failed(self, sentence: str) -> None:
        self._task = None
        self._busy(False)
        self.notice.trouble(sentence)
        if self.opened is not None and self.judged is None:
            self.findings.show_findings((), tr("The checks could not be run."))

    def _progressed(self, text: str, share: float) -> None:
        if self.progress.isHidden():
            return
        self.empty.tell(text, share)
        self.progress.setValue(round(share * 1000))
        self.progress.setAccessibleName(text)
        self.progress.setToolTip(text)

    # --- small things ---

    def _switch_cross(self) -> None:
        self.show_cross(self._shapes.currentIndex() == 0)

    def _busy(self, busy: bool) -> None:
        """Progress is shown of what takes its time: every step of the bar is painted at once."""
        self.progress.setValue(0)
        self.progress.hide()
        self.empty.busy(False)
        self.cancel_button.setVisible(busy)
        (self._patience.start if busy else self._patience.stop)()

    def _show_progress(self) -> None:
        self.progress.show()
        self.empty.busy(True)

    def _traces(self) -> tuple[StripTrace, ...]:
        return self.opened.traces if self.opened is not None else ()

    def _layout_changed(self) -> None:
        self.signals.model_.set_plotted(self.stack.keys)
        self.span_panel.show_traces(self._plotted())

    def _plotted(self) -> list[StripTrace]:
        return [t for strip in self.stack.strips for t in strip.traces]

    def _search(self, condition: str) -> tuple[Span, ...]:
        units = self._services.look.units
        return () if self.opened is None else find_spans(condition, self.opened.recording, units)

    def _put_back(self) -> None:
        self.notes.put_back()
        self.notice.hide()

    def _find_from(self) -> int:
        """Where 'next' begins: at the cursor, else before what is shown."""
        at = self.view.cursor_ns
        return round(self.view.start_ns) - 1 if at is None else at

    def _found(self, span: Span) -> None:
        self.view.show_around(span.start_ns, span.end_ns)
        self.view.set_cursor(span.start_ns)


def _kept_as(opened: Opened) -> str:
    """Under what the last layout of a recording is kept."""
    path = opened.recording.path
    return "" if path is None else str(path.resolve())


def _title(opened: Opened) -> str:
    recording = opened.recording
    name = recording.path.name if recording.path is not None else tr("Recording")
    facts = recording.facts
    parts = [
        name,
        facts.vehicle.label,
        time_text(recording.duration_ns / SECOND),
        tr("{n} samples", n=count_text(opened.samples)),
        tr("recovered after a crash") if facts.recovered else "",
    ]
    return "   ".join(part for part in parts if part)
