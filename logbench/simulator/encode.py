"""Service 01 data bytes from readings, written from SAE J1979 (ISO 15031-5) PID by PID.

Independent of `logbench.signals` on purpose: the table decodes, this encodes, and a mistake in one
shows up against the other. Readings are physical values by acronym. A value beyond the range of its
bytes is clipped, as an ECU does; a reading that is missing or NaN becomes all ones, which the
standard uses for 'not used' where it has such a code.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from fractions import Fraction

from logbench.simulator.data import rows

Readings = Mapping[str, float]
Encoder = Callable[[Readings], bytes]

NAN = float("nan")


def _clip(raw: float, low: int, high: int) -> int:
    return int(min(max(math.floor(raw + 0.5), low), high))


def whole(value: float, per_unit: float, offset: float = 0.0, size: int = 1) -> bytes:
    """`(value + offset) * per_unit` as an unsigned number of `size` bytes; all ones for NaN."""
    high = 256**size - 1
    raw = high if math.isnan(value) else _clip((value + offset) * per_unit, 0, high)
    return raw.to_bytes(size, "big")


def twos(value: float, per_unit: float, size: int = 2) -> bytes:
    """`value * per_unit` in two's complement of `size` bytes; all ones for NaN."""
    half = 256**size // 2
    if math.isnan(value):
        return b"\xff" * size
    return _clip(value * per_unit, -half, half - 1).to_bytes(size, "big", signed=True)


def trim(value: float) -> bytes:
    """-100 to +99.2 % over 256 steps, 0 at 0x80."""
    return whole(value, 128 / 100, 100)


def temperature(value: float) -> bytes:
    """-40 to 215 degC, one degree a step."""
    return whole(value, 1, 40)


def _number(acronym: str, per_unit: float, offset: float = 0.0, size: int = 1) -> Encoder:
    return lambda readings: whole(readings.get(acronym, NAN), per_unit, offset, size)


def _plain(row: Mapping[str, str]) -> Encoder:
    """A row of `encode.csv`: the PID is one number, in steps a unit after an offset."""
    per_unit, offset = float(Fraction(row["per_unit"])), float(row["offset"])
    return _number(row["acronym"], per_unit, offset, int(row["bytes"]))


def _pair(first: Encoder, second: Encoder) -> Encoder:
    return lambda readings: first(readings) + second(readings)


def _bit(readings: Readings, acronym: str) -> int:
    value = readings.get(acronym, 0.0)
    return int(not math.isnan(value) and value != 0)


def _bits(readings: Readings, *acronyms: str) -> int:
    """A number from flags, most significant first; '' is a bit that is 0."""
    number = 0
    for acronym in acronyms:
        number = number << 1 | (_bit(readings, acronym) if acronym else 0)
    return number


def _mask(acronym: str, size: int = 1) -> Encoder:
    """An enumeration or a byte of flags as it stands; 0 where there is no reading."""
    return lambda readings: whole(_or_zero(readings.get(acronym, 0.0)), 1, 0, size)


def _flags(*acronyms: str) -> Encoder:
    """A byte of flags, bit 0 first."""
    return lambda readings: bytes((_bits(readings, *acronyms[::-1]),))


def _or_zero(value: float) -> float:
    return 0.0 if math.isnan(value) else value


def _most(readings: Readings, acronym: str) -> float:
    """A maximum of PID 4F or 50 that replaces a default scaling; 0 for the default."""
    return _or_zero(readings.get(acronym, 0.0))


def _scaled(acronym: str, most: str, per_unit: float, size: int) -> Encoder:
    """`per_unit` steps a unit or, where PID 4F or 50 gives a maximum, all steps up to that."""

    def encoder(readings: Readings) -> bytes:
        given = _most(readings, most)
        steps = (256**size - 1) / given if given else per_unit
        return whole(readings.get(acronym, NAN), steps, 0, size)

    return encoder


def _lambda_part(acronym: str) -> Encoder:
    """Equivalence ratio, 2 / 65536 a step (PID 24 to 2B, 34 to 3B, 44)."""
    return _scaled(acronym, "LAMBDA_MAX", 65536 / 2, 2)


def _narrow(sensor: str) -> Encoder:
    """PID 14 to 1B: volts at 1/200 V a step; trim, 0xFF where the sensor is not used for it."""

    def trim_part(readings: Readings) -> bytes:
        value = readings.get(f"SHRTFT{sensor}", NAN)
        return b"\xff" if math.isnan(value) else min(trim(value), b"\xfe")

    return _pair(_number(f"O2S{sensor}", 200), trim_part)


def _wide_volts(sensor: str, pid: int) -> Encoder:
    """PID 24 to 2B: lambda, then 8 / 65536 V a step."""
    volts = _scaled(f"O2S{sensor}_{pid:02X}", "O2S_V_MAX", 65536 / 8, 2)
    return _pair(_lambda_part(f"LAMBDA{sensor}"), volts)


def _wide_current(sensor: str, pid: int) -> Encoder:
    """PID 34 to 3B: lambda, then 1/256 mA a step (or maximum / 32768), 0 at 0x8000."""

    def current(readings: Readings) -> bytes:
        most = _most(readings, "O2S_I_MAX") or 128.0
        value = readings.get(f"O2S{sensor}_{pid:02X}", NAN)
        return whole(value, 32768 / most, most, 2)

    return _pair(_lambda_part(f"LAMBDA{sensor}_{pid:02X}"), current)


def _maxima(readings: Readings) -> bytes:
    """PID 4F: maxima of lambda, oxygen sensor volts and mA, and manifold pressure in 10 kPa."""
    whole_units = ("LAMBDA_MAX", "O2S_V_MAX", "O2S_I_MAX")
    data = b"".join(whole(_most(readings, acronym), 1) for acronym in whole_units)
    return data + whole(_most(readings, "MAP_MAX"), 1 / 10)


_SPARK = ("CAT", "HCAT", "EVAP", "AIR", "ACRF", "O2S", "HTR", "EGR")
_COMPRESSION = ("HCCAT", "NCAT", "", "BP", "", "EGS", "PM", "EGR")
"""Monitors of bytes C and D, bit 0 first, for spark and for compression ignition."""


def _monitors(readings: Readings, kind: str, has: str, done: str) -> bytes:
    """Bytes B to D of PID 01 and 41; `has` and `done` are the endings of the acronyms."""
    ci = _bit(readings, kind)
    names = (_COMPRESSION if ci else _SPARK)[::-1]
    continuous = ("CCM", "FUEL", "MIS")
    byte_b = _bits(readings, *(f"{name}_{done}" for name in continuous)) << 4
    byte_b |= ci << 3 | _bits(readings, *(f"{name}_{has}" for name in continuous))
    return bytes(
        (
            byte_b,
            _bits(readings, *(name and f"{name}_{has}" for name in names)),
            _bits(readings, *(name and f"{name}_{done}" for name in names)),
        )
    )


def _monitor_status(readings: Readings) -> bytes:
    """PID 01. The bits of `…_RDY` stand as they are sent: 1 while a monitor is not complete."""
    count = _clip(_or_zero(readings.get("DTC_CNT", 0.0)), 0, 127)
    lamp = bytes((_bit(readings, "MIL") << 7 | count,))
    return lamp + _monitors(readings, "CI_SUP", "SUP", "RDY")


def _present(readings: Readings, *acronyms: str) -> int:
    """Support bits of a PID of several parts: bit 0 for the first that has a reading."""
    return sum(
        1 << bit
        for bit, acronym in enumerate(acronyms)
        if not math.isnan(readings.get(acronym, NAN))
    )


Part = Callable[[float], bytes]


def _mixed(*parts: tuple[str, Part]) -> Encoder:
    """Byte A says which parts are supported, then the parts; those without a reading are 0."""

    def encoder(readings: Readings) -> bytes:
        data = bytes((_present(readings, *(acronym for acronym, _ in parts)),))
        for acronym, how in parts:
            value = readings.get(acronym, NAN)
            part = how(0.0 if math.isnan(value) else value)
            data += bytes(len(part)) if math.isnan(value) else part
        return data

    return encoder


def _parts(how: Part, *acronyms: str) -> Encoder:
    """The same of parts of one kind."""
    return _mixed(*((acronym, how) for acronym in acronyms))


def _part(per_unit: float, offset: float = 0.0, size: int = 2) -> Part:
    return lambda value: whole(value, per_unit, offset, size)


PERCENT, HOT, TENS, SECONDS = _part(2.55, size=1), _part(10, 40), _part(1 / 10), _part(1, size=4)
"""100 % in 255 steps; -40 to 6513.5 degC; steps of ten; whole seconds in four bytes."""


def _banks(stem: str, first: int = 1, last: int = 2) -> tuple[str, ...]:
    """Acronyms of both banks, sensor by sensor."""
    return tuple(f"{stem}{bank}{n}" for bank in (1, 2) for n in range(first, last + 1))


def _filter(bank: int) -> Encoder:
    """PID 7A and 7B: pressure over a particulate filter, signed, then before and behind it."""
    inlet = f"DPF{bank}_INP", f"DPF{bank}_OUTP"
    return _mixed(
        (f"DPF{bank}_DP", lambda value: twos(value, 100)), *((name, _part(100)) for name in inlet)
    )


def _turbo(which: str) -> Encoder:
    """PID 75 and 76: before and behind the compressor, then the turbine."""
    cool = ((f"TC{which}_{place}", temperature) for place in ("CINT", "COUTT"))
    return _mixed(*cool, *((f"TC{which}_{place}", HOT) for place in ("TINT", "TOUTT")))


def _oxygen(pid: int, first: int) -> Encoder:
    """PID 8C and 9C: share of oxygen of four sensors, then their lambda, 8 / 65536 a step."""
    shares = _banks("O2S", first, first + 1)
    ratios = _banks("LAMBDA", first, first + 1)
    return _mixed(
        *((f"{name}_PCT", _part(1 / 0.001526)) for name in shares),
        *((f"{name}_{pid:02X}", _part(65536 / 8)) for name in ratios),
    )


def _rail(which: str) -> tuple[tuple[str, Part], ...]:
    """Half of PID 6D: commanded and actual pressure of a rail, and its temperature."""
    names = f"FRP_{which}_CMD", f"FRP_{which}"
    return *((name, TENS) for name in names), (f"FRT_{which}", temperature)


def _egr(which: str) -> tuple[tuple[str, Part], ...]:
    """Half of PID 69: commanded and actual position, and the error."""
    names = f"EGR_{which}_CMD", f"EGR_{which}_ACT"
    return *((name, PERCENT) for name in names), (f"EGR_{which}_ERR", trim)


def _ranged(narrow: Part, wide: Part, *acronyms: str) -> Encoder:
    """PID 6B and 6F: one byte a sensor. The upper support bits stand for the sensors whose reading
    is given in the wide range (acronym with WR)."""

    def encoder(readings: Readings) -> bytes:
        bits, data = 0, b""
        for k, acronym in enumerate(acronyms):
            stem, _, place = acronym.partition("_")
            wider = readings.get(f"{stem}WR_{place}" if place else f"{stem}WR", NAN)
            value = readings.get(acronym, NAN) if math.isnan(wider) else wider
            if not math.isnan(value):
                bits |= 1 << (k if math.isnan(wider) else k + len(acronyms))
            data += (narrow if math.isnan(wider) else wide)(_or_zero(value))
        return bytes((bits,)) + data

    return encoder


def _controlled(how: Part, stem: str) -> Encoder:
    """PID 70 and 71: commanded, actual and control status of two chargers; the support bits count
    charger by charger, both states share the last byte."""
    both = [[f"{stem}_{which}_{what}" for what in ("CMD", "ACT", "STAT")] for which in "AB"]

    def encoder(readings: Readings) -> bytes:
        values = [_or_zero(readings.get(name, NAN)) for names in both for name in names[:2]]
        states = [int(_or_zero(readings.get(names[2], NAN))) & 3 for names in both]
        data = b"".join(how(value) for value in values)
        return bytes((_present(readings, *both[0], *both[1]), *data, states[1] << 2 | states[0]))

    return encoder


def _reagent() -> Encoder:
    """PID 85: consumption, what was demanded, level, time in warning mode."""
    rates = (("REAG_RATE", _part(200)), ("REAG_DEMD", _part(200)))
    return _mixed(*rates, ("REAG_LVL", PERCENT), ("NWI_TIME", SECONDS))


def _status_65(readings: Readings) -> bytes:
    """PID 65: support bits, then power take-off, gearboxes, glow plug lamp, recommended gear."""
    flags = ("PTO_STAT_65", "ND_STAT", "NG_STAT", "GPL_STAT")
    gear = _clip(_or_zero(readings.get("GEAR_RCMD", NAN)), 0, 15)
    present = _present(readings, *flags, "GEAR_RCMD")
    return bytes((present, gear << 4 | _bits(readings, *flags[::-1])))


def _regeneration() -> Encoder:
    """PID 8B: flags of filter and adsorber, load, mean time and distance between regenerations."""
    flags = ("DPF_REGEN", "DPF_REGEN_TYP", "NOX_ADS_REGEN", "NOX_ADS_DESULF")
    means = ("DPF_REGEN_AVGT", "DPF_REGEN_AVGD")

    def encoder(readings: Readings) -> bytes:
        head = (_present(readings, *flags, "DPF_REGEN_PCT", *means), _bits(readings, *flags[::-1]))
        data = bytes(head) + whole(_or_zero(readings.get("DPF_REGEN_PCT", NAN)), 2.55)
        return data + b"".join(whole(_or_zero(readings.get(name, NAN)), 1, 0, 2) for name in means)

    return encoder


def _gear(readings: Readings) -> bytes:
    """PID A4: support bits, gear in the upper half of byte B (0 neutral), ratio / 0.001."""
    gear = readings.get("GEAR_ACT", NAN)
    ratio = readings.get("GEAR_RATIO", NAN)
    low = 0 if math.isnan(gear) else _clip(gear, 0, 15) << 4
    return bytes((_present(readings, "GEAR_ACT", "GEAR_RATIO"), low)) + whole(
        _or_zero(ratio), 1000, 0, 2
    )


_SENSORS = ("11", "12", "13", "14", "21", "22", "23", "24")
_SENSORS_FOUR_BANKS = ("11_1D", "12_1D", "21_1D", "22_1D", "31", "32", "41", "42")

_ENCODERS: dict[int, Encoder] = {
    **{int(row["pid"], 16): _plain(row) for row in rows("encode.csv")},
    0x01: _monitor_status,
    0x03: _pair(_mask("FUELSYS1"), _mask("FUELSYS2")),
    0x0B: _scaled("MAP", "MAP_MAX", 1, 1),
    0x10: _scaled("MAF", "MAF_MAX", 100, 2),
    0x12: _mask("AIR_STAT"),
    0x13: _flags(*(f"O2SLOC{sensor}" for sensor in _SENSORS)),
    **{0x14 + n: _narrow(sensor) for n, sensor in enumerate(_SENSORS)},
    0x1C: _mask("OBDSUP"),
    0x1D: _flags(*(f"O2SLOC{sensor}" for sensor in _SENSORS_FOUR_BANKS)),
    0x1E: _mask("PTO_STAT"),
    **{0x24 + n: _wide_volts(sensor, 0x24 + n) for n, sensor in enumerate(_SENSORS)},
    0x32: lambda readings: twos(readings.get("EVAP_VP", NAN), 4),
    **{0x34 + n: _wide_current(sensor, 0x34 + n) for n, sensor in enumerate(_SENSORS)},
    # enabled, and not completed, this driving cycle; byte A is 0
    0x41: lambda readings: b"\x00" + _monitors(readings, "CI_SUP_41", "ENA", "CMPL"),
    0x44: _lambda_part("LAMBDA"),
    0x4F: _maxima,
    0x50: lambda readings: whole(_most(readings, "MAF_MAX"), 1 / 10) + bytes(3),
    0x51: _mask("FUEL_TYP"),
    0x65: _status_65,
    0x66: _parts(_part(32), "MAFA", "MAFB"),
    0x67: _parts(temperature, "ECT1", "ECT2"),
    0x68: _parts(temperature, "IAT11", "IAT12", "IAT13", "IAT21", "IAT22", "IAT23"),
    0x69: _mixed(*_egr("A"), *_egr("B")),
    0x6A: _parts(PERCENT, "IAF_A_CMD", "IAF_A_REL", "IAF_B_CMD", "IAF_B_REL"),
    0x6B: _ranged(temperature, _part(1 / 4, 40, 1), *_banks("EGRT")),
    0x6C: _parts(PERCENT, "TAC_A_CMD", "TP_A_REL", "TAC_B_CMD", "TP_B_REL"),
    0x6D: _mixed(*_rail("A"), *_rail("B")),
    0x6E: _parts(TENS, "ICP_A_CMD", "ICP_A", "ICP_B_CMD", "ICP_B"),
    0x6F: _ranged(_part(1, size=1), _part(1 / 8, size=1), "TCA_CINP", "TCB_CINP"),
    0x70: _controlled(_part(32), "BP"),
    0x71: _controlled(PERCENT, "VGT"),
    0x72: _parts(PERCENT, "WG_A_CMD", "WG_A_ACT", "WG_B_CMD", "WG_B_ACT"),
    0x73: _parts(_part(100), "EP_1", "EP_2"),
    0x74: _parts(TENS, "TCA_RPM", "TCB_RPM"),
    0x75: _turbo("A"),
    0x76: _turbo("B"),
    0x77: _parts(temperature, *_banks("CACT")),
    0x78: _parts(HOT, *(f"EGT1{n}" for n in range(1, 5))),
    0x79: _parts(HOT, *(f"EGT2{n}" for n in range(1, 5))),
    0x7A: _filter(1),
    0x7B: _filter(2),
    0x7C: _parts(HOT, "DPF1_INT", "DPF1_OUTT", "DPF2_INT", "DPF2_OUTT"),
    0x7F: _parts(SECONDS, "ENG_RUN_TIME", "IDLE_TIME", "PTO_TIME"),
    0x83: _parts(_part(1), *_banks("NOX")),
    0x85: _reagent(),
    0x86: _parts(_part(80), "PM11", "PM21"),
    0x87: _parts(_part(32), "MAP_A", "MAP_B"),
    0x8B: _regeneration(),
    0x8C: _oxygen(0x8C, 1),
    0x98: _parts(HOT, *(f"EGT1{n}" for n in range(5, 9))),
    0x99: _parts(HOT, *(f"EGT2{n}" for n in range(5, 9))),
    0x9C: _oxygen(0x9C, 3),
    0x9D: _pair(_number("ENG_FUEL_RATE", 50, 0, 2), _number("VEH_FUEL_RATE", 50, 0, 2)),
    0xA4: _gear,
}

PIDS = frozenset(_ENCODERS)
"""Service 01 PIDs that can be encoded, without those that list the supported ones."""


def encode(pid: int, readings: Readings) -> bytes:
    """The data bytes of `pid`, without service and PID byte; `KeyError` for one not in `PIDS`."""
    return _ENCODERS[pid](readings)


def supported_map(base: int, pids: frozenset[int]) -> bytes:
    """Data bytes of PID `base` (0x00, 0x20, …): which of the 32 that follow are answered.

    The most significant bit of byte A stands for `base` + 1. The last bit, the next list, is set
    when anything beyond it is supported.
    """
    answered = set(pids)
    if any(pid > base + 0x20 for pid in pids):
        answered.add(base + 0x20)
    number = 0
    for pid in range(base + 1, base + 0x21):
        number = number << 1 | (pid in answered)
    return number.to_bytes(4, "big")
