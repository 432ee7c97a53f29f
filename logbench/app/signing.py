"""The key of this installation in the settings: what it is, a copy of it, a copy put back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PySide6.QtWidgets import QFileDialog, QHBoxLayout, QVBoxLayout, QWidget

from logbench.app.parts import STRETCH, lay, styled, text_button
from logbench.app.plain import Label, plain_tip
from logbench.errors import LogbenchError
from logbench.job.keys import Keys, fingerprint, public_of
from logbench.words import tr

_FILES = tr("Keys (*.pem)")


class SigningKey(QWidget):
    """Nothing of it has to be done; whoever loses the key loses no data."""

    def __init__(self) -> None:
        super().__init__()
        self.trouble = styled(Label(wordWrap=True), "trouble")
        back_up = text_button(tr("Back up …"), self._back_up, tr("Back up the signing key"))
        restore = text_button(tr("Restore …"), self._restore, tr("Restore a signing key"))
        row = lay(QHBoxLayout(), back_up, restore, STRETCH, spacing=8)
        lay(QVBoxLayout(self), row, self.trouble, margins=(0, 0, 0, 0))
        self.show_key()

    def show_key(self, trouble: str = "") -> None:
        """What it is now, as tooltip; none is made for that."""
        own = tr("none yet")
        if Keys().file.exists():
            try:
                own = fingerprint(public_of(Keys().present()))
            except LogbenchError:
                own = tr("cannot be read")
                trouble = trouble or tr("The key cannot be read: restore a copy, or a new one is "
                                        "made when a job needs it.")  # fmt: skip
        self.setToolTip(
            plain_tip(
                tr(
                    "Signs what enters a job, as the shop's stamp does: {key}. Without it all jobs "
                    "open as before; what it signed reads 'signed by another installation' then.",
                    key=own,
                )
            )
        )
        self.trouble.setText(trouble)
        self.trouble.setVisible(bool(trouble))

    def back_up_to(self, path: Path) -> None:
        """Write a copy into a new file."""
        self._do(lambda: Keys().back_up(path))

    def restore_from(self, path: Path) -> None:
        """Sign with a copy from now on."""
        self._do(lambda: Keys().restore(path))

    def _do(self, change: Callable[[], object]) -> None:
        try:
            change()
        except LogbenchError as error:
            self.show_key(str(error))
        else:
            self.show_key()

    def _back_up(self) -> None:
        title = tr("Back up the signing key: whoever has the file can sign in your name")
        name, _ = QFileDialog.getSaveFileName(self, title, "logbench-key.pem", _FILES)
        if name:
            self.back_up_to(Path(name))

    def _restore(self) -> None:
        name, _ = QFileDialog.getOpenFileName(self, tr("Restore a signing key"), "", _FILES)
        if name:
            self.restore_from(Path(name))
