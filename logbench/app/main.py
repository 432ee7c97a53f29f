"""Opens the window."""

from __future__ import annotations

import signal
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from logbench.app.preflight import require_window
from logbench.words import language

if TYPE_CHECKING:
    from PySide6.QtCore import QTranslator
    from PySide6.QtWidgets import QApplication

    from logbench.app.demo import Demo


_WARM_UP_AFTER_MS = 500


def run(
    files: Sequence[Path] = (), *, demo: Demo | None = None, settings: Path | None = None
) -> int:
    """Open the window and stay until it is closed; returns the exit code.

    `files` are opened for review; a `demo` is recorded at once, and leads on. Raises `WindowError`
    where no window can open.
    """
    require_window()
    from PySide6.QtCore import QTimer
    from PySide6.QtGui import QIcon
    from PySide6.QtWidgets import QApplication

    from logbench.app.window import MainWindow
    from logbench.cases.desktop import ICON
    from logbench.cases.settings import Settings

    application = QApplication.instance() or QApplication(sys.argv[:1])
    assert isinstance(application, QApplication)
    application.setApplicationName("logbench")
    application.setApplicationDisplayName("logbench")
    application.setWindowIcon(QIcon(str(ICON)))
    application.setDesktopFileName("logbench")  # whose icon a Wayland desktop shows
    application.setStyle("Fusion")
    speak(application, language())
    window = MainWindow(Settings.load(settings))
    window.show()
    QTimer.singleShot(_WARM_UP_AFTER_MS, window.warm_up)
    if demo is None:
        QTimer.singleShot(0, window.live.endings.recover)
    window.coming_back.start(restore=not files and demo is None)
    if demo is None and not files:
        QTimer.singleShot(0, window.live.first_start.look)
    if files:
        window.pages.open_recordings(files)
    if demo is not None:
        from logbench.app.demo import DemoLead

        QTimer.singleShot(0, DemoLead(window, demo).start)
    signal.signal(signal.SIGINT, lambda *_: window.close())
    heartbeat = QTimer()  # lets Python look at Ctrl-C while Qt waits
    heartbeat.timeout.connect(lambda: None)
    heartbeat.start(250)
    return int(application.exec())


def speak(application: QApplication, language: str) -> QTranslator | None:
    """Qt's own words (Cancel, the dialogs for files) in a language; None where Qt has it not."""
    from PySide6.QtCore import QLibraryInfo, QLocale, QTranslator

    translator = QTranslator(application)
    folder = QLibraryInfo.path(QLibraryInfo.LibraryPath.TranslationsPath)
    if language == "en" or not translator.load(QLocale(language), "qtbase", "_", folder):
        return None
    application.installTranslator(translator)
    return translator
