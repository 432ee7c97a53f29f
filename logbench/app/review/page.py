"""The Review page: a recording with its driving conditions and findings."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import Qt
from PySide6.QtGui import QAction
from PySide6.QtWidgets import (
    QFileDialog,
    QFrame,
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QPushButton,
    QSizePolicy,
    QSplitter,
    QStackedWidget,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from logbench.analysis.model import Finding
from logbench.app.background import Task
from logbench.app.commands import add_command
from logbench.app.desk import Desk
from logbench.app.parts import EmptyState, Notice, middle
from logbench.app.plot.canvas import StripTrace
from logbench.app.plot.keys import add_view_commands
from logbench.app.plot.ribbon import Ribbon
from logbench.app.plot.stack import StripStack
from logbench.app.plot.ticks import count_text, time_text
from logbench.app.plot.view import SECOND, TimeView
from logbench.app.review.findings import FindingsPanel, concerns
from logbench.app.review.loading import Judged, Opened, judge, open_for_review
from logbench.app.review.values import SignalsTable
from logbench.app.theme import Theme

_SIDE_WIDTH = 356


class ReviewPage(QWidget):
    """A drive afterwards."""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self._desk = desk
        theme = desk.look.theme
        self.view = TimeView(self)
        self.stack = StripStack(self.view, theme)
        self.ribbon = Ribbon(self.view, theme)
        self.findings = FindingsPanel(theme)
        self.signals = SignalsTable()
        self.opened: Opened | None = None
        self.judged: Judged | None = None
        self._task: Task | None = None
        self._banded = ""
        self._make_parts()
        self._lay_out()
        self._add_commands()
        self.view.cursor_moved.connect(lambda: self.signals.model_.set_cursor(self.view.cursor_ns))
        self.signals.model_.plotted_changed.connect(self._plot)
        self.findings.chosen.connect(self.show_finding)
        desk.look.changed.connect(self.set_theme)
        self.setFocusProxy(self.stack)

    # --- building ---

    def _make_parts(self) -> None:
        self.title = QLabel()
        self.title.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)
        self.open_button = QPushButton("Open …  Ctrl+O")
        self.open_button.setAccessibleName("Open a recording")
        self.open_button.clicked.connect(self.ask_for_file)
        self.whole = QPushButton("Whole drive  W")
        self.whole.setAccessibleName("Show the whole drive")
        self.whole.clicked.connect(self.view.show_all)
        self.notice = Notice()
        self.progress = QProgressBar()
        self.progress.setMaximum(1000)
        self.progress.setTextVisible(False)
        self.progress.setFixedSize(120, 14)
        self.progress.hide()
        self.cancel_button = QPushButton("Cancel")
        self.cancel_button.clicked.connect(self.cancel)
        self.cancel_button.hide()
        self.empty = EmptyState(
            "No recording open",
            "Open a recording (Ctrl+O), drop a file onto this window, or record a drive on the "
            "Live page first.",
            "Open a recording …",
        )
        self.empty.pressed.connect(self.ask_for_file)
        for path in self._desk.settings.recent[:4]:
            button = QPushButton(path.name)
            button.setToolTip(str(path))
            button.clicked.connect(lambda _=False, p=path: self.open_path(p))
            self.empty.extra.addWidget(button, 0, Qt.AlignmentFlag.AlignLeft)

    def _lay_out(self) -> None:
        tools = QHBoxLayout()
        tools.setContentsMargins(6, 8, 12, 4)
        for widget in (self.open_button, self.whole):
            tools.addWidget(widget)
        tools.addSpacing(8)
        tools.addWidget(self.title, 1)
        tools.addWidget(self.progress)
        tools.addWidget(self.cancel_button)
        plots = QWidget()
        plots_layout = QVBoxLayout(plots)
        plots_layout.setContentsMargins(0, 0, 0, 0)
        plots_layout.setSpacing(2)
        plots_layout.addLayout(tools)
        plots_layout.addWidget(self.ribbon)
        plots_layout.addWidget(self.stack, 1)
        self.tabs = QTabWidget()
        self.tabs.addTab(self.findings, "Findings")
        self.tabs.addTab(self.signals, "Signals")
        self.tabs.setDocumentMode(True)
        side = QFrame()
        side.setMinimumWidth(320)
        side_layout = QVBoxLayout(side)
        side_layout.setContentsMargins(12, 8, 6, 12)
        side_layout.addWidget(self.tabs)
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
        layout.addWidget(self.notice)
        layout.addWidget(self._pages, 1)

    def _add_commands(self) -> None:
        add_view_commands(self.stack, self.view)
        add_command(self, "Next finding", ["N", "F8"], lambda: self.step_finding(1))
        add_command(self, "Finding before", ["Shift+N", "Shift+F8"], lambda: self.step_finding(-1))
        add_command(self, "Show the findings", "Alt+1", lambda: self.tabs.setCurrentIndex(0))
        add_command(self, "Show the signals", "Alt+2", lambda: self.tabs.setCurrentIndex(1))
        add_command(self, "Cancel what is being done", "Ctrl+.", self.cancel)

    def commands(self) -> list[QAction]:
        """What can be done on this page."""
        return [*self.actions(), *self.stack.actions()]

    # --- doing ---

    def ask_for_file(self) -> None:
        """Let the user pick a recording."""
        recent = self._desk.settings.recent
        folder = recent[0].parent if recent else self._desk.settings.folder
        name, _ = QFileDialog.getOpenFileName(
            self, "Open a recording", str(folder), "Recordings (*.parquet);;All files (*)"
        )
        if name:
            self.open_path(Path(name))

    def open_path(self, path: Path) -> None:
        """Open a recording off the main thread; what is shown stays until it is there."""
        self.cancel()
        self.notice.hide()
        self._busy(True)
        self._task = self._desk.jobs.start(
            lambda task: open_for_review(path, task), self._opened, self._failed, self._progressed
        )

    def cancel(self) -> None:
        """Stop opening or checking."""
        if self._task is not None:
            self._task.cancel()
            self._task = None
        self._busy(False)

    def show_finding(self, finding: Finding) -> None:
        """Shade its evidence, zoom to it, and show the signals it rests on."""
        wanted = [t for t in self._traces() if t.plottable and concerns(finding.check, t.signal)]
        for trace in wanted:
            if trace.key not in self.stack.keys:
                self._plot(trace, True)
        self.signals.model_.set_plotted(self.stack.keys)
        self.stack.set_shades(finding.evidence)
        if finding.evidence:
            start = min(span.start_ns for span in finding.evidence)
            end = max(span.end_ns for span in finding.evidence)
            self.view.show_around(start, end)
        else:
            self.view.show_all()

    def step_finding(self, by: int) -> None:
        """Choose the next finding, or the one before."""
        self.tabs.setCurrentIndex(0)
        self.findings.step(by)

    def set_theme(self, theme: Theme) -> None:
        """Paint in other colours."""
        self.stack.set_theme(theme)
        self.ribbon.set_theme(theme)
        self.findings.set_theme(theme)

    # --- what the tasks tell ---

    def _opened(self, opened: Opened) -> None:
        self.opened, self.judged = opened, None
        recording = opened.recording
        if recording.path is not None:
            self._desk.settings.recording_opened(recording.path)
        self._pages.setCurrentIndex(1)
        self.stack.set_shades(())
        self.stack.show_traces(opened.shown_first())
        self.signals.model_.show_traces(opened.traces, self.stack.keys)
        self.ribbon.set_conditions(())
        self.ribbon.set_findings(())
        self.ribbon.set_events(recording.facts.events)
        self.stack.set_event_times([e.t_ns for e in recording.facts.events])
        self.view.set_cursor(None)
        self.view.set_limits(0, recording.duration_ns)
        self.view.show_all()
        self.title.setText(_title(opened))
        self.title.setToolTip(str(recording.path or ""))
        self.findings.show_findings((), "Checking …")
        self.stack.setFocus()
        self._task = self._desk.jobs.start(
            lambda task: judge(recording, task), self._judged, self._failed, self._progressed
        )

    def _judged(self, judged: Judged) -> None:
        self.judged = judged
        self._task = None
        self._busy(False)
        self.ribbon.set_conditions(judged.conditions)
        self.ribbon.set_findings(judged.findings)
        self.findings.show_findings(judged.findings)

    def _failed(self, sentence: str) -> None:
        self._task = None
        self._busy(False)
        self.notice.trouble(sentence)
        if self.opened is not None and self.judged is None:
            self.findings.show_findings((), "The checks could not be run.")

    def _progressed(self, text: str, share: float) -> None:
        self.progress.setValue(round(share * 1000))
        self.progress.setAccessibleName(text)
        self.progress.setToolTip(text)

    # --- small things ---

    def _busy(self, busy: bool) -> None:
        self.progress.setValue(0)
        self.progress.setVisible(busy)
        self.cancel_button.setVisible(busy)

    def _traces(self) -> tuple[StripTrace, ...]:
        return self.opened.traces if self.opened is not None else ()

    def _plot(self, trace: StripTrace, on: bool) -> None:
        if not on:
            self.stack.remove(trace.key)
        elif trace.key not in self.stack.keys:
            self.stack.add(trace)


def _title(opened: Opened) -> str:
    recording = opened.recording
    name = recording.path.name if recording.path is not None else "Recording"
    facts = recording.facts
    samples = sum(len(t.pyramid) for t in opened.traces)
    parts = [
        name,
        facts.vehicle.label,
        time_text(recording.duration_ns / SECOND),
        f"{count_text(samples)} samples",
        "recovered after a crash" if facts.recovered else "",
    ]
    return "   ".join(part for part in parts if part)
