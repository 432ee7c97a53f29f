"""One signal, one name, title, unit and number of decimals: in every view and every export."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest
from pytestqt.qtbot import QtBot

from logbench.analysis.comparison.compare import compare
from logbench.app.review.values import SpanPanel
from logbench.app.window import MainWindow
from logbench.archive.archive import Archive
from logbench.archive.overview import Catalogue
from logbench.cases.signals import formula, save_own
from logbench.cli.main import main
from logbench.plot.trace import SECOND, StripTrace
from logbench.recording.reader import open_recording
from logbench.signals.catalogue import COMPUTED, Entry, catalogue, own_signals_path
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
    return Said(place, trace.name, trace.title, trace.unit, trace.decimals)


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
    review.plots.show_cross(True)
    boxes = review.cross.x_box, review.cross.y_box
    names = {box.itemText(n) for box in boxes for n in range(box.count())}
    found += [Said("scatter", name) for name in names if name in NAMES]
    review.plots.show_cross(False)
    out = path.with_name("shown.csv")
    review.exporting.export(out)
    qtbot.waitUntil(lambda: "Written" in review.notice.text, timeout=60_000)
    return found + of_heading("picture's CSV", out)


def of_heading(place: str, path: Path) -> list[Said]:
    found = []
    for cell in path.read_text("utf-8-sig").splitlines()[0].split(","):
        name, _, unit = cell.partition(" (")
        if name in NAMES:
            found.append(Said(place, name, unit=unit.removesuffix(")")))
    return found


def while_live(window: MainWindow, garage: Garage, qtbot: QtBot) -> list[Said]:
    """Strips and table of values."""
    live = window.live
    live.choose_link("sim:")
    live.start()
    measured = [name for name in NAMES if not catalogue().by_acronym(name).formula]
    garage.last.find_car(*measured)
    garage.last.send(*((name, "7E8", n * SECOND, 3.0) for n in range(3) for name in measured))
    qtbot.waitUntil(lambda: ("MY_TRIM", COMPUTED) in live.stack.keys)
    traces = [t for t in live.session.traces.values() if t.signal in NAMES]
    rows = [live.values.model_.text(row, 0) for row in live.values.model_.rows]
    shown = [t for strip in live.stack.strips for t in strip.traces if t.signal in NAMES]
    said = [of_trace("live", t) for t in (*traces, *shown)]
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
        assert made.trace(name).unit == facts.unit
        found.append(Said("parquet", name, facts.name or None, facts.unit))
    archive = Archive(folder / "archive", folder / "cache")
    archive.refresh()
    for row in archive.query("SELECT signal, unit FROM signals").to_pylist():
        found.append(Said("archive", row["signal"], unit=row["unit"]))
    found += [Said("facets", name) for name in Catalogue(archive).facets.signals if name in NAMES]
    capsys.readouterr()
    for name in NAMES:
        assert main(["signals", name]) == 0
        cells = [cell.strip() for cell in capsys.readouterr().out.replace("┃", "│").split("│")]
        at = cells.index(name)
        found.append(Said("signals", name, cells[at + 2], cells[at + 3]))
    recording = open_recording(path)
    for result in compare([recording], [recording], with_findings=False).signals:
        if result.key in NAMES:
            found.append(Said("comparison", result.key, result.title, result.unit))
    return found


def contradicts(said: Said, entry: Entry) -> bool:
    told = (said.title, said.unit, said.decimals)
    return any(
        one is not None and one != is_
        for one, is_ in zip(told, (entry.title, entry.unit, entry.decimals), strict=True)
    )


def test_every_view_and_export_says_the_same_of_a_signal(
    own: None,
    window: MainWindow,
    drive_file: Path,
    garage: Garage,
    qtbot: QtBot,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
):
    found = in_review(window, drive_file, qtbot)
    found += in_files(drive_file, tmp_path, capsys)
    found += while_live(window, garage, qtbot)
    wrong = [said for said in found if contradicts(said, catalogue().by_acronym(said.name))]
    assert wrong == []
    for place in {said.place for said in found} - {"comparison"}:
        assert {said.name for said in found if said.place == place} == set(NAMES), place
    assert "TOTAL_TRIM1" in {said.name for said in found if said.place == "comparison"}
