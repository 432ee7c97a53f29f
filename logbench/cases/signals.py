"""The user's own signals: tried on a drive, saved by name, removed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import tomlkit
from pydantic import ValidationError

from logbench.analysis.expression.checked import number
from logbench.analysis.expression.grammar import WORDS
from logbench.cases.review import strip_of
from logbench.cases.work import Work, only_looks
from logbench.errors import SignalUnknownError, UsageError
from logbench.recording.storage import storage_trouble, write_whole
from logbench.signals.catalog import Catalog, Formula, catalog, is_acronym, own_signals_path
from logbench.signals.units import known
from logbench.system.limits import TABLES_BYTES
from logbench.system.private import make_folder
from logbench.system.reading import read_plain, toml_of
from logbench.words import tr

if TYPE_CHECKING:
    from logbench.plot.trace import StripTrace
    from logbench.recording.reader import Recording


def tried(acronym: str, made: Formula) -> Catalog:
    """The catalog with this signal of the user's. Raises `UsageError` where it may not be called
    so or cannot be computed in its unit."""
    if not is_acronym(acronym) or acronym.lower() in WORDS:
        raise UsageError(
            tr(
                "Name it with capital letters, digits and _, such as {example}.",
                example="MY_SIGNAL",
            )
        )
    signals = catalog()
    if acronym in signals and signals.by_acronym(acronym).origin != "own":
        raise UsageError(tr("{name} is the name of another signal.", name=acronym))
    if known(made.unit) is None:
        raise UsageError(tr("There is no unit '{unit}'.", unit=made.unit))
    changed = signals.with_own(acronym, made)
    number(acronym, signals=changed)
    return changed


def formula(title: str, expression: str, unit: str, decimals: int, description: str) -> Formula:
    """What was typed as a formula. Raises `UsageError`."""
    try:
        return Formula(title=title, expression=expression, unit=unit, decimals=decimals,
                       description=description)  # fmt: skip
    except ValidationError as error:
        field = str(error.errors()[0]["loc"][0])
        raise UsageError(tr("The {field} is missing or too long.", field=field)) from None


def save_own(acronym: str, made: Formula) -> None:
    """Keep a signal under its name, in the place of an older one. Raises `UsageError`,
    `StorageError`."""
    tried(acronym, made)

    def put(document: tomlkit.TOMLDocument) -> None:
        document[acronym] = made.model_dump(exclude_defaults=True)

    _change(put)


def remove_own(acronym: str) -> None:
    """Forget one of the user's signals. Raises `SignalUnknownError`, `StorageError`."""
    if acronym not in catalog() or catalog().by_acronym(acronym).origin != "own":
        raise SignalUnknownError(tr("{name} is none of your own signals.", name=acronym))
    _change(lambda document: document.remove(acronym))


def _change(change: Callable[[tomlkit.TOMLDocument], object]) -> None:
    """What a person wrote in the file besides stays as it was."""
    path = own_signals_path()
    with storage_trouble(path):
        make_folder(path.parent)
        try:
            data = read_plain(path, TABLES_BYTES) if path.exists() else b""
            toml_of(data)
            document = tomlkit.parse(data)
        except ValueError as error:  # also of either parser
            why = tr("{path} cannot be read: mend it or move it away.", path=path)
            raise UsageError(why) from error
        change(document)
        write_whole(path, tomlkit.dumps(document).encode())


@dataclass(frozen=True)
class Tried:
    """A signal on a drive: its trace, or why there is none."""

    trace: StripTrace | None = None
    lacks: tuple[str, ...] = ()
    """What the drive does not hold of it."""


@only_looks
def try_signal(work: Work, acronym: str, made: Formula, recording: Recording | None) -> Tried:
    """Compute a signal that need not be saved on a drive (None: only check it). Raises
    `UsageError`."""
    work.report(tr("Computing the signal"))
    signals = tried(acronym, made)
    entry, expression = signals.by_acronym(acronym), number(acronym, signals=signals)
    if recording is None:
        return Tried()
    from logbench.analysis.expression.evaluate import Computed, Evaluation, constants_of
    from logbench.analysis.grid import Traces

    traces, constants = Traces(recording), constants_of(recording.facts.vehicle)
    found = Computed(entry, expression).trace(traces.recorded, constants)
    lacks = Evaluation(traces.recorded, constants).missing(expression.tree)
    trace = None if found is None else strip_of(found, acronym, entry)
    return Tried(trace, tuple(lacks))
