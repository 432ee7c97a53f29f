"""What the window remembers between starts: one typed model in one file, written at each change.

An unreadable file is set aside, never overwritten; a value that is not legal counts as not set;
what a newer version wrote stays in the file.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, TypeAdapter

from logbench.capture.messages import Unattended
from logbench.recording.model import legal_part
from logbench.recording.storage import read_own, replacing
from logbench.signals.units import Units, units_from
from logbench.system.limits import SETTINGS_BYTES
from logbench.system.platforms import config_home, documents_home
from logbench.system.private import make_folder, owner_only
from logbench.system.reading import json_of

SCHEMA_VERSION = 1
SETTINGS_FILE = "settings.json"
_OBJECT = TypeAdapter(dict[str, Any])
_MOST_LINKS = 6
_MOST_RECENT = 8
_MOST_LAYOUTS = 60
_MOST_CARS = 12
_MOST_PLACES = 5

Theme = Literal["system", "light", "night", "roadside"]
Size = Literal[100, 115, 130, 150]
"""Of texts, in percent of the desktop's own."""


class Settings(BaseModel):
    """Setting a value writes the file; setting an illegal one raises `ValidationError`."""

    model_config = ConfigDict(validate_assignment=True, extra="allow")

    schema_version: int = SCHEMA_VERSION
    # how it looks
    theme: Theme = "system"
    us_units: bool = False
    own_units: list[str] = []
    """Units chosen for single quantities, as `pressure=psi`."""
    size_percent: Size = 100
    geometry: str = ""
    """The window's place and size as Qt saved it, in base64; empty when never saved."""
    layouts: dict[str, str] = {}
    """Layouts of strips saved by name, as JSON each."""
    last_layouts: dict[str, str] = {}
    """The layout last used for a recording (or a page), the one kept longest ago first."""
    # Live
    links: list[str] = []
    """URLs of links used, the last used first."""
    link_pids: dict[str, list[int]] = {}
    """PIDs that the car last met over a link reports, the link met longest ago first."""
    purpose: str = ""
    signals: tuple[str, ...] = ()
    """Acronyms last chosen by hand."""
    signal_sets: dict[str, tuple[str, ...]] = {}
    """The user's own sets: name to acronyms."""
    rules_on: bool = True
    """Whether markers are put by rule."""
    speech: bool = False
    """The plan's next step and warnings are spoken."""
    driver_values: tuple[str, ...] = ()
    """Acronyms chosen for the driver's view; empty: the first that are plotted."""
    window_s: float = Field(60.0, ge=5.0, le=86_400.0)
    """Width of the live strips."""
    held_min: int = Field(5, ge=0, le=30)
    """Minutes kept before a recording is started."""
    include_held: bool = True
    """A recording starts with the minutes kept."""
    altitude_m: float | None = Field(None, ge=-500.0, le=6000.0)
    """Altitude last stated."""
    recordings_folder: Path | None = None
    second_folder: Path | None = None
    """Recordings under way are mirrored to here."""
    keep_exchanges: bool = True
    """What was sent to the car and answered is kept in recordings."""
    unattended_folder: Path | None = None
    unattended_budget_gb: float = Field(10.0, ge=0.1, le=10_000.0)
    unattended_stop_below_v: float = Field(11.9, ge=6.0, le=30.0)
    unattended_volt_every_s: float = Field(10.0, ge=1.0, le=3600.0)
    # Review, Compare, Job, Archive, report
    recent_files: list[Path] = []
    compare_places: list[Path] = []
    last_job: Path | None = None
    last_archive: str = ""
    search_page: str = ""
    """Address that trouble codes are looked up at."""
    report_shop: str = ""
    report_logo: str = ""
    report_audience: Literal["owner", "technician", "claims"] = "claims"
    report_paper: Literal["A4", "letter"] = "A4"
    report_units: Literal["metric", "us"] = "metric"
    report_language: str = Field(default="", max_length=10)
    """A key of `words.LANGUAGES`; empty: that of the window."""

    _path: Path | None = PrivateAttr(default=None)

    @classmethod
    def load(cls, path: Path | None = None) -> Self:
        """Those of a file; None: the user's. What cannot be read counts as not set."""
        file = path or config_home() / SETTINGS_FILE
        made = legal_part(cls, _read(file))
        made._path = file
        return made

    def __setattr__(self, name: str, value: Any) -> None:
        """Check a value, take it, write the file."""
        super().__setattr__(name, value)
        if name in type(self).model_fields and self._path is not None:
            _write(self._path, self.model_dump(mode="json", include={name, "schema_version"}))

    def beside(self, name: str) -> Path | None:
        """A file of this name beside that of the settings; None where these have none."""
        return None if self._path is None else self._path.with_name(name)

    @property
    def units(self) -> Units:
        """`us_units` with the units of single quantities."""
        return units_from(self.us_units, self.own_units)

    @units.setter
    def units(self, value: Units) -> None:
        self.us_units = value.us
        self.own_units = [f"{quantity}={unit}" for quantity, unit in value.own]

    def keep_layout(self, of: str, layout: str) -> None:
        """Keep a layout for a recording; the one kept longest ago makes room. Empty: forget it."""
        self.last_layouts = _newest(self.last_layouts, of, layout, _MOST_LAYOUTS)

    def link_used(self, url: str) -> None:
        """Put a link at the head of `links`."""
        self.links = _first(url, self.links, _MOST_LINKS)

    def keep_pids(self, link_url: str, pids: frozenset[int]) -> None:
        """Keep what the car over this link reports."""
        self.link_pids = _newest(self.link_pids, link_url, sorted(pids), _MOST_CARS)

    def compare_place_used(self, folder: Path) -> None:
        """Put an archive folder at the head of those that Compare looks in."""
        self.compare_places = _first(folder.resolve(), self.compare_places, _MOST_PLACES)

    def recording_opened(self, path: Path) -> None:
        """Put a recording at the head of `recent`."""
        self.recent_files = _first(path.resolve(), self.recent_files, _MOST_RECENT)

    def forget(self, gone: Sequence[Path]) -> None:
        """Remember none of these files and folders, nor what was in them."""

        def stays(path: Path) -> bool:
            return not {path, *path.parents} & set(gone)

        self.recent_files = [path for path in self.recent_files if stays(path)]
        self.compare_places = [path for path in self.compare_places if stays(path)]
        self.last_layouts = {of: one for of, one in self.last_layouts.items() if stays(Path(of))}
        if self.last_job is not None and not stays(self.last_job):
            self.last_job = None
        if self.last_archive and not stays(Path(self.last_archive)):
            self.last_archive = ""

    @property
    def recent(self) -> list[Path]:
        """Recordings opened lately, the last first; those that are gone are left out."""
        return [path for path in self.recent_files if path.is_file()]

    @property
    def archive_at_hand(self) -> str:
        """The archive that was opened last, where it is a folder of this computer that is there;
        else empty."""
        place = self.last_archive
        return place if place and "://" not in place and Path(place).is_dir() else ""

    @property
    def folder(self) -> Path:
        """Where recordings go: `logbench` in the user's documents unless chosen."""
        return self.recordings_folder or documents_home() / "logbench"

    @folder.setter
    def folder(self, value: Path) -> None:
        self.recordings_folder = value

    @property
    def days_folder(self) -> Path:
        """Where unattended recordings go: below the usual folder unless chosen."""
        return self.unattended_folder or self.folder / "unattended"

    @property
    def plan(self) -> Unattended:
        """Limits of an unattended run."""
        return Unattended(
            budget_bytes=round(self.unattended_budget_gb * 1e9),
            stop_below_v=self.unattended_stop_below_v,
            volt_every_s=self.unattended_volt_every_s,
        )


def _first(value: Any, values: list[Any], most: int) -> list[Any]:
    return [value, *(v for v in values if v != value)][:most]


def _newest(kept: dict[str, Any], key: str, value: Any, most: int) -> dict[str, Any]:
    """With this one as the newest, or without it when it is empty."""
    rest = {k: v for k, v in kept.items() if k != key}
    if value:
        rest[key] = value
    return dict(list(rest.items())[-most:])


def _read(path: Path) -> dict[str, Any]:
    """What stands in the file; one that is not a JSON object is set aside."""
    return read_own(path, SETTINGS_BYTES, lambda data: _OBJECT.validate_python(json_of(data))) or {}


def _write(path: Path, changed: dict[str, Any]) -> None:
    """Put the changed values into the file, whole or not at all; another window's others stay. A
    disk that refuses costs what would have been remembered, no more."""
    with suppress(OSError):
        make_folder(path.parent)
        with replacing(path) as part, open(part, "xb", opener=owner_only) as file:
            file.write(json.dumps(_read(path) | changed, indent=1).encode())
