"""How long an adapter that cannot learn it is told to wait."""

from __future__ import annotations

from logbench.vehicle.links.waiting import Wait


def settings(replies_s: list[float], longest_s: float, *, learns: bool = False) -> list[str]:
    wait = Wait()
    wait.learned_by_adapter = learns
    return [wait.command for reply_s in replies_s if wait.take(reply_s, longest_s)]


def test_never_shorter_than_an_ecu_may_take():
    assert settings([0.01] * 100, 0.052) == ["ATST0D"]
    assert settings([0.01] * 100, 0.1) == ["ATST19"]


def test_a_slow_ecu_is_waited_for_and_an_outlier_forgotten():
    assert settings([0.1] * 50, 0.052) == ["ATST20"]
    outlier = [0.01] * 20 + [0.1] + [0.01] * 60
    assert settings(outlier, 0.052) == ["ATST0D", "ATST20", "ATST0D"]


def test_never_longer_than_its_own_and_not_told_where_it_learns():
    assert settings([0.5] * 50, 0.052) == []
    assert settings([0.01] * 50, 0.052, learns=True) == []
