"""The Service 01 table: `service01.csv` read into `Signal`s.

Columns of the file, beside the obvious ones: `pid` in hex; `bytes`, the data bytes of the whole
PID; `at`, where the field begins in the standard's notation (`A`: most significant bit of byte A;
`B3`: bit 3 of byte B, bit 0 being the least significant); `scale` may be a fraction (`100/255`);
`labels` names a table of `labels.toml`; `present` and `absent` are bits in the same notation as
`at`; `override` says which scaling of PID 0x4F or 0x50 applies; `hz` is how often the signal is
asked for when nobody has said.

Source of the definitions: SAE J1979 appendix B / SAE J1979-DA, from memory, cross-checked byte by
byte against python-OBD where that has a decoder (tests/signals). PID 0x06 to 0x09 grow a second
byte in cars with a third bank, which are not supported.
"""

from __future__ import annotations

import csv
import difflib
import functools
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from types import MappingProxyType

from logbench.errors import SignalUnknownError
from logbench.signals.model import Kind, Signal

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
        self._lengths = MappingProxyType(lengths)

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

    def length(self, pid: int) -> int:
        """Number of data bytes of a PID, 'supported' PIDs included.

        Raises `SignalUnknownError` for a PID that is not in the table.
        """
        length = self._lengths.get(pid)
        if length is None:
            raise SignalUnknownError(
                f"PID 0x{pid:02X} is not in the table, so it cannot be asked for; "
                "choose a signal that is."
            )
        return length

    def lengths(self) -> Mapping[int, int]:
        """PID to number of data bytes, for `decoding.split`; 'supported' PIDs included."""
        return self._lengths

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
    """`A` → 0, `A7` → 0, `A0` → 7, `B` → 8: the standard's notation as `Signal.first_bit`."""
    return 8 * (ord(place[0]) - ord("A")) + 7 - int(place[1:] or 7)


def _fraction(text: str) -> float:
    over, _, under = text.partition("/")
    return float(over) / float(under or 1)
