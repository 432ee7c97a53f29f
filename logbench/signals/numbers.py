"""How numbers, ranges, times and sizes are written, wherever the program writes them.

All of them have a real minus (`−`), none before 0, and thousands set apart by a comma; what other
programs read (CSV, JSON, the terminal's columns of bare numbers) has neither.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from datetime import UTC, datetime

from logbench.words import tr

Ends = tuple[float | None, float | None]
"""Low and high end of a range; None: open."""


# --- windows and axes ---


def decimal_text(value: float, decimals: int, *, signed: bool = False) -> str:
    """A number with so many decimals: a real minus, none before 0, thousands set apart."""
    text = f"{value:{'+' if signed else ''},.{decimals}f}"
    zero = not text.strip("+-0.,")
    return text.replace("-", "" if zero else "−")


def value_text(value: float, unit: str = "", decimals: int | None = None) -> str:
    """A value for reading at arm's length, thousands set apart: with the decimals of its signal, or
    about four digits."""
    if math.isnan(value):
        return "–"
    if decimals is not None:
        return decimal_text(value, decimals)
    size = abs(value)
    decimals = 0 if size >= 1000 else 1 if size >= 100 else 2 if size >= 10 else 3
    if unit in {"rpm", "km/h", "degC", "kPa", "km", "min", "mph", "mi", "degF", "K", "delta_degF"}:
        decimals = 0 if float(value).is_integer() or size >= 100 else 1
    elif unit in {"%", "deg", "g/s", "V", "mA"}:
        decimals = min(decimals, 2 if unit in {"V", "g/s"} else 1)
    return decimal_text(value, decimals)


def tick_text(value: float, step: float) -> str:
    """A value as an axis shows it, with as many decimals as `step` needs."""
    return decimal_text(value, min(max(0, -math.floor(math.log10(step) + 1e-9)), 12))


def axis_labels(low: float, high: float, most: int) -> list[tuple[float, str]]:
    """Round values of an axis and their texts, as `value_ticks` has them."""
    ticks = value_ticks(low, high, most)
    return [(tick, tick_text(tick, ticks[1] - ticks[0])) for tick in ticks]


def end_text(value: float) -> str:
    """An end of a range: at most one decimal, two below 10."""
    near = round(value, 2 if abs(value) < 10 else 1)
    step = 1.0 if near == round(near) else 0.1 if near == round(near, 1) else 0.01
    return tick_text(near, step)


def ends_text(ends: Ends) -> str:
    """A range in words: `−10 to 10`, `at least 80`, `at most 2`, `any`."""
    low, high = ends
    if low is None:
        return tr("any") if high is None else tr("at most {end}", end=end_text(high))
    if high is None:
        return tr("at least {end}", end=end_text(low))
    return tr("{start} to {end}", start=end_text(low), end=end_text(high))


# --- sentences and paper ---


def number_text(
    value: float, half: float, unit: str, signed: bool = False, decimals: int | None = None
) -> str:
    """`+12.3 ±0.8 %`: as many decimals as the size of the number deserves, or as told; `half` NaN:
    unknown. No minus before 0."""
    decimals = digits(value, half) if decimals is None else decimals
    text = decimal_text(value, decimals, signed=signed)
    if math.isfinite(half):
        text += f" ±{decimal_text(half, decimals) if round(half, decimals) else f'{half:.1g}'}"
    return f"{text} {unit}".strip()


def figure_text(value: float, *, signed: bool = False) -> str:
    """`12.4`: the same decimals, none for a whole number, and no minus before 0."""
    decimals = 0 if math.isclose(value, round(value), rel_tol=1e-9) else digits(value)
    return decimal_text(value, decimals, signed=signed)


def digits(value: float, half: float = math.nan) -> int:
    """Decimals that the size of a number deserves, or that of its half width where that is larger,
    and more where the half width needs them."""
    decimals = _of_size(max(abs(value), 0.0 if math.isnan(half) else half))
    while decimals < 4 and abs(round(half, decimals) - half) > 0.2 * half:
        decimals += 1
    return decimals


def _of_size(value: float) -> int:
    size = abs(value)
    return 0 if size >= 100 else 1 if size >= 3 else 2


# --- times, counts, sizes ---


def time_text(t_s: float, step_s: float = 1.0) -> str:
    """`1:02:03`, `2:03` or, for steps below a second, `2:03.4`; negative times with a minus."""
    sign = "−" if t_s < 0 else ""
    decimals = max(0, -math.floor(math.log10(step_s) + 1e-9)) if step_s < 1 else 0
    total = round(abs(t_s), decimals)
    hours, rest = divmod(total, 3600)
    minutes, seconds = divmod(rest, 60)
    width = 3 + decimals if decimals else 2
    text = f"{seconds:0{width}.{decimals}f}"
    if hours:
        return f"{sign}{int(hours)}:{int(minutes):02d}:{text}"
    return f"{sign}{int(minutes)}:{text}"


def started_text(started: str, characters: int = 16) -> str:
    """When a recording began (`Facts.started`): `2026-03-01 10:00 UTC`, or `… local` where nobody
    named a zone; says so where no date is known. `characters`: 10 for the date alone."""
    if not started:
        return tr("date not known")
    try:
        when = datetime.fromisoformat(started)
        zone = tr("UTC") if when.tzinfo else tr("local")
        when = when.astimezone(UTC) if when.tzinfo else when
    except (ValueError, OverflowError):
        return started[:characters]
    text = when.isoformat(" ")[:characters]
    return text if characters <= 10 else f"{text} {zone}"


def count_text(count: float) -> str:
    """A whole number with thousands set apart."""
    return f"{round(count):,}"


def size_text(size_bytes: int) -> str:
    """A file size in kB or MB (powers of ten)."""
    if size_bytes < 1_000_000:
        return f"{size_bytes / 1000:,.0f} kB"
    return f"{size_bytes / 1e6:,.1f} MB"


def span_text(seconds: float) -> str:
    """A length of time that is only roughly known: `9 min`, `3 h 20 min`, `more than 100 h`."""
    minutes = int(seconds // 60)
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60} min" if minutes < 6000 else "more than 100 h"


# --- round numbers for axes ---

_TIME_STEPS_S = (
    0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30,
    60, 120, 300, 600, 900, 1800, 3600, 7200, 14_400, 21_600, 43_200,
    *(86_400 * days * 10**power for power in range(5) for days in (1, 2, 5)),
)  # fmt: skip


_APART = 0.399
"""Of the range: so far apart two labels have room, however low the plot."""


def value_ticks(low: float, high: float, most: int) -> list[float]:
    """At most about `most` round values from `low` to `high`, but two or more, the outer ones
    two fifths of the range apart. Empty when the range is empty, or narrower than 1e-9 of its
    values, or of 1."""
    span = high - low
    if not span > 1e-9 * max(1.0, abs(low), abs(high)) or not math.isfinite(span) or most < 1:
        return []
    rough = 0.999 * span / most
    power = math.floor(math.log10(rough))
    ladder = [m * 10.0**p for p in range(power - 1, power + 2) for m in (1, 2, 5)]
    for step in reversed(ladder[: bisect_left(ladder, rough) + 1]):
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        if last > first and (last - first) * step >= _APART * span:
            return [round(n * step, 12) for n in range(first, last + 1)]
    return []


def round_range(low: float, high: float) -> tuple[float, float]:
    """The range widened to round numbers, never empty."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return 0.0, 1.0
    if high - low < 1e-9 * max(1.0, abs(low), abs(high)):
        pad = max(abs(low) * 0.05, 0.5)
        low, high = low - pad, high + pad
    step = 10.0 ** math.floor(math.log10((high - low) / 2.0))
    for multiple in (5, 2, 1):
        if (high - low) / (step * multiple) >= 4:
            step *= multiple
            break
    return math.floor(low / step + 1e-9) * step, math.ceil(high / step - 1e-9) * step


def time_ticks(start_s: float, end_s: float, most: int) -> tuple[list[float], float]:
    """Round times in seconds from `start_s` to `end_s`, two or more, and their step in seconds."""
    span = end_s - start_s
    if not span > 0 or most < 1:
        return [], 1.0
    for step in reversed(_TIME_STEPS_S[: bisect_left(_TIME_STEPS_S, span / most) + 1]):
        first, last = math.ceil(start_s / step - 1e-9), math.floor(end_s / step + 1e-9)
        if last > first:
            return [n * step for n in range(first, last + 1)], step
    return [], 1.0
