"""What is exported without personal data: a secret is put into every text of a recording, a job and
its readings, into notes and names of files, and looked for in every byte of what comes out."""

from __future__ import annotations

import io
import re
import types
import typing
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest
from PIL import Image
from pydantic import BaseModel, ValidationError
from pypdf import PdfReader
from pypdf.generic import StreamObject

from logbench.analysis.fuel import STOICHIOMETRIC
from logbench.car.model import Car
from logbench.cli.main import main
from logbench.job.folder import JobFolder, create_job
from logbench.job.model import Job
from logbench.job.privacy import private_job, private_reading
from logbench.recording.exchanges import Said
from logbench.recording.finish import write_recording
from logbench.recording.model import Facts, Trace
from logbench.recording.notes import Remark, change_notes
from logbench.recording.privacy import FUELS, private_facts, private_recording
from logbench.recording.reader import open_recording
from logbench.vehicle.records.model import CarReading

DRIVE = Path(__file__).resolve().parents[1] / "recordings" / "before.parquet"
SECRET = "Zqx7"
VIN = "ZZ9TEST17WX71K9ZT"
DAY = "2026-05-04"
ODOMETER = 81234.5
SIGNALS = ("RPM", "ECT", "SHRTFT1", "LONGFT1", "VSS", "MAF", "LOAD_PCT")


def secret() -> str:
    return f"{SECRET} in clear words"


def planted(model: type[BaseModel], **given: Any) -> Any:
    """A model with the secret in each of its texts, at any depth; what refuses it has a default."""
    content = {name: filled(field.annotation) for name, field in model.model_fields.items()}
    content = {name: value for name, value in (content | given).items() if value is not None}
    if model.model_config.get("extra") == "allow":
        content |= {"of_another_version": secret()}
    while True:
        try:
            return model.model_validate(content)
        except ValidationError as error:
            wrong = {one["loc"][0] for one in error.errors()} & (set(content) - set(given))
            if not wrong:
                raise
            content = {name: value for name, value in content.items() if name not in wrong}


def filled(kind: Any) -> Any:
    """A value of a field's type that holds the secret; None where it cannot."""
    kind = getattr(kind, "__value__", kind)
    origin, arguments = typing.get_origin(kind), typing.get_args(kind)
    if origin is typing.Annotated:
        return filled(arguments[0])
    if origin in (typing.Union, types.UnionType):
        return next((filled(one) for one in arguments if filled(one) is not None), None)
    if origin in (list, tuple):
        one = filled(arguments[0])
        return None if one is None else [one]
    if origin is dict:
        value = filled(arguments[1])
        return {secret(): secret() if value is None else value}
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return planted(kind).model_dump()
    if origin is typing.Literal:
        return arguments[0]
    if kind in (bool, int, float):
        return 1
    if kind is Any:
        return secret()
    return secret() if isinstance(kind, type) and issubclass(kind, str) else None


def test_the_secret_is_in_every_text_before():
    for model, least in ((Facts, 20), (Car, 8), (Job, 40), (CarReading, 30)):
        text = planted(model).model_dump_json()
        assert text.count(SECRET) >= least, (model, text.count(SECRET))


@pytest.mark.parametrize("made", [
    lambda: private_facts(planted(Facts), ()),
    lambda: private_job(planted(Job)),
    lambda: private_reading(planted(CarReading)),
], ids=["facts", "job", "reading"])  # fmt: skip
def test_no_text_of_a_document_goes_along(made):
    assert SECRET not in made().model_dump_json()


def test_the_fuels_that_the_analysis_knows_go_along():
    assert set(STOICHIOMETRIC) <= set(FUELS)


@pytest.fixture
def drive(tmp_path: Path) -> Path:
    """A recording with the secret wherever there is a text, of a known car on a known day."""
    whole = open_recording(DRIVE)
    traces = whole.traces(SIGNALS)
    where = np.array([48.123456, 48.123457])
    seconds = np.array([0, 10**9])
    odometer = np.array([ODOMETER, ODOMETER])
    traces += [Trace("ODO", "7E8", "km", seconds, odometer)]
    traces += [Trace(f"{SECRET}_LAT", secret(), secret(), seconds, where)]
    traces += [Trace("IAT", secret(), secret(), seconds, np.array([20.0, 21.0]))]
    facts = planted(
        Facts, schema_version="1.0", recording_id=SECRET, started_utc=f"{DAY}T08:10:00+00:00",
        vehicle=planted(Car, displacement_l=2.3, cylinders=4, year=2016, odometer_km=ODOMETER,
                        vin=VIN, sources={}, read_instead={}).model_dump(),
        signals={}, ecus={"7E8": secret()}, samples_sha256="",
        events=[{"t_ns": 10**9, "kind": "marker", "text": secret()}, {"t_ns": 1, "kind": SECRET}],
        extra={"altitude_m": 519.5678, "soak_hours": 3.0, "import": {"source": secret()}},
    )  # fmt: skip
    told = Said(-2, -1, "", b"\x09\x02", "7E8", b"\x49\x02\x01" + VIN.encode() + SECRET.encode())
    path = write_recording(tmp_path / f"{SECRET}.parquet", traces, facts, [told])
    note = Remark(start_ns=0, end_ns=10**9, text=secret())
    change_notes(path, open_recording(path).facts.samples_sha256, lambda _: [note])
    return path


@pytest.fixture
def job(tmp_path: Path, drive: Path) -> JobFolder:
    """A job with that drive on both sides, readings of the car, a photo, and text in each field."""
    empty = {name: [] for name in ("recordings", "readings", "photos", "files", "comparisons")}
    content = planted(Job, schema_version="1.0", **empty, created_utc=f"{DAY}T08:00:00+00:00",
                      other_codes=[{"module": secret(), "code": "C0035", "remark": secret()}],
                      vehicle={"vin": VIN, "registration": secret()})  # fmt: skip
    folder, made = create_job(tmp_path, SECRET, content)
    for role in ("before", "after"):
        folder.add_recording(made, drive, role, secret())
        reading = planted(
            CarReading, schema_version="1.0", read_utc=f"{DAY}T08:10:00+00:00", complete=True,
            codes=[{"code": "P0171", "state": "stored", "ecu": "7E8", "text": secret()},
                   {"code": SECRET, "state": "stored", "ecu": secret()}],
            answered={f"{state} codes": ["7E8", secret()] for state in ("stored", "pending")},
        )  # fmt: skip
        folder.add_reading(made, reading, role)
    made.recordings[0].same_car = made.recordings[1].same_car = True
    photo = tmp_path / f"{SECRET}.png"
    Image.new("RGB", (9, 9)).save(photo)
    folder.add_photo(made, photo, secret())
    made.sentences = {key: secret() for key in ("found: codes", "after: codes", "found: within")}
    folder.save(made)
    return folder


_OFFSETS = re.compile(rb"\d{10} \d{5} [nf]")
"""Places of a PDF's objects in its file: numbers that can be anything."""


def bytes_of(path: Path) -> Iterator[tuple[str, bytes]]:
    """A file's name and bytes, and all that is packed in it."""
    data = path.read_bytes()
    yield "name", path.name.encode()
    yield "bytes", _OFFSETS.sub(b"", data)
    if path.suffix == ".parquet":
        whole = pq.read_table(path)
        yield "columns", repr(whole.to_pydict()).encode()
        yield "schema", repr(whole.schema.metadata).encode()
        yield "exchanges", repr(list(open_recording(path).exchanges())).encode()
        yield "facts", open_recording(path).facts.model_dump_json().encode()
    if path.suffix == ".pdf":
        reader = PdfReader(io.BytesIO(data))
        yield "metadata", repr(reader.metadata).encode()
        yield "text", "\n".join(page.extract_text() for page in reader.pages).encode()
        packed = (one for one in map(reader.get_object, range(1, len(reader.xref[0]) + 1)) if one)
        streams = (one.get_data() for one in packed if isinstance(one, StreamObject))
        yield "streams", b"\n".join(streams)


def assert_private(folder: Path) -> None:
    files = [path for path in folder.rglob("*") if path.is_file()]
    assert files
    wanted = [SECRET, VIN, VIN[-6:], DAY, "2026-", f"{ODOMETER:.0f}", f"{ODOMETER / 1.609344:.0f}",
              "81,234", "519.5678", "48.12345", "LAT"]  # fmt: skip
    for path in files:
        for what, data in bytes_of(path):
            text = data.decode("utf-8", "replace")
            assert not [word for word in wanted if word in text], (path, what)


def run(*words: object) -> None:
    assert main([str(word) for word in words]) in (0, 1)


def test_no_export_of_a_recording_holds_it(drive: Path, tmp_path: Path):
    out = tmp_path / "out"
    out.mkdir()
    for name, more in (("a.parquet", ()), ("wide.csv", ()), ("long.csv", ("--long",)),
                       ("even.csv", ("--step", "1"))):  # fmt: skip
        run("export", drive, "--out", out / name, "--private", *more)
    assert_private(out)
    kept = open_recording(out / "a.parquet")
    assert set(kept.signals) == {
        "RPM",
        "ECT",
        "SHRTFT1",
        "LONGFT1",
        "VSS",
        "MAF",
        "LOAD_PCT",
        "IAT",
    }
    assert kept.facts.vehicle.displacement_l == 2.3
    assert kept.facts.vehicle.year == 2016
    assert kept.facts.extra == {"soak_hours": 3.0}
    assert [(e.t_ns, e.kind, e.text) for e in kept.facts.events] == [(10**9, "marker", "")]
    same = open_recording(drive).trace("RPM")
    assert np.array_equal(kept.trace("RPM").value, same.value)
    assert np.array_equal(kept.trace("RPM").t_ns, same.t_ns)


def test_without_the_option_all_is_there(drive: Path, tmp_path: Path):
    run("export", drive, "--out", tmp_path / "a.parquet")
    assert any(
        VIN in repr(said.data) for said in open_recording(tmp_path / "a.parquet").exchanges()
    )
    assert SECRET in open_recording(tmp_path / "a.parquet").facts.note


def test_a_signal_of_ones_own_is_refused_by_name(drive: Path, tmp_path: Path, capsys):
    words = ["export", str(drive), "--out", str(tmp_path / "a.csv"), "--private"]
    assert main([*words, "--signals", f"rpm,{SECRET}_lat"]) == 3
    assert "cannot be in a private export" in capsys.readouterr().err


def test_no_report_holds_it(job: JobFolder, tmp_path: Path):
    out = tmp_path / "out"
    out.mkdir()
    for name, more in (("a.pdf", ()), ("b.html", ()), ("c.pdf", ("--for", "owner", "--us")),
                       ("d.html", ("--for", "owner", "--letter"))):  # fmt: skip
        run("report", job.path, "--out", out / name, "--private", "--shop", secret(), *more)
    assert_private(out)
    text = (out / "b.html").read_text("utf-8")
    for kept in ("P0171", "before-1", "after-1", "C0035", "can be handed to anybody"):
        assert kept in text


def test_no_copy_of_an_archive_holds_it(drive: Path, tmp_path: Path, capsys):
    run("archive", "add", tmp_path / "archive", drive)
    run("archive", "export", tmp_path / "archive", "--out", tmp_path / "out", "--private")
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["recording-1.parquet"]
    assert_private(tmp_path / "out")
    capsys.readouterr()
    for words in (["list"], ["query"], ["show"]):
        more = {"query": ["SELECT * FROM recordings", "--csv"], "show": ["recording-1"]}
        run("archive", words[0], tmp_path / "out", *more.get(words[0], []))
    told = capsys.readouterr().out
    assert SECRET not in told
    assert VIN not in told


def test_a_copy_of_an_archive_as_it_is(drive: Path, tmp_path: Path):
    run("archive", "add", tmp_path / "archive", drive)
    run("archive", "export", tmp_path / "archive", "--out", tmp_path / "out")
    there, here = (sorted(p.relative_to(f) for p in f.rglob("*") if p.is_file())
                   for f in (tmp_path / "archive", tmp_path / "out"))  # fmt: skip
    assert there == here
    assert len(here) == 2  # its notes, too


def test_private_recordings_are_judged_like_the_whole_ones():
    from logbench.analysis.run import run_checks
    from logbench.analysis.view import View

    whole = open_recording(DRIVE)
    shown = private_recording(whole)
    told = [[(f.check, f.subject, f.verdict, f.value) for f in run_checks(View(one))]
            for one in (whole, shown)]  # fmt: skip
    assert told[0] == told[1]
