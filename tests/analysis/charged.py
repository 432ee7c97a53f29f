"""Drives of an invented charged engine without a flap, for the checks of charger, recirculation and
what hangs on them: made by the gas law and first-order answers, parameter by parameter."""

from __future__ import annotations

import numpy as np
from scipy import constants

from tests.analysis.scenes import KEY_ON, Phase, Scene

LITERS = 2.0
MOLAR_MASS_AIR_KG = 0.0289644  # US Standard Atmosphere 1976, from memory
IDLE = Phase(60, 800, map_kpa=99, pedal=0, load=20)
CRUISE = Phase(40, 1900, kmh=80, map_kpa=130, pedal=20, load=45)
PULL = Phase(8, 2600, kmh=90, map_kpa=215, pedal=95, load=98)
OVERRUN = Phase(10, 2000, kmh=80, map_kpa=101, pedal=0, load=0)
DRIVE = [KEY_ON, IDLE, CRUISE, PULL, OVERRUN, CRUISE, PULL, OVERRUN, CRUISE, PULL, OVERRUN, IDLE]


def slow(values: np.ndarray, hz: float, seconds: float) -> np.ndarray:
    """A first-order answer with that time constant."""
    out, share = np.empty(len(values)), 1.0 - np.exp(-1.0 / (hz * seconds))
    now = values[0]
    for k, value in enumerate(values):
        now += (value - now) * share
        out[k] = now
    return out


def charged(
    hz: float = 10.0, seed: int = 1, lag_s: float = 0.5, phases: list | None = None
) -> Scene:
    """Commanded and actual charge, vanes, recirculation and airflow of a healthy engine."""
    scene = Scene(phases or DRIVE, hz=hz, seed=seed)
    now, rng = scene.signals, scene.rng
    n = len(scene.t_s)
    commanded = now["MAP"]
    actual = slow(commanded, hz, lag_s) + rng.normal(0.0, 1.0, n)
    valve = np.clip(np.round(60.0 - 0.6 * now["LOAD_PCT"]), 0.0, 60.0)
    valve[(now["LOAD_PCT"] < 5.0) | (now["RPM"] < 500.0)] = 0.0
    rail = np.where(now["RPM"] > 400.0, 30_000.0 + 350.0 * now["LOAD_PCT"] * now["RPM"] / 1000, 0.0)
    vanes = 90.0 - 0.4 * (commanded - 99.0)
    scene.set(
        BP_A_CMD=commanded,
        BP_A_ACT=actual,
        MAP=np.round(actual),
        VGT_A_CMD=vanes,
        VGT_A_ACT=slow(vanes, hz, 0.2) + rng.normal(0.0, 0.4, n),
        EGR_A_CMD=valve,
        EGR_A_ACT=slow(valve, hz, 0.2) + rng.normal(0.0, 0.4, n),
        EGR_PCT=valve,
        EGR_ERR=np.clip(rng.normal(0.0, 3.0, n), -100.0, 99.0),
        TP=82.0,
        FRP_A_CMD=rail,
        FRP_A=rail * (1.0 + rng.normal(0.0, 0.01, n)),
        AAT=20.0,
    )
    return exhaust(breathing(scene.drop("FUELSYS1")), hz)


def breathing(scene: Scene, gain: float = 1.0, efficiency: float = 0.87) -> Scene:
    """The airflow that pressure, temperature and the valve's actual position make."""
    now = scene.signals
    share = 1.0 - 0.6 * np.clip(now["EGR_A_ACT"], 0.0, 100.0) / 100.0
    kelvin = now["IAT"] + 273.15 + 17.0 * np.clip(now["MAP"] / 100.0 - 1.0, 0.0, 2.0)
    grams = MOLAR_MASS_AIR_KG * now["MAP"] * LITERS / (constants.R * kelvin) * 1000.0
    flow = gain * efficiency * share * grams * now["RPM"] / 120.0
    return scene.set(MAF=np.where(now["RPM"] > 400.0, flow, 0.0))


def exhaust(scene: Scene, hz: float = 10.0, slope: float = 1.2) -> Scene:
    """Temperatures along the exhaust, the filter's drop for each 100 m3/h at its inlet's pressure
    (which the drop raises: a quadratic), and the charge's about a cooler of 75 %."""
    now, n = scene.signals, len(scene.t_s)
    hot = np.where(now["RPM"] > 400.0, 110.0 + 4.0 * now["LOAD_PCT"], 20.0)
    near, far = slow(hot, hz, 8.0), slow(hot, hz, 30.0)
    kelvin, grams_s = far + 273.15, 1.03 * now["MAF"]
    m3_kpa_h = grams_s / 1000.0 / MOLAR_MASS_AIR_KG * constants.R * kelvin / 1000.0 * 3600.0
    drop = 50.0 * (np.sqrt(1.0 + 4.0 * slope / 100.0 * m3_kpa_h / 100.0**2) - 1.0)
    added = 293.15 * ((np.maximum(now["MAP"], 100.0) / 100.0) ** 0.2857 - 1.0) / 0.68
    return scene.set(
        EGT11=near,
        EGT12=far,
        DPF1_INT=far,
        DPF1_DP=drop + scene.rng.normal(0.0, 0.05, n),
        TCA_COUTT=20.0 + added,
        CACT11=20.0 + 0.25 * added,
    )


def diesel(scene: Scene, liters: float | None = LITERS):
    """The recording of a car whose fuel and displacement are stated."""
    return scene.recording(liters, fuel="diesel")
