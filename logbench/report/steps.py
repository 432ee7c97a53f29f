"""What to do next, as statements: safety, permanent codes, the car's own tests, inspection, the
next test, what to drive again. Nothing here is a verdict on whether a car may be driven."""

from __future__ import annotations

from collections.abc import Iterator

from logbench.analysis.causes.hand_tests import after_tests
from logbench.analysis.causes.next_tests import next_tests
from logbench.analysis.model import headed
from logbench.analysis.statement import joined as said_together
from logbench.analysis.statement import said
from logbench.foreign import in_label
from logbench.report.gather import Material
from logbench.vehicle.records.model import CarReading
from logbench.words import shown, tr, word

MOST_TO_DRIVE = 2


def next_steps(material: Material) -> dict[str, str]:
    """Key to the statement, the weightiest first."""
    latest = material.after or material.before
    steps = {"next: safety": said_together(_safety(material, latest), " ")}
    if latest is None:
        steps["next: inspection"] = (
            "The car's own records (codes, readiness) were not read: what an inspection would find "
            "in them is not known."
        )
    else:
        steps["next: permanent"] = _permanent(latest)
        steps["next: inspection"] = _inspection(latest)
    steps["next: test"] = _test(material)
    steps["next: drive"] = _drive(material)
    return {key: text for key, text in steps.items() if text}


def _safety(material: Material, latest: CarReading | None) -> Iterator[str]:
    if latest is not None and any(entry.lamp_on for entry in latest.readiness):
        yield (
            "The engine warning lamp was on when the car was last read: where it flashes, do not "
            "drive on."
        )
    for option in material.job.options:
        if option.agreed is False and option.safety:
            what, safety = in_label(option.what), in_label(option.safety)
            yield tr("Declined: {what}. For safety: {safety}", what=what, safety=safety)
    yield "Whether the car is safe to drive was not examined and is not judged here."


def _permanent(latest: CarReading) -> str:
    """Permanent codes: SAE J1979, service 0A; 13 CCR 1968.2 (d)(2.4), from memory."""
    codes = ", ".join(dict.fromkeys(code.code for code in latest.codes_in("permanent")))
    if not codes:
        return ""
    return tr(
        "Permanent: {codes}. No tool clears that; it goes when the car's own test has passed "
        "while driving, and an inspection may count it until then.",
        codes=codes,
    )


def _inspection(latest: CarReading) -> str:
    """What the car's own tests tell an inspection."""
    entries = [entry for entry in latest.readiness if entry.monitors]
    if not entries:
        return "The car did not tell whether its own tests are complete."
    total = sum(len(entry.monitors) for entry in entries)
    lacking = sum(len(entry.missing) for entry in entries)
    missing = list(dict.fromkeys(name for entry in entries for name in entry.missing))
    if not missing:
        return said(
            "The car's own tests are complete ({n} of {n}). What an inspection asks for besides, "
            "local rules decide.",
            n=total,
        )
    return said(
        "Of the car's own tests, {done} of {n} are complete. Not yet: {names}. They run by "
        "themselves in the drive that the maker describes. How many may be missing at an "
        "inspection, local rules decide.",
        done=total - lacking,
        n=total,
        names=", ".join(word(in_label(name)) for name in missing),
    )


def _test(material: Material) -> str:
    """The test by hand that tells most, where what explains it is open and nothing was compared."""
    if material.causes is None or material.comparison is not None:
        return ""
    done = [test.done for test in material.job.tests]
    now = after_tests(material.causes, done)
    proposed = next_tests(now, material.engine, done)
    if not proposed:
        return ""
    test = proposed[0].test
    return tr(
        "The test that tells most for its time: {title} (about {minutes:g} min).",
        title=shown(test.title),
        minutes=test.minutes,
    )


def _drive(material: Material) -> str:
    """What to drive again, where before and after could not be held against each other."""
    comparison = material.comparison
    if comparison is None or not comparison.lost:
        return ""
    names = ", ".join(headed(result.check, result.subject) for result in comparison.lost)
    lost = tr("Out of range before and not judged again after the work: {names}.", names=names)
    return said_together([lost, *comparison.to_drive[:MOST_TO_DRIVE]], " ")
