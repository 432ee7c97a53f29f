"""What the Live page remembers of watching and of unattended runs, over the window's settings."""

from __future__ import annotations

import json
import math
from pathlib import Path

from logbench.app.settings import Settings
from logbench.capture.messages import Unattended

MOST_HELD_MIN = 30
_HELD_MIN = 5
_MOST_CARS = 12
BUDGET_GB = (0.1, 10_000.0)
STOP_BELOW_V = (6.0, 30.0)
VOLT_EVERY_S = (1.0, 3600.0)
HEIGHT_M = (-500.0, 6000.0)
Interval = tuple[float, float]


class LiveChoices:
    """Reads give a legal value whatever the store holds; writes go through at once."""

    def __init__(self, settings: Settings) -> None:
        self._settings, self._store = settings, settings.store

    @property
    def held_min(self) -> int:
        """Minutes kept before a recording is begun, 0 to 30; 5 unless chosen."""
        return round(self._number("live/held_min", (0, MOST_HELD_MIN), _HELD_MIN))

    @held_min.setter
    def held_min(self, value: int) -> None:
        self._store.setValue("live/held_min", str(value))

    @property
    def include(self) -> bool:
        """A recording begins with the minutes kept; True unless switched off."""
        return str(self._store.value("live/include_held")) != "off"

    @include.setter
    def include(self, value: bool) -> None:
        self._store.setValue("live/include_held", "on" if value else "off")

    @property
    def height_m(self) -> float | None:
        """Height above sea level last stated; None: unknown."""
        height_m = self._number("live/height_m", HEIGHT_M, math.nan)
        return None if math.isnan(height_m) else height_m

    @height_m.setter
    def height_m(self, value: float | None) -> None:
        self._store.setValue("live/height_m", "" if value is None else str(value))

    def supported(self, link_url: str) -> frozenset[int]:
        """PIDs that the car last met over this link reports; empty when none was met."""
        try:
            pids = json.loads(str(self._store.value("live/supported") or "{}")).get(link_url, [])
            return frozenset(int(pid) for pid in pids)
        except (ValueError, TypeError, AttributeError):
            return frozenset()

    def keep_supported(self, link_url: str, pids: frozenset[int]) -> None:
        """Keep what the car over this link reports; the link met longest ago makes room."""
        try:
            kept = dict(json.loads(str(self._store.value("live/supported") or "{}")))
        except (ValueError, TypeError):
            kept = {}
        kept.pop(link_url, None)
        kept[link_url] = sorted(pids)
        self._store.setValue("live/supported", json.dumps(dict([*kept.items()][-_MOST_CARS:])))

    @property
    def days_folder(self) -> Path:
        """Where unattended recordings go: below the usual folder unless chosen."""
        text = self._store.value("live/days_folder")
        usual = self._settings.folder / "unattended"
        return Path(text) if isinstance(text, str) and text else usual

    @days_folder.setter
    def days_folder(self, value: Path) -> None:
        self._store.setValue("live/days_folder", str(value))

    @property
    def plan(self) -> Unattended:
        """Limits of an unattended run."""
        usual = Unattended()
        budget_gb = self._number("live/days_budget_gb", BUDGET_GB, usual.budget_bytes / 1e9)
        return Unattended(
            budget_bytes=round(budget_gb * 1e9),
            stop_below_v=self._number("live/days_stop_v", STOP_BELOW_V, usual.stop_below_v),
            volt_every_s=self._number("live/days_volt_s", VOLT_EVERY_S, usual.volt_every_s),
        )

    @plan.setter
    def plan(self, value: Unattended) -> None:
        self._store.setValue("live/days_budget_gb", str(value.budget_bytes / 1e9))
        self._store.setValue("live/days_stop_v", str(value.stop_below_v))
        self._store.setValue("live/days_volt_s", str(value.volt_every_s))

    def _number(self, key: str, legal: Interval, usual: float) -> float:
        try:
            value = float(str(self._store.value(key)))
        except ValueError:
            return usual
        return value if legal[0] <= value <= legal[1] else usual
