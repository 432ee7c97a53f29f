"""The one language of expressions: grammar, units, values, sentences of refusal."""

from __future__ import annotations

import numpy as np
import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logbench.analysis.expression.checked import condition, in_unit, number
from logbench.analysis.expression.evaluate import (
    Evaluation,
    computed_signals,
    constants_of,
    wrong_signals,
)
from logbench.analysis.search import find_spans
from logbench.car.model import Car
from logbench.errors import LogbenchError, SignalUnsupportedError, UsageError
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from logbench.signals.catalog import Catalog, catalog, formulas_of, own_signals_path
from logbench.signals.table import table
from logbench.signals.units import METRIC, Units, known

SECOND = 1_000_000_000
US = Units(us=True)


def trace(signal: str, values, step_s: float = 1.0, unit: str | None = None) -> Trace:
    t_ns = (np.arange(len(values)) * step_s * SECOND).astype(np.int64)
    unit = table().by_acronym(signal).unit if unit is None else unit
    return Trace(signal, "7E8", unit, t_ns, np.asarray(values, np.float64))


def computed(text: str, *traces: Trace, car: Car | None = None):
    """Values at the times of the signal named first."""
    expression = number(text)
    by_name = {one.signal: one for one in traces}
    work = Evaluation(by_name.get, constants_of(car or Car()))
    return work.at(expression.tree, work.times(expression.tree))


def spans_s(text: str, *traces: Trace, units: Units = METRIC) -> list[tuple[float, float]]:
    found = find_spans(condition(text, units), Recording.of(traces))
    return [(span.start_ns / 1e9, span.end_ns / 1e9) for span in found]


# --- values ---


def test_arithmetic_is_pythons():
    x, y = np.array([1.0, 4.0, 9.0]), np.array([2.0, 0.0, -3.0])
    one = trace("LAMBDA", x), trace("LAMBDA11", y)
    got = computed("sqrt(LAMBDA) + 2 * LAMBDA11 - -1", *one)
    np.testing.assert_allclose(got, np.sqrt(x) + 2 * y + 1)
    got = computed("LAMBDA ** 2 - abs(lambda11)", *one)
    np.testing.assert_allclose(got, x**2 - np.abs(y))
    np.testing.assert_allclose(computed("min(LAMBDA, LAMBDA11)", *one), np.minimum(x, y))
    assert np.isnan(computed("LAMBDA / LAMBDA11", *one)[1])  # what cannot be divided is unknown


def test_functions_over_time():
    """By hand: one sample a second, 0 1 4 9 16 25."""
    squares = trace("MAP", np.arange(6.0) ** 2)

    def got(text: str) -> list[float]:
        return computed(text, squares).tolist()

    assert got("rate(MAP)")[1:] == [1, 3, 5, 7, 9]
    assert got("mean(MAP, 3 s)") == pytest.approx([0, 0.5, 5 / 3, 14 / 3, 29 / 3, 50 / 3])
    assert got("median(MAP, 3 s)") == [0, 0.5, 1, 4, 9, 16]
    assert got("lowest(MAP, 2 s)") == [0, 0, 1, 4, 9, 16]
    assert got("highest(MAP, 0.05 min)") == [0, 1, 4, 9, 16, 25]
    assert computed("MAP - delay(MAP, 2 s)", squares).tolist()[2:] == [4, 8, 12, 16]


def test_where_masks_and_hold_keeps():
    flow, speed = trace("MAF", [1, 2, 3, 4, 5, 6]), trace("RPM", [900, 900, 0, 0, 0, 900])
    masked = computed("where(RPM > 400, MAF)", flow, speed)
    np.testing.assert_array_equal(masked, [1, 2, np.nan, np.nan, np.nan, 6])
    kept = computed("hold(where(RPM > 400, MAF), 2 s)", flow, speed)
    np.testing.assert_array_equal(kept, [1, 2, 2, 2, np.nan, 6])


def test_a_signal_has_the_times_of_the_one_named_first():
    quick, slow = trace("RPM", np.arange(20.0), 0.1), trace("ECT", [10.0, 20.0])
    assert len(computed("RPM * 1 + ECT / 1 K * 1 rpm", quick, slow)) == 20
    assert len(computed("ECT + RPM / 1 rpm * 1 K", quick, slow)) == 2


def test_what_the_car_is_known_for():
    flow = trace("MAF", [46.0])
    assert computed("MAF / displacement", flow, car=Car(displacement_l=2.3))[0] == pytest.approx(20)
    assert np.isnan(computed("MAF / displacement", flow)[0])


# --- units ---


def test_the_same_limit_in_any_unit_finds_the_same():
    coolant = trace("ECT", np.linspace(20, 100, 200), 0.5)
    cold = spans_s("ECT below 70 C", coolant)
    assert len(cold) == 1
    assert spans_s("ECT below 158 F", coolant) == cold
    assert spans_s("ECT < 343.15 K", coolant) == cold
    assert spans_s("158 F > ECT", coolant) == cold
    assert spans_s("ECT < 158", coolant, units=US) == cold  # as the reader sees it
    assert spans_s("ECT < 70", coolant) == cold
    assert spans_s("ECT < 70 degC", coolant, units=US) == cold


def test_differences_of_temperatures_have_no_zero_point():
    warm, cool = trace("ECT", np.arange(0.0, 40)), trace("IAT", [0.0] * 40)
    assert spans_s("ECT - IAT >= 18 F", warm, cool) == [(10, 40)]
    assert spans_s("ECT - IAT >= 10 K", warm, cool) == [(10, 40)]
    assert spans_s("ECT - IAT >= 18", warm, cool, units=US) == [(10, 40)]
    assert spans_s("ECT >= IAT + 10 K", warm, cool) == [(10, 40)]
    assert number("ECT - 10 K").tree.unit == "degC"
    limit = condition("ECT - IAT > 10 K", US).tree.parts[1]
    assert (limit.value, limit.unit) == (18, "delta_degF")


PINT = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)


@given(st.floats(-40, 200), st.sampled_from(["degC", "degF"]))
@settings(deadline=None, derandomize=True)
def test_numbers_with_units_are_converted_as_pint_does(value: float, unit: str):
    """Outside reference: pint itself."""
    limit = condition(f"ECT > {value!r} {unit}" if value >= 0 else f"ECT > 0 - {-value!r} {unit}")
    if value < 0:
        return
    quantity = PINT.Quantity(value, unit)
    assert limit.tree.parts[1].value == pytest.approx(quantity.to("degC").magnitude, abs=1e-8)


def test_products_have_units():
    flow, speed = trace("MAF", [36.0]), trace("VSS", [72.0])
    per_m = in_unit(number("MAF / VSS * 1 m / 1 gram"), "")
    got = Evaluation({"MAF": flow, "VSS": speed}.get, {}).at(per_m.tree, flow.t_ns)
    assert got[0] == pytest.approx(36 / 20)
    with pytest.raises(UsageError, match="not in kPa"):
        in_unit(number("MAF * RPM"), "kPa")


def test_every_unit_of_the_table_is_known():
    assert [signal.acronym for signal in table() if known(signal.unit) is None] == []


# --- conditions ---


def test_what_is_unknown_does_not_hold_nor_its_contrary():
    flow, speed = trace("MAF", [1.0] * 10), trace("RPM", [900.0, 900.0])
    assert spans_s("RPM > 400 and MAF > 0", flow, speed) == [(0, 5)]
    assert spans_s("not (RPM < 400) and MAF > 0", flow, speed) == [(0, 5)]
    assert spans_s("RPM < 400 or MAF > 0", flow, speed) == [(0, 10)]


@pytest.mark.parametrize(
    ("step_s", "until_s"),
    [(0.5, 4.0), (1.0, 5.0), (10.0, 41.0), (40.0, 101.0)],
    ids=["at least 3 s", "3 s", "three intervals", "at most 60 s"],
)
def test_an_old_value_is_unknown_for_find(step_s: float, until_s: float):
    """By hand: two coolant samples, the second `step_s` after the first, and nothing after; engine
    speed each second, the last one with the condition counting for a second."""
    often, rarely = trace("RPM", [900.0] * 150), trace("ECT", [90.0, 90.0], step_s)
    assert spans_s("RPM > 500 and ECT > 80", often, rarely) == [(0.0, until_s)]


def test_one_side_that_is_known_may_decide():
    """Of what does not hold the other side matters not, known or unknown."""
    speed, unknown = trace("RPM", [900.0] * 4), trace("ECT", [np.nan] * 4)
    assert spans_s("not (RPM > 1000 and ECT > 80)", speed, unknown) == [(0.0, 4.0)]


def test_a_rate_reaches_over_a_minute_at_most():
    """By hand: 10 K in 60 s, then 10 K in 61 s, after which nobody knows."""
    times = np.array([0, 60, 121]) * SECOND
    warm = Trace("ECT", "7E8", "degC", times, np.array([10.0, 20.0, 30.0]))
    rates = computed("rate(ECT)", warm)
    assert rates[1] == pytest.approx(10 / 60)
    assert np.isnan(rates[2])


def test_words_and_times():
    coolant = trace("ECT", [20.0] * 100)
    assert spans_s("ECT below 70 after 50 s", coolant) == [(50, 100)]
    assert spans_s("ect UNDER 70 before 1 min and ECT over 10", coolant) == [(0, 60)]
    assert spans_s("ECT < 70 and time > 97 s", coolant) == [(98, 100)]


# --- what is refused ---


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("RPM >", "ends too early"),
        ("RPM > > 4", "'> 4' should be a number, a signal"),
        ("RPM 4000", "'4000' does not fit here"),
        ("RPM > 1 > 0", "compares twice"),
        ("1 < 2", "uses no signal"),
        ("RPMM > 3", "did you mean RPM"),
        ("RPM > 3 km/h", "is in km/h, what is before it in rpm"),
        ("RPM", "is not a comparison"),
        ("RPM and VSS", "is not a comparison"),
        ("(RPM > 3) + 1 > 2", "is a condition"),
        ("turbo(RPM) > 3", "there is no function turbo"),
        ("mean(RPM) > 3", "mean takes 2 values, not 1"),
        ("mean(RPM, 5 V) > 3", "is in V, not in s"),
        ("mean(RPM, 0) > 3", "above 0"),
        ("log(MAP) > 3", "takes a pure number"),
        ("RPM ** VSS > 3", "is not an exponent"),
        ("where(RPM, MAF) > 3", "is not a condition"),
        ("(RPM > 3", "a closing bracket is missing"),
        ("RPM > " + "(" * 60 + "1" + ")" * 60, "deep at most"),
        ("RPM > 1" + " + 1" * 120, "characters at most"),
    ],
)
def test_a_mistake_is_one_sentence_with_its_place(text: str, said: str):
    with pytest.raises(UsageError) as caught:
        condition(text)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "hostile",
    [
        "().__class__.__bases__[0]", "open('/etc/passwd').read()", "[x for x in (1,)]",
        "lambda: 1", "RPM if RPM else VSS", "'a' * 10", "RPM[0]", "max(*[RPM])",
        "abs(RPM, out=VSS)", "exec('1')", "True", "1j * RPM", "f'{RPM}'", "(RPM := 3)", "RPM; VSS",
    ],
)  # fmt: skip
def test_nothing_but_the_grammar_is_read(hostile: str):
    with pytest.raises(UsageError):
        number(hostile)


@given(st.text(max_size=60) | st.text("RPM VSEC()+-*/<>=,.0123456789 kmhandorwhere", max_size=60))
@settings(max_examples=300, deadline=None)
def test_any_text_is_an_expression_or_a_usage_error(text: str):
    for read in (number, condition):
        try:
            made = read(text)
        except UsageError:
            continue
        traces = {name: trace(name, [1.0, 2.0, 3.0]) for name in made.names}
        work = Evaluation(traces.get, {})
        assert work.at(made.tree, work.times(made.tree)).dtype == np.float64


# --- computed signals ---


def test_a_derived_signal_is_found_like_a_recorded_one():
    drive = trace("SHRTFT1", [0.0, 6.0, 8.0, 2.0]), trace("LONGFT1", [5.0] * 4)
    assert spans_s("TOTAL_TRIM1 > 10", *drive) == [(1, 3)]
    with pytest.raises(SignalUnsupportedError, match="does not hold LONGFT1"):
        spans_s("TOTAL_TRIM1 > 10", drive[0])
    with pytest.raises(SignalUnsupportedError, match="The car's displacement is not stated"):
        spans_s("AIR_PER_LITER > 1", trace("MAF", [1.0]), trace("RPM", [1.0]))


def test_all_derived_signals_can_be_computed_in_their_unit():
    assert wrong_signals() == {}
    derived = [entry.acronym for entry in catalog() if entry.origin == "derived"]
    assert list(computed_signals()) == derived
    assert computed_signals()["VOL_EFF"].expression.names == ("MAF", "BARO", "IAT", "RPM")


def test_own_signals_come_from_a_file():
    path = own_signals_path()
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(
        '[TWICE]\ntitle = "Twice the trim"\nunit = "%"\nexpression = "2 * TOTAL_TRIM1"\n'
        '[FOUR]\ntitle = "Four times"\nunit = "%"\nexpression = "2 * TWICE"\n'
        '[RING]\ntitle = "Itself"\nunit = "rpm"\nexpression = "RING + RPM"\n'
        '[BAD]\ntitle = "Bad"\nunit = "kPa"\nexpression = "RPM"\n'
    )
    try:
        drive = trace("SHRTFT1", [0.0, 6.0]), trace("LONGFT1", [5.0] * 2)
        assert spans_s("FOUR >= 44 %", *drive) == [(1, 2)]
        assert computed_signals()["FOUR"].expression.names == ("SHRTFT1", "LONGFT1")
        assert "made of itself" in wrong_signals()["RING"]
        assert "not in kPa" in wrong_signals()["BAD"]
        path.write_text('[RPM]\ntitle = "x"\nexpression = "VSS"\n')
        assert "RPM is the name of another signal" in catalog().problem
        assert "FOUR" not in catalog()
    finally:
        path.unlink()
    assert catalog().problem == ""
    for text in ("[low]\ntitle='x'\nexpression='RPM'", "[A]\ntitle='x'", "[A", "[A]\nother = 1"):
        with pytest.raises(ValueError):
            formulas_of(text.encode())


def test_facts_of_the_car_come_with_the_recording():
    drive = trace("MAF", [46.0] * 3), trace("RPM", [1000.0] * 3)
    recording = Recording.of(drive, Facts(vehicle=Car(displacement_l=2.3)))
    assert find_spans(condition("AIR_PER_LITER > 19.9 g/s"), recording)


def test_names_near_a_mistyped_one_come_from_all_signals():
    with pytest.raises(LogbenchError, match="TOTAL_TRIM1"):
        catalog().by_acronym("TOTALTRIM1")
    assert isinstance(catalog(), Catalog)
