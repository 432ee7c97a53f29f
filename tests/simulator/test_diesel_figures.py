"""The simulated diesel against a real one: a turbo-diesel hatchback, 39 drives of 77 [open road
data, measured: air flow by sensor, flap open, exhaust recirculation at idle]. Each number must lie
between the 5th and 95th of a hundred of that car's drives; how it was driven is ours."""

from __future__ import annotations

from functools import cache
from statistics import fmean, median

import pytest

from logbench.simulator.cars import named_car
from logbench.simulator.drive import Drive
from logbench.simulator.driver import Phase, Schedule

_PHASES = (
    Phase("key on", "key on", 4),
    Phase("cranking", "crank", 6),
    Phase("first idle", "idle", 25),
    Phase("town", "cruise", 150, 50),
    Phase("light", "stop", 30),
    Phase("at the light", "idle", 20),
    Phase("road", "cruise", 180, 70),
    Phase("village", "cruise", 120, 50),
    Phase("light again", "stop", 30),
    Phase("at the light again", "idle", 20),
    Phase("road again", "cruise", 120, 75),
    Phase("slower", "cruise", 60, 60),
    Phase("up to the motorway", "pull", 12, 0.76),
    Phase("motorway", "cruise", 120, 108),
    Phase("faster", "cruise", 90, 118),
    Phase("off", "stop", 40),
    Phase("warm idle", "idle", 120),
)
DRIVE = Schedule("figures", _PHASES)
SEEDS = (1, 2, 3)

STEADY = {
    # rpm, kPa, g/s, % of the flap, g of air for each two turns: least and most
    "idle": ((769, 791), (95, 103), (6.8, 7.4), (77, 83.6), (1.06, 1.13)),
    "cruise": ((1398, 1751), (110, 120), (14.1, 19.4), (83.4, 83.6), (1.10, 1.42)),
    "fast": ((1822, 2108), (138, 158), (27.2, 36.7), (83.4, 83.6), (1.68, 2.20)),
}
WHOLE = {
    "highest MAP, kPa": (215, 234),
    "highest MAF, g/s": (67, 117),
    "warm-up, K/min": (3.8, 6.8),
    "warm-up, min": (5.6, 14.8),
    "air for each kelvin, g": (150, 314),
    "plateau, degC": (73, 92),
}


@cache
def driven(seed: int) -> tuple[dict[str, list[tuple[float, ...]]], dict[str, float]]:
    """Readings at ten a second: in steady stretches, and of the whole drive."""
    drive = Drive(named_car("demo-diesel"), None, DRIVE, seed=seed, ambient_degc=8.0)
    rows: dict[str, list[tuple[float, ...]]] = {name: [] for name in STEADY}
    most_map = most_maf = air_g = warm_s = 0.0
    first_degc, began_s, plateau = 0.0, 0.0, []
    speeds: list[float] = []
    while not drive.done:
        drive.advance(drive.t_s + 0.1)
        r = drive.readings("7E8")
        speeds = [*speeds[-50:], r["VSS"]]
        if r["RPM"] < 500.0:
            first_degc, began_s = r["ECT"], drive.t_s
            continue
        most_map, most_maf = max(most_map, r["MAP"]), max(most_maf, r["MAF"])
        if not warm_s:
            air_g += 0.1 * r["MAF"]
            if r["ECT"] >= 70.0:
                warm_s = drive.t_s - began_s
            continue
        plateau.append(r["ECT"])
        row = (r["RPM"], r["MAP"], r["MAF"], r["TP"], 120.0 * r["MAF"] / r["RPM"])
        if max(speeds) - min(speeds) < 2.0:
            if max(speeds) < 0.5:
                rows["idle"].append(row)
            elif 45.0 < r["VSS"] < 75.0:
                rows["cruise"].append(row)
            elif r["VSS"] > 100.0:
                rows["fast"].append(row)
    rise_k = 70.0 - first_degc
    whole = {
        "highest MAP, kPa": most_map,
        "highest MAF, g/s": most_maf,
        "warm-up, K/min": rise_k / warm_s * 60.0,
        "warm-up, min": warm_s / 60.0,
        "air for each kelvin, g": air_g / rise_k,
        "plateau, degC": median(plateau[-1200:]),
    }
    return rows, whole


@pytest.mark.parametrize("where", STEADY)
def test_steady_figures_lie_within_the_real_cars_drives(where: str):
    for column, (low, high) in enumerate(STEADY[where]):
        medians = [median(row[column] for row in driven(seed)[0][where]) for seed in SEEDS]
        print(where, column, [round(m, 2) for m in medians], (low, high))
        assert low <= fmean(medians) <= high, (where, column, medians)


@pytest.mark.parametrize("what", WHOLE)
def test_figures_of_whole_drives_lie_within_the_real_cars(what: str):
    low, high = WHOLE[what]
    numbers = [driven(seed)[1][what] for seed in SEEDS]
    print(what, [round(n, 2) for n in numbers], (low, high))
    assert low <= fmean(numbers) <= high, numbers
