"""Whatever a recording holds, the checks answer and never raise."""

from __future__ import annotations

import json

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from logbench.analysis.model import Verdict
from logbench.analysis.run import all_checks, finding_to_dict, run_checks
from logbench.car.model import Car
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from logbench.signals.table import table
from tests.analysis.scenes import Scene, warm_drive

NAMES = [*sorted({name for module in all_checks() for name in module.INPUTS}), "XYZ"]


def answers(recording: Recording) -> list:
    found = run_checks(recording)
    json.dumps([finding_to_dict(f) for f in found], allow_nan=False)
    for finding in found:
        assert finding.reason.endswith(".")
        assert finding.value is None or np.isfinite(finding.value)
        if finding.verdict.severity:
            assert finding.causes or finding.next_steps
    return found


@st.composite
def traces(draw):
    made = []
    for name in draw(st.lists(st.sampled_from(NAMES), unique=True, max_size=12)):
        n = draw(st.integers(0, 60))
        rng = np.random.default_rng(draw(st.integers(0, 1000)))
        kind = draw(st.sampled_from(["any", "constant", "nan", "some nan", "steps", "huge"]))
        if name in {s.acronym for s in table()}:
            signal = table().by_acronym(name)
            value = rng.uniform(signal.minimum, min(signal.maximum, 1e6), n)
        else:
            value = rng.normal(size=n)
        if kind == "constant" and n:
            value[:] = value[0]
        if kind == "nan":
            value[:] = np.nan
        if kind == "some nan":
            value[::3] = np.nan
        if kind == "steps":
            value = np.round(value, -1)
        if kind == "huge":
            value *= 1e12
        step = draw(st.sampled_from([0, 1, 10**8, 10**9, 10**10]))
        t_ns = np.sort(rng.integers(0, max(1, n * step) + 1, n))
        made.append(Trace(name, draw(st.sampled_from(["7E8", "7E9"])), "", t_ns, value))
    return made


@given(traces(), st.sampled_from([None, 0.9, 5.0]), st.sampled_from([None, True, False]))
@settings(max_examples=60, deadline=None)
def test_random_samples(made, liters, turbo):
    facts = Facts(vehicle=Car(displacement_l=liters, turbo=turbo))
    answers(Recording.of(made, facts))


def whole() -> Recording:
    scene = Scene(warm_drive(5, 4, 3, 2, second=(1, 1, 1, 1)), hz=4.0).trims(2)
    flow = np.interp(scene.signals["MAP"], [25, 40, 90], [0.62, 0.74, 0.87])
    flow = flow * scene.signals["MAP"] / (0.28705 * 298.15) * 2.0 * scene.signals["RPM"] / 120.0
    scene.set(MAF=flow, VPWR=14.1, SPARKADV=12.0, O2S11=0.45, O2S12=0.7, LAMBDA=1.0, MIL=0.0)
    return scene.set(APP_E=0.5 * scene.signals["APP_D"], AAT=20.0, RUNTM=scene.t_s).recording(
        displacement_l=2.0
    )


@given(st.sets(st.sampled_from(whole().signals)), st.floats(0.0, 300.0), st.floats(0.0, 120.0))
@settings(max_examples=20, deadline=None)
def test_parts_of_a_real_drive(left_out, start_s, length_s):
    recording = whole()
    made = []
    for signal, ecu in recording.keys:
        if signal in left_out:
            continue
        t = recording.trace(signal, ecu)
        part = (t.t_s >= start_s) & (t.t_s <= start_s + length_s)
        made.append(Trace(signal, ecu, t.unit, t.t_ns[part], t.value[part]))
    found = answers(Recording.of(made, recording.facts))
    trims = [f for f in found if f.check in ("fuel_trim", "airflow", "warm_up")]
    assert all(f.verdict is not Verdict.ACT for f in trims)  # a part of a healthy drive


SPOIL = {
    "nan": lambda v, rng: np.full(len(v), np.nan),
    "some nan": lambda v, rng: np.where(rng.random(len(v)) < 0.5, np.nan, v),
    "constant": lambda v, rng: np.full(len(v), v[0]),
    "zero": lambda v, rng: np.zeros(len(v)),
    "negative": lambda v, rng: -v,
    "huge": lambda v, rng: v * 1e9,
    "noise": lambda v, rng: v + rng.normal(0.0, 50.0, len(v)),
    "shuffled": lambda v, rng: rng.permutation(v),
}
spoiled = st.dictionaries(
    st.sampled_from(whole().signals), st.sampled_from(sorted(SPOIL)), max_size=6
)


@given(spoiled, st.integers(0, 100))
@settings(max_examples=25, deadline=None)
def test_spoiled_signals(spoils, seed):
    recording, rng, made = whole(), np.random.default_rng(seed), []
    for signal, ecu in recording.keys:
        t = recording.trace(signal, ecu)
        value = SPOIL[spoils[signal]](t.value, rng) if signal in spoils else t.value
        made.append(Trace(signal, ecu, t.unit, t.t_ns, value))
    answers(Recording.of(made, recording.facts))
