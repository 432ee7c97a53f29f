"""Columns held against each other by physics: what a name promises, the readings must keep.

A barometer does not follow the load, intake air goes with speed and pressure, coolant does not
jump. Where one breaks it, the column is asked about, with the reason. Limits are those of any car:
each says where it comes from.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence

import numpy as np

from logbench.importing.guess import Guess, Values, judge_range
from logbench.importing.placeholders import are_zeros
from logbench.signals.table import table
from logbench.signals.units import convert, known

_OFTEN = 0.2
"""A loose plug makes a reading jump now and then, and is to be seen; hardly at every fifth one."""
_FEW = 10
"""So few readings prove nothing."""
_AGE_ROWS = 300
"""A reading holds for at most so many rows of the file, in which others are told."""


class Candidates:
    """The guesses of one file, and their readings side by side."""

    def __init__(self, guesses: Sequence[Guess]) -> None:
        self._guesses = guesses

    def used(self, *standards: str) -> Iterator[Guess]:
        """Those that are sure so far and have readings; of some signals of the standard, or all."""
        for guess in self._guesses:
            column = guess.map
            if not column.used or column.signal not in table() or not len(guess.numbers):
                continue
            if not standards or table().by_acronym(column.signal).standard in standards:
                yield guess

    def beside(self, guess: Guess, standard: str) -> Values | None:
        """Readings of another signal at the rows of `guess`, NaN where none is near; None without
        any such column."""
        other = next((each for each in self.used(standard) if each is not guess), None)
        if other is None:
            return None
        place = np.searchsorted(other.rows, guess.rows, side="right") - 1
        near = guess.rows - other.rows[np.maximum(place, 0)]
        return np.where((place >= 0) & (near <= _AGE_ROWS), other.values[place], np.nan)


def settle(guesses: Sequence[Guess]) -> None:
    """Suppose units where only one is possible, doubt what physics speaks against, and let at most
    one column be each signal of each ECU."""
    candidates = Candidates(guesses)
    _leave_blank_rows(guesses)
    _temperatures(candidates)
    _pressures(candidates)
    for guess in guesses:
        judge_range(guess)
    for standards, judge in _JUDGES:
        for guess in list(candidates.used(*standards)):
            reason = judge(guess, candidates)
            if reason:
                guess.doubt(*reason)
    _speed_in_us_units(candidates)
    _rivals(candidates)


_FEWEST = 3
"""Columns that a row must have to be seen to be blank."""


def _leave_blank_rows(guesses: Sequence[Guess]) -> None:
    """Rows in which everything is 0, or data of zeros, tell nothing of what a column is."""
    told = [guess for guess in guesses if len(guess.rows)]
    if len(told) < _FEWEST:
        return
    rows = np.concatenate([guess.rows for guess in told])
    zero = np.concatenate([
        (each.numbers == 0) | are_zeros(each.map.signal, each.values, 0.0) for each in told
    ])  # fmt: skip
    different, at, count = np.unique(rows, return_inverse=True, return_counts=True)
    zeros = np.bincount(at, weights=zero, minlength=len(different))
    blank = different[(count >= _FEWEST) & (zeros == count)]
    for guess in told:
        keep = ~np.isin(guess.rows, blank)
        if keep.any():
            guess.rows, guess.numbers = guess.rows[keep], guess.numbers[keep]


Reason = tuple[str, ...]
"""Why a column is doubted, then what it rather is; () where nothing speaks against it."""


def _moves(values: Values | None) -> float:
    """How far from the 5th to the 95th percentile; 0 where there are too few."""
    if values is None or np.isfinite(values).sum() < _FEW:
        return 0.0
    low, high = np.nanpercentile(values, (5, 95))
    return float(high - low)


def _jumps(guess: Guess, by: float) -> float:
    """Share of steps between neighboring readings that are larger."""
    near = np.diff(guess.rows) <= _AGE_ROWS
    step = np.abs(np.diff(guess.values))[near]
    return float((step > by).mean()) if len(step) >= _FEW else 0.0


# --- units that do not stand there ---


def _is_assumed(guess: Guess) -> bool:
    return guess.map.unit_from == "assumed"


_HOTTEST_AIR = 57.0
"""No air outside was ever hotter, degC (World Meteorological Organization: 56.7)."""
_CAP_OPENS, _NO_COOLANT = 130.0, 150.0
"""Coolant boils under its cap at the first, degC, and none is ever hotter than the second (common
practice)."""


def _temperatures(candidates: Candidates) -> None:
    """Degrees Fahrenheit where Celsius is impossible; then for all that say nothing."""
    every = [g for g in candidates.used() if table().by_acronym(g.map.signal).unit == "degC"]
    silent = [guess for guess in every if _is_assumed(guess)]
    reasons = ["other temperatures are in it" for g in every if known(g.map.unit) == "degF"]
    for guess in silent:
        top = float(np.percentile(guess.numbers, 98))
        coolant = guess.map.signal in {"ECT", "ECT1", "ECT2"}
        if coolant and _NO_COOLANT < top < 300.0:
            reasons.append("coolant is never so hot in degrees C")
        if guess.map.signal == "AAT" and float(np.median(guess.numbers)) > _HOTTEST_AIR:
            reasons.append("air outside is never so hot in degrees C")
    for guess in silent if reasons else ():
        guess.suppose("degF", reasons[0])


_USUAL_HEIGHT = 62.0
"""Air pressure at 4,000 m, kPa (ISO 2533): of two units the one in which a car is lower."""
_PRESSURE_UNITS = ("kPa", "inHg", "psi", "hPa", "bar")
_BAROMETER = (48.0, 110.0)
"""Air pressure where cars are, kPa: from the highest roads, near 5,800 m, to the Dead Sea (standard
atmosphere, ISO 2533)."""
_MANIFOLD = (8.0, 450.0)
"""Absolute pressure in an intake manifold, kPa: deepest overrun to the most that is charged
(common practice)."""


_ABSOLUTE = {"BARO": ("air pressure outside", *_BAROMETER),
             "MAP": ("absolute manifold pressure", *_MANIFOLD)}  # fmt: skip
_PULLS_AWAY = 40.0
"""No car is got moving with less pressure in the manifold at any time, kPa (common practice)."""


def _is_possible(guess: Guess, unit: str, candidates: Candidates) -> bool:
    _, low, high = _ABSOLUTE[guess.map.signal]
    first, last = convert(_most(guess), unit, "kPa")
    moves = guess.map.signal == "MAP" and _moves(candidates.beside(guess, "VSS")) > 20.0
    return bool(low <= first and last <= high and (last >= _PULLS_AWAY or not moves))


def _most(guess: Guess) -> np.ndarray:
    """Between what most of its numbers are; a 0 may stand for no reading, but not the most do."""
    there = guess.numbers[guess.numbers != 0]
    few_zeros = 2 * len(there) > len(guess.numbers)
    return np.percentile(there if few_zeros else guess.numbers, (2, 98))


def _pressures(candidates: Candidates) -> None:
    """An absolute pressure of no unit is in the only one in which it is possible, or in that of the
    barometer beside it."""
    beside: list[str] = []
    for guess in [*candidates.used("BARO"), *candidates.used("MAP")]:
        units = [unit for unit in _PRESSURE_UNITS if _is_possible(guess, unit, candidates)]
        if guess.map.signal == "BARO" and len(units) > 1:
            usual = np.median(guess.numbers)
            units = [u for u in units if convert(np.array([usual]), u, "kPa")[0] > _USUAL_HEIGHT]
        alike = [unit for unit in units if unit in beside]
        likely = alike if len(units) > 1 else units
        if _is_assumed(guess) and len(likely) == 1 and likely != [guess.map.unit]:
            guess.suppose(likely[0], f"{_ABSOLUTE[guess.map.signal][0]} is never so in kPa")
        if guess.map.signal == "BARO" and units:
            beside.append(guess.map.unit)


def _impossible(guess: Guess, candidates: Candidates) -> Reason:
    if _is_possible(guess, guess.map.unit, candidates):
        return ()
    low, high = _most(guess)
    of = _ABSOLUTE[guess.map.signal][0]
    return (f"{of} is never {low:.4g} to {high:.4g} {guess.map.unit}",)


def _speed_in_us_units(candidates: Candidates) -> None:
    us = {"degF", "mile/hour", "mile", "inHg", "psi", "pound/minute"}
    if any(known(guess.map.unit) in us for guess in candidates.used()):
        for guess in list(candidates.used("VSS")):
            if _is_assumed(guess):
                guess.doubt("no unit stands there, while others are in US units: km/h or mph")


# --- what a name promises ---


def _barometer(guess: Guess, candidates: Candidates) -> Reason:
    reason = _impossible(guess, candidates)
    if _moves(guess.values) < _CLIMB:
        return reason
    load = candidates.beside(guess, "LOAD_PCT")
    if load is not None and _together(guess.values, load) > 0.5:
        return "it goes with the load, as no barometer does", "MAP"
    if _jumps(guess, 5.0) > _OFTEN:
        return "it moves as no barometer does", "MAP"
    return reason


_CLIMB = 10.0
"""kPa that a barometer moves on a climb of 850 m (ISO 2533)."""


def _together(a: Values, b: Values) -> float:
    """How well two readings go together, from -1 to 1; 0 where it cannot be told."""
    there = np.isfinite(a) & np.isfinite(b)
    if there.sum() < _FEW or not np.ptp(a[there]) or not np.ptp(b[there]):
        return 0.0
    return float(np.corrcoef(a[there], b[there])[0, 1])


def _manifold(guess: Guess, candidates: Candidates) -> Reason:
    reason = _impossible(guess, candidates)
    if reason:
        return reason
    rpm = candidates.beside(guess, "RPM")
    low, high = np.percentile(guess.values, (1, 99))
    works = max(_moves(candidates.beside(guess, "LOAD_PCT")) / 20.0, _moves(rpm) / 500.0)
    if works > 1.0 and high - low <= 3.0 and _BAROMETER[0] <= low and high <= _BAROMETER[1]:
        return "it stands at the pressure outside while the engine works: a barometer", "BARO"
    stands = guess.values[rpm == 0.0] if rpm is not None else np.empty(0)
    if len(stands) >= 3 and float(np.max(stands)) < _BAROMETER[0]:
        return ("it is far below the pressure outside while the engine stands: not absolute",)
    return ()


_AIR = 0.287
"""Gas constant of dry air, kJ/kg/K."""
_LITERS = (0.15, 12.0)
"""Displacement times volumetric efficiency of any car's engine, l (common practice)."""


def _air_flow(guess: Guess, candidates: Candidates) -> Reason:
    """Against speed times pressure, or speed times load. One that stands still is a sensor's
    trouble, not a name's."""
    rpm, pressure = candidates.beside(guess, "RPM"), candidates.beside(guess, "MAP")
    by = pressure if pressure is not None else candidates.beside(guess, "LOAD_PCT")
    if rpm is None or by is None or not np.ptp(guess.values):
        return ()
    running = np.isfinite(rpm) & np.isfinite(by) & (rpm > 400.0) & (by > 0.0)
    if running.sum() < _FEW:
        return ()
    air, drawn = guess.values[running], (rpm * by)[running]
    if pressure is not None:
        liters = float(np.median(120.0 * air * _AIR * 293.0 / drawn))
        if not _LITERS[0] <= liters <= _LITERS[1]:
            return (f"by speed and pressure it would be the air of an engine of {liters:.2g} l",)
    driven = _moves(drawn) > 0.5 * float(np.median(drawn)) and bool(np.ptp(air))
    if driven and _together(air, drawn) < 0.3:
        return ("it does not go with engine speed and load",)
    return ()


def _engine_speed(guess: Guess, _: Candidates) -> Reason:
    top = float(np.max(guess.values))
    if 0.0 < top < 100.0:  # a starter turns an engine faster (common practice)
        return (f"no engine turns at {top:.3g} rpm at most",)
    return ()


def _vehicle_speed(guess: Guess, candidates: Candidates) -> Reason:
    rpm = candidates.beside(guess, "RPM")
    if rpm is None:
        return ()
    driven = (guess.values > 20.0) & (rpm > 600.0)
    if driven.sum() < _FEW:
        return ()
    ratio = float(np.median(rpm[driven] / guess.values[driven]))
    if not 4.0 <= ratio <= 300.0:  # from coasting at idle to crawling in first (common practice)
        return (f"no gear gives {ratio:.3g} rpm per km/h",)
    return ()


def _coolant(guess: Guess, candidates: Candidates) -> Reason:
    top = float(np.percentile(guess.values, 95))
    if top > (_CAP_OPENS if _is_assumed(guess) else _NO_COOLANT):
        return (f"coolant is not at {top:.0f} degC",)
    if _jumps(guess, 10.0) > _OFTEN:
        return ("it jumps, which coolant does not",)
    air = candidates.beside(guess, "IAT")
    if air is not None and np.isfinite(air).sum() >= _FEW:
        hot = float(np.nanpercentile(air, 95))
        if hot > 75.0 and top < 60.0:
            return "intake air would be hotter than coolant", "IAT"
    return ()


def _voltage(guess: Guess, _: Candidates) -> Reason:
    usual = float(np.median(guess.values))
    if not 6.0 <= usual <= 36.0:  # systems of 12 and 24 V (common practice)
        return (f"no car's supply is {usual:.3g} V",)
    return ()


def _trim(guess: Guess, _: Candidates) -> Reason:
    usual = float(np.median(guess.values))
    if abs(usual) > 50.0:  # control stops near 25 % (common practice)
        return (f"a fuel trim is around 0, not around {usual:.3g} %",)
    return ()


def _rail(guess: Guess, _: Candidates) -> Reason:
    """Kilopascals are the standard's unit, but bar, psi and MPa are as common."""
    usual = (
        float(np.median(guess.values[guess.values > 0.0])) if (guess.values > 0.0).any() else 0.0
    )
    port, direct = 200.0 <= usual <= 765.0, 2000.0 <= usual <= 300_000.0
    if _is_assumed(guess) and usual and not (port or direct):
        return (f"no pump gives {usual:.4g} kPa: bar, psi or MPa",)
    return ()


def _share(guess: Guess, _: Candidates) -> Reason:
    """Of 1, or of 100: in the standard's steps of 0.39 % there are three values up to 1 %."""
    different = np.unique(guess.values)
    if len(different) < 6 or not 0.0 <= different[0] <= different[-1] <= 1.0:
        return ()
    if _is_assumed(guess):
        guess.suppose("ratio", "it never exceeds 1")
        return ()
    return ("it never exceeds 1: a share of 1 rather than of 100",)


_SHARES = ("LOAD_PCT", "LOAD_ABS", "TP", "TP_R", "TP_B", "TP_C", "APP_D", "APP_E", "APP_F",
           "APP_R", "TAC_PCT", "EGR_PCT", "EVAP_PCT", "FLI")  # fmt: skip
_JUDGES: tuple[tuple[tuple[str, ...], Callable[[Guess, Candidates], Reason]], ...] = (
    (("RPM",), _engine_speed),
    (_SHARES, _share),
    (("VSS",), _vehicle_speed),
    (("BARO",), _barometer),
    (("MAP",), _manifold),
    (("MAF",), _air_flow),
    (("ECT",), _coolant),
    (("VPWR",), _voltage),
    (("SHRTFT1", "LONGFT1", "SHRTFT2", "LONGFT2"), _trim),
    (("FRP",), _rail),
)


# --- two columns for one signal ---


def _rivals(candidates: Candidates) -> None:
    """One that physics has doubted is out already. Of two that say the same the surer has it; two
    that differ are both asked about."""
    by_signal: dict[tuple[str, str], list[Guess]] = {}
    for guess in candidates.used():
        by_signal.setdefault((guess.map.signal, guess.map.ecu), []).append(guess)
    for rivals in by_signal.values():
        rivals.sort(key=lambda guess: -guess.map.confidence)
        for first, other in itertools.pairwise(rivals):
            name = rivals[0].map.column
            if not _agree(rivals[0], other) and first is rivals[0]:
                first.doubt(f"'{other.map.column}' reads as {first.map.signal}, too, and differs")
            other.doubt(f"'{name}' is {other.map.signal} already")


def _agree(one: Guess, other: Guess) -> bool:
    """Whether two columns hold the same, but for rounding and for the moment."""
    a, b = np.median(one.values), np.median(other.values)
    return bool(abs(a - b) <= 0.02 * max(abs(a), abs(b)) + 1e-9)
