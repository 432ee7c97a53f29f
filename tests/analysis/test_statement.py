"""Texts with quantities, in the units chosen. Outside checks: pint, an independent units library,
and the round pairs of temperatures that 40 CFR and SAE texts give in both scales."""

from __future__ import annotations

import ast
import json
import pickle
import re
from collections.abc import Iterable, Iterator
from functools import cache
from pathlib import Path

import pint
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import logbench.analysis
from logbench.analysis.bands import load_bands
from logbench.analysis.comparison.compare import compare
from logbench.analysis.findings import ASKS, EXPLANATIONS
from logbench.analysis.model import Finding
from logbench.analysis.statement import Quantity, Text, in_units, joined, marked, said, text_from
from logbench.recording.reader import open_recording
from logbench.signals.units import METRIC, QUANTITIES, Units

PINT = pint.UnitRegistry()
US = Units(us=True)
OURS = {
    "degC": ("degC", "degF"),
    "K": ("delta_degC", "delta_degF"),
    "degC/min": ("delta_degC/min", "delta_degF/min"),
    "kPa": ("kPa", "inHg"),
    "km/h": ("km/h", "mph"),
    "rpm per km/h": ("rpm/(km/h)", "rpm/mph"),
    "km": ("km", "mi"),
    "m": ("m", "ft"),
    "g/s": ("g/s", "lb/min"),
    "g/s/l": ("g/s/l", "lb/min/l"),
    "g/l/K": ("g/l/delta_degC", "oz/l/delta_degF"),
    "kJ": ("kJ", "Btu"),
    "L/h": ("l/h", "gal/h"),
    "l": ("l", "gal"),
    "Nm": ("N*m", "lbf*ft"),
}
_NUMBER = re.compile(r"[+−]?\d[\d,]*(?:\.\d+)?")


def numbers_in(text: str) -> list[float]:
    found = _NUMBER.findall(text)
    return [float(number.replace("−", "-").replace(",", "")) for number in found]


@cache
def line_of_theirs(unit: str) -> tuple[float, float]:
    """Factor and offset by pint."""
    ours, theirs = OURS[unit]
    zero, one = (float(PINT.Quantity(value, ours).to(theirs).magnitude) for value in (0.0, 1.0))
    return one - zero, zero


# --- one quantity ---


@settings(deadline=None, max_examples=150)
@given(st.integers(-99_999, 99_999), st.integers(0, 3), st.sampled_from(sorted(OURS)))
@example(87, 0, "degC")
@example(-40, 0, "degC")
@example(1, 0, "km/h")
@example(1, 3, "kPa")
def test_a_quantity_as_pint_has_it(number: int, decimals: int, unit: str):
    value = number / 10**decimals
    text = in_units(said("seen at {q}, once", q=Quantity(value, unit, decimals=decimals)), US)
    (shown,) = numbers_in(text)
    factor, offset = line_of_theirs(unit)
    want = factor * value + offset
    step = factor * 10.0**-decimals
    assert abs(shown - want) <= 1.6 * step + 2e-5 * abs(want)  # it is as fine as it was
    if unit != "degC":
        assert abs(shown - want) <= 0.051 * abs(want)  # and a small one keeps its size
    assert text.startswith("seen at ")
    assert text.endswith(", once")


@settings(deadline=None, max_examples=150)
@given(st.floats(-5000.0, 5000.0), st.floats(0.0001, 500.0), st.sampled_from(sorted(OURS)))
def test_half_widths_are_scaled_only(value: float, half: float, unit: str):
    text = Quantity(value, unit, half).text(US)
    if "e-" in text:
        return
    shown, width = numbers_in(text)
    factor, offset = line_of_theirs(unit)
    last = 10.0 ** -len(text.partition("±")[2].split()[0].partition(".")[2])
    assert abs(width - factor * half) <= 0.51 * last
    step = max(abs(width), factor * half, 1e-3)
    assert abs(shown - (factor * value + offset)) <= 0.6 * step + 2e-5 * abs(value) + 0.6


@settings(deadline=None, max_examples=80)
@given(st.floats(0.5, 60.0))
def test_consumption_as_pint_has_it(liters: float):
    text = Quantity(liters, "l/100 km", decimals=1).text(US)
    (shown,) = numbers_in(text)
    assert text.endswith(" mpg")
    mpg = (100 * PINT.km / (liters * PINT.l)).to("mi/gal").magnitude
    assert shown == pytest.approx(mpg, rel=0.051)


@pytest.mark.parametrize(
    ("quantity", "metric", "us"),
    [
        # 71 degC is 160 °F, 22 degC of rise 40 °F: 13 CCR 1968.2 gives a warm-up cycle in both
        (Quantity(22.0, "K", decimals=0), "22 K", "40 Δ°F"),
        (Quantity(71.0, "degC", decimals=0), "71 °C", "160 °F"),
        (Quantity(-40.0, "degC", decimals=0), "−40 °C", "−40 °F"),
        (Quantity(92.1, "degC", 0.4), "92.1 ±0.4 °C", "197.8 ±0.7 °F"),
        (Quantity(-4.5, "K", 0.71), "−4.5 ±0.7 K", "−8.1 ±1.3 Δ°F"),
        (Quantity(80.0, "degC", decimals=0, others=(105.0,)), "80 to 105 °C", "176 to 221 °F"),
        (Quantity(30.0, "kPa", decimals=0, others=(40.0,), join="-"), "30-40 kPa", "8.9-11.8 inHg"),
        (Quantity(0.0, "kPa", 0.6), "0.00 ±0.60 kPa", "0.00 ±0.18 inHg"),
        (Quantity(-0.001, "V"), "0.00 V", "0.00 V"),
        (Quantity(12.0, "points", signed=True), "+12.0 points", "+12.0 points"),
        (Quantity(6.0, "l/100 km", decimals=0, others=(8.0,)), "6 to 8 L/100 km",
         "2.6 to 3.4 gal/100 mi"),
    ],
)  # fmt: skip
def test_writing(quantity: Quantity, metric: str, us: str):
    assert (quantity.text(), quantity.text(US)) == (metric, us)


@pytest.mark.parametrize(
    ("quantity", "choice", "text", "shown"),
    [
        ("pressure", "psi", "{100 kPa}, {87 degC}, {60 km/h}", "14.5 psi, 87 °C, 60 km/h"),
        ("pressure", "bar", "MAP {100 kPa}", "MAP 1.00 bar"),
        ("air", "kg/h", "{12.5 g/s} and {1.20 g/s/l}", "45 kg/h and 4.3 kg/h/L"),
        ("distance", "mi", "{10 km}, {1600 m}, {8.0 l/100 km}", "6 mi, 5,249 ft, 12.9 L/100 mi"),
        ("fuel", "gal/h", "{4.0 l}, {8.0 l/100 km}", "1.06 gal, 2.11 gal/100 km"),
        (
            "temperature",
            "°F",
            "{5 K} above {90 degC} at {100 kPa}",
            "9 Δ°F above 194 °F at 100 kPa",
        ),
        ("torque", "lbf·ft", "{100 Nm}", "74 lbf·ft"),
    ],
)
def test_one_quantity_is_chosen(quantity: str, choice: str, text: str, shown: str):
    assert in_units(marked(text), METRIC.choose(quantity, choice)) == shown


def test_every_choice_converts_what_is_recorded_in_it():
    for key, quantity in QUANTITIES.items():
        for choice in quantity.choices[1:]:
            for unit in quantity.shown:
                shown = Quantity(12.5, unit, decimals=1).text(METRIC.choose(key, choice))
                assert not shown.startswith("12.5")
                assert unit not in shown.split()


# --- words around them ---


def test_texts_hold_texts_and_lists():
    gears = said("ratios {g:.1f rpm per km/h}", g=(94.1, 52.0))
    text = joined([said("It is {t:.0f degC}", t=71.2), gears, "seen twice"], end=".")
    assert text == "It is 71 °C; ratios 94.1, 52.0 rpm per km/h; seen twice."
    assert in_units(text, US) == "It is 160 °F; ratios 151.4, 83.7 rpm per mph; seen twice."


@pytest.mark.parametrize(
    "text",
    [
        said("{a} at {t:+.1f K} and {{b}}", a="A {x} name", t=3.0),
        marked("a cruise at {50 to 80 km/h}, {not marked} {"),
        joined([said("{x:.2f l}", x=1.364), "of fuel"], " "),
    ],
)
def test_a_text_survives_processes_and_files(text: str):
    assert isinstance(text, Text)
    kept = text_from(json.dumps(text.to_json()), "")
    for again in (kept, pickle.loads(pickle.dumps(text))):
        assert again == text
        assert in_units(again, US) == in_units(text, US) != text


@pytest.mark.parametrize(
    "kept", ["", "null", "3", "{}", "{", '{"template": "{a}", "values": {}}', '{"values": 1}']
)
def test_what_is_no_text_is_the_plain_one(kept: str):
    assert in_units(text_from(kept, "as it was: 20 degC"), US) == "as it was: 20 degC"


# --- every text there is ---

_BY_HAND = re.compile(r"degC|kPa|\bkm\b|(?<![\w/])g/s|L/h|(?:\d|\}) K\b|g/l/K|l/100|\bNm\b")
"""A metric unit that has a choice."""


def texts_of(findings: Iterable[Finding]) -> Iterator[str]:
    for found in findings:
        yield from (found.reason, *found.causes, *found.next_steps, *found.remarks)


@cache
def made() -> tuple[str, ...]:
    """What the program says now of its own demo recordings, and all it may explain."""
    folder = Path(__file__).parents[2] / "recordings"
    before, after = (open_recording(folder / f"{name}.parquet") for name in ("before", "after"))
    texts = [text for band in load_bands() for text in (band.title, band.basis)]
    for value in (each for rows in EXPLANATIONS.values() for each in rows.values()):
        texts += [*value.tell_apart, *(cause.text for cause in value.causes)]
    texts += [text for asked in ASKS.values() for text in asked.values()]
    result = compare([before], [after])
    texts += texts_of(f for r in result.findings for f in (r.before, r.after) if f is not None)
    texts += [result.summary, result.warm_up.reason, result.cranking.reason, *result.to_drive]
    texts += [r.reason for r in (*result.findings, *result.signals)]
    return (*texts, *(concern.text for concern in result.concerns))


def test_what_is_said_of_a_drive_has_no_metric_unit_left():
    texts = made()
    assert len(texts) > 250
    assert [text for text in texts if _BY_HAND.search(in_units(text, US))] == []
    assert [text for text in texts if in_units(text, METRIC) != text] == []


def test_no_text_of_the_analysis_writes_a_unit_by_hand():
    found = []
    for path in sorted(Path(logbench.analysis.__path__[0]).rglob("*.py")):
        tree = ast.parse(path.read_text("utf-8"))
        docs = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
        for node in ast.walk(tree):
            if not isinstance(node, ast.Constant) or not isinstance(node.value, str):
                continue
            text = re.sub(r"\{[^{}]*\}", "", node.value)  # places of a text
            if id(node) not in docs and " " in text.strip() and _BY_HAND.search(text):
                found.append(f"{path.name}:{node.lineno}: {text}")
    assert [line for line in found if "l/100 km" not in line and "rpm per" not in line] == []


def test_a_difference_in_a_users_band_file_stays_one(tmp_path: Path):
    """Before K was written, `degC` stood for these bands, too."""
    own = tmp_path / "bands.toml"
    own.write_text(
        '[cold_soak]\nunit = "degC"\nwithin = [-5, 5]\n[fan_start]\nunit = "degC"\n'
        '[fuel_trim_trend]\nunit = "%"\nwithin = [-5, 5]\n[fuel_trim_total]\nunit = "%"\n'
    )
    bands = load_bands(own)
    kept = {"cold_soak": "K", "fan_start": "degC", "fuel_trim_trend": "points"}
    assert {key: bands[key].unit for key in kept} == kept
    assert bands["fuel_trim_total"].unit == "%"
    assert bands["cold_soak"].within == (-5.0, 5.0)
