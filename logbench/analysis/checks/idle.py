"""Warm idle: how steady it is, how well it keeps its speed, and the ignition timing.

Inputs: `RPM`, `VSS`, `ECT`; `MAP` or `LOAD_PCT` for the load of accessories; `SPARKADV` where there
is. Enabled: plateaus of warm idle: behind a start, settled, and without a step of load, so that a
compressor that switches counts as neither unsteady nor as a wrong speed. Method: the standard
deviation of the engine speed about its straight line in stretches of ten seconds (longer where that
holds fewer than five readings), the median of all; how far the speed of the stretches lies from the
median of their own state of load, 95 of 100 of them: no standard PID gives the target speed; the
mean timing, without load where that was seen. An idle that never settles is judged only where its
scatter about straight lines of five seconds is surely too large. Uncertainty: of the scatter
chi-square, by as many readings as are independent; of the speed the scatter of a stretch's mean; of
the timing a 95 % interval that minds autocorrelation. Evidence: the stretches, or the plateaus.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from logbench.analysis import alignment
from logbench.analysis.alignment import NS
from logbench.analysis.bands import Bands, Distance
from logbench.analysis.findings import Measured, Subject, distance_of
from logbench.analysis.model import Band, Condition, Coverage, Finding, Verdict
from logbench.analysis.statement import said
from logbench.analysis.states import SETTLE_S, IdleSpan, States, find_states
from logbench.analysis.statistics import Spread, estimate, spread_of_pieces
from logbench.analysis.view import Samples, View, evidence

KEY = "idle"
TITLE = "Idle stability, speed and timing"
PLAIN = "The idle"
STRIPS = (("RPM",), ("MAP", "LOAD_PCT"), ("SPARKADV",), ("TP",))
ORDER = 8
SHOWN = "RPM|MAP|LOAD_PCT|SPARKADV"
INPUTS = ("RPM", "SPARKADV", "ECT", "VSS")

STABILITY = "idle stability"

WINDOW_S, WINDOW_READINGS = 10.0, 5
PIECE_S, PIECE_READINGS = 5.0, 3
"""Of an idle that does not settle: a straight line follows the settling for so long, and a swing of
2 to 8 s still shows about it."""
LEAST_WINDOWS, LEAST_PIECES = 3, 6
"""The median of fewer windows is not free of a single event: a clutch, the steering at its stop."""
LEAST_TIMINGS = 10
MOST_NAMED = 6
"""More plateaus are not named one by one."""
_UNTOLD_LOAD = "nothing recorded tells its load: a compressor that comes and goes does the same"
_LOADED = {None: "", False: " without an accessory's load", True: " with an accessory's load"}


@dataclass(frozen=True, slots=True)
class _Pieces:
    """Stretches of idle and their readings of the engine speed."""

    spans: Sequence[IdleSpan]
    found: Samples
    spread: Spread


def check(view: View, bands: Bands) -> list[Finding]:
    """Findings on stability, speed and timing of warm idle."""
    rpm = view.trace("RPM")
    if rpm is None:
        return [Subject(KEY, "idle").not_judged("RPM was not recorded.", "record")]
    states, step_s = view.once(find_states), rpm.interval_s
    if not np.isfinite(step_s):
        return [Subject(KEY, STABILITY).not_judged("RPM was read only once.", "record")]
    length_s = max(WINDOW_S, WINDOW_READINGS * step_s)
    settled = _pieces(view, states.plateaus, round(length_s / step_s))
    finding = _stability(bands, states, settled, length_s, view)
    if finding.verdict is Verdict.NOT_JUDGED:
        piece_s = max(PIECE_S, PIECE_READINGS * step_s)
        moving = _pieces(view, states.between, round(piece_s / step_s))
        finding = _unsettled(bands, moving) or finding
    timing = _timing(view, bands, states)
    if len(settled.spans) < LEAST_WINDOWS:
        return [finding, *([timing] if timing.verdict is not Verdict.NOT_JUDGED else [])]
    return [finding, _speed(bands, states, settled), timing]


def _pieces(view: View, whole: Sequence[IdleSpan], size: int) -> _Pieces:
    """Even pieces of some stretches, of `size` readings or a few more."""
    found = view.samples(whole, "RPM")
    readings = np.bincount(found.group, minlength=len(whole))
    count = readings // size
    place = np.arange(len(found)) - np.repeat(np.cumsum(readings) - readings, readings)
    used = count[found.group] > 0
    t_ns, value, group = found.t_ns[used], found.value[used], found.group[used]
    piece = (np.cumsum(count) - count)[group] + place[used] * count[group] // readings[group]
    first, last = (
        np.flatnonzero(np.diff(piece, prepend=-1)),
        np.flatnonzero(np.diff(piece, append=-1)),
    )
    spans = [
        IdleSpan(int(t_ns[a]), int(t_ns[b]) + 1, whole[int(group[a])].loaded)
        for a, b in zip(first, last, strict=True)
    ]
    spread = spread_of_pieces(t_ns / NS, value, piece)
    return _Pieces(spans, Samples(t_ns, value, piece), spread)


def _stability(
    bands: Bands, states: States, settled: _Pieces, length_s: float, view: View
) -> Finding:
    subject, band = Subject(KEY, STABILITY), bands["idle_stability"]
    if len(settled.spans) < LEAST_WINDOWS:
        reason, lacks = _why_not(view, length_s)
        return subject.not_judged(reason, "record", lacks=lacks)
    remarks = []
    if states.steps:
        text = "steps of an accessory's load in {load}: {n:.0f}, judged in between"
        remarks.append(said(text, load=states.parted_by, n=states.steps))
    return subject.judged(
        "Scatter of the engine speed",
        _measured(settled, band, *remarks),
        band,
        "unsteady",
        watch_at_most="" if states.load_signal else _UNTOLD_LOAD,
    )


def _measured(pieces: _Pieces, band: Band, *remarks: str) -> Measured:
    half = pieces.spread.towards(band.within[1] or 0.0)
    numbers = {"readings": float(len(pieces.found))}
    return Measured(pieces.spread.sd, half, pieces.spans, remarks, numbers)


def _unsettled(bands: Bands, moving: _Pieces) -> Finding | None:
    """The scatter of an idle that was never settled, about short straight lines; None where it is
    not so large that settling cannot be the reason."""
    band = bands["idle_stability"]
    finding = Subject(KEY, STABILITY).judged(
        "Scatter of the engine speed about its course",
        _measured(moving, band),
        band,
        "unsteady",
        watch_at_most="the load stepped, or the car stood, for too short a time to settle",
    )
    surely = distance_of(finding) is Distance.SURELY
    return finding if surely and len(moving.spans) >= LEAST_PIECES else None


def _why_not(view: View, length_s: float) -> tuple[str, Coverage]:
    """What kept the idle from being judged: too little of it, its readings, or its accessories."""
    settled = [s.duration_s - SETTLE_S for s in view.spans(Condition.WARM_IDLE)]

    def room(for_s: float) -> bool:
        return sum(int(max(0.0, seconds) / for_s) for seconds in settled) >= LEAST_WINDOWS

    if room(length_s):
        text = said(
            "No three settled stretches of {length:.0f s} of warm idle lay between a start and the"
            " steps of its load.",
            length=length_s,
        )
        return text, Coverage.UNCERTAIN
    if room(WINDOW_S):
        text = said(
            "RPM was read every {step:.1f s}: three settled stretches of {length:.0f s}, with five"
            " readings each, are needed.",
            step=length_s / WINDOW_READINGS,
            length=length_s,
        )
        return text, Coverage.UNCERTAIN
    text = "Less than three settled stretches of {length:.0f s} of warm idle were recorded."
    return said(text, length=length_s), Coverage.NOT_RECORDED


def _speed(bands: Bands, states: States, settled: _Pieces) -> Finding:
    """How far the stretches' speeds lie from the median of their own state of load."""
    count = np.bincount(settled.found.group)
    level = np.bincount(settled.found.group, weights=settled.found.value) / count
    loads = [piece.loaded for piece in settled.spans]
    own = {
        load: float(np.median([rpm for rpm, of in zip(level, loads, strict=True) if of is load]))
        for load in dict.fromkeys(loads)
    }
    away = level - np.array([own[load] for load in loads])
    low, high = (float(x) for x in np.percentile(away, [5.0, 95.0]))
    remarks = [said("{rpm:.0f rpm}{load}", rpm=rpm, load=_LOADED[of]) for of, rpm in own.items()]
    owner = alignment.owner(np.array([s.start_ns for s in settled.spans]), states.plateaus)
    each = [float(level[owner == k].mean()) for k in np.unique(owner)]
    if 1 < len(each) <= MOST_NAMED:
        remarks.append(said("plateaus at {each:.0f rpm}", each=each))
    return Subject(KEY, "idle speed").judged(
        "Furthest of 95 in 100 stretches from the idle speed of their state of load",
        Measured(
            high if high / 2.0 > -low else low,
            max(1.0, 1.96 * settled.spread.sd / float(np.sqrt(np.median(count)))),
            settled.spans,
            tuple(remarks),
            {"loaded_rpm" if of else "idle_rpm": rpm for of, rpm in own.items()},
        ),
        bands["idle_against_median"],
        "speed",
    )


def _timing(view: View, bands: Bands, states: States) -> Finding:
    subject = Subject(KEY, "ignition timing at idle")
    if view.trace("SPARKADV") is None:
        return subject.not_recorded(view, ["SPARKADV"], "record")
    plateaus = states.unburdened
    found = view.samples(plateaus, "SPARKADV")
    if len(found) < LEAST_TIMINGS:  # under load it is judged, too: its band is wide
        plateaus = states.plateaus
        found = view.samples(plateaus, "SPARKADV")
    if len(found) < LEAST_TIMINGS:
        text = said("Fewer than {n:.0f} readings of SPARKADV at a settled idle.", n=LEAST_TIMINGS)
        return subject.not_judged(text, "record")
    level = estimate(found.value, found.group, 0.5)
    remark = said("scatter {sd:.1f deg}", sd=level.sd)
    return subject.judged(
        "Timing",
        Measured(
            level.mean,
            level.half_width,
            evidence(plateaus, found.t_ns),
            (remark,),
            {"sd_deg": level.sd},
        ),
        bands["idle_timing"],
        "late" if level.mean < 0.0 else "unsteady",
    )
