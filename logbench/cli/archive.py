"""`logbench archive …`: the commands over everything ever recorded."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import asdict, fields
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbench.cases.work import run_here
from logbench.cli.options import INTERRUPTED, Private, duration_s, listed, make_group
from logbench.cli.rows import Form, command_of
from logbench.cli.show import bar, exit_code, run_shown, say, warn
from logbench.errors import LogbenchError, QueryError, UsageError, first_line

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from logbench.archive.archive import Archive
    from logbench.archive.find import Filter

archive_app = make_group("archive", "Everything ever recorded: list, find, query, look after.")

Place = Annotated[str, typer.Argument(help="The archive: a folder or an object-store URL.")]
Name = Annotated[str, typer.Argument(help="A recording's id or file in the archive.")]
Car = Annotated[str, typer.Option(help="Part of the car's name or VIN.")]
Since = Annotated[str, typer.Option(help="Recorded on or after this date: 2026-03-01.")]
Until = Annotated[str, typer.Option(help="Recorded on or before this date, its day included.")]
Folders = Annotated[
    list[str] | None,
    typer.Option(
        "--in", metavar="KEY=VALUE",
        help="Only folders of that name, like year=2026; may be repeated. Others are left alone.",
    ),
]  # fmt: skip
Known = Annotated[
    bool,
    typer.Option("--known", help="As it was looked through last: the archive is left alone."),
]
OwnBands = Annotated[
    Path | None,
    typer.Option("--bands", help="Your own bands and checks (TOML); findings are theirs then."),
]
Memory = Annotated[
    str, typer.Option(help="Memory it may take: 4GB; left out: a quarter of the computer's.")
]
_SHOWN, _SHOWN_OF_QUERY, _ALIKE = 40, 200, 10
"""Rows that people are shown where they set no limit; of drives that are like one, all forms."""


@command_of(archive_app, "list")
def list_command(
    place: Place,
    folders: Folders = None,
    known: Known = False,
    *,
    form: Form,
) -> None:
    """List the recordings, newest first."""
    from logbench.archive.find import Filter

    chosen = Filter(folders=tuple(folders or ()))
    _list(_opened(place, folders=chosen.folders, known=known), chosen, form)


@command_of(archive_app, "find")
def find_command(
    place: Place,
    car: Car = "",
    since: Since = "",
    until: Until = "",
    signal: Annotated[
        list[str] | None, typer.Option(help="Holds this signal; may be repeated.")
    ] = None,
    finding: Annotated[
        str, typer.Option(help="Has this finding: act, fuel_trim or fuel_trim:act.")
    ] = "",
    text: Annotated[str, typer.Option(help="Text in its notes.")] = "",
    liters: Annotated[str, typer.Option(help="Displacement: 1.8 or 1.6-2.0.")] = "",
    when: Annotated[
        str, typer.Option(help="A condition, like 'ECT below 70 after 10 minutes'.")
    ] = "",
    folders: Folders = None,
    known: Known = False,
    bands: OwnBands = None,
    *,
    form: Form,
) -> None:
    """Find recordings by car, date, signal, finding, note or condition."""
    from logbench.analysis.expression.checked import condition
    from logbench.archive.find import Filter

    chosen = Filter(
        car=car,
        since=since,
        until=until,
        signals=listed(",".join(signal or ()).upper()),
        finding=finding,
        text=text,
        displacement_l=_displacements(liters) if liters else None,
        folders=tuple(folders or ()),
        condition=condition(when) if when else None,
    )
    archive = _opened(place, folders=chosen.folders, known=known, own=bands)
    _list(archive, chosen, form)


def _displacements(liters: str) -> tuple[float, float]:
    low, _, high = liters.partition("-")
    try:
        return float(low) - 0.01, float(high or low) + 0.01
    except ValueError:
        raise UsageError(f"'{liters}' is not a displacement: write 1.8 or 1.6-2.0.") from None


def _list(archive: Archive, chosen: Filter, form: Form) -> None:
    from logbench.archive.overview import judged_recordings
    from logbench.cli import show_archive

    most = form.limit or (None if form.machines else _SHOWN)
    found = archive.find(chosen, most and most + 1)
    count = archive.count(chosen) if most and found.num_rows > most else found.num_rows
    if form.machines:
        form.printed(found.to_pylist(), found.column_names, of=count)
        if chosen.finding:
            warn(archive.silent_about("findings"))
        return
    rows = form.first(found, most, count).to_pylist()
    show_archive.recordings(rows, judged_recordings(archive, [row["recording"] for row in rows]))
    say(f"{count:,} of {len(archive.index):,} recordings.")
    if chosen.finding:  # can only be found where the checks have run
        _explain(archive.silent_about("findings"))
    kinds = Counter(problem.kind for problem in archive.index.problems)
    if kinds:
        counts = ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items()))
        say(f"Left out: {counts}; 'archive verify' says why.", "yellow")


def _explain(sentence: str) -> None:
    if sentence:
        say(sentence, "yellow")


@command_of(archive_app, "show")
def show_command(place: Place, recording: Name, *, form: Form) -> None:
    """Show one recording's facts, signals and findings; as CSV the findings."""
    from logbench.cli import show_archive

    archive = _opened(place)
    from logbench.cases.archive import show_recording

    found = run_here(show_recording(archive, archive.resolve(recording)))
    if form.as_csv:
        form.printed(found.findings)
        return
    signals, findings = form.first(found.signals), form.first(found.findings)
    if form.as_json:
        parts = {"facts": found.facts, "signals": signals, "findings": findings}
        print(json.dumps(parts, indent=2, default=str))
    else:
        show_archive.recording(found, signals, findings)


@command_of(archive_app, "query")
def query_command(
    place: Place,
    sql: Annotated[str, typer.Argument(help="One SELECT over the views; see docs/archive.md.")],
    car: Car = "",
    since: Since = "",
    until: Until = "",
    *,
    form: Form,
    memory: Memory = "",
    every: Annotated[str, typer.Option(help="The step of the view 'aligned'.")] = "1s",
    folders: Folders = None,
    known: Known = False,
    bands: OwnBands = None,
) -> int:
    """Ask in SQL: one SELECT over recordings, signals, samples, aligned, conditions, findings,
    notes, cars, jobs, readings and codes. It is answered by a process that is kept from everything
    but the recordings, within 10 minutes. Exit code 3 also where the answer is cut off (5,000,000
    rows, 256 MB)."""
    from logbench.archive.find import Filter
    from logbench.cases.archive import ask_archive
    from logbench.cli import show_archive

    chosen = Filter(car=car, since=since, until=until, folders=tuple(folders or ()))
    archive = _opened(place, memory, chosen.folders, known=known, own=bands)
    answer = run_shown(ask_archive(archive, sql, chosen, duration_s(every)), "searching")
    try:
        table = form.first(answer.table, None if form.machines else _SHOWN_OF_QUERY)
        if not form.write(table.to_pylist() if form.machines else [], table.column_names):
            show_archive.rows(table, answer.table.num_rows)
    except (OverflowError, ValueError) as error:  # a time that is infinite, or of no calendar
        raise QueryError(
            f"A value of the answer cannot be shown ({first_line(error)}): cast it to VARCHAR."
        ) from error
    warn(answer.cut)
    warn(archive.silent_about(sql))
    return LogbenchError.exit_code if answer.cut else 0


@command_of(archive_app, "export")
def export_command(
    place: Place,
    out: Annotated[Path, typer.Option("--out", "-o", help="The folder to copy into.")],
    private: Private = False,
    car: Car = "",
    since: Since = "",
    until: Until = "",
    folders: Folders = None,
    *,
    form: Form,
) -> int:
    """Copy recordings into a folder, itself an archive: list it, ask it, hand it on."""
    from logbench.archive.find import Filter
    from logbench.cases.archive import ExportArchive

    chosen = Filter(car=car, since=since, until=until, folders=tuple(folders or ()))
    archive = _opened(place, folders=chosen.folders)
    account = run_shown(ExportArchive(archive, out, chosen, private), "exporting")
    if not form.printed([{"file": str(path)} for path in account.made], ("file",)):
        say(account.sentence)
    return exit_code(account)


@command_of(archive_app, "add")
def add_command(
    place: Place,
    files: Annotated[list[Path], typer.Argument(help="Recordings (.parquet).")],
    *,
    form: Form,
) -> int:
    """Copy recordings into the archive, also those in folders."""
    from logbench.cases.archive import Added, AddRecordings
    from logbench.recording.storage import storage_trouble
    from logbench.system.private import make_folder

    if "://" not in place:
        with storage_trouble(Path(place)):
            make_folder(Path(place))
    account = run_shown(AddRecordings(_opened(place), tuple(files)), "adding")
    rows = [asdict(one) | {"file": str(one.file)} for one in account.added]
    names = [field.name for field in fields(Added)]
    if not form.printed(rows, names):
        for line in form.first(account.lines):
            say(line.text if line.bad else f"{line.name}: {line.text}", "yellow" * line.bad)
        if account.untouched:
            say(account.sentence)
    return exit_code(account)


@command_of(archive_app, "verify")
def verify_command(
    place: Place,
    quarantine: Annotated[
        bool, typer.Option("--quarantine", help="Set damaged files aside; never deleted.")
    ] = False,
    *,
    form: Form,
) -> int:
    """Verify every recording; exit code 3 when one is damaged."""
    from logbench.cases.archive import VerifyArchive

    archive = _opened(place)
    others = [
        problem
        for problem in archive.index.problems
        if problem.kind not in {"damaged", "enormous"} or problem.path.endswith("job.toml")
    ]
    account = run_shown(VerifyArchive(archive, quarantine), "verifying")
    rows = [{"path": p.path, "damaged": False, "problem": p.sentence} for p in others]
    rows += [{"path": n.name, "damaged": n.bad, "problem": n.text} for n in account.lines]
    rows.sort(key=lambda row: not row["damaged"])
    if not form.printed(rows, ("path", "damaged", "problem")):
        for row in form.first(rows):
            say(str(row["problem"]), "bold red" if row["damaged"] else "yellow")
        say(account.sentence)
    return exit_code(account)


@command_of(archive_app, "sweep")
def sweep_command(
    place: Place,
    checks: Annotated[
        str, typer.Option(help="Keys of checks with commas between; left out: all of them.")
    ] = "",
    function: Annotated[
        str,
        typer.Option(help="MODULE:FUNCTION (docs/scale.md), or a signal, instead of checks."),
    ] = "",
    out: Annotated[Path | None, typer.Option(help="Where the results go (Parquet).")] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(help="tcp://HOST:PORT or tls://HOST:PORT of your own cluster: docs/scale.md."),
    ] = None,
    processes: Annotated[int, typer.Option(min=0, help="Local processes; 0: as many as pay.")] = 0,
    car: Car = "",
    since: Since = "",
    folders: Folders = None,
    bands: OwnBands = None,
    *,
    form: Form,
) -> int:
    """Run the checks, or a function of yours, over all recordings; goes on where it stopped."""
    from logbench.archive.find import Filter
    from logbench.archive.sweep import sweep_checks, sweep_function

    if function and listed(checks):
        raise UsageError("A sweep runs checks or a function: leave one of the two out.")
    chosen, recordings = Filter(car=car, since=since, folders=tuple(folders or ())), None
    archive = _opened(place, folders=chosen.folders, own=bands)
    if chosen:
        recordings = [str(path) for path in archive.find(chosen)["recording"].to_pylist()]
    sweep = partial(sweep_checks, archive, only=listed(checks) or None)
    if function:
        if out is None:
            raise UsageError("Name a folder for the function's results with --out.")
        sweep = partial(sweep_function, archive, function, out)
    try:
        with bar("sweeping") as reported:
            done = sweep(scheduler=scheduler, processes=processes, recordings=recordings,
                         progress=_counted(reported, "sweeping"))  # fmt: skip
    except KeyboardInterrupt:
        warn("Stopped: what was finished is kept, and the same command goes on from there.")
        return INTERRUPTED
    if not form.printed([asdict(done)]):
        say(
            f"{done.done:,} recordings in {done.seconds:.1f} s ({done.per_s:.1f}/s), "
            f"{done.known:,} checked earlier, {done.problems:,} with a problem."
        )
    return LogbenchError.exit_code if done.problems else 0


@command_of(archive_app, "trend")
def trend_command(
    place: Place,
    number: Annotated[str, typer.Argument(help="CHECK:SUBJECT of a finding, or a number's name.")],
    car: Annotated[str, typer.Argument(help="Part of the car's name or VIN.")],
    *,
    form: Form,
) -> None:
    """Show a number over a car's life: where it changed, the band in which the car moves untouched,
    and its place among cars of the same displacement."""
    from logbench.cases.archive import follow_number
    from logbench.cli import show_archive

    archive = _opened(place)
    found = run_here(follow_number(archive, number, car, exact=False))
    if not found.points:
        raise UsageError(_no_number(archive, number, car))
    points = form.first(found.points, last=True)
    if not form.write([asdict(point) for point in points]):
        show_archive.trend(found, points)


def _no_number(archive: Archive, number: str, car: str) -> str:
    """Why nothing is known of a number, with those that are spelled like it."""
    import difflib

    if silent := archive.silent_about("findings"):
        return silent
    sql = "SELECT DISTINCT \"check\" || ':' || subject AS n FROM findings WHERE value IS NOT NULL"
    near = difflib.get_close_matches(number, [row["n"] for row in archive.rows(sql)], 3, 0.4)
    hint = f"did you mean {' or '.join(near)}?" if near else "'archive query' lists findings."
    return f"No number '{number}' is known of a car '{car}': {hint}"


@command_of(archive_app, "repeatability")
def repeatability_command(
    place: Place,
    car: Annotated[str, typer.Argument(help="Part of the car's name or VIN; left out: all.")] = "",
    *,
    form: Form,
) -> None:
    """Show how far each number moves from one drive to the next of a car that nobody touched, as
    its own drives tell it, of those that 'archive sweep' has checked."""
    from logbench.archive.repeats import Habit
    from logbench.cases.archive import list_habits
    from logbench.cli import show_archive

    found = run_here(list_habits(_opened(place), car))
    names = [field.name for field in fields(Habit)]
    if not form.printed([asdict(one) for one in found], names):
        show_archive.habits(form.first(found))


@command_of(archive_app, "like")
def like_command(
    place: Place,
    recording: Name,
    *,
    form: Form,
) -> None:
    """Find the drives that are most like one."""
    from logbench.cases.archive import find_similar
    from logbench.cli import show_archive

    archive = _opened(place)
    found = run_shown(find_similar(archive, recording, len(archive.index)), "comparing")
    names = ("recording", "distance", "common_cells", "parts")
    if not form.printed([asdict(one) for one in found], names, _ALIKE):
        show_archive.similar(form.first(found, _ALIKE))


def _opened(
    place: str,
    memory: str = "",
    folders: Sequence[str] = (),
    *,
    known: bool = False,
    own: Path | None = None,
) -> Archive:
    """An archive as it is now, or as it was known, with the program's bands or one's `own`."""
    from logbench.analysis.bands import load_bands
    from logbench.archive.archive import Archive
    from logbench.cases.cars import CarsFile
    from logbench.system.memory import bytes_of

    bands = None if own is None else load_bands(own)
    cars = CarsFile().load()
    archive = Archive(place, cars=cars, memory_bytes=bytes_of(memory), bands=bands)
    if known:
        archive.as_known()
        return archive
    doing = "looking through the archive"
    with bar(doing) as reported:
        lost = archive.refresh(_counted(reported, doing), folders).lost
    if lost:
        warn(f"What was known of {lost:,} recordings was damaged; they were looked through anew.")
    return archive


def _counted(reported: Callable[[str, float], None], doing: str) -> Callable[[int, int], None]:
    return lambda done, of: reported(doing, done / max(1, of))
