"""What is settled before a recording: link, car, signals; and how an unattended run goes."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

from PySide6.QtCore import QMargins
from PySide6.QtWidgets import (
    QCheckBox,
    QDialogButtonBox,
    QDoubleSpinBox,
    QFileDialog,
    QHBoxLayout,
    QLineEdit,
    QVBoxLayout,
    QWidget,
)

from logbench.app.flow import Flow
from logbench.app.live.car_box import CarBox
from logbench.app.live.link_box import LinkBox
from logbench.app.live.picker import OWN, SignalPicker
from logbench.app.parts import Dialog, Form, lay, muted, named, pad, styled, text_button
from logbench.app.plain import Choice, Label, plain_tip
from logbench.capture.messages import DEFAULT_RULES, CaptureRequest, CarFound
from logbench.cases.cars import CarsFile
from logbench.cases.settings import Settings
from logbench.errors import LinkUnknownError, StorageError
from logbench.recording.model import Surroundings
from logbench.signals.table import table
from logbench.system.private import make_folder
from logbench.system.refusal import ends_of
from logbench.words import tr

_WIDTH = 560
_TEXT = tr(
    "Runs for days: one file for each time the engine runs. With the engine off, nothing is asked "
    "of the car and the adapter rests; it only wakes for a look at its voltmeter. Below the "
    "voltage given here the run ends for good, so that the battery is spared. The oldest "
    "recordings without a marker make room when the disk budget is used up."
)
_RATES_HZ = (0.0, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)


class UnattendedDialog(Dialog):
    """Shows and changes what `Settings` keeps of unattended runs."""

    def __init__(self, settings: Settings, parent: QWidget | None = None) -> None:
        super().__init__(tr("Unattended run"), parent)
        self._settings = settings
        self.folder = named(
            QLineEdit(str(settings.days_folder)), tr("Folder of unattended recordings")
        )
        self.look = text_button(
            tr("Choose …"),
            self._choose_folder,
            name=tr("Choose the folder of unattended recordings"),
        )
        self.budget = self._spin(tr("Disk budget in GB"), " GB", "unattended_budget_gb")
        self.stop_below = self._spin(
            tr("Voltage that ends the run"), " V", "unattended_stop_below_v"
        )
        self.stop_below.setSingleStep(0.1)
        self.volt_every = self._spin(
            tr("Seconds between two looks at the voltage"), " s", "unattended_volt_every_s"
        )
        self.buttons = QDialogButtonBox(
            QDialogButtonBox.StandardButton.Ok | QDialogButtonBox.StandardButton.Cancel
        )
        self.buttons.accepted.connect(self._keep)
        self.buttons.rejected.connect(self.reject)
        self.said = styled(Label(wordWrap=True), "trouble")
        self._lay_out()

    def _lay_out(self) -> None:
        row = lay(QHBoxLayout(), (self.folder, 1), self.look, spacing=8)
        form = Form()
        form.add(tr("&Folder"), row, self.folder)
        form.add(tr("&Disk budget"), self.budget)
        form.add(tr("&End below"), self.stop_below)
        form.add(tr("&Read the voltage every"), self.volt_every)
        layout = lay(
            QVBoxLayout(self),
            Label(_TEXT, wordWrap=True),
            form,
            self.said,
            self.buttons,
            margins=(20, 16, 20, 16),
            spacing=12,
        )
        self.resize(_WIDTH, layout.totalHeightForWidth(_WIDTH))

    def _choose_folder(self) -> None:
        name = QFileDialog.getExistingDirectory(
            self, tr("Unattended recordings"), self.folder.text()
        )
        if name:
            self.folder.setText(name)

    def _keep(self) -> None:
        text = self.folder.text().strip()
        if not text or not Path(text).expanduser().is_absolute():
            self.said.setText(tr("Give the folder with its whole path."))
            self.folder.setFocus()
            return
        settings = self._settings
        settings.unattended_folder = Path(text).expanduser()
        settings.unattended_budget_gb = round(self.budget.value(), 1)
        settings.unattended_stop_below_v = round(self.stop_below.value(), 1)
        settings.unattended_volt_every_s = round(self.volt_every.value(), 1)
        self.accept()

    def _spin(self, name: str, suffix: str, key: str) -> QDoubleSpinBox:
        """A field for a number of the settings."""
        box = named(QDoubleSpinBox(decimals=1, suffix=suffix), name)
        box.setRange(*ends_of(Settings, key))
        box.setValue(getattr(self._settings, key))
        pad(box)
        return box


class SetUp(QWidget):
    """Link, facts of the car that the checks can use, signals."""

    def __init__(self, settings: Settings) -> None:
        super().__init__()
        self._settings = settings
        self._used = ""
        """The link last connected over."""
        self.link = LinkBox(settings, replay=True)
        self.link.currentTextChanged.connect(lambda _: self._link_changed())
        self.look = text_button(
            tr("Refresh"), self.link.find_links, tr("Refresh the list of links")
        )
        self.car = CarBox(settings)
        self.picker = SignalPicker(settings)
        self._make_switches()
        self._lay_out()
        self._link_changed()
        if settings.purpose:
            self.picker.choose(settings.signals, settings.purpose)

    def _lay_out(self) -> None:
        self._before = QWidget()
        link = lay(QHBoxLayout(), (self.link, 1), self.look)
        before = (muted(tr("Link")), link, muted(tr("Car")), self.car)
        lay(QVBoxLayout(self._before), *before, margins=(0, 0, 0, 0))
        self._switches = Flow(QMargins())
        self._switches.add(self.rules, self.unattended, self.plan)
        lay(
            QVBoxLayout(self),
            self._before,
            muted(tr("Signals")),
            (self.picker, 1),
            lay(QHBoxLayout(), Label(tr("Rate")), (self.rate, 1)),
            self._switches,
            margins=(0, 0, 0, 0),
        )

    def show_all(self, on: bool) -> None:
        """Everything, or only what can be changed while there is a link: the signals."""
        self._before.setVisible(on)
        self._switches.setVisible(on)

    def _make_switches(self) -> None:
        self.rate = named(Choice(), tr("Wanted rate of every signal"))
        for hz in _RATES_HZ:
            self.rate.addItem(tr("{hz:g} a second each", hz=hz) if hz else tr("default rate"), hz)
        self.rules = QCheckBox(tr("Markers by rule"))
        marks = tr("Marks: ") + "; ".join(rule.text for rule in DEFAULT_RULES)
        self.rules.setToolTip(plain_tip(marks))
        self.rules.setChecked(self._settings.rules_on)
        self.unattended = QCheckBox(tr("Unattended"))
        self.plan = text_button(
            "…", self.ask_plan, name=tr("Unattended run: folder, disk budget, voltage that ends it")
        )
        self._tell_plan()

    def ask_plan(self) -> None:
        """Show folder and limits of an unattended run, to be changed."""
        UnattendedDialog(self._settings, self).exec()
        self._tell_plan()

    def _tell_plan(self) -> None:
        plan, folder = self._settings.plan, self._settings.days_folder
        tip = tr(
            "Runs for days, one file for each time the engine runs: into {folder}, "
            "{budget:g} GB at the most, ends below {volt:g} V, looks at "
            "the voltage every {every:g} s",
            folder=folder,
            budget=plan.budget_bytes / 1e9,
            volt=plan.stop_below_v,
            every=plan.volt_every_s,
        )
        self.unattended.setToolTip(plain_tip(tip))
        self.plan.setToolTip(self.unattended.toolTip())

    def car_found(self, found: CarFound) -> None:
        """Keep what the car reports for the list of signals, now and at the next start."""
        pids = frozenset[int]().union(*found.facts.supported.values())
        if pids and self._used:
            self._settings.keep_pids(self._used, pids)
            self.picker.set_supported(pids)

    def _link_changed(self) -> None:
        try:
            pids = self._settings.link_pids.get(self.link.url(), [])
        except LinkUnknownError:
            pids = []
        self.picker.set_supported(frozenset(pids))

    def out(self, *, days: bool) -> Path:
        """A new file's name, of this minute, in a folder that is there; `StorageError` where it
        cannot be made.

        `days`: the run may be an unattended one, which puts the time behind the name itself.
        """
        unattended = days and self.unattended.isChecked()
        folder = self._settings.days_folder if unattended else self._settings.folder
        try:
            make_folder(folder)
        except OSError as error:
            raise StorageError(
                tr(
                    "The folder {folder} for recordings cannot be used ({reason}); make room "
                    "or choose another folder.",
                    folder=folder,
                    reason=error.strerror,
                )
            ) from error
        name = "drive.parquet" if unattended else time.strftime("drive-%Y%m%d-%H%M%S.parquet")
        return folder / name

    def request(self, url: str, out: Path, resume: Path | None = None) -> CaptureRequest:
        """All that is settled, for a recording; `resume`: go on with this journal."""
        asked = replace(self._asked(url), out=out, resume=resume)
        if resume is not None or not self.unattended.isChecked():
            return asked
        # what was stated holds for the first drive at most, and there will be many
        return replace(asked, unattended=self._settings.plan, surroundings=Surroundings())

    def watch_request(self, url: str, hold_s: float) -> CaptureRequest:
        """The same for watching, with so many seconds kept."""
        return replace(self._asked(url), hold_s=hold_s)

    def _asked(self, url: str) -> CaptureRequest:
        vehicle, known = self.car.vehicle(), CarsFile().load()
        before = known.met(vehicle.identified)
        if before is not None:
            before.car = vehicle  # what was taken out of its fields stays out
        return CaptureRequest(
            link_url=url,
            signals=self.picker.chosen(),
            second=self._settings.second_folder,
            exchanges=self._settings.keep_exchanges,
            vehicle=vehicle,
            known=known,
            surroundings=self.car.surroundings(),
            rates_hz=self.rates_hz(),
            rules=DEFAULT_RULES if self.rules.isChecked() else (),
        )

    def rates_hz(self) -> dict[str, float]:
        """Wanted rates by acronym; empty: the usual ones."""
        hz = float(self.rate.currentData())
        return dict.fromkeys((s.acronym for s in table()), hz) if hz else {}

    def remember(self, url: str) -> None:
        """Keep the choices for the next start."""
        self._used = url
        self._settings.link_used(url)
        self.car.remember()
        self._settings.rules_on = self.rules.isChecked()
        self.remember_signals()

    def remember_signals(self) -> None:
        """Keep the choice of signals for the next start."""
        self._settings.purpose = self.picker.purpose.currentData()
        if self._settings.purpose == OWN:
            self._settings.signals = self.picker.chosen()
