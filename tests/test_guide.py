"""The user's guide: what it says is there, and what is made of the program is as made.

The window with it: tests/app/test_guide.py.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pytest

from docs.check_examples import EXAMPLES, drive
from docs.gather_words import TEMPLATE
from docs.make_guide import SAID, bands_of, kept_of, pages
from logbench.analysis.bands import load_bands
from logbench.analysis.causes.hand_tests import entered
from logbench.analysis.expression.checked import condition, number
from logbench.analysis.findings import ASKS, EXPLANATIONS, range_of
from logbench.analysis.run import all_checks
from logbench.app.guide import FOLDER, files, place, text_of
from logbench.vehicle.links.schemes import SCHEMES
from tests.parsed import commands_in, parsed

DOCS = Path(__file__).resolve().parents[1] / "docs"
MADE = {path.relative_to(FOLDER).as_posix() for path in pages()}
WRITTEN = [file for file in files() if file not in MADE]
MOST_BYTES = 3_000_000


def blocks(kind: str, among: tuple[str, ...] = files()) -> Iterator[tuple[str, str]]:
    """Page and content of each block of that kind."""
    for file in among:
        for block in re.findall(rf"^```{kind}\n(.*?)^```$", text_of(file), re.M | re.S):
            yield file, block


def test_every_page_is_in_the_list_and_every_link_leads_somewhere():
    there = {path.relative_to(FOLDER).as_posix() for path in FOLDER.rglob("*.md")}
    assert sorted(files()) == sorted(there)
    shown = set()
    for file in files():
        for link in re.findall(r"\]\(([^)]+)\)", text_of(file)):
            assert place(link, file), (file, link)
            assert "#" not in link, (file, link)
            shown.add(place(link, file))
    pictures = {path.relative_to(FOLDER).as_posix() for path in FOLDER.rglob("*.svg")}
    assert pictures <= shown
    assert sum(path.stat().st_size for path in FOLDER.rglob("*.*")) < MOST_BYTES


def test_a_link_never_leads_out_of_the_guide():
    for link in ("../window.py", "../../guide/window.py", "/etc/passwd", "https://example.org", ""):
        assert place(link, "live.md") == "", link
    assert place("../limits.md#two-intervals", "checks/gears.md") == "limits.md"


def test_what_is_made_of_the_program_is_as_made():
    """If not: `python -m docs.make_guide`."""
    for path, text in pages().items():
        assert path.read_text("utf-8") == text, f"{path.name}: python -m docs.make_guide"


def test_every_check_and_every_band_has_its_page():
    bands, used = load_bands(), []
    for module in all_checks():
        page = text_of(f"checks/{module.KEY}.md")
        assert page.startswith(f"# {module.TITLE}\n")
        for band in bands_of(module, bands):
            used.append(band.key)
            assert f"`{band.key}`" in page
            assert band.basis in page
        causes = [
            c for row in EXPLANATIONS.get(module.KEY, {}).values() if row.when for c in row.causes
        ]
        assert all(cause.text in page for cause in causes)
        assert all(text in page for text in ASKS.get(module.KEY, {}).values())
    assert sorted(used) == sorted(band.key for band in bands)


def test_every_check_has_a_good_and_a_bad_drive():
    kept = json.loads(SAID.read_text("utf-8"))
    assert set(EXAMPLES) == set(kept) == {module.KEY for module in all_checks()} - {"own"}
    for key, example in kept.items():
        assert example["good"], key
        assert {said[1] for said in example["good"]} == {"within"}, key
        assert example["bad"], key
        assert not {said[1] for said in example["bad"]} & {"within"}, key


def test_an_example_is_what_the_simulated_car_gives_now():
    """One of them by date. If not: `python -m docs.make_guide --drive` and look at the pictures."""
    key = sorted(EXAMPLES)[date.today().toordinal() % len(EXAMPLES)]
    assert kept_of(drive(key, EXAMPLES[key])) == json.loads(SAID.read_text("utf-8"))[key], key


def test_every_command_is_one():
    found = [(file, line) for file, block in blocks("sh") for line in commands_in(block)]
    assert len(found) >= 20
    for file, line in found:
        try:
            values = parsed(line)
        except Exception as error:  # whatever the parser says, with its place
            pytest.fail(f"{file}: logbench {line}: {error}")
        if values.get("link"):
            assert values["link"].partition(":")[0] in SCHEMES, line
        if values.get("when"):
            condition(values["when"])
        for test in values.get("test") or ():
            entered(*test.split("="))


def test_a_wrong_command_is_seen():
    with pytest.raises(Exception, match="No such option"):
        parsed("archive find place --findin act")
    with pytest.raises(Exception, match="No such command"):
        parsed("archive look place")


def test_python_in_it_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.chdir(DOCS.parent)
    for file, block in blocks("python"):
        exec(compile(block, file, "exec"), {})


def test_limits_and_expressions_of_its_own_are_understood(tmp_path: Path):
    for n, (_, block) in enumerate(blocks("toml")):
        path = tmp_path / f"{n}.toml"
        path.write_text(block, "utf-8")
        bands = load_bands(path)
        rows = tomllib.loads(block)
        assert len(bands.own) == len(rows.get("check", {}))
    lines = [line for _, block in blocks("text", ("own.md",)) for line in block.splitlines()]
    assert len(lines) == 3
    for line in lines:
        number(line)


def test_every_label_in_bold_is_one_of_the_window():
    texts = re.findall(r'^msgid(?:_plural)? "(.*)"$', TEMPLATE.read_text("utf-8"), re.M)
    labels = {re.sub(r"  .*$| …$|:$|&", "", text) for text in texts}
    for file in WRITTEN:
        for bold in re.findall(r"\*\*([^*]+)\*\*", text_of(file)):
            if bold != "Caution:":
                assert bold.removesuffix(" …") in labels, (file, bold)


def test_bands_that_it_names_are_those_of_the_program():
    by_key, found = {band.key: band for band in load_bands()}, 0
    for file in WRITTEN:
        text = " ".join(text_of(file).split())
        for key in re.findall(r" \(`(\w+)`\)", text):
            band = by_key[key]
            assert f"{range_of(band, band.within)} (`{key}`)" in text, (file, key)
            found += 1
    assert found >= 4


def test_figures_of_the_proofs_stand_in_the_proofs():
    proofs = " ".join(
        (DOCS / f"{name}.md").read_text("utf-8") for name in ("fleet", "causes", "real-cars")
    )
    text = " ".join(text_of("sure.md").split())
    figures = re.findall(r"\b(\d[\d,]*) of (\d[\d,]*)\b", text)
    assert len(figures) >= 6
    for some, of in figures:
        assert f"{some} of {of}" in proofs, (some, of)
    for name in re.findall(r"`docs/([\w.-]+)`", text):
        assert (DOCS / name).is_file(), name
