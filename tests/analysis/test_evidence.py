"""What a drive under way still lacks."""

from __future__ import annotations

from logbench.analysis.model import Coverage, Finding, Verdict
from logbench.analysis.run import all_checks, evidence_so_far, missing_steps, run_checks
from logbench.recording.model import Trace
from logbench.recording.reader import Recording
from tests.analysis.simulated import WARM, simulated

WANTED = (
    *("RPM", "VSS", "ECT", "IAT", "BARO", "MAF", "MAP", "TP", "APP_D", "APP_E", "FUELSYS1"),
    *("LOAD_PCT", "LOAD_ABS", "SHRTFT1", "LONGFT1", "VPWR", "SPARKADV", "O2S11", "O2S12"),
)


def first(recording: Recording, seconds: float) -> Recording:
    """What there was of it after some seconds."""
    cut = []
    for signal, ecu in recording.keys:
        t = recording.trace(signal, ecu)
        part = t.t_s < seconds
        cut.append(Trace(signal, ecu, t.unit, t.t_ns[part], t.value[part]))
    return Recording.of(cut, recording.facts)


def test_a_drive_under_way_is_told_what_it_lacks():
    whole = simulated(1, {}, WARM, WANTED, {"O2S11": 10.0})
    by_time = {s: {e.check: e for e in evidence_so_far(first(whole, s))} for s in (1, 90, 9999)}
    assert list(by_time[1]) == [m.KEY for m in all_checks() if m.KEY in by_time[1]]
    early, later, end = by_time[1], by_time[90], by_time[9999]
    assert not early["idle"].enough
    assert "two minutes of warm idle" in early["idle"].missing
    assert later["idle"].enough
    assert later["idle"].missing == ""
    assert "2,500 rpm" in later["fuel_trim"].missing
    assert end["fuel_trim"].judged > later["fuel_trim"].judged >= 1
    assert sum(e.enough for e in end.values()) > sum(e.enough for e in early.values())
    for entries in by_time.values():
        for entry in entries.values():
            assert entry.enough == (entry.judged == entry.asked) == (entry.missing == "")
            assert entry.title


def test_enough_is_what_the_finished_recording_judges():
    whole = simulated(1, {}, WARM, WANTED)
    found = run_checks(whole)
    for entry in evidence_so_far(whole):
        mine = [f for f in found if f.check == entry.check]
        assert entry.judged == sum(f.verdict is not Verdict.NOT_JUDGED for f in mine)


def test_an_empty_recording_says_what_every_check_wants():
    entries = evidence_so_far(Recording.of([]))
    lacking = {e.check for e in entries if not e.enough}
    assert {"fuel_trim", "airflow", "warm_up", "charging", "idle", "recording"} <= lacking
    assert all(e.missing for e in entries if not e.enough)


def test_a_figure_without_a_band_asks_for_nothing_and_an_unsure_one_asks_for_more():
    figure = Finding(
        "a",
        "x",
        Verdict.NOT_JUDGED,
        "1 l.",
        1.0,
        next_steps=("s",),
        numbers={"l": 1},
        lacks=Coverage.NO_LIMIT,
    )
    lacking = Finding("a", "y", Verdict.NOT_JUDGED, "No.", next_steps=("Record it.", "Twice."))
    assert missing_steps([figure]) == ()
    assert missing_steps([figure, lacking, lacking]) == ("Record it.", "Twice.")
