"""Faults put into real, healthy drives: where the data show one, is it found, and the odd signal
named?

    python -m tests.analysis.injected --data ../shared/data [--faults frozen,pedal] [--misses]

Reads every drive below `road-1hz` and `road-repeats` through the importer, puts one fault after the
other into the rows as their logger would have written it, runs all checks, and prints a table. A
fault counts where the unchanged rows say that it shows; it is found by a `watch` or `act` of a
subject that was less severe before, and named where that finding, or a sentence that something was
left out, names the signal.
"""

from __future__ import annotations

import argparse
import gzip
import re
import tempfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from logbench.analysis.model import Finding
from logbench.analysis.run import run_checks
from logbench.importing.run import read_file
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from logbench.recording.renewal import renewals

Values = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

FROZEN_FROM = 0.25
DROPPED_SHARE = 0.03
HUNTING_RPM, HUNTING_S = 100.0, 4.0


class Rows:
    """The rows of one imported drive: one value of each signal in each row, `t_s` their times."""

    def __init__(self, name: str, traces: tuple[Trace, ...], facts: Facts) -> None:
        self.name = name
        self.facts = facts
        self.traces = {trace.signal: trace for trace in traces}
        self.rpm = self.traces["RPM"]
        self.t_s = self.rpm.t_s
        self.step_s = np.append(np.minimum(np.diff(self.t_s), 5.0), 0.0)

    def __contains__(self, signal: str) -> bool:
        return signal in self.traces

    def of(self, signal: str) -> Values:
        """Values of a signal in every row; NaN throughout where it is not recorded."""
        trace = self.traces.get(signal)
        if trace is None:
            return np.full(len(self.t_s), np.nan)
        place = np.searchsorted(trace.t_ns, self.rpm.t_ns, side="right") - 1
        return np.where(place >= 0, trace.value[np.maximum(place, 0)], np.nan)

    def seconds(self, where: Mask) -> float:
        """How long something holds."""
        return float(self.step_s[where].sum())

    @property
    def running(self) -> Mask:
        return self.of("RPM") > 450.0

    @property
    def idle(self) -> Mask:
        """Warm, standing, foot off, a minute after the start."""
        ran = np.cumsum(np.where(self.running, self.step_s, 0.0)) > 60.0
        still = np.nan_to_num(self.of("VSS")) < 1.0
        return ran & still & (self.of("ECT") >= 70.0) & self.running & (self.of("RPM") < 1100.0)

    @property
    def load(self) -> Mask:
        """Warm and pulling: in closed loop, by the load."""
        warm = self.of("ECT") >= 70.0
        return warm & self.running & (self.of("LOAD_PCT") >= 50.0) & (self.of("VSS") > 10.0)

    @property
    def after(self) -> Mask:
        """The rows from which on something is frozen."""
        return self.t_s >= self.t_s[0] + FROZEN_FROM * (self.t_s[-1] - self.t_s[0])

    def replaced(self, **values: Values) -> Recording:
        """The drive with other values of some signals."""
        changed = [
            replace(t, value=values[n]) if n in values else t for n, t in self.traces.items()
        ]
        return Recording.of(changed, self.facts)

    def read_rows(self, signal: str) -> npt.NDArray[np.intp]:
        """For every sample of a signal its reading, numbered."""
        names = list(self.traces)
        read = renewals(list(self.traces.values()))[names.index(signal)].rows
        return np.searchsorted(read, np.arange(len(self.traces[signal])), side="right") - 1


@dataclass(frozen=True)
class Fault:
    """`put` makes the recording that has it; `shows` says from the healthy rows whether anybody
    could see it, in `where`; `named` is looked for in what is found."""

    name: str
    where: str
    needs: tuple[str, ...]
    put: Callable[[Rows], Recording]
    shows: Callable[[Rows], bool]
    named: str


def _trim(where: Callable[[Rows], Mask], points: float) -> Callable[[Rows], Recording]:
    def put(rows: Rows) -> Recording:
        raised = rows.of("LONGFT1") + np.where(where(rows), points, 0.0)
        return rows.replaced(LONGFT1=np.minimum(raised, 99.2))

    return put


def _added(
    signal: str, amount: float, where: Callable[[Rows], Mask]
) -> Callable[[Rows], Recording]:
    return lambda rows: rows.replaced(
        **{signal: rows.of(signal) + np.where(where(rows), amount, 0.0)}
    )


def _frozen(signal: str) -> Callable[[Rows], Recording]:
    def put(rows: Rows) -> Recording:
        values, after = rows.of(signal), rows.after
        return rows.replaced(**{signal: np.where(after, values[int(np.argmax(after))], values)})

    return put


def _moved(signal: str, least: float, seconds: float) -> Callable[[Rows], bool]:
    """Whether the true one was at least so far from where it froze, for so long."""

    def shows(rows: Rows) -> bool:
        values, after = rows.of(signal), rows.after & rows.running
        away = np.abs(values - values[int(np.argmax(rows.after))]) >= least
        return rows.seconds(after & away) >= seconds

    return shows


def _trim_moved(rows: Rows) -> bool:
    """A minute of warm running, in which the true one took at least five values."""
    part = rows.after & rows.running & (rows.of("ECT") >= 60.0)
    return rows.seconds(part) >= 60.0 and len(np.unique(rows.of("SHRTFT1")[part])) >= 5


def _dropped(signal: str, value: float) -> Callable[[Rows], Recording]:
    def put(rows: Rows) -> Recording:
        rng = np.random.default_rng(zlib.crc32(f"{rows.name} {signal}".encode()))
        reading = rows.read_rows(signal)
        lost = rng.random(int(reading.max()) + 1) < DROPPED_SHARE
        values = rows.traces[signal].value
        return rows.replaced(**{signal: np.where(lost[reading], value, values)})

    return put


def _hunting(rows: Rows) -> Recording:
    values = rows.traces["RPM"].value
    reading = rows.read_rows("RPM")
    first = np.searchsorted(reading, np.arange(int(reading.max()) + 1))
    wave = HUNTING_RPM * np.sin(2.0 * np.pi * rows.t_s[first] / HUNTING_S)
    return rows.replaced(RPM=values + np.where(rows.idle, wave[reading], 0.0))


def _charging(rows: Rows) -> Recording:
    values, running = rows.of("VPWR"), rows.running
    low = 12.6 + 0.3 * (values - np.median(values[running]))
    return rows.replaced(VPWR=np.where(running, low, values))


def _parted(how: Callable[[Rows, Values], Values]) -> Callable[[Rows], Recording]:
    """The second pedal sensor away from the first by `how` many points, at most six."""

    def put(rows: Rows) -> Recording:
        pedal = rows.of("APP_D")
        travel = (pedal - np.nanmin(pedal)) / max(float(np.ptp(pedal)), 1e-9)
        return rows.replaced(APP_E=rows.of("APP_E") + how(rows, travel))

    return put


def _over_time(rows: Rows, travel: Values) -> Values:
    return 6.0 * (rows.t_s - rows.t_s[0]) / (rows.t_s[-1] - rows.t_s[0])


def _seconds(where: Callable[[Rows], Mask], least: float) -> Callable[[Rows], bool]:
    return lambda rows: rows.seconds(where(rows)) >= least


def _everywhere(rows: Rows) -> Mask:
    return np.ones(len(rows.t_s), dtype=bool)


def _running(rows: Rows) -> Mask:
    return rows.running


def _engine_off(rows: Rows) -> bool:
    """A reading of the manifold pressure with the engine off before the start."""
    before = ~np.maximum.accumulate(rows.running) & (rows.of("MAP") > 90.0)
    reading = rows.read_rows("MAP")
    return len(np.unique(reading[before])) >= 1


def _pedal_moved(rows: Rows) -> bool:
    return float(np.ptp(rows.of("APP_D"))) >= 10.0


def _driven(rows: Rows) -> bool:
    """A minute of driving."""
    return rows.seconds(rows.of("VSS") > 10.0) >= 60.0


TRIMS = ("LONGFT1", "SHRTFT1", "ECT")
TRIM_WORDS = r"trim|bank 1"
FAULTS: tuple[Fault, ...] = (
    *(
        fault
        for points in (20.0, 14.0)
        for fault in (
            Fault(
                f"trims raised by {points:.0f} at idle",
                "30 s of warm idle",
                TRIMS,
                _trim(lambda rows: rows.idle, points),
                _seconds(lambda rows: rows.idle, 30.0),
                TRIM_WORDS,
            ),
            Fault(
                f"trims raised by {points:.0f} under load",
                "20 s at 50 % load or more, warm",
                (*TRIMS, "LOAD_PCT"),
                _trim(lambda rows: rows.load, points),
                _seconds(lambda rows: rows.load, 20.0),
                TRIM_WORDS,
            ),
            Fault(
                f"trims raised by {points:.0f} everywhere",
                "60 s of running warm",
                TRIMS,
                _trim(_running, points),
                _seconds(lambda rows: rows.running & (rows.of("ECT") >= 70.0), 60.0),
                TRIM_WORDS,
            ),
        )
    ),
    Fault(
        "ECT 12 K low",
        "180 s above 80 degC",
        ("ECT",),
        _added("ECT", -12.0, _everywhere),
        _seconds(lambda rows: rows.running & (rows.of("ECT") >= 80.0), 180.0),
        r"ECT|[Cc]oolant|warm-up",
    ),
    Fault(
        "charging at 12.6 V",
        "60 s of running",
        ("VPWR",),
        _charging,
        _seconds(_running, 60.0),
        r"[Cc]harging|VPWR",
    ),
    Fault(
        "MAP 10 kPa high",
        "a reading before the start",
        ("MAP", "BARO"),
        _added("MAP", 10.0, _everywhere),
        _engine_off,
        "MAP",
    ),
    *(
        Fault(f"{signal} frozen", where, (signal,), _frozen(signal), shows, signal)
        for signal, where, shows in (
            ("ECT", "30 s at 5 K or more from there", _moved("ECT", 5.0, 30.0)),
            ("IAT", "30 s at 3 K or more from there", _moved("IAT", 3.0, 30.0)),
            ("VSS", "30 s at 10 km/h or more from there", _moved("VSS", 10.0, 30.0)),
            ("SHRTFT1", "60 s warm, five values", _trim_moved),
            ("MAP", "30 s at 5 kPa or more from there", _moved("MAP", 5.0, 30.0)),
        )
    ),
    Fault(
        "ECT drops out to -40",
        "everywhere",
        ("ECT",),
        _dropped("ECT", -40.0),
        _seconds(_running, 60.0),
        "ECT",
    ),
    Fault(
        "VSS drops out to 0", "a minute of driving", ("VSS",), _dropped("VSS", 0.0), _driven, "VSS"
    ),
    Fault(
        "idle hunts by 100 rpm",
        "30 s of warm idle",
        ("RPM", "ECT"),
        _hunting,
        _seconds(lambda rows: rows.idle, 30.0),
        r"[Ii]dle",
    ),
    *(
        Fault(
            f"pedal pair parts by 6 points {how}",
            "travel of 10",
            ("APP_D", "APP_E"),
            put,
            _pedal_moved,
            "APP_E",
        )
        for how, put in (
            ("with travel", _parted(lambda rows, travel: 6.0 * travel)),
            ("over time", _parted(_over_time)),
            (
                "half-way",
                _parted(lambda rows, travel: np.where(rows.t_s > np.median(rows.t_s), 6.0, 0.0)),
            ),
        )
    ),
)


def drives(data: Path) -> Iterator[Rows]:
    """The open drives below `data`."""
    with tempfile.TemporaryDirectory() as folder:
        for path in sorted([*data.glob("road-1hz/*.csv"), *data.glob("road-repeats/*.csv.gz")]):
            plain = path
            if path.suffix == ".gz":
                plain = Path(folder) / path.stem
                plain.write_bytes(gzip.decompress(path.read_bytes()))
            for drive in read_file(plain).drives:
                yield Rows(plain.stem, drive.traces, drive.facts)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of one fault in one drive that shows it."""

    drive: str
    found: tuple[Finding, ...]
    named: bool


def _severities(findings: list[Finding]) -> dict[tuple[str, str], int]:
    return {(f.check, f.subject): f.verdict.severity for f in findings}


def look(rows: Rows, fault: Fault, healthy: list[Finding]) -> Outcome | None:
    """What the checks say; None where the drive cannot show the fault."""
    if any(signal not in rows for signal in fault.needs) or not fault.shows(rows):
        return None
    before = _severities(healthy)
    after = run_checks(fault.put(rows))
    new = [f for f in after if f.verdict.severity > before.get((f.check, f.subject), 0)]
    named = any(re.search(fault.named, f"{f.subject} {f.reason}") for f in new)
    return Outcome(rows.name, tuple(new), named)


def table(outcomes: dict[str, list[Outcome]]) -> str:
    """Rows of Markdown, one a fault."""
    lines = [
        "| fault | shows in the raw data | drives | found | named |",
        "| --- | --- | --- | --- | --- |",
    ]
    for fault in (fault for fault in FAULTS if fault.name in outcomes):
        of = outcomes[fault.name]
        found, named = sum(bool(o.found) for o in of), sum(o.named for o in of)
        shares = [f"{n} ({n / len(of):.0%})" for n in (found, named)]
        lines.append(f"| {fault.name} | {fault.where} | {len(of)} | {' | '.join(shares)} |")
    return "\n".join(lines)


def main() -> None:
    """The table of all drives."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--faults", default="", help="words of the names of faults, with commas")
    parser.add_argument("--misses", action="store_true", help="name the drives")
    given = parser.parse_args()
    words = given.faults.split(",")
    chosen = [fault for fault in FAULTS if any(word in fault.name for word in words)]
    outcomes: dict[str, list[Outcome]] = {}
    for rows in drives(given.data):
        healthy = run_checks(rows.replaced())
        for fault in chosen:
            outcome = look(rows, fault, healthy)
            if outcome is not None:
                outcomes.setdefault(fault.name, []).append(outcome)
    print(table(outcomes))
    if given.misses:
        for name, of in outcomes.items():
            print(name, "not named in:", *(o.drive for o in of if not o.named))


if __name__ == "__main__":
    main()
