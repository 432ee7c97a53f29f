"""The table against values that another logger read from a real car.

Source: the carOBD open data (../shared/data/road-1hz); cite "Detecting Anomalies in the Engine
Coolant Sensor Using One-Class Classifiers" (IEEE, document 8891367). Whatever wrote the files
decoded whole raw numbers; with a wrong scale or offset of ours they would not come back whole.
"""

from __future__ import annotations

import csv

import numpy as np
import pytest

from logbench.signals.decoding import decode
from logbench.signals.table import table

# The files' names and ours.
COLUMNS = {
    "ENGINE_RPM": "RPM",
    "VEHICLE_SPEED": "VSS",
    "THROTTLE": "TP",
    "ENGINE_LOAD": "LOAD_PCT",
    "COOLANT_TEMPERATURE": "ECT",
    "LONG_TERM_FUEL_TRIM_BANK_1": "LONGFT1",
    "SHORT_TERM_FUEL_TRIM_BANK_1": "SHRTFT1",
    "INTAKE_MANIFOLD_PRESSURE": "MAP",
    "FUEL_TANK": "FLI",
    "ABSOLUTE_THROTTLE_B": "TP_B",
    "PEDAL_D": "APP_D",
    "PEDAL_E": "APP_E",
    "COMMANDED_THROTTLE_ACTUATOR": "TAC_PCT",
    "ABSOLUTE_BAROMETRIC_PRESSURE": "BARO",
    "RELATIVE_THROTTLE_POSITION": "TP_R",
    "INTAKE_AIR_TEMP": "IAT",
    "TIMING_ADVANCE": "SPARKADV",
    "CATALYST_TEMPERATURE_BANK1_SENSOR1": "CATEMP11",
    "CATALYST_TEMPERATURE_BANK1_SENSOR2": "CATEMP12",
    "CONTROL_MODULE_VOLTAGE": "VPWR",
    "COMMANDED_EVAPORATIVE_PURGE": "EVAP_PCT",
    "WARM_UPS_SINCE_CODES_CLEARED": "WARM_UPS",
}


@pytest.fixture(scope="module")
def values(shared_dir):
    """Column name to its values in all files, float64."""
    columns: dict[str, list[float]] = {}
    for path in sorted((shared_dir / "data" / "road-1hz").glob("*.csv")):
        with path.open(newline="") as file:
            rows = csv.reader(file)
            names = [name.strip().removesuffix(" ()") for name in next(rows)]
            for row in rows:
                # Most files end their rows in a comma; one row is cut short and left out.
                if len(row) >= len(names):
                    for name, cell in zip(names, row, strict=False):
                        columns.setdefault(name, []).append(float(cell))
    return {name: np.array(column) for name, column in columns.items()}


@pytest.mark.parametrize(("column", "acronym"), COLUMNS.items())
def test_values_of_a_real_car_lie_on_our_steps(values, column, acronym):
    signal = table().by_acronym(acronym)
    read = np.unique(values[column])
    raw = np.rint((read - signal.offset) / signal.scale).astype(np.int64)
    assert raw.min() >= 0
    assert raw.max() < 1 << signal.bits
    assert signal.first_bit == 0
    assert signal.bits == 8 * signal.length
    data = [int(value).to_bytes(signal.length, "big") for value in raw]
    ours = [decode(signal.pid, reply)[acronym] for reply in data]
    # One file has five significant digits, the others six decimals of single precision.
    np.testing.assert_allclose(ours, read, rtol=5e-5, atol=1e-5)
