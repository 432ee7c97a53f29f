"""How often a signal is worth asking for, when nobody has said."""

from __future__ import annotations

import re

from logbench.signals.model import Signal

FAST_HZ = 10.0
STATUS_HZ = 1.0
SLOW_HZ = 0.5
MEDIUM_HZ = 2.0

# What moves within a second: speed, air, mixture, spark, throttle and pedals, load.
_FAST = re.compile(
    r"RPM|VSS|MAF[AB]?|MAP(_[AB])?|BP_[AB]_(CMD|ACT)|O2S\d\d|LAMBDA(\d\d)?|SHRTFT\d+|SPARKADV"
    r"|TP(_[BCR])?|TAC_PCT|APP_[DEFR]|LOAD_(PCT|ABS)|FRP|TQ_(DD|ACT)|FUEL_(RATE|TIMING)"
    r"|(ENG|VEH)_FUEL_RATE"
)
# What takes minutes: levels, counters, surroundings, facts of the car. Temperatures by their unit.
_SLOW = re.compile(
    r"FLI|BARO|ALCH_PCT|BAT_PWR|ODO|WARM_UPS|(MIL|CLR)_(DIST|TIME)|RUNTM|TQ_REF|TQ_MAX\d|DTC_CNT"
    r"|(LAMBDA|O2S_V|O2S_I|MAP|MAF)_MAX"
)


def wanted_rate_hz(signal: Signal) -> float:
    """Default polling rate in Hz (common practice, no source).

    10 for what moves within a second (an oxygen sensor's switching needs more than 6 samples a
    second), 2 for what moves within ten (long term trims, voltage, EGR, purge), 1 for status words,
    0.5 for temperatures, levels and counters.
    """
    if _FAST.fullmatch(signal.standard):
        return FAST_HZ
    if signal.unit == "degC" or _SLOW.fullmatch(signal.standard):
        return SLOW_HZ
    return STATUS_HZ if signal.kind != "number" else MEDIUM_HZ
