"""The traces of a drive under way, which grow by what the capture process sends."""

from __future__ import annotations

import numpy as np

from logbench.capture.messages import Batch
from logbench.plot.computed import COMPUTED, TOTALS, extend_total
from logbench.plot.trace import Key, LiveTrace, group_of
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
        self._totalled: dict[Key, int] = {}

    def clear(self) -> None:
        """Another drive begins."""
        self.by_key, self._totalled = {}, {}
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
                self.by_key[key] = _measured(key)
                new.append(self.by_key[key])
            self.by_key[key].pyramid.append(times[rows], values[rows])
        self.now_ns = max(self.now_ns, int(times.max()))
        return new

    def add_totals(self) -> list[LiveTrace]:
        """Keep total fuel trim up with its parts."""
        new = []
        for signal, (short_name, long_name, name) in TOTALS.items():
            shorts = [t.pyramid for t in self.by_key.values() if t.signal == short_name]
            longs = [t.pyramid for t in self.by_key.values() if t.signal == long_name]
            if not shorts or not longs or not len(longs[0]):
                continue
            key = (signal, COMPUTED)
            if key not in self.by_key:
                group = group_of(signal, "%")
                self.by_key[key] = LiveTrace(*key, "%", label=name, group=group, title=name)
                new.append(self.by_key[key])
            done = self._totalled.get(key, 0)
            total = self.by_key[key].pyramid
            self._totalled[key] = extend_total(total, shorts[0], longs[0], done)
        return new

    def rebase(self, since_ns: int) -> None:
        """What came before `since_ns` is forgotten; times count from it."""
        gone: dict[str, int] = {}
        for trace in self.by_key.values():
            before = len(trace.pyramid)
            trace.pyramid.rebase(since_ns)
            gone[trace.signal] = before - len(trace.pyramid)
        for key in self._totalled:
            self._totalled[key] = max(0, self._totalled[key] - gone[TOTALS[key[0]][0]])
        self.now_ns = max(0, self.now_ns - since_ns)
        self.told_ns = max(0, self.told_ns - since_ns)


def _measured(key: Key) -> LiveTrace:
    """A new trace of a signal of the table."""
    from logbench.signals.table import table

    row = table().by_acronym(key[0])
    group = group_of(key[0], row.unit, row.kind)
    return LiveTrace(*key, row.unit, group=group, title=row.name, kind=row.kind)
