"""What the checks can use and no PID tells: facts of the car, and of the place and the day."""

from __future__ import annotations

from PySide6.QtWidgets import QGridLayout, QLabel, QLineEdit, QVBoxLayout, QWidget

from logbench.app.live.number_field import NumberField, Scale
from logbench.app.parts import lay
from logbench.cases.settings import Settings
from logbench.errors import UsageError
from logbench.recording.model import Vehicle
from logbench.recording.surroundings import Surroundings
from logbench.signals.units import Units
from logbench.words import tr


class CarBox(QWidget):
    """Name, displacement, thermostat; hours stood, height and humidity. All of it is optional."""

    def __init__(self, settings: Settings) -> None:
        super().__init__()
        self._settings = settings
        self._vehicle = Vehicle()
        self.label = QLineEdit()
        self.label.setPlaceholderText(tr("Name or plate (optional)"))
        self.label.setAccessibleName(tr("Name of the car"))
        self.displacement = NumberField(
            tr("Displacement"), tr("engine displacement"), (0.05, 20.0), Scale("l")
        )
        self.regulating = NumberField(
            tr("Thermostat"), tr("thermostat's regulating temperature"), (41.0, 129.0), Scale("°C")
        )
        self.soak = NumberField(
            tr("Soak time"), tr("hours the car stood"), (0.0, 10_000.0), Scale("h")
        )
        self.soak.setToolTip(tr("Hours since the engine last ran: after a night the sensors agree"))
        self.altitude = NumberField(
            tr("Altitude"),
            tr("altitude above sea level"),
            settings.bounds("altitude_m"),
            Scale("m"),
        )
        self.altitude.setToolTip(
            tr("Above sea level, where the drive begins: the pressure to expect")
        )
        self.humidity = NumberField(
            tr("Humidity"), tr("relative humidity"), (0.0, 100.0), Scale("%")
        )
        self.humidity.setToolTip(tr("Relative humidity of the air outside"))
        self.altitude.set_number(settings.altitude_m)
        self.wrong = QLabel()
        self.wrong.setObjectName("trouble")
        self.wrong.setWordWrap(True)
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
        layout.addWidget(self.wrong)

    def set_units(self, units: Units) -> None:
        """Show height and temperature in other units."""
        self.altitude.set_scale(Scale(units.unit("m"), *units.line("m")))
        self.regulating.set_scale(Scale(units.choice("temperature"), *units.line("degC")))
        self._look()

    def set_vehicle(self, vehicle: Vehicle) -> None:
        """Show these facts; those without a field are kept for the recording."""
        self._vehicle = vehicle
        self.label.setText(vehicle.label)
        self.displacement.set_number(vehicle.displacement_l)
        self.regulating.set_number(vehicle.regulating_temp_degc)

    def vehicle(self) -> Vehicle:
        """The facts as entered; an empty field stays unknown. Raises `UsageError`."""
        return self._vehicle.model_copy(
            update={
                "label": self.label.text().strip(),
                "displacement_l": self.displacement.number(),
                "regulating_temp_degc": self.regulating.number(),
            }
        )

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
