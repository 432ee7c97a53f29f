"""The guide: a page of text for each page of the window, in the program, without internet."""

from __future__ import annotations

from importlib import resources

from PySide6.QtWidgets import QDialogButtonBox, QVBoxLayout, QWidget

from logbench.app.parts import Dialog, chooser, lay
from logbench.app.plain import Page
from logbench.words import tr


class Guide(Dialog):
    """Beside the window, at the page that is shown there. `titles`: by key, as in `Pages`."""

    def __init__(self, titles: dict[str, str], parent: QWidget) -> None:
        super().__init__(tr("Guide"), parent, 360)
        choices = [(title, key) for key, title in titles.items()]
        self.page = chooser(tr("Page of the guide"), 12, choices)
        self.text = Page()
        self.text.setAccessibleName(tr("Guide"))
        self.page.currentIndexChanged.connect(self._show)
        close = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        close.rejected.connect(self.close)
        lay(QVBoxLayout(self), self.page, (self.text, 1), close)
        self.resize(720, 640)
        self._show()

    def open_at(self, key: str) -> None:
        """Show the page of the window with this key."""
        self.page.setCurrentIndex(self.page.findData(key))
        self.show()
        self.raise_()
        self.text.setFocus()

    def _show(self) -> None:
        name = f"{self.page.currentData()}.md"
        self.text.setMarkdown(resources.files(__name__).joinpath(name).read_text("utf-8"))
