"""What each engine and transmission sensor reads: state of the car to acronyms of the table."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from logbench.simulator.cars import STOICH_E10, Car
from logbench.simulator.diagnosis import Diagnosis
from logbench.simulator.parts import Getter, Part
from logbench.simulator.state import BankState, State

_NAN = float("nan")
_PLACES = tuple(f"O2SLOC{bank}{number}" for bank in (1, 2) for number in (1, 2, 3, 4))
FUEL_G_L = 745.0
_SLOW_STEPS = 10
"""Monitors and counters are looked up every so many steps, and when a code comes or goes."""
_MONITOR_STEMS = (
    *("MIS", "FUEL", "CCM", "CAT", "HCAT", "EVAP", "AIR", "ACRF", "O2S", "HTR", "EGR"),
    *("HCCAT", "NCAT", "BP", "EGS", "PM"),
)


def _fixed(value: float) -> Getter:
    return lambda _: value


def _engine_getters(car: Car) -> dict[str, Getter]:
    """What changes with every step, by acronym; noise of one step is the same for whoever asks."""

    def plate(s: State) -> float:
        return 12.6 + 77.0 * s.throttle + 0.12 * s.noise[s.noise_at - 11]

    def pedal(s: State) -> float:
        return 15.8 + 66.0 * s.pedal + 0.05 * s.noise[s.noise_at - 12]

    def rpm(s: State) -> float:
        shown = s.rpm + 3.0 * s.noise[s.noise_at - 13] if s.running else s.rpm
        return shown if shown > 0.0 else 0.0

    def volts(s: State) -> float:
        return max(0.0, s.battery_v - 0.16 + 0.012 * s.noise[s.noise_at - 15])

    getters: dict[str, Getter] = {
        "FUELSYS1": lambda s: float(s.loop),
        "FUELSYS2": (lambda s: float(s.loop)) if car.banks == 2 else _fixed(0.0),
        "LOAD_PCT": lambda s: 100.0 * s.load,
        "ECT": lambda s: s.ect_degc,
        "RPM": rpm,
        "VSS": lambda s: s.speed_m_s * 3.6,
        "SPARKADV": lambda s: s.spark_deg,
        "IAT": lambda s: s.iat_degc + 0.1 * s.noise[s.noise_at - 14],
        "MAF": lambda s: s.maf_g_s,
        "MAP": lambda s: s.map_kpa,
        "TP": plate,
        "RUNTM": lambda s: s.run_s,
        "OBDSUP": _fixed(1.0),
        "BARO": lambda s: s.p_amb_kpa + 0.1,
        "VPWR": volts,
        "LOAD_ABS": lambda s: 100.0 * s.load_abs,
        "LAMBDA": lambda s: s.lambda_cmd,
        "TP_R": lambda s: 77.0 * s.throttle,
        "AAT": lambda s: s.t_amb_degc + 0.3 + 0.04 * s.noise[s.noise_at - 16],
        "TP_B": lambda s: 100.0 - plate(s) * 0.94,
        "APP_D": pedal,
        "APP_E": lambda s: pedal(s) * 0.5 + 0.03 * s.noise[s.noise_at - 17],
        "APP_F": lambda s: pedal(s) * 0.5,
        "TAC_PCT": lambda s: 12.6 + 77.0 * s.throttle,
        "FUEL_TYP": _fixed(1.0),
        "ALCH_PCT": _fixed(10.0 if car.stoich == STOICH_E10 else 0.0),
        "EOT": lambda s: s.oil_degc,
        "FUEL_RATE": lambda s: s.fuel_g_s / s.rail_gain * 3600.0 / FUEL_G_L,
    }
    scales = ("LAMBDA_MAX", "O2S_V_MAX", "O2S_I_MAX", "MAP_MAX", "MAF_MAX")
    getters.update(dict.fromkeys(scales, _fixed(0.0)))
    for k in range(car.banks):
        getters.update(_bank_getters(k))
    return getters


def _bank_getters(k: int) -> dict[str, Getter]:
    """Trims, oxygen sensors and catalyst of bank `k` (from 0)."""

    def of(get: Callable[[BankState], float]) -> Getter:
        return lambda s: get(s.banks[k])

    def front(s: State) -> float:
        seen = s.banks[k].lambda_seen + 0.002 * s.noise[s.noise_at - 20 - k]
        return 1.9999 if seen > 1.9999 else seen if seen > 0.0 else 0.0

    def current(s: State) -> float:
        # pump current of a planar sensor: about +0.75 mA at lambda 1.7, -1.2 mA at 0.8
        seen = front(s)
        return 1.8 * (1.0 - 1.0 / seen) if seen > 1.0 else 5.0 * (seen - 1.0)

    def rear_v(s: State) -> float:
        return max(0.0, s.banks[k].rear_v + 0.004 * s.noise[s.noise_at - 24 - k])

    def rear_degc(s: State) -> float:
        degc = s.banks[k].cat_degc
        return degc - 0.22 * max(0.0, degc - s.t_amb_degc)

    bank = k + 1
    in_ma, in_v = ("_34", "_24") if k == 0 else ("_38", "_28")
    return {
        f"SHRTFT{bank}": of(lambda b: b.short_pct),
        f"LONGFT{bank}": of(lambda b: b.long_pct),
        f"LAMBDA{bank}1": front,
        f"LAMBDA{bank}1{in_ma}": front,
        f"O2S{bank}1{in_ma}": current,
        # a wide-range sensor that reports volts: the scale is each maker's own
        f"O2S{bank}1{in_v}": lambda s: 1.5 + 0.8 * current(s),
        f"O2S{bank}1": of(lambda b: max(0.0, b.sensor_v)),
        f"SHRTFT{bank}1": of(lambda b: b.short_pct),
        f"O2S{bank}2": rear_v,
        f"SHRTFT{bank}2": _fixed(_NAN),
        f"CATEMP{bank}1": of(lambda b: b.cat_degc),
        f"CATEMP{bank}2": rear_degc,
    }


class Readings:
    """Makes the readings of one car."""

    def __init__(self, car: Car, parts: Sequence[Part] = ()) -> None:
        self._car = car
        self._getters = _engine_getters(car)
        for part in parts:
            self._getters.update(part.getters())
        self._slow: dict[str, float] = {}
        self._slow_at = (-1, -1)

    def take(self, s: State, d: Diagnosis, ecu: str) -> Mapping[str, float]:
        """Acronym to value; the transmission gives its own copy of some."""
        return self._engine(s, d) if ecu == "7E8" else self._gearbox(s, d)

    def reader(
        self, s: State, d: Diagnosis, ecu: str, acronyms: Sequence[str]
    ) -> Callable[[], tuple[float, ...]]:
        """A function that gives the values of these acronyms whenever it is called: what `take`
        holds, without making all the others."""
        if ecu != "7E8" or not all(name in self._getters for name in acronyms):
            return lambda: tuple([self.take(s, d, ecu)[name] for name in acronyms])
        getters = [self._getters[name] for name in acronyms]
        return lambda: tuple([get(s) for get in getters])

    def _engine(self, s: State, d: Diagnosis) -> dict[str, float]:
        values = {name: get(s) for name, get in self._getters.items()}
        slow_at = (s.step // _SLOW_STEPS, d.revision)
        if slow_at != self._slow_at:
            self._slow_at = slow_at
            self._slow = self._places()
            self._monitors(d, self._slow)
            self._counters(d, self._slow)
            self._slow["FLI"] = d.fuel_level_pct
        values.update(self._slow)
        return values

    def _places(self) -> dict[str, float]:
        """PID 0x13: which oxygen sensors there are."""
        places = dict.fromkeys(_PLACES, 0.0)
        for bank in range(1, self._car.banks + 1):
            places[f"O2SLOC{bank}1"] = 1.0
            places[f"O2SLOC{bank}2"] = float(self._car.downstream)
        return places

    def _monitors(self, d: Diagnosis, values: dict[str, float]) -> None:
        """PID 0x01 and 0x41; a ready bit of 1 means not yet complete."""
        values["MIL"] = float(d.mil)
        values["DTC_CNT"] = float(len(d.codes(0x03)))
        values["CI_SUP"] = values["CI_SUP_41"] = float(self._car.diesel)
        for stem in _MONITOR_STEMS:
            has = d.readiness.has(stem)
            values[f"{stem}_SUP"] = values[f"{stem}_ENA"] = float(has)
            values[f"{stem}_RDY"] = float(has and not d.readiness.complete(stem, cycle=False))
            values[f"{stem}_CMPL"] = float(has and not d.readiness.complete(stem, cycle=True))

    @staticmethod
    def _counters(d: Diagnosis, values: dict[str, float]) -> None:
        values["MIL_DIST"] = d.mil_distance_m / 1000.0
        values["CLR_DIST"] = d.clear_distance_m / 1000.0
        values["WARM_UPS"] = float(d.warm_ups)
        values["MIL_TIME"] = d.mil_run_s / 60.0
        values["CLR_TIME"] = min(65535.0, d.clear_run_s / 60.0)
        values["ODO"] = d.odometer_m / 1000.0

    def _gearbox(self, s: State, d: Diagnosis) -> dict[str, float]:
        values = {
            "RPM": max(0.0, s.rpm),
            "VSS": s.speed_m_s * 3.6,
            "OBDSUP": 1.0,
            "GEAR_ACT": float(s.gear),
            "GEAR_RATIO": self._car.gears[s.gear - 1] if s.gear else 0.0,
        }
        self._counters(d, values)
        values["MIL"] = values["DTC_CNT"] = values["CI_SUP"] = 0.0
        for stem in _MONITOR_STEMS:
            values[f"{stem}_SUP"] = values[f"{stem}_RDY"] = 0.0
        values["CCM_SUP"] = 1.0
        return values
