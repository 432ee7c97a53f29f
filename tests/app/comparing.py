"""What the tests of the Compare page share: the demo pair, altered copies, drops."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import QMimeData, QPoint, QPointF, Qt, QUrl
from PySide6.QtGui import QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import QApplication, QWidget

from logbench.app.compare.page import ComparePage
from logbench.plot.trace import SECOND
from logbench.recording.finish import write_recording
from logbench.recording.reader import open_recording

RECORDINGS = Path(__file__).parents[2] / "recordings"
DRIVES = (RECORDINGS / "before.parquet", RECORDINGS / "after.parquet")


def compare(page: ComparePage, qtbot, before: Path, after: Path) -> None:
    page.set_sides([before], [after])
    page.compare()
    qtbot.waitUntil(lambda: page.compared is not None, timeout=30_000)


def changed(source: Path, out: Path, *, keep=lambda trace: trace, **facts: object) -> Path:
    """A copy of a recording with other facts or traces (those that `keep` gives back)."""
    drive = open_recording(source)
    traces = [kept for t in drive.traces() if (kept := keep(t)) is not None]
    return write_recording(
        out, traces, drive.facts.model_copy(update={"recording_id": "", **facts})
    )


def first_seconds(seconds: float):
    """Keeps the start of every trace."""

    def keep(trace):
        part = trace.t_ns < seconds * SECOND
        return type(trace)(trace.signal, trace.ecu, trace.unit, trace.t_ns[part], trace.value[part])

    return keep


def drop(target: QWidget, *paths: Path) -> None:
    mime = QMimeData()
    mime.setUrls([QUrl.fromLocalFile(str(path)) for path in paths])
    how = (Qt.DropAction.CopyAction, mime, Qt.MouseButton.LeftButton)
    plain = Qt.KeyboardModifier.NoModifier
    QApplication.sendEvent(target, QDragEnterEvent(QPoint(10, 10), *how, plain))
    QApplication.sendEvent(target, QDropEvent(QPointF(10, 10), *how, plain))
