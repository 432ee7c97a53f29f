"""What is shown, handed on: a picture (PNG, SVG, clipboard) or the samples as CSV."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from PySide6.QtCore import QPoint, QRect, QSize
from PySide6.QtGui import QColor, QGuiApplication, QImage, QPainter
from PySide6.QtWidgets import QWidget

from logbench.app.plot.stack import StripStack
from logbench.app.theme import Theme
from logbench.errors import StorageError, UsageError
from logbench.signals.units import METRIC, Units
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.recording.notes import Note
    from logbench.recording.reader import Recording


def save_picture(path: Path, ribbon: QWidget, below: QWidget, theme: Theme) -> None:
    """Ribbon and what is below it, as PNG or (traces as lines) SVG, by the path's ending. Of a
    `StripStack` all strips are drawn, also those scrolled out of sight.

    Raises `StorageError` when it cannot be written, `UsageError` for another ending.
    """
    if path.suffix.lower() == ".svg":
        _save_svg(path, ribbon, below, theme)
        return
    if path.suffix.lower() != ".png":
        raise UsageError(
            tr("'{name}' is no picture this program writes: use .png or .svg.", name=path.name)
        )
    if not _picture(ribbon, below, theme).save(str(path)):
        raise _not_written(path)


def copy_picture(ribbon: QWidget, below: QWidget, theme: Theme) -> None:
    """The same into the clipboard."""
    QGuiApplication.clipboard().setImage(_picture(ribbon, below, theme))


@dataclass(frozen=True)
class Wanted:
    """What of a recording goes into a CSV file."""

    signals: Sequence[str]
    start_ns: float
    end_ns: float
    """The end is included."""
    units: Units = METRIC
    notes: Sequence[Note] = ()
    """Those that overlap the span are written into a column of their own."""


def save_csv(path: Path, recording: Recording, wanted: Wanted) -> Path:
    """The samples of some signals between two times: one row a time stamp, one column a trace,
    empty where a trace has no sample then. Notes stand in the first row that they cover, with the
    times of their ends. Raises `StorageError`.
    """
    frame = recording.wide(wanted.signals)
    frame = frame.loc[wanted.start_ns / 1e9 : wanted.end_ns / 1e9].dropna(how="all")
    recorded = {trace.signal: trace.unit for trace in recording.traces(wanted.signals)}
    columns = {}
    for name in frame.columns:
        unit = recorded.get(str(name).split("@")[0], "")
        shown = wanted.units.unit(unit)
        columns[name] = f"{name} ({shown})" if unit else str(name)
        frame[name] = wanted.units.array(frame[name].to_numpy(np.float64), unit)
    frame = frame.rename(columns=columns)
    told = _told(frame.index.to_numpy(np.float64), wanted)
    if any(told):
        frame["note"] = told
    try:
        frame.to_csv(path, float_format="%.10g")
    except OSError as error:
        raise _not_written(path) from error
    return path


def _told(t_s: npt.NDArray[np.float64], wanted: Wanted) -> list[str]:
    """A text for each row: the notes that begin to hold there. Spreadsheets take a text that
    begins like a formula for one, so it is set in quotation marks."""
    texts = [""] * len(t_s)
    for note in wanted.notes:
        place = int(np.searchsorted(t_s, note.start_ns / 1e9))
        overlaps = note.end_ns >= wanted.start_ns and note.start_ns <= wanted.end_ns
        if overlaps and place < len(t_s):
            said = " ".join(note.text.split())
            said = f'"{said}"' if said[0] in "=+-@" else said
            ends = f"{note.start_ns / 1e9:.1f} to {note.end_ns / 1e9:.1f} s"
            texts[place] = "; ".join(filter(None, (texts[place], f"{said} ({ends})")))
    return texts


def _picture(ribbon: QWidget, below: QWidget, theme: Theme) -> QImage:
    ratio = below.devicePixelRatioF()
    image = QImage(_size(ribbon, below) * ratio, QImage.Format.Format_RGB32)
    image.setDevicePixelRatio(ratio)
    painter = QPainter(image)
    _draw(painter, ribbon, below, theme)
    painter.end()
    return image


def _save_svg(path: Path, ribbon: QWidget, below: QWidget, theme: Theme) -> None:
    from PySide6.QtSvg import QSvgGenerator

    generator = QSvgGenerator()
    generator.setFileName(str(path))
    generator.setViewBox(QRect(QPoint(), _size(ribbon, below)))
    generator.setTitle("logbench")
    painter = QPainter()
    if not painter.begin(generator):
        raise _not_written(path)
    _draw(painter, ribbon, below, theme)
    painter.end()


def _size(ribbon: QWidget, below: QWidget) -> QSize:
    height = below.height()
    if isinstance(below, StripStack):
        height = sum(s.height() for s in below.strips) + below.axis.height()
    return QSize(below.width(), ribbon.height() + height)


def _draw(painter: QPainter, ribbon: QWidget, below: QWidget, theme: Theme) -> None:
    painter.fillRect(QRect(QPoint(), _size(ribbon, below)), QColor(theme.window))
    ribbon.render(painter, QPoint(0, 0))
    y = ribbon.height()
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


def _not_written(path: Path) -> StorageError:
    return StorageError(
        tr(
            "{path} could not be written: make room or choose another folder; the "
            "recording is as it was.",
            path=path,
        )
    )
