"""Rule-of-thumb bands: read, checked, overridden by the user's own file, and applied.

A user's file may also hold checks of its own, an expression, the condition it needs, a band:

```toml
[check.charge_pressure]
title = "Charge pressure at full throttle"
value = "MAP - BARO"
unit = "kPa"
condition = ["wide-open throttle"]
within = [60, 120]
watch = [40, 140]
basis = "workshop manual, page 12"
```
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal, Self, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from logbench.analysis.expression.checked import in_unit, number
from logbench.analysis.model import Band, Condition, Range, Verdict
from logbench.analysis.statement import marked
from logbench.errors import BandsError, UsageError
from logbench.signals.units import difference_unit
from logbench.system.limits import TABLES_BYTES
from logbench.system.platforms import config_home
from logbench.system.reading import read_plain, toml_of


class BandRow(BaseModel):
    """What every band in a file has: title, unit, two ranges (infinite ends are open), basis; it
    may have `plain`, `drawn_on` and `watch_at_most` (see `Band`)."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    title: str = Field(min_length=1)
    unit: str = ""
    within: tuple[float, float]
    watch: tuple[float, float]
    basis: str = Field(min_length=1)
    plain: str = ""
    drawn_on: str = ""
    watch_at_most: str = ""

    @model_validator(mode="after")
    def _nested(self) -> Self:
        for name, (low, high) in (("within", self.within), ("watch", self.watch)):
            if math.isnan(low) or math.isnan(high) or low > high:
                raise ValueError(f"{name} must be [low, high] with low <= high")
        if self.watch[0] > self.within[0] or self.watch[1] < self.within[1]:
            raise ValueError("watch must contain within")
        return self

    def band(self, key: str) -> Band:
        """The same as a `Band`, infinite ends as None, the basis in words."""
        ends = (None if math.isinf(x) else x for x in (*self.within, *self.watch))
        low, high, lowest, highest = ends
        return Band(
            key,
            marked(self.title),
            self.unit,
            (low, high),
            (lowest, highest),
            marked(basis_in_words(self.basis)),
            self.plain,
            self.drawn_on,
            self.watch_at_most,
        )


R = TypeVar("R", bound=BandRow)


class OwnCheck(BandRow):
    """One check of the user's own, a table `[check.key]`."""

    key: str = Field(pattern=r"^[a-z][a-z0-9_]*$")
    value: str = Field(min_length=1)
    """An expression over signals: docs/expressions.md."""
    condition: tuple[Condition, ...] = ()
    """Driving conditions it needs; none given: any."""
    warm: bool = True
    steady: bool = True
    """Only where the engine has been steady for three seconds; not for full throttle."""
    statistic: Literal["mean", "minimum", "maximum"] = "mean"
    least_seconds: float = Field(default=5.0, ge=0.0)
    causes: tuple[str, ...] = ()
    next_steps: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _computed(self) -> Self:
        try:
            in_unit(number(self.value), self.unit)
        except UsageError as error:
            raise ValueError(str(error)) from None
        return self


@dataclass(frozen=True, slots=True)
class Bands:
    """All bands by key."""

    by_key: Mapping[str, Band]
    own: tuple[OwnCheck, ...] = ()
    """The user's own checks, from the same file."""

    def __getitem__(self, key: str) -> Band:
        """The band of that key; KeyError is a bug of ours, keys are written in the checks."""
        return self.by_key[key]

    def __iter__(self) -> Iterator[Band]:
        return iter(self.by_key.values())


def load_bands(user_file: Path | None = None) -> Bands:
    """The program's bands, with the fields that `user_file` names replaced.

    Raises BandsError, naming file, key, field and what is legal, when the file is missing, is not
    TOML, names an unknown band or field, or has no range there. Tables `[check.name]` are
    the user's own checks.
    """
    rows = dict(_built_in())
    own: tuple[OwnCheck, ...] = ()
    if user_file is not None:
        for key, fields in _read(user_file).items():
            if key == "check":
                own = _own_checks(user_file, fields)
                continue
            if key not in rows:
                near = difflib.get_close_matches(key, rows, n=3, cutoff=0.5)
                known = f"known: {', '.join(sorted(rows))}."
                hint = f"did you mean {' or '.join(near)}?" if near else known
                raise BandsError(f"{user_file}: there is no band '{key}'; {hint}")
            if not isinstance(fields, dict):
                raise BandsError(f"{user_file}: '{key}' must be a table such as [{key}].")
            rows[key] = _override(user_file, key, rows[key], fields)
    return Bands({key: row.band(key) for key, row in rows.items()}, own)


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits that hold for this user: `bands` with the own checks, the `file` they were changed
    by (None: none), and the sentence to show where that file is there but wrong."""

    bands: Bands
    file: Path | None = None
    problem: str = ""


def own_limits_path() -> Path:
    """Where the user's own limits and checks are looked for when no file is named."""
    return config_home() / "own_limits.toml"


def load_limits(user_file: Path | None = None) -> Limits:
    """The limits of every front end: the program's bands, changed by `user_file` or, where none is
    named, by the file at `own_limits_path`, if there is one.

    A named file that is wrong raises BandsError, as in `load_bands`: whoever names it wants it. One
    at the usual place that is wrong leaves the program's own bands and says so in `problem`.
    """
    if user_file is not None:
        return Limits(load_bands(user_file), user_file)
    usual = own_limits_path()
    if not usual.is_file():
        return Limits(load_bands())
    try:
        return Limits(load_bands(usual), usual)
    except BandsError as error:
        return Limits(load_bands(), usual, f"{error} The program's own limits are used instead.")


_TAG = re.compile(r"(^|; )?\[([^\]]+)\]( (?=[^;\s])|)")
_TAG_WORDS = {
    "CP": "rule of thumb of the trade",
    "Weak": "teaching material",
    "Calc": "worked out",
}


def basis_in_words(basis: str) -> str:
    """The band file's tags in words for outsiders: `[CP] 10 to 15` is `rule of thumb of the trade:
    10 to 15`."""

    def words(tag: str) -> str:
        kind, _, source = tag.partition(": ")
        if not source:
            return _TAG_WORDS.get(kind, kind)
        return {
            "Pub": f"published: {source}",
            "Weak": f"teaching material: {source}",
            "Mem": f"after {source}, not compared with its text",
            "Calc": f"worked out: {source}",
        }.get(kind, tag)

    def spelled(match: re.Match[str]) -> str:
        begins, tags, before_text = match[1], match[2], match[3]
        text = " and ".join(words(tag) for tag in tags.split("; "))
        if begins is None:  # behind what it vouches for
            return f"({text}){before_text}"
        return f"{begins}{text}{': ' if before_text else ''}"

    return _TAG.sub(spelled, basis)


class Distance(Enum):
    """Where a number lies, as far as its interval lets one say."""

    WITHIN = Verdict.WITHIN, ""
    LITTLE = Verdict.WATCH, "a little "
    """Outside, but by less than half of the way to the limit of `watch`."""
    OUTSIDE = Verdict.WATCH, ""
    """Outside, and not surely beyond the limit of `watch`."""
    BEYOND = Verdict.ACT, ""
    """Beyond the limit of `watch`; how sure that is, is not known."""
    SURELY = Verdict.ACT, "surely "
    """Beyond the limit of `watch` with its whole interval."""
    UNCERTAIN = Verdict.NOT_JUDGED, ""
    """Anything from within to beyond the limit of `watch`, or no number at all."""

    @property
    def verdict(self) -> Verdict:
        """What it means where nothing caps it."""
        return self.value[0]

    @property
    def how(self) -> str:
        """The word before `outside`, `above`, `below`."""
        return self.value[1]


def distance(band: Band, value: float, uncertainty: float | None = None) -> Distance:
    """Where `value`, with the half width of its 95 % interval, lies.

    `SURELY` only where the whole interval lies outside the watch range. An interval that reaches
    from inside `within` to outside `watch`, and a value that is not finite, are `UNCERTAIN`.
    """
    if not math.isfinite(value):
        return Distance.UNCERTAIN
    known = uncertainty is not None and math.isfinite(uncertainty)
    half = uncertainty if uncertainty is not None and known else 0.0
    maybe_within = _reaches(band.within, value - half, value + half)
    maybe_act = not all(_reaches(band.watch, end, end) for end in (value - half, value + half))
    if maybe_within and maybe_act:
        return Distance.UNCERTAIN
    if _reaches(band.within, value, value):
        return Distance.WITHIN
    if not _reaches(band.watch, value - half, value + half):
        return Distance.SURELY if known else Distance.BEYOND
    near, far = ends_beside(band, value)
    little = far is not None and abs(value - near) < abs(far - near) / 2.0
    return Distance.LITTLE if little else Distance.OUTSIDE


def ends_beside(band: Band, value: float) -> tuple[float, float | None]:
    """The ends of `within` and of `watch` on the side on which `value` lies outside."""
    low, high = band.within
    if high is not None and value > high:
        return high, band.watch[1]
    return (math.nan if low is None else low), band.watch[0]


def judge(band: Band, value: float, uncertainty: float | None = None) -> Verdict:
    """What `distance` means."""
    return distance(band, value, uncertainty).verdict


def _reaches(limits: Range, start: float, end: float) -> bool:
    """Whether any of start..end lies in the range."""
    low, high = limits
    return (low is None or end >= low) and (high is None or start <= high)


@lru_cache(maxsize=1)
def _built_in() -> Mapping[str, BandRow]:
    """The rows of the file that comes with the program."""
    data = resources.files("logbench.analysis").joinpath("bands.toml").read_bytes()
    return {key: BandRow.model_validate(row) for key, row in toml_of(data).items()}


def _read(path: Path) -> dict[str, Any]:
    try:
        return toml_of(read_plain(path, TABLES_BYTES))
    except FileNotFoundError:
        raise BandsError(
            f"The band file {path} does not exist; check the path or leave it out."
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise BandsError(
            f"The band file {path} cannot be read ({error}); it must be a UTF-8 text file."
        ) from error
    except ValueError as error:
        raise BandsError(f"The band file {path} is not valid TOML: {error}.") from error


def _override(path: Path, key: str, row: BandRow, fields: dict[str, Any]) -> BandRow:
    merged = row.model_dump() | fields
    if row.unit == difference_unit(merged["unit"]):  # a difference stays one
        merged["unit"] = row.unit
    if "basis" not in fields and ("within" in fields or "watch" in fields):
        merged["basis"] = f"the user's own file {path.name}; before: {row.basis}"
    has = "a band has title, unit, within = [low, high], watch = [low, high] around it, and basis"
    return _validated(BandRow, merged, f"{path}: {key}", has)


def _own_checks(path: Path, tables: Any) -> tuple[OwnCheck, ...]:
    """The tables `[check.name]` of a user's file."""
    if not isinstance(tables, dict) or not all(isinstance(t, dict) for t in tables.values()):
        raise BandsError(f"{path}: own checks are tables such as [check.my_check].")
    has = "an own check has title, value, unit, condition, within, watch and basis"
    return tuple(
        _validated(OwnCheck, {"key": key, **fields}, f"{path}: check.{key}", has)
        for key, fields in tables.items()
    )


def _validated(kind: type[R], fields: dict[str, Any], where: str, has: str) -> R:
    """The row of these fields; BandsError with the first thing that is wrong, on one line."""
    try:
        return kind.model_validate(fields)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join([where, *(str(part) for part in first["loc"])])
        problem = " ".join(str(first["msg"]).removeprefix("Value error, ").split())
        raise BandsError(f"{place}: {problem} ({has}).") from error
