"""The open road recordings in `shared/data/road-1hz`, as recordings, for any test.

Source: the carOBD open dataset, cited as "Detecting Anomalies in the Engine Coolant Sensor Using
One-Class Classifiers" (IEEE, document 8891367). One healthy 1.496-liter four-cylinder gasoline car.
Usage: `read_road_csv(shared_dir / "data/road-1hz/idle1.csv")`.
"""

from __future__ import annotations

import csv
import gzip
from pathlib import Path

import numpy as np

from logbench.car.model import Car
from logbench.importing.run import read_file
from logbench.recording.model import Facts, LinkFacts, SignalFacts, Trace
from logbench.recording.reader import Recording

COLUMNS = {
    "ENGINE_RUN_TINE": ("RUNTM", "s"),  # the files spell it so
    "ENGINE_RPM": ("RPM", "rpm"),
    "VEHICLE_SPEED": ("VSS", "km/h"),
    "THROTTLE": ("TP", "%"),
    "ENGINE_LOAD": ("LOAD_PCT", "%"),
    "COOLANT_TEMPERATURE": ("ECT", "degC"),
    "LONG_TERM_FUEL_TRIM_BANK_1": ("LONGFT1", "%"),
    "SHORT_TERM_FUEL_TRIM_BANK_1": ("SHRTFT1", "%"),
    "INTAKE_MANIFOLD_PRESSURE": ("MAP", "kPa"),
    "FUEL_TANK": ("FLI", "%"),
    "ABSOLUTE_THROTTLE_B": ("TP_B", "%"),
    "PEDAL_D": ("APP_D", "%"),
    "PEDAL_E": ("APP_E", "%"),
    "COMMANDED_THROTTLE_ACTUATOR": ("TAC_PCT", "%"),
    "FUEL_AIR_COMMANDED_EQUIV_RATIO": ("LAMBDA", ""),
    "ABSOLUTE_BAROMETRIC_PRESSURE": ("BARO", "kPa"),
    "RELATIVE_THROTTLE_POSITION": ("TP_R", "%"),
    "INTAKE_AIR_TEMP": ("IAT", "degC"),
    "TIMING_ADVANCE": ("SPARKADV", "deg"),
    "CATALYST_TEMPERATURE_BANK1_SENSOR1": ("CATEMP11", "degC"),
    "CATALYST_TEMPERATURE_BANK1_SENSOR2": ("CATEMP12", "degC"),
    "CONTROL_MODULE_VOLTAGE": ("VPWR", "V"),
    "COMMANDED_EVAPORATIVE_PURGE": ("EVAP_PCT", "%"),
    "TIME_RUN_WITH_MIL_ON": ("MIL_TIME", "min"),
    "TIME_SINCE_TROUBLE_CODES_CLEARED": ("CLR_TIME", "min"),
    "DISTANCE_TRAVELED_WITH_MIL_ON": ("MIL_DIST", "km"),
    "WARM_UPS_SINCE_CODES_CLEARED": ("WARM_UPS", ""),
}


def imported(path: Path, folder: Path) -> Recording:
    """One file, packed or not, as the importer reads it; `folder` for what is unpacked."""
    if path.suffix == ".gz":
        plain = folder / path.stem
        plain.write_bytes(gzip.decompress(path.read_bytes()))
        path = plain
    (drive,) = read_file(path).drives
    return Recording.of(drive.traces, drive.facts)


def read_road_csv(path: Path) -> Recording:
    """One file as a recording in memory; ECU `7E8`, t = 0 at the first row."""
    names, rows = _read_rows(path)
    t_ns = np.round(_row_times_s(rows[:, names.index("ENGINE_RUN_TINE")]) * 1e9).astype(np.int64)
    traces = []
    for column, name in enumerate(names):
        signal, unit = COLUMNS[name]
        present = np.isfinite(rows[:, column])
        traces.append(Trace(signal, "7E8", unit, t_ns[present], rows[present, column]))
    facts = Facts(
        recording_id=path.stem,
        vehicle=Car(displacement_l=1.496, cylinders=4, turbo=False, fuel="gasoline"),
        link=LinkFacts(protocol="unknown"),
        signals={signal: SignalFacts(unit=unit) for signal, unit in COLUMNS.values()},
        ecus={"7E8": ""},
        note="carOBD open dataset; IEEE document 8891367",
    )
    return Recording.of(traces, facts)


def _read_rows(path: Path) -> tuple[list[str], np.ndarray]:
    """Header names without ` ()`, and float rows; every data row ends in one comma too many."""
    with path.open(newline="") as file:
        reader = csv.reader(file)
        names = [name.strip().removesuffix("()").strip() for name in next(reader)]
        rows = [
            [float(cell.strip() or "nan") for cell in row[: len(names)]] for row in reader if row
        ]
    width = len(names)
    return names, np.array([row + [np.nan] * (width - len(row)) for row in rows])


def _row_times_s(run_time_s: np.ndarray) -> np.ndarray:
    """When each row was written: the run time steps by whole seconds over several rows.

    The first row of each step gets the step's time, rows between are spread evenly, and the rows
    with the engine still off (run time 0) lie before it at the file's usual distance.
    """
    index = np.arange(len(run_time_s))
    first = np.flatnonzero(np.diff(run_time_s, prepend=-1.0) > 0)[1:]
    usual_s = (run_time_s[-1] - run_time_s[first[0]]) / (index[-1] - first[0])
    times = np.interp(index, first, run_time_s[first])
    before = index < first[0]
    times[before] = run_time_s[first[0]] + (index[before] - first[0]) * usual_s
    after = index > first[-1]
    times[after] = run_time_s[first[-1]] + (index[after] - first[-1]) * usual_s
    return times - times[0]
