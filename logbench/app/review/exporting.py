"""What is shown, handed on: a picture (PNG, SVG, clipboard) or the samples as CSV."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QBuffer, QIODeviceBase, QPoint, QRect, QSize
from PySide6.QtGui import QColor, QGuiApplication, QImage, QPainter
from PySide6.QtWidgets import QFileDialog, QWidget

from logbench.app.parts import Notice, text_button
from logbench.app.plot.stack import StripStack
from logbench.app.review.notes_panel import NotesPanel
from logbench.app.review.plots import ReviewPlots
from logbench.app.services import Services
from logbench.app.theme import Theme
from logbench.cases.recording import ExportRecording, ExportSpan
from logbench.cases.runner import Owner
from logbench.errors import StorageError
from logbench.recording.export import Selection
from logbench.recording.storage import write_whole
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.recording.reader import Recording


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
        self._owner: Owner | None = None
        self._recording: Recording | None = None
        self.button = text_button(tr("Export …"), self.ask_where, tr("Export what is shown"))

    def show(self, owner: Owner, recording: Recording) -> None:
        """Another recording, which owns what is written of it."""
        self._owner, self._recording = owner, recording

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
        recording, owner, plots = self._recording, self._owner, self._plots
        if recording is None or owner is None:
            return
        if path.suffix.lower() == ".parquet" and recording.path is not None:
            whole = ExportRecording(recording.path, path, Selection(), private=True)
            owner.start(whole, self._exported, self._notice.trouble)
            return
        if path.suffix.lower() != ".csv":
            try:
                write_whole(path, _picture_file(path.suffix.lower(), plots, self._look.theme))
                self._exported(path)
            except StorageError as error:
                self._notice.trouble(str(error))
            return
        marks, view = plots.view.marks, plots.view
        first, last = sorted((marks.get("A", view.start_ns), marks.get("B", view.end_ns)))
        shown = tuple(dict.fromkeys(signal for signal, _ in plots.stack.keys))
        units, notes = self._look.units, self._notes.list.remarks
        case = ExportSpan(path, recording, shown, first, last, units, notes, private)
        owner.start(case, self._exported, self._notice.trouble)

    def copy_picture(self) -> None:
        """Put the picture of what is shown into the clipboard."""
        QGuiApplication.clipboard().setImage(_picture(self._plots, self._look.theme))
        self._notice.passing(tr("The picture is in the clipboard."))

    def _exported(self, path: Path) -> None:
        self._notice.passing(tr("Written to {path}", path=path))


def _picture_file(ending: str, plots: ReviewPlots, theme: Theme) -> bytes:
    """Ribbon and what is below it, as SVG (traces as lines) or PNG. Of a `StripStack` all strips
    are drawn, also those scrolled out of sight."""
    out = QBuffer()
    out.open(QIODeviceBase.OpenModeFlag.WriteOnly)
    if ending != ".svg":
        _picture(plots, theme).save(out, "PNG")  # type: ignore[call-overload]
        # WORKAROUND: the stubs of PySide6 6.11 say bytes, it takes text
        return bytes(out.data().data())
    from PySide6.QtSvg import QSvgGenerator

    generator = QSvgGenerator()
    generator.setOutputDevice(out)
    generator.setViewBox(QRect(QPoint(), _size(plots)))
    generator.setTitle("logbench")
    painter = QPainter(generator)
    _draw(painter, plots, theme)
    painter.end()
    return bytes(out.data().data())


def _picture(plots: ReviewPlots, theme: Theme) -> QImage:
    ratio = plots.devicePixelRatioF()
    image = QImage(_size(plots) * ratio, QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(ratio)
    painter = QPainter(image)
    _draw(painter, plots, theme)
    painter.end()
    return image


def _size(plots: ReviewPlots) -> QSize:
    below = plots.shown
    height = below.height()
    if isinstance(below, StripStack):
        height = sum(s.height() for s in below.strips) + below.axis.height()
    return QSize(below.width(), plots.ribbon.height() + height)


def _draw(painter: QPainter, plots: ReviewPlots, theme: Theme) -> None:
    painter.fillRect(QRect(QPoint(), _size(plots)), QColor(theme.window))
    plots.ribbon.render(painter, QPoint(0, 0))
    below, y = plots.shown, plots.ribbon.height()
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
