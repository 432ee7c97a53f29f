"""The time is found by what a column does, whatever it is called."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logbench.errors import ImportFileError
from logbench.importing.model import Imported, TimeMap
from tests.importing.reading import detected, read

ROWS = 240


def rpm(k: int) -> str:
    """An engine speed that goes up and down."""
    return f"{1500 + 700 * np.sin(k / 9) + (k * 37) % 23:.0f}"


def written(tmp_path: Path, columns: dict[str, Sequence[str]], delimiter: str = ";") -> Path:
    path = tmp_path / "log.csv"
    rows = [delimiter.join(cells) for cells in zip(*columns.values(), strict=True)]
    path.write_text("\n".join([delimiter.join(columns), *rows]))
    return path


def clock(seconds: float) -> str:
    return f"{int(seconds) // 3600:02d}:{int(seconds) // 60 % 60:02d}:{int(seconds) % 60:02d}"


def times_of(imported: Imported) -> np.ndarray:
    (drive,) = imported.drives
    return next(trace.t_s for trace in drive.traces if trace.signal == "RPM")


SPEEDS = [rpm(k) for k in range(ROWS)]


def test_a_rounded_epoch_loses_against_the_engines_run_time(tmp_path: Path):
    """Spreadsheets write 1513360000000 as 1,51336E+12: the same in every row."""
    path = written(tmp_path, {
        "TIMESTAMP": ["1,51336E+12"] * ROWS,
        "ENGINE_RPM": SPEEDS,
        "ENGINE_RUNTIME": [clock(182 + 5 * k) for k in range(ROWS)],
    })  # fmt: skip
    imported = read(path)
    assert times_of(imported).tolist() == [5.0 * k for k in range(ROWS)]
    assert imported.mapping is not None
    assert imported.mapping.time.places == [2]


@pytest.mark.parametrize("name", ["MIN", "HOURS", "odd"])
def test_a_coarse_count_of_minutes_loses_against_the_run_time(tmp_path: Path, name: str):
    path = written(tmp_path, {
        "TIMESTAMP": ["1,51336E+12"] * ROWS, "ENGINE_RPM": SPEEDS,
        "ENGINE_RUNTIME": [clock(180 + 4 * k) for k in range(ROWS)],
        name: [str((180 + 4 * k) // 60) for k in range(ROWS)],
    })  # fmt: skip
    assert times_of(read(path)).tolist() == [4.0 * k for k in range(ROWS)]


def test_an_epoch_that_goes_in_steps_of_hours_loses_too(tmp_path: Path):
    path = written(tmp_path, {
        "TIMESTAMP": [f"1,5133{6 + k // 120}E+12" for k in range(ROWS)],
        "ENGINE_RPM": SPEEDS,
        "ENGINE_RUNTIME": [clock(182 + 5 * k) for k in range(ROWS)],
    })  # fmt: skip
    assert times_of(read(path)).tolist() == [5.0 * k for k in range(ROWS)]


def test_a_time_that_stands_still_is_never_a_drive(tmp_path: Path):
    path = written(tmp_path, {"time": ["1,51336E+12"] * ROWS, "rpm": SPEEDS})
    with pytest.raises(ImportFileError, match="stand still"):
        read(path)
    mapping = detected(path)
    assert mapping.time.standing == "time"
    mapping.time = TimeMap(places=[0], format="epoch", unit="ms")
    with pytest.raises(ImportFileError, match="lasts no time at all"):
        read(path, mapping)


def test_samples_of_one_instant_beside_a_drive_are_told(tmp_path: Path):
    rows = [*(str(k) for k in range(200)), *["9000"] * 40]
    imported = read(written(tmp_path, {"time (s)": rows, "rpm": SPEEDS}))
    assert len(times_of(imported)) == 200
    assert any("Drive 2 is left out" in remark for remark in imported.report.remarks)


@pytest.mark.parametrize("name", ["Zeit", "x", "Measurement point", "no. 1", "Temps"])
@pytest.mark.parametrize(
    ("cell", "step"),
    [
        (lambda k: f"{k * 0.25:.2f}", 0.25),
        (lambda k: str(k * 250 + k % 7), 0.25),
        (lambda k: str(k * 250_000), 0.25),
        (lambda k: str(1_772_359_200_000 + k * 250), 0.25),
        (lambda k: clock(36_000 + k), 1.0),
        (lambda k: f"2026-03-01T10:{k // 60:02d}:{k % 60:02d}+01:00", 1.0),
    ],
    ids=["seconds", "milliseconds", "microseconds", "epoch", "clock", "ISO"],
)
def test_whatever_it_is_called(tmp_path: Path, name: str, cell: Callable[[int], str], step: float):
    path = written(tmp_path, {
        "Engine speed": SPEEDS, "Kühlmittel": [str(20 + k // 9) for k in range(ROWS)],
        name: [cell(k) for k in range(ROWS)], "km": [f"{(k / 40) ** 2:.3f}" for k in range(ROWS)],
    }, delimiter=";")  # fmt: skip
    assert times_of(read(path)) == pytest.approx([step * k for k in range(ROWS)], abs=0.0061)


def test_the_run_time_alone_is_the_clock_also_while_the_engine_stands(tmp_path: Path):
    path = written(tmp_path, {
        "ENGINE_RUN_TIME": [str(max(0, k - 40) // 2) for k in range(ROWS)], "rpm": SPEEDS,
    })  # fmt: skip
    got = times_of(read(path))
    assert np.diff(got) == pytest.approx(np.full(ROWS - 1, 0.5), abs=0.01)


def test_what_only_rises_is_no_clock(tmp_path: Path):
    """Coolant of an unknown name on its way up, and kilometers with stops."""
    steps = np.where(np.arange(ROWS) % 80 < 30, 0.0, 0.012)
    path = written(tmp_path, {
        "rpm": SPEEDS, "Kühlmittel": [f"{90 - 70 * 0.98**k:.0f}" for k in range(ROWS)],
        "Strecke": [f"{x:.3f}" for x in np.cumsum(steps)],
    })  # fmt: skip
    mapping = detected(path)
    assert mapping.time.format == "none"


def test_the_unit_of_a_count_is_that_in_which_it_goes_as_another_clock(tmp_path: Path):
    """Whole numbers in steps of 20: milliseconds at 50 Hz, or seconds? The run time tells."""
    path = written(tmp_path, {
        "time": [str(20 * k) for k in range(ROWS)], "rpm": SPEEDS,
        "Engine run time (s)": [str(100 + 20 * k) for k in range(ROWS)],
    })  # fmt: skip
    assert times_of(read(path)).tolist() == [20.0 * k for k in range(ROWS)]
    path = written(tmp_path, {
        "time": [str(20 * k) for k in range(ROWS)], "rpm": SPEEDS,
        "Engine run time (s)": [str(100 + 20 * k // 1000) for k in range(ROWS)],
    })  # fmt: skip
    assert times_of(read(path)) == pytest.approx([0.02 * k for k in range(ROWS)])


def test_the_finer_of_two_clocks_is_taken(tmp_path: Path):
    path = written(tmp_path, {
        "GPS Time": [f"Sun Mar 01 10:{k // 600:02d}:{k // 10 % 60:02d} GMT+01:00 2026"
                     for k in range(ROWS)],
        "Device Time": [f"01-Mar-2026 10:00:{k // 10:02d}.{k % 10}00" for k in range(ROWS)],
        "rpm": SPEEDS,
    })  # fmt: skip
    assert times_of(read(path)) == pytest.approx([k / 10 for k in range(ROWS)])


@pytest.mark.parametrize(
    "cells",
    [
        [f"{(59 + k // 60) % 60:02d}:{k % 60:02d}.5" for k in range(ROWS)],
        [f"{'12:59' if k < 60 else '1:00'}:{k % 60:02d}" for k in range(120)],
        [clock((86_300 + k) % 86_400) for k in range(ROWS)],
        [f"2026-03-01 {clock((86_300 + k) % 86_400)}" for k in range(ROWS)],
        [f"2026-10-25 {clock(10_740 + k - (3600 if k >= 60 else 0))}" for k in range(ROWS)],
        [f"2026-03-29 {clock(7140 + k + (3600 if k >= 60 else 0))}" for k in range(ROWS)],
        [f"20260301T10{k // 60:02d}{k % 60:02d}Z" for k in range(ROWS)],
        [f"20260301_10{k // 60:02d}{k % 60:02d}" for k in range(ROWS)],
        [f"2026-03-01 10:{k // 60:02d}:{k % 60:02d}+01" for k in range(ROWS)],
    ],
    ids=["minutes and seconds over the hour", "twelve hours without am or pm", "midnight",
         "midnight, the date stands", "summer time ends", "summer time begins", "ISO basic",
         "basic with a line", "short zone"],
)  # fmt: skip
def test_clocks_that_begin_anew(tmp_path: Path, cells: list[str]):
    """One drive of a row each second, whatever the clock does within it."""
    path = written(tmp_path, {"time": cells, "rpm": SPEEDS[: len(cells)]})
    assert detected(path).time.format != "none"
    assert times_of(read(path)) == pytest.approx(np.arange(len(cells)), abs=1.01)


def test_a_clock_of_two_parts_is_of_hours_where_sixty_rows_share_each(tmp_path: Path):
    cells = [f"10:{50 + k // 60}" for k in range(ROWS)]
    path = written(tmp_path, {"time": cells, "rpm": SPEEDS})
    assert detected(path).time.unit == "min"
    assert 120.0 <= np.ptp(times_of(read(path))) <= 240.0


def test_an_hour_of_pause_is_no_summer_time(tmp_path: Path):
    """On a weekday, and by day: two drives."""
    for day, hour in (("2026-03-30", 2), ("2026-03-29", 12)):
        start = hour * 3600 - 60
        cells = [f"{day} {clock(start + k + (3600 if k >= 60 else 0))}" for k in range(ROWS)]
        assert len(read(written(tmp_path, {"time": cells, "rpm": SPEEDS})).drives) == 2


@pytest.mark.parametrize(
    ("columns", "started"),
    [
        ({"Date": ["3/1/2026"] * 60, "Time": [f"11:59:{k:02d} AM" for k in range(60)]},
         "2026-03-01T11:59:00"),
        ({"Date": ["1.3.2026"] * 60, "Time": [f"11:59:{k:02d}" for k in range(60)]},
         "2026-03-01T11:59:00"),
        ({"Time": [f"{3 + k // 30:02d}/05/2026 23:59:{k:02d}" if k < 30
                   else f"04/05/2026 00:00:{k - 30:02d}" for k in range(60)]},
         "2026-05-03T23:59:00"),
        ({"Time": [f"05/{3 + k // 30:02d}/2026 23:59:{k:02d}" if k < 30
                   else f"05/04/2026 00:00:{k - 30:02d}" for k in range(60)]},
         "2026-05-03T23:59:00"),
    ],
    ids=["am", "day first", "days of May", "days of May, month first"],
)  # fmt: skip
def test_which_part_of_a_date_is_the_day(
    tmp_path: Path, columns: dict[str, list[str]], started: str
):
    path = written(tmp_path, columns | {"rpm": SPEEDS[:60]})
    (drive,) = read(path).drives
    assert drive.facts.started_local == started


FORMATS: dict[str, tuple[float, Callable[[datetime, float], str]]] = {
    "seconds": (1e-3, lambda _, s: f"{s:.3f}"),
    "milliseconds": (1e-3, lambda _, s: f"{s * 1e3:.0f}"),
    "epoch, s": (1e-3, lambda at, s: f"{at.timestamp() + s:.3f}"),
    "epoch, ms": (1e-3, lambda at, s: f"{(at.timestamp() + s) * 1e3:.0f}"),
    "clock": (1.0, lambda at, s: (at + timedelta(seconds=s)).strftime("%H:%M:%S")),
    "clock, ms": (1e-3, lambda at, s: (at + timedelta(seconds=s)).strftime("%H:%M:%S.%f")[:-3]),
    "am and pm": (1.0, lambda at, s: (at + timedelta(seconds=s)).strftime("%I:%M:%S %p")),
    "ISO": (1e-6, lambda at, s: (at + timedelta(seconds=s)).isoformat(timespec="microseconds")),
    "ISO, zone": (1e-6, lambda at, s: (at + timedelta(seconds=s)).astimezone(
        timezone(timedelta(hours=5.5))).isoformat(timespec="microseconds")),
    "day first": (1e-3, lambda at, s: (at + timedelta(seconds=s)).strftime(
        "%d.%m.%Y %H:%M:%S,%f")[:-3]),
}  # fmt: skip


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    kind=st.sampled_from(list(FORMATS)),
    step_s=st.sampled_from([0.1, 0.25, 0.5, 1.0, 2.0, 5.0]),
    begin=st.datetimes(datetime(2001, 1, 13), datetime(2040, 1, 1)),
    name=st.sampled_from(["time", "Zeitpunkt", "when"]),
)  # fmt: skip
def test_every_form_within_its_resolution(tmp_path_factory, kind, step_s, begin, name):
    """The times of the rows come back to within what the form can say."""
    resolution, write = FORMATS[kind]
    at = begin.replace(tzinfo=UTC, microsecond=0)
    if kind == "milliseconds" and step_s == 5.0:
        step_s = 2.0  # 5,000 in a row: microseconds at 200 Hz are not out of the question
    true = np.arange(ROWS) * max(step_s, resolution)
    cells = [write(at, float(s)) for s in true]
    path = written(tmp_path_factory.mktemp("t"), {name: cells, "rpm": SPEEDS})
    got = times_of(read(path))
    assert np.abs((got - got[0]) - true).max() <= resolution + 1e-9
