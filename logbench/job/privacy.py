"""What of a job can be handed to anybody, and of a car only what a search needs.

As in `recording/privacy.py`, each thing that goes along is named here. Of a job these are the kind
of car, what its ECUs measured and stored, which side of the repair that is of, and which hand tests
of the program's list showed what. All that was typed stays behind, in whatever field: concern,
notes, work, parts, sentences of the report that were rewritten; so do photos, the shop, file names,
days and times of day.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from urllib.parse import quote_plus

from logbench.analysis.causes.hand_tests import HAND_TESTS
from logbench.errors import UsageError
from logbench.job.model import (
    ComparisonEntry,
    Job,
    JobTest,
    OtherCode,
    ReadingEntry,
    RecordingEntry,
)
from logbench.recording.privacy import ecu_names, is_public, private_car
from logbench.signals.catalog import catalog
from logbench.signals.codes import text_of
from logbench.signals.decoding import label
from logbench.signals.table import table
from logbench.vehicle.records.in_use import MONITORS
from logbench.vehicle.records.model import (
    STATES,
    CarReading,
    Code,
    FreezeFrame,
    FrozenValue,
    InUse,
    MonitorResult,
    MonitorState,
    MonitorUse,
    Readiness,
)
from logbench.vehicle.records.monitors import name_of, unit_scalings

PLACE = "{words}"
"""Where the words stand in the address of a search page."""
_CODE = re.compile(r"[PCBU][0-9A-F]{4}(-[0-9A-F]{2})?")
_ANSWERED = (*(f"{state} codes" for state in STATES), "freeze frames")


def private_job(job: Job) -> Job:
    """The job without what says whose car it is, where and when. Its files have other names:
    `before-1`, `after-1` …, by `stand_ins`."""
    names = stand_ins(job)
    return Job(
        created_utc="",
        vehicle=private_car(job.vehicle),
        recordings=[
            RecordingEntry(file=names[e.file], role=e.role, same_car=e.same_car)
            for e in job.recordings
        ],
        readings=[ReadingEntry(file=names[e.file], role=e.role) for e in job.readings],
        comparisons=[
            ComparisonEntry(
                before=[names.get(file, "missing") for file in c.before],
                after=[names.get(file, "missing") for file in c.after],
                same_car=c.same_car,
            )
            for c in job.comparisons
        ],
        other_codes=[
            OtherCode(module="another module", code=c.code, when=c.when, restraint=c.restraint)
            for c in job.other_codes
            if _CODE.fullmatch(c.code)
        ],
        tests=[
            JobTest(at_utc="", test=t.test, outcome=t.outcome)
            for t in job.tests
            if t.test in HAND_TESTS and t.outcome in HAND_TESTS[t.test].words
        ],
    )


def stand_ins(job: Job) -> dict[str, str]:
    """The names that the files of recordings and readings have in a private job."""
    found: dict[str, str] = {}
    files = [(entry.file, entry.role) for entry in job.recordings]
    files += [(entry.file, entry.role) for entry in job.readings]
    for file, role in files:
        same = sum(name.startswith(f"{role}-") for name in found.values())
        found.setdefault(file, f"{role}-{same + 1}")
    return found


def private_reading(reading: CarReading) -> CarReading:
    """What the car's ECUs stored and measured, in the program's own words."""
    ecus = ecu_names(_ecus(reading))
    return CarReading(
        complete=reading.complete,
        codes=[
            Code(code=c.code, state=c.state, ecu=ecus[c.ecu], text=text_of(c.code[:5]),
                 manufacturer=c.manufacturer)
            for c in reading.codes if _CODE.fullmatch(c.code)
        ],
        answered={
            what: sorted(ecus[ecu] for ecu in reading.answered[what])
            for what in _ANSWERED if what in reading.answered
        },
        freeze_frames=[
            FreezeFrame(ecu=ecus[f.ecu], number=f.number,
                        code=f.code if _CODE.fullmatch(f.code) else "",
                        values=[_frozen(v) for v in f.values if is_public(v.signal)])
            for f in reading.freeze_frames
        ],
        readiness=[_readiness(r, ecus[r.ecu]) for r in reading.readiness],
        monitor_results=[_result(r, ecus[r.ecu]) for r in reading.monitor_results],
        in_use=[_in_use(u, ecus[u.ecu]) for u in reading.in_use],
        rpm=reading.rpm,
        speed_kmh=reading.speed_kmh,
    )  # fmt: skip


def _ecus(reading: CarReading) -> Iterable[str]:
    for parts in (reading.codes, reading.freeze_frames, reading.readiness, reading.monitor_results,
                  reading.in_use):  # fmt: skip
        yield from (part.ecu for part in parts)
    for ecus in reading.answered.values():
        yield from ecus


def _frozen(value: FrozenValue) -> FrozenValue:
    entry = catalog().by_acronym(value.signal)
    text = ""
    if value.value is not None and entry.origin == "measured":
        text = label(table().by_acronym(entry.acronym), value.value)
    unit = entry.unit if entry.kind == "number" else ""
    return FrozenValue(
        signal=entry.acronym, name=entry.title, value=value.value, unit=unit, text=text
    )


def _readiness(readiness: Readiness, ecu: str) -> Readiness:
    names = {
        signal.acronym.removesuffix("_SUP"): signal.name.removesuffix(" monitoring supported")
        for signal in table()
        if signal.acronym.endswith("_SUP")
    }
    monitors = [
        MonitorState(
            key=m.key,
            name=names[m.key],
            complete=m.complete,
            enabled_this_cycle=m.enabled_this_cycle,
            complete_this_cycle=m.complete_this_cycle,
        )
        for m in readiness.monitors
        if m.key in names
    ]
    numbers = readiness.model_dump(include=set(Readiness.model_fields) - {"ecu", "monitors"})
    return Readiness(ecu=ecu, monitors=monitors, **numbers)


def _result(result: MonitorResult, ecu: str) -> MonitorResult:
    makers = result.monitor_id is None
    kept = {"monitor_id", "test_id", "component", "scaling", "value", "minimum", "maximum",
            "passed", "margin"}  # fmt: skip
    units = {scaling.unit for scaling in unit_scalings().values()}
    return MonitorResult(
        ecu=ecu,
        monitor="maker's own monitor" if makers else name_of("monitor", result.monitor_id or 0),
        test=f"test {result.test_id:02X}" if makers else name_of("test", result.test_id),
        unit=result.unit if result.unit in units else "counts",
        **result.model_dump(include=kept),
    )


def _in_use(used: InUse, ecu: str) -> InUse:
    known = {name for names in MONITORS.values() for name in names}
    monitors = [
        MonitorUse(monitor=use.monitor, ran=use.ran, of=use.of)
        for use in used.monitors
        if use.monitor in known
    ]
    numbers = used.model_dump(include={"ignition", "encountered", "ignition_cycles"})
    return InUse(ecu=ecu, monitors=monitors, **numbers)


def search_words(code: str, year: int | None, make: str) -> str:
    """Code, year and make; never a VIN, a name or a place."""
    return " ".join(part for part in (code.strip(), str(year or ""), make.strip()) if part)


def search_url(template: str, code: str, year: int | None, make: str) -> str:
    """The address to open in the user's own browser, when they press the button.

    `template`: an https address of a search page of the user's choice with `{words}` in it.
    Raises UsageError for another.
    """
    if not template.startswith("https://") or template.count(PLACE) != 1:
        raise UsageError(
            "The address of the search page must begin with https:// and hold {words} once."
        )
    return template.replace(PLACE, quote_plus(search_words(code, year, make)))
