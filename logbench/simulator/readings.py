"""What each engine and transmission sensor reads: state of the car to acronyms of the table."""

from __future__ import annotations

from collections.abc import Mapping

from logbench.simulator.cars import STOICH_E10, Car
from logbench.simulator.diagnosis import MONITORS, Diagnosis
from logbench.simulator.state import State

_NAN = float("nan")
_PLACES = tuple(f"O2SLOC{bank}{number}" for bank in (1, 2) for number in (1, 2, 3, 4))
FUEL_G_L = 745.0
_SLOW_STEPS = 10
"""Monitors and counters are looked up every so many steps, and when a code comes or goes."""
_MONITOR_STEMS = ("MIS", "FUEL", "CCM", "CAT", "HCAT", "EVAP", "AIR", "ACRF", "O2S", "HTR", "EGR")


def _bank_names(bank: int) -> tuple[str, ...]:
    current, volts = ("_34", "_24") if bank == 1 else ("_38", "_28")
    return (
        f"SHRTFT{bank}",
        f"LONGFT{bank}",
        f"LAMBDA{bank}1",
        f"LAMBDA{bank}1{current}",
        f"O2S{bank}1{current}",
        f"O2S{bank}1{volts}",
        f"O2S{bank}1",
        f"SHRTFT{bank}1",
        f"O2S{bank}2",
        f"SHRTFT{bank}2",
        f"CATEMP{bank}1",
        f"CATEMP{bank}2",
    )


class Readings:
    """Makes the readings of one car; those of one step are made once."""

    __slots__ = ("_car", "_last", "_names", "_now", "_slow", "_slow_at")

    def __init__(self, car: Car, seed: int) -> None:
        self._car = car
        self._now = (-1, -1)
        self._last: dict[str, dict[str, float]] = {}
        self._slow: dict[str, float] = {}
        self._slow_at = (-1, -1)
        self._names = tuple(_bank_names(bank) for bank in range(1, car.banks + 1))

    def take(self, s: State, d: Diagnosis, ecu: str) -> Mapping[str, float]:
        """Acronym to value; the transmission gives its own copy of some."""
        now = (s.step, d.revision)
        if now != self._now:
            self._now = now
            self._last = {}
        found = self._last.get(ecu)
        if found is None:
            found = self._engine(s, d) if ecu == "7E8" else self._gearbox(s, d)
            self._last[ecu] = found
        return found

    def _engine(self, s: State, d: Diagnosis) -> dict[str, float]:
        noise, i = s.noise, s.noise_at
        plate = 12.6 + 77.0 * s.throttle + 0.12 * noise[i - 11]
        pedal = 15.8 + 66.0 * s.pedal + 0.05 * noise[i - 12]
        barometer = s.p_amb_kpa + 0.1
        values = {
            "FUELSYS1": float(s.loop),
            "FUELSYS2": float(s.loop) if self._car.banks == 2 else 0.0,
            "LOAD_PCT": 100.0 * s.load,
            "ECT": s.ect_degc,
            "RPM": max(0.0, s.rpm + (3.0 * noise[i - 13] if s.running else 0.0)),
            "VSS": s.speed_m_s * 3.6,
            "SPARKADV": s.spark_deg,
            "IAT": s.iat_degc + 0.1 * noise[i - 14],
            "MAF": s.maf_g_s,
            "MAP": s.map_kpa,
            "TP": plate,
            "RUNTM": s.run_s,
            "OBDSUP": 1.0,
            "EVAP_PCT": 100.0 * s.purge,
            "FLI": d.fuel_level_pct,
            "BARO": barometer,
            "VPWR": max(0.0, s.battery_v - 0.16 + 0.012 * noise[i - 15]),
            "LOAD_ABS": 100.0 * s.load_abs,
            "LAMBDA": s.lambda_cmd,
            "TP_R": 77.0 * s.throttle,
            "AAT": s.t_amb_degc + 0.3 + 0.04 * noise[i - 16],
            "TP_B": 100.0 - plate * 0.94,
            "APP_D": pedal,
            "APP_E": pedal * 0.5 + 0.03 * noise[i - 17],
            "APP_F": pedal * 0.5,
            "TAC_PCT": 12.6 + 77.0 * s.throttle,
            "FUEL_TYP": 1.0,
            "ALCH_PCT": 10.0 if self._car.stoich == STOICH_E10 else 0.0,
            "EOT": s.oil_degc,
            "FUEL_RATE": s.fuel_g_s / s.rail_gain * 3600.0 / FUEL_G_L,
            "LAMBDA_MAX": 0.0,
            "O2S_V_MAX": 0.0,
            "O2S_I_MAX": 0.0,
            "MAP_MAX": 0.0,
            "MAF_MAX": 0.0,
        }
        self._sensors(s, values)
        slow_at = (s.step // _SLOW_STEPS, d.revision)
        if slow_at != self._slow_at:
            self._slow_at = slow_at
            self._slow = self._places()
            self._monitors(d, self._slow)
            self._counters(d, self._slow)
        values.update(self._slow)
        return values

    def _places(self) -> dict[str, float]:
        """PID 0x13: which oxygen sensors there are."""
        places = dict.fromkeys(_PLACES, 0.0)
        for bank in range(1, self._car.banks + 1):
            places[f"O2SLOC{bank}1"] = 1.0
            places[f"O2SLOC{bank}2"] = float(self._car.downstream)
        return places

    def _sensors(self, s: State, values: dict[str, float]) -> None:
        """Trims, oxygen sensors and catalysts of each bank."""
        noise, i = s.noise, s.noise_at
        for k, bank in enumerate(s.banks):
            names = self._names[k]
            front = bank.lambda_seen + 0.002 * noise[i - 20 - k]
            front = 1.9999 if front > 1.9999 else front if front > 0.0 else 0.0
            # pump current of a planar sensor: about +0.75 mA at lambda 1.7, -1.2 mA at 0.8
            current = 1.8 * (1.0 - 1.0 / front) if front > 1.0 else 5.0 * (front - 1.0)
            rear_v = bank.rear_v + 0.004 * noise[i - 24 - k]
            rear_degc = bank.cat_degc - 0.22 * max(0.0, bank.cat_degc - s.t_amb_degc)
            values.update(
                zip(
                    names,
                    (
                        bank.short_pct,
                        bank.long_pct,
                        front,
                        front,
                        current,
                        # a wide-range sensor that reports volts: the scale is each maker's own
                        1.5 + 0.8 * current,
                        bank.sensor_v if bank.sensor_v > 0.0 else 0.0,
                        bank.short_pct,
                        rear_v if rear_v > 0.0 else 0.0,
                        _NAN,
                        bank.cat_degc,
                        rear_degc,
                    ),
                    strict=True,
                )
            )

    @staticmethod
    def _monitors(d: Diagnosis, values: dict[str, float]) -> None:
        """PID 0x01 and 0x41; a ready bit of 1 means not yet complete."""
        values["MIL"] = float(d.mil)
        values["DTC_CNT"] = float(len(d.codes(0x03)))
        values["CI_SUP"] = values["CI_SUP_41"] = 0.0
        for stem in _MONITOR_STEMS:
            has = stem in MONITORS
            values[f"{stem}_SUP"] = values[f"{stem}_ENA"] = float(has)
            values[f"{stem}_RDY"] = float(has and not d.complete(stem, cycle=False))
            values[f"{stem}_CMPL"] = float(has and not d.complete(stem, cycle=True))

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
