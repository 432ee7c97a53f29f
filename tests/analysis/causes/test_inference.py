"""What explains it all: plain faults come first, and nothing is made of what was not seen."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from logbench.analysis.causes import likelihood
from logbench.analysis.causes.catalog import CAUSES
from logbench.analysis.causes.inference import explain, explain_observed, priors
from logbench.analysis.causes.model import NOT_LISTED, NOTHING_WRONG, by_cause
from logbench.analysis.causes.observations import observe, of_one_car
from logbench.analysis.causes.response import learned_response, press, stratum_of, stretch
from logbench.analysis.engine import Engine, Known, Trait
from logbench.analysis.model import Coverage, Finding, Verdict
from logbench.vehicle.records.model import CarReading, Code, MonitorResult
from tests.analysis.causes.drives import Case, drive_case
from tests.analysis.causes.learn import traits_of
from tests.analysis.fleet import car_of

PLAIN = (
    (60_000, "thermostat_open"),
    (60_001, "worn_battery"),
    (60_003, "leaking_injector"),
    (60_003, "weak_fuel"),
    (60_008, ""),
)
SPARK = Engine(
    {
        Trait.COMPRESSION: Known(Trait.COMPRESSION, 0.01),
        Trait.FLOW_SENSOR: Known(Trait.FLOW_SENSOR, 0.99),
        Trait.CHARGED: Known(Trait.CHARGED, 0.01),
        Trait.HYBRID: Known(Trait.HYBRID, 0.01),
        Trait.TWO_BANKS: Known(Trait.TWO_BANKS, 0.01),
    }
)


def trim(cell: str, value: float, verdict: Verdict = Verdict.WATCH) -> Finding:
    return Finding(
        "fuel_trim", f"bank 1, {cell}", verdict, "Told.", value, 1.0, "%", lacks=Coverage.UNCERTAIN
    )


LEAN = [trim("warm idle", 18.0), trim("light cruise", 17.0), trim("brisk cruise", 18.0)]
SOUND = [trim(f.subject.removeprefix("bank 1, "), 0.5, Verdict.WITHIN) for f in LEAN]


def first(causes) -> str:
    return causes.ranked[0].cause


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "fault"), PLAIN)
def test_a_plain_fault_is_first_and_a_sound_car_has_nothing_wrong(seed, fault):
    """Of cars that the model has not learned from."""
    faults = ((fault, 1.0),) if fault else ()
    row = drive_case(Case(seed, faults, car_of(seed).kind))
    found = explain_observed(observe(row.as_findings), traits_of(row), learned_response())
    assert first(found) == (fault or NOTHING_WRONG), found.ranked[:3]


def test_probabilities_are_of_all_explanations_and_the_same_every_time():
    found = explain(LEAN, SPARK)
    assert sum(h.probability for h in found.hypotheses) == pytest.approx(1.0)
    assert [h.probability for h in found.hypotheses] == sorted(
        (h.probability for h in found.hypotheses), reverse=True
    )
    assert by_cause(found.hypotheses)[first(found)] == pytest.approx(found.ranked[0].probability)
    shuffled = random.Random(3).sample(LEAN, len(LEAN))
    again = explain(shuffled, SPARK)
    assert [r.cause for r in again.ranked] == [r.cause for r in found.ranked]
    assert again.ranked[0].probability == pytest.approx(found.ranked[0].probability)


def test_lean_everywhere_has_a_cause_of_the_mixture_and_says_why():
    found = explain(LEAN, SPARK)
    assert CAUSES[first(found)].group in ("air", "sensor", "fuel", "oxygen_sensor")
    heaviest = found.ranked[0].pro[0]
    assert heaviest.observation.key.startswith("fuel_trim|")
    assert LEAN[heaviest.observation.finding].value > 10.0
    nothing = next(r for r in found.ranked if r.cause == NOTHING_WRONG)
    assert nothing.contra[0].log_odds < -1.0
    assert first(explain(SOUND, SPARK)) == NOTHING_WRONG


def test_without_anything_seen_the_priors_stand():
    found = explain([], SPARK)
    assert first(found) == NOTHING_WRONG
    assert not found.unexplained
    assert not found.ranked[0].pro


def test_what_was_not_judged_says_nothing():
    silent = [replace(f, verdict=Verdict.NOT_JUDGED, lacks=Coverage.NOT_RECORDED) for f in LEAN]
    bare = [replace(f, value=None) for f in silent]
    for more in (silent, bare):
        again = explain([*SOUND, *more], SPARK)
        assert again.ranked[0].probability == explain(SOUND, SPARK).ranked[0].probability


def test_an_engine_has_no_cause_that_it_cannot_have():
    none = replace(SPARK.known[Trait.FLOW_SENSOR], probability=0.0)
    metered = Engine({**SPARK.known, Trait.FLOW_SENSOR: none})
    assert "maf_low" not in by_cause(explain(LEAN, metered).hypotheses)
    assert "maf_low" in by_cause(explain(LEAN, SPARK).hypotheses)
    diesel = Engine({**SPARK.known, Trait.COMPRESSION: Known(Trait.COMPRESSION, 1.0)})
    assert "biased_o2" not in by_cause(explain([], diesel).hypotheses)


def test_one_wild_number_does_not_decide():
    wild = [*SOUND[1:], trim("warm idle", 1e6, Verdict.ACT)]
    found = explain(wild, SPARK)
    assert found.ranked[0].probability < 0.9
    assert any(o.key == "fuel_trim|bank 1, warm idle" for o in found.unexplained)


def test_a_code_and_a_failed_monitor_speak_for_their_cause():
    def with_code(**changes: object) -> float:
        reading = CarReading.model_validate(changes)
        found = explain(SOUND, SPARK, reading)
        return by_cause(found.hypotheses)["catalyst_aged"]

    without = by_cause(explain(SOUND, SPARK).hypotheses)["catalyst_aged"]
    code = Code(code="P0420", state="stored", ecu="7E8")
    failed = MonitorResult(ecu="7E8", monitor="catalyst, bank 1", test_id=1, passed=False)
    passed = failed.model_copy(update={"passed": True})
    assert with_code(codes=[code]) > 5.0 * without
    assert with_code(monitor_results=[failed]) > 5.0 * with_code(monitor_results=[passed])


def test_a_complaint_speaks_for_its_causes():
    before, after = (
        by_cause(explain(SOUND, SPARK, symptoms=told).hypotheses) for told in ((), ("overheats",))
    )
    assert after["low_coolant"] > 3.0 * before["low_coolant"]
    assert after["maf_low"] < after["low_coolant"]


def test_the_list_without_a_cause_knows_nothing_of_it():
    held = learned_response()
    traits = {trait: SPARK[trait].probability for trait in Trait}
    assert "weak_fuel" in priors(traits, held)
    assert "weak_fuel" not in priors(traits, held.without("weak_fuel"))


def test_the_work_is_bounded_whatever_is_listed():
    """Quickness as a count: explanations times numbers, never a search."""
    found = explain(LEAN, SPARK)
    assert len(found.hypotheses) <= len(CAUSES) + 28 + 2 * len(CAUSES)


def test_something_not_listed_is_broader_than_a_sound_car_and_pressing_is_undone():
    response, traits = learned_response(), {trait: SPARK[trait].probability for trait in Trait}
    odd = [replace(f, value=60.0 if n else -60.0) for n, f in enumerate(LEAN)]
    seen = likelihood.see(response, stratum_of(traits), observe(odd))
    still = likelihood.of_blocks(seen, 0.0 * seen.value[None], 0.0 * seen.value[None])[0]
    assert likelihood.of_unlisted(seen, still) > still.sum() + 3.0
    assert stretch(press(seen.value)) == pytest.approx(seen.value)
    found = explain(odd, SPARK)
    assert next(r.probability for r in found.ranked if r.cause == NOT_LISTED) > 0.05


def test_drives_of_one_car_are_joined_by_how_sure_they_are():
    sure = replace(LEAN[0], value=10.0, uncertainty=1.0)
    unsure = replace(LEAN[0], value=20.0, uncertainty=3.0)
    (found,) = of_one_car([[sure], [unsure]])
    assert found.value == pytest.approx(11.0)
    assert found.uncertainty == pytest.approx(0.9**0.5)
    silent = replace(sure, verdict=Verdict.NOT_JUDGED, lacks=Coverage.NOT_RECORDED, value=None)
    assert of_one_car([[silent], [sure]]) == [sure]
