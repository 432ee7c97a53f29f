"""What becomes of a finding between two drives."""

from __future__ import annotations

import pytest

from logbench.analysis.bands import load_bands
from logbench.analysis.comparison.results import FindingVerdict
from logbench.analysis.comparison.verdicts import compare_findings
from logbench.analysis.model import Finding, Verdict
from logbench.analysis.repeats import OF_CARS

BANDS = load_bands()


def plateau(key: str, value: float, verdict: Verdict) -> Finding:
    band = BANDS[key]
    return Finding(
        "warm_up",
        "settled coolant temperature",
        verdict,
        "",
        value=value,
        uncertainty=0.5,
        unit=band.unit,
        band=band,
    )


@pytest.mark.parametrize("stated_first", [True, False])
def test_a_difference_is_not_held_against_a_temperature(stated_first):
    # the regulating temperature was stated for one drive only
    sides = [
        plateau("warm_up_below_regulating", -1.0, Verdict.WITHIN),
        plateau("warm_up_plateau", 60.0, Verdict.ACT),
    ]
    before, after = sides if stated_first else reversed(sides)
    (result,) = compare_findings([[before]], [[after]], OF_CARS)
    assert result.verdict is FindingVerdict.NOT_COMPARABLE
    assert "different bands" in result.reason
    assert "state the same for both" in result.reason


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        ((60.0, Verdict.ACT), (87.0, Verdict.WITHIN), FindingVerdict.RESOLVED),
        ((87.0, Verdict.WITHIN), (60.0, Verdict.ACT), FindingVerdict.NEW),
        ((74.0, Verdict.WATCH), (60.0, Verdict.ACT), FindingVerdict.WORSE),
        ((60.0, Verdict.ACT), (74.0, Verdict.WATCH), FindingVerdict.IMPROVED),
        ((76.5, Verdict.WATCH), (77.5, Verdict.WITHIN), FindingVerdict.NO_CHANGE),
        ((87.0, Verdict.WITHIN), (87.4, Verdict.WITHIN), FindingVerdict.NO_CHANGE),
    ],
)
def test_numbers_of_one_band_are_compared(first, second, expected):
    sides = [[[plateau("warm_up_plateau", *side)]] for side in (first, second)]
    (result,) = compare_findings(*sides, OF_CARS)
    assert result.verdict is expected
    assert result.change is not None
    assert result.change.value == pytest.approx(second[0] - first[0])
