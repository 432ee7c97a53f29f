"""Real recordings of one healthy car (shared/data/road-1hz, carOBD; IEEE document 8891367).

Nothing was repaired between them. What is found is told in docs/comparison.md: trims of one half
against the other keep to 3 points, those of different warm drives too, except that one short drive
(`live12`, whose README entry names a total of about +7 %) idles some ten points above all others.
"""

from __future__ import annotations

import itertools

import pytest

from logbench.analysis.comparison.compare import compare
from logbench.analysis.comparison.results import Comparison, SignalVerdict
from logbench.recording.model import Trace
from logbench.recording.reader import Recording
from tests.road_data import read_road_csv

ODD = "live12"
WARM = ("drive12", "idle1", "idle27", "long1")


@pytest.fixture(scope="module")
def drives(shared_dir):
    names = (*WARM, ODD, "drive5")
    return {name: read_road_csv(shared_dir / f"data/road-1hz/{name}.csv") for name in names}


def half(recording: Recording, second: bool) -> Recording:
    middle = recording.duration_ns // 2
    traces = []
    for t in recording.traces():
        keep = (t.t_ns >= middle) == second
        shift = middle if second else 0
        traces.append(Trace(t.signal, t.ecu, t.unit, t.t_ns[keep] - shift, t.value[keep]))
    return Recording.of(traces, recording.facts)


def trim(result: Comparison):
    return result.signal("TOTAL_TRIM1")


@pytest.mark.parametrize("name", ["drive12", "idle27", "long1"])
def test_halves_of_one_recording_show_no_relevant_change(drives, name):
    result = compare([half(drives[name], False)], [half(drives[name], True)], with_findings=False)
    found = trim(result)
    assert found.verdict is not SignalVerdict.NOT_COMPARABLE
    assert not found.changed
    assert abs(found.change) < 2.5


@pytest.mark.parametrize(("first", "second"), list(itertools.combinations(WARM, 2)))
def test_warm_drives_of_the_healthy_car_show_no_relevant_change_of_trim(drives, first, second):
    found = trim(compare([drives[first]], [drives[second]], with_findings=False))
    assert found.verdict is not SignalVerdict.NOT_COMPARABLE
    assert not found.changed
    assert abs(found.change) < 3.0


def test_the_odd_drive_is_told_apart(drives):
    for name in WARM:
        found = trim(compare([drives[name]], [drives[ODD]], with_findings=False))
        assert found.changed
        assert 6.0 < found.change < 13.0


def test_a_drive_with_hardly_any_warm_running_is_not_compared(drives):
    found = trim(compare([drives["drive12"]], [drives["drive5"]], with_findings=False))
    assert found.verdict is SignalVerdict.NOT_COMPARABLE
    assert found.change is None
