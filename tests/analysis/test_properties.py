"""What no finding may depend on: units, the time of day, the order of things, the sample rate."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants

from logbench.analysis.bands import judge, load_bands
from logbench.analysis.model import Finding, Verdict
from logbench.analysis.run import finding_to_dict, run_checks
from logbench.car.model import Car
from logbench.importing.build import build
from logbench.importing.detect import detect_mapping
from logbench.importing.formats import sheet_of_frame
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from tests.analysis.fleet import RATES_HZ, WANTED, fleet_schedule
from tests.analysis.simulated import simulated

LITERS = 2.0
UNITS = {
    # name in the metric log, in the US log, and the conversion with scipy's constants
    "ECT": ("degC", "degF", lambda x: constants.convert_temperature(x, "C", "F")),
    "IAT": ("degC", "degF", lambda x: constants.convert_temperature(x, "C", "F")),
    "AAT": ("degC", "degF", lambda x: constants.convert_temperature(x, "C", "F")),
    "VSS": ("km/h", "mph", lambda x: x * constants.kmh / constants.mph),
    "MAP": ("kPa", "psi", lambda x: x * 1000.0 / constants.psi),
    "BARO": ("kPa", "psi", lambda x: x * 1000.0 / constants.psi),
    "MAF": ("g/s", "lb/min", lambda x: x / 1000.0 / constants.pound * constants.minute),
}
"""Factors are scipy's: the importer's are pint's."""
CASES = [(10_021, {}), (10_032, {"maf_low": 1.0}), (10_042, {"thermostat_open": 1.0})]


def drive(seed: int, faults: dict[str, float]) -> Recording:
    return simulated(
        seed, faults, fleet_schedule(seed), WANTED, RATES_HZ, ambient_degc=12.0, altitude_m=300.0
    )


@pytest.fixture(scope="module", params=CASES, ids=lambda case: next(iter(case[1]), "healthy"))
def recording(request) -> Recording:
    return drive(*request.param)


def by_key(found: list[Finding]) -> dict[tuple[str, str], Finding]:
    return {(f.check, f.subject): f for f in found}


def traces_of(recording: Recording) -> list[Trace]:
    return [recording.trace(*key) for key in recording.keys]


def assert_same_figures(a: Finding, b: Finding) -> None:
    """Value and uncertainty are equal but for rounding, or both are missing."""
    for mine, others in ((a.value, b.value), (a.uncertainty, b.uncertainty)):
        assert (mine is None) == (others is None)
        if mine is not None:
            assert mine == pytest.approx(others, rel=1e-6, abs=1e-6)


# --- units ---


def as_log(recording: Recording, us: bool) -> Recording:
    """The drive as a table of 5 Hz in metric or US units, read by the importer."""
    t_s = np.arange(0.0, recording.duration_ns / 1e9, 0.2)
    columns = {"time (s)": t_s}
    for trace in traces_of(recording):
        if trace.signal.startswith(("LAMBDA", "O2S")):
            continue  # these have no units to choose
        metric, other, convert = UNITS.get(trace.signal, (trace.unit, trace.unit, lambda x: x))
        value = np.interp(t_s, trace.t_s, trace.value)
        unit = other if us else metric
        columns[f"{trace.signal} ({unit})"] = convert(value) if us else value
    sheet = sheet_of_frame(pd.DataFrame(columns))
    (made,) = build(sheet, detect_mapping(sheet), "a table").drives
    vehicle = Car(displacement_l=recording.facts.vehicle.displacement_l)
    return Recording.of(list(made.traces), Facts(vehicle=vehicle))


def test_a_log_in_us_units_gives_the_same_findings(recording):
    metric, us = (by_key(run_checks(as_log(recording, us))) for us in (False, True))
    assert list(metric) == list(us)
    assert sum(f.verdict is not Verdict.NOT_JUDGED for f in metric.values()) > 12
    for key, a in metric.items():
        b = us[key]
        assert (a.verdict, a.causes, a.unit) == (b.verdict, b.causes, b.unit), key
        assert_same_figures(a, b)


BANDS = sorted(load_bands(), key=lambda band: band.key)


@given(
    st.sampled_from(BANDS),
    st.floats(-200, 400),
    st.floats(0, 60),
    st.floats(0.01, 100),
    st.floats(-50, 50),
)
@settings(max_examples=200, deadline=None)
def test_a_band_in_other_units_says_the_same(band, value, half, factor, offset):
    def moved(x):
        return None if x is None else x * factor + offset

    other = dataclasses.replace(
        band,
        within=tuple(moved(x) for x in band.within),
        watch=tuple(moved(x) for x in band.watch),
    )
    edges = [x for x in (*band.within, *band.watch) if x is not None]
    reach = [value, value - half, value + half]
    if min(abs(r - e) for r in reach for e in edges) < 1e-6:
        return  # on an edge rounding decides
    assert judge(other, moved(value), half * factor) is judge(band, value, half)


# --- when it was recorded ---


def test_a_drive_recorded_later_gives_the_same_findings(recording):
    shift_ns = 86_400_123_456_789
    moved = [
        dataclasses.replace(trace, t_ns=trace.t_ns + shift_ns) for trace in traces_of(recording)
    ]
    plain = run_checks(recording)
    later = run_checks(Recording.of(moved, recording.facts))
    for a, b in zip(plain, later, strict=True):
        back = tuple(
            dataclasses.replace(s, start_ns=s.start_ns - shift_ns, end_ns=s.end_ns - shift_ns)
            for s in b.evidence
        )
        assert (a.check, a.subject, a.verdict) == (b.check, b.subject, b.verdict)
        assert (a.evidence, a.causes, a.next_steps) == (back, b.causes, b.next_steps)
        assert_same_figures(a, b)


# --- order ---


def test_the_order_of_traces_and_samples_does_not_matter(recording):
    rng = np.random.default_rng(1)
    mixed = []
    for trace in reversed(traces_of(recording)):
        order = rng.permutation(len(trace))
        mixed.append(dataclasses.replace(trace, t_ns=trace.t_ns[order], value=trace.value[order]))
    again = run_checks(Recording.of(mixed, recording.facts))
    assert [finding_to_dict(f) for f in again] == [
        finding_to_dict(f) for f in run_checks(recording)
    ]


# --- sample rate ---


def thinned(recording: Recording, every: int, start: int) -> Recording:
    kept = [
        dataclasses.replace(t, t_ns=t.t_ns[start::every], value=t.value[start::every])
        for t in traces_of(recording)
    ]
    return Recording.of(kept, recording.facts)


def near_an_edge(finding: Finding) -> bool:
    """Whether the interval reaches an edge of the band: then another drawing may fall beside it."""
    if finding.band is None or finding.value is None:
        return False
    half = max(finding.uncertainty or 0.0, 0.02 * abs(finding.value))
    edges = [x for x in (*finding.band.within, *finding.band.watch) if x is not None]
    return any(abs(finding.value - edge) <= half for edge in edges)


@pytest.mark.parametrize("start", [0, 1])
def test_half_the_rate_may_silence_a_finding_but_never_flips_it(recording, start):
    rates = [by_key(run_checks(r)) for r in (recording, thinned(recording, 2, start))]
    rates.append(by_key(run_checks(thinned(recording, 4, start))))
    for fast, slow in itertools.pairwise(rates):
        for key, a in fast.items():
            b = slow.get(key)
            if key[0] == "recording" or b is None or Verdict.NOT_JUDGED in (a.verdict, b.verdict):
                continue  # what is said of the sampling itself may change
            assert {a.verdict, b.verdict} != {Verdict.ACT, Verdict.WITHIN}, key
            if a.verdict is not b.verdict and a.band is not None:
                assert near_an_edge(a) or near_an_edge(b), (key, a.reason, b.reason)
