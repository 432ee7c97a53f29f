"""A language that is none: every gathered text with odd vowels, longer, in marks.

`python -m tests.app.pseudo FOLDER RECORDING` opens the window in it, walks all pages, and prints as
JSON what is shown in plain English, and what is cut or out of reach; with a third argument, a
folder, it also keeps pictures there.
"""

from __future__ import annotations

import json
import os
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from logbench.app.window import MainWindow

LANGUAGE = "eo"  # borrowed: it has the plural forms of English
_ODD = str.maketrans("aeiouAEIOU", "àëîöûÀËÎÖÛ")
_PLACE = re.compile(r"({[a-z_]\w*[^{}]*})")
_MARKED = re.compile(r"«[^«»]*(?:»|$)")  # shortened where there is little room
_WORD = re.compile(r"[^\W\d_]{2,}")


def pseudo(text: str) -> str:
    """The text altered, four tenths longer; places stay, and stand outside the marks."""
    parts = _PLACE.split(text)
    return "".join(p if _PLACE.fullmatch(p) else _altered(p) for p in parts)


def _altered(part: str) -> str:
    if not _WORD.search(part):
        return part
    longer = ("~~~~~~~ " * len(part))[: round(0.4 * len(part))].rstrip()
    before, bare, after = re.fullmatch(r"(\s*)(.*?)(\s*)", part, re.S).groups()  # type: ignore[union-attr]
    return f"{before}«{bare.translate(_ODD)}{longer}»{after}"


def write_catalog(folder: Path) -> int:
    """The language's catalog below `folder`; returns how many texts it has."""
    from babel.messages.catalog import Catalog
    from babel.messages.mofile import write_mo

    from docs.gather_words import gathered

    made = Catalog(locale=LANGUAGE, project="logbench")
    for message in gathered():
        if message.id:
            several = isinstance(message.id, tuple)
            said = tuple(map(pseudo, message.id)) if several else pseudo(message.id)
            made.add(message.id, said)
    place = folder / LANGUAGE / "LC_MESSAGES"
    place.mkdir(parents=True)
    with (place / "logbench.mo").open("wb") as file:
        write_mo(file, made)
    return len(made)


def plain_words(text: str, data: list[str]) -> list[str]:
    """Words outside the marks that are of none of the classes of data.

    Data are: what is given (signals' names, sentences of findings and rules, cautions and consent,
    all kept in English), acronyms and what is in capitals (`ECT`, `SHRTFT1`), keys (`Ctrl+K`),
    files and addresses, units, and parts of markup.
    """
    left = _MARKED.sub(" ", text)
    for known in sorted(filter(None, data), key=len, reverse=True):
        left = left.replace(known, " ")
    left = re.sub(r"<[^<>]*>|\S*[/\\:]\S*|\S+\.\w{2,8}\b", " ", left)  # markup, files, addresses
    left = re.sub(r"\b(Ctrl|Shift|Alt|Return|Enter|Del|Esc|Down|Up|Left|Right|Home|End|Space)\b"
                  r"|\bPg\w+|\bBackspace|\bIns\b|\bTab\b", " ", left)  # fmt: skip
    units = {
        "rpm",
        "km",
        "kPa",
        "kJ",
        "psi",
        "bar",
        "mph",
        "inHg",
        "kg",
        "lb",
        "min",
        "gal",
        "lbf",
        "ft",
    }
    units |= {"deg", "mi", "ms", "us", "ns", "kB", "MB", "mA", "hp", "kW", "ratio", "degC", "Nm"}
    return [w for w in _WORD.findall(left) if w not in units and not w.isupper()]


def shown(root: object) -> Iterator[tuple[str, str]]:
    """(widget, text) of everything a widget and its children can show or tell a screen reader."""
    from PySide6.QtCore import QAbstractListModel, Qt
    from PySide6.QtGui import QAction
    from PySide6.QtWidgets import (
        QAbstractButton,
        QAbstractItemView,
        QComboBox,
        QDialogButtonBox,
        QGroupBox,
        QLabel,
        QLineEdit,
        QPlainTextEdit,
        QTabBar,
        QWidget,
    )

    assert isinstance(root, QWidget)
    for widget in (root, *root.findChildren(QWidget)):
        if isinstance(widget.parent(), QTabBar | QDialogButtonBox):  # Qt names what is in them
            continue
        texts = [widget.toolTip(), widget.accessibleName(), widget.accessibleDescription()]
        texts.append(widget.windowTitle())
        if isinstance(widget, QAbstractButton | QLabel):
            texts.append(widget.text())
        if isinstance(widget, QLineEdit | QPlainTextEdit):
            texts.append(widget.placeholderText())
        if isinstance(widget, QGroupBox):
            texts.append(widget.title())
        if isinstance(widget, QComboBox):
            texts += [widget.itemText(n) for n in range(widget.count())]
        if isinstance(widget, QTabBar):
            texts += [widget.tabText(n) for n in range(widget.count())]
        if isinstance(widget, QAbstractItemView) and widget.model() is not None:
            model = widget.model()
            columns = 1 if isinstance(model, QAbstractListModel) else model.columnCount()
            for column in range(columns):
                texts.append(model.headerData(column, Qt.Orientation.Horizontal))
                texts += [model.index(row, column).data() for row in range(model.rowCount())]
        kind = f"{type(widget).__name__} {widget.objectName()}".strip()
        yield from ((kind, text) for text in texts if isinstance(text, str) and text)
    for action in root.findChildren(QAction):
        yield "QAction", action.text()


def main(folder: Path, recording: Path, pictures: Path | None = None) -> int:
    """Print the offenders; the exit code is theirs, too."""
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    from logbench import words

    words.use(folder, [LANGUAGE])
    from PySide6.QtWidgets import QApplication

    from logbench.analysis.causes.catalog import SYMPTOMS
    from logbench.analysis.cautions import CAUTIONS
    from logbench.analysis.expression.grammar import EXAMPLE
    from logbench.app.window import MainWindow
    from logbench.capture.messages import DEFAULT_RULES
    from logbench.cases.settings import Settings
    from logbench.job.model import RESTRAINT_CAUTION
    from logbench.job.privacy import PLACE
    from logbench.recording.reader import open_recording
    from logbench.signals.table import table
    from logbench.vehicle.gate import CONSENT
    from logbench.vehicle.records.clearing import LOSSES, STAYS
    from tests.app.geometry import faults, settle

    application = QApplication(["logbench-tests", "-style", "Fusion"])
    settings = Settings.load(folder / "settings.json")
    settings.folder = folder / "DRIVES"
    window = MainWindow(settings)
    window.resize(1280, 720)
    window.show()
    data = [
        "logbench",
        *words.LANGUAGES.values(),
        RESTRAINT_CAUTION,
        CONSENT,
        *LOSSES,
        STAYS,
        EXAMPLE,
        PLACE,
    ]
    data += [signal.name for signal in table()] + [rule.text for rule in DEFAULT_RULES]
    data += [*(caution.text for caution in CAUTIONS.values()), *SYMPTOMS.values()]
    facts = open_recording(recording).facts
    data += [facts.vehicle.label, *(event.text for event in facts.events)]
    found: dict[str, None] = {}
    for page in ("live", "review", "compare", "job", "archive", "drive"):
        if page == "drive":
            window.pages.open_recordings([recording])
            _wait_for(lambda: bool(window.pages.review.findings.findings))
            told = window.pages.review.findings.findings
            data += [x for f in told for x in (f.reason, f.subject, f.check.replace("_", " "))]
            _wait_for(lambda: bool(window.pages.review.causes.head.text()))
            data += [window.pages.review.causes.head.text(), *_of_causes()]
        else:
            window.pages.show_page(page)
        application.processEvents()
        settle()
        for fault in faults(window):
            found[f"{page} page: {fault}"] = None
        if pictures is not None:
            window.grab().save(str(pictures / f"{page}.png"))
    window.appearance.show_settings()
    _make_dialogs(window, folder)
    for kind, text in shown(window):
        if plain_words(text, data):
            found[f"{kind}: {text[:160]}"] = None
    window.close()
    print(json.dumps(list(found), ensure_ascii=False, indent=1))
    return int(bool(found))


def _of_causes() -> Iterator[str]:
    """What catalogs of the analysis say of causes, complaints and hand tests."""
    from logbench.analysis.causes.catalog import CAUSES, SYMPTOMS
    from logbench.analysis.causes.hand_tests import HAND_TESTS
    from logbench.analysis.causes.sentence import NO_VERDICT

    yield NO_VERDICT
    yield from SYMPTOMS.values()
    yield from (cause.text for cause in CAUSES.values())
    for test in HAND_TESTS.values():
        yield from (test.title, *test.words.values())


def _make_dialogs(window: MainWindow, folder: Path) -> None:
    """Dialogs that are only made when wanted, as children of the window."""
    from logbench.app.commands import CommandList
    from logbench.app.job.car_actions import clear_dialog
    from logbench.app.job.opening import NewJobDialog
    from logbench.app.job.records import SearchPageDialog
    from logbench.app.job.reporting import ExportDialog, ReportDialog
    from logbench.app.live.setup import UnattendedDialog
    from logbench.app.review.notes_panel import NoteDialog
    from logbench.job.privacy import PLACE

    settings = window.services.settings
    CommandList(window.commands(), window)
    clear_dialog(window)
    SearchPageDialog(f"https://search.example/?q={PLACE}", "P0171", None, window)
    NewJobDialog(folder, window)
    ReportDialog(settings, folder, window)
    ExportDialog(settings, folder, window)
    UnattendedDialog(settings, window)
    NoteDialog("", "", window)


def _wait_for(done: Callable[[], bool]) -> None:
    """Let the window work until `done`, a minute at most."""
    from PySide6.QtCore import QEventLoop, QTimer

    loop, look, end = QEventLoop(), QTimer(), QTimer()
    look.timeout.connect(lambda: loop.quit() if done() else None)
    look.start(20)
    end.setSingleShot(True)
    end.timeout.connect(loop.quit)
    end.start(60_000)
    loop.exec()


if __name__ == "__main__":
    sys.exit(main(*map(Path, sys.argv[1:])))
