"""No sentence says more than its data: what was seen to, and random findings against theirs."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from logbench.analysis.bands import Distance, distance, load_bands
from logbench.analysis.comparison.results import FindingVerdict
from logbench.analysis.comparison.verdicts import compare_findings, summary
from logbench.analysis.findings import Measured, Subject, owners_sentence, quantity_of
from logbench.analysis.model import Band, Coverage, Finding, Verdict
from logbench.analysis.repeats import OF_CARS
from logbench.analysis.run import (
    all_checks,
    coverage_text,
    coverage_to_dict,
    finding_to_dict,
    not_judged_of,
    parts_of,
    run_checks,
)
from logbench.analysis.statement import in_units
from logbench.analysis.trim_pattern import find_pattern
from logbench.analysis.view import View
from logbench.archive.findings import _row, reason_of
from logbench.car.identity import Ecu, Identity
from logbench.car.model import Car
from logbench.errors import UsageError
from logbench.recording.reader import Recording
from logbench.signals.table import table
from logbench.signals.units import METRIC, Units
from tests.analysis.scenes import CRUISE, IDLE, KEY_ON, Phase, Scene

BANDS = load_bands()
US = Units(us=True)


def of(key: str, value: float, half: float = math.nan, cap: str = "") -> Finding:
    measured = Measured(value, half)
    return Subject("fuel_trim", "bank 1").judged(
        "The number", measured, BANDS[key], watch_at_most=cap
    )


SETTLED = "settled coolant temperature"


# --- what was seen ---


def test_a_cap_is_seen():
    """`-17.7 ±0.7 … to act: surely outside −12 to 12` stood beside a `watch`."""
    finding = of("fuel_trim_trend", -17.7, 0.7)
    assert finding.verdict is Verdict.WATCH
    assert finding.cap is not None
    assert finding.reason == (
        "The number −17.7 ±0.7 points is surely outside −12 to 12 points; watch at most: each cell"
        " alone is judged to act."
    )
    assert finding_to_dict(finding)["cap"]["reason"] == "each cell alone is judged to act"


def test_the_owner_reads_how_far_it_is():
    """+15.5 against ±6 was `a little outside`."""
    how = {6.5: "a little outside", 11.0: "outside", 15.5: "clearly outside"}
    for value, words in how.items():
        text = owners_sentence(of("fuel_trim_trend", value, 0.3), "The trim")
        assert f"is {words} the usual range" in text
    assert "a reason to watch, no more)" in text
    assert "+15.5 points" in text


def test_fuel_is_not_taken_away_where_it_is_not():
    """`in every cell` with one at -0.8."""
    cells = {"warm idle": -12.0, "2,500 rpm hold": -11.0, "light cruise": -10.0, "load": -0.8}
    view = View(Scene([IDLE]).recording())
    some = find_pattern(view, {(1, name): trim for name, trim in cells.items() if name != "load"})
    assert some.sentence == "Fuel is taken away in every cell (−12.0 to −10.0 %)."
    mixed = {"2,500 rpm hold": -0.8, "light cruise": -12.0, "brisk cruise": -11.0}
    text = find_pattern(view, {(1, name): trim for name, trim in mixed.items()}).sentence
    assert text == "Fuel is taken away in 2 of 3 cells (−12.0 to −0.8 %)."
    assert "every cell" not in find_pattern(view, {(1, n): t for n, t in cells.items()}).sentence


def test_one_pattern_for_a_spread():
    """`lie within 0.32 % is within at most 4 %`."""
    assert of("gear_spread", 0.32, 0.3).reason == "The number 0.32 ±0.30 % is not above 4 %."
    assert (
        of("ve_full_throttle", 92.0, 1.0).reason == "The number 92.0 ±1.0 % is within 80 to 105 %."
    )
    assert of("cranking_voltage", 9.85, 0.02).reason == (
        "The number 9.85 ±0.02 V is a little below 10 V (to act: surely below 9.6 V)."
    )
    assert of("cranking_voltage", 9.7, 0.02).reason.startswith(
        "The number 9.70 ±0.02 V is below 10"
    )


def test_no_night_is_made_up():
    """`after standing overnight` where no soak was stated."""
    (soak,) = (module for module in all_checks() if module.KEY == "cold_soak")
    assert "standing" not in soak.PLAIN
    assert "standing" not in soak.TITLE
    scene = Scene([KEY_ON, IDLE]).set(ECT=20.0, IAT=21.0, AAT=20.0)
    (finding,) = run_checks(scene.recording(), only=["cold_soak"])
    assert finding.verdict is Verdict.WITHIN
    assert "the soak time is not stated" in finding.reason


def test_what_changed_is_not_called_unchanged():
    bands = [
        [replace(of("warm_up_plateau", v, 0.2), check="warm_up", subject=SETTLED)]
        for v in (92.0, 97.0, 92.1)
    ]
    (moved,) = compare_findings([bands[0]], [bands[1]], OF_CARS)
    assert moved.verdict is FindingVerdict.WITHIN_BOTH
    assert moved.reason.startswith("Within limits on both, changed by +5.0 ±2.8 K: 92.0 °C before")
    assert in_units(moved.reason, US).startswith("Within limits on both, changed by +9.0 ±5.1 Δ°F")
    (same,) = compare_findings([bands[0]], [bands[2]], OF_CARS)
    assert same.verdict is FindingVerdict.NO_CHANGE
    assert "no more than an untouched car moves" in same.reason


def test_a_comparison_vouches_for_nothing_that_was_not_judged_again():
    good, bad = (
        replace(of("fuel_trim_total", v, 0.5), subject="bank 1, warm idle") for v in (1.0, 20.0)
    )
    voltage = replace(bad, check="charging", subject="cranking")
    lost = Subject("charging", "cranking").not_judged("No start was recorded.")
    found = compare_findings([[bad, voltage]], [[good, lost]], OF_CARS)
    text = summary((), found, comparable=True)
    assert "What was out of its range is back in it" not in text
    assert "Resolved: fuel trim (bank 1, warm idle, −19" in text
    assert "Out of range before, not judged again after: charging (cranking)." in text


def test_differences_of_percentages_are_points():
    trims = [
        [replace(of("fuel_trim_total", v, 0.5), subject="bank 1, warm idle")] for v in (20.0, 1.0)
    ]
    (result,) = compare_findings([trims[0]], [trims[1]], OF_CARS)
    assert "+20.0 % before, " not in result.reason
    assert "a change of −19.0 ±6.5 points" in result.reason


def test_the_archive_keeps_the_quantities():
    """Rows of before hold words only, and are shown as they are."""
    row = _row(of("warm_up_plateau", 92.1, 0.4))
    assert row["reason"] == "The number 92.1 ±0.4 °C is within 77 to 110 °C."
    assert in_units(reason_of(row), US) == "The number 197.8 ±0.7 °F is within 170.6 to 230 °F."
    assert row["coverage"] == "judged"
    older = {"said": None, "reason": "It is 92.1 degC."}
    assert in_units(reason_of(older), US) == "It is 92.1 degC."


# --- what was judged, and what was not ---


def weak_alternator(seconds: float) -> Scene:
    scene = Scene([KEY_ON, Phase(seconds, 720)])
    return scene.set(VPWR=scene.over([12.4, 12.1]))


def test_eight_seconds_of_a_weak_alternator():
    found = run_checks(weak_alternator(8.0).recording(), only=["charging"])
    parts = {part.subject: part for part in parts_of(found)}
    assert parts["rest before the start"].coverage is Coverage.JUDGED
    assert parts["charging"].coverage is Coverage.NOT_RECORDED
    text = coverage_text(tuple(parts.values()))
    assert text.startswith("judged 1 of 3, not judged: ")
    assert "charging: charging (not recorded)" in text
    assert coverage_to_dict(tuple(parts.values()))["of"] == 3
    assert {p.subject for p in not_judged_of(parts_of(found), ["charging"])} >= {"charging"}
    assert not_judged_of(parts_of(found), ["charging:rest before the start"]) == ()


def test_no_pedal_pair_is_no_judged_pedal():
    scene = Scene([IDLE, CRUISE]).set(TP_B=0.0)
    scene.set(TP_B=0.5 * scene.signals["TP"] + 3.0)
    parts = {p.subject: p for p in parts_of(run_checks(scene.recording()))}
    assert parts["paired pedal sensors"].coverage is Coverage.NOT_RECORDED
    assert "paired throttle sensors" not in parts


def test_what_the_car_does_not_offer_is_not_asked_for():
    """By the PIDs that its ECUs said they support."""
    recording = Scene([IDLE, CRUISE]).recording()
    table_pids = [table().by_acronym(name).pid for name in ("RPM", "VSS", "ECT", "MAP", "TP")]
    identity = Identity(ecus={"7E8": Ecu(pids=(*table_pids, table().by_acronym("APP_D").pid))})
    facts = recording.facts.model_copy(update={"vehicle": Car(identity=identity)})
    known = Recording.of([recording.trace(*key) for key in recording.keys], facts)
    for drive, coverage in ((recording, "not recorded"), (known, "not applicable to this car")):
        parts = {p.subject: p for p in run_checks(drive, only=["throttle_pedal", "idle"])}
        assert parts["paired pedal sensors"].coverage == coverage
        assert bool(parts["paired pedal sensors"].next_steps) == (drive is recording)
    assert parts["paired pedal sensors"].reason == "This car does not offer APP_E."


def test_a_required_check_is_one_that_there_is():
    with pytest.raises(UsageError, match="did you mean fuel_trim"):
        not_judged_of((), ["fuel_trims"])
    assert not_judged_of((), ["own"])[0].coverage is Coverage.NOT_RECORDED


def test_each_kind_of_not_judged_is_told_apart():
    varying = Scene([Phase(25, 1500 + 60 * k, kmh=90 - 3 * k, tp=22) for k in range(16)])
    (gearless,) = run_checks(varying.recording(), only=["gears"])
    assert gearless.coverage is Coverage.NOT_APPLICABLE
    assert of("fuel_trim_total", 12.0, 20.0).coverage is Coverage.UNCERTAIN


# --- any finding ---

ends = st.floats(-300.0, 300.0).map(lambda x: float(f"{x:.3g}"))


@st.composite
def bands(draw: st.DrawFn) -> Band:
    """Any range within any other one, ends open where it happens."""
    low, inner_low, inner_high, high = sorted(draw(st.lists(ends, min_size=4, max_size=4)))
    open_low, open_high = draw(st.sampled_from([(False, False), (True, False), (False, True)]))
    return Band(
        "any",
        "Any",
        draw(
            st.sampled_from(["", "%", "degC", "K", "kPa", "g/s/l", "V", "rpm per km/h", "points"])
        ),
        (None if open_low else inner_low, None if open_high else inner_high),
        (None if open_low else low, None if open_high else high),
        "none",
        watch_at_most=draw(st.sampled_from(["", "designs differ"])),
    )


def reaches_out(band: Band, value: float, half: float) -> bool:
    """An oracle of its own: the whole interval lies beyond the range of `watch`."""
    low, high = band.watch
    return (low is not None and value + half < low) or (high is not None and value - half > high)


@settings(deadline=None, max_examples=400)
@given(
    bands(),
    st.floats(-400.0, 400.0),
    st.one_of(st.just(math.nan), st.floats(0.001, 100.0)),
    st.sampled_from(["", "it was cold"]),
    st.sampled_from([(), ("seen once",), ("seen once", "FUELSYS1 was not recorded")]),
    st.sampled_from([METRIC, US]),
)
@example(BANDS["fuel_trim_trend"], -17.7, 0.7, "", (), METRIC)
@example(BANDS["coolant_highest"], 120.0, 0.5, "", (), US)
def test_a_sentence_says_what_its_finding_holds(band, value, half, cap, remarks, units):
    measured = Measured(value, half, (), remarks)
    finding = Subject("warm_up", "it").judged("The number", measured, band, watch_at_most=cap)
    text, owner = in_units(finding.reason, units), in_units(owners_sentence(finding, "It"), units)
    known = half if math.isfinite(half) else 0.0
    low, high = band.within
    inside = (low is None or value >= low) and (high is None or value <= high)
    beyond = reaches_out(band, value, known)
    number = quantity_of(finding).text(units)
    # the right number, once, with its interval; remarks as they are, at the end
    assert text.startswith(f"The number {number} is ")
    assert text.endswith("; ".join(("", *remarks)) + ".")
    # the words for the distance
    place = text[len(f"The number {number} is ") :].split(";")[0].split(" (")[0]
    surely = place.startswith("surely ")
    assert surely == (beyond and math.isfinite(half))
    if finding.verdict is Verdict.NOT_JUDGED:
        assert finding.coverage is Coverage.UNCERTAIN
        assert place.startswith("too uncertain to tell whether it is ")
        assert "not surely within or outside" in owner
    elif inside:
        assert finding.verdict is Verdict.WITHIN
        assert place.startswith(("within ", "not above ", "not below "))
        assert "is within the usual range" in owner
    else:
        side = "outside" if None not in (low, high) else "above" if low is None else "below"
        assert side in place
        assert ("clearly outside" in owner) == surely
    if beyond:
        assert "a little" not in text + owner
    # the cap, where it lowered the verdict and only there
    capped = beyond and bool(cap or band.watch_at_most)
    assert (finding.cap is not None) == capped == ("; watch at most: " in text)
    assert capped == ("a reason to watch, no more" in owner)
    assert (finding.verdict is Verdict.ACT) == (beyond and not capped)
    # no claim without coverage
    judged = finding.coverage is Coverage.JUDGED
    assert judged == (finding.verdict is not Verdict.NOT_JUDGED)
    if not judged:
        assert not place.startswith(("within", "not ", "outside", "surely", "a little"))
    assert coverage_text(parts_of([finding])).startswith(f"judged {int(judged)} of 1")


@settings(deadline=None, max_examples=200)
@given(bands(), st.floats(-400.0, 400.0), st.floats(0.001, 100.0))
def test_a_little_is_less_than_half_of_the_way(band, value, half):
    where = distance(band, value, half)
    if where is Distance.LITTLE:
        low, high = band.within
        edge, far = (
            (low, band.watch[0]) if low is not None and value < low else (high, band.watch[1])
        )
        assert edge is not None
        assert far is not None
        assert abs(value - edge) < abs(value - far)


@settings(deadline=None, max_examples=100)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["charging", "gears"]),
            st.sampled_from(["a", "b", "c"]),
            st.sampled_from(list(Verdict)),
            st.sampled_from([c for c in Coverage if c is not Coverage.JUDGED]),
        ),
        max_size=8,
    )
)
def test_what_was_judged_adds_up(rows):
    findings = [Finding(c, s, v, f"{c} {s}.", lacks=lacks) for c, s, v, lacks in rows]
    parts = parts_of(findings)
    judged = {(c, s) for c, s, v, _ in rows if v is not Verdict.NOT_JUDGED}
    assert {(p.check, p.subject) for p in parts if p.coverage is Coverage.JUDGED} == judged
    assert len(parts) == len({(c, s) for c, s, _, _ in rows})
    text = coverage_text(parts)
    for part in parts:
        named = f"{part.check}: {part.subject} ({part.coverage.value})" in text
        assert named == ((part.check, part.subject) not in judged)
