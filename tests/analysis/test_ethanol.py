"""Share of ethanol against the trims."""

from __future__ import annotations

import pytest

from logbench.analysis.causes.catalog import NAMED
from logbench.analysis.checks.ethanol import asked_share_pct
from logbench.analysis.model import Coverage, Verdict
from logbench.analysis.run import run_checks
from tests.analysis.scenes import Scene, warm_drive


def found(scene):
    (finding,) = run_checks(scene.recording(), only=["ethanol"])
    return finding


def test_the_share_by_hand():
    # E85 by mass needs 14.7 - 5.7 x 0.85 = 9.855; a computer that believes in 10 % gives fuel for
    # 14.13 and must add 43.4 %
    assert asked_share_pct(10.0, 43.38) == pytest.approx(85.0, abs=0.1)
    assert asked_share_pct(60.0, 0.0) == pytest.approx(60.0)


@pytest.mark.parametrize(
    ("share", "trim", "verdict"),
    [
        (10.0, 0.0, Verdict.WITHIN),
        (85.0, 4.0, Verdict.WITHIN),
        (10.0, 18.0, Verdict.WATCH),
        (85.0, -24.0, Verdict.WATCH),
    ],
)
def test_a_reported_share_and_trims_that_contradict_it(share, trim, verdict):
    finding = found(Scene(warm_drive(trim, trim, trim)).trims().set(ALCH_PCT=share))
    assert finding.verdict is verdict
    if verdict is Verdict.WATCH:
        assert finding.causes[0] == NAMED["ethanol_sensor"].text


def test_cells_that_differ_are_not_the_fuel_and_other_cars_have_no_share():
    differs = found(Scene(warm_drive(18.0, 4.0, 2.0)).trims().set(ALCH_PCT=10.0))
    assert differs.verdict is Verdict.NOT_JUDGED
    assert "not the fuel" in differs.reason
    assert found(Scene(warm_drive()).trims()).coverage is Coverage.NOT_APPLICABLE
    short = found(Scene(warm_drive()[:3]).trims().set(ALCH_PCT=10.0))
    assert short.coverage is Coverage.NOT_RECORDED
