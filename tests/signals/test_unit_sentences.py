"""Sentences of the checks in the units chosen. Outside checks: pint, an independent units library,
and the round pairs of temperatures that 40 CFR and SAE texts give in both scales."""

from __future__ import annotations

import ast
import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import pint
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import logbench.analysis
from logbench.analysis.bands import load_bands
from logbench.analysis.comparison.compare import compare
from logbench.analysis.findings import EXPLANATIONS
from logbench.recording.reader import open_recording
from logbench.signals.unit_sentences import in_units
from logbench.signals.units import METRIC, QUANTITIES, Units

SENTENCES = Path(__file__).with_name("sentences.txt").read_text("utf-8").splitlines()
"""One of each shape: every sentence of all checks and comparisons over the recordings of the demo,
eight of the open road data, and a cold and a warm drive with each fault of the simulator."""
PINT = pint.UnitRegistry()
US = Units(us=True)
OURS = {
    "degC": ("degC", "degF"),
    "K": ("delta_degC", "delta_degF"),
    "degC/min": ("delta_degC/min", "delta_degF/min"),
    "kPa": ("kPa", "inHg"),
    "km/h": ("km/h", "mph"),
    "km": ("km", "mi"),
    "m": ("m", "ft"),
    "g/s": ("g/s", "lb/min"),
    "g/s/l": ("g/s/l", "lb/min/l"),
    "g/l/K": ("g/l/delta_degC", "g/l/delta_degF"),
    "L/h": ("l/h", "gal/h"),
    "l": ("l", "gal"),
    "Nm": ("N*m", "lbf*ft"),
}
_LEFT = re.compile(
    r"degC|°C|kPa|\bkm\b|(?<![\w/])g/s|L/h|\d K\b|g/l/K|\d [lLm](?![\w/])|l/100|\bNm\b"
)
"""A metric unit that has a choice; litres of displacement below a line are none."""
_ANY = re.compile("degC|kPa|km|g/s|L/h| K| l| m")
_NUMBER = re.compile(r"[+-]?\d[\d,]*(?:\.\d+)?")


def numbers_in(text: str) -> list[float]:
    return [float(found.replace(",", "")) for found in _NUMBER.findall(text)]


@cache
def line_of_theirs(unit: str) -> tuple[float, float]:
    """Factor and offset by pint."""
    ours, theirs = OURS[unit]
    zero, one = (float(PINT.Quantity(value, ours).to(theirs).magnitude) for value in (0.0, 1.0))
    return one - zero, zero


def in_theirs(value: float, unit: str) -> float:
    factor, offset = line_of_theirs(unit)
    return factor * value + offset


# --- one quantity ---

written = st.tuples(st.integers(-99_999, 99_999), st.integers(0, 3)).map(
    lambda pair: f"{pair[0] / 10 ** pair[1]:.{pair[1]}f}"
)


@settings(deadline=None, max_examples=80)
@given(written, st.sampled_from(sorted(OURS)))
@example("87", "degC")
@example("-40", "degC")
@example("1", "km/h")
@example("0.001", "kPa")
def test_a_quantity_as_pint_has_it(number: str, unit: str):
    said = in_units(f"seen once at {number} {unit}, not again", US)
    (shown,) = numbers_in(said)
    want = in_theirs(float(number), unit)
    decimals = len(number.partition(".")[2])
    step = line_of_theirs(unit)[0] * 10.0**-decimals
    assert abs(shown - want) <= 1.6 * step + 2e-5 * abs(want)  # it is as fine as it was
    if unit != "degC":
        assert abs(shown - want) <= 0.051 * abs(want)  # and a small one keeps its size
    assert said.endswith(", not again")
    assert said.startswith("seen once at ")


@settings(deadline=None, max_examples=80)
@given(written, st.floats(0.0001, 500.0), st.sampled_from(sorted(OURS)))
def test_half_widths_are_scaled_only(number: str, half: float, unit: str):
    decimals = len(number.partition(".")[2])
    told = f"{half:.{decimals}f}" if float(f"{half:.{decimals}f}") else f"{half:.1g}"
    if "e" in told:
        return
    value, shown = numbers_in(in_units(f"{number} ±{told} {unit}", US))
    factor, _ = line_of_theirs(unit)
    assert shown == pytest.approx(float(told) * factor, rel=0.051, abs=1e-4)
    step = max(float(told), 10.0**-decimals) * factor
    assert abs(value - in_theirs(float(number), unit)) <= 0.6 * step + 2e-5 * abs(value)


@settings(deadline=None, max_examples=80)
@given(st.floats(0.5, 60.0))
def test_consumption_as_pint_has_it(litres: float):
    text = f"{litres:.1f} l/100 km"
    (shown,) = numbers_in(in_units(text, US))
    mpg = (100 * PINT.km / (float(f"{litres:.1f}") * PINT.l)).to("mi/gal").magnitude
    assert in_units(text, US).endswith(" mpg")
    assert shown == pytest.approx(mpg, rel=0.051)


@pytest.mark.parametrize(
    ("metric", "us"),
    [
        # 71 degC is 160 °F, 22 degC of rise 40 °F: 13 CCR 1968.2 gives a warm-up cycle in both
        ("22 K up to 71 degC", "40 °F up to 160 °F"),
        ("21 degC, and about 8.5 V at -18 degC", "70 °F, and about 8.5 V at 0 °F"),
        ("goes to -40 degC.", "goes to -40 °F."),
        ("92.1 ±0.4 degC is within 80 to 105 degC;", "197.8 ±0.7 °F is within 176 to 221 °F;"),
        (
            "a change of -4.50 ±0.71 K (band -8 to 8 K)",
            "a change of -8.1 ±1.3 °F (band -14 to 14 °F)",
        ),
        ("from −12 to −5 degC", "from 10 to 23 °F"),
        ("at least −20 degC", "at least −4 °F"),
        ("(94.1, 52.0 rpm per km/h); 9 of 10", "(151.4, 83.7 rpm per mph); 9 of 10"),
        ("manifold pressure 30-40 kPa (", "manifold pressure 8.9-11.8 inHg ("),
        ("between 3 and 5 kPa", "between 0.9 and 1.5 inHg"),
        ("1,600 m and 1,234 km", "5,249 ft and 767 mi"),
        ("3 km of steady cruise", "1.9 mi of steady cruise"),
        ("4.52 l of fuel", "1.194 gal of fuel"),
        ("95 ±12 kPa is assumed", "28.1 ±3.5 inHg is assumed"),
        ("0.00 ±0.60 kPa", "0.00 ±0.18 inHg"),
        ("(+0.00 ±0.06 L/h)", "(+0.000 ±0.016 gal/h)"),
        ("6 to 8 l/100 km", "2.6 to 3.4 gal/100 mi"),
    ],
)
def test_wording(metric: str, us: str):
    assert in_units(metric, US) == us


@pytest.mark.parametrize(
    "text",
    [
        "LONGFT1 and O2S11 K, TP_B 3 of 5",
        "1.98 litres, 4737 g for each litre",
        "15 to 30 kJ/K for each litre",
        "8 shared cells, 2,500 rpm, 30 s, 12.4 V, 7.3 deg, -10 to 10 %, lambda 0.95",
        "P0128 km; 5K; a K-type probe of 3 K-type; --altitude-m 1600",
        "DTC P0420 m/s 5 m/s; 12 min of idle; 3 kmh; 5 mA; 7 Kelvin; 2 ls",
        "2 starts to warm, 1 to 3 times",
    ],
)
def test_what_is_no_quantity_is_left(text: str):
    assert in_units(text, US) == text


# --- units for each quantity ---


@pytest.mark.parametrize(
    ("quantity", "choice", "text", "shown"),
    [
        ("pressure", "psi", "MAP 100 kPa, 87 degC, 60 km/h", "MAP 14.5 psi, 87 °C, 60 km/h"),
        ("pressure", "bar", "MAP 100 kPa", "MAP 1.00 bar"),
        ("air", "kg/h", "12.5 g/s and 1.20 g/s/l", "45 kg/h and 4.3 kg/h/l"),
        ("speed", "mph", "100 km/h over 10 km (52.0 rpm per km/h)",
         "62 mph over 10 km (83.7 rpm per mph)"),
        ("distance", "mi", "10 km, 1600 m, 8.0 l/100 km", "6 mi, 5249 ft, 12.9 l/100 mi"),
        ("fuel", "gal/h", "4.0 l, 8.0 l/100 km", "1.06 gal, 2.11 gal/100 km"),
        ("temperature", "°F", "5 K above 90 degC at 100 kPa", "9 °F above 194 °F at 100 kPa"),
        ("torque", "lbf·ft", "100 Nm", "74 lbf·ft"),
    ],
)  # fmt: skip
def test_one_quantity_is_chosen(quantity: str, choice: str, text: str, shown: str):
    assert in_units(text, METRIC.choose(quantity, choice)) == shown


def test_every_choice_converts_what_is_recorded_in_it():
    for key, quantity in QUANTITIES.items():
        for choice in quantity.choices[1:]:
            for unit in quantity.shown:
                said = in_units(f"12.5 {unit} seen", METRIC.choose(key, choice))
                assert unit not in said.split()
                assert not said.startswith("12.5")


# --- every sentence there is ---


@cache
def made() -> tuple[str, ...]:
    """What the program says now of its own demo recordings, and all it may explain."""
    folder = Path(__file__).parents[2] / "recordings"
    before, after = (open_recording(folder / f"{name}.parquet") for name in ("before", "after"))
    texts = [text for band in load_bands() for text in (band.title, band.basis)]
    for value in (each for rows in EXPLANATIONS.values() for each in rows.values()):
        texts += [*value.tell_apart, *(cause.text for cause in value.causes)]
    result = compare([before], [after])
    for found in (f for r in result.findings for f in (r.before, r.after) if f is not None):
        texts += [found.reason, *found.causes, *found.next_steps]
    texts += [result.summary, result.warm_up.reason, result.cranking.reason, *result.to_drive]
    texts += [r.reason for r in (*result.findings, *result.signals)]
    return (*texts, *(concern.text for concern in result.concerns))


def wrong_in(text: str) -> str:
    """What is wrong with the conversion of a sentence; empty where nothing is."""
    if in_units(text, METRIC) != text.replace("degC", "°C"):
        return f"metric: {in_units(text, METRIC)}"
    said = in_units(text, US)
    if _LEFT.search(said):
        return f"left over: {said}"
    if in_units(said, US) != said:
        return f"twice: {in_units(said, US)}"
    if said != text and re.search(r"\d\.\d{4,}(?!\d| ±| lb/min/l)", said):
        return f"too many digits: {said}"
    text = text.replace(" l/100 km", " l")  # mpg has no 100
    return "" if len(numbers_in(said)) == len(numbers_in(text)) else f"numbers: {said}"


def test_the_sentences_collected_convert():
    assert len(SENTENCES) > 250
    assert [problem for text in SENTENCES if (problem := wrong_in(text))] == []


def test_the_sentences_made_now_convert():
    texts = made()
    assert len(texts) > 200
    assert [problem for text in texts if (problem := wrong_in(text))] == []


def test_no_difference_is_called_degc():
    """A degC would get 32 added. What these words follow is a difference."""
    words = r"(above|below|lower|higher|warmer|colder|apart|rise|of rise|of the same rise)\b"
    told = re.compile(rf"\bdegC (?!above 1[01]|below )(?:{words})|(?:up by|differs by) \d+ degC")
    assert [text for text in (*SENTENCES, *made()) if told.search(text)] == []


def literals() -> dict[str, str]:
    """Every text in the analysis that has a unit in it, with 12 for each figure to be filled in."""
    found = {}
    for path in sorted(Path(logbench.analysis.__path__[0]).rglob("*.py")):
        source = path.read_text("utf-8")
        if path.name == "document.py" or not _ANY.search(source):  # the documentation is metric
            continue
        tree = ast.parse(source)
        nodes = list(ast.walk(tree))
        skipped = {id(n.value) for n in nodes if isinstance(n, ast.Expr)}
        skipped |= {id(v) for n in nodes if isinstance(n, ast.JoinedStr) for v in n.values}
        for node in nodes:
            if id(node) in skipped:
                continue
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                text = node.value
            elif isinstance(node, ast.JoinedStr):
                text = "".join(
                    v.value if isinstance(v, ast.Constant) else "12" for v in node.values
                )
            else:
                continue
            if " " in text and _LEFT.search(text):
                found[f"{path.name}:{node.lineno}"] = text
    return found


def test_every_text_of_the_analysis_converts():
    texts = literals()
    assert len(texts) > 30
    left = {at: in_units(text, US) for at, text in texts.items()}
    assert {at: said for at, said in left.items() if _LEFT.search(said)} == {}


def test_a_difference_in_a_users_band_file_stays_one(tmp_path: Path):
    """Before K was written, `degC` stood for these bands, too."""
    own = tmp_path / "bands.toml"
    own.write_text('[cold_soak]\nunit = "degC"\nwithin = [-5, 5]\n[fan_start]\nunit = "degC"\n')
    bands = load_bands(own)
    assert bands["cold_soak"] == replace(
        load_bands()["cold_soak"], within=(-5.0, 5.0), basis=bands["cold_soak"].basis
    )
    assert bands["fan_start"].unit == "degC"
