"""docs/checks.md is made from what runs, and says where every band comes from."""

from __future__ import annotations

from pathlib import Path

from docs.make_checks import text, write
from logbench.analysis.bands import load_bands
from logbench.analysis.run import all_checks

PAGE = Path(__file__).parents[2] / "docs/checks.md"


def test_the_page_in_docs_is_that_of_the_present_checks():
    assert PAGE.read_text("utf-8") == text(load_bands()), "python docs/make_checks.py"


def test_every_check_and_every_band_is_explained():
    page = text(load_bands())
    for module in all_checks():
        assert module.TITLE in page
        assert f"`{module.KEY}`" in page
    used = [key for module in all_checks() for key in module.BANDS]
    assert sorted(used) == sorted(band.key for band in load_bands())
    for band in load_bands():
        assert band.basis in page


def test_a_plot_for_each_check_with_bands(tmp_path):
    written = write(tmp_path)
    plots = {p.stem for p in written if p.suffix == ".svg"}
    assert plots == {m.KEY for m in all_checks() if m.BANDS}
    again = {p.name: p.read_bytes() for p in written}
    write(tmp_path)
    assert again == {p.name: p.read_bytes() for p in written}
    for name in plots:
        assert f"checks/{name}.svg" in (tmp_path / "checks.md").read_text("utf-8")
