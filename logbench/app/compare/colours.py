"""Colours and symbols of a comparison: told apart with any colour vision, and never by colour
alone. Differences run from Okabe-Ito blue (lower) over the ground to vermilion (higher)."""

from __future__ import annotations

from PySide6.QtGui import QColor

from logbench.analysis.comparison.results import FindingVerdict, SignalResult, SignalVerdict
from logbench.analysis.model import Verdict
from logbench.app.theme import BLUE, ORANGE, SKY, VERMILION, Theme

FINDING_SYMBOLS = {
    FindingVerdict.WORSE: "▼",
    FindingVerdict.RESOLVED: "●",
    FindingVerdict.IMPROVED: "▲",
    FindingVerdict.UNCHANGED: "■",
    FindingVerdict.NOT_COMPARABLE: "○",
}
SIGNAL_SYMBOLS = {
    SignalVerdict.CHANGED: "◆",
    SignalVerdict.NO_CHANGE: "●",
    SignalVerdict.NOT_COMPARABLE: "○",
}


def difference_colour(share: float, theme: Theme) -> QColor:
    """Ground colour of a difference; `share` of the largest one shown, -1 to 1."""
    ends = (SKY, ORANGE) if theme.name == "night" else (BLUE, VERMILION)
    ground, end = QColor(theme.panel), QColor(ends[0] if share < 0 else ends[1])
    much = min(1.0, abs(share)) ** 0.8
    mixed = (
        round(a + (b - a) * much)
        for a, b in zip(ground.getRgb()[:3], end.getRgb()[:3], strict=True)  # type: ignore[index]
    )
    return QColor(*mixed)


def ink_on(ground: QColor) -> QColor:
    """Black or white, whichever is read better on a ground (WCAG 2 relative luminance)."""

    def linear(share: float) -> float:
        return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4

    parts = (ground.redF(), ground.greenF(), ground.blueF())
    red, green, blue = (linear(part) for part in parts)
    luminance = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    return QColor("#000000") if (luminance + 0.05) ** 2 > 1.05 * 0.05 else QColor("#FFFFFF")


def signal_colour(result: SignalResult, theme: Theme) -> QColor:
    """Of a signal's interval: relevant change, other change, none shown."""
    if result.relevant:
        return theme.trace(1)
    if result.verdict is SignalVerdict.CHANGED:
        return theme.trace(4)
    return theme.trace(0) if result.change is not None else QColor(theme.muted)


def finding_colour(verdict: FindingVerdict, theme: Theme) -> QColor:
    """Text colour of the outcome of a finding."""
    like = {
        FindingVerdict.WORSE: Verdict.ACT,
        FindingVerdict.RESOLVED: Verdict.WITHIN,
        FindingVerdict.IMPROVED: Verdict.WITHIN,
        FindingVerdict.NOT_COMPARABLE: Verdict.NOT_JUDGED,
    }
    return theme.verdict(like[verdict]) if verdict in like else QColor(theme.text)
