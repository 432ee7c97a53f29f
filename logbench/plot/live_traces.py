"""The traces of a drive under way, which grow by what the capture process sends."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from logbench.capture.messages import Batch
from logbench.car.model import Car
from logbench.plot.trace import SECOND, Key, LiveTrace
from logbench.recording.model import Trace
from logbench.signals.catalog import COMPUTED, catalog, group_of
from logbench.signals.values import Clock

_WHILE_NS = 1_000_000_000


class LiveTraces:
    """All of them, by key, and the time of the newest sample. What returns a list of traces
    returns those that are new, each of them once."""

    def __init__(self) -> None:
        self.by_key: dict[Key, LiveTrace] = {}
        self.now_ns = 0
        """On the recording's clock."""
        self.told_ns = 0
        """That clock at the last status."""
        self.comes = True
        """The link was there then."""
        self._done: dict[Key, int] = {}
        """Up to when computed signals are."""

    def clear(self) -> None:
        """Another drive begins."""
        self.by_key, self._done = {}, {}
        self.now_ns = self.told_ns = 0
        self.comes = True

    @property
    def clock(self) -> Clock:
        """Now on the recording's clock, for ages: the newest sample, until nothing has come for a
        while."""
        waits = self.told_ns >= self.now_ns + _WHILE_NS
        return Clock(self.told_ns if waits else self.now_ns, self.comes)

    def take(self, batch: Batch) -> list[LiveTrace]:
        """Append samples."""
        import pyarrow as pa

        new: list[LiveTrace] = []
        with pa.ipc.open_stream(batch.arrow) as reader:
            table = reader.read_all().combine_chunks()
        if not table.num_rows:
            return new
        signals = table.column("signal").combine_chunks()
        ecus = table.column("ecu").combine_chunks()
        times = table.column("t").to_numpy().astype(np.int64, copy=False)
        values = table.column("value").to_numpy().astype(np.float64, copy=False)
        signal_names = signals.dictionary.to_pylist()
        ecu_names = ecus.dictionary.to_pylist()
        codes = signals.indices.to_numpy().astype(np.int64) * len(ecu_names)
        codes += ecus.indices.to_numpy()
        order = np.argsort(codes, kind="stable")
        bounds = np.flatnonzero(np.diff(codes[order])) + 1
        for rows in np.split(order, bounds):
            signal, ecu = divmod(int(codes[rows[0]]), len(ecu_names))
            key = signal_names[signal], ecu_names[ecu]
            if key not in self.by_key:
                self.by_key[key] = _described(key)
                new.append(self.by_key[key])
            self.by_key[key].pyramid.append(times[rows], values[rows])
        self.now_ns = max(self.now_ns, int(times.max()))
        return new

    def add_computed(self, car: Car) -> list[LiveTrace]:
        """Keep derived and own signals up with what they are made of."""
        from logbench.analysis.expression.evaluate import MOST_OLD_S, computed_signals, constants_of

        measured: dict[str, LiveTrace] = {}
        for trace in self.by_key.values():
            measured.setdefault(trace.signal, trace)
        new, constants = [], constants_of(car)
        for made in computed_signals().values():
            names, key = made.expression.names, (made.entry.acronym, COMPUTED)
            if any(name not in measured for name in names):
                continue
            done_ns = self._done.get(key, -1)
            if measured[names[0]].pyramid.end_ns <= done_ns:
                continue
            since_ns = done_ns - round((made.expression.reach_s + MOST_OLD_S) * SECOND)
            lately = {name: _since(measured[name], since_ns) for name in names}
            found = made.trace(lately.get, constants)
            fresh = None if found is None else found.part(found.t_ns > done_ns)
            if fresh is None or not len(fresh):
                continue
            if key not in self.by_key:
                self.by_key[key] = _described(key)
                new.append(self.by_key[key])
            self.by_key[key].pyramid.append(fresh.t_ns, fresh.value)
            self._done[key] = int(fresh.t_ns[-1])
        return new

    def forget(self, traces: Iterable[LiveTrace]) -> None:
        """These are no more."""
        for trace in traces:
            del self.by_key[trace.key]
            self._done.pop(trace.key, None)

    def rebase(self, since_ns: int) -> None:
        """What came before `since_ns` is forgotten; times count from it."""
        for trace in self.by_key.values():
            trace.pyramid.rebase(since_ns)
        self._done = {key: done_ns - since_ns for key, done_ns in self._done.items()}
        self.now_ns = max(0, self.now_ns - since_ns)
        self.told_ns = max(0, self.told_ns - since_ns)


def _since(trace: LiveTrace, since_ns: int) -> Trace:
    t_ns, value = trace.pyramid.between(since_ns, trace.pyramid.end_ns + 1)
    return Trace(trace.signal, trace.ecu, trace.unit, t_ns, value)


def _described(key: Key) -> LiveTrace:
    """A new trace of a signal of the catalog."""
    entry = catalog().by_acronym(key[0])
    return LiveTrace(
        *key,
        entry.unit,
        group=entry.group or group_of(key[0], entry.unit, entry.kind),
        title=entry.title,
        kind=entry.kind,
        decimals=entry.decimals,
        slot=entry.slot,
    )
