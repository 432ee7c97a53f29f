"""The Service 01 table: `service01.csv` read into `Signal`s, and what belongs together in it.

Columns of the file, beside the obvious ones: `pid` in hex; `bytes`, the data bytes of the whole
PID; `at`, where the field begins in the standard's notation (`A`: most significant bit of byte A,
`AA` comes after `Z`; `B3`: bit 3 of byte B, bit 0 being the least significant); `scale` may be a
fraction (`100/255`); `labels` names a table of `labels.toml`; `present` and `absent` are bits in
the same notation as `at`; `override` says which scaling of PID 0x4F or 0x50 applies; `hz` is how
often the signal is asked for when nobody has said.

Source of the definitions: SAE J1979 appendix B / SAE J1979-DA, from memory, cross-checked byte by
byte against python-OBD where that has a decoder; PIDs from 0x65 on, field by field against
published layouts (tests/signals). What is left out, and why, is in docs/signals.md. PID 0x06 to
0x09 grow a second byte in cars with a third bank, which are not supported.
"""

from __future__ import annotations

import csv
import difflib
import functools
import tomllib
from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

from logbench.errors import SignalUnknownError

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

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
    """`rpm`, `km/h`, `%`, `degC`, `kPa`, `Pa`, `g/s`, `V`, `mA`, `s`, `min`, `h`, `km`, `deg`,
    `Nm`, `L/h`, `ppm`, `mg/m3`, `mg/stroke`."""
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

    def can_be(self, values: npt.NDArray[np.float64], spare: float) -> npt.NDArray[np.bool_]:
        """Which values its bytes can hold, `spare` beyond each end allowed; none that is NaN."""
        return (values >= self.minimum - spare) & (values <= self.maximum + spare)


SUPPORTED_PIDS = tuple(range(0x00, 0x100, 0x20))
"""The PIDs that only say which of the next 32 are supported; four data bytes each, no signals."""

_KINDS: dict[str, Kind] = {"number": "number", "enumeration": "enumeration", "flag": "flag"}


class SignalTable:
    """All signals that are known, in order of PID. Made by `table()`; never changed."""

    def __init__(self, signals: Iterable[Signal]) -> None:
        self._signals = tuple(signals)
        self._by_acronym = {signal.acronym: signal for signal in self._signals}
        by_pid: dict[int, list[Signal]] = {}
        by_standard: dict[str, list[Signal]] = {}
        for signal in self._signals:
            by_pid.setdefault(signal.pid, []).append(signal)
            by_standard.setdefault(signal.standard, []).append(signal)
        self._by_pid = {pid: tuple(group) for pid, group in by_pid.items()}
        self._by_standard = {name: tuple(group) for name, group in by_standard.items()}
        lengths = dict.fromkeys(SUPPORTED_PIDS, 4)
        lengths.update((signal.pid, signal.length) for signal in self._signals)
        self.lengths = MappingProxyType(lengths)
        """PID to number of data bytes, for `decoding.split`; 'supported' PIDs included."""

    def __iter__(self) -> Iterator[Signal]:
        return iter(self._signals)

    def __len__(self) -> int:
        return len(self._signals)

    def __contains__(self, acronym: object) -> bool:
        return acronym in self._by_acronym

    @property
    def pids(self) -> tuple[int, ...]:
        """PIDs that carry signals, ascending; the 'supported' PIDs (0x00, 0x20 …) are not here."""
        return tuple(self._by_pid)

    def by_acronym(self, acronym: str) -> Signal:
        """The signal of that acronym, in any case of letters.

        Raises `SignalUnknownError`, which names near ones.
        """
        signal = self._by_acronym.get(acronym) or self._by_acronym.get(acronym.strip().upper())
        if signal is None:
            near = self.near(acronym)
            hint = f"did you mean {', '.join(near)}?" if near else "give an acronym such as RPM."
            raise SignalUnknownError(f"There is no signal {acronym!r} in the table; {hint}")
        return signal

    def of_pid(self, pid: int) -> tuple[Signal, ...]:
        """The signals that a PID carries, in order of their place; empty for an unknown PID."""
        return self._by_pid.get(pid, ())

    def alternatives(self, standard: str) -> tuple[Signal, ...]:
        """All signals with the same acronym in the standard (`FRP`: FRP, FRP_22, FRP_23, FRP_59),
        in order of PID; empty when there is none."""
        return self._by_standard.get(standard, ())

    def near(self, text: str) -> list[str]:
        """At most five acronyms that `text` may have meant: by spelling, then by words of the
        name."""
        wanted = text.strip().upper()
        found = difflib.get_close_matches(wanted, self._by_acronym, n=5, cutoff=0.6)
        if len(wanted) >= 3:
            found += [s.acronym for s in self._signals if wanted in s.name.upper()]
            found += [s.acronym for s in self._signals if wanted in s.acronym]
        return list(dict.fromkeys(found))[:5]


@functools.cache
def table() -> SignalTable:
    """The table, read once per process."""
    folder = Path(__file__).parent
    labels = {
        name: tuple((int(raw), text) for raw, text in texts.items())
        for name, texts in tomllib.loads((folder / "labels.toml").read_text("utf-8")).items()
    }
    lines = (folder / "service01.csv").read_text("utf-8").splitlines()
    return SignalTable(_signal(row, labels) for row in csv.DictReader(lines))


def _signal(row: dict[str, str], labels: Mapping[str, tuple[tuple[int, str], ...]]) -> Signal:
    return Signal(
        acronym=row["acronym"],
        standard=row["standard"],
        name=row["name"],
        pid=int(row["pid"], 16),
        length=int(row["bytes"]),
        first_bit=_bit(row["at"]),
        bits=int(row["bits"]),
        signed=row["signed"] == "1",
        scale=_fraction(row["scale"]),
        offset=_fraction(row["offset"]),
        unit=row["unit"],
        minimum=float(row["minimum"]),
        maximum=float(row["maximum"]),
        kind=_KINDS[row["kind"]],
        labels=labels[row["labels"]] if row["labels"] else (),
        not_used=int(row["not_used"]) if row["not_used"] else None,
        present_bit=_bit(row["present"]) if row["present"] else None,
        absent_bit=_bit(row["absent"]) if row["absent"] else None,
        override=row["override"],
        rate_hz=float(row["hz"]),
    )


def _bit(place: str) -> int:
    """`A` → 0, `A7` → 0, `A0` → 7, `B` → 8, `AA` → 208: the standard's notation as
    `Signal.first_bit`."""
    letters = place.rstrip("01234567")
    byte = 0
    for letter in letters:
        byte = 26 * byte + ord(letter) - ord("A") + 1
    return 8 * (byte - 1) + 7 - int(place[len(letters) :] or 7)


def _fraction(text: str) -> float:
    over, _, under = text.partition("/")
    return float(over) / float(under or 1)


# --- signals that belong together ---

_DATA = tomllib.loads(Path(__file__).with_name("groups.toml").read_text("utf-8"))
TOGETHER: tuple[tuple[int, ...], ...] = tuple(map(tuple, _DATA["together"]))
"""PIDs that are worth sharing a request and so a time stamp, most important first in each group."""
PURPOSES: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {purpose: tuple(acronyms) for purpose, acronyms in _DATA["purposes"].items()}
)
"""What to record for a purpose, most important first; a car supports only some of each."""


def supported_signals(
    acronyms: Collection[str], supported: Collection[int]
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The acronyms whose PID a car supports, and those whose it does not; order kept.

    Raises `SignalUnknownError` for an acronym that is not in the table.
    """
    known = table()
    have = tuple(a for a in acronyms if known.by_acronym(a).pid in supported)
    return have, tuple(a for a in acronyms if a not in have)


OF_SPARK = frozenset({0x06, 0x07, 0x08, 0x09, 0x0E})
"""Trims and ignition timing: PIDs of spark ignition alone. [Pub: SAE J1979]"""


def default_signals(supported: Collection[int]) -> tuple[str, ...]:
    """What to record when nobody has chosen: enough for the checks of its kind of engine. One that
    reports neither timing nor trims is taken for compression ignition.

    `supported`: Service 01 PIDs of the engine ECU. Returns about a dozen acronyms (at most 21), in
    order of importance; empty when the car supports none of them.
    """
    known = table()
    chosen: list[str] = []
    spark = bool(OF_SPARK & set(supported))
    for choices in _DATA["default" if spark else "default_compression"]:
        have = next((a for a in choices if known.by_acronym(a).pid in supported), None)
        if have is not None:
            chosen.append(have)
    return tuple(chosen)
