"""A good and a bad drive of the simulated car for each check: what the check says, and a picture.

Used by docs/make_guide.py, which keeps what is said in `check_examples.json` and the pictures
beside the pages of the guide. A picture has both drives side by side, on the same scales.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from logbench.analysis.grid import Traces
from logbench.analysis.model import Finding, Span, Verdict
from logbench.analysis.run import run_checks, strips_of
from logbench.analysis.view import View
from logbench.recording.model import Trace
from logbench.recording.reader import Recording
from logbench.report.drawing import Chart
from logbench.report.plots import strips_of as drawn
from logbench.report.strips import Panel, Shade, strips_chart
from logbench.signals.table import table
from logbench.signals.units import METRIC
from logbench.simulator.cars import Kind
from logbench.simulator.drawn import draw_car
from logbench.simulator.driver import Phase, Schedule
from tests.analysis.fleet import RATES_HZ, WANTED, fleet_schedule
from tests.analysis.simulated import drive_of

Values = npt.NDArray[np.float64]
Spoil = Callable[[Recording], Recording]
AMBIENT_DEGC = 12.0
MOST_SAID = 3
"""Findings of the faulty drive that are quoted."""
MOST_STRIPS = 2
SLIP_S = 40.0


@dataclass(frozen=True)
class Example:
    """One car, driven twice along the same roads on the same day: sound, and with what is wrong.
    `wrong`: in words, as the end of "the same drive, but …". What the simulated car has no fault
    for is put into the recording of the sound drive (`spoil`)."""

    wrong: str
    seed: int
    kind: Kind = "gasoline"
    fault: Mapping[str, float] = field(default_factory=dict)
    spoil: Spoil | None = None
    also: tuple[str, ...] = ()
    """Signals that are recorded beside the usual ones."""
    strips: tuple[tuple[str, ...], ...] = ()
    """Signals that are drawn; empty: those of the check's findings."""
    schedule: Schedule | None = None
    """The roads; None: those of the fleet for that seed."""
    minutes: tuple[float, float] = (0.0, math.inf)
    """What of the drive is drawn."""


Said = tuple[str, str, str]
"""Of a finding: subject, verdict, sentence."""


@dataclass(frozen=True)
class Shown:
    """An example that was driven: the findings of both drives that are quoted. `words`: the picture
    in words."""

    car: str
    good: tuple[Said, ...]
    bad: tuple[Said, ...]
    words: str
    svg: str


def drive(check: str, example: Example) -> Shown:
    """Both drives, judged by that check, and drawn."""
    car = draw_car(example.seed, example.kind)
    roads = example.schedule or fleet_schedule(example.seed)

    def driven(faults: Mapping[str, float]) -> Recording:
        return drive_of(
            car, example.seed, dict(faults), roads, WANTED + example.also, RATES_HZ,
            ambient_degc=AMBIENT_DEGC, cooled=False,
        )  # fmt: skip

    good = driven({})
    bad = example.spoil(good) if example.spoil else driven(example.fault)
    views = View(good), View(bad)
    sound, found = (run_checks(view, only=[check]) for view in views)
    same = {(finding.subject, finding.verdict) for finding in sound}
    other = [f for f in found if (f.subject, f.verdict) not in same]
    worst = [f for f in other if f.verdict is not Verdict.WITHIN]
    worst = sorted(worst, key=lambda f: -f.verdict.severity)[:MOST_SAID]
    subjects = {finding.subject for finding in worst}
    sound = [f for f in sound if f.subject in subjects] or sound[:1]
    parts = tuple(_part(recording, example.minutes) for recording in (good, bad))
    chart = _chart(example.strips or strips_of(check), parts, (sound, worst), example.minutes)
    return Shown(
        car.label, tuple(map(_said, sound)), tuple(map(_said, worst)), chart.words, chart.svg()
    )


def _said(finding: Finding) -> tuple[str, str, str]:
    return finding.subject, finding.verdict.value, str(finding.reason)


def _part(recording: Recording, minutes: tuple[float, float]) -> Traces:
    """What of a recording is drawn."""
    start, end = (60e9 * minute for minute in minutes)
    kept = []
    for trace in recording:
        inside = (trace.t_ns >= start) & (trace.t_ns <= end)
        kept.append(replace(trace, t_ns=trace.t_ns[inside], value=trace.value[inside]))
    return Traces(Recording.of(kept, recording.facts))


def _chart(
    groups: Sequence[tuple[str, ...]],
    parts: Sequence[Traces],
    judged: Sequence[Sequence[Finding]],
    minutes: tuple[float, float],
) -> Chart:
    """Both drives side by side, with the stretches that were judged."""
    strips = [drawn(part, groups, METRIC, found) for part, found in zip(parts, judged, strict=True)]
    both = [names for names in strips[0] if names in strips[1]][:MOST_STRIPS]
    panels = [
        Panel(
            tuple(of[names] for names in both),
            title=title,
            shades=tuple(Shade(span) for f in found for span in _seen(f.evidence, minutes)),
        )
        for of, title, found in zip(strips, ("Good", "Bad"), judged, strict=True)
    ]
    return strips_chart(panels, "minutes")


def _seen(spans: Sequence[Span], minutes: tuple[float, float]) -> Iterator[Span]:
    start, end = int(60e9 * minutes[0]), 60e9 * minutes[1]
    for span in spans:
        if span.end_ns > start and span.start_ns < end:
            yield Span(max(span.start_ns, start), int(min(span.end_ns, end)))


# --- what the simulated car has no fault for ---


def _changed(signals: str, change: Callable[[Recording, Trace], Values]) -> Spoil:
    """The recording with other values of those signals."""

    def spoil(recording: Recording) -> Recording:
        traces = [
            replace(trace, value=change(recording, trace)) if trace.signal in signals.split()
            else trace
            for trace in recording
        ]  # fmt: skip
        return Recording.of(traces, recording.facts)

    return spoil


def _of(recording: Recording, signal: str, t_ns: npt.NDArray[np.int64]) -> Values:
    """A signal at other times, on the line between its samples."""
    trace = recording.trace(signal)
    return np.interp(t_ns, trace.t_ns, trace.value)


def _frozen(_: Recording, trace: Trace) -> Values:
    """It stays where it is after a third of the drive."""
    at = len(trace) // 3
    return np.where(np.arange(len(trace)) > at, trace.value[at], trace.value)


def _with_travel(recording: Recording, trace: Trace) -> Values:
    """Six points off at the end of the pedal's travel."""
    pedal = _of(recording, "APP_D", trace.t_ns)
    return trace.value + 6.0 * (pedal - pedal.min()) / np.ptp(pedal)


def _slipping(recording: Recording, trace: Trace) -> Values:
    """Up to 9 % faster than the gear, now more and now less."""
    rolls = _of(recording, "VSS", trace.t_ns) > 20.0
    slip = 0.045 * (1.0 - np.cos(2.0 * np.pi * trace.t_s / SLIP_S))
    return np.where(rolls, (1.0 + slip) * trace.value, trace.value)


def _hot_charge(recording: Recording, trace: Trace) -> Values:
    """Warmer by what the charger adds, as if half of the cooler were dead."""
    above = np.maximum(_of(recording, "MAP", trace.t_ns) - 105.0, 0.0)
    return trace.value + 0.45 * above


def _holes(recording: Recording) -> Recording:
    """Three stretches without a sample."""
    end = recording.duration_ns
    holes = [(0.3, 0.36), (0.5, 0.55), (0.7, 0.78)]
    traces = []
    for trace in recording:
        inside = [(trace.t_ns > a * end) & (trace.t_ns < b * end) for a, b in holes]
        kept = ~np.any(inside, axis=0)
        traces.append(replace(trace, t_ns=trace.t_ns[kept], value=trace.value[kept]))
    return Recording.of(traces, recording.facts)


MONITORS = tuple(s.acronym for s in table() if s.acronym.endswith(("_SUP", "_RDY")))
TOWN = Schedule(
    "town",
    (
        *(Phase("key on", "key on", 5), Phase("cranking", "crank", 6), Phase("idle", "idle", 30)),
        Phase("away", "cruise", 240, 60),
        *(Phase("stop", "stop", 20), Phase("wait", "wait", 25), Phase("go", "cruise", 45, 45)) * 6,
        Phase("stop", "stop", 20),
    ),
)
EXAMPLES = {
    "fuel_trim": Example(
        "air leaks into the manifold behind the air-flow sensor", 1, fault={"unmetered_air": 1.0}
    ),
    "airflow": Example(
        "the air-flow sensor reads low", 4, fault={"maf_low": 1.0}, strips=(("MAF",), ("RPM",)),
        minutes=(10.2, 11.2),
    ),
    "warm_up": Example("the thermostat does not close", 2, fault={"thermostat_open": 1.0}),
    "cold_soak": Example("the coolant sensor reads cold", 1, fault={"ect_offset": 1.0}),
    "charging": Example(
        "the alternator cannot carry the load", 1, fault={"weak_alternator": 1.0}
    ),
    "restarts": Example(
        "the battery has a high internal resistance", 2, "charged",
        fault={"worn_battery": 1.0}, schedule=TOWN,
    ),
    "traction_battery": Example(
        "the charge is reported 48 points lower", 1, "hybrid",
        spoil=_changed("BAT_PWR", lambda _, trace: trace.value - 48.0),
    ),
    "pressures": Example(
        "the manifold pressure sensor reads 10 kPa high", 1,
        spoil=_changed("MAP", lambda _, trace: trace.value + 10.0),
    ),
    "oxygen_sensors": Example(
        "the front oxygen sensor is slow", 1, fault={"lazy_o2": 1.0}, minutes=(4.5, 5.5)
    ),
    "catalyst": Example(
        "the catalyst has lost its store of oxygen", 1, fault={"catalyst_aged": 1.0},
        minutes=(4.5, 5.5),
    ),
    "purge": Example("the purge valve does not close", 3, fault={"purge_open": 1.0}),
    "ethanol": Example(
        "the trims ask for 14 points more fuel, as after a filling that the sensor does not see",
        2, "flex", spoil=_changed("LONGFT1 LONGFT2", lambda _, trace: trace.value + 14.0),
    ),
    "idle": Example(
        "the intake camshaft's phaser does not go back to its rest", 1, fault={"cam_stuck": 1.0},
        minutes=(7.2, 8.05),
    ),
    "misfire": Example(
        "a cylinder misses cycles", 1, fault={"misfire": 1.0}, minutes=(7.2, 8.05)
    ),
    "throttle_pedal": Example(
        "the second pedal sensor is 6 points off at the end of its travel", 1,
        spoil=_changed("APP_E", _with_travel), strips=(("APP_D", "APP_E"),),
    ),
    "gears": Example(
        "the engine turns up to 9 % faster than the gear lets it", 1,
        spoil=_changed("RPM", _slipping),
    ),
    "fuel_used": Example(
        "the air-flow sensor reads low", 4, fault={"maf_low": 1.0},
        strips=(("FUEL_RATE",), ("MAF",)),
    ),
    "readiness": Example(
        "a cylinder misses cycles", 1, fault={"misfire": 1.0},
        also=("MIL", "DTC_CNT", *MONITORS), strips=(("MIL",), ("DTC_CNT",)),
    ),
    "recording": Example("three stretches are without a sample", 1, spoil=_holes),
    "sensors": Example(
        "the intake air's temperature stays where it is after a third of the drive", 1,
        spoil=_changed("IAT", _frozen), strips=(("IAT",), ("VSS",)),
    ),
    "charge_pressure": Example(
        "the wastegate does not shut", 2, "charged", fault={"boost_open": 1.0}
    ),
    "charge_cooler": Example(
        "the charge is warmer by 0.45 K for each kPa of charge pressure", 1, "diesel",
        spoil=_changed("IAT", _hot_charge),
    ),
    "recirculation": Example(
        "the recirculation valve does not shut", 1, "diesel", fault={"egr_open": 1.0}
    ),
    "rail": Example("the rail's pressure swings", 1, "charged", fault={"rail_hunting": 1.0}),
    "filter": Example(
        "the particulate filter is full of soot and ash", 1, "diesel", fault={"filter_loaded": 1.0}
    ),
    "exhaust_heat": Example(
        "an exhaust temperature sensor is dead", 4, "diesel", fault={"egt_dead": 1.0}
    ),
}  # fmt: skip
"""By check; a check of the user's own has none."""
