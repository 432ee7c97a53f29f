"""What is shown, handed on: a picture (PNG, SVG, clipboard) or the samples as CSV."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QBuffer, QIODeviceBase, QPoint, QRect, QSize, Qt
from PySide6.QtGui import QColor, QGuiApplication, QImage, QPainter
from PySide6.QtWidgets import QFileDialog, QWidget

from logbench.app.long_work import LongWork
from logbench.app.notice import Notice
from logbench.app.parts import text_button
from logbench.app.plot.stack import StripStack
from logbench.app.review.notes_panel import NotesPanel
from logbench.app.review.plots import ReviewPlots
from logbench.app.services import Services
from logbench.app.theme import Theme
from logbench.cases.recording import ExportRecording, ExportSpan
from logbench.errors import StorageError
from logbench.foreign import in_label
from logbench.recording.export import Selection
from logbench.recording.storage import write_whole
from logbench.report.drawing import DESCRIPTION
from logbench.report.plots import drive_title
from logbench.signals.numbers import time_text
from logbench.system.limits import NOTE_CHARS
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.recording.reader import Recording

_EDGE_PX = 10
_MOST_TOLD = 40
"""Remarks written out below a picture."""
_WRAP = int(Qt.TextFlag.TextWordWrap) | int(Qt.AlignmentFlag.AlignLeft)


class Exporting:
    """Pictures and CSV of the Review page."""

    def __init__(
        self,
        page: QWidget,
        services: Services,
        plots: ReviewPlots,
        notes: NotesPanel,
        notice: Notice,
    ) -> None:
        self._page, self._look, self._plots = page, services.look, plots
        self._notes, self._notice = notes, notice
        self.work = LongWork(services.runner.owner(tr("Review")))
        self.work.failed.connect(notice.trouble)
        self.work.stopped.connect(notice.passing)
        self._recording: Recording | None = None
        self.button = text_button(tr("Export …"), self.ask_where, tr("Export what is shown"))

    def show(self, recording: Recording) -> None:
        """Another recording; what is written of the one before is written on."""
        self._recording = recording

    def ask_where(self) -> None:
        """Let the user name a file: its ending says whether a picture or the samples."""
        recording = self._recording
        if recording is None:
            return
        start = str(recording.path.with_suffix(".png")) if recording.path else "drive.png"
        samples = tr("Samples without personal data (*.csv)")
        private = (samples, tr("Recording without personal data (*.parquet)"))
        plain = tr("Picture (*.png);;Picture as lines (*.svg);;Samples (*.csv)")
        kinds = ";;".join((plain, *private))
        name, chosen = QFileDialog.getSaveFileName(
            self._page, tr("Export what is shown"), start, kinds
        )
        if name:
            ending = chosen[chosen.index("*") + 1 : -1]
            file = Path(name)
            known = file.suffix.lower() in (".png", ".svg", ".csv", ".parquet")
            named = file if known else file.with_name(file.name + ending)
            self.export(named, private=chosen in private)

    def export(self, path: Path, *, private: bool = False) -> None:
        """Write what is shown: the picture, or the samples and notes from A to B or of the view,
        in the units shown; or the whole recording as one without personal data. `private`: samples
        without notes and without signals that are not the program's."""
        recording, plots = self._recording, self._plots
        if recording is None:
            return
        if path.suffix.lower() == ".parquet" and recording.path is not None:
            whole = ExportRecording(recording.path, path, Selection(), private=True)
            self.work.start(whole, self._exported)
            return
        if path.suffix.lower() != ".csv":
            try:
                sheet = Sheet(plots, self._look.theme, recording)
                write_whole(path, sheet.file(path.suffix.lower()))
                self._exported(path)
            except StorageError as error:
                self._notice.trouble(str(error))
            return
        marks, view = plots.view.marks, plots.view
        first, last = sorted((marks.get("A", view.start_ns), marks.get("B", view.end_ns)))
        shown = tuple(dict.fromkeys(signal for signal, _ in plots.stack.keys))
        units, notes = self._look.units, self._notes.list.remarks
        case = ExportSpan(path, recording, shown, first, last, units, notes, private)
        self.work.start(case, self._exported)

    def copy_picture(self) -> None:
        """Put the picture of what is shown into the clipboard."""
        if self._recording is None:
            return
        sheet = Sheet(self._plots, self._look.theme, self._recording)
        QGuiApplication.clipboard().setImage(sheet.image())
        self._notice.passing(tr("The picture is in the clipboard."))

    def _exported(self, path: Path) -> None:
        self._notice.passing(tr("Written to {path}", path=path))


class Sheet:
    """What is shown as one picture: which car, drive and date; the ribbon and what is below it; and
    what is said of the drive, each with its whole text. Of a `StripStack` all strips are drawn,
    also those scrolled out of sight."""

    def __init__(self, plots: ReviewPlots, theme: Theme, recording: Recording) -> None:
        self._plots, self._theme = plots, theme
        name = recording.path.name if recording.path is not None else ""
        self.title = in_label(drive_title(recording.facts, name))
        remarks = plots.ribbon.content.remarks
        told = [
            f"{time_text(remark.start_ns / 1e9)}  {in_label(remark.said, most=NOTE_CHARS)}"
            for remark in remarks[:_MOST_TOLD]
        ]
        if len(remarks) > _MOST_TOLD:
            told.append(tr("{n} more are in the recording.", n=len(remarks) - _MOST_TOLD))
        self.told = "\n".join(told)
        self.head, self.foot = (self._height_of(text) for text in (self.title, self.told))
        """Pixels above and below what is shown."""

    def file(self, ending: str) -> bytes:
        """As SVG (traces as lines) or PNG."""
        out = QBuffer()
        out.open(QIODeviceBase.OpenModeFlag.WriteOnly)
        if ending != ".svg":
            image = self.image()
            image.setText(DESCRIPTION, "\n".join(filter(None, (self.title, self.told))))
            image.save(out, "PNG")  # type: ignore[call-overload]
            # WORKAROUND: the stubs of PySide6 6.11 say bytes, it takes text
            return bytes(out.data().data())
        from PySide6.QtSvg import QSvgGenerator

        generator = QSvgGenerator()
        generator.setOutputDevice(out)
        generator.setViewBox(QRect(QPoint(), self.size))
        generator.setTitle(self.title)
        generator.setDescription(self.told)
        painter = QPainter(generator)
        self._draw(painter)
        painter.end()
        return bytes(out.data().data())

    def image(self) -> QImage:
        """As pixels of the screen."""
        ratio = self._plots.devicePixelRatioF()
        image = QImage(self.size * ratio, QImage.Format.Format_RGB32)
        image.setDevicePixelRatio(ratio)
        painter = QPainter(image)
        self._draw(painter)
        painter.end()
        return image

    @property
    def size(self) -> QSize:
        """Of the whole picture."""
        below = self._plots.shown
        height = below.height()
        if isinstance(below, StripStack):
            height = sum(s.height() for s in below.strips) + below.axis.height()
        whole = self.head + self._plots.ribbon.height() + height + self.foot
        return QSize(below.width(), whole)

    def _room(self, y: int, height: int) -> QRect:
        return QRect(_EDGE_PX, y, self._plots.shown.width() - 2 * _EDGE_PX, height)

    def _height_of(self, text: str) -> int:
        metrics = self._plots.fontMetrics()
        box = metrics.boundingRect(self._room(0, 1_000_000), _WRAP, text)
        return box.height() + _EDGE_PX if text else 0

    def _write(self, painter: QPainter, y: int, height: int, text: str) -> None:
        painter.setFont(self._plots.font())
        painter.setPen(QColor(self._theme.text))
        painter.drawText(self._room(y, height), _WRAP, text)

    def _draw(self, painter: QPainter) -> None:
        plots, whole = self._plots, self.size
        painter.fillRect(QRect(QPoint(), whole), QColor(self._theme.window))
        self._write(painter, _EDGE_PX // 2, self.head, self.title)
        self._write(painter, whole.height() - self.foot, self.foot, self.told)
        y = self.head
        plots.ribbon.render(painter, QPoint(0, y))
        below, y = plots.shown, y + plots.ribbon.height()
        if not isinstance(below, StripStack):
            below.render(painter, QPoint(0, y))
            return
        for strip in below.strips:
            painter.save()
            painter.translate(0, y)
            strip.draw_on(painter)
            painter.restore()
            y += strip.height()
        below.axis.render(painter, QPoint(0, y))
