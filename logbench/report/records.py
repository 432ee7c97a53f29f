"""The car's own records in a report: codes, freeze frame, readiness, monitor results."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from logbench.analysis.misfire_counts import misfire_sentence
from logbench.foreign import joined
from logbench.job.times import when_text
from logbench.report.blocks import Block, Bullets, Heading, Paragraph, Table
from logbench.report.charts import margin_bar
from logbench.report.gather import Material
from logbench.signals.units import METRIC, Units
from logbench.vehicle.records.in_use import MEANING
from logbench.vehicle.records.model import (
    STATES,
    CarReading,
    FreezeFrame,
    MonitorResult,
    Readiness,
)
from logbench.vehicle.records.monitors import LOCAL_RULES

MOST_FROZEN = 60


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
        yield Paragraph(f"Read {when_text(reading.read_utc)}.", "small")
    yield from _codes_blocks(reading)
    yield from more
    yield from _readiness_blocks(reading, units)
    yield from _results_blocks(reading)
    yield from _use_blocks(reading)
    if reading.problems:
        yield Bullets(tuple(reading.problems), "small")


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
                (code, texts[ecu, code], ", ".join(states), joined(" ", ecu, names.get(ecu, "")))
                for (ecu, code), states in rows.items()
            ),
            (10, 48, 20, 22),
        )
    for state in STATES:
        if not reading.codes_known(state):
            yield Paragraph(f"No ECU answered when asked for {state} codes: not known.", "small")
        elif not reading.codes_in(state):
            yield Paragraph(f"No {state} codes.", "small")


def _frozen_blocks(reading: CarReading, units: Units) -> Iterator[Block]:
    if not reading.freeze_frames:
        known = bool(reading.answered.get("freeze frames"))
        text = "No freeze frame is stored." if known else "Freeze frames were not told."
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
        cells.append((value.name, text))
    if len(cells) % 2:
        cells.append(("", ""))
    pairs = zip(cells[::2], cells[1::2], strict=True)
    rows = tuple((*left, *right) for left, right in pairs)
    caption = f"Freeze frame {frame.number} of {frame.ecu}, set by {frame.code}"
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
        what = f" monitor{'' if count == 1 else 's'} complete since clearing"
        since = _complete(count, entry.missing, what)
        yield Paragraph(f"{entry.ecu}: {since}" + _this_cycle(entry) + _counters(entry, units))
    yield Paragraph(LOCAL_RULES, "small")


def _complete(count: int, lacking: Sequence[str], what: str) -> str:
    text = f"{count - len(lacking)} of {count}{what}"
    return f"{text}; not complete: {', '.join(lacking)}." if lacking else f"{text}."


def _this_cycle(entry: Readiness) -> str:
    """Only where the ECU reports it (PID 0x41)."""
    enabled = [m for m in entry.monitors if m.enabled_this_cycle]
    if not enabled:
        return ""
    lacking = [m.name for m in enabled if not m.complete_this_cycle]
    return f" This driving cycle: {_complete(len(enabled), lacking, ' complete')}"


def _counters(entry: Readiness, units: Units) -> str:
    parts = []
    if entry.cleared_distance_km is not None:
        parts.append(units.thousands(entry.cleared_distance_km, "km"))
    if entry.warm_ups is not None:
        parts.append(f"{entry.warm_ups} warm-up{'' if entry.warm_ups == 1 else 's'}")
    text = f" Since the codes were cleared: {', '.join(parts)}." if parts else ""
    if entry.lamp_on is not None:
        text += f" Lamp {'on' if entry.lamp_on else 'off'}."
    return text


def _results_blocks(reading: CarReading) -> Iterator[Block]:
    """Monitor results with their margin as a bar."""
    if not reading.monitor_results:
        return
    rows = tuple(
        (
            r.monitor,
            r.test,
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
        yield Paragraph(f"Misfire counts: {misfires}")


def _use_blocks(reading: CarReading) -> Iterator[Block]:
    """How often each monitor has run, where any driving cycle counted."""
    for entry in reading.in_use:
        if not entry.counted:
            continue
        yield Heading(f"How often the monitors of {entry.ecu} run", 2)
        yield Paragraph(
            f"{entry.encountered} driving cycles counted, {entry.ignition_cycles} ignition cycles."
        )
        rows = tuple(
            (u.monitor, str(u.ran), str(u.of), "–" if u.ratio is None else f"{u.ratio:.2f}")
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
    return f"{METRIC.figure(result.minimum)} to {METRIC.figure(result.maximum)}"


def other_blocks(material: Material, when: str) -> Iterator[Block]:
    """Codes of modules that the open standard does not reach, as typed in."""
    codes = [code for code in material.job.other_codes if code.when == when]
    if not codes:
        return
    rows = tuple((c.module, c.code, c.state or "–", c.remark) for c in codes)
    caption = "Other modules, read with other equipment"
    yield Table(caption, ("module", "code", "state", "remark"), rows, (24, 16, 18, 42))
