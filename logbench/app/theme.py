"""Colours: the Okabe-Ito set (Okabe & Ito 2008) on a light and a night ground."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Literal, get_args

from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtGui import QColor, QGuiApplication, QPalette
from PySide6.QtWidgets import QApplication

from logbench.analysis.model import Condition, Verdict
from logbench.app.style import style_sheet
from logbench.cases.settings import Size
from logbench.cases.settings import Theme as Choice
from logbench.signals.units import METRIC, Units
from logbench.words import tr

CHOICES: tuple[Choice, ...] = get_args(Choice)
THEME_WORDS = {
    "system": tr("as the desktop (system)"),
    "light": tr("light"),
    "night": tr("night"),
}
SIZES: dict[Size, str] = {
    100: tr("normal"),
    115: tr("larger"),
    130: tr("large"),
    150: tr("very large"),
}
"""Sizes of texts, in percent of the desktop's own."""
_TITLE_PT = 15
_OWN_PT = "own_point_size"

ORANGE, SKY, GREEN, YELLOW = "#E69F00", "#56B4E9", "#009E73", "#F0E442"
BLUE, VERMILION, PURPLE = "#0072B2", "#D55E00", "#CC79A7"


@dataclass(frozen=True)
class Theme:
    """All colours of one look, as `#RRGGBB`."""

    name: Literal["light", "night"]
    window: str
    panel: str
    plot: str
    text: str
    muted: str
    line: str
    grid: str
    accent: str
    on_accent: str
    traces: tuple[str, ...]
    shade: str
    """Evidence and spans, drawn under the traces."""
    cursor: str

    def trace(self, index: int) -> QColor:
        """Colour of the n-th trace of a strip."""
        return QColor(self.traces[index % len(self.traces)])

    def condition(self, condition: Condition) -> QColor:
        """Ground colour of a driving condition on the ribbon."""
        night = {
            Condition.KEY_ON: "#3B4450", Condition.CRANKING: "#7A4A68",
            Condition.COLD_IDLE: "#1F5C82", Condition.WARM_IDLE: "#0E6B52",
            Condition.FAST_IDLE: "#6E6A1E", Condition.CRUISE: "#2F7FA8",
            Condition.ACCELERATION: "#9A6C08", Condition.FULL_THROTTLE: "#A04A08",
            Condition.FUEL_CUT: "#5E4A7E", Condition.ENGINE_OFF: "#20252C",
            Condition.OTHER: "#2E353E",
        }  # fmt: skip
        light = {
            Condition.KEY_ON: "#D5DAE0", Condition.CRANKING: "#E3B3CD",
            Condition.COLD_IDLE: "#7FB8D8", Condition.WARM_IDLE: "#7CCBB4",
            Condition.FAST_IDLE: "#EFE58A", Condition.CRUISE: "#B4DDF5",
            Condition.ACCELERATION: "#F2CD80", Condition.FULL_THROTTLE: "#EBA878",
            Condition.FUEL_CUT: "#C9B8E0", Condition.ENGINE_OFF: "#F3F5F7",
            Condition.OTHER: "#E6E9ED",
        }  # fmt: skip
        return QColor((night if self.name == "night" else light)[condition])

    def verdict(self, verdict: Verdict) -> QColor:
        """Text colour of a verdict; its symbol is the second cue."""
        light = {"within": "#006B4E", "watch": "#8A5A00", "act": "#B04300", "not judged": "#5B6672"}
        night = {"within": "#3CC79E", "watch": ORANGE, "act": "#FF8A4A", "not judged": "#9AA5B1"}
        return QColor((night if self.name == "night" else light)[verdict.value])


VERDICT_SYMBOLS = {
    Verdict.WITHIN: "●",
    Verdict.WATCH: "▲",
    Verdict.ACT: "■",
    Verdict.NOT_JUDGED: "○",
}

LIGHT = Theme(
    name="light", window="#F2F4F6", panel="#FFFFFF", plot="#FFFFFF", text="#1A2027",
    muted="#57626E", line="#C3CAD2", grid="#E7EAEE", accent=BLUE, on_accent="#FFFFFF",
    traces=(BLUE, VERMILION, GREEN, PURPLE, "#B27B00", "#1A2027", "#2E8FC9"),
    shade="#F6E3B4", cursor="#1A2027",
)  # fmt: skip
NIGHT = Theme(
    name="night", window="#12161B", panel="#1A2027", plot="#0D1115", text="#E4E9EE",
    muted="#9AA5B1", line="#39434E", grid="#1D242B", accent=SKY, on_accent="#0D1115",
    traces=(SKY, ORANGE, "#1DBE8F", PURPLE, YELLOW, "#F58A3C", "#E4E9EE"),
    shade="#3A3214", cursor="#E4E9EE",
)  # fmt: skip


class Look(QObject):
    """Theme, size of texts and units in force. `changed` is sent after the application's palette
    and font were set."""

    changed = Signal(object)
    units_changed = Signal(object)

    def __init__(
        self, choice: Choice = "system", size_percent: Size = 100, parent: QObject | None = None
    ) -> None:
        super().__init__(parent)
        self._choice: Choice = choice
        self.size_percent = size_percent
        self.units = METRIC
        self.theme = self._resolve()
        hints = QGuiApplication.styleHints()
        hints.colorSchemeChanged.connect(self._system_changed)
        self.apply()

    @property
    def choice(self) -> Choice:
        """What the user chose."""
        return self._choice

    def choose(self, choice: Choice) -> None:
        """Switch the theme at once; `system` follows the desktop."""
        self._choice = choice
        self.apply()

    def choose_size(self, percent: Size) -> None:
        """Write texts at one of `SIZES` from now on."""
        self.size_percent = percent
        self.apply()

    def choose_units(self, us: bool) -> None:
        """Show metric or US units from now on."""
        self.set_units(Units(us))

    def set_units(self, units: Units) -> None:
        """Show these units from now on."""
        self.units = units
        self.units_changed.emit(units)

    def apply(self) -> None:
        """Set palette and style sheet of the application."""
        self.theme = self._resolve()
        application = QApplication.instance()
        if isinstance(application, QApplication):
            self._set_font(application)
            application.setPalette(_palette(self.theme))
            title_pt = f"{_TITLE_PT * self.size_percent / 100:.1f}"
            words = _words(self.theme) | {"title_pt": title_pt}
            application.setStyleSheet(style_sheet(words))
        self.changed.emit(self.theme)

    def _set_font(self, application: QApplication) -> None:
        """The desktop's own font at the size chosen; it is kept with the application, which
        outlives a window."""
        kept = application.property(_OWN_PT)
        own_pt = float(kept) if kept else application.font().pointSizeF()
        application.setProperty(_OWN_PT, own_pt)
        font = application.font()
        wanted_pt = own_pt * self.size_percent / 100
        if own_pt > 0 and abs(font.pointSizeF() - wanted_pt) > 0.01:
            font.setPointSizeF(wanted_pt)
            application.setFont(font)

    def _resolve(self) -> Theme:
        if self._choice == "light":
            return LIGHT
        if self._choice == "night":
            return NIGHT
        return NIGHT if system_is_dark() else LIGHT

    def _system_changed(self) -> None:
        if self._choice == "system":
            self.apply()


def system_is_dark() -> bool:
    """Whether the desktop asks for dark windows."""
    return QGuiApplication.styleHints().colorScheme() == Qt.ColorScheme.Dark


def _palette(theme: Theme) -> QPalette:
    palette = QPalette()
    role = QPalette.ColorRole
    for which, color in (
        (role.Window, theme.window), (role.WindowText, theme.text), (role.Base, theme.panel),
        (role.AlternateBase, theme.window), (role.Text, theme.text), (role.Button, theme.panel),
        (role.ButtonText, theme.text), (role.ToolTipBase, theme.panel),
        (role.ToolTipText, theme.text), (role.Highlight, theme.accent),
        (role.HighlightedText, theme.on_accent), (role.Link, theme.accent),
        (role.PlaceholderText, theme.muted), (role.Mid, theme.line), (role.Dark, theme.line),
        (role.Accent, theme.accent),
    ):  # fmt: skip
        palette.setColor(which, QColor(color))
    for which in (role.WindowText, role.Text, role.ButtonText):
        palette.setColor(QPalette.ColorGroup.Disabled, which, QColor(theme.muted))
    return palette


def _words(theme: Theme) -> dict[str, str]:
    """The colours that the style sheet names."""
    words = {f.name: str(getattr(theme, f.name)) for f in fields(theme)}
    return words | {"act": theme.verdict(Verdict.ACT).name()}
