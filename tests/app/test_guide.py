"""F1 opens the guide at the page that is shown, without internet."""

from __future__ import annotations

import re

import pytest

from logbench.app.pages import TITLES
from logbench.app.window import MainWindow


@pytest.mark.parametrize("page", list(TITLES))
def test_the_guide_opens_at_the_page_that_is_shown(window: MainWindow, page: str):
    window.pages.show_page(page)
    command = next(a for a in window.commands() if "F1" in [k.toString() for k in a.shortcuts()])
    command.trigger()
    assert window.guide.isVisible()
    assert window.guide.text.toPlainText().startswith(f"{TITLES[page]}:")
    window.guide.close()


@pytest.mark.parametrize("page", list(TITLES))
def test_keys_that_the_guide_names_do_what_is_there(window: MainWindow, page: str):
    window.pages.show_page(page)
    window.show_guide()
    text = window.guide.text.toPlainText()
    window.guide.close()
    told = set(re.findall(r"\b(?:Ctrl\+|Shift\+|Alt\+)+[A-Z0-9]\w?\b|\bF\d{1,2}\b", text))
    for other in TITLES:
        window.pages.show_page(other)
        told -= {key.toString() for action in window.commands() for key in action.shortcuts()}
    assert told == set()
