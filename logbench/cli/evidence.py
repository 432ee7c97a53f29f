"""`logbench verify` and `logbench key …`: whether all is what it was, and what signs it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from logbench.cases.work import run_here
from logbench.cli.options import CHANGED, make_group
from logbench.cli.show import run_shown, say, warn
from logbench.errors import LogbenchError, UsageError

if TYPE_CHECKING:
    from logbench.cases.evidence import ReportVerified
    from logbench.job.seal import Seal

key_app = make_group("key", "This installation's key, which signs what enters a job.")

_REPORTS = frozenset({".pdf", ".html", ".htm"})


def verify(
    files: Annotated[
        list[Path],
        typer.Argument(help="Recordings, a job's folder, a report, or a job packed by job export."),
    ],
    job: Annotated[
        Path | None, typer.Option("--job", help="The job that a report was made of.")
    ] = None,
    key: Annotated[
        str, typer.Option(help="Fingerprint of another installation's key that you know.")
    ] = "",
) -> int:
    """Show whether recordings, the exchanges with the car in them, jobs and reports still are what
    they were; exit code 0, also where another installation signed, which is named; 3 where that is
    not known, or another key than the one that --key names signed; 5 where one is changed."""
    if job is None and any(_is_report(file) for file in files):
        raise UsageError("Name the job that the report was made of: --job FOLDER.")
    return max(_verified(file, job, key) for file in files)


def _is_report(file: Path) -> bool:
    return file.suffix.lower() in _REPORTS and not file.is_dir()


def _verified(file: Path, job: Path | None, key: str) -> int:
    """The exit code of one; one that cannot be verified hides nothing of the others."""
    try:
        if file.is_dir() or file.name == "job.toml":
            return _verify_job(file, key)
        if file.suffix.lower() == ".zip":
            return _verify_handover(file, key)
        if job is not None and _is_report(file):
            return _verify_report(file, job, key)
        return _verify_recording(file)
    except LogbenchError as error:
        warn(str(error))
        return error.exit_code


def _verify_recording(file: Path) -> int:
    from logbench.cases.recording import verify_file

    words = {
        True: ("intact: the samples are what was recorded", "green"),
        False: ("CHANGED: the samples are not what was recorded", "bold red"),
        None: ("not known: the file carries no checksum", "yellow"),
    }
    exchanges = {
        True: ("; so are the exchanges with the car", "green"),
        False: ("; the EXCHANGES with the car are changed or gone", "bold red"),
        None: ("", "green"),
    }
    state = run_shown(verify_file(file))
    meaning, style = words[state.samples]
    more, worse = exchanges[state.exchanges]
    say(f"{file}: {meaning}{more}", worse if state.exchanges is False else style)
    for problem in state.in_job.problems:
        say(f"  {problem}", "bold red")
    if state.in_job.remark:
        say(f"  {state.in_job.remark}", "yellow")
    if False in (state.samples, state.exchanges) or state.in_job.problems:
        return CHANGED
    return LogbenchError.exit_code if state.samples is None else 0


def _verify_job(path: Path, key: str) -> int:
    from logbench.cases.evidence import verify_job
    from logbench.job.folder import open_job
    from logbench.job.keys import fingerprint
    from logbench.job.seal import head_text

    seal = run_here(verify_job(open_job(path)[0]))
    show_seal(seal)
    if seal.head:
        say(f"Head of the ledger: {head_text(seal.head)}")
        say(f"Signed with the key {fingerprint(seal.key)}")
    return _code(seal, key)


def _verify_report(path: Path, job: Path, key: str) -> int:
    from logbench.cases.evidence import verify_report
    from logbench.job.folder import open_job

    return _show_verified(run_shown(verify_report(path, open_job(job)[0])), key)


def _verify_handover(path: Path, key: str) -> int:
    from logbench.cases.evidence import verify_handover

    found = run_shown(verify_handover(path))
    say(f"{path}: {found.seal.sentence}")
    return _show_verified(found, key)


def _show_verified(found: ReportVerified, key: str) -> int:
    if found.problems:
        say("CHANGED: the report and the job are not what they were", "bold red")
    for problem in found.problems:
        say(f"  {problem}", "bold red")
    for text in found.said:
        say(text)
    return CHANGED if found.problems else _code(found.seal, key)


def _code(seal: Seal, key: str) -> int:
    """What comes of a seal, and of the key that is named."""
    from logbench.job.keys import fingerprint

    if seal.state == "changed":
        return CHANGED
    if key and any(fingerprint(one) != " ".join(key.upper().split()) for one in seal.foreign):
        say(f"Another key than {key} signed, too.", "yellow")
        return LogbenchError.exit_code
    return LogbenchError.exit_code if seal.state == "none" else 0


def show_seal(seal: Seal) -> None:
    """What was found of a job; each thing that is not as it entered."""
    style = {"sealed": "green", "changed": "bold red"}.get(seal.state, "yellow")
    say(seal.sentence, style)
    for problem in seal.problems[1:]:
        say(f"  {problem}", "bold red")
    for remark in seal.remarks:
        say(f"  {remark}", "dim")


@key_app.command("show")
def show_command() -> None:
    """Show the key's fingerprint, which is in every report, and where the key is."""
    from logbench.job.keys import Keys, fingerprint, public_of

    keys = Keys()
    public = public_of(keys.own())
    say(f"Fingerprint: {fingerprint(public)}")
    say(f"Public key (for anybody): {public}")
    say(f"The key itself (for nobody): {keys.file}")
    earlier = sorted(fingerprint(one) for one in keys.public() - {public})
    for one in earlier:
        say(f"Earlier: {one}")


@key_app.command("backup")
def backup_command(file: Annotated[Path, typer.Argument(help="A new file.")]) -> None:
    """Write a copy of the key, for a new computer or a second one; keep it like a rubber stamp."""
    from logbench.job.keys import Keys

    Keys().back_up(file)
    say(f"Key copied to {file}.")
    warn("Whoever has this file can sign in your name: keep it where nobody else comes.")


@key_app.command("restore")
def restore_command(file: Annotated[Path, typer.Argument(help="A copy of a key.")]) -> None:
    """Sign with the key of a copy from now on; the present one stays known."""
    from logbench.job.keys import Keys, fingerprint, public_of

    keys = Keys()
    keys.restore(file)
    say(f"Signing with {fingerprint(public_of(keys.own()))} from now on.")
