"""Colours: the Okabe-Ito set (Okabe & Ito 2008) on a light and a night ground; and Qt's style."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from string import Template
from typing import Literal, get_args

from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtGui import QColor, QGuiApplication, QPalette
from PySide6.QtWidgets import QApplication

from logbench.analysis.model import Condition, Verdict
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
_HERE = Path(__file__).parent
_IMAGES = _HERE / "images"
_SHEET = Template((_HERE / "style.qss").read_text(encoding="utf-8"))
_OWN_PT = "own_point_size"

ORANGE, SKY, GREEN, YELLOW = "#E69F00", "#56B4E9", "#009E73", "#F0E442"
BLUE, VERMILION, PURPLE = "#0072B2", "#D55E00", "#CC79A7"
_CONDITIONS = {
    Condition.KEY_ON: ("#D5DAE0", "#3B4450"),
    Condition.CRANKING: ("#E3B3CD", "#7A4A68"),
    Condition.COLD_IDLE: ("#7FB8D8", "#1F5C82"),
    Condition.WARM_IDLE: ("#7CCBB4", "#0E6B52"),
    Condition.FAST_IDLE: ("#EFE58A", "#6E6A1E"),
    Condition.CRUISE: ("#B4DDF5", "#2F7FA8"),
    Condition.ACCELERATION: ("#F2CD80", "#9A6C08"),
    Condition.FULL_THROTTLE: ("#EBA878", "#A04A08"),
    Condition.FUEL_CUT: ("#C9B8E0", "#5E4A7E"),
    Condition.ENGINE_OFF: ("#F3F5F7", "#20252C"),
    Condition.GLOW: ("#F6D9B8", "#6A4A2A"),
    Condition.REGENERATION: ("#D9A6A0", "#7E2F28"),
    Condition.ELECTRIC: ("#BFE3A0", "#3F6B1A"),
    Condition.HALT: ("#DDE8D2", "#2A3A22"),
    Condition.OTHER: ("#E6E9ED", "#2E353E"),
}
_VERDICTS = {
    Verdict.WITHIN: ("#006B4E", "#3CC79E"),
    Verdict.WATCH: ("#8A5A00", ORANGE),
    Verdict.ACT: ("#B04300", "#FF8A4A"),
    Verdict.NOT_JUDGED: ("#5B6672", "#9AA5B1"),
}
"""Each on the light and on the night ground."""


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
        """Colour of that slot."""
        return QColor(self.traces[index % len(self.traces)])

    def condition(self, condition: Condition) -> QColor:
        """Ground colour of a driving condition on the ribbon."""
        return self._of(_CONDITIONS[condition])

    def verdict(self, verdict: Verdict) -> QColor:
        """Text colour of a verdict; its symbol is the second cue."""
        return self._of(_VERDICTS[verdict])

    def _of(self, colors: tuple[str, str]) -> QColor:
        light, night = colors
        return QColor(night if self.name == "night" else light)


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

    def __init__(self, choice: Choice = "system", size_percent: Size = 100) -> None:
        super().__init__()
        self.choice: Choice = choice
        """What the user chose; `system` follows the desktop."""
        self.size_percent = size_percent
        self.units = METRIC
        QGuiApplication.styleHints().colorSchemeChanged.connect(self._system_changed)
        self.apply()

    def follow(self, run: Callable[..., object]) -> None:
        """Call this whenever anything of the look has changed."""
        self.changed.connect(run)
        self.units_changed.connect(run)

    def choose(self, choice: Choice) -> None:
        """Switch the theme at once."""
        self.choice = choice
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
            application.setStyleSheet(_style_sheet(self.theme, _TITLE_PT * self.size_percent / 100))
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
        night = system_is_dark() if self.choice == "system" else self.choice == "night"
        return NIGHT if night else LIGHT

    def _system_changed(self) -> None:
        if self.choice == "system":
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


def _style_sheet(theme: Theme, title_pt: float) -> str:
    """Qt's style sheet: the template with the theme's colours."""
    return _SHEET.substitute(
        asdict(theme),
        act=theme.verdict(Verdict.ACT).name(),
        watch=theme.verdict(Verdict.WATCH).name(),
        title_pt=f"{title_pt:.1f}",
        arrow=(_IMAGES / f"arrow-{theme.name}.svg").as_posix(),
        tick=(_IMAGES / f"tick-{theme.name}.svg").as_posix(),
    )
