"""Every part of an expression with its unit: what cannot be added, compared or called is refused
before anything is computed."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import NoReturn

from logbench.analysis.expression.grammar import (
    EXAMPLE,
    OVER_TIME,
    VALUE_EXAMPLE,
    Node,
    parse,
)
from logbench.errors import SignalUnknownError, UsageError
from logbench.signals.catalog import Catalog, catalog
from logbench.signals.units import METRIC, Units, compatible, conversion, joined, known, unit_text

CONSTANTS = {"DISPLACEMENT": "liter", "CYLINDERS": ""}
"""What is known of the car, by the name in an expression, and its unit."""
MOST_SECONDS = 600.0
"""How far a function over time may look back."""
CONDITION = "condition"
"""The unit of what holds or does not."""
_DIFFERENCE = {"degC": "K", "degF": "delta_degF"}
"""The unit of a difference of two temperatures, and of a temperature in a product."""
_TEMPERATURES = {"degC": "degC", "degF": "degF", "kelvin": "K"}
"""By pint's name: a temperature is known by one, however it is spelled."""
_ORDERED = ("<", "<=", ">", ">=", "=", "!=")


@dataclass(frozen=True, slots=True)
class Expression:
    """An expression that can be computed: its text, and its tree, every part with its unit; below
    a signal that is computed stands what it is made of."""

    text: str
    tree: Node

    @property
    def names(self) -> tuple[str, ...]:
        """The measured signals it is made of, in the order of the text."""
        names = dict.fromkeys(node.text for node in self.tree.walk() if node.kind == "name")
        return tuple(name for name in names if name not in CONSTANTS)

    @property
    def constants(self) -> tuple[str, ...]:
        """What it needs to know of the car."""
        return tuple({node.text for node in self.tree.walk() if node.text in CONSTANTS})

    @property
    def reach_s(self) -> float:
        """How far back its functions over time look, in seconds."""
        over_time = [n for n in self.tree.walk() if n.kind in OVER_TIME and n.parts[1:]]
        return sum(node.parts[1].value for node in over_time)


def number(text: str, units: Units = METRIC, *, signals: Catalog | None = None) -> Expression:
    """An expression that gives numbers; its own bare numbers are in the reader's `units`.

    `signals`: in the place of those there are. Raises `UsageError`.
    """
    made = _checked(text.strip(), units, signals or catalog())
    if made.tree.unit == CONDITION:
        raise UsageError(f"'{text}' is a condition; write a value such as {VALUE_EXAMPLE}.")
    return made


def condition(text: str, units: Units = METRIC) -> Expression:
    """An expression that holds or does not; bare numbers as in `number`. Raises `UsageError`."""
    made = _checked(text.strip(), units, catalog())
    if made.tree.unit != CONDITION:
        raise UsageError(f"'{text}' is not a comparison; write a condition such as {EXAMPLE}.")
    return made


def in_unit(made: Expression, unit: str) -> Expression:
    """The same with values in `unit`. Raises `UsageError` where they cannot be."""
    checker = _Checker(made.text, METRIC, catalog())
    return replace(made, tree=checker.converted(made.tree, unit, by_much=True))


@functools.lru_cache(maxsize=512)
def _checked(text: str, units: Units, signals: Catalog, within: tuple[str, ...] = ()) -> Expression:
    """`within`: the computed signals that it is a part of."""
    made = Expression(text, _Checker(text, units, signals, within).check(parse(text)))
    if not made.names:
        raise UsageError(f"'{text}' uses no signal; write for example {EXAMPLE}.")
    return made


class _Checker:
    def __init__(
        self, text: str, units: Units, signals: Catalog, within: tuple[str, ...] = ()
    ) -> None:
        self.text, self.units, self.signals, self.within = text, units, signals, within

    def check(self, node: Node) -> Node:
        """The same tree with units."""
        node = replace(node, parts=tuple(self.check(part) for part in node.parts))
        kind = node.kind
        if kind == "name":
            return self._named(node)
        if kind == "time":
            return replace(node, unit="s")
        if kind == "number":
            unit = _TEMPERATURES.get(known(node.text) or "", node.text)
            return replace(node, unit=unit or None)
        if kind in ("and", "or", "not"):
            for part in node.parts:
                if part.unit != CONDITION:
                    self._refuse(part, f"is not a comparison; write one such as {EXAMPLE}")
            return replace(node, unit=CONDITION)
        for part in node.parts[kind == "where" :]:
            if part.unit == CONDITION:
                self._refuse(part, f"is a condition; {kind} takes values")
        if kind in (*_ORDERED, "+", "-", "min", "max"):
            return self._alike(node)
        if kind in ("*", "/"):
            return replace(node, unit=self._product(node))
        if kind in OVER_TIME and node.parts[1:]:
            node = self._with_seconds(node)
        return replace(node, unit=self._of_function(node))

    def _named(self, node: Node) -> Node:
        """A constant of the car, or a signal in the reader's unit."""
        if node.text in CONSTANTS:
            return replace(node, unit=CONSTANTS[node.text])
        try:
            entry = self.signals.by_acronym(node.text)
        except SignalUnknownError as error:
            raise UsageError(f"'{self.text}': {error}") from None
        made = replace(node, text=entry.acronym, unit=entry.unit)
        if entry.acronym in self.within:
            raise UsageError(f"{entry.acronym} is made of itself.")
        if entry.formula:
            within = (*self.within, entry.acronym)
            tree = _checked(entry.formula, METRIC, self.signals, within).tree
            tree = self.converted(replace(tree, place=node.place), entry.unit, by_much=True)
            made = replace(made, kind="signal", parts=(tree,))
        factor, offset = self.units.line(entry.unit)
        if (factor, offset) == (1.0, 0.0):
            return made
        shown = self.units.unit(entry.unit)
        return Node("scale", (made,), "", factor, offset, node.place, shown)

    def _with_seconds(self, node: Node) -> Node:
        """A function over time with its duration in seconds."""
        value, duration = node.parts
        if duration.kind != "number":
            self._refuse(duration, f"is not a duration: write {node.kind}(RPM, 5 s)")
        duration = self.converted(duration, "s")
        if not 0 < duration.value <= MOST_SECONDS:
            self._refuse(duration, f"must be above 0 and at most {MOST_SECONDS:g} s")
        return replace(node, parts=(value, duration))

    def _alike(self, node: Node) -> Node:
        """Both sides in one unit; a bare number is in that of the other side."""
        left, right = node.parts
        of_two = left.unit in _DIFFERENCE and right.unit in _DIFFERENCE
        if left.unit is not None and right.unit is not None and left.unit != right.unit:
            if not compatible(_size(left.unit), _size(right.unit)):
                how = "compared" if node.kind in _ORDERED else "put together"
                why = f"is in {_printed(right.unit)}, what is before it in {_printed(left.unit)}"
                self._refuse(right, f"{why}: they cannot be {how}")
            by_much = node.kind in ("+", "-")
            if left.kind == "number":
                left = self.converted(left, right.unit or "", by_much)
            else:
                right = self.converted(right, left.unit or "", by_much)
        unit = left.unit if left.unit is not None else right.unit
        if node.kind in _ORDERED:
            unit = CONDITION
        elif node.kind == "-" and of_two and unit is not None:
            unit = _size(unit)
        return replace(node, parts=(left, right), unit=unit)

    def converted(self, node: Node, unit: str, by_much: bool = False) -> Node:
        """The same values in another unit; a number is converted here and now. `by_much`: kelvins
        are a difference where a temperature is wanted."""
        source, target = node.unit, unit
        if source is None or source == unit:
            return replace(node, unit=unit)
        if target in _DIFFERENCE.values() or (by_much and source in _DIFFERENCE.values()):
            source, target = _size(source), _size(target)
        if not compatible(source, target):
            self._refuse(node, f"is in {_printed(source)}, not in {_printed(target)}")
        factor, offset = conversion(source, target)
        if node.kind == "number":
            value = float(f"{factor * node.value + offset:.12g}")
            return replace(node, value=value, unit=unit)
        return Node("scale", (node,), "", factor, offset, node.place, unit)

    def _product(self, node: Node) -> str | None:
        left, right = (part.unit for part in node.parts)
        if left is None and right is None:
            return None
        if node.kind == "*" and not (left and right):
            return left or right
        if node.kind == "/" and not right and left is not None:
            return left
        left, right = _size(left or ""), _size(right or "")
        return "" if node.kind == "/" and left == right else joined(left, node.kind, right)

    def _of_function(self, node: Node) -> str | None:
        kind, unit = node.kind, node.parts[0].unit
        size = _size(unit) if unit else unit
        if kind in ("**", "sqrt"):
            exponent = 0.5 if kind == "sqrt" else self._exponent(node.parts[1])
            return joined(size, "**", f"{exponent:g}") if size else size
        if kind in ("log", "exp"):
            if unit and not compatible(unit, ""):
                why = f"divide it by a number in that unit first, {kind} takes a pure number"
                self._refuse(node.parts[0], f"is in {_printed(unit)}: {why}")
            return None
        if kind == "rate":
            return joined(size or "", "/", "s")
        if kind == "where":
            if unit != CONDITION:
                self._refuse(node.parts[0], "is not a condition: write where(RPM > 400, MAF)")
            return node.parts[1].unit
        return unit

    def _exponent(self, node: Node) -> float:
        inner = node.parts[0] if node.kind == "-x" else node
        if inner.kind != "number" or inner.unit is not None:
            self._refuse(node, "is not an exponent: write a plain number after **")
        return -inner.value if node.kind == "-x" else inner.value

    def _refuse(self, node: Node, why: str) -> NoReturn:
        part = self.text[node.place :]
        short = part if len(part) <= 20 else f"{part[:19]}…"
        raise UsageError(f"'{self.text}': '{short}' {why}.")


def _size(unit: str) -> str:
    """Of a temperature the unit of a difference; any other unit as it is."""
    return _DIFFERENCE.get(unit, unit)


def _printed(unit: str) -> str:
    text = unit.replace("(", "").replace(")", "").replace("delta_", "")
    return unit_text(text) or "no unit"
