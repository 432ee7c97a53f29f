"""Export, then import: the same samples, for every format; each says what it keeps."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from logbench.errors import SignalUnsupportedError, UsageError
from logbench.importing.model import Imported
from logbench.recording.export import (
    Selection,
    export_csv,
    export_parquet,
    safe_text,
    selected,
)
from logbench.recording.model import Event, Facts, Trace
from logbench.recording.notes import remarks_of
from logbench.recording.reader import Recording, open_recording
from logbench.signals.table import table
from tests.importing.reading import frame_file, read, read_whole

SIGNALS = ("RPM", "ECT", "MAF", "SHRTFT1", "O2S11", "LAMBDA11", "VPWR", "FUELSYS1", "SPARKADV")


@st.composite
def recordings(draw: st.DrawFn) -> Recording:
    """One to four traces of real signals; times from 0 on, values inside the signal's range."""
    keys = draw(
        st.lists(
            st.tuples(st.sampled_from(SIGNALS), st.sampled_from(["7E8", "7E9", "18DAF110"])),
            min_size=1,
            max_size=4,
            unique=True,
        )
    )
    traces = []
    for acronym, ecu in sorted(keys):
        signal = table().by_acronym(acronym)
        steps = draw(st.lists(st.integers(0, 5 * 10**9), min_size=1, max_size=12))
        number = st.one_of(
            st.floats(signal.minimum, signal.maximum),
            st.integers(int(np.ceil(signal.minimum)), int(signal.maximum)).map(float),
            st.just(float("nan")),
        )
        if signal.kind != "number":
            number = st.integers(int(signal.minimum), int(signal.maximum)).map(float)
        values = draw(st.lists(number, min_size=len(steps), max_size=len(steps)))
        t_ns = np.cumsum(np.array(steps, np.int64))
        if not np.ptp(t_ns):
            t_ns += np.arange(len(t_ns))  # a drive takes some time
        traces.append(Trace(acronym, ecu, signal.unit, t_ns, np.array(values)))
    times = np.concatenate([trace.t_ns for trace in traces])
    assume(times.max() > times.min())  # what lasts no time is refused
    return Recording.of(traces, Facts())


def assert_same(recording: Recording, imported: Imported) -> None:
    (drive,) = imported.drives
    got = {(trace.signal, trace.ecu): trace for trace in drive.traces}
    assert set(got) == set(recording.keys)
    for trace in recording.traces():
        other = got[trace.signal, trace.ecu]
        np.testing.assert_array_equal(other.t_ns, trace.t_ns)
        np.testing.assert_array_equal(other.value, trace.value)
        assert other.unit == trace.unit
    assert imported.report.left_out == 0


def first_within_a_minute(recording: Recording) -> bool:
    return min(trace.t_ns[0] for trace in recording.traces()) <= 60 * 10**9


DIALECTS = [(",", ".", "utf-8-sig"), (";", ",", "utf-8-sig"), ("\t", ",", "utf-8-sig"),
            ("|", ".", "utf-8")]  # fmt: skip
"""Delimiter, decimal mark and encoding of other programs."""


def rewrite(path: Path, delimiter: str, decimal: str, encoding: str) -> None:
    rows = list(csv.reader(path.read_text("utf-8-sig").splitlines()))
    number = re.compile(r"-?\d+\.\d+(e[+-]\d+)?")
    cells = [[c.replace(".", decimal) if number.fullmatch(c) else c for c in row] for row in rows]
    with path.open("w", encoding=encoding, newline="") as file:
        csv.writer(file, delimiter=delimiter).writerows(cells)


@settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(
    recording=recordings(),
    dialect=st.sampled_from(DIALECTS),
    layout=st.sampled_from(["wide", "long"]),
)
def test_csv_gives_the_same_samples(tmp_path_factory, recording, dialect, layout):
    """Keeps times to the nanosecond, values to the last bit, ECUs, units, NaN, and several samples
    at one instant."""
    path = export_csv(recording, tmp_path_factory.mktemp("csv") / "a.csv", None, layout)
    assert_same(recording, read_whole(path))
    rewrite(path, *dialect)
    assert_same(recording, read_whole(path))


@settings(
    max_examples=30,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(recording=recordings())
def test_tidy_frame_gives_the_same_samples(tmp_path_factory, recording):
    """A pandas frame knows no sample without a value: NaN samples are not kept. Times are float
    seconds: exact to the nanosecond up to 104 days."""
    kept = [
        Trace(t.signal, t.ecu, t.unit, t.t_ns[np.isfinite(t.value)], t.value[np.isfinite(t.value)])
        for t in recording.traces()
    ]
    kept = [trace for trace in kept if len(trace)]
    if kept and np.ptp(np.concatenate([trace.t_ns for trace in kept])):
        without = Recording.of(kept, Facts())
        path = frame_file(without.frame(), tmp_path_factory.mktemp("frame"))
        assert_same(without, read_whole(path))


@settings(
    max_examples=30,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(recording=recordings(), cut=st.tuples(st.floats(0, 20), st.floats(0.1, 20)))
def test_parquet_keeps_everything_and_says_what_it_is_cut_from(tmp_path_factory, recording, cut):
    span = Selection(start_s=cut[0], end_s=cut[0] + cut[1])
    path = export_parquet(recording, tmp_path_factory.mktemp("pq") / "a.parquet", span)
    again = open_recording(path)
    assert open_recording(path).intact() is True
    expected = selected(recording, span)
    assert again.keys == tuple(sorted((t.signal, t.ecu) for t in expected))
    for trace in expected:
        other = again.trace(trace.signal, trace.ecu)
        np.testing.assert_array_equal(other.t_ns, trace.t_ns)
        np.testing.assert_array_equal(other.value, trace.value)
        assert np.all((other.t_ns >= cut[0] * 1e9) & (other.t_ns < (cut[0] + cut[1]) * 1e9))
    named = recording.facts.recording_id
    assert again.facts.extra.get("cut_from", {}).get("recording_id", "") == named


def trace(signal: str, t_s: list[float], values: list[float], ecu: str = "7E8") -> Trace:
    unit = table().by_acronym(signal).unit if signal in table() else "odd"
    return Trace(
        signal, ecu, unit, np.round(np.array(t_s) * 1e9).astype(np.int64), np.array(values)
    )


def test_wide_on_an_even_clock(tmp_path):
    recording = Recording.of([trace("RPM", [1, 9, 15], [700, 800, 900]), trace("ECT", [5], [90])])
    path = export_csv(recording, tmp_path / "a.csv", layout="wide", step_s=5)
    assert path.read_text("utf-8-sig").splitlines() == [
        "t_s,ECT (degC),RPM (rpm)",
        "0.000000000,,",
        "5.000000000,90,700",
        "10.000000000,90,800",
        "15.000000000,90,900",
    ]
    path = export_csv(recording, tmp_path / "a.csv", layout="wide", step_s=7.5)
    assert path.read_text("utf-8-sig").splitlines()[3:] == ["15.000000000,90,900"]
    path = export_csv(recording, tmp_path / "a.csv", Selection(("ECT",)), step_s=5)
    assert path.read_text("utf-8-sig").splitlines()[1:] == ["5.000000000,90"]
    late = Recording.of([trace("ECT", [0], [90]), trace("RPM", [10, 10.5], [700, 800])])
    path = export_csv(late, tmp_path / "a.csv", step_s=10.25)
    assert path.read_text("utf-8-sig").splitlines()[1:] == [
        "0.000000000,90,",
        "10.250000000,,700",
        "20.500000000,,800",
    ]


def test_a_selection_and_a_span(tmp_path):
    recording = Recording.of(
        [trace("RPM", [0, 1, 2, 3], [700, 710, 720, 730]), trace("ECT", [0, 3], [90, 91])]
    )
    chosen = Selection(("RPM",), start_s=1, end_s=3)
    (part,) = selected(recording, chosen)
    assert part.value.tolist() == [710, 720]
    with pytest.raises(SignalUnsupportedError):
        selected(recording, Selection(("MAF",)))
    with pytest.raises(UsageError, match="ends before it begins"):
        selected(recording, Selection(start_s=3, end_s=1))


@pytest.mark.parametrize("text", ["=1+1", "+1", "-cmd", "@SUM(A1)", "\tx", "\r=x"])
def test_formulas_are_neutralised(text, tmp_path):
    """The characters that begin a formula: OWASP, 'CSV Injection' (from memory)."""
    assert safe_text(text) == "'" + text
    recording = Recording.of([trace(text, [0, 1], [-1, -2], ecu=text)])
    for layout in ("wide", "long"):
        path = export_csv(recording, tmp_path / "a.csv", layout=layout)
        content = path.read_bytes().decode("utf-8-sig")
        assert f"'{text[0]}" in content
        assert f",{text}" not in content
    assert ",-1," in content  # numbers stay numbers


@pytest.mark.parametrize("layout", ["wide", "long"])
def test_what_is_said_stands_once_in_the_first_row_it_covers(layout, tmp_path):
    events = [Event(t_ns=1_500_000_000, kind="marker", text="rattle")]
    traces = [trace("RPM", [0, 1, 3], [700, 710, 720]), trace("VSS", [0, 2], [1, 2])]
    made = Recording.of(traces)
    path = export_csv(made, tmp_path / "a.csv", layout=layout, remarks=remarks_of(events))
    (drive,) = read(path).drives
    assert {t.signal: t.value.tolist() for t in drive.traces} == {
        t.signal: t.value.tolist() for t in traces
    }
    heading, *rows = csv.reader(path.read_text("utf-8-sig").splitlines())
    assert heading[-1] == "note"
    assert [(row[0], row[-1]) for row in rows if row[-1]] == [("2.000000000", "rattle (1.5 s)")]


def test_nothing_is_overwritten(tmp_path):
    recording = Recording.of([trace("RPM", [0], [700])])
    names = [export_csv(recording, Path(tmp_path / "a.csv")).name for _ in range(2)]
    assert names == ["a.csv", "a-2.csv"]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a-2.csv", "a.csv"]
