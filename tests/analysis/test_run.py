"""All checks together: real drives, properties that any recording must keep, the JSON form."""

from __future__ import annotations

import itertools
import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbench.analysis.model import Verdict
from logbench.analysis.run import (
    all_checks,
    finding_to_dict,
    missing_steps,
    run_checks,
    worst,
)
from logbench.errors import UsageError
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from tests.analysis.scenes import Scene, warm_drive
from tests.road_data import read_road_csv

ROAD = ("drive12", "drive5", "idle1", "idle27", "live12", "long1")


@pytest.mark.parametrize("name", ROAD)
def test_no_act_on_a_healthy_real_car(shared_dir, name):
    found = run_checks(read_road_csv(shared_dir / f"data/road-1hz/{name}.csv"))
    acted = [f"{f.check}, {f.subject}: {f.reason}" for f in found if f.verdict is Verdict.ACT]
    assert acted == []
    assert any(f.verdict is Verdict.WITHIN for f in found)


def test_the_slightly_lean_real_drive_is_seen_and_not_alarmed(shared_dir):
    # the data's README: live12 has a total fuel trim of about +7 %
    found = run_checks(read_road_csv(shared_dir / "data/road-1hz/live12.csv"), only=["fuel_trim"])
    idle = next(f for f in found if f.subject == "bank 1, warm idle")
    assert idle.value == pytest.approx(7.0, abs=1.0)
    assert idle.verdict is Verdict.WITHIN


def faulty(hz: float = 10.0) -> Scene:
    scene = Scene(warm_drive(22, 8, 5, 3, second=(1, 1, 1, 1)), hz=hz).trims(2)
    flow = np.interp(scene.signals["MAP"], [25, 40, 90], [0.62, 0.74, 0.87])
    flow = flow * scene.signals["MAP"] / (0.28705 * 298.15) * 2.0 * scene.signals["RPM"] / 120.0
    return scene.set(MAF=0.7 * flow)


def key(finding):
    return finding.check, finding.subject


def test_checks_have_keys_titles_and_an_order():
    modules = all_checks()
    assert [m.KEY for m in modules][:3] == ["fuel_trim", "airflow", "warm_up"]
    assert len({m.KEY for m in modules}) == len(modules)
    assert all(m.TITLE for m in modules)


def test_only_runs_what_is_named():
    recording = faulty().recording()
    assert {f.check for f in run_checks(recording, only=["airflow"])} == {"airflow"}
    with pytest.raises(UsageError, match="There is no check 'airfow'"):
        run_checks(recording, only=["airfow"])


def test_worst():
    found = run_checks(faulty().recording(displacement_l=2.0))
    assert worst(found) is Verdict.ACT
    assert worst([]) is Verdict.NOT_JUDGED
    assert worst([f for f in found if f.verdict is Verdict.WITHIN]) is Verdict.WITHIN


def test_what_is_still_missing_shrinks_as_the_drive_goes_on():
    whole = faulty().set(SPARKADV=8.0).recording(displacement_l=2.0)

    def after(seconds):
        part = [whole.trace(*k) for k in whole.keys]
        cut = [
            Trace(t.signal, t.ecu, t.unit, t.t_ns[t.t_s < seconds], t.value[t.t_s < seconds])
            for t in part
        ]
        found = run_checks(Recording.of(cut, whole.facts))
        checks = {f.check for f in found}
        return {c: missing_steps([f for f in found if f.check == c]) for c in checks}

    early, later, late = after(3), after(75), after(400)
    assert any("2,500 rpm" in step for step in later["fuel_trim"])
    assert not any("60 s of warm idle" in step for step in later["fuel_trim"])
    assert len(late["airflow"]) < len(early["airflow"])
    assert late["idle"] == ()


def test_json_form_is_plain_and_whole():
    found = run_checks(faulty().recording(displacement_l=2.0))
    text = json.dumps([finding_to_dict(f) for f in found], allow_nan=False)
    back = json.loads(text)
    assert len(back) == len(found)
    acted = next(f for f in back if f["verdict"] == "act")
    assert acted["band"]["basis"]
    assert acted["evidence"][0][0] < acted["evidence"][0][1]
    assert acted["causes"]
    assert acted["next_steps"]


@pytest.mark.parametrize(
    "signals", [(), ("RPM",), ("ECT",), ("SHRTFT1", "LONGFT1"), ("MAF", "RPM")]
)
def test_any_recording_gets_an_answer_and_says_what_to_record(signals):
    whole = faulty().recording()
    recording = Recording.of([whole.trace(s) for s in signals], Facts())
    found = run_checks(recording)
    for check in ("fuel_trim", "airflow", "warm_up"):
        mine = [f for f in found if f.check == check]
        assert mine
        for finding in mine:
            assert finding.verdict is Verdict.NOT_JUDGED
            assert finding.next_steps


def test_not_used_everywhere_is_as_good_as_missing():
    recording = faulty().set(SHRTFT1=np.nan, SHRTFT2=np.nan, MAF=np.nan, ECT=np.nan).recording()
    assert {f.verdict for f in run_checks(recording, only=["fuel_trim", "airflow"])} == {
        Verdict.NOT_JUDGED
    }


@given(st.floats(0.0, 90_000.0))
@settings(max_examples=6, deadline=None)
def test_when_the_recording_began_does_not_matter(shift_s):
    scene = faulty(hz=5.0)
    plain = run_checks(scene.recording(displacement_l=2.0))
    moved = run_checks(scene.recording(displacement_l=2.0, shift_s=shift_s))
    for a, b in zip(plain, moved, strict=True):
        assert (key(a), a.verdict) == (key(b), b.verdict)
        assert (a.value is None) == (b.value is None)
        if a.value is not None:
            assert a.value == pytest.approx(b.value, rel=1e-3, abs=0.05)
        if a.evidence:
            delay = (b.evidence[0].start_ns - a.evidence[0].start_ns) / 1e9
            assert delay == pytest.approx(shift_s, abs=0.5)


@pytest.mark.parametrize("trims", [(0, 0, 0, 0), (22, 8, 5, 3), (4, 12, 18, 26), (9, 11, 14, 16)])
@pytest.mark.parametrize("gain", [1.0, 0.85, 0.67])
def test_halving_the_rate_never_flips_a_finding(trims, gain):
    scene = Scene(warm_drive(*trims), hz=8.0).trims()
    ve = np.interp(scene.signals["MAP"], [25, 40, 90], [0.62, 0.74, 0.87])
    flow = ve * scene.signals["MAP"] / (0.28705 * 298.15) * 2.0 * scene.signals["RPM"] / 120.0
    scene.set(MAF=gain * flow)
    by_rate = []
    for every in (1, 2, 4, 8):
        recording = scene.recording(displacement_l=2.0, every=every)
        by_rate.append({key(f): f.verdict for f in run_checks(recording)})
    for fast, slow in itertools.pairwise(by_rate):
        for name, verdict in fast.items():
            pair = {verdict, slow.get(name, Verdict.NOT_JUDGED)}
            assert pair != {Verdict.ACT, Verdict.WITHIN}, name


@pytest.mark.parametrize("name", ROAD)
def test_halving_the_rate_of_a_real_drive_never_flips_a_finding(shared_dir, name):
    recording = read_road_csv(shared_dir / f"data/road-1hz/{name}.csv")
    halved = Recording.of(
        [
            Trace(t.signal, t.ecu, t.unit, t.t_ns[::2], t.value[::2])
            for t in (recording.trace(s, e) for s, e in recording.keys)
        ],
        recording.facts,
    )
    whole = {key(f): f.verdict for f in run_checks(recording)}
    half = {key(f): f.verdict for f in run_checks(halved)}
    for subject, verdict in whole.items():
        assert {verdict, half.get(subject, verdict)} != {Verdict.ACT, Verdict.WITHIN}
