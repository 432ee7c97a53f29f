"""The page that verifies a job for third parties, in a real browser where there is one."""

from __future__ import annotations

import json
import re
import shutil
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from logbench.cases.handover import HandOver
from logbench.cases.work import run_here
from logbench.job.folder import create_job
from logbench.job.model import Note
from logbench.job.seal import seal_of
from logbench.report.options import ReportOptions
from tests.chromium import CHROMIUM, Browser, chromium

pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="there is no Chromium here")

WHOLE = "Every piece is what entered, and every entry is signed."


@pytest.fixture(scope="module")
def packed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job with a drive before and one after."""
    place = tmp_path_factory.mktemp("packed")
    folder, job = create_job(place, "Rough idle")
    for role in ("before", "after"):
        folder.add_recording(job, Path("recordings", f"{role}.parquet"), role)
    job.notes.append(Note(text="Hose looks split"))
    folder.save(job)
    run_here(HandOver(folder, place / "export.zip", ReportOptions()))
    return place / "export.zip"


@pytest.fixture(scope="module")
def browser(packed: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    place = tmp_path_factory.mktemp("page")
    with zipfile.ZipFile(packed) as file:
        page = Path(file.extract("verify.html", place))
    with chromium(tmp_path_factory.mktemp("profile")) as started:
        started.open(page)
        yield started


def told(browser: Browser, field: str, path: Path) -> dict:
    """What the page says once it has looked."""
    browser.run("document.getElementById('said').textContent = ''")
    browser.run(f"document.getElementById('{field}').value = ''")
    browser.choose(field, path)
    browser.run("""new Promise(done => { const wait = () => {
        const said = document.getElementById('said').textContent;
        said && !said.startsWith('Computing') ? setTimeout(done, 50) : setTimeout(wait, 50);
        }; wait(); })""")
    return json.loads(
        browser.run("""JSON.stringify({
        said: document.getElementById('said').textContent,
        facts: document.getElementById('facts').textContent,
        computed: document.getElementById('computed').textContent,
        problems: [...document.querySelectorAll('#problems li')].map(one => one.textContent),
        signals: [...document.querySelectorAll('#signals tr')].map(
            row => [...row.children].map(cell => cell.textContent)),
        entries: document.querySelectorAll('#rows tr').length})""")
    )


def unpacked(packed: Path, place: Path) -> Path:
    with zipfile.ZipFile(packed) as file:
        file.extractall(place)
    return place


def test_a_browser_finds_nothing_wrong_with_zip_or_folder(
    browser: Browser, packed: Path, tmp_path: Path
):
    from logbench.job.folder import JobFolder

    place = unpacked(packed, tmp_path / "export")
    seal = seal_of(JobFolder(place / "job"))
    for field, path in (("zip", packed), ("folder", place)):
        found = told(browser, field, path)
        assert (found["said"], found["problems"]) == (WHOLE, []), field
        assert seal.head in found["facts"]
        assert found["entries"] == seal.entries


def test_it_computes_the_numbers_again_and_says_which_it_does_not(browser: Browser, packed: Path):
    found = told(browser, "zip", packed)
    assert len(found["signals"]) > 3
    assert {row[-1] for row in found["signals"]} == {"the same"}
    assert "does not compute those from the samples" in found["computed"]


def other(name: str, old: str, new: str) -> Callable[[Path], object]:
    def change(place: Path) -> None:
        text = (place / name).read_text("utf-8")
        assert re.search(old, text)
        (place / name).write_text(re.sub(old, new, text, count=1), "utf-8")

    return change


def other_recording(place: Path) -> None:
    path = next((place / "job" / "recordings").glob("*.parquet"))
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


SPOILED: dict[str, tuple[Callable[[Path], object], str]] = {
    "a recording": (other_recording, "(recording, "),
    "a note": (other("pieces.json", "looks split", "looks good"), "(note, "),
    "an entry": (other("job/ledger.jsonl", '"kind":"note"', '"kind":"work"'), "does not fit"),
    "a number": (other("numbers.json", r'"change": -?\d', '"change": 7'), "are others"),
    "a mean": (other("numbers.json", r'"shares": \[\[0, (-?[\d.e-]+), ', r'"shares": [[0, \1, 9'),
               "are others"),
    "a report": (lambda place: (place / "report.pdf").write_bytes(b"%PDF-1.7"), "never entered"),
}  # fmt: skip


@pytest.mark.parametrize("what", SPOILED)
def test_it_says_in_words_what_is_not_what_entered(
    browser: Browser, packed: Path, what: str, tmp_path: Path
):
    place = unpacked(packed, tmp_path / "export")
    spoil, named = SPOILED[what]
    spoil(place)
    spoiled = shutil.make_archive(str(tmp_path / "spoiled"), "zip", place)
    found = told(browser, "zip", Path(spoiled))
    assert found["said"].startswith("CHANGED")
    assert any(named in text for text in found["problems"]), found["problems"]


def zip_of(path: Path, files: dict[str, bytes]) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
        for name, data in files.items():
            file.writestr(name, data)


def bomb(path: Path) -> None:
    """It says that a small file is in it, and holds 50 MB."""
    zip_of(path, {"job/ledger.jsonl": bytes(50_000_000)})
    data = path.read_bytes()
    size = (50_000_000).to_bytes(4, "little")
    path.write_bytes(data.replace(size, (1000).to_bytes(4, "little")))


HOSTILE: dict[str, tuple[Callable[[Path], object], str]] = {
    "no zip": (lambda path: path.write_bytes(b"x" * 100), "it is not a zip file"),
    "empty": (lambda path: path.write_bytes(b""), "it is not a zip file"),
    "leads out": (lambda path: zip_of(path, {"job/../../x": b""}), "leads out of its folder"),
    "absolute": (lambda path: zip_of(path, {"/etc/x": b""}), "leads out of its folder"),
    "bomb": (bomb, "larger than it says"),
    "pieces": (lambda path: zip_of(path, {"pieces.json": b"["}), "pieces.json is damaged"),
    "ledger": (lambda path: zip_of(path, {"job/ledger.jsonl": b"\n" * 50_000_001}),
               "longer than the program writes"),
}  # fmt: skip


@pytest.mark.parametrize("what", HOSTILE)
def test_hostile_files_are_sentences(browser: Browser, what: str, tmp_path: Path):
    make, named = HOSTILE[what]
    make(tmp_path / "x.zip")
    assert named in told(browser, "zip", tmp_path / "x.zip")["said"]


def test_markup_in_a_file_stays_text_and_nothing_is_asked_of_the_net(
    browser: Browser, packed: Path, tmp_path: Path
):
    place = unpacked(packed, tmp_path / "export")
    (place / "job" / "<img src=x onerror=alert(1)>.txt").write_bytes(b"x")
    other("numbers.json", '"title": "', '"title": "<img src=//example.invalid/x>')(place)
    found = told(browser, "folder", place)
    assert any("<img" in text for text in found["problems"])
    assert browser.run("document.images.length") == 0
    assert {url.split(":")[0] for url in browser.requested} == {"file"}


def test_a_browser_without_ed25519_says_that_it_did_not_check(browser: Browser, packed: Path):
    browser.run("""(() => { globalThis.kept = SubtleCrypto.prototype.importKey;
        SubtleCrypto.prototype.importKey = () => Promise.reject(
            new DOMException("", "NotSupportedError")); })()""")
    said = told(browser, "zip", packed)["said"]
    browser.run("(() => { SubtleCrypto.prototype.importKey = globalThis.kept; })()")
    assert "cannot check Ed25519" in said
    assert "NOT checked" in said
