"""A field for one number that may stay unknown; what cannot be one is told in a sentence."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

from PySide6.QtWidgets import QLineEdit, QWidget

from logbench.app.parts import muted
from logbench.errors import UsageError
from logbench.words import tr

_AMBIGUOUS = re.compile(r"[-−]?\d{1,3}(,\d{3})+")
_UNKNOWN = tr("unknown")


@dataclass(frozen=True, slots=True)
class Scale:
    """How a kept number is shown: shown = factor * kept + offset, with a unit."""

    unit: str
    factor: float = 1.0
    offset: float = 0.0


class NumberField(QLineEdit):
    """Keeps its number in one unit, shows it in the unit chosen; empty stands for unknown.

    `legal`: the smallest and the largest number, in the unit kept. `name` tells what it is, as a
    sentence begins with it.
    """

    def __init__(
        self,
        title: str,
        name: str,
        legal: tuple[float, float],
        scale: Scale,
        parent: QWidget | None = None,
    ) -> None:
        super().__init__(parent)
        self._title, self._name, self._legal = title, name, legal
        self._scale = scale
        self._kept: float | None = None
        """What is shown, unless it was typed over since."""
        self._shown = ""
        self.label = muted(wrap=False)
        self.label.setBuddy(self)
        self.setPlaceholderText(_UNKNOWN)
        self.setMinimumWidth(60)
        self._name_it()

    def set_scale(self, scale: Scale) -> None:
        """Show the number in another unit; a text that is no number stays as it is."""
        if scale == self._scale:
            return
        try:
            kept = self.number()
        except UsageError:
            self._scale = scale
        else:
            self._scale = scale
            self.set_number(kept)
        self._name_it()

    def set_number(self, kept: float | None) -> None:
        """Show a number given in the unit kept, None: unknown."""
        self._kept = kept
        scale = self._scale
        self._shown = "" if kept is None else f"{scale.factor * kept + scale.offset:.6g}"
        self.setText(self._shown)
        self.setCursorPosition(0)

    def number(self) -> float | None:
        """The number in the unit kept, None where it is unknown; raises `UsageError`."""
        text = self.text().strip()
        if text == self._shown:
            return self._kept
        if not text:
            return None
        bare = text.removesuffix(self._scale.unit).strip()
        if _AMBIGUOUS.fullmatch(bare):
            plain = bare.replace(",", "")
            raise UsageError(
                tr(
                    "'{text}' as the {name} can be read in two ways: write {plain}, or a "
                    "decimal point instead of the comma.",
                    text=text,
                    name=self._name,
                    plain=plain,
                )
            )
        try:
            shown = float(bare.replace(",", ".").replace("−", "-"))
        except ValueError:
            shown = math.nan
        kept = (shown - self._scale.offset) / self._scale.factor
        if not self._legal[0] <= kept <= self._legal[1]:
            raise UsageError(self._refusal(text))
        return kept

    def _refusal(self, text: str) -> str:
        low, high = (self._scale.factor * end + self._scale.offset for end in self._legal)
        unit = self._scale.unit
        return tr(
            "'{text}' cannot be the {name}: give a number from {low} to {high} "
            "{unit}, or leave the field empty where it is not known.",
            text=text,
            name=self._name,
            low=_end(low, math.ceil),
            high=_end(high, math.floor),
            unit=unit,
        )

    def _name_it(self) -> None:
        self.label.setText(f"{self._title}, {self._scale.unit}")
        self.setAccessibleName(f"{self._name[:1].upper()}{self._name[1:]}, {self._scale.unit}")


def _end(value: float, to_whole: Callable[[float], int]) -> str:
    """One end of the legal interval, rounded into it."""
    return f"{value:g}" if abs(value) < 10 else f"{to_whole(value)}"
