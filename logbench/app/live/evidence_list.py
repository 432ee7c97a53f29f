"""What each check has and still lacks while the drive goes on."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import TYPE_CHECKING

from PySide6.QtWidgets import QTextBrowser

from logbench.app.theme import Theme
from logbench.signals.unit_sentences import in_units
from logbench.signals.units import METRIC, Units
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.analysis.run import CheckEvidence

_WAITING = tr("What the checks still need is told here while the car reports.")


class EvidenceList(QTextBrowser):
    """Checks that lack something first, with what it is; then those with enough evidence."""

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self._theme = theme
        self._units = METRIC
        self._shown: tuple[CheckEvidence, ...] = ()
        self.setAccessibleName(tr("Evidence for each check so far"))
        self.setMinimumHeight(110)
        self._write()

    def show_evidence(self, evidence: Sequence[CheckEvidence]) -> None:
        """Another look; the place that was scrolled to stays."""
        fresh = tuple(evidence)
        if fresh != self._shown:
            self._shown = fresh
            self._write()

    def set_theme(self, theme: Theme) -> None:
        """Other colours."""
        self._theme = theme
        self._write()

    def set_units(self, units: Units) -> None:
        """Say quantities in other units."""
        self._units = units
        self._write()

    def _write(self) -> None:
        bar = self.verticalScrollBar()
        at = bar.value()
        self.setHtml(self._html())
        bar.setValue(at)

    def _html(self) -> str:
        muted = self._theme.muted
        if not self._shown:
            return f"<p style='color:{muted}'>{_WAITING}</p>"
        lacking = [e for e in self._shown if not e.enough]
        enough = [e for e in self._shown if e.enough]
        enough_said = escape(tr("enough evidence"))
        lines = [
            f"<p style='margin:3px 0'>○ <b>{escape(e.title)}</b> ({escape(_counted(e))})<br/>"
            f"<span style='color:{muted}'>{escape(in_units(e.missing, self._units))}</span></p>"
            for e in lacking
        ]
        lines += [
            f"<p style='margin:3px 0'>✔ <b>{escape(e.title)}</b>: {enough_said}</p>" for e in enough
        ]
        return "".join(lines)


def _counted(evidence: CheckEvidence) -> str:
    return tr("{judged} of {asked}", judged=evidence.judged, asked=evidence.asked)
