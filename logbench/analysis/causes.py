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
BANK_RICH = Cause("one_bank_rich", "a leaking injector of this bank")
ECT_COLD = Cause("ect_offset", "coolant temperature sensor reading cold")
ECT_WRONG = Cause("ect_offset", "coolant temperature sensor or its connection reading wrong")
PRESSURE_LOW = Cause(
    "map_metered_fuel", "mixture model off: manifold pressure sensor, fuel pressure, injectors"
)
RESTRICTION = Cause("restriction", "intake restriction or plugged exhaust")
CAM_TIMING = Cause("cam_timing", "camshaft timing off")
BOOST_LOW = Cause("boost_low", "charge pressure low or leaking")
MAP_WRONG = Cause("map_wrong", "manifold pressure sensor reading wrong")
DISPLACEMENT_WRONG = Cause("displacement", "the stated displacement is not this engine's")
EXTRA_LOAD = Cause("extra_load", "accessories or drag loading the engine at idle")
THERMOSTAT_OPEN = Cause("thermostat_open", "thermostat stuck open or opening too early")
THERMOSTAT_SHUT = Cause("thermostat_shut", "thermostat opening too late, or fan not cooling")
LOW_COOLANT = Cause("low_coolant", "low coolant level or air in the cooling system")
LATE_LOOP = Cause("late_loop", "oxygen sensor heater or sensor slow to start working")
