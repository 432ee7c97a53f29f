"""Why a value is not taken by a field of a model, in plain words; and what a number may be.

The model's own limits are the one place where they stand: the window's boxes, the command line's
options and the sentences take them from here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from types import UnionType
from typing import Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError

from logbench.foreign import fill, in_label
from logbench.words import tr

_UNITS = re.compile(r"_(l|km|degc|pct|m)$")
_BOUNDS = (
    ("gt", tr("more than {end}")),
    ("ge", tr("at least {end}")),
    ("lt", tr("less than {end}")),
    ("le", tr("at most {end}")),
)
_NUMBERS = {"greater_than", "greater_than_equal", "less_than", "less_than_equal", "finite_number",
            "float_parsing", "float_type", "int_parsing", "int_type", "int_from_float",
            "int_parsing_size"}  # fmt: skip
_KINDS = {
    "string_type": tr("text"),
    "bool_parsing": tr("yes or no"),
    "bool_type": tr("yes or no"),
    "model_type": tr("a table"),
    "list_type": tr("a list"),
}
_MOST_SHOWN = 40


@dataclass(frozen=True, slots=True)
class Refusal:
    """`field`: its path in the model, `vehicle.displacement_l`; `name`: as people read it,
    `displacement`; `why`: the end of a sentence."""

    field: str
    name: str
    why: str


def refusal_of(error: ValidationError, model: type[BaseModel]) -> Refusal:
    """The first thing that is wrong with values of a model, or with one of its fields."""
    first = error.errors()[0]
    path = first["loc"]
    names = [str(part) for part in path if not isinstance(part, int)]
    name = field_name(names[-1]) if names else ""
    return Refusal(".".join(map(str, path)), name, _why(first, bounds_of(model, *path)))


def field_name(field: str) -> str:
    """`displacement` of `displacement_l`: without its unit."""
    return _UNITS.sub("", field).replace("_", " ")


def bounds_of(model: type[BaseModel], *path: int | str) -> dict[str, float]:
    """The limits of a field by the words of pydantic: `gt`, `ge`, `lt`, `le`, `max_length`; empty
    where there are none. `path`: as an error has it."""
    holder: Any = model
    found: dict[str, float] = {}
    for part in path:
        if isinstance(part, int):
            found, holder = {}, next(iter(get_args(holder)), None)
            continue
        known = holder.model_fields.get(part) if _is_model(holder) else None
        if known is None:
            return {}
        found = {
            key: bound
            for limit in known.metadata
            for key in ("gt", "ge", "lt", "le", "max_length")
            if (bound := getattr(limit, key, None)) is not None
        }
        holder = next(_kinds(known.annotation), None)
    return found


def ends_of(model: type[BaseModel], field: str) -> tuple[float, float]:
    """The lowest and the highest legal value of a number that has both."""
    bounds = bounds_of(model, field)
    return bounds["ge"], bounds["le"]


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _kinds(annotation: Any) -> Iterator[Any]:
    """What may stand there: of `Car | None` the car."""
    if get_origin(annotation) in (Union, UnionType):
        yield from (kind for kind in get_args(annotation) if kind is not type(None))
    else:
        yield annotation


def _number(bound: float) -> str:
    return f"{bound:,.10g}" if abs(bound) >= 10_000 else f"{bound:.10g}"


def _why(error: Any, bounds: dict[str, float]) -> str:
    kind, told = error["type"], error.get("ctx", {})
    given = in_label(error["input"], most=_MOST_SHOWN)
    if kind in _NUMBERS:
        ends = [fill(said, end=_number(bounds[key])) for key, said in _BOUNDS if key in bounds]
        whole = tr("a whole number") if kind.startswith("int") else tr("a number")
        limits = tr("{kind}, {ends}", kind=whole, ends=tr(" and ").join(ends)) if ends else whole
        return tr("it must be {limits}, not {given}", limits=limits, given=given)
    if kind in _KINDS:
        return tr("it must be {limits}, not {given}", limits=_KINDS[kind], given=given)
    if kind == "string_too_long":
        most, have = told["max_length"], len(error["input"])
        return tr("it holds at most {most} characters, this has {have}", most=most, have=have)
    if kind == "too_long":
        return tr("it holds at most {most} entries", most=told["max_length"])
    if kind == "missing":
        return tr("it is missing")
    if kind == "literal_error":
        return tr("it must be {limits}, not {given}", limits=told["expected"], given=given)
    said = in_label(error["msg"]).removeprefix("Value error, ")
    return said[:1].lower() + said[1:].rstrip(".")
