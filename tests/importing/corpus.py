"""Files of other programs, generated: names x units x brackets x forms of numbers.

    python -m tests.importing.corpus          every combination, and the counts

Each is a file with a time and one signal whose readings are known. It must be imported as that
signal with those readings, or asked about; a wrong signal or a wrong number is a silent error. The
factors of the units are written here from NIST SP 811 (from memory), not by the library that the
program converts with; the names are written here, too, beside those of python-OBD's commands.
"""

from __future__ import annotations

import itertools
import zlib
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from logbench.importing.build import build
from logbench.importing.detect import detect_mapping
from logbench.importing.model import ColumnMap
from logbench.importing.sheet import read_sheet, sniff
from logbench.signals.table import table

Scale = Callable[[float], float]


def times(factor: float) -> Scale:
    """From the signal's own unit to one that is so many times smaller."""
    return lambda value: value * factor


def fahrenheit(value: float) -> float:
    return value * 1.8 + 32.0


ONE = times(1.0)
UNITS: dict[str, dict[str, Scale]] = {
    "rpm": dict.fromkeys(
        ("rpm", "RPM", "1/min", "rev/min", "revolutions_per_minute", "U/min", "tr/min",
         "revolution / minute", "min-1"), ONE),
    "km/h": dict.fromkeys(
        ("km/h", "kph", "kmh", "KM/H", "kilometer_per_hour", "kilometer / hour", "km/hr"), ONE)
    | dict.fromkeys(("mph", "MPH", "mile / hour", "miles per hour", "mi/h"), times(1 / 1.609344))
    | {"m/s": times(1 / 3.6)},
    "degC": dict.fromkeys(
        ("C", "°C", "º C", "° C", "degC", "deg C", "degree_Celsius", "Celsius", "Â°C", "\ufffdC",
         "degrees C"), ONE)
    | dict.fromkeys(
        ("F", "°F", "° F", "degF", "degree_Fahrenheit", "Â°F", "Fahrenheit"), fahrenheit)
    | {"K": lambda value: value + 273.15, "kelvin": lambda value: value + 273.15},
    "kPa": dict.fromkeys(("kPa", "kpa", "KPA", "kilopascal", "kPa abs"), ONE)
    | dict.fromkeys(("psi", "PSI", "psia"), times(1 / 6.894757))
    | dict.fromkeys(("inHg", "in Hg", "inch_Hg"), times(1 / 3.386389))
    | dict.fromkeys(("mbar", "hPa", "millibar"), times(10.0))
    | dict.fromkeys(("bar", "Bar"), times(0.01))
    | {"inH2O": times(1 / 0.24908891), "MPa": times(0.001), "mmHg": times(1 / 0.1333224)},
    "g/s": dict.fromkeys(
        ("g/s", "g/sec", "gm/s", "gram / second", "grams_per_second", "gps", "grams per second"),
        ONE)
    | dict.fromkeys(("lb/min", "lbs/min", "pound / minute"), times(60 / 453.59237))
    | dict.fromkeys(("kg/h", "kg/hr", "kilogram_per_hour"), times(3.6)),
    "%": dict.fromkeys(("%", "percent", "pct", "Percent"), ONE),
    "V": dict.fromkeys(("V", "v", "volt", "Volts"), ONE) | {"mV": times(1000.0)},
    "deg": dict.fromkeys(("°", "deg", "degree", "degrees", "° BTDC"), ONE),
    "s": dict.fromkeys(("s", "sec", "seconds", "second"), ONE) | {"min": times(1 / 60)},
    "km": dict.fromkeys(("km", "kilometer"), ONE)
    | dict.fromkeys(("mi", "miles"), times(1 / 1.609344)),
    "L/h": dict.fromkeys(("L/h", "l/h", "liters_per_hour", "lph"), ONE)
    | {"gal/h": times(1 / 3.785411784)},
    "": {"": ONE, "lambda": ONE, "ratio": ONE},
}  # fmt: skip
"""Unit of the standard to other spellings and units of its dimension, with the number in each."""

WRONG = {
    "rpm": ("km/h", "%", "kPa"), "km/h": ("rpm", "g/s", "km"), "degC": ("V", "%", "kPa"),
    "kPa": ("V", "psig", "%", "g/s"), "g/s": ("l/s", "L/h", "V", "m3/h", "mg/stroke"),
    "%": ("degC", "V", "g/s"), "V": ("%", "A", "kPa"), "deg": ("V", "ms"), "s": ("km", "%"),
    "km": ("h", "%"), "L/h": ("kPa", "l/100km"), "": ("V", "kPa"),
}  # fmt: skip
"""Units of another dimension, or that nobody knows: never silently the standard's."""

_TICK = np.arange(16)
READINGS: dict[str, tuple[float, ...]] = {
    "rpm": tuple((1500.0 + 40 * _TICK).tolist()), "km/h": tuple((40.0 + 2 * _TICK).tolist()),
    "degC": tuple((30.0 + 2 * _TICK).tolist()), "kPa": tuple((40.0 + 4 * _TICK).tolist()),
    "g/s": tuple((8.0 + _TICK / 2).tolist()), "%": tuple((12.0 + _TICK / 2).tolist()),
    "V": tuple((13.0 + _TICK / 16).tolist()), "deg": tuple((4.0 + _TICK).tolist()),
    "s": tuple((10.0 + _TICK).tolist()), "km": tuple((1200.0 + _TICK).tolist()),
    "L/h": tuple((4.0 + _TICK / 4).tolist()), "": tuple((0.95 + _TICK / 200).tolist()),
}  # fmt: skip
"""Of a car that is driven, in the standard's unit."""
OF_SIGNAL = {
    "BARO": tuple((100.0 + _TICK % 2).tolist()), "FRP": tuple((380.0 + _TICK % 5).tolist()),
    "O2S11": tuple((0.1 + _TICK / 20).tolist()), "O2S12": tuple((0.6 + _TICK / 200).tolist()),
    "SHRTFT1": tuple((-4.0 + _TICK / 2).tolist()), "LONGFT1": tuple((-2.0 + _TICK % 3).tolist()),
    "SHRTFT2": tuple((-4.0 + _TICK / 2).tolist()), "AAT": tuple((20.0 + _TICK % 2).tolist()),
    "CATEMP11": tuple((500.0 + 4 * _TICK).tolist()),
}  # fmt: skip

NAMES: dict[str, tuple[str, ...]] = {
    "RPM": ("Engine RPM", "Engine speed", "Revs", "Motordrehzahl", "Régime moteur",
            "Régimen del motor", "Giri motore", "Rotação do motor", "Engine_Speed"),
    "VSS": ("Vehicle speed", "Speed", "Speed (OBD)", "Vehicle Speed Sensor", "Geschwindigkeit",
            "Vitesse véhicule", "Velocidad del vehículo", "Velocità veicolo",
            "Velocidade do veículo"),
    "ECT": ("Engine coolant temperature", "Coolant temp", "Engine Coolant Temp.", "Coolant_Temp",
            "Kühlmitteltemperatur", "Température d'eau", "Temperatura del refrigerante",
            "Temperatura liquido refrigerante", "Temperatura do líquido de arrefecimento"),
    "IAT": ("Intake air temperature", "Intake Air Temp", "Intake temp", "Ansauglufttemperatur",
            "Température d'air d'admission", "Temperatura aria aspirata"),
    "AAT": ("Ambient air temperature", "Ambient temp", "Outside air temp", "Außentemperatur",
            "Température extérieure", "Temperatura esterna"),
    "EOT": ("Engine oil temperature", "Oil temp", "Öltemperatur", "Température d'huile"),
    "MAF": ("Mass air flow", "MAF sensor", "Air flow rate", "Mass Air Flow Rate", "Luftmasse",
            "Débit d'air", "Flujo de aire", "Portata aria", "Fluxo de ar",
            "Air Flow Rate (MAF)"),
    "MAP": ("Intake manifold pressure", "Manifold absolute pressure", "MAP sensor", "Saugrohrdruck",
            "Pression collecteur", "Presión del colector", "Pressione collettore",
            "Pressão do coletor"),
    "BARO": ("Barometric pressure", "Barometer", "Luftdruck", "Pression atmosphérique"),
    "TP": ("Throttle position", "Absolute throttle position", "Throttle", "TPS",
           "Drosselklappenstellung", "Position papillon", "Posición de la mariposa",
           "Posizione farfalla", "Posição da borboleta"),
    "TP_B": ("Absolute throttle position B",),
    "APP_D": ("Accelerator pedal position D", "Accelerator PedalPosition D"),
    "LOAD_PCT": ("Engine load", "Calculated engine load", "Calculated load value", "Motorlast",
                 "Charge moteur", "Carga del motor", "Carico motore"),
    "LOAD_ABS": ("Absolute load value", "Engine load (absolute)"),
    "SHRTFT1": ("Short term fuel trim bank 1", "STFT B1", "STFT1", "Fuel trim bank 1 short term",
                "Short Term Fuel Trim - Bank 1", "SHORT_FUEL_TRIM_1"),
    "LONGFT1": ("Long term fuel trim bank 1", "LTFT B1", "Long Fuel Trim 1"),
    "SHRTFT2": ("Short term fuel trim bank 2", "STFT B2"),
    "SPARKADV": ("Timing advance", "Ignition timing", "Zündwinkel", "Avance à l'allumage",
                 "Avance de encendido", "Anticipo accensione"),
    "VPWR": ("Control module voltage", "Battery voltage", "Voltage (Control Module)",
             "Batteriespannung", "Tension batterie", "Voltaje de batería", "Tensione batteria"),
    "FLI": ("Fuel level", "Fuel tank level", "Tankfüllstand", "Niveau de carburant"),
    "FRP": ("Fuel rail pressure", "Fuel pressure", "Raildruck"),
    "RUNTM": ("Engine run time", "Run time since engine start", "Motorlaufzeit"),
    "CLR_DIST": ("Distance since codes cleared", "Distance traveled since codes cleared"),
    "FUEL_RATE": ("Engine fuel rate",),
    "LAMBDA": ("Commanded equivalence ratio", "Fuel/Air commanded equivalence ratio"),
    "O2S11": ("O2 sensor B1S1", "O2 Volts Bank 1 sensor 1", "O2: Bank 1 - Sensor 1 Voltage"),
    "O2S12": ("O2 sensor bank 1 sensor 2", "O2_B1S2"),
    "CATEMP11": ("Catalyst temperature bank 1 sensor 1", "Cat temp B1S1"),
}  # fmt: skip

NEVER = (
    "Calculated MAF (g/s)", "MAF estimated (g/s)", "GPS speed (km/h)", "Speed (GPS)(km/h)",
    "Average speed (km/h)", "Trip average speed (km/h)", "Max speed (km/h)", "Wheel speed (km/h)",
    "Distance traveled (km)", "Trip distance (km)", "Wastegate duty (%)", "Fuel economy (mpg)",
    "Fuel economizer (based on fuel system status and throttle position)", "Fuel cost",
    "Instant fuel consumption (L/h)", "Average fuel consumption (L/h)", "Fuel used (L)",
    "Engine power (hp)", "Horsepower", "Engine power (kW)", "CO2 (g/s)", "Boost (kPa)",
    "Boost pressure", "Manifold vacuum (inHg)", "Altitude (m)", "GPS altitude", "Bearing",
    "Latitude", "Longitude", "Acceleration (m/s)", "Accelerometer X", "Desired idle speed (rpm)",
    "Target coolant temperature (°C)", "Transmission oil temperature (°C)", "Turbine speed (rpm)",
    "Output shaft speed (rpm)", "Fan speed (rpm)", "Cabin temperature (°C)", "Brake pressure",
    "Exhaust pressure (kPa)", "Oil pressure (kPa)", "Tire pressure (kPa)", "Knock retard (deg)",
    "Air conditioning pressure (kPa)", "Cam timing (deg)", "Steering angle (deg)", "Gear", "Pedal",
    "Injector duty (%)", "Battery state of charge (%)", "Battery temperature (°C)", "Lambda",
    "Adapter voltage (V)", "Voltage (OBD adapter)(V)", "MAF voltage (V)", "Air fuel ratio",
    "Throttle position sensor (V)", "Fuel temperature (°C)", "Temperature (°C)", "Pressure (kPa)",
    "Corrected MAP (kPa)", "Minimum battery voltage (V)", "Short fuel cut", "Engine temperature",
    "Fuel trim", "Oxygen sensor (V)", "Torque", "Engine torque (Nm)", "Air temperature (°C)",
    "Speed limit (km/h)", "Speed deviation (km/h)", "RPM error", "Idle RPM target", "Load demand",
    "Throttle position error (%)", "Coolant fan duty (%)", "Coolant level (%)",
    "MAF correction (%)",
)  # fmt: skip
"""Names that sound like signals of the standard, and are none of them, or of several."""

BRACKETS = ("{n} ({u})", "{n}({u})", "{n} [{u}]", "{n} {{{u}}}", "{n}, {u}", "{n}/{u}", "{n} {u}",
            "{n}_{u}", "row", "cells", "stuck")  # fmt: skip
"""Where the unit stands: in the header, in a row below it, in each cell, close to the number."""
NUMBERS = {"plain": (".", ""), "comma": (",", ""), "grouped": (".", ","), "points": (",", ".")}
CASES: tuple[Callable[[str], str], ...] = (str, str.upper, str.lower, lambda n: n.replace(" ", "_"))


@dataclass(frozen=True)
class Sample:
    """One file: a header, the unit in it or beside it, and what it must become."""

    signal: str
    """`` where no signal may come of it."""
    name: str
    unit: str
    where: str
    form: str
    scale: Scale

    @property
    def readings(self) -> tuple[float, ...]:
        """In the standard's unit."""
        return OF_SIGNAL.get(self.signal) or READINGS[table().by_acronym(self.signal).unit]

    def text(self) -> str:
        """The file."""
        header = self.where.format(n=self.name, u=self.unit) if "{" in self.where else self.name
        row = [f"s;{self.unit}"] if self.where == "row" else []
        behind = {"cells": f" {self.unit}", "stuck": self.unit}.get(self.where, "")
        cells = [self._written(self.scale(value)) + behind for value in self.readings]
        return "\n".join([f"time;{header}", *row, *(f"{k};{c}" for k, c in enumerate(cells))])

    def _written(self, value: float) -> str:
        decimal, thousands = NUMBERS[self.form]
        text = f"{value:,.6f}" if thousands else f"{value:.6f}"
        return text.replace(",", "T").replace(".", decimal).replace("T", thousands)


def right() -> Iterator[Sample]:
    """Every name in every unit of its dimension."""
    for signal, names in NAMES.items():
        unit = table().by_acronym(signal).unit
        every = (signal, table().by_acronym(signal).name, *names)
        for name, case, (spelling, scale), where, form in itertools.product(
            every, CASES, UNITS[unit].items(), BRACKETS, NUMBERS
        ):
            if spelling or where == BRACKETS[0]:
                shape = where if spelling else "{n}"
                yield Sample(signal, case(name), spelling, shape, form, scale)


def wrong_units() -> Iterator[Sample]:
    """Every name in units of another dimension."""
    for signal, names in NAMES.items():
        for name, unit, where in itertools.product(
            (signal, *names), WRONG[table().by_acronym(signal).unit], BRACKETS
        ):
            yield Sample(signal, name, unit, where, "plain", ONE)


def every_nth(samples: Iterator[Sample], n: int) -> Iterator[Sample]:
    """One of so many, always the same ones, spread over everything."""
    for sample in samples:
        if zlib.crc32(repr(sample.text()).encode()) % n == 0:
            yield sample


def imported(text: str) -> tuple[ColumnMap, list[tuple[str, np.ndarray]]]:
    """How the second column is read, and what signals the file becomes."""
    dialect = sniff(text, "utf-8")
    sheet = read_sheet(text, dialect)
    mapping = detect_mapping(sheet, dialect)
    column = next((c for c in mapping.columns if c.place == 1), None)
    if column is None:  # taken for the time
        return ColumnMap(column="", signal="time", confidence=1.0), []
    if not column.used:
        return column, []
    (drive,) = build(sheet, mapping, "corpus").drives
    return column, [(trace.signal, trace.value) for trace in drive.traces]


def outcome(sample: Sample) -> str:
    """`mapped`, `asked`, or what is wrong."""
    column, traces = imported(sample.text())
    if not column.used:
        return "asked"
    if [table().by_acronym(signal).standard for signal, _ in traces] != [
        table().by_acronym(sample.signal).standard
    ]:
        return f"became {column.signal}"
    ((_, values),) = traces
    same = len(values) == len(sample.readings) and np.allclose(values, sample.readings, rtol=2e-4)
    return "mapped" if same else f"became {column.signal} of {values[:3]}"


def becomes(name: str) -> str:
    """The signal that a column of that name is imported as, of numbers that nearly any has; `` if
    it is asked about."""
    text = "\n".join([f"time;{name}", *(f"{k};{value:g}" for k, value in enumerate(_ANY))])
    column, traces = imported(text)
    return column.signal if traces or column.used else ""


_ANY = 50.0 + np.arange(16) / 4


def main() -> None:
    """Count everything."""
    for what, samples in (("right", right()), ("of another dimension", wrong_units())):
        counts = Counter(map(outcome, samples))
        wrong = {what: n for what, n in counts.items() if what not in {"mapped", "asked"}}
        print(f"{what}: {counts['mapped']} mapped, {counts['asked']} asked, wrong: {wrong}")


if __name__ == "__main__":
    main()
