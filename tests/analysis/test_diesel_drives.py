"""The checks on healthy diesels in traffic: nothing is wrong, and much is judged."""

from __future__ import annotations

import pytest

from logbench.analysis.run import run_checks
from logbench.analysis.states import find_states
from logbench.analysis.view import View
from tests.analysis.diesel_roads import road_drive
from tests.analysis.real_diesels import judged_share, slow_drive


@pytest.mark.parametrize("seed", range(200, 216))
def test_a_healthy_diesel_in_traffic_is_judged_and_nothing_is_wrong(seed):
    found = run_checks(road_drive(seed))
    severe = [f for f in found if f.verdict.severity]
    assert not severe, [(f.heading, f.reason) for f in severe]
    assert judged_share(found) > 0.36


@pytest.mark.parametrize("day", [1, 3])
def test_an_idle_that_the_compressor_raises_is_judged_at_each_of_its_speeds(day):
    """Seen: a scatter of 30 rpm, for neither pressure nor air of a diesel shows the load."""
    view = View(slow_drive(3, day))
    found = {f.subject: f for f in run_checks(view, only=["idle"])}
    assert not [f.reason for f in found.values() if f.verdict.severity]
    states = view.once(find_states)
    assert (states.load_signal, states.parted_by) == ("", "RPM")
    assert states.steps
