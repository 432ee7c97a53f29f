"""One signal, one name, title, unit, number of decimals, color and validity: in every view and
export."""

from __future__ import annotations

import base64
import re
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader
from PySide6.QtGui import QImage
from pytestqt.qtbot import QtBot

from logbench.analysis.comparison.compare import compare
from logbench.app.plot.stack import StripStack
from logbench.app.review.page import ReviewPage
from logbench.app.review.values import SpanPanel
from logbench.app.theme import LIGHT
from logbench.app.window import MainWindow
from logbench.archive.archive import Archive
from logbench.archive.overview import Catalog
from logbench.capture.messages import Status
from logbench.cases.signals import formula, save_own
from logbench.cli.main import main
from logbench.job.folder import create_job
from logbench.plot.trace import SECOND, StripTrace
from logbench.recording.finish import write_recording
from logbench.recording.reader import open_recording
from logbench.report.blocks import Figure
from logbench.report.document import build_report
from logbench.report.drawing import AREA, LEFT, LINE_COLORS, Label, Line
from logbench.signals.catalog import COMPUTED, Entry, catalog, own_signals_path
from logbench.signals.units import unit_text
from tests.app.conftest import Garage

NAMES = ("RPM", "ECT", "SHRTFT1", "LONGFT1", "TOTAL_TRIM1", "MY_TRIM")


@dataclass(frozen=True)
class Said:
    """What some place says of a signal; None: it does not say."""

    place: str
    name: str
    title: str | None = None
    unit: str | None = None
    decimals: int | None = None
    slot: int | None = None
    hole: str | None = None
    """What is said at `IN_HOLE` in place of a value."""


HOLE_NS = 100 * SECOND, 102_300_000_000
"""The test drive has no sample in between: longer than a gap, and not by much."""
IN_HOLE = 101 * SECOND


@pytest.fixture
def holed(drive_file: Path, tmp_path: Path) -> Path:
    whole = open_recording(drive_file)
    start, end = HOLE_NS
    traces = [t.part((t.t_ns <= start) | (t.t_ns >= end)) for t in whole.traces()]
    facts = whole.facts.model_copy(update={"recording_id": "", "samples_sha256": ""})
    return write_recording(tmp_path / "holed.parquet", traces, facts)


@pytest.fixture
def own():
    made = formula("Twice the total trim", "TOTAL_TRIM1 * 2", "%", 2, "")
    save_own("MY_TRIM", made)
    yield
    own_signals_path().unlink()


def of_trace(place: str, trace: StripTrace) -> Said:
    """A strip, its heading and what is read off it."""
    text = trace.text(1.23456789).removesuffix(unit_text(trace.unit)).strip()
    shown = len(text.partition(".")[2])
    assert trace.decimals == shown, (place, trace.signal, text)
    return Said(place, trace.name, trace.title, trace.unit, trace.decimals, trace.slot)


def drawn(place: str, stack: StripStack) -> list[Said]:
    """Colors of the lines in their strips."""
    theme = stack.look.theme
    return [
        Said(place, trace.name, slot=theme.traces.index(color.name().upper()))
        for strip in stack.strips
        for trace, color in zip(strip.traces, strip.canvas.colors(), strict=True)
        if trace.signal in NAMES
    ]


def in_hole(review: ReviewPage) -> list[Said]:
    """What heading, table and cursors say where there is no value, and where there is one."""
    model, span = review.signals.model_, review.span_panel
    found = []
    for at in (10 * SECOND, IN_HOLE):
        review.view.set_cursor(at)
        span.put("A")
        said = [
            ("heading", trace.name, strip.header.value_text(trace))
            for strip in review.stack.strips
            for trace in strip.traces
        ]
        said += [("table", model.text(row, 0), model.text(row, 1)) for row in model.rows]
        rows = [
            [span.table.item(n, c).text() for c in (0, 1)] for n in range(span.table.rowCount())
        ]
        said += [("numbers", name.partition(" (")[0], text) for name, text in rows]
        for place, name, text in said:
            if at == IN_HOLE:
                found.append(Said(place, name, hole=text))
            else:
                assert not text.startswith(("○", "–", "gap")), (place, name, text)
    return [said for said in found if said.name in NAMES]


def picture_shows(path: Path, stack: StripStack) -> None:
    image = QImage(str(path)).convertToFormat(QImage.Format.Format_RGB32)
    there = set(np.frombuffer(image.constBits(), np.uint32).tolist())
    for strip in stack.strips:
        assert {color.rgb() for color in strip.canvas.colors()} <= there


def in_review(window: MainWindow, path: Path, qtbot: QtBot) -> list[Said]:
    """Strips, table, numbers between cursors, scatter, CSV of what is shown."""
    window.pages.open_recordings([path])
    review = window.pages.review
    qtbot.waitUntil(lambda: review.judged is not None, timeout=60_000)
    traces = [t for t in review.opened.traces if t.signal in NAMES]
    found = [of_trace("strips", trace) for trace in traces]
    model = review.signals.model_
    rows = [model.data(model.index(n, 0)) for n in range(model.rowCount())]
    found += [Said("table", row) for row in rows if row in NAMES]
    review.stack.show_traces(traces)
    found += drawn("drawn", review.stack)
    review.view.set_cursor(10 * SECOND)
    review.span_panel.put("A")
    review.view.set_cursor(20 * SECOND)
    review.span_panel.put("B")
    assert isinstance(review.span_panel, SpanPanel)
    review.span_panel.show_traces(traces)
    table = review.span_panel.table
    for n in range(table.rowCount()):
        name, _, unit = table.item(n, 0).text().partition(" (")
        found.append(Said("numbers", name, unit=unit.removesuffix(")").replace("°C", "degC")))
    found += in_hole(review)
    review.span_panel.clear()
    picture = path.with_name("shown.png")
    review.exporting.export(picture)
    picture_shows(picture, review.stack)
    review.plots.show_cross(True)
    boxes = review.cross.x_box, review.cross.y_box
    names = {box.itemText(n) for box in boxes for n in range(box.count())}
    found += [Said("scatter", name) for name in names if name in NAMES]
    review.plots.show_cross(False)
    out = path.with_name("shown.csv")
    review.exporting.export(out)
    qtbot.waitUntil(lambda: str(out) in review.notice.text, timeout=60_000)
    return found + of_heading("picture's CSV", out)


def in_document(path: Path, folder: Path) -> list[Said]:
    """The written report, as a page and as PDF: legends and axes of its charts, and gaps."""
    job, entered = create_job(folder, "One signal")
    job.add_recording(entered, path, "before")
    document = build_report(job, entered, folder / "report.html")
    build_report(job, entered, folder / "report.pdf")
    page = (folder / "report.html").read_text("utf-8")
    drawn = re.findall(r"svg\+xml;base64,([\w+/=]+)", page)
    page += " ".join(base64.b64decode(chart).decode() for chart in drawn)
    pdf = " ".join(p.extract_text() for p in PdfReader(folder / "report.pdf").pages)
    found = []
    for figure in (b for b in document.blocks if isinstance(b, Figure)):
        marks, unit = figure.chart.marks, ""
        for line, name in pairwise(marks):
            if isinstance(line, Label) and line.x == 0:
                unit = line.words
            if isinstance(line, Line) and isinstance(name, Label) and name.words in NAMES:
                assert {name.words in where and unit in where for where in (page, pdf)} == {True}
                slot = LINE_COLORS.index(line.color)
                unit_ = unit.replace("°C", "degC")
                found.append(Said("document", name.words, unit=unit_, slot=slot))
        middle = LEFT + AREA * IN_HOLE / (240 * SECOND)
        for run in (run for m in marks if isinstance(m, Line) and m.width == 0.9 for run in m.runs):
            assert not min(run[::2]) < middle < max(run[::2]), "joined over a gap"
    return found


def of_heading(place: str, path: Path) -> list[Said]:
    found = []
    for cell in path.read_text("utf-8-sig").splitlines()[0].split(","):
        name, _, unit = cell.partition(" (")
        if name in NAMES:
            found.append(Said(place, name, unit=unit.removesuffix(")")))
    times = np.loadtxt(path, delimiter=",", skiprows=1, usecols=0, encoding="utf-8-sig") * SECOND
    assert not np.any((times > HOLE_NS[0] + SECOND / 1e6) & (times < HOLE_NS[1] - SECOND / 1e6))
    return found


def while_live(window: MainWindow, garage: Garage, qtbot: QtBot) -> list[Said]:
    """Strips and table of values."""
    live = window.live
    live.choose_link("sim:")
    live.start()
    measured = [name for name in NAMES if not catalog().by_acronym(name).formula]
    garage.last.find_car(*measured)
    garage.last.send(*((name, "7E8", n * SECOND, 3.0) for n in range(3) for name in measured))
    qtbot.waitUntil(lambda: ("MY_TRIM", COMPUTED) in live.stack.keys)
    traces = [t for t in live.session.traces.values() if t.signal in NAMES]
    rows = [live.values.model_.text(row, 0) for row in live.values.model_.rows]
    shown = [t for strip in live.stack.strips for t in strip.traces if t.signal in NAMES]
    said = [of_trace("live", t) for t in (*traces, *shown)] + drawn("live drawn", live.stack)
    garage.last.inbox.append(Status(15.0, 31, 0, 4321, {}, "lost"))
    live.session.poll()

    def texts() -> set[tuple[str, str]]:
        return {(t.name, s.header.value_text(t)) for s in live.stack.strips for t in s.traces}

    qtbot.waitUntil(lambda: all(text for _, text in texts()))
    for name in {name for name, _ in texts()} & set(NAMES):
        row = next(r for r in live.values.model_.rows if r.name == name)
        held = live.values.model_.text(row, 1)
        assert held.startswith("○ ")
        assert (name, f"{held}, 13 s ago") in texts()
    return said + [Said("values", row) for row in rows if row in NAMES]


def in_files(path: Path, folder: Path, capsys: pytest.CaptureFixture[str]) -> list[Said]:
    """CSV, Parquet, archive, `logbench signals`, comparison."""
    found = []
    listed = ",".join(NAMES)
    for name in ("out.csv", "archive/a.parquet"):
        (folder / name).parent.mkdir(exist_ok=True)
        arguments = ["export", str(path), "--out", str(folder / name), "--signals", listed]
        assert main(arguments) == 0
    found += of_heading("csv", folder / "out.csv")
    made = open_recording(folder / "archive/a.parquet")
    for name, facts in made.facts.signals.items():
        trace = made.trace(name)
        assert trace.unit == facts.unit
        assert not np.any((trace.t_ns > HOLE_NS[0]) & (trace.t_ns < HOLE_NS[1]))
        found.append(Said("parquet", name, facts.name or None, facts.unit))
    archive = Archive(folder / "archive", folder / "cache")
    archive.refresh()
    for row in archive.rows("SELECT signal, unit FROM signals"):
        found.append(Said("archive", row["signal"], unit=row["unit"]))
    found += [Said("facets", name) for name in Catalog(archive).facets.signals if name in NAMES]
    capsys.readouterr()
    for name in NAMES:
        assert main(["signals", name]) == 0
        cells = [cell.strip() for cell in re.split(r" {2,}|\n", capsys.readouterr().out)]
        at = cells.index(name)
        found.append(Said("signals", name, cells[at + 2], cells[at + 3]))
    recording = open_recording(path)
    for result in compare([recording], [recording], with_findings=False).signals:
        if result.key in NAMES:
            found.append(Said("comparison", result.key, result.title, result.unit))
    return found


def contradicts(said: Said, entry: Entry) -> bool:
    told = (said.title, said.unit, said.decimals, said.slot, said.hole)
    right = (entry.title, entry.unit, entry.decimals, entry.slot, "gap")
    return any(one is not None and one != is_ for one, is_ in zip(told, right, strict=True))


def test_every_view_and_export_says_the_same_of_a_signal(
    own: None,
    window: MainWindow,
    holed: Path,
    garage: Garage,
    qtbot: QtBot,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
):
    found = in_review(window, holed, qtbot)
    found += in_files(holed, tmp_path, capsys)
    found += in_document(holed, tmp_path)
    found += while_live(window, garage, qtbot)
    wrong = [said for said in found if contradicts(said, catalog().by_acronym(said.name))]
    assert wrong == []
    for place in {said.place for said in found} - {"comparison", "document"}:
        assert {said.name for said in found if said.place == place} == set(NAMES), place
    assert "TOTAL_TRIM1" in {said.name for said in found if said.place == "comparison"}
    written = {said.name for said in found if said.place == "document"}
    assert written >= {"RPM", "SHRTFT1", "LONGFT1"}
    assert LIGHT.traces == LINE_COLORS
