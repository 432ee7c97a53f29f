"""F1 opens the guide at the page that is shown, offline. What it holds: tests/test_guide.py."""

from __future__ import annotations

import re

from PySide6.QtCore import QUrl
from PySide6.QtGui import QImage, QTextDocument

from logbench.analysis.model import Finding, Verdict
from logbench.app.guide import files, place, text_of
from logbench.app.guide.window import Guide
from logbench.app.pages import TITLES
from logbench.app.window import MainWindow

KEYS = re.compile(r"\b(?:Ctrl\+|Shift\+|Alt\+)+(?:Return|[A-Z0-9]\w?)\b|\bF\d{1,2}\b")
PICTURE = QTextDocument.ResourceType.ImageResource.value


def test_the_guide_opens_at_the_page_that_is_shown_and_its_keys_do_something(window: MainWindow):
    text = " ".join(text_of(file) for file in files())
    told = set(KEYS.findall(text))
    assert len(told) > 15
    command = next(a for a in window.commands() if "F1" in [k.toString() for k in a.shortcuts()])
    for page, title in TITLES.items():
        window.pages.show_page(page)
        there = {key.toString() for action in window.commands() for key in action.shortcuts()}
        told -= there
        of_page = re.sub(r"\S+ on the \w+ page", "", text_of(f"{page}.md"))
        assert set(KEYS.findall(of_page)) <= there, page
        command.trigger()
        assert window.guide.isVisible()
        assert window.guide.text.toPlainText().startswith(f"{title}:")
        window.guide.close()
    assert told == set()


def test_of_a_chosen_finding_it_opens_the_page_of_its_check(window: MainWindow):
    window.pages.show_page("review")
    findings = window.pages.review.findings
    judged = Finding("gears", "gears", Verdict.WATCH, "Slips.")
    findings.show_findings([judged])
    findings.list.setCurrentItem(findings.list.topLevelItem(0))
    window.show_guide()
    assert window.guide.text.file == "checks/gears.md"
    window.guide.close()


def test_the_whole_guide_is_clicked_through(window: MainWindow):
    guide = Guide(window)
    guide.open_at("index.md")
    reached = {"index.md"}
    for file in files():
        for link in re.findall(r"[^!]\[[^]]+]\(([^)]+\.md)\)", text_of(file)):
            target = place(link, file)
            if target not in reached:
                guide.open_at(file)
                guide.text.anchorClicked.emit(QUrl(link))
                assert guide.text.file == target
                guide.back.click()
                assert guide.text.file == file
                reached.add(target)
    assert reached == set(files())
    guide.close()


def test_pictures_are_drawn_and_nothing_else_is_loaded(window: MainWindow):
    page = Guide(window).text
    page.show_file("checks/gears.md")
    drawn = page.loadResource(PICTURE, QUrl("gears.svg"))
    assert isinstance(drawn, QImage)
    color = {drawn.pixelColor(x, drawn.height() // 3).name() for x in range(drawn.width())}
    assert len(color) > 3
    for link in (
        "../index.md",
        "../../window.py",
        "file:///etc/passwd",
        "https://example.org/a.svg",
    ):
        assert page.loadResource(PICTURE, QUrl(link)) is None
    page.anchorClicked.emit(QUrl("https://example.org/index.md"))
    assert page.file == "checks/gears.md"


def test_the_list_is_searched_by_words(window: MainWindow):
    guide = Guide(window)
    guide.words.setText("thermostat closes NOTHING")
    guide._narrow()
    top = [guide.list.topLevelItem(n) for n in range(guide.list.topLevelItemCount())]
    assert all(row.isHidden() for row in top)
    guide.words.setText("Voltmeter")
    guide._narrow()
    shown = [row.text(0) for row in top if not row.isHidden()]
    assert shown == ["Make it your own"]
