"""docs/checks.md is made from what runs, and says where every band comes from."""

from __future__ import annotations

import inspect
import re
import tomllib
from pathlib import Path

import logbench.analysis
from docs.make_checks import bands_of, text, write
from logbench.analysis.bands import load_bands
from logbench.analysis.explanations import CAUSES
from logbench.analysis.run import all_checks
from logbench.analysis.trim_pattern import CELLS

PAGE = Path(__file__).parents[2] / "docs/checks.md"


def test_the_page_in_docs_is_that_of_the_present_checks():
    assert PAGE.read_text("utf-8") == text(load_bands()), "python docs/make_checks.py"


def test_every_check_and_every_band_is_explained():
    page = text(load_bands())
    for module in all_checks():
        assert module.TITLE in page
        assert f"`{module.KEY}`" in page
    used = [band.key for module in all_checks() for band in bands_of(module, load_bands())]
    assert sorted(used) == sorted(band.key for band in load_bands())
    for band in load_bands():
        assert band.basis in page


def test_every_explanation_is_used_and_every_name_there():
    """A row that no check names would be dead, a name without a row a KeyError in one branch."""
    modules = [m for check in all_checks() for m in (check, *getattr(check, "PARTS", ()))]
    for module in modules:
        source = inspect.getsource(module)
        named = set(re.findall(r'WHY\["(\w+)"\]', source))
        assert named == set(getattr(module, "WHY", {})), module.__name__
        asked = set(re.findall(r'ASK\["(\w+)"\]', source))
        asked |= set(CELLS) & set(getattr(module, "ASK", {}))
        assert asked == set(getattr(module, "ASK", {})), module.__name__


def test_every_cause_is_named_in_an_explanation_or_a_check():
    folder = Path(logbench.analysis.__file__).parent
    code = "".join(path.read_text("utf-8") for path in folder.rglob("*.py"))
    rows = tomllib.loads((folder / "explanations.toml").read_text("utf-8"))
    named = set(re.findall(r'CAUSES\["(\w+)"\]', code))
    named |= {
        c
        for name in rows.keys() - {"causes", "asks"}
        for r in rows[name].values()
        for c in r["causes"]
    }
    assert named == set(CAUSES)


def test_a_plot_for_each_check_with_bands(tmp_path):
    written = write(tmp_path)
    plots = {p.stem for p in written if p.suffix == ".svg"}
    assert plots == {m.KEY for m in all_checks() if bands_of(m, load_bands())}
    again = {p.name: p.read_bytes() for p in written}
    write(tmp_path)
    assert again == {p.name: p.read_bytes() for p in written}
    for name in plots:
        assert f"checks/{name}.svg" in (tmp_path / "checks.md").read_text("utf-8")
