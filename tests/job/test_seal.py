"""The ledger of a job: what is altered, removed, swapped, added or missing is found and named."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from logbench.cases.recording import CorrectFacts
from logbench.cases.work import run_here
from logbench.errors import StorageError
from logbench.job import ledger as ledgers
from logbench.job.folder import JobFolder, create_job, open_job
from logbench.job.keys import Keys, fingerprint, public_of
from logbench.job.ledger import LEDGER_FILE, NEXT_FILE, Entry, Ledger, line_of
from logbench.job.model import Note
from logbench.job.pieces import BESIDE, FIELDS, LISTS, NUMBERS, REPORT
from logbench.job.seal import file_seal, seal_of
from logbench.job.store import JobStore
from tests.job.sealed import changed, entries, lines, note, write

PIECE_KINDS = ("begun", *FIELDS, *LISTS.values(), BESIDE)
KINDS = (*PIECE_KINDS, REPORT, NUMBERS)


def place_of(folder: JobFolder, kind: str) -> int:
    return next(n for n, e in enumerate(entries(folder)) if e.kind == kind)


def edit_toml(folder: JobFolder, old: str, new: str) -> None:
    text = folder.file.read_text("utf-8")
    assert old in text
    folder.file.write_text(text.replace(old, new, 1), "utf-8")


def test_what_the_program_did_is_sealed_with_every_kind(made: JobFolder):
    seal = seal_of(made)
    assert (seal.state, seal.problems, seal.remarks) == ("sealed", (), ())
    assert {entry.kind for entry in entries(made)} == set(KINDS)
    assert seal.entries == len(lines(made))
    assert re.fullmatch(r"[0-9a-f]{64}", seal.head)
    assert seal.sentence.startswith("Sealed since ")


@pytest.mark.parametrize("kind", KINDS)
class TestEveryEntry:
    def test_altered(self, job: JobFolder, kind: str):
        kept, at = lines(job), place_of(job, kind)
        content = json.loads(kept[at])
        content["entry"]["at_utc"] = "2020-01-01T00:00:00.000+00:00"
        kept[at] = ledgers.canonical(content).encode()
        write(job, kept)
        changed(job, f"Entry {at} (", "was altered: its signature does not fit")

    def test_damaged(self, job: JobFolder, kind: str):
        kept, at = lines(job), place_of(job, kind)
        kept[at] = kept[at].replace(b'"', b"'", 1)
        write(job, kept)
        changed(job, f"Line {at + 1} of the ledger is not an entry")

    def test_removed(self, job: JobFolder, kind: str):
        kept, at = lines(job), place_of(job, kind)
        del kept[at]
        write(job, kept)
        seal = changed(job)
        if at < len(kept):
            changed(job, "does not follow what stands before it")
        assert seal.entries == len(kept)

    def test_swapped(self, job: JobFolder, kind: str):
        kept, at = lines(job), place_of(job, kind)
        other = at - 1 if at else 1
        kept[at], kept[other] = kept[other], kept[at]
        write(job, kept)
        changed(job, "does not follow what stands before it")

    def test_twice(self, job: JobFolder, kind: str):
        kept, at = lines(job), place_of(job, kind)
        kept.insert(at, kept[at])
        write(job, kept)
        changed(job, "does not follow what stands before it")

    def test_truncated_there(self, job: JobFolder, kind: str):
        kept, at = lines(job), place_of(job, kind)
        write(job, kept[:at])
        changed(job, "ledger.jsonl is missing" if not at else "entries were removed at its end"
                if at < job.load().ledger.entries else "never entered the ledger")  # fmt: skip

    def test_signed_by_another(self, job: JobFolder, kind: str, tmp_path: Path):
        kept, at = lines(job), place_of(job, kind)
        key = Keys(tmp_path / "theirs").own()
        entry = entries(job)[at]
        whole = Entry(**{**vars_of(entry), "key": public_of(key)})
        kept[at] = line_of(whole, key)
        write(job, kept)
        seal = seal_of(job)
        if at < len(kept) - 1:  # the next one holds on to the line that was
            assert seal.state == "changed"
        else:
            assert seal.state == "other key"
            assert fingerprint(public_of(key)) in seal.sentence


def vars_of(entry: Entry) -> dict:
    return {name: getattr(entry, name) for name in Entry.__dataclass_fields__}


def test_a_ledger_signed_anew_as_a_whole_is_another_installations(job: JobFolder):
    """Whoever alters a piece and makes all entries anew has another key, and another head."""
    before = seal_of(job)
    (job.path / LEDGER_FILE).unlink()
    text = job.file.read_text("utf-8").replace("Hose looks split", "Hose looks good")
    job.file.write_text(re.sub(r"\[ledger\].*?(?=\n\[|\Z)", "", text, flags=re.S), "utf-8")
    Keys().file.rename(Keys().file.with_suffix(".away"))
    JobStore().commit(job.path, lambda held: setattr(held, "title", "Blue van"))
    Keys().file.unlink()
    Keys().file.with_suffix(".away").rename(Keys().file)
    seal = seal_of(job)
    assert seal.state == "other key"
    assert seal.key != before.key
    assert seal.head != before.head


PIECES = {
    "concern": ('concern = "Rough', 'concern = "Smooth', "The concern is not what entered"),
    "agreement": ('agreement = "Renew', 'agreement = "Keep', "The agreement is not what entered"),
    "conclusion": ("The hose was split", "Nothing", "The conclusion is not what entered"),
    "technician": ('technician = "A.', 'technician = "B.', "technician's name is not what"),
    "customer": ('name = "Ada', 'name = "Eve', "The customer is not what entered"),
    "vehicle": ("ZZ9TEST170X000001", "ZZ9TEST170X000002", "The car is not what entered"),
    "symptoms": ("rough idle", "no start", "The symptoms is not what entered"),
    "sentences": ("past the meter", "elsewhere", "The rewritten sentences is not what entered"),
    "note": ("Hose looks split", "Hose looks good", "The note of 2026-05-04"),
    "work": ("Hose renewed", "Hose cleaned", "The work done of 2026-05-05"),
    "part": ("EX-1", "EX-2", "The part is not what entered"),
    "option": ('cost = "80"', 'cost = "8"', "The option is not what entered"),
    "agreed": ("agreed = true", "agreed = false", "The option is not what entered"),
    "recording": ('role = "before"', 'role = "after"', "The recording recordings/a.parquet"),
    "code": ("B1000", "B1001", "The code of another module is not what entered"),
    "photo": ('caption = "split"', 'caption = "whole"', "The photo photos/hose.png is not what"),
    "comparison": ("false\n\n[[tests]]", "true\n\n[[tests]]", "The comparison is not what entered"),
    "hand test": ('outcome = "leak"', 'outcome = "tight"', "The hand test of 2026-05-04"),
    "consent": ('consent = "clear"', 'consent = "no"', "The event of "),
}


@pytest.mark.parametrize("what", PIECES)
def test_a_piece_of_the_job_file_that_was_altered_is_named(job: JobFolder, what: str):
    old, new, named = PIECES[what]
    edit_toml(job, old, new)
    changed(job, named)


FILES = ("recordings/a.parquet", "readings/2026-05-04T070000Z-before.json", "photos/hose.png",
         "files/invoice.txt", "recordings/a.parquet.notes.json")  # fmt: skip


@pytest.mark.parametrize("file", FILES)
@pytest.mark.parametrize("how", ["altered", "missing"])
def test_a_file_that_was_altered_or_is_gone_is_named(job: JobFolder, file: str, how: str):
    path = job.path / file
    if how == "missing":
        path.unlink()
    else:
        data = bytearray(path.read_bytes())
        data[len(data) // 2] ^= 1
        path.write_bytes(data)
    seal = changed(job, file.removesuffix(".notes.json"))
    assert len(seal.problems) == 1
    assert how in seal.problems[0]
    recording = job.path / "recordings" / "a.parquet"
    assert bool(file_seal(recording).problems) is file.startswith("recordings/")


def test_two_files_that_changed_places_are_both_named(job: JobFolder):
    photo, text = job.path / "photos" / "hose.png", job.path / "files" / "invoice.txt"
    first, second = photo.read_bytes(), text.read_bytes()
    photo.write_bytes(second)
    text.write_bytes(first)
    changed(job, "photos/hose.png was altered", "files/invoice.txt was altered")


def test_a_piece_that_was_added_or_taken_out_by_hand_is_named(job: JobFolder):
    edit_toml(job, "[[notes]]", '[[notes]]\ntext = "Owner agreed."\n\n[[notes]]')
    changed(job, "never entered the ledger: it was added")
    text = job.file.read_text("utf-8")
    job.file.write_text(re.sub(r"\[\[notes\]\].*?(?=\[\[)", "", text, flags=re.S), "utf-8")
    changed(job, "(note of ", "is missing in the job")


def test_a_file_that_belongs_to_nothing_is_a_remark(job: JobFolder):
    """A crash between copying a file in and entering it leaves one."""
    (job.path / "photos" / "other.png").write_bytes(b"x")
    seal = seal_of(job)
    assert seal.state == "sealed"
    assert seal.remarks == ("photos/other.png lies in the folder and is not part of the job.",)


def test_what_is_altered_on_purpose_is_a_new_entry_and_the_old_one_stays(job: JobFolder):
    before = lines(job)
    loaded = job.load()
    loaded.notes[0].text = "Hose looks fine."
    loaded.parts.clear()
    job.save(loaded)
    assert seal_of(job).state == "sealed"
    assert lines(job)[: len(before)] == before
    corrected, taken = entries(job)[len(before) :]
    old = entries(job)[place_of(job, "note")]
    assert (corrected.kind, corrected.was) == ("note", old.names)
    assert (taken.kind, taken.sha256, bool(taken.was)) == ("part", "", True)


def test_an_edit_by_hand_is_not_made_good_by_the_next_edit_of_the_program(job: JobFolder):
    edit_toml(job, "Hose looks split", "Hose looks good")
    loaded = job.load()
    loaded.notes[0].text = "Hose looks new."
    loaded.conclusion = "All is well"
    job.save(loaded)
    changed(job, "The note that Entry ", "altered outside of the program before")


def test_without_its_ledger_a_job_opens_and_says_since_when_it_had_one(job: JobFolder):
    (job.path / LEDGER_FILE).unlink()
    changed(job, "ledger.jsonl is missing: the job has had a ledger since ")
    loaded = job.load()
    loaded.notes.append(Note(text="goes on"))
    job.save(loaded)  # nothing is lost or refused
    changed(job, "but the job knows of", "never entered the ledger")


def test_a_job_of_before_has_a_ledger_from_its_next_change_on(job: JobFolder):
    for name in (LEDGER_FILE,):
        (job.path / name).unlink()
    text = re.sub(r"\[ledger\].*?(?=\n\[|\Z)", "", job.file.read_text("utf-8"), flags=re.S)
    text = re.sub(r'^sha256 = ".*"\n', "", text, flags=re.M)
    job.file.write_text(re.sub(r'^job_id = ".*"\n', "", text, flags=re.M), "utf-8")
    seal = seal_of(job)
    assert (seal.state, seal.head, seal.entries) == ("none", "", 0)
    assert "nothing shows whether it was altered" in seal.sentence
    JobStore().commit(job.path, lambda held: held.notes.append(Note(text="later")))
    seal = seal_of(job)
    assert seal.state == "sealed"
    kinds = [entry.kind for entry in entries(job)]
    assert kinds[0] == "begun"
    assert set(kinds) == set(PIECE_KINDS)
    assert kinds.count("note") == 2


def test_the_mark_taken_out_of_the_job_file_makes_nothing_good(job: JobFolder):
    edit_toml(job, "Hose looks split", "Hose looks good")
    text = re.sub(r"\[ledger\].*?(?=\n\[|\Z)", "", job.file.read_text("utf-8"), flags=re.S)
    job.file.write_text(text, "utf-8")
    changed(job, "says nothing of its ledger", "The note of 2026-05-04")
    JobStore().commit(job.path, lambda held: held.notes.append(Note(text="later")))
    changed(job, "The note of 2026-05-04")


def test_a_lost_key_locks_nothing(job: JobFolder):
    keys = Keys()
    keys.file.unlink()
    JobStore().commit(job.path, lambda held: held.notes.append(Note(text="new key")))
    seal = seal_of(job)
    assert seal.state == "other key"
    assert "signed by another installation" in seal.sentence


def test_a_key_that_cannot_be_read_is_set_aside_and_costs_nothing(job: JobFolder):
    keys = Keys()
    keys.file.write_text("damaged", encoding="utf-8")
    JobStore().commit(job.path, lambda held: held.notes.append(Note(text="goes on")))
    assert seal_of(job).state == "other key"
    assert list(keys.file.parent.glob("key.unreadable-*"))


def test_a_job_is_kept_where_no_key_can_be_made(job: JobFolder, monkeypatch: pytest.MonkeyPatch):
    def refuse(_: Keys) -> None:
        raise StorageError("the data folder is read-only")

    monkeypatch.setattr(Keys, "own", refuse)
    JobStore().commit(job.path, lambda held: held.notes.append(Note(text="unsigned")))
    assert open_job(job.path)[1].notes[-1].text == "unsigned"
    changed(job, "The note of ")


def test_a_key_that_is_restored_signs_again_and_the_other_stays_known(tmp_path: Path):
    keys = Keys(tmp_path / "keys")
    first = public_of(keys.own())
    keys.back_up(tmp_path / "backup.pem")
    keys.file.unlink()
    second = public_of(keys.own())
    keys.restore(tmp_path / "backup.pem")
    assert public_of(keys.own()) == first
    assert keys.public() == {first, second}
    assert keys.file.stat().st_mode & 0o077 == 0


STEPS = ("aside", "file", "append", "unlink")


def steps(monkeypatch: pytest.MonkeyPatch, last: str) -> None:
    """The program ends before that step of the next commit."""

    def until(name: str, what: Callable[..., object]) -> Callable[..., object]:
        def step(*args: object) -> object:
            if name == last or (name == "whole" and str(args[0]).endswith(NAMES.get(last, "-"))):
                raise StorageError("the plug was pulled")
            return what(*args)

        return step

    monkeypatch.setattr(ledgers, "write_whole", until("whole", ledgers.write_whole))
    monkeypatch.setattr(Ledger, "_append", until("append", Ledger._append))
    monkeypatch.setattr(ledgers, "sync_folder", until("sync", ledgers.sync_folder))


NAMES = {"aside": NEXT_FILE, "file": "job.toml"}


@pytest.mark.parametrize("step", ["aside", "file", "append"])
def test_a_crash_at_any_step_leaves_nothing_wrong(
    job: JobFolder, step: str, monkeypatch: pytest.MonkeyPatch
):
    count = seal_of(job).entries
    with monkeypatch.context() as patch:
        steps(patch, step)
        with pytest.raises(StorageError):
            JobStore().commit(job.path, lambda held: held.notes.append(Note(text="crash")))
    written = step == "append"
    seal = seal_of(job)
    assert (seal.state, seal.entries) == ("sealed", count + written)
    assert (job.load().notes[-1].text == "crash") is written
    JobStore().commit(job.path, lambda held: held.notes.append(Note(text="after")))
    seal = seal_of(job)
    assert (seal.state, seal.entries) == ("sealed", count + written + 1)
    assert not (job.path / NEXT_FILE).exists()


@pytest.mark.parametrize("share", [0.0, 0.3, 0.999, 1.0])
def test_a_line_that_broke_off_is_gone_on_with(
    job: JobFolder, share: float, monkeypatch: pytest.MonkeyPatch
):
    with monkeypatch.context() as patch:
        steps(patch, "append")
        with pytest.raises(StorageError):
            JobStore().commit(
                job.path, lambda held: held.notes.extend([Note(text="a"), Note(text="b")])
            )
    waiting = json.loads((job.path / NEXT_FILE).read_text("utf-8"))["lines"]
    data = "".join(f"{line}\n" for line in waiting).encode()
    with (job.path / LEDGER_FILE).open("ab") as file:
        file.write(data[: round(len(data) * share)])
    assert seal_of(job).state == "sealed"
    JobStore().commit(job.path, lambda held: held.notes.append(Note(text="after")))
    assert seal_of(job).state == "sealed"
    assert len({entry.number for entry in entries(job)}) == len(lines(job))


def test_a_crash_between_notes_and_entry_leaves_nothing_wrong(
    job: JobFolder, monkeypatch: pytest.MonkeyPatch
):
    with monkeypatch.context() as patch:
        steps(patch, "append")
        with pytest.raises(StorageError):
            note(job, "knocks there")
    assert seal_of(job).state == "sealed"
    note(job, "and here")
    assert seal_of(job).state == "sealed"


def test_what_was_corrected_beside_a_recording_enters(job: JobFolder):
    count = seal_of(job).entries
    recording = job.path / "recordings" / "a.parquet"
    run_here(CorrectFacts(recording, {"cylinders": 6}))
    seal = seal_of(job)
    assert (seal.state, seal.entries) == ("sealed", count + 1)


def test_a_recording_brings_what_stands_beside_it(job: JobFolder, tmp_path: Path):
    folder, made = create_job(tmp_path, "second")
    folder.add_recording(made, job.path / "recordings" / "a.parquet", "other")
    folder.save(made)
    assert seal_of(folder).state == "sealed"
    assert entries(folder)[-1].kind == BESIDE


def test_undoing_is_entered_too(job: JobFolder):
    store = JobStore()
    held = store.hold(job.path)
    held.edit(lambda one: setattr(one, "conclusion", "Guess"), "Conclusion")
    held.flush()
    held.undo()
    store.release(held)
    assert seal_of(job).state == "sealed"
    first, second = entries(job)[-2:]
    assert second.was == first.names


def test_a_clock_that_was_set_is_noticed(job: JobFolder, monkeypatch: pytest.MonkeyPatch):
    if not entries(job)[-1].run:
        pytest.skip("this system does not tell its runs apart")
    from datetime import UTC, datetime, timedelta

    class Later(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:
            return datetime.now(UTC) - timedelta(hours=3)

    monkeypatch.setattr(ledgers, "datetime", Later)
    JobStore().commit(job.path, lambda held: held.notes.append(Note(text="dated back")))
    seal = seal_of(job)
    assert seal.state == "sealed"
    assert any("time of day was set by -180 min before Entry" in text for text in seal.remarks)
