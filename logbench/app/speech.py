"""Sentences spoken by the system's own command, for eyes that are elsewhere. Off unless chosen.

One sentence is spoken at a time and one may wait; a newer one takes its place. A text never becomes
an option or part of a shell's line: it goes to the command's input, or behind `--`, without any
sign that a voice might read as an order. The pages show everything that is spoken, too.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Sequence
from dataclasses import dataclass

from PySide6.QtCore import QCoreApplication, QObject, QProcess, Signal

from logbench.app.parts import delayed
from logbench.cases.settings import Settings
from logbench.foreign import in_label
from logbench.system import platforms
from logbench.words import tr

_MOST = 240
"""Characters of a sentence; a longer one would still be spoken when it is no longer true."""
_LONGEST_MS = 30_000
_END_MS = 500
_SIGNS = frozenset(" .,:;?!%+-()'\u2019")
_WORDS = (
    (r"(?<=\d) s\b", tr(" seconds")),
    (r"\bkm/h", tr("kilometers per hour")),
    (r"\bmph\b", tr("miles per hour")),
    (r"\brpm\b", tr("revolutions per minute")),
    (r"\u00b0[CF]", tr("degrees")),
    (r"\bkPa\b", tr("kilopascals")),
    (r"(?<=\d) V\b", tr(" volts")),
    (r"\u2212(?=\d)", tr("minus ")),
    (r"(?<=\d),(?=\d{3})", ""),
)
"""What stands for a unit, and how it is said."""
_READ_INPUT = (
    "Add-Type -AssemblyName System.Speech; "
    "[Console]::InputEncoding = [Text.Encoding]::UTF8; "
    "(New-Object System.Speech.Synthesis.SpeechSynthesizer).Speak([Console]::In.ReadToEnd())"
)


@dataclass(frozen=True, slots=True)
class Speaker:
    """A command that speaks what it reads; `behind`: what is its last argument."""

    program: str
    arguments: tuple[str, ...]
    behind: bool = False


def speakers() -> tuple[Speaker, ...]:
    """Those of this system that are there, the best first."""
    if platforms.SYSTEM == "windows":
        known = [Speaker("powershell", ("-NoProfile", "-NonInteractive", "-Command", _READ_INPUT))]
    elif platforms.SYSTEM == "macos":
        known = [Speaker("say", ("-f", "-"))]
    else:
        known = [
            Speaker("spd-say", ("--wait", "--"), behind=True),
            Speaker("espeak-ng", ("--stdin",)),
        ]
    found = ((shutil.which(one.program), one) for one in known)
    return tuple(Speaker(path, one.arguments, one.behind) for path, one in found if path)


def spoken(text: str) -> str:
    """A sentence as a voice gets it: letters, digits and stops, units in words."""
    said = in_label(text, most=_MOST)
    for pattern, instead in _WORDS:
        said = re.sub(pattern, instead, said)
    kept = "".join(c if c.isalnum() or c in _SIGNS else " " for c in said)
    return " ".join(kept.split()).lstrip("-+!?.,:; ")


class Speech(QObject):
    """Speaks while the setting `speech` is on; never waits for a voice."""

    failed = Signal(str)
    """Nothing speaks here, for this reason."""

    def __init__(
        self, settings: Settings, parent: QObject, found: Sequence[Speaker] | None = None
    ) -> None:
        super().__init__(parent)
        self._settings = settings
        self.speakers = None if found is None else list(found)
        """Those to try; None: looked for when something is to be said."""
        self._process: QProcess | None = None
        self._next = self._said = ""
        self._end = delayed(self, _LONGEST_MS, self._cut_off)
        application = QCoreApplication.instance()
        if application is not None:
            application.aboutToQuit.connect(self.close)

    @property
    def on(self) -> bool:
        """Whether anything is spoken."""
        return self._settings.speech

    def switch(self) -> None:
        """Speak from now on, or fall silent."""
        self._settings.speech = not self.on
        if self.on:
            self.say(tr("Speech is on"))
        else:
            self.close()

    def say(self, text: str) -> None:
        """Speak a sentence as soon as the voice is free, instead of one that still waits."""
        self._next = spoken(text) if self.on else ""
        if self._process is None:
            self._speak()

    def close(self) -> None:
        """Fall silent at once."""
        self._next = ""
        process, self._process = self._process, None
        if process is not None:
            process.blockSignals(True)
            process.kill()
            process.waitForFinished(_END_MS)
            process.deleteLater()

    def _speak(self) -> None:
        text, self._next = self._next, ""
        if not text:
            return
        if self.speakers is None:
            self.speakers = list(speakers())
        if not self.speakers:
            self.failed.emit(
                tr("Nothing on this computer speaks. On Linux, install speech-dispatcher.")
            )
            return
        speaker = self.speakers[0]
        self._said = text
        self._process = process = QProcess(self)
        process.setStandardOutputFile(QProcess.nullDevice())
        process.setStandardErrorFile(QProcess.nullDevice())
        process.started.connect(self._started)
        process.finished.connect(self._finished)
        process.errorOccurred.connect(self._went_wrong)
        self._end.start()
        process.start(speaker.program, [*speaker.arguments, *([text] if speaker.behind else [])])

    def _started(self) -> None:
        process = self._process
        if process is not None and self.speakers:
            if not self.speakers[0].behind:
                process.write(self._said.encode())
            process.closeWriteChannel()

    def _finished(self, code: int, how: QProcess.ExitStatus) -> None:
        self._free(well=code == 0 and how is QProcess.ExitStatus.NormalExit)

    def _went_wrong(self, error: QProcess.ProcessError) -> None:
        if error is QProcess.ProcessError.FailedToStart:  # nothing else follows
            self._free(well=False)

    def _free(self, *, well: bool) -> None:
        """The voice is free. A command that fails, or never ends, is not tried again."""
        process, self._process = self._process, None
        hung = not self._end.isActive()
        self._end.stop()
        if process is not None:
            process.deleteLater()
        if not well and self.speakers:
            del self.speakers[0]
            self._next = self._next or ("" if hung else self._said)
        self._speak()

    def _cut_off(self) -> None:
        if self._process is not None:
            self._process.kill()
