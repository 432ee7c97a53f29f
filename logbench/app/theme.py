"""Colors: the Okabe-Ito set (Okabe & Ito 2008) on a light and a night ground; a look for glare and
gloves; sizes of controls; and Qt's style."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from string import Template
from typing import Literal, get_args

from PySide6.QtCore import QObject, Qt, Signal
from PySide6.QtGui import QColor, QGuiApplication, QPalette, QScreen
from PySide6.QtWidgets import QApplication, QWidget

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
    "roadside": tr("roadside: sunlight and gloves"),
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
    """All colors of one look, as `#RRGGBB`."""

    name: Literal["light", "night", "roadside"]
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
        """Color of that slot."""
        return QColor(self.traces[index % len(self.traces)])

    def condition(self, condition: Condition) -> QColor:
        """Ground color of a driving condition on the ribbon."""
        return self._of(_CONDITIONS[condition])

    def verdict(self, verdict: Verdict) -> QColor:
        """Text color of a verdict; its symbol is the second cue."""
        return self._of(_VERDICTS[verdict])

    def _of(self, colors: tuple[str, str]) -> QColor:
        light, night = colors
        if self.name == "roadside":
            return _GLARE.get(light, QColor(light))
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
ROADSIDE = Theme(
    name="roadside", window="#FFFFFF", panel="#FFFFFF", plot="#FFFFFF", text="#000000",
    muted="#2B2F34", line="#4A5159", grid="#D5DADF", accent="#003E73", on_accent="#FFFFFF",
    traces=("#004F8C", "#A83A00", "#00634A", "#8E3D6A", "#755000", "#000000", "#1A5F8A"),
    shade="#FFD75E", cursor="#000000",
)  # fmt: skip
"""Black on white, and every line dark: what can be read with the sun on the screen."""
_GLARE = {
    _VERDICTS[verdict][0]: QColor(color)
    for verdict, color in (
        (Verdict.WITHIN, "#00543D"),
        (Verdict.WATCH, "#694400"),
        (Verdict.ACT, "#8F2F00"),
        (Verdict.NOT_JUDGED, "#2B2F34"),
    )
}
_TARGET_MM, _LEAST_TARGET_PX, _MOST_TARGET_PX = 15.0, 56, 110
"""Of what a gloved finger presses; in pixels, where a screen tells no size that can be."""
_CREDIBLE_DPI = (60.0, 300.0)
_MM_PER_INCH = 25.4
_TARGET = "target_px"
_HEIGHTS = {"control": 36, "primary": 50, "page": 44, "tab": 38, "item": 34}
_TICK_PX, _BAR_PX = 18, 14
"""Heights of controls, ticks and scroll bars at the desk, at the normal size of texts."""
_EDGES_PX = 6
"""What the style sheet adds to a control's height."""


def target_px(physical_dpi: float, logical_dpi: float) -> int:
    """Pixels of 15 mm on a screen with so many pixels an inch as it says, at least the floor. What
    no screen can have counts as a lie: then the desktop's own figure."""
    low, high = _CREDIBLE_DPI
    dpi = physical_dpi if low <= physical_dpi <= high else logical_dpi
    wanted = round(_TARGET_MM / _MM_PER_INCH * dpi)
    return min(max(wanted, _LEAST_TARGET_PX), _MOST_TARGET_PX)


def row_px(desk_px: int) -> int:
    """Height of a row of a table now: so much at the desk at the normal size of texts."""
    application = QApplication.instance()
    kept = application.property(_TARGET) if application is not None else None
    scale, least = kept or (1.0, 0)
    return max(round(desk_px * scale), least)


class Look(QObject):
    """Theme, size of texts and units in force. `changed` is sent after the application's palette
    and font were set."""

    changed = Signal(object)
    units_changed = Signal(object)

    def __init__(
        self, choice: Choice = "system", size_percent: Size = 100, of: QWidget | None = None
    ) -> None:
        """`of`: the window it is for, and with which it ends; else it is for all there is, and the
        system's theme is followed for ever."""
        super().__init__(of)
        self._of = of
        self.choice: Choice = choice
        """What the user chose; `system` follows the desktop."""
        self.size_percent = size_percent
        self.units = METRIC
        self._at_desk: Choice = "system" if choice == "roadside" else choice
        self._screen = QGuiApplication.primaryScreen()
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

    @property
    def roadside(self) -> bool:
        """For sunlight and gloves."""
        return self.choice == "roadside"

    def choose_roadside(self, on: bool) -> None:
        """The roadside look, or the one before."""
        if on and not self.roadside:
            self._at_desk = self.choice
        self.choose("roadside" if on else self._at_desk)

    def set_screen(self, screen: QScreen) -> None:
        """The window is on this screen now."""
        self._screen = screen
        if self.roadside:
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
        """Set palette and font of the application, and the style sheet of the window: Qt looks
        anew at all parts of a part that is put in where the application has one, which makes a
        window three times as slow to build."""
        self.theme = self._resolve()
        application = QApplication.instance()
        if isinstance(application, QApplication):
            self._set_font(application)
            application.setPalette(_palette(self.theme))
            scale, least = self.size_percent / 100, self.target_px
            application.setProperty(_TARGET, (scale, least))
            (self._of or application).setStyleSheet(_style_sheet(self.theme, scale, least))
        self.changed.emit(self.theme)

    @property
    def target_px(self) -> int:
        """What every control is high and wide at least; 0 at the desk."""
        screen = self._screen
        if not self.roadside or screen is None:
            return 0
        return target_px(screen.physicalDotsPerInch(), screen.logicalDotsPerInch())

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
        if self.choice == "roadside":
            return ROADSIDE
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


def _style_sheet(theme: Theme, scale: float, least_px: int) -> str:
    """Qt's style sheet: the template with the theme's colors and the sizes of controls."""
    drawn = "night" if theme.name == "night" else "light"
    heights = {
        name: f"{max(round(px * scale), least_px) - _EDGES_PX}px" for name, px in _HEIGHTS.items()
    }
    return _SHEET.substitute(
        asdict(theme),
        **heights,
        tick=f"{max(round(_TICK_PX * scale), least_px // 2)}px",
        bar=f"{max(_BAR_PX, least_px // 2)}px",
        act=theme.verdict(Verdict.ACT).name(),
        watch=theme.verdict(Verdict.WATCH).name(),
        title_pt=f"{_TITLE_PT * scale:.1f}",
        arrow=(_IMAGES / f"arrow-{drawn}.svg").as_posix(),
        ticked=(_IMAGES / f"tick-{drawn}.svg").as_posix(),
    )
