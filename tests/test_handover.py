"""A job for third parties: whole or shortened it verifies by itself, here and in the page."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from pypdf import PdfReader

from logbench.cases.evidence import verify_report
from logbench.cases.handover import HandOver
from logbench.cases.work import run_here
from logbench.cli.main import main
from logbench.cli.options import CHANGED
from logbench.job.folder import JobFolder
from logbench.job.ledger import LEDGER_FILE, entry_in
from logbench.job.model import Note, RecordingEntry
from logbench.job.pieces import pieces_of
from logbench.job.seal import seal_of
from logbench.job.store import JobStore
from logbench.recording.reader import open_recording
from logbench.report.options import ReportOptions
from tests.job.sealed import sealed_job

SECRETS = ("Ada", "ZZ9TEST170X000001", "ada@example.invalid", "Blue van", "B-XY 12")
NODE = shutil.which("node")


@pytest.fixture(scope="module")
def packed(tmp_path_factory: pytest.TempPathFactory) -> dict[bool, Path]:
    """The zips of one job, by whether shortened."""
    place = tmp_path_factory.mktemp("handover")
    folder = sealed_job(place)

    def say(job) -> None:
        job.vehicle.registration = "B-XY 12"
        job.notes.append(Note(text="Mrs ADA Example, plate B-XY 12, of ZZ9TEST170X000001 called"))

    JobStore().commit(folder.path, say)
    zips = {short: place / f"short-{short}.zip" for short in (False, True)}
    for short, out in zips.items():
        run_here(HandOver(JobFolder(folder.path), out, ReportOptions(), short))
    return zips


def unpacked(packed: dict[bool, Path], short: bool, tmp_path: Path) -> Path:
    with zipfile.ZipFile(packed[short]) as file:
        file.extractall(tmp_path)
    return tmp_path


@pytest.mark.parametrize("short", [False, True])
def test_it_verifies_by_itself_with_its_report(packed, short: bool, tmp_path: Path):
    place = unpacked(packed, short, tmp_path)
    job = JobFolder(place / "job")
    seal = seal_of(job)
    assert (seal.state, seal.problems) == ("sealed", ())
    assert any("shortened" in text for text in seal.remarks) is short
    assert run_here(verify_report(place / "report.pdf", job)).problems == ()
    assert seal.key in (place / "key.txt").read_text("utf-8")


def test_names_plates_and_numbers_stand_nowhere_in_a_shortened_one(packed, tmp_path: Path):
    place = unpacked(packed, True, tmp_path)
    texts = [p.read_text("utf-8") for p in place.rglob("*") if p.suffix not in (".parquet", ".pdf")
             and p.is_file()]  # fmt: skip
    recordings = [open_recording(p) for p in place.rglob("*.parquet")]
    texts += [one.facts.model_dump_json() for one in recordings]
    texts += [page.extract_text() for page in PdfReader(place / "report.pdf").pages]
    texts += [str(p.relative_to(place)) for p in place.rglob("*")]
    for secret in SECRETS:
        words = re.compile(rf"\b{re.escape(secret)}\b", re.IGNORECASE)
        assert not any(words.search(text) for text in texts), secret
    assert "Mrs A. E., plate …, of ZZ9TEST170X****** called" in "".join(texts)
    assert len(recordings) == 2
    assert not any(one.facts.exchanges for one in recordings)
    assert all(one.intact() for one in recordings)
    assert not (place / "job" / "photos").exists()


def test_each_shortened_piece_names_its_original(packed, tmp_path: Path):
    whole = JobFolder(unpacked(packed, False, tmp_path / "whole") / "job")
    place = unpacked(packed, True, tmp_path / "short")
    lines = (place / "job" / LEDGER_FILE).read_bytes().splitlines()
    entries = [found[0] for line in lines if (found := entry_in(line)) is not None]
    marked = next(n for n, entry in enumerate(entries) if entry.kind == "shortened copy")
    named = {entry.of for entry in entries[marked:] if entry.kind != "notes beside"}
    originals = {p.key for p in pieces_of(whole.load()) if p.kind not in ("photo", "file")}
    assert originals <= named
    before = (whole.path / LEDGER_FILE).read_bytes().splitlines()
    assert lines[:marked] == before[:marked]  # the ledger goes along as it is


def test_what_was_altered_before_is_told_in_the_copy_too(tmp_path: Path):
    folder = sealed_job(tmp_path)
    text = folder.file.read_text("utf-8")
    folder.file.write_text(text.replace("Hose looks split", "Hose looks good"), "utf-8")
    typed = ["--shop", "Example Garage|12 Main Street", "--letter", "--for", "owner"]
    for short in (typed, ["--shorten"]):
        out = tmp_path / f"x{len(short)}.zip"
        assert main(["job", "export", str(folder.path), "--out", str(out), *short]) == CHANGED
        assert main(["job", "export", str(folder.path), "--out", str(out), *short]) == 3
    unpacked({False: tmp_path / f"x{len(typed)}.zip"}, False, tmp_path / "out")
    pages = PdfReader(tmp_path / "out" / "report.pdf").pages
    assert (len(pages), round(float(pages[0].mediabox.width))) == (1, 612)
    assert "12 Main Street" in pages[0].extract_text()


def test_it_is_verified_as_it_is(packed, tmp_path: Path, capsys):
    """`verify` took no zip."""
    assert main(["verify", str(packed[False]), str(packed[True])]) == 0
    assert capsys.readouterr().out.count("every sample is what the car sent") == 0  # none is kept
    for name in ("file", "text", "added"):
        spoil, _ = SPOILED[name]
        place = unpacked(packed, False, tmp_path / name)
        spoil(place)
        out = tmp_path / f"{name}.zip"
        with zipfile.ZipFile(out, "w") as file:
            for path in filter(Path.is_file, place.rglob("*")):
                file.write(path, path.relative_to(place))
        assert main(["verify", str(out)]) == CHANGED, name


@pytest.mark.parametrize(
    "names", [["x.txt"], ["../job/job.toml", "report.pdf"], ["job/job.toml", "JOB/job.toml"]]
)
def test_another_zip_is_a_sentence(names: list[str], tmp_path: Path, capsys):
    out = tmp_path / "other.zip"
    with zipfile.ZipFile(out, "w") as file:
        for name in names:
            file.writestr(name, b"x")
    assert main(["verify", str(out)]) == 3
    assert "not a job packed for third parties" in capsys.readouterr().err
    assert not (tmp_path / "job").exists()


def test_a_recording_that_is_gone_is_a_sentence(tmp_path: Path, capsys):
    folder = sealed_job(tmp_path)
    (folder.path / "recordings" / "a.parquet").unlink()
    out = tmp_path / "x.zip"
    assert main(["job", "export", str(folder.path), "--out", str(out), "--shorten"]) == 3
    assert "a.parquet" in capsys.readouterr().err
    assert not out.exists()


def test_a_job_without_a_customer_is_shortened_too(tmp_path: Path):
    folder = sealed_job(tmp_path)
    job = folder.load()
    job.customer.name = job.customer.contact = job.vehicle.label = job.vehicle.vin = ""
    folder.save(job)
    assert isinstance(job.recordings[0], RecordingEntry)
    seal = run_here(HandOver(folder, tmp_path / "x.zip", ReportOptions(), True))
    assert seal.state == "sealed"


# --- the page, as a browser runs it ---


def page_says(place: Path, head: str = "") -> dict:
    """What the page's own check finds in an unpacked zip."""
    page = (place / "verify.html").read_text("utf-8")
    script = re.search(r"<script>(.*)</script>", page, flags=re.S)
    assert script is not None
    run = (
        script[1]
        + """
    const fs = require("fs"), root = process.argv[1], files = new Map();
    for (const name of fs.readdirSync(root, {recursive: true}))
      if (fs.statSync(root + "/" + name).isFile())
        files.set(name, fs.readFileSync(root + "/" + name));
    verifyAll(files, process.argv[2]).then(async found => console.log(
      JSON.stringify({...found, fingerprints: await Promise.all(found.keys.map(fingerprint))})));
    """
    )
    assert NODE is not None
    done = subprocess.run([NODE, "-e", run, str(place), head], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr.decode()
    return json.loads(done.stdout)


needs_node = pytest.mark.skipif(NODE is None, reason="nothing here runs the page's script")


@needs_node
@pytest.mark.parametrize("short", [False, True])
def test_the_page_finds_nothing_wrong_and_the_same_head(packed, short: bool, tmp_path: Path):
    place = unpacked(packed, short, tmp_path)
    seal = seal_of(JobFolder(place / "job"))
    found = page_says(place, seal.head)
    assert found["problems"] == []
    assert (found["head"], found["unchecked"]) == (seal.head, False)
    assert found["headAt"] == len(found["rows"]) - 1
    assert found["fingerprints"][0] in (place / "key.txt").read_text("utf-8")


def other_head(place: Path) -> None:
    path = place / "job" / LEDGER_FILE
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:-1]))


def replaced(name: str, old: bytes, new: bytes) -> Callable[[Path], object]:
    return lambda place: (place / name).write_bytes(
        (place / name).read_bytes().replace(old, new, 1)
    )


SPOILED: dict[str, tuple[Callable[[Path], object], str]] = {
    "signature": (replaced(f"job/{LEDGER_FILE}", b'"kind":"note"', b'"kind":"work"'),
                  "its signature does not fit"),
    "line": (replaced(f"job/{LEDGER_FILE}", b"{", b"{ "), "is not an entry"),
    "chain": (replaced(f"job/{LEDGER_FILE}", b'{"entry"', b'{}\n{"entry"'), "does not follow"),
    "file": (replaced("job/files/invoice.txt", b"80", b"90"), "(file, "),
    "text": (replaced("pieces.json", b"Hose looks split", b"Hose looks good"), "(note, "),
    "added": (lambda place: (place / "job" / "x.txt").write_text("x"), "never entered"),
    "gone": (lambda place: (place / "job" / "photos" / "hose.png").unlink(), "(photo, "),
    "truncated": (other_head, "The head you gave is none"),
}  # fmt: skip


@needs_node
@pytest.mark.parametrize("what", SPOILED)
def test_the_page_names_what_was_altered(packed, what: str, tmp_path: Path):
    place = unpacked(packed, False, tmp_path)
    head = seal_of(JobFolder(place / "job")).head
    spoil, named = SPOILED[what]
    spoil(place)
    problems = page_says(place, head)["problems"]
    assert any(named in text for text in problems), problems


def test_the_page_loads_and_sends_nothing(packed, tmp_path: Path):
    page = (unpacked(packed, True, tmp_path) / "verify.html").read_text("utf-8")
    assert "default-src 'none'" in page
    assert not re.search(r"https?:|fetch\(|XMLHttp|WebSocket|innerHTML|eval\(|import\(|src=", page)
