"""Recirculation, and the airflow of an engine that no flap throttles."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.causes.catalog import NAMED
from logbench.analysis.model import Coverage, Verdict
from logbench.analysis.run import run_checks
from tests.analysis.charged import CRUISE, IDLE, LITERS, breathing, charged, diesel
from tests.analysis.diesel import diesel_drive
from tests.analysis.scenes import Scene, warm_drive

COMMANDS = ("EGR_A_CMD", "EGR_A_ACT", "EGR_PCT", "EGR_ERR")


def found_in(scene: Scene, check: str = "recirculation", liters: float | None = LITERS):
    return {f.subject: f for f in run_checks(diesel(scene, liters), only=[check])}


def stuck(position: float) -> Scene:
    scene = charged()
    asked = scene.signals["EGR_A_CMD"]
    error = np.clip(100.0 * (position - asked) / np.maximum(asked, 1.0), -100.0, 99.2)
    return breathing(scene.set(EGR_A_ACT=position, EGR_ERR=error))


def test_a_healthy_valve_is_within():
    found = found_in(charged())
    assert {f.verdict for f in found.values()} == {Verdict.WITHIN}
    assert set(found) == {"valve A", "valve A, commanded shut", "error", "airflow", "command"}


def test_a_valve_stuck_shut():
    found = found_in(stuck(0.0))
    assert found["valve A"].verdict is Verdict.ACT
    assert found["error"].verdict is Verdict.ACT
    assert found["airflow"].verdict is Verdict.WATCH
    assert found["error"].causes[0] == NAMED["egr_shut"].text


def test_a_valve_stuck_open():
    found, air = found_in(stuck(60.0)), found_in(stuck(60.0), "airflow")
    assert found["error"].verdict is Verdict.ACT
    assert found["error"].causes[0] == NAMED["egr_open"].text
    short = air["recirculation shut, charged"]
    assert short.verdict is not Verdict.WITHIN
    assert NAMED["egr_open"].text in short.causes[:2]


def test_a_valve_that_does_not_shut_is_seen_where_it_is_never_opened():
    scene = stuck(45.0).set(EGR_A_CMD=0.0, EGR_PCT=0.0)
    rest = found_in(scene)["valve A, commanded shut"]
    assert rest.verdict is Verdict.ACT
    assert rest.causes[0] == NAMED["egr_open"].text
    assert rest.value == pytest.approx(45.0, abs=1.0)


def test_a_valve_that_must_open_far():
    scene = charged()
    wide = np.where(scene.signals["EGR_A_CMD"] > 10.0, 98.0, 0.0)
    found = found_in(scene.set(EGR_A_CMD=wide, EGR_PCT=wide))
    assert found["command"].verdict is Verdict.WATCH
    assert found["command"].causes[0] == NAMED["egr_cooler"].text


def test_less_air_still_without_charge_is_the_valve_first():
    scene = charged()
    share = np.where(scene.signals["MAP"] > 130.0, 0.75, 0.5)
    found = found_in(scene.set(MAF=scene.signals["MAF"] * share), "airflow")
    low = found["recirculation shut, not charged"]
    assert low.verdict is not Verdict.WITHIN
    assert low.causes[0] == NAMED["egr_open"].text


def test_without_a_command_idle_is_held_against_high_load():
    found = found_in(charged().drop(*COMMANDS))
    assert set(found) == {"airflow"}
    assert found["airflow"].verdict is Verdict.WITHIN
    shut = found_in(stuck(0.0).drop(*COMMANDS))["airflow"]
    assert shut.verdict is Verdict.WATCH
    assert found_in(stuck(0.0).drop(*COMMANDS).set(AAT=4.0))["airflow"].verdict is (
        Verdict.NOT_JUDGED
    )


def test_what_does_not_recirculate_has_one_line():
    (finding,) = run_checks(Scene(warm_drive()).recording(), only=["recirculation"])
    assert finding.coverage is Coverage.NOT_APPLICABLE


# --- the airflow of an unthrottled engine ---


@pytest.mark.parametrize("told", [True, False])
def test_the_efficiency_with_recirculation_shut(told):
    scene = charged() if told else charged().drop(*COMMANDS)
    found = found_in(scene, "airflow")
    assert {f.verdict for f in found.values()} == {Verdict.WITHIN}
    assert set(found) == {
        f"recirculation shut, {n}" for n in ("charged", "not charged")[: 1 + told]
    }
    shut = found["recirculation shut, charged"]
    assert shut.value == pytest.approx(87.0, abs=2.0)
    assert ("valve commanded shut" if told else "high load") in shut.reason


@pytest.mark.parametrize("told", [True, False])
def test_a_sensor_that_reads_low(told):
    scene = breathing(charged(), gain=0.62)
    found = found_in(scene if told else scene.drop(*COMMANDS), "airflow")[
        "recirculation shut, charged"
    ]
    assert found.verdict is not Verdict.WITHIN, found.reason
    assert found.causes[0] == NAMED["maf_low"].text


def test_a_leak_behind_the_sensor_is_more_air_than_the_engine_takes():
    scene = charged()
    lost = np.clip(scene.signals["MAP"] - 100.0, 0.0, None) / 100.0 * 0.6
    scene.set(MAF=scene.signals["MAF"] * (1.0 + lost))
    found = found_in(scene, "airflow")
    assert found["recirculation shut, not charged"].verdict is Verdict.WITHIN
    finding = found["recirculation shut, charged"]
    assert finding.verdict is not Verdict.WITHIN
    assert finding.causes[0] == NAMED["charge_leak_before"].text


def test_without_a_displacement_only_the_shape_is_judged():
    (finding,) = found_in(charged().drop(*COMMANDS), "airflow", None).values()
    assert finding.subject == "shape of the air-flow sensor"
    assert finding.verdict is Verdict.WITHIN
    (told,) = found_in(charged(), "airflow", None).values()
    assert told.verdict is Verdict.WITHIN
    assert told.value == pytest.approx(100.0, abs=3.0)
    scene = charged().drop(*COMMANDS)
    scene.set(MAF=np.minimum(scene.signals["MAF"], 38.0))
    (finding,) = found_in(scene, "airflow", None).values()
    assert finding.verdict is Verdict.WATCH
    assert "recirculate on the overrun" in finding.reason


def test_the_real_diesels_kind_of_log_is_judged():
    """Round robin at 11 Hz, nothing stated, no barometer (real-figures)."""
    found = run_checks(diesel_drive(), only=["airflow", "recirculation", "charge_pressure"])
    assert {f.verdict for f in found} == {Verdict.WITHIN}


def test_without_high_load_only_the_upper_limit_holds():
    scene = charged(phases=[IDLE, CRUISE, IDLE]).drop(*COMMANDS)
    assert set(found_in(scene, "airflow")) == {"most air"}
    assert found_in(scene, "airflow")["most air"].verdict is Verdict.WITHIN
    scene.set(MAF=2.2 * scene.signals["MAF"])
    assert found_in(scene, "airflow")["most air"].verdict is not Verdict.WITHIN
