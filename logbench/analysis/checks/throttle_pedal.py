"""Paired throttle and pedal sensors against each other, the throttle against its command, and
whether it opens fully; of compression ignition, whether its flap stands open.

Inputs: `TP` with `TP_B`, `TP_C`; `APP_D` with `APP_E`, `APP_F`; `TAC_PCT` with `TP` (`TAC_A_CMD`
with `TP_A_REL`), each with a zero of its own. A pair is often 2:1 but not always, and one may fall
as the other rises: a line is fitted for this car. No fault may hide in the fit: judged is the
furthest of three distances: from the line; between the first and the last quarter of the readings;
and, of pedals whose sensors both rise, from the nearest of the ratios they are built with, over the
travel seen (`watch` at most). Enabled: thirty readings over a travel of ten points, so near in time
that neither moved by more than 0.6 points meanwhile, and none at an end of the range; the distance
from the line, of those that moved by no more from one to the next, for a row's time may stand for
readings taken one after the other. Uncertainty: the step of 0.4 points. Evidence: where it lies
off, else all.

Full throttle: `APP_D` (or `APP_R`) on the floor for a second, engine running or not; the highest
`TP` (else `TP_R`) from half a second on. Without a floored pedal it is not judged; without a pedal
signal only a throttle that did open fully is. `TAC_PCT` tells a throttle that does not follow from
one that is not asked to.

Flap: an engine that ignites by compression takes in all it can and shuts its flap to stop, to draw
in recirculated gas or to heat the exhaust. Pulling (`APP_D` off its rest, 30 km/h and more, warm),
it is wide open at times. Some makers count how far it is shut: only where the manifold pressure,
below the barometric one, says so, too, it is more than `watch`.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.alignment import Mask, Times, Values
from logbench.analysis.bands import Bands
from logbench.analysis.conditions import FLOOR_PCT
from logbench.analysis.engine import Trait
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.grid import schmitt
from logbench.analysis.model import Finding, Span
from logbench.analysis.statement import said
from logbench.analysis.view import View, unoffered
from logbench.recording.model import Trace

KEY = "throttle_pedal"
TITLE = "Throttle and pedal sensors"
PLAIN = "The sensors of pedal and throttle"
STRIPS = (("TP", "TP_B"), ("APP_D", "APP_E"))
ORDER = 9
INPUTS = ("TP", "TP_B", "TP_C", "APP_D", "APP_E", "APP_F")

PAIRS = {
    "throttle sensors": (("TP", "TP_B"), ("TP", "TP_C")),
    "pedal sensors": (("APP_D", "APP_E"), ("APP_D", "APP_F")),
    "throttle and its command": (("TAC_PCT", "TP"), ("TAC_A_CMD", "TP_A_REL")),
}
COMMANDS = ("TAC_PCT", "TAC_A_CMD")
LEAST_SAMPLES = 30
LEAST_TRAVEL_PCT = 10.0
REST_PCT = 0.6
REQUEST_S = 0.02
"""Even the samples of one request are taken one after the other. [CP]"""
ENDS_PCT = (0.5, 99.0)
"""At the end of its range a sensor may stand still while the other goes on."""
STEP_PCT = 100.0 / 255.0
PEDALS = ("APP_D",)
PEDALS_BUILT = (0.5, 1.0, 2.0)
"""Ratios of the two sensors of a pedal that both rise; with one that falls, many are in use.
[Pub: one maker's P2138 text, 2:1; CP, the others]"""

PULL_KMH, PULL_PCT, PULL_S = 30.0, 5.0, 20.0
DRAWN_KPA = 8.0
"""Below the barometric pressure: more than filter and pipes cost at part load. [CP]"""

FLOOR_REACH_PCT = 3.0
FLOOR_S, SETTLE_S = 1.0, 0.5
HELD_SAMPLES = 2
"""So many readings must reach it; one does where they come a second apart or more."""


def check(view: View, bands: Bands) -> list[Finding]:
    """One finding for each recorded pair, or kind of it that was not; one on full throttle, or on
    a flap."""
    flap = [_flap(view, bands)] if view.engine.holds(Trait.COMPRESSION) else []
    return [*_pairs(view, bands), _full_throttle(view, bands), *flap]


def _pairs(view: View, bands: Bands) -> Iterator[Finding]:
    for name, pairs in PAIRS.items():
        held = [pair for pair in pairs if not view.missing(*pair)]
        for a, b in held:
            first, second = view.trace(a), view.trace(b)
            assert first is not None
            assert second is not None
            yield _pair(bands, a, b, first, second)
        if not held:
            offered = [pair for pair in pairs if not unoffered(view, *pair)]
            subject = Subject(KEY, name if "command" in name else f"paired {name}")
            yield subject.not_recorded(view, view.missing(*(offered or pairs)[0]), "record")


def _pair(bands: Bands, a: str, b: str, first: Trace, second: Trace) -> Finding:
    subject = Subject(KEY, f"{a} and {b}")
    t, x, y, still = _together(first, second)
    travel = float(np.ptp(x)) if len(x) else 0.0
    if len(x) < LEAST_SAMPLES or travel < LEAST_TRAVEL_PCT:
        text = said(
            "{a} moved by {whole:.0f points}; it was read together with {b}, or while both kept"
            " still, {n} times over {travel:.0f points}.",
            a=a,
            b=b,
            whole=float(np.nanmax(first.value) - np.nanmin(first.value)),
            n=len(x),
            travel=travel,
        )
        return subject.not_judged(text, "record")
    slope, offset = _line(x, y, still)
    away = (y - slope * x - offset) / max(1.0, abs(slope))
    parts = [_over_time(t, away)]
    if np.count_nonzero(still) >= LEAST_SAMPLES:
        parts.append(_from_line(t[still], away[still]))
    if a in PEDALS and slope > 0.0:
        parts.append(_from_ratio(t, slope, travel))
    worst = max(parts, key=lambda part: part.points)
    line = said("{b} = {s:.2f} {a} {o:+.1f}", a=a, b=b, s=slope, o=offset)
    numbers = {"slope": slope, "offset_pct": offset}
    return subject.judged(
        worst.what,
        Measured(worst.points, STEP_PCT, worst.spans, (line,), numbers),
        bands["throttle_command" if a in COMMANDS else "paired_sensors"],
        "not_followed" if a in COMMANDS else "pair",
        watch_at_most=worst.at_most,
    )


def _together(first: Trace, second: Trace) -> tuple[Times, Values, Values, Mask]:
    """Times and both readings, where they were read so near in time that they can be compared; and
    where they can be even if their common time stamp is only that of a row."""
    t, x = first.t_ns, first.value
    y = alignment.linear(second, t, 10.0)
    place = np.searchsorted(second.t_ns, t)
    near = (np.clip(place + k, 0, len(second) - 1) for k in (-1, 0))
    apart = np.minimum(*(np.abs(second.t_ns[at] - t) for at in near))
    rate, step_s = _rate(t, x), min(first.interval_s, 10.0)
    moved = rate * np.maximum(apart / alignment.NS, REQUEST_S)
    low, high = ENDS_PCT
    inside = (x > low) & (x < high) & (y > low) & (y < high)
    good = np.isfinite(x) & inside & (moved <= REST_PCT)
    return t[good], x[good], y[good], (rate * step_s <= REST_PCT)[good]


def _rate(t_ns: Times, value: Values) -> Values:
    """How fast a signal moved to each reading or away from it, the faster of both, per second."""
    steps = np.abs(np.diff(value)) / np.maximum(np.diff(t_ns) / alignment.NS, 1e-3)
    there, away = np.concatenate(([0.0], steps)), np.concatenate((steps, [0.0]))
    return np.asarray(np.maximum(there, away))


@dataclass(frozen=True, slots=True)
class _Part:
    """One way in which a pair parts: by how many points, what that is, where, and why it carries no
    more than `watch`."""

    points: float
    what: str
    spans: tuple[Span, ...]
    at_most: str = ""


def _from_line(t: Times, away: Values) -> _Part:
    odd = t[np.abs(away) > 3.0]
    spans = tuple(Span(int(s) - alignment.NS, int(s) + alignment.NS) for s in odd[:1])
    points = float(np.percentile(np.abs(away), 95))
    return _Part(points, "The distance from their line", spans or _whole(t))


def _over_time(t: Times, away: Values) -> _Part:
    """What one line through all of the drive hides: half of what they part by."""
    quarter = len(t) // 4
    points = abs(float(np.median(away[-quarter:]) - np.median(away[:quarter])))
    spans = (*_whole(t[:quarter]), *_whole(t[-quarter:]))
    return _Part(points, "The distance between the first and the last quarter of the drive", spans)


def _from_ratio(t: Times, slope: float, travel: float) -> _Part:
    """What a slope fitted to the pair hides."""
    nearest = min(PEDALS_BUILT, key=lambda ratio: abs(slope - ratio))
    points = abs(slope - nearest) * travel / max(1.0, slope)
    what = said(
        "The distance from the nearest usual ratio, {ratio}, over {travel:.0f points} of travel",
        ratio=f"{nearest:g}",
        travel=travel,
    )
    return _Part(points, what, _whole(t), "few pedals are built with another ratio")


def _whole(t: Times) -> tuple[Span, ...]:
    return (Span(int(t[0]), int(t[-1]) + 1),)


def _line(x: Values, y: Values, still: Mask) -> tuple[float, float]:
    """Slope and offset: of the least-squares line through what was read while both kept still,
    fitted again without what lay far off it; where that is too little, of the line that treats both
    alike, which readings taken one after the other do not tilt."""
    if np.count_nonzero(still) < LEAST_SAMPLES or np.ptp(x[still]) < LEAST_TRAVEL_PCT:
        falls = np.mean((x - x.mean()) * (y - y.mean())) < 0.0
        slope = float(np.std(y) / np.std(x)) * (-1.0 if falls else 1.0)
        return slope, float(np.median(y - slope * x))
    x, y = x[still], y[still]
    slope, offset = np.polyfit(x, y, 1)
    off = np.abs(y - slope * x - offset)
    near = off <= max(STEP_PCT, 3.0 * float(np.median(off)))
    if near.sum() >= LEAST_SAMPLES and np.ptp(x[near]) >= LEAST_TRAVEL_PCT / 2.0:
        slope, offset = np.polyfit(x[near], y[near], 1)
    return float(slope), float(offset)


def _full_throttle(view: View, bands: Bands) -> Finding:
    """Whether the throttle opens fully with the pedal on the floor."""
    subject = Subject(KEY, "full throttle reached")
    throttle = view.trace("TP") or view.trace("TP_R")
    if throttle is None:
        return subject.not_recorded(view, ["TP"], "floor")
    absolute = throttle.signal == "TP"
    band = bands["throttle_reached" if absolute else "throttle_reached_relative"]
    name, spans = _floored(view, throttle.interval_s)
    if name is None:
        spans = (Span(int(throttle.t_ns[0]), int(throttle.t_ns[-1]) + 1),)
    found = view.samples(spans, throttle.signal)
    held = HELD_SAMPLES if throttle.interval_s < FLOOR_S else 1
    if len(found) < held:
        pedal = view.trace(name or "")
        text = said(
            "The pedal ({name}, {most:.0f %} at most) was not seen on the floor for a second.",
            name=name,
            most=float("nan") if pedal is None else float(np.nanmax(pedal.value)),
        )
        return subject.not_judged(text, "floor")
    highest = float(np.sort(found.value)[-held])
    if name is None and highest < (band.within[0] or 0.0):
        text = said(
            "The throttle opened to {tp:.0f %} at most; no pedal signal was recorded.", tp=highest
        )
        return subject.not_judged(text, "floor")
    asked = view.samples(spans, "TAC_PCT").value
    commanded = float(np.sort(asked)[-held]) if len(asked) >= held else float("nan")
    remarks: tuple[str, ...] = (
        () if name is None else (said("with {name} on the floor", name=name),)
    )
    if np.isfinite(commanded):
        remarks = (*remarks, said("{c:.0f %} commanded", c=commanded))
    return subject.judged(
        said("Widest opening of {signal}", signal=throttle.signal),
        Measured(highest, STEP_PCT, spans, remarks, {"commanded_pct": commanded}),
        band,
        "not_followed" if commanded > highest + 10.0 else "not_reached",
    )


def _flap(view: View, bands: Bands) -> Finding:
    """Whether the flap of an engine that does not throttle by it stands open while it pulls."""
    subject = Subject(KEY, "intake flap open")
    flap = view.trace("TP", "TP_A_REL")
    pedal, speed = view.grid.linear("APP_D", "APP_E", "APP_R"), view.grid.linear("VSS")
    if flap is None or pedal is None or speed is None:
        return subject.not_recorded(view, view.missing("TP", "APP_D", "VSS"), "flap")
    rest = float(np.nanpercentile(pedal, 2.0))
    pulls = view.conditions.warm & (speed > PULL_KMH) & (pedal > rest + PULL_PCT)
    spans = view.stretches(pulls, 2.0)
    found = view.samples(spans, flap.signal).value
    if alignment.total_s(spans) < PULL_S or len(found) < LEAST_SAMPLES:
        return subject.not_judged("Too little warm pulling on the road was recorded.", "flap")
    manifold = view.samples(spans, "MAP").value
    around = view.baro_kpa
    drawn = len(manifold) > 0 and around is not None and np.median(manifold) < around - DRAWN_KPA
    return subject.judged(
        said("Widest opening of the flap ({signal}), of one reading in ten,", signal=flap.signal),
        Measured(float(np.percentile(found, 90.0)), STEP_PCT, spans),
        bands["flap_open"],
        "flap",
        watch_at_most=""
        if drawn
        else "manifold pressure shows no flap in the way; some makers count how far it is shut",
    )


def _floored(view: View, step_s: float) -> tuple[str | None, tuple[Span, ...]]:
    """The pedal signal, and where it was on the floor for a second, the first half second left out;
    None where no pedal signal was recorded. Where readings come every `step_s`, slower than that,
    those of the throttle count whose neighbors on both sides have the pedal on the floor."""
    for name, least in FLOOR_PCT.items():
        pedal = view.grid.linear(name)
        if pedal is None:
            continue
        top = float(np.nanmax(pedal)) if np.isfinite(pedal).any() else 0.0
        if top < least:
            return name, ()
        mask = schmitt(pedal, top - FLOOR_REACH_PCT, top - 2.0 * FLOOR_REACH_PCT)
        apart = int(step_s * alignment.NS) if step_s > FLOOR_S else 0
        settle = max(int(SETTLE_S * alignment.NS), apart)
        spans = view.stretches(mask, FLOOR_S)
        cut = (Span(s.start_ns + settle, s.end_ns - apart) for s in spans)
        return name, tuple(s for s in cut if s.end_ns > s.start_ns)
    return None, ()
