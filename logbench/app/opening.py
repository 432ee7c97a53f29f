"""What the window hands to other programs of the computer: the only place that does."""

from __future__ import annotations

from pathlib import Path

from PySide6.QtCore import QUrl
from PySide6.QtGui import QDesktopServices

from logbench.foreign import Foreign
from logbench.job.opening import why_not_opened
from logbench.words import tr


def open_of_job(folder: Path, file: Path) -> str:
    """Open a file of a job, or show the job's folder where it may not be opened; the sentence to
    show, `` for none."""
    sentence = why_not_opened(file)
    if _open(QUrl.fromLocalFile(str(folder if sentence else file))) or sentence:
        return sentence
    return tr("No program was found that opens {name}.", name=Foreign(file.name))


def open_written(file: Path) -> bool:
    """Open a document that the program has just written; whether a program was found for it."""
    return _open(QUrl.fromLocalFile(str(file)))


def open_page(address: str) -> bool:
    """Open a page in the browser; whether there is one. Only `http` and `https` are opened."""
    url = QUrl(address, QUrl.ParsingMode.StrictMode)
    return url.scheme() in ("http", "https") and _open(url)


def _open(url: QUrl) -> bool:
    return QDesktopServices.openUrl(url)
