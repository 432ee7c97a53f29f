"""What is settled before a recording: link, car, signals."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from PySide6.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDoubleSpinBox,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from logbench.app.live.choices import LiveChoices
from logbench.app.live.files import days_file, new_file
from logbench.app.live.link_box import LinkBox
from logbench.app.live.picker import OWN, SignalPicker
from logbench.app.live.unattended_dialog import UnattendedDialog
from logbench.app.settings import Settings
from logbench.capture.messages import DEFAULT_RULES, CaptureRequest, CarFound
from logbench.errors import LinkUnknownError
from logbench.recording.model import Vehicle
from logbench.signals.table import table

_RATES_HZ = (0.0, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)


class SetUp(QWidget):
    """Link, facts of the car that the checks can use, signals."""

    def __init__(self, settings: Settings, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._settings = settings
        self._choices = LiveChoices(settings)
        self._vehicle = Vehicle()
        self._used = ""
        """The link last connected over."""
        self.link = LinkBox(settings, replay=True)
        self.link.currentTextChanged.connect(lambda _: self._link_changed())
        self.look = QPushButton("Look again")
        self.look.setAccessibleName("Look for serial ports again")
        self.look.clicked.connect(self.find_links)
        self.label = QLineEdit()
        self.label.setPlaceholderText("Name or plate (optional)")
        self.label.setAccessibleName("Name of the car")
        self.displacement = _spin("Displacement", " l", 20.0, 0.1, 1)
        self.displacement.setAccessibleName("Engine displacement in litres")
        self.regulating = _spin("Thermostat", " °C", 129.0, 1.0, 0)
        self.regulating.setAccessibleName("Thermostat's regulating temperature")
        self.picker = SignalPicker(settings)
        self._make_switches()
        self._lay_out()
        self._link_changed()
        if settings.purpose:
            self.picker.choose(settings.signals, settings.purpose)

    def _lay_out(self) -> None:
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 6, 0)
        link, car, rate, switches = (QHBoxLayout() for _ in range(4))
        link.addWidget(self.link, 1)
        link.addWidget(self.look)
        car.addWidget(self.displacement, 1)
        car.addWidget(self.regulating, 1)
        rate.addWidget(QLabel("Rate"))
        rate.addWidget(self.rate, 1)
        for widget in (self.rules, self.unattended, self.plan):
            switches.addWidget(widget)
        switches.addStretch(1)
        layout.addWidget(_heading("Link"))
        layout.addLayout(link)
        layout.addWidget(_heading("Car"))
        layout.addWidget(self.label)
        layout.addLayout(car)
        layout.addWidget(_heading("Signals"))
        layout.addWidget(self.picker, 1)
        layout.addLayout(rate)
        layout.addLayout(switches)

    def _make_switches(self) -> None:
        self.rate = QComboBox()
        self.rate.setAccessibleName("Wanted rate of every signal")
        for hz in _RATES_HZ:
            self.rate.addItem(f"{hz:g} a second each" if hz else "usual for each signal", hz)
        self.rules = QCheckBox("Markers by rule")
        self.rules.setToolTip("Marks: " + "; ".join(rule.text for rule in DEFAULT_RULES))
        self.rules.setChecked(self._settings.rules_on)
        self.unattended = QCheckBox("Unattended")
        self.plan = QPushButton("…")
        self.plan.setAccessibleName("Unattended run: folder, disk budget, voltage that ends it")
        self.plan.clicked.connect(self.ask_plan)
        self._tell_plan()

    def ask_plan(self) -> None:
        """Show folder and limits of an unattended run, to be changed."""
        UnattendedDialog(self._choices, self).exec()
        self._tell_plan()

    def _tell_plan(self) -> None:
        plan, folder = self._choices.plan, self._choices.days_folder
        self.unattended.setToolTip(
            f"Runs for days, one file for each time the engine runs: into {folder}, "
            f"{plan.budget_bytes / 1e9:g} GB at the most, ends below {plan.stop_below_v:g} V, "
            f"looks at the voltage every {plan.volt_every_s:g} s"
        )
        self.plan.setToolTip(self.unattended.toolTip())

    def find_links(self) -> None:
        """Fill the list of links anew; the first is chosen."""
        self.link.find_links()

    def choose_link(self, url: str) -> None:
        """Put a link into the field."""
        self.link.choose(url)

    def url(self) -> str:
        """The link chosen or typed; raises `LinkUnknownError`."""
        return self.link.url()

    def car_found(self, found: CarFound) -> None:
        """Keep what the car reports for the list of signals, now and at the next start."""
        pids = frozenset[int]().union(*found.facts.supported.values())
        if pids and self._used:
            self._choices.keep_supported(self._used, pids)
            self.picker.set_supported(pids)

    def _link_changed(self) -> None:
        try:
            self.picker.set_supported(self._choices.supported(self.url()))
        except LinkUnknownError:
            self.picker.set_supported(frozenset())

    def set_vehicle(self, vehicle: Vehicle) -> None:
        """Show these facts; those without a field are kept for the recording."""
        self._vehicle = vehicle
        self.label.setText(vehicle.label)
        self.displacement.setValue(vehicle.displacement_l or 0.0)
        self.regulating.setValue(vehicle.regulating_temp_degc or 0.0)

    def vehicle(self) -> Vehicle:
        """The facts as entered; a field left at 'unknown' stays unknown."""
        regulating = self.regulating.value()
        return self._vehicle.model_copy(
            update={
                "label": self.label.text().strip(),
                "displacement_l": self.displacement.value() or None,
                "regulating_temp_degc": regulating if regulating > 40.0 else None,
            }
        )

    def out(self, *, days: bool) -> Path:
        """A new file's name, in a folder that is there; `StorageError` where it cannot be made.

        `days`: the run may be an unattended one.
        """
        if days and self.unattended.isChecked():
            return days_file(self._choices.days_folder)
        return new_file(self._settings.folder)

    def request(self, url: str, out: Path, resume: Path | None = None) -> CaptureRequest:
        """All that is settled, for a recording; `resume`: go on with this journal."""
        unattended = self.unattended.isChecked() and resume is None
        plan = self._choices.plan if unattended else None
        return replace(self._asked(url), out=out, resume=resume, unattended=plan)

    def watch_request(self, url: str, hold_s: float) -> CaptureRequest:
        """The same for watching, with so many seconds kept."""
        return replace(self._asked(url), hold_s=hold_s)

    def _asked(self, url: str) -> CaptureRequest:
        hz = float(self.rate.currentData())
        return CaptureRequest(
            link_url=url,
            signals=self.picker.chosen(),
            vehicle=self.vehicle(),
            rates_hz=dict.fromkeys((s.acronym for s in table()), hz) if hz else {},
            rules=DEFAULT_RULES if self.rules.isChecked() else (),
        )

    def remember(self, url: str) -> None:
        """Keep the choices for the next start."""
        self._used = url
        self._settings.link_used(url)
        self._settings.rules_on = self.rules.isChecked()
        self._settings.purpose = self.picker.purpose.currentText()
        if self._settings.purpose == OWN:
            self._settings.signals = self.picker.chosen()


def _heading(text: str) -> QLabel:
    label = QLabel(text)
    label.setObjectName("muted")
    return label


def _spin(name: str, suffix: str, high: float, step: float, decimals: int) -> QDoubleSpinBox:
    box = QDoubleSpinBox()
    box.setRange(0.0, high)
    box.setSingleStep(step)
    box.setDecimals(decimals)
    box.setPrefix(f"{name} ")
    box.setSuffix(suffix)
    box.setSpecialValueText(f"{name} unknown")
    box.setMinimumWidth(80)
    box.lineEdit().setTextMargins(8, 0, 0, 0)
    return box
