"""What a signal is: one physical quantity that an ECU reports under a Service 01 PID."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Kind = Literal["number", "enumeration", "flag"]


@dataclass(frozen=True, slots=True)
class Signal:
    """One row of the Service 01 table.

    `value = raw * scale + offset`, where `raw` is `bits` bits wide, starts `first_bit` bits into
    the data bytes of the PID (bit 0 is the most significant bit of byte A) and is big-endian,
    two's complement when `signed`. A `raw` equal to `not_used` decodes to NaN.
    """

    acronym: str
    """Unique key, upper case: the SAE J1979 acronym (`RPM`); where a second PID carries the same
    quantity, the acronym with the PID in hex (`FRP_22`)."""
    standard: str
    """The acronym as the standard gives it; the same for `FRP` and `FRP_22`."""
    name: str
    pid: int
    length: int
    """Data bytes of the whole PID."""
    first_bit: int
    bits: int
    signed: bool
    scale: float
    offset: float
    unit: str
    """`rpm`, `km/h`, `%`, `degC`, `kPa`, `g/s`, `V`, `mA`, `s`, `min`, `km`, `deg`, `Nm`, `L/h`."""
    minimum: float
    maximum: float
    kind: Kind
    labels: tuple[tuple[int, str], ...] = ()
    """For enumerations and flags: raw value and its text, in the standard's words."""
    not_used: int | None = None
    present_bit: int | None = None
    """Bit (same numbering as `first_bit`) that says whether the ECU supports this part of the PID;
    when it is 0 the value is NaN. None: always present."""
    absent_bit: int | None = None
    """The opposite of `present_bit`: when that bit is 1 the value is NaN. PID 0x01 and 0x41 use one
    bit for different monitors, by the kind of ignition."""
    override: str = ""
    """Which scaling of PID 0x4F or 0x50 applies: `lambda`, `o2_voltage`, `o2_current`, `map`,
    `maf`, or ``."""
    rate_hz: float = 1.0
    """How often it is asked for when nobody has said (common practice, no source): 10 for what
    moves within a second (an oxygen sensor's switching needs more than 6 samples a second), 2 for
    what moves within ten (long term trims, voltage, EGR, purge), 1 for status words, 0.5 for
    temperatures, levels, counters and facts of the car."""


@dataclass(frozen=True, slots=True)
class Scaling:
    """Maximum values from PID 0x4F and 0x50; 0 means the default scaling of the table."""

    lambda_max: float = 0.0
    o2_voltage_max_v: float = 0.0
    o2_current_max_ma: float = 0.0
    map_max_kpa: float = 0.0
    maf_max_g_s: float = 0.0
