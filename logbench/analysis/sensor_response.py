"""How a narrow-band front sensor answers a mixture that is surely rich or surely lean.

*Enrichment*: the engine is warm and richer than lambda 0.95 is commanded (`LAMBDA`); where that is
not recorded, full throttle, which newer engines may drive at lambda 1: then `watch` at most. The
highest voltage of any enrichment, from its second second on, must reach 0.8 V. *Fuel cut*: foot off
at speed; the lowest voltage of any, counted likewise, must fall below 0.2 V. *Response*: time from
the start of either to 0.8 or 0.2 V, where the sensor stood on the other side of 0.45 V at the start
and came at least four times a second; it holds the exhaust's way to the sensor, too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logbench.analysis.alignment import NS
from logbench.analysis.bands import Bands
from logbench.analysis.findings import Measured, Subject
from logbench.analysis.grid import STEP_S
from logbench.analysis.model import Condition, Finding, Span
from logbench.analysis.statement import said
from logbench.analysis.view import View
from logbench.recording.model import Trace

KEY = "oxygen_sensors"
RICH_LAMBDA = 0.95
RICH_V, LEAN_V, SWITCH_V = 0.8, 0.2, 0.45
"""Rich at least 0.8 V, below 0.2 V on overrun. [Pub: manufacturer text] Switch point 0.45. [CP]"""
LEAST_S = 1.6
SETTLE_S = 1.0
"""Until then the exhaust of before may still be on its way to the sensor. [CP]"""
SLOWEST_S = 0.25
LEAST_SAMPLES = 3
NOISE_V = 0.02


@dataclass(frozen=True, slots=True)
class Answer:
    """What the sensor did in the spans of one kind: the voltage furthest the expected way, the
    spans with samples, and the times to reach the level, in seconds, of those that began on the
    other side."""

    furthest_v: float
    spans: tuple[Span, ...]
    times_s: tuple[float, ...]


def response_findings(view: View, bands: Bands, name: str, front: Trace) -> list[Finding]:
    """Findings on enrichment, fuel cut, and the time both took."""
    spans, commanded = _rich_spans(view)
    rich = find_answer(view, front, spans, 1)
    cuts = view.conditions.mask(Condition.FUEL_CUT) & view.conditions.warm
    cut = find_answer(view, front, view.stretches(cuts, LEAST_S), -1)
    return [
        _enrichment(bands, name, rich, commanded),
        _fuel_cut(bands, name, cut, view.conditions.loop_recorded),
        _time(bands, name, front, rich, cut),
    ]


def find_answer(view: View, front: Trace, spans: Sequence[Span], way: int) -> Answer | None:
    """What the sensor did in `spans`; `way` +1 for rich, -1 for lean. None without samples."""
    level = RICH_V if way > 0 else LEAN_V
    furthest, used, times = [], [], []
    for span in spans:
        found = view.samples((span,), front.signal)
        settled = found.value[found.t_ns >= span.start_ns + SETTLE_S * NS]
        if len(settled) < LEAST_SAMPLES:
            continue
        used.append(span)
        furthest.append(float((way * settled).max()))
        before = view.samples((Span(span.start_ns - NS, span.start_ns),), front.signal)
        hits = np.flatnonzero(way * found.value >= way * level)
        if len(before) and way * before.value[-1] < way * SWITCH_V and len(hits):
            times.append(float(found.t_ns[hits[0]] - span.start_ns) / NS)
    if not used:
        return None
    return Answer(way * max(furthest), tuple(used), tuple(times))


def _rich_spans(view: View) -> tuple[tuple[Span, ...], bool]:
    """Stretches that are surely rich, and whether that was commanded rather than inferred."""
    warm = view.conditions.warm & view.conditions.running
    commanded = view.grid.held("LAMBDA")
    if commanded is None:
        mask = view.conditions.mask(Condition.FULL_THROTTLE) & warm
    else:
        mask = (commanded < RICH_LAMBDA) & (commanded > 0.3) & warm
    return view.stretches(mask, LEAST_S), commanded is not None


def _enrichment(bands: Bands, name: str, found: Answer | None, commanded: bool) -> Finding:
    subject = Subject(KEY, f"{name}, enrichment")
    if found is None:
        what = "a mixture richer than lambda 0.95 commanded" if commanded else "full throttle"
        text = said("Less than two seconds of {what} were recorded with a warm engine.", what=what)
        return subject.not_judged(text, "pull")
    remark = "commanded by LAMBDA" if commanded else "LAMBDA was not recorded; full throttle"
    return subject.judged(
        "Highest voltage of a rich mixture",
        Measured(found.furthest_v, NOISE_V, found.spans, (remark,), _numbers(found)),
        bands["o2_enriched"],
        "not_rich",
        watch_at_most="" if commanded else "newer engines may drive full throttle at lambda 1",
    )


def _fuel_cut(bands: Bands, name: str, found: Answer | None, loop_recorded: bool) -> Finding:
    subject = Subject(KEY, f"{name}, fuel cut")
    if found is None:
        return subject.not_judged("No warm fuel cut of two seconds was recorded.", "coast")
    return subject.judged(
        "Lowest voltage of a fuel cut",
        Measured(found.furthest_v, NOISE_V, found.spans, (), _numbers(found)),
        bands["o2_fuel_cut"],
        "not_lean",
        watch_at_most="the fuel cut is inferred, FUELSYS1 was not recorded"
        if not loop_recorded
        else ""
        if len(found.spans) > 1
        else "one fuel cut only was seen",
    )


def _numbers(found: Answer) -> dict[str, float]:
    numbers = {"times": float(len(found.spans))}
    if found.times_s:
        numbers["median_s"] = float(np.median(found.times_s))
    return numbers


def _time(
    bands: Bands, name: str, front: Trace, rich: Answer | None, cut: Answer | None
) -> Finding:
    """The slower of both ways; not judged where the sensor came too slowly or began on the wrong
    side."""
    step_s = front.interval_s
    told = [
        (float(np.median(found.times_s)), text, found)
        for found, text in ((rich, "to rich"), (cut, "to lean"))
        if found is not None and found.times_s
    ]
    subject = Subject(KEY, f"{name}, response")
    if not told or not step_s <= SLOWEST_S:
        text = "No answer from one side to the other was recorded, at 4 samples a second or more."
        return subject.not_judged(text, "pull", "coast")
    seconds, text, found = max(told, key=lambda x: x[0])
    remark = f"{text}, {len(found.times_s)} {'time' if len(found.times_s) == 1 else 'times'}"
    return subject.judged(
        "Time from the command to the sensor's answer",
        Measured(seconds, step_s / 2.0 + STEP_S, found.spans, (remark,)),
        bands["o2_response"],
        "late",
    )
