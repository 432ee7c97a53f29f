"""Comparisons of drives made by hand: what has changed is known to the last digit."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from logbench.analysis.comparison.cells import LOAD_AXES, key_of
from logbench.analysis.comparison.compare import compare
from logbench.analysis.comparison.results import FindingVerdict, SignalVerdict
from logbench.car.known import KnownCars
from logbench.errors import UsageError
from logbench.recording.reader import Recording, open_recording
from tests.analysis.scenes import CRUISE, HILL, HOLD, IDLE, KEY_ON, Phase, Scene

RECORDINGS = Path(__file__).parents[3] / "recordings"
ROUTE = (KEY_ON, Phase(4, 900), IDLE, HOLD, CRUISE, HILL, CRUISE, IDLE, HOLD)
OTHER_WAY = (KEY_ON, Phase(4, 900), HILL, IDLE, CRUISE, HOLD, IDLE, CRUISE, IDLE)


def scene(trim: float = 0.0, phases=ROUTE, seed: int = 1, hz: float = 5.0) -> Scene:
    """A drive whose bank 1 shows this total trim everywhere."""
    made = [Phase(**{**vars(p), "trim": (trim, 0.0)}) for p in phases]
    return Scene(made, hz=hz, seed=seed).trims().set(VPWR=14.1, SPARKADV=20.0)


def drive(trim: float = 0.0, phases=ROUTE, seed: int = 1, **facts) -> Recording:
    return scene(trim, phases, seed).recording(**facts)


def test_a_change_is_found_with_its_size_over_another_route():
    result = compare([drive(12.0)], [drive(1.5, OTHER_WAY, seed=2)])
    trim = result.signal("TOTAL_TRIM1")
    assert trim.changed
    assert trim.change == pytest.approx(-10.5, abs=0.4)
    assert 4.0 < trim.half_width < 8.0  # of one drive a side, what cars do from day to day
    assert "total fuel trim, bank 1" in result.summary
    assert "lower" in result.summary
    assert not result.needs_confirmation


def test_nothing_is_found_where_nothing_changed():
    result = compare([drive(4.0)], [drive(4.0, OTHER_WAY, seed=2)])
    assert {s.verdict for s in result.signals if s.key in ("TOTAL_TRIM1", "VPWR", "SPARKADV")} == {
        SignalVerdict.NO_CHANGE
    }
    trim = result.signal("TOTAL_TRIM1")
    assert trim.detectable > trim.half_width > 0.0
    assert "could have been missed" in trim.reason
    assert "One more drive of each side would show a change of" in trim.reason
    assert "taken from other cars" in result.summary


def test_a_change_in_one_cell_only_is_seen_in_that_cell():
    lean_idle = [Phase(**{**vars(p), "trim": (12.0 if p is IDLE else 0.0, 0.0)}) for p in ROUTE]
    before = Scene(lean_idle, hz=5.0).trims().recording()
    result = compare([before], [drive(0.0, OTHER_WAY, seed=2)])
    trim = result.signal("TOTAL_TRIM1")
    by_rpm = {key_of(c.code).rpm[0]: (c, k) for c, k in zip(trim.cells, trim.cells_changed)}  # noqa: B905
    idle, changed = by_rpm[400.0]
    assert changed
    assert idle.difference.value == pytest.approx(-12.0, abs=1.0)
    others = [c for rpm, (c, _) in by_rpm.items() if rpm > 400.0]
    assert others
    for cell in others:
        assert abs(cell.difference.value) < 2.0


def test_several_recordings_a_side_share_their_evidence():
    one = compare([drive(5.0)], [drive(4.0, OTHER_WAY, seed=2)])
    two = compare(
        [drive(5.0), drive(5.0, OTHER_WAY, seed=3)],
        [drive(4.0, OTHER_WAY, seed=2), drive(4.0, seed=4)],
    )
    assert two.signal("TOTAL_TRIM1").before_s > 1.7 * one.signal("TOTAL_TRIM1").before_s
    assert two.signal("TOTAL_TRIM1").half_width < one.signal("TOTAL_TRIM1").half_width
    assert two.signal("TOTAL_TRIM1").change == pytest.approx(-1.0, abs=0.4)


def test_order_of_sides_only_turns_the_sign():
    forth = compare([drive(6.0)], [drive(2.0, OTHER_WAY, seed=2)], with_findings=False)
    back = compare([drive(2.0, OTHER_WAY, seed=2)], [drive(6.0)], with_findings=False)
    for a, b in zip(forth.signals, back.signals, strict=True):
        if a.change is not None:
            assert b.change == pytest.approx(-a.change)
            assert b.half_width == pytest.approx(a.half_width)
            assert b.verdict is a.verdict


def test_findings_get_verdicts():
    made = compare([drive(18.0)], [drive(1.0, OTHER_WAY, seed=2)])
    by = {(f.check, f.subject): f for f in made.findings}
    assert by["fuel_trim", "bank 1, warm idle"].verdict is FindingVerdict.RESOLVED
    worse = compare([drive(1.0)], [drive(18.0, OTHER_WAY, seed=2)])
    by = {(f.check, f.subject): f for f in worse.findings}
    assert by["fuel_trim", "bank 1, warm idle"].verdict is FindingVerdict.NEW
    better = compare([drive(30.0)], [drive(17.0, OTHER_WAY, seed=2)])
    by = {(f.check, f.subject): f for f in better.findings}
    assert by["fuel_trim", "bank 1, warm idle"].verdict is FindingVerdict.IMPROVED
    same = compare([drive(18.0)], [drive(18.0, OTHER_WAY, seed=2)])
    by = {(f.check, f.subject): f for f in same.findings}
    assert by["fuel_trim", "bank 1, warm idle"].verdict is FindingVerdict.NO_CHANGE
    assert "Still out of range" in same.summary


def test_demo_recordings_give_the_right_verdict():
    before, after = (open_recording(RECORDINGS / f"{n}.parquet") for n in ("before", "after"))
    result = compare([before], [after])
    by = {(f.check, f.subject): f.verdict for f in result.findings}
    assert by["fuel_trim", "bank 1, warm idle"] is FindingVerdict.RESOLVED
    assert not {FindingVerdict.WORSE, FindingVerdict.NEW} & set(by.values())
    trim = result.signal("TOTAL_TRIM1")
    assert trim.changed
    assert trim.reason.startswith("Changed unevenly: by −5")  # at idle only: unmetered air
    idle = max(trim.cells, key=lambda c: abs(c.difference.value))
    assert key_of(idle.code).rpm[0] == 400.0
    assert result.spans(idle.code, "before")


def test_the_document_holds_every_number():
    result = compare([drive(8.0)], [drive(1.5, OTHER_WAY, seed=2)])
    trim = result.signal("TOTAL_TRIM1")
    document = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    table = pd.DataFrame(document["signals"]).set_index("signal")
    assert table.loc["TOTAL_TRIM1", "change"] == trim.change
    assert table.loc["TOTAL_TRIM1", "half_width"] == trim.half_width
    cells = document["cells"]
    assert len(cells) == sum(len(s.cells) for s in result.signals)
    weights = [cell["weight"] for cell in cells if cell["signal"] == "TOTAL_TRIM1"]
    assert sum(weights) == pytest.approx(1.0)
    assert len(document["findings"]) == len(result.findings)
    assert set(table.index) == {s.key for s in result.signals}


def test_every_load_axis_serves():
    route = ROUTE[1:]  # with the engine off at the start, MAP would tell the air's pressure
    full = scene(6.0, route)
    rpm, load = full.signals["RPM"], full.signals["LOAD_PCT"]
    everything = {
        "MAF": rpm * load / 4000.0,
        "LOAD_ABS": load * 0.9,
        "EVAP_PCT": np.zeros(len(rpm)),
    }
    drop: list[str] = []
    for axis in LOAD_AXES:
        made = [
            scene(trim, route, seed).set(**everything).drop(*drop)
            for trim, seed in ((6.0, 1), (2.0, 2))
        ]
        result = compare(*([m.recording()] for m in made), with_findings=False)
        assert result.axis is not None
        assert result.axis.key == axis.key
        assert result.signal("TOTAL_TRIM1").change == pytest.approx(-4.0, abs=0.5)
        assert all(s.key not in axis.signals for s in result.signals)
        drop += ["BARO"] if axis.key == "PRESSURE_RATIO" else [axis.signals[0]]


def test_purge_vapor_is_not_taken_for_a_repair():
    # the same engine: 10 % of purge takes 3 % of fuel away; the second drive purged more
    drives = []
    for seed, most in ((1, 10.0), (2, 30.0)):
        one = scene(2.0, seed=seed)
        purge = np.interp(one.t_s % 60.0, [0, 30, 31, 60], [0.0, 0.0, most, most])
        one.set(EVAP_PCT=purge)
        one.signals["SHRTFT1"] = one.signals["SHRTFT1"] - 0.3 * purge
        drives.append(one.recording())
    found = compare([drives[0]], [drives[1]], with_findings=False).signal("TOTAL_TRIM1")
    assert found.change == pytest.approx(0.0, abs=0.5)
    blind = [Recording.of([t for t in d.traces() if t.signal != "EVAP_PCT"]) for d in drives]
    assert compare([blind[0]], [blind[1]], with_findings=False).signal("TOTAL_TRIM1").change < -1.5


# --- degenerate cases: a clear answer, never a number that looks like a result ------------------


def no_numbers(result, *keys: str) -> list[str]:
    """Reasons of these signals, after making sure that none carries a number."""
    reasons = []
    for key in keys:
        found = result.signal(key)
        assert found.verdict is SignalVerdict.NOT_COMPARABLE
        assert found.change is None
        assert found.half_width is None
        assert found.p is None
        reasons.append(found.reason)
    return reasons


def test_no_recordings_are_refused():
    with pytest.raises(UsageError, match="at least one recording before"):
        compare([], [drive()])


def test_too_little_overlap_names_what_to_drive():
    result = compare(
        [drive(8.0, (KEY_ON, Phase(4, 900), HOLD, HOLD))],
        [drive(0.0, (KEY_ON, Phase(4, 900), CRUISE, HILL))],
    )
    (reason,) = no_numbers(result, "TOTAL_TRIM1")
    assert "Too little overlap" in reason
    assert "Drive: " in reason
    assert any("missing after" in text for text in result.to_drive)
    assert any("missing before" in text for text in result.to_drive)


def test_a_recording_of_a_few_seconds():
    short = scene(8.0, (KEY_ON, Phase(6, 720))).recording()
    result = compare([short], [drive(0.0)])
    no_numbers(result, "TOTAL_TRIM1", "VPWR")
    assert result.warm_up.ratio is None


def test_an_empty_recording():
    result = compare([Recording.of([])], [drive()])
    assert not result.comparable
    assert all(s.verdict is SignalVerdict.NOT_COMPARABLE for s in result.signals)
    assert "enough in common" in result.summary


def test_an_engine_that_never_got_warm():
    cold = scene(8.0).set(ECT=45.0).recording()
    result = compare([cold], [drive(0.0)])
    (reason,) = no_numbers(result, "TOTAL_TRIM1")
    assert "never warm before" in reason


def test_different_cars_need_confirmation():
    first = drive(8.0, vin="ZZ9TEST170X000001")
    second = drive(0.0, vin="ZZ9TEST280X000002")
    result = compare([first], [second])
    assert result.needs_confirmation
    assert any("VIN" in c.text and c.confirm for c in result.concerns)
    assert not compare([first], [drive(0.0, vin="ZZ9TEST170X000001")]).needs_confirmation
    unknown = compare([first], [drive(0.0)])
    assert not unknown.needs_confirmation
    assert any("Not known whether it is the same car" in c.text for c in unknown.concerns)


def test_cars_said_to_be_one_are_compared_and_that_is_noted():
    first, second = drive(8.0, vin="ZZ9TEST170X000001"), drive(0.0, vin="ZZ9TEST280X000002")
    known = KnownCars()
    known.answer(first.facts.identity, second.facts.identity, same=True)
    result = compare([first], [second], known=known)
    assert not result.needs_confirmation
    assert any("as you said earlier" in c.text for c in result.concerns)


def test_other_ecus_and_engines_need_confirmation():
    first, second = drive(8.0), drive(0.0)
    first.facts.ecus, second.facts.ecus = {"7E8": "ECM"}, {"7E8": "ECM", "7E9": "TCM"}
    noted = compare([first], [second])  # an ECU that was asleep is only worth a note
    assert not noted.needs_confirmation
    assert any("ECUs: 7E8 and 7E8, 7E9" in c.text for c in noted.concerns)
    second.facts.ecus = {"7E8": "another"}
    assert compare([first], [second]).needs_confirmation
    second.facts.ecus = {"7E8": ""}  # a name that was not read says nothing
    assert not compare([first], [second]).needs_confirmation
    for one in (first, second):  # the same VIN decides: an ECU was exchanged
        one.facts.vehicle.vin = "ZZ9TEST170X000001"
    second.facts.ecus = {"7E8": "another"}
    assert not compare([first], [second]).concerns
    assert compare(
        [drive(1.0, displacement_l=1.6)], [drive(1.0, displacement_l=2.0)]
    ).needs_confirmation


def test_different_units():
    before, after = drive(8.0), drive(0.0)
    for recording, unit in ((before, "%"), (after, "V")):
        traces = [
            type(t)(t.signal, t.ecu, unit if t.signal == "VPWR" else "", t.t_ns, t.value)
            for t in recording.traces()
        ]
        recording.__dict__.update(Recording.of(traces, recording.facts).__dict__)
    result = compare([before], [after])
    (reason,) = no_numbers(result, "VPWR")
    assert "different units" in reason
    assert result.signal("TOTAL_TRIM1").change is not None


def test_missing_signals():
    result = compare([scene(8.0).drop("LONGFT1", "VPWR").recording()], [drive(0.0)])
    reasons = no_numbers(result, "TOTAL_TRIM1", "VPWR", "LONGFT1")
    assert all("Not recorded before the repair" in reason for reason in reasons)
    assert result.signal("SHRTFT1").change is not None


def test_no_load_at_all():
    bare = [s.drop("MAP", "LOAD_PCT").recording() for s in (scene(8.0), scene(0.0))]
    result = compare([bare[0]], [bare[1]])
    assert result.axis is None
    (reason,) = no_numbers(result, "TOTAL_TRIM1")
    assert "one of MAP, LOAD_ABS, LOAD_PCT or MAF" in reason


def test_a_car_without_closed_loop():
    open_loop = scene(8.0).set(FUELSYS1=4.0).recording()
    result = compare([open_loop], [drive(0.0)])
    (reason,) = no_numbers(result, "TOTAL_TRIM1")
    assert "never in closed loop before" in reason
    assert any("closed loop" in c.text for c in result.concerns)
    assert result.signal("VPWR").change is not None


def test_other_weather_is_said_and_air_not_compared():
    hot = scene(2.0).set(IAT=48.0, FUEL_RATE=2.0)
    cool = scene(2.0, OTHER_WAY, seed=2).set(IAT=20.0, FUEL_RATE=2.0)
    result = compare([hot.recording()], [cool.recording()])
    (reason,) = no_numbers(result, "FUEL_RATE")
    assert "28 K" in reason
    assert any("48 °C before, 20 °C after" in c.text for c in result.concerns)
    assert result.signal("TOTAL_TRIM1").change is not None
