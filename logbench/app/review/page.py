"""The Review page: a recording with its driving conditions and findings."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QAction
from PySide6.QtWidgets import (
    QFileDialog,
    QFrame,
    QStackedWidget,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.analysis.expression.checked import condition
from logbench.analysis.model import Finding, Span
from logbench.analysis.search import find_spans
from logbench.app.commands import add_command
from logbench.app.notice import Notice
from logbench.app.parts import lay, middle, named, text_button
from logbench.app.plot.keys import add_view_commands
from logbench.app.plot.layouts import Layouts, SavedLayouts
from logbench.app.plot.strip_keys import StripKeys
from logbench.app.plot.strip_menu import StripMenu
from logbench.app.review.causes import ReviewCauses
from logbench.app.review.correcting import Correcting
from logbench.app.review.exporting import Exporting
from logbench.app.review.findings import FindingsPanel
from logbench.app.review.notes_panel import NotesPanel
from logbench.app.review.opening import Beginning, Opening
from logbench.app.review.playback import Playback
from logbench.app.review.plots import ReviewPlots
from logbench.app.review.values import SignalsTable
from logbench.app.services import Services
from logbench.app.tables import splitter, step
from logbench.cases.causes import same_finding
from logbench.cases.recording import Judged
from logbench.cases.review import Opened, open_demo, open_for_review, read_rest
from logbench.errors import LogbenchError
from logbench.plot.bands import band_of, concerning
from logbench.plot.layout import layout_from_json
from logbench.plot.trace import SECOND, StripTrace
from logbench.signals.catalog import COMPUTED
from logbench.signals.numbers import count_text, time_text
from logbench.words import tr

_KINDS = tr("Recordings (*.parquet);;Recordings and other programs' files (*)")
_SIDE_WIDTH, _SIDE_LEAST, _SIDE_MOST = 356, 320, 400


class ReviewPage(QWidget):
    """A drive afterwards."""

    own_signals_wanted = Signal()

    def __init__(self, services: Services) -> None:
        super().__init__()
        self._services = services
        look, settings = services.look, services.settings
        self.plots = plots = ReviewPlots(look, self._search)
        self.view, self.stack, self.ribbon = plots.view, plots.stack, plots.ribbon
        self.cross, self.find_bar, self.span_panel = plots.cross, plots.find_bar, plots.span_panel
        self.findings = FindingsPanel(look)
        self.causes = ReviewCauses(services)
        self.signals = SignalsTable()
        self.opened: Opened | None = None
        self.judged: Judged | None = None
        self._wanted: Finding | None = None
        """Whose evidence is to be shown once the recording is judged."""
        self.opening = Opening(services, self)
        self.notice = Notice(services.messages)
        self.notes = NotesPanel(self.view, self.notice)
        self.exporting = Exporting(self, services, plots, self.notes, self.notice)
        self.correcting = Correcting(self, self.notice, self.open_path)
        self.playback = Playback(self.view, self)
        self._first: tuple[StripTrace, ...] = ()
        self.layouts = Layouts(self.stack, settings, self._traces, lambda: self._first, self)
        self.saved_layouts = SavedLayouts(self.layouts, settings, self)
        self.strip_keys = StripKeys(self.layouts)
        self.empty = Beginning(lambda: settings.recent)
        self._lay_out()
        self._connect()
        self._add_commands()
        self.setFocusProxy(self.empty.button)

    # --- building ---

    def _lay_out(self) -> None:
        self.cancel_button = text_button(tr("Cancel"), self.opening.cancel)
        self.cancel_button.hide()
        put = self.span_panel.put
        for widget in (
            text_button(tr("Open …  Ctrl+O"), self.ask_for_file, tr("Open a recording")),
            text_button(tr("Whole drive  W"), self.view.show_all, tr("Show the whole drive")),
            text_button(tr("Cursor A  A"), partial(put, "A"), tr("Put cursor A here")),
            text_button(tr("Cursor B  B"), partial(put, "B"), tr("Put cursor B here")),
            self.plots.cross_button,
            text_button(tr("Find  Ctrl+F"), self.find_bar.open, tr("Find when a condition holds")),
            self.exporting.button,
            self.playback.button,
            self.playback.speed,
            self.saved_layouts.button,
            self.cancel_button,  # here its coming and going moves nothing
        ):
            self.plots.tools.add(widget)
        sizes = {self._make_side(): _SIDE_WIDTH, self.plots: 1000}
        split = splitter(Qt.Orientation.Horizontal, sizes)
        split.setStretchFactor(1, 1)
        self._pages = QStackedWidget()
        self._pages.addWidget(middle(self.empty))
        self._pages.addWidget(split)
        parts = self.exporting.work, (self._pages, 1)
        lay(QVBoxLayout(self), *parts, margins=(0, 0, 0, 0), spacing=0)

    def _make_side(self) -> QFrame:
        """Findings and signals, one behind the other."""
        self.tabs = named(QTabWidget(documentMode=True), tr("Findings, signals, notes and causes"))
        self.tabs.addTab(self.findings, tr("Findings"))
        own = text_button(tr("Own signals …  F4"), self.own_signals_wanted.emit)
        signals = QWidget()
        lay(QVBoxLayout(signals), (self.signals, 1), own, margins=(0, 0, 0, 0), spacing=6)
        self.tabs.addTab(signals, tr("Signals"))
        self.tabs.addTab(self.notes, tr("Notes"))
        self.tabs.addTab(self.causes, tr("Causes"))
        self._side = side = QFrame()
        side.setMinimumWidth(_SIDE_LEAST)
        lay(QVBoxLayout(side), self.tabs, margins=(12, 8, 6, 12))
        return side

    def _connect(self) -> None:
        opening, notes, look = self.opening, self.notes, self._services.look
        plots = self.plots
        self.empty.pressed.connect(self.ask_for_file)
        self.empty.path_wanted.connect(self.open_path)
        self.empty.demo_wanted.connect(self.open_demo)
        opening.started.connect(self.playback.stop)
        opening.started.connect(self.notice.hide)
        opening.opened.connect(self._opened)
        opening.all_read.connect(self._all_read)
        opening.judged.connect(self._judged)
        not_run = tr("The checks could not be run.")
        opening.unjudged.connect(lambda: self.findings.show_findings((), not_run))
        opening.unjudged.connect(lambda: self.causes.show_causes(None, state=not_run))
        opening.failed.connect(self.notice.trouble)
        opening.busy_changed.connect(self.cancel_button.setVisible)
        opening.busy_changed.connect(self.plots.progress.set_busy)
        self.plots.progress.shown.connect(self.empty.busy)
        opening.reported.connect(self.plots.progress.report)
        opening.reported.connect(self.empty.report)
        self.view.cursor_moved.connect(lambda: self.signals.model_.set_cursor(self.view.cursor_ns))
        self.signals.model_.plotted_changed.connect(self.layouts.show)
        self.layouts.changed.connect(self._show_plotted)
        self.layouts.notified.connect(self.notice.passing)
        self.findings.chosen.connect(self.show_finding)
        self.causes.finding_wanted.connect(self.show_finding)
        self.causes.spans_wanted.connect(lambda s: plots.show_spans(s, self._traces()))
        self.causes.failed.connect(self.notice.trouble)
        notes.changed.connect(lambda found: self.ribbon.change(remarks=found))
        notes.list.chosen.connect(
            lambda note: self.plots.show_spans([Span(note.start_ns, note.end_ns)], self._traces())
        )
        look.changed.connect(self._widen_side)
        self.signals.model_.set_units(look.units)
        look.units_changed.connect(self.signals.model_.set_units)

    def _add_commands(self) -> None:
        plots, find_bar, playback = self.plots, self.find_bar, self.playback
        step, switch = self.step_finding, lambda: plots.show_cross(not plots.shows_cross)
        in_time = add_view_commands(plots.shapes, self.view)
        for title, keys, run in (
            (tr("Next finding"), ["N", "F8"], partial(step, 1)),
            (tr("Previous finding"), ["Shift+N", "Shift+F8"], partial(step, -1)),
            (tr("Show the findings"), "Alt+1", partial(self.tabs.setCurrentIndex, 0)),
            (tr("Show the signals"), "Alt+2", partial(self.tabs.setCurrentIndex, 1)),
            (tr("Show the notes"), "Alt+3", partial(self.tabs.setCurrentIndex, 2)),
            (tr("Show the causes"), "Alt+4", partial(self.tabs.setCurrentIndex, 3)),
            (tr("Scatter and grid, or strips"), "X", switch),
            (tr("Find when a condition holds"), "Ctrl+F", find_bar.open),
            (tr("Find the next time"), "F3", partial(find_bar.step, 1)),
            (tr("Find the previous time"), "Shift+F3", partial(find_bar.step, -1)),
            (tr("Play, or stop playing"), "Space", playback.toggle),
            (tr("Play faster"), "Shift+Up", partial(playback.step_speed, 1)),
            (tr("Play slower"), "Shift+Down", partial(playback.step_speed, -1)),
            (tr("Export what is shown"), "Ctrl+E", self.exporting.ask_where),
            (tr("Correct car and date"), "Ctrl+Shift+T", self.correcting.ask),
            (tr("Copy the picture"), "Ctrl+Shift+C", self.exporting.copy_picture),
            (tr("Clear highlight"), "Shift+Esc", lambda: plots.highlight((), self._traces(), {})),
        ):  # fmt: skip
            add_command(self, title, keys, run)
        at_cursor = [
            add_command(self, title, keys, run)
            for title, keys, run in (
                (tr("Put cursor A here"), "A", partial(self.span_panel.put, "A")),
                (tr("Put cursor B here"), "B", partial(self.span_panel.put, "B")),
                (tr("Clear cursors A and B"), "Shift+A", self.span_panel.clear),
            )
        ]
        StripMenu(self.stack, self.strip_keys, in_time, at_cursor)
        self.notes.add_commands(self)
        self.empty.add_commands(self)
        add_command(self, tr("Cancel what is being done"), "Ctrl+.", self._cancel)

    def _cancel(self) -> None:
        """What is opened before what is exported."""
        (self.opening if self.opening.busy else self.exporting.work).cancel()

    def commands(self) -> list[QAction]:
        """What can be done on this page."""
        owners = (self, self.plots.shapes, self.plots.shown, self.notes)
        return [action for owner in owners for action in owner.actions()]

    # --- doing ---

    def ask_for_file(self) -> None:
        """Let the user pick a recording."""
        recent = self._services.settings.recent
        folder = recent[0].parent if recent else self._services.settings.folder
        name, _ = QFileDialog.getOpenFileName(self, tr("Open a recording"), str(folder), _KINDS)
        if name:
            self.open_path(Path(name))

    def open_path(self, path: Path, finding: Finding | None = None) -> None:
        """Open a recording off the main thread, at the evidence of a finding; what is shown stays
        until it is there."""
        self._wanted = finding
        shown = self.opened.recording.path if self.opened is not None else None
        if finding is not None and self.judged is not None and shown == path:
            self._show_wanted(self.judged)
            return
        kept = layout_from_json(self._services.settings.last_layouts.get(str(path.resolve()), ""))
        self.opening.start(open_for_review(path, tuple(kept.keys)))

    def open_demo(self, name: str) -> None:
        """Open the demo drive `before` or `after` the repair; it is driven when first asked for."""
        self.opening.start(open_demo(name, self._services.settings.folder / "demo"))

    def show_finding(self, finding: Finding) -> None:
        """Shade its evidence, zoom to it, and show the signals it rests on."""
        self.plots.show_strips()
        traces = concerning(finding, self._traces())
        for trace in traces:
            self.layouts.show(trace, True)
        for trace in reversed(traces):  # the first at last: it is seen in any case
            self.stack.reveal(trace.key)
        bands = band_of(finding, self._traces())
        self.plots.show_spans(finding.evidence, self._traces(), bands)

    def step_finding(self, by: int) -> None:
        """Choose the next finding, or the previous one."""
        self.tabs.setCurrentIndex(0)
        step(self.findings.list, by)

    def _widen_side(self) -> None:
        """For texts of the size chosen."""
        wide = _SIDE_LEAST * self._services.look.size_percent // 100
        self._side.setMinimumWidth(min(wide, _SIDE_MOST))

    # --- what is done for the page ---

    def _opened(self, opened: Opened) -> None:
        self.opened, self.judged = opened, None
        recording = opened.recording
        if recording.path is not None:
            self._services.settings.recording_opened(recording.path)
        self._pages.setCurrentIndex(1)
        self.plots.shade(())
        self._first = tuple(t for t in opened.traces if t.key in opened.first)
        self.stack.show_traces(self._first)
        self.layouts.start(_kept_as(opened))
        self.ribbon.clear()
        self.stack.mark(event_times=[e.t_ns for e in recording.facts.events])
        self.notes.open(self.opening.shown, recording)
        self.exporting.show(recording)
        self.correcting.show(self.opening.shown, recording)
        self.find_bar.forget()
        self.span_panel.clear()
        self._show_plotted()
        self.view.set_cursor(None)
        self.view.set_limits(0, recording.duration_ns)
        self.view.show_all()
        self._list_traces()
        self.findings.show_findings((), tr("Checking …"))
        self.causes.begin(self.opening.shown)
        self.setFocusProxy(self.stack)
        self.stack.setFocus()

    def _all_read(self, opened: Opened) -> None:
        self.opened = opened
        if not self.layouts.history.past:  # its computed traces are here only now
            self.layouts.start(_kept_as(opened))
        self._list_traces()

    def renew_computed(self) -> None:
        """Own signals were changed: the recording's are computed anew, and new ones shown."""

        def renewed(opened: Opened) -> None:
            before = {trace.key for trace in self._traces()}
            self.opened = opened
            for trace in opened.traces:
                plotted = trace.key in self.stack.keys
                if trace.ecu == COMPUTED and (plotted or trace.key not in before):
                    self.stack.remove(trace.key)
                    self.stack.add(trace)
            for key in before - {trace.key for trace in opened.traces}:
                self.stack.remove(key)
            self.layouts.rebase()
            self._show_plotted()
            self._list_traces()
            self.cross.show_traces(self._traces(), self.judged.conditions if self.judged else ())

        if self.opened is not None:
            case = read_rest(self.opened)
            self.opening.shown.start(case, renewed, self.notice.trouble, slot="computed")

    def _list_traces(self) -> None:
        assert self.opened is not None
        self.plots.title.tell(_title(self.opened))
        self.signals.model_.show_traces(self._traces(), self.stack.keys)
        self.cross.show_traces(self._traces(), ())

    def _judged(self, judged: Judged) -> None:
        self.judged = judged
        self.ribbon.change(conditions=judged.conditions, findings=judged.findings)
        self.cross.show_traces(self._traces(), judged.conditions)
        self.findings.show_findings(judged.findings, engine=judged.engine)
        if self.opened is not None:
            self.causes.judged(judged, self.opened.recording.path)
        self._show_wanted(judged)
        if judged.changed or judged.problem:
            self.notice.trouble(" ".join(filter(None, (*judged.changed, judged.problem))))

    def _show_wanted(self, judged: Judged) -> None:
        wanted, self._wanted = self._wanted, None
        if wanted is not None:
            same = (one for one in judged.findings if same_finding(wanted, one))
            self.show_finding(next(same, wanted))

    # --- small things ---

    def _traces(self) -> tuple[StripTrace, ...]:
        return self.opened.traces if self.opened is not None else ()

    def _show_plotted(self) -> None:
        self.signals.model_.set_plotted(self.stack.keys)
        self.span_panel.show_traces([t for strip in self.stack.strips for t in strip.traces])

    def _search(self, text: str) -> tuple[Span, ...]:
        """Where a condition holds; of words that are none, the notes and markers that have them."""
        if self.opened is None:
            return ()
        try:
            wanted = condition(text, self._services.look.units)
            return find_spans(wanted, self.opened.recording)
        except LogbenchError:
            said = [r for r in self.notes.list.remarks if r.says(text.strip('"'))]
            if not said:
                raise
            return tuple(Span(remark.start_ns, remark.end_ns) for remark in said)


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
