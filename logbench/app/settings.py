"""What the window remembers between starts, as typed values over Qt's settings store."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from PySide6.QtCore import QByteArray, QSettings

from logbench.app.theme import CHOICES, SIZES, Choice
from logbench.signals.units import Units, units_from

_MOST_LINKS = 6
_MOST_RECENT = 8
_MOST_LAYOUTS = 60


class Settings:
    """Reads give a usable value whatever the store holds; writes go through at once."""

    def __init__(self, store: QSettings | None = None) -> None:
        self._store = QSettings("logbench", "logbench") if store is None else store

    @property
    def store(self) -> QSettings:
        """Where they are kept, for the values of a page that keeps its own."""
        return self._store

    # --- look ---

    @property
    def theme(self) -> Choice:
        """`system` (the default), `light` or `night`."""
        value = self._text("look/theme")
        return next((c for c in CHOICES if c == value), "system")

    @theme.setter
    def theme(self, choice: Choice) -> None:
        self._store.setValue("look/theme", choice)

    @property
    def us_units(self) -> bool:
        """US units instead of metric ones."""
        return self._text("look/units") == "us"

    @us_units.setter
    def us_units(self, value: bool) -> None:
        self._store.setValue("look/units", "us" if value else "metric")

    @property
    def own_units(self) -> list[str]:
        """Units chosen for single quantities, as `pressure=psi`."""
        return self._texts("look/own_units")

    @own_units.setter
    def own_units(self, value: list[str]) -> None:
        self._store.setValue("look/own_units", value)

    @property
    def units(self) -> Units:
        """`us_units` with the units of single quantities."""
        return units_from(self.us_units, self.own_units)

    @units.setter
    def units(self, value: Units) -> None:
        self.us_units = value.us
        self.own_units = [f"{quantity}={unit}" for quantity, unit in value.own]

    @property
    def size_percent(self) -> int:
        """Size of texts, one of `SIZES`; 100 unless chosen."""
        value = self._text("look/size_percent")
        return next((s for s in SIZES if str(s) == value), 100)

    @size_percent.setter
    def size_percent(self, value: int) -> None:
        self._store.setValue("look/size_percent", str(value))

    @property
    def geometry(self) -> QByteArray:
        """The window's place and size as Qt saved it; empty when never saved."""
        value = self._store.value("look/geometry")
        return value if isinstance(value, QByteArray) else QByteArray()

    @geometry.setter
    def geometry(self, value: QByteArray) -> None:
        self._store.setValue("look/geometry", value)

    @property
    def layouts(self) -> dict[str, str]:
        """Layouts of strips saved by name, as JSON each."""
        return self._table("layouts/named")

    @layouts.setter
    def layouts(self, value: dict[str, str]) -> None:
        self._store.setValue("layouts/named", json.dumps(value))

    def last_layout(self, of: str) -> str:
        """The layout last used for a recording (or a page), as JSON; empty when none was kept."""
        return self._table("layouts/last").get(of, "")

    def keep_layout(self, of: str, layout: str) -> None:
        """Keep a layout for a recording; the one kept longest ago makes room. Empty: forget it."""
        kept = self._table("layouts/last")
        kept.pop(of, None)
        if layout:
            kept[of] = layout
        self._store.setValue("layouts/last", json.dumps(dict(list(kept.items())[-_MOST_LAYOUTS:])))

    # --- live ---

    @property
    def links(self) -> list[str]:
        """URLs of links used, the last used first."""
        return self._texts("live/links")

    def link_used(self, url: str) -> None:
        """Put a link at the head of `links`."""
        links = [url, *(u for u in self.links if u != url)][:_MOST_LINKS]
        self._store.setValue("live/links", links)

    @property
    def purpose(self) -> str:
        """The purpose last chosen, or ``."""
        return self._text("live/purpose")

    @purpose.setter
    def purpose(self, value: str) -> None:
        self._store.setValue("live/purpose", value)

    @property
    def signals(self) -> tuple[str, ...]:
        """Acronyms last chosen by hand."""
        return tuple(self._texts("live/signals"))

    @signals.setter
    def signals(self, value: tuple[str, ...]) -> None:
        self._store.setValue("live/signals", list(value))

    @property
    def signal_sets(self) -> dict[str, tuple[str, ...]]:
        """The user's own sets: name to acronyms."""
        lines = [text.split("\t") for text in self._texts("live/sets")]
        return {line[0]: tuple(line[1:]) for line in lines if len(line) > 1}

    @signal_sets.setter
    def signal_sets(self, sets: dict[str, tuple[str, ...]]) -> None:
        self._store.setValue("live/sets", ["\t".join((n, *s)) for n, s in sets.items()])

    @property
    def rules_on(self) -> bool:
        """Whether markers are put by rule; True unless switched off."""
        return self._text("live/rules") != "off"

    @rules_on.setter
    def rules_on(self, value: bool) -> None:
        self._store.setValue("live/rules", "on" if value else "off")

    @property
    def window_s(self) -> float:
        """Width of the live strips in seconds."""
        try:
            value = float(self._text("live/window_s") or 60.0)
        except ValueError:
            return 60.0
        return value if 5.0 <= value <= 86_400.0 else 60.0

    @window_s.setter
    def window_s(self, value: float) -> None:
        self._store.setValue("live/window_s", str(value))

    @property
    def folder(self) -> Path:
        """Where recordings go: `logbench` in the user's documents unless chosen."""
        text = self._text("live/folder")
        if text:
            return Path(text)
        from platformdirs import user_documents_path

        return user_documents_path() / "logbench"

    @folder.setter
    def folder(self, value: Path) -> None:
        self._store.setValue("live/folder", str(value))

    # --- review ---

    @property
    def recent(self) -> list[Path]:
        """Recordings opened lately, the last first; those that are gone are left out."""
        return [p for p in map(Path, self._texts("review/recent")) if p.is_file()]

    def recording_opened(self, path: Path) -> None:
        """Put a recording at the head of `recent`."""
        full = str(path.resolve())
        paths = [full, *(p for p in self._texts("review/recent") if p != full)]
        self._store.setValue("review/recent", paths[:_MOST_RECENT])

    def _text(self, key: str) -> str:
        value: Any = self._store.value(key)
        return value if isinstance(value, str) else ""

    def _table(self, key: str) -> dict[str, str]:
        try:
            found = json.loads(self._text(key) or "{}")
        except (ValueError, RecursionError):
            return {}
        if not isinstance(found, dict):
            return {}
        return {k: v for k, v in found.items() if isinstance(v, str)}

    def _texts(self, key: str) -> list[str]:
        value: Any = self._store.value(key)
        if isinstance(value, str):  # Qt gives a list of one back as a string
            return [value] if value else []
        return [v for v in value if isinstance(v, str)] if isinstance(value, list) else []
