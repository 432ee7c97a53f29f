"""The window in a language that is none: whatever is left in plain English was not gathered."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from PySide6.QtCore import QCoreApplication
from PySide6.QtWidgets import QApplication

from logbench.app.main import speak
from tests.app.pseudo import plain_words, pseudo, write_catalog

ROOT = Path(__file__).resolve().parents[2]


def test_every_text_of_all_pages_is_translated(drive_file: Path, tmp_path: Path):
    assert write_catalog(tmp_path / "locale") > 100
    done = subprocess.run(
        [sys.executable, "-m", "tests.app.pseudo", str(tmp_path / "locale"), str(drive_file)],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
        timeout=300,
    )
    assert done.stdout, done.stderr
    assert json.loads(done.stdout) == []


def test_the_language_marks_text_and_keeps_places():
    assert pseudo("Open {name:.1f} at once") == "«Öpën~~» {name:.1f} «àt öncë~~~»"
    assert plain_words("«Öpën~~» drive.parquet «àt öncë~~»", []) == []
    assert plain_words("«Öpën~~» the file ECT 3 km", []) == ["the", "file"]
    assert plain_words("Coolant hot", ["Coolant"]) == ["hot"]


def test_qts_own_words_follow(qapp: QApplication):
    """ "Abbrechen" is Qt's own translation, shipped with it."""
    translator = speak(qapp, "de_AT")
    assert translator is not None
    assert QCoreApplication.translate("QPlatformTheme", "Cancel") == "Abbrechen"
    assert qapp.removeTranslator(translator)
    assert speak(qapp, "en") is None
    assert speak(qapp, "eo") is None  # Qt has it not
