"""Air from the filter to the cylinders: turbocharger, throttle, manifold, leak, filling."""

from __future__ import annotations

from math import acos, cos, sqrt

from logbench.simulator.cars import Car
from logbench.simulator.faults import Faults
from logbench.simulator.state import State

R_AIR = 0.28705
"""Gas constant of dry air, kJ/(kg K)."""
CYCLE = 120.0 * R_AIR
"""A four-stroke fills its displacement once in two turns: m = VE p D rpm / (CYCLE T), in g/s,
kPa, liters, K."""
CHOKED = 0.04041
"""Mass flux of choked air, g/s per mm2 and kPa times sqrt(K): sqrt(k/R) (2/(k+1))^((k+1)/(2k-2))
with k = 1.4 (isentropic nozzle flow, any thermodynamics textbook)."""
CRITICAL = 0.528
"""Pressure ratio below which air flow is choked, k = 1.4."""
_CLOSED_RAD = 0.122  # 7 degrees: the plate's angle when shut
_CLOSED_COS = cos(_CLOSED_RAD)
_FULL_MM2_PER_L = 850.0
_SEAM = 0.0015
"""What the shut plate still lets by around its edge, share of the full area."""
_STOP_MM2_PER_L = 4.2
"""Area at the plate's stop: about two thirds of a warm idle's air."""
_OPEN_PURGE_MM2_PER_L = 1.2
"""What a purge valve lets by that does not close: with hose and canister a quarter of the idle's
air [CP]."""
_PURGE_OPENS = 0.6
"""Power of the severity that it stays open by: half of its gap already passes most of it. [CP]"""
_SCAVENGED_RPM = 2600.0
"""Below it a charged engine's overlap blows air through. [CP]"""
_BLOWN = 0.7
"""Of the air that scavenging adds, what goes on to the exhaust; the rest takes the place of burned
gas."""
_COOLED_K = 500.0
"""What enrichment takes of the exhaust's heat, for all of lambda. [CP: 40 to 60 K for 0.1]"""
_RESERVE_KPA = 4.0
"""Charge pressure over what the manifold needs: what the throttle is left with."""
MANIFOLD_SHARE = 1.6
"""Manifold volume over displacement."""


def nozzle(ratio: float) -> float:
    """Flow over choked flow at a pressure ratio: the ellipse that stands for isentropic flow
    (within 1 % of it), linear close to 1 where the slope has no end."""
    if ratio <= CRITICAL:
        return 1.0
    if ratio >= 0.99:
        return max(0.0, (1.0 - ratio) * 20.47)
    x = (ratio - CRITICAL) / (1.0 - CRITICAL)
    return sqrt(1.0 - x * x)


def drawn_g_s(severity: float, liters: float, p_man: float, p_amb: float, charge_k: float) -> float:
    """Gas through a purge valve that does not close and lets nothing back; kPa, K."""
    if p_man >= p_amb:
        return 0.0
    area: float = severity**_PURGE_OPENS * _OPEN_PURGE_MM2_PER_L * liters
    return area * p_amb * CHOKED / sqrt(charge_k) * nozzle(p_man / p_amb)


def cam_gain(severity: float, rpm: float) -> float:
    """Filling with an intake camshaft stuck with much overlap over that with it where it should be:
    a third less at idle, nothing at high speed. [CP]"""
    low = (4200.0 - rpm) / 3400.0
    return 1.0 - 0.34 * severity * (1.0 if low > 1.0 else low if low > 0.0 else 0.0)


def scavenged(rpm: float, p_man_kpa: float, p_exh_kpa: float) -> float:
    """Air that a charged engine with both camshafts turned to overlap gets over that of its volume,
    share: between two exhaust pulses the pressure behind the valve is well below its mean. [CP: up
    to 15 % below 2,000 rpm]"""
    valley_kpa = 100.0 + 0.45 * (p_exh_kpa - 100.0)
    over = (p_man_kpa - valley_kpa) / 60.0
    slow = (_SCAVENGED_RPM - rpm) / 800.0
    if over <= 0.0 or slow <= 0.0:
        return 0.0
    return 0.18 * (over if over < 1.0 else 1.0) * (slow if slow < 1.0 else 1.0)


class AirPath:
    """Turbocharger, throttle, manifold and cylinder filling of one car."""

    def __init__(self, car: Car) -> None:
        self._car = car
        self._volume_l = MANIFOLD_SHARE * car.displacement_l
        self._full_mm2 = _FULL_MM2_PER_L * car.displacement_l * (1.0 + car.boost_kpa / 150.0)
        # Severity 1: a car that meters its air misses a fifth of it at idle; one that measures
        # manifold pressure gets more air than its closed throttle can take back.
        self._leak_mm2 = (1.05 if car.has_maf else 6.0) * car.displacement_l
        self.stop = self._opening(_STOP_MM2_PER_L * car.displacement_l)
        self.rated_g_s = car.ve_peak * 101.3 * car.displacement_l * car.redline_rpm / (CYCLE * 310)
        """Air at full throttle and redline without boost: the scale of the flow."""

    def filling(self, rpm: float, p_man_kpa: float, p_exh_kpa: float) -> float:
        """Volumetric efficiency against the manifold: the tuning over rpm times what the residual
        gas of the last cycle leaves free (compression ratio 10)."""
        d = (rpm - self._car.ve_peak_rpm) / self._car.ve_peak_rpm
        residual = p_exh_kpa / p_man_kpa if p_man_kpa > 5.0 else p_exh_kpa / 5.0
        free: float = 1.111 - 0.111 * residual**0.714
        ve = (self._car.ve_peak - 0.22 * d * d) * (free if free > 0.1 else 0.1)
        if self._car.direct and rpm < _SCAVENGED_RPM:
            ve *= 1.0 + scavenged(rpm, p_man_kpa, p_exh_kpa)
        return ve

    def full_air_g_s(self, rpm: float, p_amb_kpa: float, charge_k: float) -> float:
        """Air at full throttle at this rpm, with all the boost there is."""
        d = (rpm - self._car.ve_peak_rpm) / self._car.ve_peak_rpm
        spool = min(1.0, max(0.0, (rpm - 1100.0) / 1300.0))
        p = p_amb_kpa + self._car.boost_kpa * spool - 1.0
        filling = self._car.ve_peak - 0.22 * d * d
        return filling * p * self._car.displacement_l * max(rpm, 1.0) / (CYCLE * charge_k)

    def leak_g_s(self, severity: float, p_man: float, p_amb: float, charge_k: float) -> float:
        """Air through the leak into the manifold, negative out of a charged one; kPa."""
        high, low = (p_amb, p_man) if p_man < p_amb else (p_man, p_amb)
        leak = severity * self._leak_mm2 * high * CHOKED / sqrt(charge_k) * nozzle(low / high)
        return leak if p_man < p_amb else -leak

    def throttle_for(self, s: State, air_g_s: float, demand: float) -> float:
        """Opening, 0 to 1, that lets `air_g_s` pass: what the computer commands."""
        if demand > 0.95:
            return 1.0
        charge_k = s.intake_degc + 273.15
        rpm = s.rpm if s.rpm > 300.0 else 300.0
        ve = s.ve if s.ve > 0.3 else 0.3
        ratio = air_g_s * CYCLE * charge_k / (ve * self._car.displacement_l * rpm) / s.p_up_kpa
        flow = s.p_up_kpa * CHOKED / sqrt(charge_k) * nozzle(ratio if ratio < 0.97 else 0.97)
        opening = self._opening(air_g_s / flow)
        return opening if opening > self.stop else self.stop

    def _opening(self, area_mm2: float) -> float:
        """Opening of a plate in a round bore that frees this area: 1 - cos(angle)/cos(shut)."""
        share = area_mm2 / self._full_mm2 - _SEAM
        if share <= 0.0:
            return 0.0
        angle = acos((1.0 - share if share < 1.0 else 0.0) * _CLOSED_COS)
        opening = (angle - _CLOSED_RAD) / (1.5708 - _CLOSED_RAD)
        return opening if opening < 1.0 else 1.0

    def step(self, s: State, faults: Faults, dt: float) -> None:
        """Move the pressures by `dt` seconds (linearly implicit: stable at any rpm)."""
        charge_k = s.intake_degc + 273.15
        if not self._car.turbo:
            filter_loss = s.air_in_g_s / self.rated_g_s
            s.p_up_kpa = s.p_amb_kpa - 1.2 * filter_loss * filter_loss
        p, p_up = s.p_man_kpa, s.p_up_kpa
        rpm = s.rpm
        area = self._full_mm2 * (
            1.0 - cos(_CLOSED_RAD + s.throttle * (1.5708 - _CLOSED_RAD)) / 0.99257 + _SEAM
        )
        conductance = area * p_up * CHOKED / sqrt(charge_k)
        ratio = p / p_up
        through = conductance * nozzle(ratio)
        leak = s.drawn_air_g_s
        if faults.unmetered_air:
            leak += self.leak_g_s(faults.unmetered_air, p, s.p_amb_kpa, charge_k)
        ve = self.filling(rpm, p, s.p_exh_kpa) * s.cam_gain if rpm > 20.0 else 0.7
        per_kpa = ve * self._car.displacement_l * rpm / (CYCLE * charge_k)
        slope = per_kpa
        if ratio > CRITICAL:
            x = (ratio - CRITICAL) / (1.0 - CRITICAL)
            slope += conductance * min(20.0, 2.12 * x / max(0.1, nozzle(ratio))) / p_up
        stiffness = R_AIR * charge_k / self._volume_l * dt
        dp = stiffness * (through + leak - per_kpa * p) / (1.0 + stiffness * slope)
        s.p_man_kpa = p = p + dp if p + dp > 5.0 else 5.0
        s.ve = ve
        s.leak_g_s = leak
        s.air_cyl_g_s = air = per_kpa * p
        # what passes the throttle over the step is what fills the manifold and what leaves it
        through = air - leak + dp / stiffness
        s.air_in_g_s = through if through > 0.0 else 0.0
        if self._car.turbo:
            self._exhaust(s, air)
            return
        q = air / self.rated_g_s
        s.p_exh_kpa = s.p_amb_kpa + 24.0 * q * q

    def _exhaust(self, s: State, air: float) -> None:
        """What the charger gets: gas, and the pressure that is asked of it."""
        spool = min(1.0, max(0.0, (s.rpm - 1100.0) / 900.0))
        wanted_kpa = s.p_amb_kpa + self._car.boost_kpa * spool
        if self._car.direct:
            wanted_kpa = self._needed_kpa(s, air, wanted_kpa)
        else:
            wanted = min(1.0, max(0.0, (s.demand - 0.30) / 0.5)) * spool
            wanted_kpa = s.p_amb_kpa + self._car.boost_kpa * wanted
        s.boost_wanted_kpa += (wanted_kpa - s.boost_wanted_kpa) * 0.17
        s.air_in_g_s += s.pipe_leak_g_s
        s.exh_g_s = gas = air + s.fuel_g_s
        share = gas / self.rated_g_s
        hot = 430.0 + 560.0 * (share if share < 1.0 else 1.0) ** 0.4 if s.fuel_g_s > 0.0 else 250.0
        if self._car.direct and s.lambda_cmd < 1.0:
            hot -= _COOLED_K * (1.0 - s.lambda_cmd)
        if not s.running:
            hot = s.t_amb_degc
        s.exh_degc += (hot - s.exh_degc) * 0.05

    def _needed_kpa(self, s: State, air: float, most_kpa: float) -> float:
        """Charge pressure by the air that the torque asked for needs: no more than the throttle,
        nearly open, can pass on; and what scavenging blows through."""
        over = scavenged(s.rpm, s.p_man_kpa, s.p_exh_kpa)
        s.blown_g_s = air * _BLOWN * over / (1.0 + over)
        if s.demand > 0.95:
            return most_kpa
        rpm = s.rpm if s.rpm > 300.0 else 300.0
        ve = s.ve if s.ve > 0.3 else 0.3
        per_kpa = ve * self._car.displacement_l * rpm / (CYCLE * (s.intake_degc + 273.15))
        need = s.air_asked_g_s / per_kpa + _RESERVE_KPA
        return s.p_amb_kpa if need < s.p_amb_kpa else most_kpa if need > most_kpa else need
