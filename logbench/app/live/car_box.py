"""What the checks can use and no PID tells: facts of the car, and of the place and the day."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

from PySide6.QtWidgets import QGridLayout, QLineEdit, QVBoxLayout, QWidget

from logbench.app.parts import lay, muted, named, styled
from logbench.app.plain import Label, plain_tip
from logbench.car.model import Car
from logbench.cases.settings import Settings
from logbench.errors import UsageError
from logbench.recording.model import Surroundings
from logbench.signals.units import Units
from logbench.system.refusal import ends_of
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

    def __init__(self, title: str, name: str, legal: tuple[float, float], unit: str) -> None:
        super().__init__(placeholderText=_UNKNOWN)
        self._title, self._name, self._legal = title, name, legal
        self._scale = Scale(unit)
        self._kept: float | None = None
        """What is shown, unless it was typed over since."""
        self._shown = ""
        self.label = muted(wrap=False)
        self.label.setBuddy(self)
        self.setMinimumWidth(60)
        self.setToolTip(plain_tip(tr("{name}; empty: unknown", name=title)))
        self._name_it()

    def set_scale(self, scale: Scale) -> None:
        """Show the number in another unit; a text that is not a number stays as it is."""
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


class CarBox(QWidget):
    """Name, displacement, thermostat; hours stood, height and humidity. All of it is optional."""

    def __init__(self, settings: Settings) -> None:
        super().__init__()
        self._settings = settings
        self._vehicle = Car()
        self.label = named(QLineEdit(), tr("Name of the car"))
        self.label.setPlaceholderText(tr("Name or plate (optional)"))
        legal_l = ends_of(Car, "displacement_l")
        self.displacement = NumberField(tr("Displacement"), tr("engine displacement"), legal_l, "L")
        legal_degc = ends_of(Car, "regulating_temp_degc")
        self.regulating = NumberField(
            tr("Thermostat"), tr("thermostat's regulating temperature"), legal_degc, "°C"
        )
        legal_h = ends_of(Surroundings, "soak_hours")
        self.soak = NumberField(
            tr("Soak time"), tr("soak time: hours since the engine last ran"), legal_h, "h"
        )
        self.soak.setToolTip(tr("Hours since the engine last ran: after a night the sensors agree"))
        legal_m = ends_of(Surroundings, "altitude_m")
        self.altitude = NumberField(tr("Altitude"), tr("altitude above sea level"), legal_m, "m")
        self.altitude.setToolTip(
            tr("Above sea level, where the drive begins: the pressure to expect")
        )
        legal_pct = ends_of(Surroundings, "humidity_pct")
        self.humidity = NumberField(tr("Humidity"), tr("relative humidity"), legal_pct, "%")
        self.humidity.setToolTip(tr("Relative humidity of the air outside"))
        self.altitude.set_number(settings.altitude_m)
        self.job = muted(tr("Of no job"))
        self.job.hide()
        self.wrong = styled(Label(wordWrap=True), "trouble")
        self.wrong.hide()
        self.fields = (self.displacement, self.regulating, self.soak, self.altitude, self.humidity)
        for field in self.fields:
            field.editingFinished.connect(self._look)
        self._lay_out()

    def _lay_out(self) -> None:
        layout = lay(QVBoxLayout(self), self.label, margins=(0, 0, 0, 0))
        for row in (self.fields[:2], self.fields[2:]):
            grid = QGridLayout()
            grid.setVerticalSpacing(1)
            for column, field in enumerate(row):
                grid.addWidget(field.label, 0, column)
                grid.addWidget(field, 1, column)
                grid.setColumnStretch(column, 1)
            layout.addLayout(grid)
        layout.addWidget(self.job)
        layout.addWidget(self.wrong)

    def set_units(self, units: Units) -> None:
        """Show height and temperature in other units."""
        self.altitude.set_scale(Scale(units.unit("m"), *units.line("m")))
        self.regulating.set_scale(Scale(units.choice("temperature"), *units.line("degC")))
        self._look()

    def set_vehicle(self, vehicle: Car) -> None:
        """Show these facts; those without a field are kept for the recording."""
        self._vehicle = vehicle
        self.label.setText(vehicle.label)
        self.displacement.set_number(vehicle.displacement_l)
        self.regulating.set_number(vehicle.regulating_temp_degc)

    def vehicle(self) -> Car:
        """The facts as entered; an empty field stays unknown. Raises `UsageError`."""
        car = self._vehicle.model_copy(deep=True)
        for fact, value in (
            ("label", self.label.text().strip()),
            ("displacement_l", self.displacement.number()),
            ("regulating_temp_degc", self.regulating.number()),
        ):
            if getattr(car, fact) != value:
                car.state(fact, value)
        return car

    @property
    def untouched(self) -> bool:
        """Nothing was typed since the facts were set."""
        try:
            return self.vehicle() == self._vehicle
        except UsageError:
            return False

    def show_job(self, title: str) -> None:
        """The job that the drive may go into; empty: none."""
        self.job.setText(tr("For the job {title}", title=title))
        self.job.setVisible(bool(title))

    def surroundings(self) -> Surroundings:
        """What was stated of place and day; raises `UsageError`."""
        return Surroundings(
            soak_hours=self.soak.number(),
            altitude_m=self.altitude.number(),
            humidity_pct=self.humidity.number(),
        )

    def check(self) -> None:
        """Raises the `UsageError` of the first wrong field, which gets the focus."""
        wrong = self._first_wrong()
        if wrong is not None:
            field, error = wrong
            field.setFocus()
            field.selectAll()
            raise error

    def remember(self) -> None:
        """Keep what will hold for the next drive, too: the height."""
        self._settings.altitude_m = self.altitude.number()

    def drive_over(self) -> None:
        """The engine has run: how long it had stood holds no longer."""
        self.soak.set_number(None)

    def _first_wrong(self) -> tuple[NumberField, UsageError] | None:
        for field in self.fields:
            try:
                field.number()
            except UsageError as error:
                return field, error
        return None

    def _look(self) -> None:
        """Say what is wrong as soon as a field is left."""
        wrong = self._first_wrong()
        self.wrong.setText("" if wrong is None else str(wrong[1]))
        self.wrong.setVisible(wrong is not None)
