"""What the analysis says: our own words with quantities in them, written in the units chosen.

`said("It stops at {off:.0f degC}, after {n} starts", off=88.2, n=3)` is a `Text`. As a `str` it is
its English, metric form; `in_units` writes it in the user's language and other units. Nothing ever
reads a number back out of a sentence. Files of words mark theirs in place: `at {50 to 80 km/h} on
the level`.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass
from string import Formatter
from typing import Any

from logbench.signals import numbers
from logbench.signals.units import METRIC, Units
from logbench.words import put, shown

KM_PER_GALLON_MILE = 1.609344 / 3.785411784
MPG_LITERS = 100.0 / KM_PER_GALLON_MILE
"""mpg = this over l/100 km; mile and US gallon are exact by definition: 235.2146."""

_CONSUMPTION = "l/100 km"
_MOST_ERROR = 0.05
"""A rounded figure is no further from the converted one than this share of it."""
_CLAUSE = "clause"
"""The place of a sentence that is shown without its full stop."""
_SPEC = re.compile(r"(?P<signed>\+?)(?:\.(?P<decimals>\d)f)?(?: ?(?P<unit>\S.*))?")
_FIGURE = r"[+-]?\d+(?:\.\d+)?"
_MARKED = re.compile(
    rf"\{{(?P<first>{_FIGURE})(?:(?P<join> to | and |-)(?P<last>{_FIGURE}))?"
    r" (?P<unit>[^\s\d{}][^{}]*)\}"
)


Forms = tuple[str, str, int]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number of a sentence: `value` in `unit` (as recorded; that of a difference for one), with
    the `half` width of its interval where it is known.

    `decimals` as in metric units; None: as many as its size deserves. `signed`: with its sign.
    `others`: further values of the same kind behind `join`, the unit once at the end. `limit`: an
    end of a range, which is given, not measured, and keeps its value.
    """

    value: float
    unit: str = ""
    half: float | None = None
    decimals: int | None = None
    signed: bool = False
    others: tuple[float, ...] = ()
    join: str = " to "
    limit: bool = False

    def text(self, units: Units = METRIC, say: Callable[[str], str] = str) -> str:
        """`197.8 ±0.7 °F`; the digits follow the step of the last metric one. `say`: gives its few
        words (`points`, `to`) in the language wanted."""
        values = (self.value, *self.others)
        decimals = self.decimals
        if decimals is None:
            decimals = numbers.digits(self.value, self.half or math.nan)
        made, unit, half, steps = self._shown(values, 10.0**-decimals, units)
        unit, join = (
            say(unit),
            f" {say(self.join.strip())} " if self.join.strip().isalpha() else self.join,
        )
        if self.limit:
            return f"{join.join(map(numbers.end_text, made))} {unit}".strip()
        if made != values:
            moved = units.line(self.unit)[1] != 0.0
            decimals = max(map(_decimals, made, steps, [moved] * len(values)))
            if half:
                decimals = min(decimals, max(0, 1 - math.floor(math.log10(half))))
        *rest, last = made
        texts = [numbers.number_text(value, math.nan, "", self.signed, decimals) for value in rest]
        half = math.nan if half is None else half
        texts.append(numbers.number_text(last, half, unit, self.signed, decimals))
        return join.join(texts)

    def _shown(
        self, values: tuple[float, ...], step: float, units: Units
    ) -> tuple[tuple[float, ...], str, float | None, list[float]]:
        """The values, unit and half width as shown, and what one last digit of each becomes."""
        if self.unit == _CONSUMPTION:
            volume, distance = units.line("l")[0], units.line("km")[0]
            names = units.printed("l"), units.printed("km")
            if names == ("gal", "mi") and len(values) == 1 and self.value > 0.0:
                mpg = MPG_LITERS / self.value
                half = None if self.half is None else mpg * self.half / self.value
                return (mpg,), "mpg", half, [mpg * step / self.value]
            factor, offset, unit = volume / distance, 0.0, f"{names[0]}/100 {names[1]}"
        else:
            factor, offset = units.line(self.unit)
            unit = units.printed(self.unit)
        half = None if self.half is None else self.half * factor
        made = tuple(factor * value + offset for value in values)
        return made, unit, half, [factor * step] * len(values)


class Text(str):
    """Words with named quantities, words and texts in their `{places}`.

    Its value as a `str` is the English, metric form, so that whoever needs no other takes it as it
    is. `forms`: template for one thing, for several, and how many; None where nothing is counted.
    """

    template: str
    values: Mapping[str, Quantity | str]
    forms: Forms | None

    def __new__(
        cls, template: str, values: Mapping[str, Quantity | str], forms: Forms | None = None
    ) -> Text:
        """The words of `template`, braces that are none of its places doubled."""
        made = {
            name: value.text() if isinstance(value, Quantity) else value
            for name, value in values.items()
        }
        self = super().__new__(cls, template.format(**_with_clause(made)))
        self.template, self.values, self.forms = template, values, forms
        return self

    def __reduce__(self) -> tuple[type[Text], tuple[Any, ...]]:
        return Text, (self.template, self.values, self.forms)

    def text(self, units: Units = METRIC) -> str:
        """The words in the user's language and the units chosen."""
        made = {
            name: value.text(units, shown)
            if isinstance(value, Quantity)
            else in_units(value, units)
            for name, value in self.values.items()
        }
        one, several, n = self.forms or (self.template, "", 1)
        return put(one, _with_clause(made), several, n)

    def to_json(self) -> dict[str, Any]:
        """Plain JSON types: the template and what stands in its places."""
        made = {"template": self.template, "values": {k: _json(v) for k, v in self.values.items()}}
        return made if self.forms is None else made | {"forms": list(self.forms)}


def said(template: str, /, **values: object) -> str:
    """A `Text`: in its words `{name:+.1f degC}` is a number with sign, decimals and unit, also each
    of a sequence, which is listed; `{name}` is a `Quantity`, a text or what `str` makes of it."""
    places = [place for place in Formatter().parse(template) if place[1] is not None]
    return Text(
        plain(template),
        {name or "": _part(values[name or ""], how or "") for _, name, how, _ in places},
    )


def said_n(singular: str, plural: str, n: int, /, **values: object) -> str:
    """The same for `n` things, which is also the place `{n}`."""
    made = said(singular if n == 1 else plural, **{**values, "n": n})
    assert isinstance(made, Text)
    return Text(made.template, made.values, (plain(singular), plain(plural), n))


def plain(template: str) -> str:
    """A template of `said` as catalogs have it: its places without their formats."""
    return "".join(
        literal.replace("{", "{{").replace("}", "}}") + ("" if name is None else f"{{{name}}}")
        for literal, name, _, _ in Formatter().parse(template)
    )


def marked(text: str) -> str:
    """The words of a file, whose quantities are written `{50 to 80 km/h}`."""
    parts: dict[str, Quantity | str] = {}

    def place(found: re.Match[str]) -> str:
        first, last = found["first"], found["last"]
        name = f"q{len(parts) + 1}"
        parts[name] = Quantity(
            float(first),
            found["unit"],
            decimals=len(first.partition(".")[2]),
            signed=first.startswith("+"),
            others=() if last is None else (float(last),),
            join=found["join"] or " to ",
        )
        return f"\0{name}\1"

    template = _MARKED.sub(place, text).replace("{", "{{").replace("}", "}}")
    return Text(template.replace("\0", "{").replace("\1", "}"), parts) if parts else text


def joined(parts: Iterable[str], by: str = "; ", end: str = "") -> str:
    """A `Text` of texts one after the other."""
    named = {f"t{k + 1}": part for k, part in enumerate(parts)}
    places = by.join(f"{{{name}}}" for name in named)
    return Text(places + end, named)


def clause(sentence: str) -> str:
    """A sentence without its full stop, to be gone on with."""
    if isinstance(sentence, Text):
        return Text(f"{{{_CLAUSE}}}", {_CLAUSE: sentence})
    return sentence.removesuffix(".")


def in_units(text: str, units: Units) -> str:
    """A text in the user's language and the units chosen; plain words, such as those of older
    files, in the units they have."""
    return text.text(units) if isinstance(text, Text) else shown(text)


def text_from(kept: str, plain: str) -> str:
    """What `Text.to_json` gave, as the JSON of a file has it, as a text again; `plain` where there
    is none, as in older files, or it is damaged."""
    try:
        text = _read(json.loads(kept))
        return text if isinstance(text, Text) else plain
    except (KeyError, TypeError, ValueError, AttributeError, IndexError):
        return plain


def _part(value: Any, spec: str) -> Quantity | str:
    if isinstance(value, Quantity | str):
        return value
    how = _SPEC.fullmatch(spec)
    if not spec or how is None:
        return str(value)
    first, *others = value if isinstance(value, tuple | list) else (value,)
    return Quantity(
        float(first),
        how["unit"] or "",
        decimals=None if how["decimals"] is None else int(how["decimals"]),
        signed=bool(how["signed"]),
        others=tuple(float(other) for other in others),
        join=", ",
    )


def _with_clause(made: dict[str, str]) -> dict[str, str]:
    return {k: v.removesuffix(".") if k == _CLAUSE else v for k, v in made.items()}


def _json(value: Quantity | str) -> Any:
    if isinstance(value, Quantity):
        finite = all(map(math.isfinite, (value.value, value.half or 0.0, *value.others)))
        return asdict(value) | {"others": list(value.others)} if finite else value.text()
    return value.to_json() if isinstance(value, Text) else value


def _read(kept: Any) -> Quantity | str:
    if isinstance(kept, str):
        return kept
    if "template" in kept:
        values = {k: _read(v) for k, v in kept["values"].items()}
        for _, name, spec, conversion in Formatter().parse(kept["template"]):
            if name is not None and (name not in values or spec or conversion):
                raise ValueError("a place that is not a name of a value")
        return Text(kept["template"], values, _forms(kept.get("forms")))
    return Quantity(**kept | {"others": tuple(kept["others"])})


def _forms(kept: Any) -> Forms | None:
    match kept:
        case [str(one), str(several), int(n)]:
            return one, several, n
    return None


def _decimals(number: float, step: float, moved: bool) -> int:
    """Decimals that keep the step of the figure; more where a small one would lose its size.
    `moved`: its zero point is arbitrary, so that it has no size."""
    decimals = min(max(0, round(-math.log10(step))), 6)
    if moved or number == 0.0:
        return decimals
    most, share = decimals + 3, _MOST_ERROR * abs(number)
    while decimals < most and abs(round(number, decimals) - number) > share:
        decimals += 1
    return decimals
