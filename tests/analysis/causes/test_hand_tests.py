"""Hand tests: the catalog, what outcomes do to the explanations, which test comes next."""

import itertools
import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logbench.analysis.causes.catalog import CAUSES
from logbench.analysis.causes.hand_tests import (
    FOUND_NOTHING,
    HAND_TESTS,
    NOT_CLEAR,
    NOT_DONE,
    Done,
    after_tests,
    entered,
)
from logbench.analysis.causes.model import Causes, Observation, Weight, by_cause
from logbench.analysis.causes.next_tests import Doubt, expected, next_tests
from logbench.analysis.causes.sentence import no_test
from logbench.analysis.cautions import CAUTIONS
from logbench.analysis.engine import Engine, Known, Trait
from logbench.errors import UsageError
from tests.analysis.causes.handmade import LEAN, explained

DIESEL = Engine({Trait.COMPRESSION: Known(Trait.COMPRESSION, 0.99)})
GASOLINE = Engine({Trait.COMPRESSION: Known(Trait.COMPRESSION, 0.01)})
UNKNOWN = Engine()


some_causes = st.sampled_from(
    sorted({cause for test in HAND_TESTS.values() for o in test.outcomes for cause in o.causes})
)


@pytest.mark.parametrize("test", HAND_TESTS.values(), ids=lambda test: test.key)
def test_each_row_can_tell_something_and_says_what_it_takes(test):
    assert test.minutes > 0
    assert test.tools
    assert test.skill in ("owner", "technician", "specialist")
    for outcome in test.outcomes:
        assert 0.0 < outcome.otherwise < 0.5
        assert all(0.0 < p < 1.0 for p in outcome.causes.values())
        ratios = [p / outcome.otherwise for p in outcome.causes.values()]
        assert max(ratios) > 3 or min(ratios) < 1 / 3
    for cause in ("not_listed", "nothing_wrong", "unmetered_air", "filter_loaded"):
        chances = test.likelihoods((cause,))
        assert math.isclose(sum(chances.values()), 1.0)
        assert min(chances.values()) > 0.0


def test_the_catalogs_of_tests_and_causes_know_each_other():
    named = {c for test in HAND_TESTS.values() for o in test.outcomes for c in o.causes}
    assert named <= set(CAUSES)
    likely = {key for key, cause in CAUSES.items() if cause.prior > 0.0}
    assert len(likely & named) >= 0.9 * len(likely)  # a few are told by codes alone


def test_the_catalog_serves_all_kinds_of_engine():
    assert len(HAND_TESTS) >= 30
    for engine in (DIESEL, GASOLINE, UNKNOWN):
        assert sum(test.fits(engine) for test in HAND_TESTS.values()) >= 30
    assert not HAND_TESTS["propane"].fits(DIESEL)
    assert not HAND_TESTS["glow_current"].fits(GASOLINE)
    assert HAND_TESTS["glow_current"].fits(UNKNOWN)


def test_what_uses_fuel_flames_or_high_voltage_carries_its_caution():
    for test, caution in (
        ("fuel_pressure", "fuel"),
        ("propane", "flammable_gas"),
        ("high_voltage_battery", "high_voltage"),
        ("coolant_pressure", "hot_coolant"),
        ("compression", "spinning"),
        ("injector_return", "high_pressure_rail"),
    ):
        assert CAUTIONS[caution] in HAND_TESTS[test].cautions
    assert HAND_TESTS["high_voltage_battery"].danger == 3
    assert HAND_TESTS["soaked"].danger == 0


def test_where_feet_leave_the_pedals_the_car_is_held():
    """The parking brake stood in the caution of exhaust gas only, and nowhere where an engine is
    cranked or a hybrid stands ready to drive."""
    runs = {CAUTIONS["exhaust_gas"], CAUTIONS["spinning"]}
    tests = [test for test in HAND_TESTS.values() if runs & {*test.cautions}]
    assert len(tests) > 20
    for test in (*tests, HAND_TESTS["converter_output"], HAND_TESTS["wiggle"]):
        assert CAUTIONS["rolling"] in test.cautions, test.key
    assert "unasked" in CAUTIONS["moving_parts"].text


def test_where_fuel_is_measured_nothing_hot_is_near():
    measured = [test for test in HAND_TESTS.values() if "fuel pressure gauge" in test.tools]
    for test in (*measured, HAND_TESTS["fuel_volume"], HAND_TESTS["fuel_sample"]):
        assert {CAUTIONS["fuel"], CAUTIONS["hot_exhaust"]} <= {*test.cautions}, test.key


def test_hands_that_go_to_a_hybrid_are_warned_of_its_high_voltage():
    hybrid = Engine({Trait.HYBRID: Known(Trait.HYBRID, 0.99)})
    for key, warned in (("look_over", True), ("battery_rested", True), ("slip_on_the_road", False)):
        for engine, here in ((hybrid, warned), (GASOLINE, False)):
            found = HAND_TESTS[key].on(engine).cautions
            assert (CAUTIONS["orange"] in found) is here, key
    assert CAUTIONS["orange"] not in HAND_TESTS["high_voltage_battery"].on(hybrid).cautions


def test_an_outcome_moves_probability_by_its_likelihood():
    after = by_cause(after_tests(LEAN, [Done("smoke_test", "leak")]).hypotheses)
    # by hand: 0.45*0.92, 0.4*0.04, 0.1*0.04, and of not listed 0.8*0.04 + 0.2/2
    weighed = [0.45 * 0.92, 0.4 * 0.04, 0.1 * 0.04, 0.05 * (0.8 * 0.04 + 0.1)]
    assert after["unmetered_air"] == pytest.approx(weighed[0] / sum(weighed), abs=1e-9)
    none = by_cause(after_tests(LEAN, [Done("smoke_test", FOUND_NOTHING)]).hypotheses)
    assert none["maf_low"] > 10 * none["unmetered_air"]


@pytest.mark.parametrize("outcome", [NOT_CLEAR, NOT_DONE])
def test_what_is_not_clear_or_not_done_says_nothing(outcome):
    assert after_tests(LEAN, [Done("smoke_test", outcome)]) == LEAN


def test_a_test_of_another_version_says_nothing():
    assert after_tests(LEAN, [Done("of_next_year", "leak"), Done("smoke_test", "burst")]) == LEAN


def test_the_last_outcome_of_a_test_counts_and_order_does_not():
    once = after_tests(LEAN, [Done("smoke_test", "leak")])
    assert (
        after_tests(LEAN, [Done("smoke_test", FOUND_NOTHING), Done("smoke_test", "leak")]) == once
    )
    done = [Done("smoke_test", "leak"), Done("fuel_pressure", "low"), Done("clean_sensor", "dirty")]
    ends = [by_cause(after_tests(LEAN, order).hypotheses) for order in itertools.permutations(done)]
    assert all(end == pytest.approx(ends[0]) for end in ends)


def test_an_outcome_stands_among_what_speaks_for_and_against():
    after = after_tests(LEAN, [Done("smoke_test", "leak")])
    air, sensor = (
        next(r for r in after.ranked if r.cause == c) for c in ("unmetered_air", "maf_low")
    )
    assert [w.observation.key for w in air.pro] == ["test|smoke_test"]
    assert [w.observation.key for w in sensor.contra] == ["test|smoke_test"]
    assert "smoke escapes" in air.pro[0].observation.words


def test_an_outcome_that_the_first_cause_does_not_explain_is_left_unexplained():
    sure = explained(maf_low=0.98, weak_fuel=0.02)
    after = after_tests(sure, [Done("fan_bridge", "dead"), Done("smoke_test", FOUND_NOTHING)])
    assert [one.key for one in after.unexplained] == ["test|fan_bridge"]


def test_of_a_pair_the_cause_counts_that_does_most_to_the_test():
    pair = HAND_TESTS["smoke_test"].likelihoods(("weak_fuel", "unmetered_air"))
    assert pair == HAND_TESTS["smoke_test"].likelihoods(("unmetered_air",))


def test_a_number_tells_where_a_limit_holds_for_cars_in_general():
    assert entered("battery_rested", "11.9") == Done("battery_rested", "low", 11.9)
    assert entered("battery_rested", "12.6") == Done("battery_rested", FOUND_NOTHING, 12.6)
    assert entered("smoke_test", "leak") == Done("smoke_test", "leak")
    for test, outcome, says in (
        ("fuel_pressure", "280", "maker's limits"),
        ("battery_rested", "nan", "no outcome"),
        ("smoke_test", "3", "no outcome"),
        ("smell", "bad", "no test"),
    ):
        with pytest.raises(UsageError, match=says):
            entered(test, outcome)


def test_the_gain_is_what_the_outcomes_are_expected_to_take_of_the_uncertainty():
    test = HAND_TESTS["smoke_test"]

    def entropy(causes: Causes) -> float:
        return -sum(h.probability * math.log2(h.probability) for h in causes.hypotheses)

    left = sum(
        p * entropy(after_tests(LEAN, [Done("smoke_test", outcome)]))
        for outcome, p in expected(LEAN.hypotheses, test).items()
    )
    assert Doubt(LEAN.hypotheses).weigh(test).bits == pytest.approx(entropy(LEAN) - left, abs=1e-9)


def test_what_is_sure_needs_no_test_and_what_was_entered_is_not_proposed_again():
    assert next_tests(explained(maf_low=1.0), GASOLINE) == ()
    first, *_ = next_tests(LEAN, GASOLINE)
    again = next_tests(LEAN, GASOLINE, [Done(first.test.key, NOT_DONE)])
    assert first.test.key not in {one.test.key for one in again}


def test_what_the_recording_has_told_already_is_not_tested_again():
    assert "record_idle" in {one.test.key for one in next_tests(LEAN, GASOLINE)}
    seen = Observation("fuel_trim|bank 1, warm idle", "Trim high")
    first, *rest = LEAN.ranked
    known = replace(LEAN, ranked=(replace(first, pro=(Weight(seen, 1.0),)), *rest))
    assert "record_idle" not in {one.test.key for one in next_tests(known, GASOLINE)}


def test_each_outcome_says_what_it_would_leave():
    (smoke,) = (one for one in next_tests(LEAN, GASOLINE) if one.test.key == "smoke_test")
    leaves = smoke.leaves(LEAN)
    assert sum(one.probability for one in leaves) == pytest.approx(1.0)
    for one in leaves:
        assert one.causes == after_tests(LEAN, [Done("smoke_test", one.outcome)])


@given(
    st.dictionaries(some_causes, st.floats(0.01, 1.0), min_size=2, max_size=6),
    st.sampled_from([DIESEL, GASOLINE, UNKNOWN]),
)
def test_no_dangerous_test_stands_before_a_safer_one_that_tells_as_much(weights, engine):
    total = sum(weights.values())
    causes = explained(**{cause: w / total for cause, w in weights.items()})
    proposed = next_tests(causes, engine)
    for before, behind in itertools.combinations(proposed, 2):
        assert behind.test.danger >= before.test.danger or behind.bits < before.bits


def test_a_test_that_can_injure_is_not_first_where_a_safer_one_tells_half_as_much():
    left = explained(weak_fuel=0.83, leaking_injector=0.15, not_listed=0.02)
    found = next_tests(left, GASOLINE)
    told = {one.test.key: one.bits for one in found}
    assert found[0].test.key == "record_idle"
    assert told["record_load"] > told["record_idle"] >= 0.5 * told["record_load"]


@given(st.dictionaries(some_causes, st.floats(0.01, 1.0), min_size=2, max_size=6))
def test_the_first_test_injures_only_where_no_safer_one_tells_half_as_much(weights):
    total = sum(weights.values())
    causes = explained(**{cause: w / total for cause, w in weights.items()})
    first, *rest = (*next_tests(causes, UNKNOWN), None)
    if first is not None and first.test.danger >= 2:
        safer = [one.bits for one in rest if one and one.test.danger < first.test.danger]
        assert max(safer, default=0.0) < 0.5 * first.bits


def test_nothing_is_proposed_to_confirm_what_is_certain_and_it_says_so():
    sure = explained(unmetered_air=0.96, maf_low=0.04)
    assert next_tests(sure, GASOLINE) == ()
    assert no_test(sure).startswith("No test is needed to tell what it is: unmetered air")
    assert next_tests(explained(unmetered_air=0.7, unmetered_air__maf_low=0.3), GASOLINE)


def test_a_fuel_sample_shows_a_wrong_fuel():
    after = after_tests(explained(wrong_fuel=0.3, weak_fuel=0.7), [Done("fuel_sample", "wrong")])
    assert after.ranked[0].cause == "wrong_fuel"
    assert after.ranked[0].probability > 0.9


def test_of_equally_safe_tests_the_one_that_tells_most_for_its_time_comes_first():
    proposed = [one for one in next_tests(LEAN, GASOLINE) if one.test.danger == 1]
    assert proposed[0].worth_per_minute == max(one.worth_per_minute for one in proposed)


def test_a_test_that_decides_is_worth_more_than_one_that_tells_as_much():
    nearly = explained(unmetered_air=0.8, maf_low=0.2)
    found = {one.test.key: one for one in next_tests(nearly, GASOLINE)}
    assert found["smoke_test"].decides > 0.7
    assert found["look_over"].decides < 0.4
    beside = explained(unmetered_air=0.7, unmetered_air__maf_low=0.3)
    assert {one.decides for one in next_tests(beside, GASOLINE)} == {0.0}


def test_an_outcome_that_says_next_to_nothing_of_a_cause_is_not_among_its_weights():
    after = after_tests(LEAN, [Done("fan_bridge", FOUND_NOTHING)])
    assert all(one.pro == one.contra == () for one in after.ranked if one.cause != "not_listed")
