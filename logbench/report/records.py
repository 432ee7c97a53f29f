"""The car's own records in a report: codes, freeze frame, readiness, monitor results."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from logbench.analysis.misfire_counts import misfire_sentence
from logbench.analysis.statement import in_units
from logbench.foreign import in_label, joined
from logbench.job.times import when_text
from logbench.report.blocks import Block, Bullets, Heading, Paragraph, Table
from logbench.report.charts import margin_bar
from logbench.report.gather import Material
from logbench.signals.units import METRIC, Units
from logbench.vehicle.records.in_use import MEANING
from logbench.vehicle.records.model import (
    STATES,
    CarReading,
    CodeState,
    FreezeFrame,
    MonitorResult,
    Readiness,
)
from logbench.vehicle.records.monitors import LOCAL_RULES
from logbench.words import tr, tr_n, word

MOST_FROZEN = 60
_UNKNOWN: dict[CodeState, str] = {
    "stored": "No ECU answered when asked for stored codes: not known.",
    "pending": "No ECU answered when asked for pending codes: not known.",
    "permanent": "No ECU answered when asked for permanent codes: not known.",
}
_NONE: dict[CodeState, str] = {
    "stored": "No stored codes.",
    "pending": "No pending codes.",
    "permanent": "No permanent codes.",
}


def before_section(material: Material) -> Iterator[Block]:
    """Codes, freeze frames and monitors as they were before the work."""
    reading = material.before
    others = [code for code in material.job.other_codes if code.when == "before"]
    if reading is None and not others:
        return
    yield Heading("Codes and monitors before the work")
    if reading is not None:
        frozen = _frozen_blocks(reading, material.units)
        yield from reading_blocks(reading, frozen, material.units)
    yield from other_blocks(material, "before")


def reading_blocks(reading: CarReading, more: Iterator[Block], units: Units) -> Iterator[Block]:
    """What a reading of the car says; `more`: what stands behind its codes."""
    if reading.read_utc:
        yield Paragraph(tr("Read {when}.", when=when_text(reading.read_utc)), "small")
    yield from _codes_blocks(reading)
    yield from more
    yield from _readiness_blocks(reading, units)
    yield from _results_blocks(reading)
    yield from _use_blocks(reading)
    if reading.problems:
        yield Bullets(tuple(reading.problems), "small")


def _known(text: str) -> str:
    """The words of the program's tables, as a file keeps them, in the user's language."""
    return word(in_label(text))


def _codes_blocks(reading: CarReading) -> Iterator[Block]:
    """One row a code and ECU with all its states; or that there is none, or no ECU answered."""
    rows: dict[tuple[str, str], list[str]] = {}
    texts: dict[tuple[str, str], str] = {}
    for state in STATES:
        for code in reading.codes_in(state):
            rows.setdefault((code.ecu, code.code), []).append(state)
            texts[code.ecu, code.code] = code.text
    if rows:
        names = {ecu.address: ecu.name for ecu in reading.identity.ecus}
        yield Table(
            "Codes",
            ("code", "meaning by the standard", "state", "ECU"),
            tuple(
                (
                    code,
                    _known(texts[ecu, code]),
                    ", ".join(map(word, states)),
                    joined(" ", ecu, names.get(ecu, "")),
                )
                for (ecu, code), states in rows.items()
            ),
            (10, 48, 20, 22),
        )
    for state in STATES:
        if not reading.codes_known(state):
            yield Paragraph(_UNKNOWN[state], "small")
        elif not reading.codes_in(state):
            yield Paragraph(_NONE[state], "small")


def _frozen_blocks(reading: CarReading, units: Units) -> Iterator[Block]:
    if not reading.freeze_frames:
        known = bool(reading.answered.get("freeze frames"))
        text = "No freeze frame is stored." if known else "Freeze frames were not reported."
        yield Paragraph(text, "small")
    for frame in reading.freeze_frames:
        yield _frame_table(frame, units)


def _frame_table(frame: FreezeFrame, units: Units) -> Table:
    """Two values a row."""
    cells = []
    for value in frame.values[:MOST_FROZEN]:
        if value.value is None:
            continue
        text = units.figure(value.value, value.unit) if value.unit else value.text
        cells.append((_known(value.name), _known(text)))
    if len(cells) % 2:
        cells.append(("", ""))
    pairs = zip(cells[::2], cells[1::2], strict=True)
    rows = tuple((*left, *right) for left, right in pairs)
    caption = tr(
        "Freeze frame {n} of {ecu}, set by {code}", n=frame.number, ecu=frame.ecu, code=frame.code
    )
    return Table(
        caption, ("signal", "value", "signal", "value"), rows, (32, 18, 32, 18), small=True
    )


def _readiness_blocks(reading: CarReading, units: Units) -> Iterator[Block]:
    """Lamp, counters and monitors of each ECU that has monitors."""
    shown = [entry for entry in reading.readiness if entry.monitors]
    if not shown:
        return
    yield Heading("Readiness", 2)
    for entry in shown:
        count = len(entry.monitors)
        complete = tr_n(
            "{done} of {n} monitor complete since clearing",
            "{done} of {n} monitors complete since clearing",
            count,
            done=count - len(entry.missing),
        )
        since = _complete(complete, entry.missing)
        parts = (f"{entry.ecu}: {since}", _this_cycle(entry), _counters(entry, units))
        yield Paragraph(" ".join(filter(None, parts)))
    yield Paragraph(LOCAL_RULES, "small")


def _complete(text: str, lacking: Sequence[str]) -> str:
    if not lacking:
        return f"{text}."
    names = ", ".join(map(_known, lacking))
    return tr("{text}; not complete: {names}.", text=text, names=names)


def _this_cycle(entry: Readiness) -> str:
    """Only where the ECU reports it (PID 0x41)."""
    enabled = [m for m in entry.monitors if m.enabled_this_cycle]
    if not enabled:
        return ""
    lacking = [m.name for m in enabled if not m.complete_this_cycle]
    text = tr("{done} of {n} complete", done=len(enabled) - len(lacking), n=len(enabled))
    return tr("This driving cycle: {counted}", counted=_complete(text, lacking))


def _counters(entry: Readiness, units: Units) -> str:
    parts = []
    if entry.cleared_distance_km is not None:
        parts.append(units.thousands(entry.cleared_distance_km, "km"))
    if entry.warm_ups is not None:
        parts.append(tr_n("{n} warm-up", "{n} warm-ups", entry.warm_ups))
    lamp = {True: tr("Lamp on."), False: tr("Lamp off."), None: ""}[entry.lamp_on]
    if not parts:
        return lamp
    text = tr("Since the codes were cleared: {counters}.", counters=", ".join(parts))
    return f"{text} {lamp}".strip()


def _results_blocks(reading: CarReading) -> Iterator[Block]:
    """Monitor results with their margin as a bar."""
    if not reading.monitor_results:
        return
    rows = tuple(
        (
            _known(r.monitor),
            _known(r.test),
            METRIC.figure(r.value, r.unit),
            _limits(r),
            margin_bar(r.margin, r.passed),
            r.outcome,
        )
        for r in reading.monitor_results
    )
    marked = frozenset(i for i, r in enumerate(reading.monitor_results) if r.passed is False)
    header = ("monitor", "test", "value", "limits", "margin", "")
    yield Table(
        "On-board monitor results", header, rows, (27, 24, 14, 17, 18, 10), marked, small=True
    )
    yield Paragraph(
        "The line in the middle of each bar is the limit: right of it is inside.", "small"
    )
    if misfires := misfire_sentence(reading.monitor_results):
        yield Paragraph(tr("Misfire counts: {counts}", counts=in_units(misfires, METRIC)))


def _use_blocks(reading: CarReading) -> Iterator[Block]:
    """How often each monitor has run, where any driving cycle counted."""
    for entry in reading.in_use:
        if not entry.counted:
            continue
        yield Heading(tr("How often the monitors of {ecu} run", ecu=entry.ecu), 2)
        yield Paragraph(
            tr(
                "{n:,} driving cycles counted, {ignition:,} ignition cycles.",
                n=entry.encountered,
                ignition=entry.ignition_cycles,
            )
        )
        rows = tuple(
            (_known(u.monitor), str(u.ran), str(u.of), "–" if u.ratio is None else f"{u.ratio:.2f}")
            for u in entry.counted
        )
        yield Table(
            "Runs of each monitor",
            ("monitor", "ran", "of", "ratio"),
            rows,
            (52, 16, 16, 16),
            small=True,
        )
        yield Paragraph(MEANING, "small")


def _limits(result: MonitorResult) -> str:
    if result.minimum is None and result.maximum is None:
        return "–"
    low, high = METRIC.figure(result.minimum), METRIC.figure(result.maximum)
    return tr("{start} to {end}", start=low, end=high)


def other_blocks(material: Material, when: str) -> Iterator[Block]:
    """Codes of modules that the open standard does not reach, as typed in."""
    codes = [code for code in material.job.other_codes if code.when == when]
    if not codes:
        return
    rows = tuple((c.module, c.code, c.state or "–", c.remark) for c in codes)
    caption = "Other modules, read with other equipment"
    yield Table(caption, ("module", "code", "state", "remark"), rows, (24, 16, 18, 42))
