"""How far a number moves from one drive to the next of a car that nobody touched: what checks,
comparison, trend and archive hold a difference against.

A number of one drive is the car's own value, plus what this day made of it (`drive`), plus, in one
operating cell, what this day made of it there (`cell`), plus the error within the drive, which
`statistics` estimates. The first two no single drive can show. Their variances come from repeated
drives of real cars, as a scaled inverse chi-square with few degrees of freedom, because cars differ
(`repeatability.toml`); a car's own drives sharpen them by one common factor, in closed form
(conjugate: Gelman et al., Bayesian Data Analysis, 3rd ed., section 2.6; from memory). What is
unknown of the variance is paid for in Student's t, whose tails are heavier, too.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from importlib import resources

import numpy as np

from logbench.analysis.bands import distance
from logbench.analysis.findings import sentence
from logbench.analysis.model import Cap, Coverage, Finding, Verdict
from logbench.analysis.statement import Quantity, said
from logbench.analysis.statistics import NORMAL_95, Groups, Uncertainty, Values, t_quantile
from logbench.signals.units import difference_unit

SURPRISE = 3.0
"""A drive further off than this many standard deviations counts as this far: one odd day does not
make a car an odd one."""

TAILS = 10.0
"""Degrees of freedom of Student's t that days themselves are like, however many drives are known:
odd ones are more frequent than in a normal distribution. [open road data, measured: kurtosis of 4
to 5 between pairs of drives]"""

TINY = 1e-12
"""A variance that is none."""

WELL_KNOWN = 60.0
"""Degrees of freedom of what many samples within a drive show."""

BACKFITS = 8
"""Turns between the cells' usual values and the drives' offsets; they have settled by then."""


@dataclass(frozen=True, slots=True)
class Scatter:
    """Standard deviation of a number between drives of one untouched car: of the whole drive, and
    of a cell beside it, both in the number's unit, plus `relative` and `cell_relative` of its size;
    known like a variance of `degrees` degrees of freedom. `drives` of the car itself are in it.
    Numbers of one `family` are one piece of evidence. Not `known`: a guess. `of_drive`: what one
    drive showed is enough to act on, whatever the next one shows. `tails`: as `TAILS`.
    """

    drive: float
    cell: float = 0.0
    relative: float = 0.0
    degrees: float = 8.0
    basis: str = ""
    family: str = ""
    known: bool = True
    of_drive: bool = False
    tails: float = TAILS
    drives: int = 0
    cell_relative: float = 0.0

    def at(self, level: float, extra: float = 0.0) -> Scatter:
        """The same for a number of this size, nothing relative left in it; `extra` is a further
        relative standard deviation, from outside of the drives."""
        drive = math.hypot(self.drive, math.hypot(self.relative, extra) * level)
        cell = math.hypot(self.cell, self.cell_relative * level)
        return replace(self, drive=drive, cell=cell, relative=0.0, cell_relative=0.0)

    @property
    def single(self) -> float:
        """Standard deviation of the number of one drive, in one cell."""
        return math.hypot(self.drive, self.cell)

    def error(self, drives: float = 1.0, cells: float = 0.0) -> Uncertainty:
        """That of a contrast: `drives` is the sum of the squares of the drives' weights in it,
        `cells` that of the single cells' weights."""
        variance = self.drive**2 * drives + self.cell**2 * cells
        return Uncertainty(math.sqrt(variance), self.degrees)

    def half_width(self, own_half: float | None = None) -> float:
        """Half width of the 95 % interval of what the car is like, from the number of one drive
        whose own half width is given."""
        own = 0.0 if own_half is None or not math.isfinite(own_half) else own_half
        return math.hypot(own, t_quantile(self.degrees) * self.single)

    def detectable(self, before: int, after: int, own_se: float = 0.0) -> float:
        """The size of a true change that so many drives of each side would show four times in five,
        at the 5 % level; `own_se` is the standard error within one drive."""
        variance = (self.single**2 + own_se**2) * (1.0 / before + 1.0 / after)
        quantiles = t_quantile(self.degrees) + t_quantile(self.degrees, 0.8)
        return quantiles * math.sqrt(variance)

    def sharpened(self, offsets: Values, variances: Values) -> Scatter:
        """Learned from the car's own drives. `offsets`, (m,): each drive's number less the car's
        median; `variances`, (m,): of each, as they would be by this scatter, error within the drive
        included."""
        m = len(offsets)
        if m < 2:
            return self
        ratio = np.minimum(offsets**2 / variances, SURPRISE**2) * m / (m - 1)
        total = self.degrees + m - 1
        seen = (self.tails - 2.0) / self.tails * float(ratio.mean()) * (m - 1)
        factor = math.sqrt((self.degrees + seen) / total)
        return replace(
            self,
            drive=self.drive * factor,
            cell=self.cell * factor,
            relative=self.relative * factor,
            cell_relative=self.cell_relative * factor,
            degrees=max(self.degrees, min(total, self.tails)),
            drives=self.drives + m,
        )


@dataclass(frozen=True, slots=True)
class CellMeans:
    """One quantity's means in the cells of some drives, (k,) each: `drive` and `cell` number them,
    `variance` is the error within the drive, in the unit squared."""

    drive: Groups
    cell: Groups
    mean: Values
    variance: Values

    def sharpen(self, scatter: Scatter) -> Scatter:
        """`scatter`, learned from these drives of one car: each drive's mean distance from what is
        usual in its cells counts as one observation."""
        drives, r = np.unique(self.drive, return_inverse=True)
        if len(drives) < 2:
            return scatter
        _, c = np.unique(self.cell, return_inverse=True)
        level = float(np.median(self.mean))
        now = scatter.at(level)
        weight = 1.0 / (now.cell**2 + self.variance + TINY)
        seen = np.bincount(r, weight)
        spread = now.drive**2 + 1.0 / seen
        offset = np.zeros(len(drives))
        for _ in range(BACKFITS):
            pull = weight / (1.0 + weight * spread[r])
            usual = np.bincount(c, pull * (self.mean - offset[r])) / np.bincount(c, pull)
            offset = np.bincount(r, weight * (self.mean - usual[c])) / seen
            offset -= np.median(offset)
        shared = np.bincount(r, np.bincount(c)[c] > 1) > 0
        return scatter.sharpened(offset[shared], spread[shared])


def spread_of_drives(scatter: Scatter, values: Values, halves: Values) -> Scatter:
    """`scatter` of a finding's number, learned from the car's own drives: its values, (m,), and the
    half widths of their 95 % intervals within the drive, NaN where not known."""
    good = np.isfinite(values)
    if np.count_nonzero(good) < 2:
        return scatter
    x, own = values[good], np.nan_to_num(halves[good]) / NORMAL_95
    now = scatter.at(float(np.median(x)))
    variance = now.single**2 + own**2 + TINY
    return scatter.sharpened(x - float(np.median(x)), variance)


@dataclass(frozen=True, slots=True)
class MeanOfDrives:
    """The car's number out of that of one or more drives, with the half width that is left of their
    own errors and the sum of the squares of their weights."""

    mean: float
    own_half: float
    squares: float

    def own(self) -> Uncertainty:
        """The error within the drives."""
        return Uncertainty(self.own_half / NORMAL_95, WELL_KNOWN)


def mean_of_drives(scatter: Scatter, values: Values, halves: Values) -> MeanOfDrives:
    """Of drives' numbers, (m,), with the half widths of each, NaN where not known: each weighs by
    what is between and within drives."""
    now = scatter.at(float(np.mean(values)))
    own = np.nan_to_num(halves)
    weight = 1.0 / (now.single**2 + (own / NORMAL_95) ** 2 + TINY)
    weight /= weight.sum()
    half = float(np.sqrt(np.sum((weight * own) ** 2)))
    return MeanOfDrives(float(weight @ values), half, float(weight @ weight))


# --- what is known of which number ---


@dataclass(frozen=True, slots=True)
class Repeats:
    """What is known of numbers between drives of one car: `own`, learned from its own drives, by
    acronym or by heading of a finding; else what is known of cars, of those whose engine ignites by
    `compression` or of others."""

    own: Mapping[str, Scatter] = field(default_factory=dict)
    compression: bool = False

    def of(self, number: str) -> Scatter:
        """That of one number."""
        return self.own.get(number) or prior(number, self.compression)

    def of_engine(self, compression: bool) -> Repeats:
        """The same of a car whose engine ignites by compression, or does not."""
        return replace(self, compression=compression)


OF_CARS = Repeats()
"""Without any drives of the car itself."""


@lru_cache(maxsize=1024)
def prior(number: str, compression: bool = False) -> Scatter:
    """What is known of a number of any car with such an engine; a guess where nothing is."""
    plain = _BANK.sub("", number)
    found = next(
        scatter
        for names, only, scatter in _rows()
        if names.fullmatch(plain) and (compression or not only)
    )
    return found if found.family else replace(found, family=plain)


_BANK = re.compile(r"(?<=: )bank \d,? ")


_SIZES = ("drive", "cell", "relative", "cell_relative")


@lru_cache(maxsize=1)
def _rows() -> list[tuple[re.Pattern[str], bool, Scatter]]:
    """Names, whether of compression ignition only, and what is known; in the order of the file."""
    text = resources.files("logbench.analysis").joinpath("repeatability.toml").read_text("utf-8")
    read = tomllib.loads(text)
    found = []
    for row in read["rows"]:
        source = read["sources"][row["of"]]
        degrees = row.get("degrees", source["degrees"])
        scale = math.sqrt((degrees - 2.0) / degrees)  # the file has standard deviations
        drive, cell, relative, cell_relative = (scale * row.get(name, 0.0) for name in _SIZES)
        names = re.compile("|".join(f"(?:{name})" for name in row["names"]))
        scatter = Scatter(
            drive,
            cell,
            relative,
            degrees,
            source["basis"],
            row["family"],
            source.get("known", True),
            row.get("of_drive", False),
            row.get("degrees", TAILS),
            cell_relative=cell_relative,
        )
        found.append((names, row.get("compression", False), scatter))
    return found


def of_car(findings: Sequence[Finding], repeats: Repeats) -> list[Finding]:
    """The findings of one check, with the interval of what the car is like; at most `watch` where
    that does not lie wholly beyond the limit to act. What is said in words of the check's numbers
    says no more than they do."""
    found = [_of_car(finding, repeats) for finding in findings]
    caps = [f.cap for f, was in zip(found, findings, strict=True) if f.verdict is not was.verdict]
    if not caps or any(f.verdict is Verdict.ACT and f.value is not None for f in found):
        return found
    return [
        replace(f, verdict=Verdict.WATCH, cap=caps[0]) if f.verdict is Verdict.ACT else f
        for f in found
    ]


def _of_car(finding: Finding, repeats: Repeats) -> Finding:
    scatter, band, value = repeats.of(finding.heading), finding.band, finding.value
    judged = finding.coverage is Coverage.JUDGED
    if value is None or band is None or not judged or not scatter.known:
        return finding
    half = scatter.at(value).half_width(finding.uncertainty)
    by = Quantity(half, difference_unit(finding.unit))
    sure = distance(band, value, half).verdict is Verdict.ACT
    if sure or scatter.of_drive or finding.verdict is not Verdict.ACT:
        remarks = finding.remarks
        if finding.verdict.severity:
            remarks = (*remarks, said("of the car, ±{by} from drive to drive", by=by))
        found = replace(finding, of_car=half, remarks=remarks)
    else:
        why = said("the next drive of an untouched car may give up to {by} less or more", by=by)
        cap = Cap(Verdict.WATCH, why)
        found = replace(finding, of_car=half, verdict=Verdict.WATCH, cap=cap)
    return replace(found, reason=sentence(found)) if found.verdict.severity else found
