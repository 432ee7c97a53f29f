"""What findings may mean, in the trade's words. Sources: trade-notes 1 to 7 with the tags there."""

from __future__ import annotations

from logbench.analysis.findings import Cause

UNMETERED_AIR = Cause(
    "unmetered_air",
    "unmetered air entering behind the air-flow sensor (hose, gasket, brake servo, crankcase vent)",
)
EXHAUST_LEAK = Cause("exhaust_leak", "exhaust leak ahead of the oxygen sensor (false lean)")
MAF_LOW = Cause("maf_low", "air-flow sensor reading low (dirty or damaged, air by-passing it)")
MAF_HIGH = Cause("maf_high", "air-flow sensor reading high")
WEAK_FUEL = Cause("weak_fuel", "weak fuel delivery (filter, pump, pressure regulation)")
RICH_FUEL = Cause("leaking_injector", "leaking injector or fuel pressure too high")
PURGE = Cause("purge", "fuel vapour drawn in by the purge valve")
FUEL_IN_OIL = Cause("fuel_in_oil", "fuel in the oil, coming back through the crankcase vent")
O2_LEAN = Cause("biased_o2", "front oxygen sensor reading lean (aged, poisoned, poor ground)")
O2_RICH = Cause("biased_o2_rich", "front oxygen sensor reading rich")
BANK_LEAN = Cause(
    "one_bank_lean", "this bank's own intake gasket or injectors (too much air or too little fuel)"
)
BANK_RICH = Cause("leaking_injector", "a leaking injector of this bank")
ECT_COLD = Cause("ect_offset", "coolant temperature sensor reading cold")
ECT_WRONG = Cause("ect_offset", "coolant temperature sensor or its connection reading wrong")
PRESSURE_LOW = Cause(
    "map_metered_fuel", "mixture model off: manifold pressure sensor, fuel pressure, injectors"
)
RESTRICTION = Cause("restriction", "intake restriction or plugged exhaust")
CAM_TIMING = Cause("cam_timing", "camshaft timing off")
BOOST_LOW = Cause("boost_low", "charge pressure low or leaking")
DISPLACEMENT_WRONG = Cause("displacement", "the stated displacement is not this engine's")
EXTRA_LOAD = Cause("extra_load", "accessories or drag loading the engine at idle")
THERMOSTAT_OPEN = Cause("thermostat_open", "thermostat stuck open or opening too early")
THERMOSTAT_SHUT = Cause("thermostat_shut", "thermostat opening too late, or fan not cooling")
FAN_LATE = Cause("fan", "fan, its switch, relay or control not working, or too late")
FAN_EARLY = Cause("fan_early", "fan switched on by the air conditioning or by its emergency run")
FAN_WEAK = Cause("fan_weak", "fan or its switch, or a radiator with little air or water through it")
LOW_COOLANT = Cause("low_coolant", "low coolant level or air in the cooling system")
SENSOR_OPEN = Cause("sensor_open", "sensor or its wiring open or unplugged")
SENSOR_SHORT = Cause("sensor_short", "sensor or its wiring shorted")
ECT_OFF = Cause("ect_offset", "coolant temperature sensor or its connection reading wrong")
AIR_TEMP_OFF = Cause("air_temp", "air temperature sensor reading wrong")
NOT_SOAKED = Cause("not_soaked", "the car had not stood long enough, or sun or a heater warmed it")
WORN_BATTERY = Cause("worn_battery", "battery discharged or worn (high internal resistance)")
STARTER = Cause("starter", "starter drawing too much, or its cables and grounds")
WEAK_ALTERNATOR = Cause("weak_alternator", "alternator, its belt or its wiring giving too little")
SMART_CHARGING = Cause("smart_charging", "charging held low on purpose by the engine computer")
OVERCHARGE = Cause("overcharge", "voltage regulator letting the voltage run up")
MAP_OFF = Cause("map_offset", "manifold or barometric pressure sensor reading wrong")
VACUUM_LOW = Cause("unmetered_air", "air leaking into the manifold, late timing or worn engine")
VALVE_CONTROL = Cause("valve_control", "an engine that is throttled by its valves or by much EGR")
O2_LAZY = Cause("lazy_o2", "front oxygen sensor slow (aged, contaminated)")
CATALYST = Cause("catalyst", "catalyst storing little oxygen")
LEAN_LOAD = Cause("weak_fuel", "lean under load: fuel delivery")
IDLE_UNSTEADY = Cause("idle_unsteady", "misfire, vacuum leak, dirty throttle or idle control")
IDLE_HIGH = Cause("unmetered_air", "air getting past the closed throttle (leak, stuck throttle)")
PEDAL_PAIR = Cause("pair", "one of the paired sensors worn, or its reference or ground")
PEDAL_STOP = Cause("pedal_stop", "pedal held up before its stop (mat, carpet, cable)")
TORQUE_LIMIT = Cause(
    "torque_limit", "engine computer limiting the throttle (limp mode, traction, gearbox)"
)
THROTTLE_STICKS = Cause("throttle_sticks", "throttle body dirty, worn or sticking")
SLIP = Cause("slip", "clutch or converter slipping, or a speed signal that is wrong")
LATE_LOOP = Cause("late_loop", "oxygen sensor heater or sensor slow to start working")
