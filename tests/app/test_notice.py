"""What is said across the window."""

from __future__ import annotations

from PySide6.QtWidgets import QWidget

from logbench.app.notice import Messages, Notice


def test_an_offer_lies_over_its_own_page_only_and_trouble_over_all(qtbot):
    over = QWidget()
    qtbot.addWidget(over)
    over.resize(900, 600)
    over.show()
    place = Messages(over)
    place.turn("live")
    saved, lost = Notice(place), Notice(place)
    saved.success("Saved.", "Review it", lambda: None)
    lost.trouble("The link is lost.", "Try again", lambda: None)
    place.turn("review")
    assert (saved.text, lost.text) == ("", "■  The link is lost.")
    lowest = lost.geometry().bottom()
    place.turn("live")
    assert saved.text == "●  Saved."
    assert {saved.geometry().bottom(), lost.geometry().bottom()} >= {lowest}
    assert not saved.geometry().intersects(lost.geometry())
    saved.hide()
    place.turn("live")
    assert saved.text == "", "what was closed does not come back"
