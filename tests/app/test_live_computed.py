"""Signals that are computed while samples come in, and afterwards."""

from __future__ import annotations

import numpy as np
import pytest

from logbench.analysis.grid import Traces
from logbench.car.model import Car
from logbench.plot.live_traces import LiveTraces
from logbench.plot.trace import SECOND
from logbench.recording.model import Facts, Trace
from logbench.recording.reader import Recording
from logbench.signals.catalog import COMPUTED, own_signals_path
from logbench.signals.table import table
from tests.app.conftest import batch

OWN = """
[TRIM_CALM]
title = "Total trim, calmed"
unit = "%"
expression = "mean(TOTAL_TRIM1, 3 s) - delay(TOTAL_TRIM1, 2 s)"
[MAF_RUNNING]
title = "Airflow while the engine runs, held"
unit = "g/s"
expression = "hold(where(RPM > 400 rpm, MAF), 4 s)"
[MAP_RATE]
title = "Change of manifold pressure"
unit = ""
expression = "median(rate(MAP), 5 s) / 1 kPa * 1 s"
"""
CAR = Car(displacement_l=2.0)


@pytest.fixture
def own_signals():
    path = own_signals_path()
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(OWN)
    yield
    path.unlink()


def drive(seed: int) -> list[Trace]:
    """Half a minute of signals of unlike pace, with a gap and unused samples."""
    rng = np.random.default_rng(seed)
    found = []
    for signal, step_s in (("RPM", 0.1), ("MAF", 0.1), ("SHRTFT1", 0.13), ("LONGFT1", 0.5),
                           ("MAP", 0.2), ("BARO", 2.0), ("IAT", 2.0)):  # fmt: skip
        t_ns = np.round(np.arange(0, 30, step_s) * SECOND).astype(np.int64)
        value = rng.uniform(1, 900 if signal == "RPM" else 50, len(t_ns))
        value[rng.random(len(t_ns)) < 0.05] = np.nan
        keep = (t_ns < 12 * SECOND) | (t_ns > 17 * SECOND) | (signal == "BARO")
        unit = table().by_acronym(signal).unit
        found.append(Trace(signal, "7E8", unit, t_ns[keep], value[keep]))
    return found


@pytest.mark.parametrize("seed", range(4))
def test_live_and_afterwards_are_the_same(own_signals: None, seed: int):
    traces = drive(seed)
    live = LiveTraces()
    rows = sorted((int(t), n, float(v)) for n, trace in enumerate(traces)
                  for t, v in zip(trace.t_ns, trace.value, strict=True))  # fmt: skip
    rng = np.random.default_rng(seed)
    while rows:
        size = int(rng.integers(1, 60))
        while size < len(rows) and rows[size][0] == rows[size - 1][0]:
            size += 1  # what was sampled in one request comes together
        live.take(batch([(traces[n].signal, "7E8", t, v) for t, n, v in rows[:size]]))
        live.add_computed(CAR)
        rows = rows[size:]
    whole = Traces(Recording.of(traces, Facts(vehicle=CAR)))
    for name in ("TOTAL_TRIM1", "VOL_EFF", "AIR_PER_LITER", "TRIM_CALM", "MAF_RUNNING",
                 "MAP_RATE"):  # fmt: skip
        t_ns, value = live.by_key[name, COMPUTED].pyramid.from_sample(0)
        after = whole.first(name)
        assert after is not None
        np.testing.assert_array_equal(t_ns, after.t_ns[: len(t_ns)], err_msg=name)
        assert len(t_ns) >= len(after) - 1
        np.testing.assert_allclose(value, after.value[: len(t_ns)], rtol=1e-9, err_msg=name)


def test_what_was_computed_is_shifted_with_the_recordings_start():
    live = LiveTraces()
    for t_s in range(4):
        at = t_s * SECOND
        live.take(batch([("SHRTFT1", "7E8", at, 1.0), ("LONGFT1", "7E8", at, float(t_s))]))
        live.add_computed(Car())
    live.rebase(2 * SECOND)
    live.take(batch([("SHRTFT1", "7E8", 2 * SECOND, 5.0)]))
    live.add_computed(Car())
    t_ns, value = live.by_key["TOTAL_TRIM1", COMPUTED].pyramid.from_sample(0)
    assert t_ns.tolist() == [0, SECOND, 2 * SECOND]
    assert value.tolist() == [3.0, 4.0, 8.0]
