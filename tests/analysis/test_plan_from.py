"""The plan of the second drive asks for the cells of the first."""

from __future__ import annotations

from logbench.analysis.drive_plan import plan_from
from logbench.recording.reader import Recording
from tests.analysis.scenes import CRUISE, IDLE, KEY_ON, Phase, Scene


def test_cells_of_the_first_drive_longest_first():
    made = Scene([KEY_ON, Phase(4, 900), IDLE, IDLE, CRUISE], hz=5.0).trims().recording()
    goals = plan_from([made])
    assert [goal.cell.rpm[0] for goal in goals[:2]] == [400.0, 2000.0]
    assert goals[0].had_s > goals[1].had_s >= goals[1].wanted_s > 0.0
    assert "rpm" in goals[0].cell.text(goals[0].axis)


def test_nothing_to_plan_from():
    assert plan_from([]) == ()
    assert plan_from([Recording.of([])]) == ()
