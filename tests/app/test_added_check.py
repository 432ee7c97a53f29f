"""A check added as a module and a band is seen everywhere, without a line changed elsewhere."""

from __future__ import annotations

import json
import shutil
import sys
from pathlib import Path

import pytest

from logbench.analysis import bands as band_module
from logbench.analysis import checks
from logbench.analysis.bands import BandRow
from logbench.analysis.run import all_checks, evidence_so_far, run_checks
from logbench.analysis.view import View
from logbench.app.review.findings import FindingsPanel
from logbench.app.theme import Look
from logbench.archive.archive import Archive
from logbench.archive.overview import Catalog
from logbench.archive.sweep import sweep_checks
from logbench.cli.main import main
from logbench.job.model import Job, RecordingEntry
from logbench.plot.bands import band_of, concerning
from logbench.plot.pyramid import Pyramid
from logbench.plot.trace import StripTrace
from logbench.recording.reader import open_recording
from logbench.report.gather import Drive, Material
from logbench.report.options import ReportOptions
from logbench.report.plots import finding_figures
from logbench.report.sentences import default_sentences
from logbench.signals.units import Units

BEFORE = Path(__file__).parents[2] / "recordings" / "before.parquet"

MODULE = '''"""Made up for a test."""
from logbench.analysis.causes.catalog import Named
from logbench.analysis.findings import Explanation, Measured, Subject
KEY = "made_up"
TITLE = "A made-up check"
PLAIN = "What nobody else knows of"
STRIPS = (("VSS",),)
ORDER = 19
INPUTS = ("VSS",)
def check(view, bands):
    trace = view.trace("VSS")
    why = Explanation((Named("x", "a cause made up"),), ("Ask nobody.",))
    top = Measured(float(trace.value.max()), 1.0)
    return [Subject(KEY, "top speed").judged("Fastest", top, bands["made_up_speed"], why)]
'''


@pytest.fixture
def added(tmp_path, monkeypatch):
    """The module beside the others, its band among the rows of bands.toml."""
    folder = tmp_path / "more_checks"
    folder.mkdir()
    (folder / "made_up.py").write_text(MODULE)
    row = BandRow(
        title="Top speed", unit="km/h", within=(0, 5), watch=(0, 10), basis="made up",
        plain="How fast it went", drawn_on="VSS",
    )  # fmt: skip
    rows = {**band_module._built_in(), "made_up_speed": row}
    monkeypatch.setattr(band_module, "_built_in", lambda: rows)
    monkeypatch.setattr(checks, "__path__", [*checks.__path__, str(folder)])
    all_checks.cache_clear()
    yield
    monkeypatch.undo()
    all_checks.cache_clear()
    sys.modules.pop("logbench.analysis.checks.made_up", None)


def mine(findings):
    (found,) = [f for f in findings if f.check == "made_up"]
    return found


def test_it_is_run_and_asked_for_live(added):
    recording = open_recording(BEFORE)
    finding = mine(run_checks(recording))
    assert finding.verdict.value == "act"
    assert finding.causes == ("a cause made up",)
    (entry,) = [e for e in evidence_so_far(recording) if e.check == "made_up"]
    assert (entry.title, entry.enough) == ("A made-up check", True)


def test_it_is_in_the_report_in_its_own_words(added):
    recording = open_recording(BEFORE)
    finding = mine(run_checks(recording))
    entry = RecordingEntry(file="a.parquet", role="before")
    drive = Drive(entry, recording, (finding,), (), "", View(recording))
    material = Material(Job(), ReportOptions(), "", band_module.load_bands(), [drive])
    text = default_sentences(material)["found: made_up: top speed"]
    assert text.startswith("How fast it went (top speed) is clearly outside the usual range")
    assert "a cause made up" not in text, "what is likeliest is said once, of all findings together"
    (figure,) = finding_figures(drive, Units(), 9)
    assert figure.caption.startswith("Made up: top speed.")


def test_it_is_in_the_windows_list_with_its_signal_and_band(added, qtbot):
    finding = mine(run_checks(open_recording(BEFORE)))
    panel = FindingsPanel(Look("light"))
    qtbot.addWidget(panel)
    panel.show_findings([finding])
    assert panel.list.topLevelItem(0).text(1) == "made up: top speed"
    traces = [StripTrace(name, "7E8", "", Pyramid()) for name in ("RPM", "VSS")]
    assert [t.signal for t in concerning(finding, traces)] == ["VSS"]
    assert list(band_of(finding, traces).values()) == [(0.0, 5.0)]


def test_it_is_in_the_archive(added, tmp_path):
    root = tmp_path / "drives"
    root.mkdir()
    shutil.copy(BEFORE, root / "before.parquet")
    archive = Archive(str(root), cache=tmp_path / "cache")
    archive.refresh()
    sweep_checks(archive, processes=1)
    assert "made_up" in {row["check"] for row in archive.findings_of("before.parquet")}
    assert Catalog(archive).facets.checks["made_up"] == 1


def test_it_is_on_the_command_line(added, capsys):
    assert main(["check", str(BEFORE), "--json"]) == 2
    assert "made_up" in {f["check"] for f in json.loads(capsys.readouterr().out)["findings"]}
    main(["check", str(BEFORE)])
    assert "made up: top speed" in " ".join(capsys.readouterr().out.split())
