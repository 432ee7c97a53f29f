"""What the strips show, as a value: to be kept, undone, and used again for another drive."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from logbench.plot.trace import Key, StripTrace
from logbench.system.limits import KEY_CHARS, LAYOUT_STRIPS, LAYOUT_TRACES
from logbench.system.reading import json_of


@dataclass(frozen=True, slots=True)
class StripPlan:
    """One strip: its traces (signal, ECU) from the left, and its share of the stack's height."""

    keys: tuple[Key, ...]
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class Layout:
    """Strips from the top."""

    strips: tuple[StripPlan, ...] = ()

    @property
    def keys(self) -> tuple[Key, ...]:
        """All traces, from the top."""
        return tuple(key for strip in self.strips for key in strip.keys)

    def same_as(self, other: Layout) -> bool:
        """Equal but for heights that differ by less than is seen."""
        return [s.keys for s in self.strips] == [s.keys for s in other.strips] and all(
            abs(a.share - b.share) < 0.005 for a, b in zip(self.strips, other.strips, strict=True)
        )

    def among(self, traces: Sequence[StripTrace]) -> Mapping[Key, StripTrace]:
        """Those of the traces that its keys mean: by signal and ECU, else by the signal alone, so
        that the same layout serves another car, whose ECU has another address."""
        by_key = {t.key: t for t in traces}
        found = {key: by_key[key] for key in self.keys if key in by_key}
        taken = {t.key for t in found.values()}
        for key in self.keys:
            if key not in found:
                near = [t for t in traces if t.signal == key[0] and t.key not in taken]
                if near:
                    found[key] = near[0]
                    taken.add(near[0].key)
        return found

    def to_json(self) -> str:
        """As text for the settings."""
        return json.dumps([{"keys": s.keys, "share": round(s.share, 4)} for s in self.strips])


def layout_from_json(text: str) -> Layout:
    """The layout written by `to_json`; whatever is wrong in it is left out."""
    try:
        found = json_of(text)
    except ValueError:
        return Layout()
    rows = found[:LAYOUT_STRIPS] if isinstance(found, list) else []
    strips = [strip for row in rows if (strip := _strip_from(row)).keys]
    return Layout(tuple(strips))


def _strip_from(row: Any) -> StripPlan:
    if not isinstance(row, dict):
        return StripPlan(())
    keys, share = row.get("keys"), row.get("share")
    pairs = [key_from(k) for k in keys[:LAYOUT_TRACES]] if isinstance(keys, list) else []
    if not (isinstance(share, int | float) and 0.001 <= share <= 1000.0):
        share = 1.0
    return StripPlan(tuple(k for k in pairs if k is not None), float(share))


def key_from(value: Any) -> Key | None:
    """Signal and ECU from parsed JSON, or None for anything else."""
    if not (isinstance(value, list | tuple) and len(value) == 2):
        return None
    if not all(isinstance(part, str) and len(part) <= KEY_CHARS for part in value):
        return None
    return str(value[0]), str(value[1])
