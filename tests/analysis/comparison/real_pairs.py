"""How honest is the comparison on real drives? All pairs of drives of one car that nobody repaired
in between: how often is a change claimed, how often do the intervals hold the truth, and what is
found of changes put in?

    python -m tests.analysis.comparison.real_pairs --data FOLDER [--pairs 400] [--out FILE]

`FOLDER` holds the drives of one untouched car, recordings or files of other programs, at any depth
(`.parquet`, `.csv`, `.csv.gz`). `--pairs` looks at a random sample. With `--out` the tables replace
those between the marks of a page. How far the car moves is taken from other cars, and in a second
run learned from the car's other drives: never from the two under test.
"""

from __future__ import annotations

import argparse
import gzip
import itertools
import random
import tempfile
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from scipy.special import ndtr

from logbench.analysis.comparison.compare import compare
from logbench.analysis.comparison.daily import DayNumbers, learn, numbers_of
from logbench.analysis.comparison.quantities import of_compression
from logbench.analysis.comparison.results import CLAIMS, Comparison, FindingVerdict
from logbench.analysis.comparison.verdicts import compare_findings
from logbench.analysis.model import Coverage, Finding
from logbench.analysis.repeats import OF_CARS, Repeats
from logbench.analysis.run import run_checks
from logbench.analysis.view import View
from logbench.importing.run import read_file
from logbench.recording.model import Trace
from logbench.recording.reader import Recording, open_recording

LEAST_PAIRS = 30
BEGIN, END = "<!-- real pairs: begin -->", "<!-- real pairs: end -->"


@dataclass(frozen=True)
class Drive:
    """One drive, and what is kept of it to learn from."""

    name: str
    recording: Recording
    view: View
    findings: tuple[Finding, ...]
    numbers: DayNumbers

    @staticmethod
    def of(name: str, recording: Recording) -> Drive:
        view = View(recording)
        findings = run_checks(view)
        return Drive(name, recording, view, tuple(findings), numbers_of(view, findings))


def compared(before: Sequence[Drive], after: Sequence[Drive], repeats: Repeats) -> Comparison:
    """As `compare` does, without running the checks of each drive anew."""
    first, second = ([d.view for d in side] for side in (before, after))
    engine = repeats.of_engine(of_compression([*first, *second]))
    findings = compare_findings([d.findings for d in before], [d.findings for d in after], engine)
    plain = compare(first, second, repeats=repeats, with_findings=False)
    return replace(plain, findings=findings)


def drives_below(folder: Path) -> Iterator[Drive]:
    """All drives in which an engine ran, in order of their names."""
    with tempfile.TemporaryDirectory() as plain:
        for path in sorted(folder.rglob("*")):
            if path.suffix == ".parquet":
                yield Drive.of(path.stem, open_recording(path))
            elif path.suffix in (".csv", ".gz"):
                text = path
                if path.suffix == ".gz":
                    text = Path(plain) / path.stem
                    text.write_bytes(gzip.decompress(path.read_bytes()))
                for drive in (d for d in read_file(text).drives if _ran(d.traces)):
                    yield Drive.of(text.stem, Recording.of(drive.traces, drive.facts))


def _ran(traces: Sequence[Trace]) -> bool:
    return any(t.signal == "RPM" and np.nanmax(t.value, initial=0.0) > 0.0 for t in traces)


# --- changes put in -----------------------------------------------------------------------------


def _with(recording: Recording, changed: dict[str, Callable[[Trace], Trace]]) -> Recording:
    traces = [changed.get(t.signal, lambda x: x)(t) for t in recording.traces()]
    return Recording.of(traces, recording.facts)


def _at(recording: Recording, signal: str, trace: Trace) -> np.ndarray:
    """Another signal's last value at the samples of a trace."""
    other = next(t for t in recording.traces() if t.signal == signal)
    place = np.searchsorted(other.t_ns, trace.t_ns, side="right") - 1
    return np.where(place >= 0, other.value[np.maximum(place, 0)], np.nan)


def trims_raised(points: float, where: str) -> Callable[[Recording], Recording]:
    """The long-term trims so much higher: `everywhere`, at `idle` or under `load`."""

    def put(recording: Recording) -> Recording:
        def raised(trace: Trace) -> Trace:
            here = np.ones(len(trace.value), dtype=bool)
            if where == "idle":
                here = np.nan_to_num(_at(recording, "VSS", trace)) < 1.0
            elif where == "load":
                here = np.nan_to_num(_at(recording, "LOAD_PCT", trace)) >= 38.0
            return replace(trace, value=np.minimum(trace.value + points * here, 99.2))

        return _with(recording, {"LONGFT1": raised, "LONGFT2": raised})

    return put


def _lowered(trace: Trace) -> Trace:
    return replace(trace, value=trace.value - 0.8)


def _at_70(trace: Trace) -> Trace:
    return replace(trace, value=np.minimum(trace.value, 70.0))


ALTERED: tuple[tuple[str, Callable[[Recording], Recording], str], ...] = (
    *(
        (f"trims {points:+.0f} points {where}", trims_raised(points, where), finding)
        for points in (14.0, 7.0)
        for where, finding in (
            ("everywhere", "fuel trim: bank 1, warm idle"),
            ("idle", "fuel trim: bank 1, warm idle"),
            ("load", "fuel trim: bank 1, load"),
        )
    ),
    (
        "charging -0.8 V",
        lambda r: _with(r, {"VPWR": _lowered}),
        "charging: charging",
    ),
    (
        "thermostat at 70 degC",
        lambda r: _with(r, {"ECT": _at_70}),
        "warm up: settled coolant temperature",
    ),
)
"""Name, what is put into the drive before, and the finding that tells of it. Volumetric efficiency
takes cars with both air sensors: docs/comparison.md has it of simulated ones."""


# --- what came of it ----------------------------------------------------------------------------


@dataclass
class Tally:
    """What was claimed and measured over some pairs: `numbers` by name the error of the change, its
    half width, the number's own change put in and whether 0 lies outside."""

    pairs: int = 0
    claims: Counter[str] = field(default_factory=Counter)
    numbers: dict[str, list[tuple[float, float, bool]]] = field(
        default_factory=lambda: defaultdict(list)
    )

    def add(self, found: Comparison, truth: dict[str, float] | None = None) -> None:
        """One pair with shared cells, in which `truth` is by how much numbers really differ."""
        self.pairs += 1
        self.claims.update({f.verdict.value for f in found.findings if f.verdict in CLAIMS})
        told = any(f.verdict in CLAIMS for f in found.findings)
        signals = any(s.changed for s in found.signals)
        self.claims.update({"signal": signals, "any": signals or told})
        for s in found.signals:
            if s.change is not None and s.half_width is not None:
                self._number(s.key, s.change, s.half_width, s.changed, truth)
        for f in found.findings:
            if f.change is not None:
                claimed = f.verdict in CLAIMS
                self._number(f.heading, f.change.value, f.change.half_width, claimed, truth)

    def _number(
        self, name: str, change: float, half: float, claimed: bool, truth: dict[str, float] | None
    ) -> None:
        if truth is None or name in truth:
            error = change - (truth or {}).get(name, 0.0)
            self.numbers[name].append((error, half, claimed))


def shares_cells(found: Comparison) -> bool:
    """Whether anything was compared at equal operating points."""
    return any(s.change is not None for s in found.signals)


def unaltered(drives: Sequence[Drive], pairs: Sequence[tuple[int, int]], learned: bool) -> Tally:
    """What is claimed where nothing has changed."""
    tally = Tally()
    for i, j in pairs:
        found = compared([drives[i]], [drives[j]], _repeats(drives, (i, j), learned))
        if shares_cells(found):
            tally.add(found)
    return tally


def _repeats(drives: Sequence[Drive], but: Sequence[int], learned: bool) -> Repeats:
    if not learned:
        return OF_CARS
    return learn([d.numbers for k, d in enumerate(drives) if k not in but])


@dataclass
class Found:
    """What came of one alteration: pairs in which its finding was judged on both sides, in which it
    was out of range before, and how many were called resolved, or shown at all."""

    name: str
    judged: int = 0
    out: int = 0
    resolved: int = 0
    shown: int = 0
    held: int = 0
    signal: int = 0
    signal_held: int = 0
    signals: int = 0


def altered(
    drives: Sequence[Drive],
    pairs: Sequence[tuple[int, int]],
    put: tuple[str, Callable[[Recording], Recording], str],
    learned: bool,
) -> Found:
    """Altered drives as before, others as they are as after."""
    name, change, heading = put
    found = Found(name)
    made: dict[int, Drive] = {}
    for i, j in pairs:
        if i not in made:
            made[i] = Drive.of(drives[i].name, change(drives[i].recording))
        effect = _value(made[i], heading), _value(drives[i], heading)
        result = compared([made[i]], [drives[j]], _repeats(drives, (i, j), learned))
        if not shares_cells(result):
            continue
        if "everywhere" in name:
            trim = result.signal("TOTAL_TRIM1")
            if trim.change is not None and trim.half_width is not None:
                found.signals += 1
                found.signal += trim.changed
                away = trim.change + float(name.split()[1])
                found.signal_held += abs(away) <= trim.half_width
        told = next((f for f in result.findings if f.heading == heading), None)
        if told is None or told.change is None or None in effect:
            continue
        truth = (effect[1] or 0.0) - (effect[0] or 0.0)
        found.judged += 1
        found.held += abs(told.change.value - truth) <= told.change.half_width
        found.out += bool(told.before is not None and told.before.verdict.severity)
        found.resolved += told.verdict is FindingVerdict.RESOLVED
        found.shown += told.change.p <= 0.05
    return found


def _value(drive: Drive, heading: str) -> float | None:
    return next(
        (f.value for f in drive.findings if f.heading == heading and f.coverage is Coverage.JUDGED),
        None,
    )


# --- power --------------------------------------------------------------------------------------


def ideal_power(change: float, sd: float) -> float:
    """That of a two-sided test at 5 % of a difference whose standard deviation is known."""
    z = change / sd
    return float(ndtr(z - 1.96) + ndtr(-z - 1.96))


@dataclass
class Power:
    """Of one size of change, with so many drives a side: how often the interval excludes none, and
    how often the total trim is listed as changed, among `n`; `errors`: of the unaltered."""

    points: float
    a_side: int
    n: int = 0
    interval: int = 0
    listed: int = 0
    errors: list[float] = field(default_factory=list)


def power(drives: Sequence[Drive], a_side: int, trials: int, learned: bool) -> list[Power]:
    """Trims raised everywhere by 3, 5 and 7 points in the drives before."""
    rng = random.Random(f"power {a_side}")
    found = [Power(points, a_side) for points in (3.0, 5.0, 7.0, 14.0)]
    usable = [
        k for k, d in enumerate(drives) if any(c.number == "TOTAL_TRIM1" for c in d.numbers.cells)
    ]
    for _ in range(trials):
        chosen = rng.sample(usable, 2 * a_side)
        before, after = chosen[:a_side], chosen[a_side:]
        repeats = _repeats(drives, chosen, learned)
        first, second = ([drives[k] for k in side] for side in (before, after))
        untouched = [d.view for d in second]
        same = compare([d.view for d in first], untouched, repeats=repeats, with_findings=False)
        plain = same.signal("TOTAL_TRIM1")
        if plain.change is None:
            continue
        for row in found:
            raised = [trims_raised(row.points, "everywhere")(d.recording) for d in first]
            result = compare(raised, untouched, repeats=repeats, with_findings=False)
            trim = result.signal("TOTAL_TRIM1")
            row.n += 1
            row.interval += abs(trim.change or 0.0) > (trim.half_width or 0.0)
            row.listed += trim.changed
            row.errors.append(plain.change)
    return found


# --- tables -------------------------------------------------------------------------------------


def claims_table(tallies: dict[str, Tally]) -> str:
    """How often what is claimed of pairs in which nothing has changed."""
    names = [*(claim.value for claim in CLAIMS), "signal", "any"]
    titles = {"signal": "some signal changed", "any": "anything at all"}
    lines = [
        "| claimed of a pair | " + " | ".join(tallies) + " |",
        "| --- |" + " ---: |" * len(tallies),
    ]
    for name in names:
        cells = (f"{t.claims[name] / max(1, t.pairs):.1%}" for t in tallies.values())
        lines.append(f"| {titles.get(name, name)} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def coverage_table(tallies: dict[str, Tally]) -> str:
    """How often the interval holds the truth, number by number."""
    head = "| number | pairs | difference (rms) | " + " | ".join(
        f"{name}: half width | holds the truth" for name in tallies
    )
    lines = [head + " |", "| --- | ---: | ---: |" + " ---: | ---: |" * len(tallies)]
    first = next(iter(tallies.values()))
    for name, rows in sorted(first.numbers.items()):
        if len(rows) < LEAST_PAIRS:
            continue
        error = np.array([row[0] for row in rows])
        cells = [f"| {name} | {len(rows)} | {np.sqrt(np.mean(error**2)):.2f} |"]
        for tally in tallies.values():
            e, h, _ = np.array(tally.numbers[name], dtype=np.float64).T
            cells.append(f" {np.median(h):.2f} | {np.mean(np.abs(e) <= h + 1e-9):.1%} |")
        lines.append("".join(cells))
    return "\n".join(lines)


def altered_table(found: Sequence[Found]) -> str:
    """What came of each alteration."""
    lines = [
        "| put into the drive before | pairs judged | truth held | shown | out of range before |"
        " of these resolved | total trim listed |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for row in found:
        n, signal = max(1, row.judged), "-"
        if row.signals:
            signal = f"{row.signal / row.signals:.0%} (held {row.signal_held / row.signals:.0%})"
        lines.append(
            f"| {row.name} | {row.judged} | {row.held / n:.1%} | {row.shown / n:.0%} |"
            f" {row.out / n:.0%} | {row.resolved / max(1, row.out):.1%} | {signal} |"
        )
    return "\n".join(lines)


def power_table(found: Sequence[Power]) -> str:
    """Beside that of a test that knows the true spread."""
    lines = [
        "| change | drives a side | comparisons | shown | ideal | share | listed | share |",
        "| ---: | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for row in found:
        if not row.n:
            continue
        ideal = ideal_power(row.points, float(np.sqrt(np.mean(np.square(row.errors)))))
        shown, listed = row.interval / row.n, row.listed / row.n
        lines.append(
            f"| {row.points:.0f} points | {row.a_side} | {row.n} | {shown:.0%} | {ideal:.0%} |"
            f" {shown / ideal:.0%} | {listed:.0%} | {listed / ideal:.0%} |"
        )
    return "\n".join(lines)


def report(drives: Sequence[Drive], most: int, trials: int) -> str:
    """All tables, of a random sample of at most so many pairs."""
    pairs = list(itertools.combinations(range(len(drives)), 2))
    random.Random(17).shuffle(pairs)
    chosen = pairs[:most]
    learned = len(drives) >= 8
    known = {"of other cars": False} | ({"of its own other drives": True} if learned else {})
    tallies = {name: unaltered(drives, chosen, own) for name, own in known.items()}
    first = next(iter(tallies.values()))
    found = [altered(drives, chosen[: most // 3], put, learned=False) for put in ALTERED]
    powers = [row for n in (1, 3) for row in power(drives, n, trials, learned=learned)]
    return "\n\n".join(
        (
            f"{len(drives)} drives, {len(chosen)} of {len(pairs)} pairs, {first.pairs} of them with"
            " shared operating points.",
            claims_table(tallies),
            coverage_table(tallies),
            altered_table(found),
            power_table(powers),
        )
    )


def put_between(page: Path, begin: str, end: str, text: str) -> None:
    """Replace what stands between two marks of a page."""
    before, _, rest = page.read_text("utf-8").partition(begin)
    page.write_text(f"{before}{begin}\n{text}\n\n{end}{rest.partition(end)[2]}", "utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n\n")[0])
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--pairs", type=int, default=100_000)
    parser.add_argument("--trials", type=int, default=300)
    parser.add_argument("--out", type=Path)
    given = parser.parse_args()
    text = report(list(drives_below(given.data)), given.pairs, given.trials)
    if given.out is None:
        print(text)
        return
    put_between(given.out, BEGIN, END, text)


if __name__ == "__main__":
    main()
