"""The signing key in the settings: shown, copied, put back; losing it is told and costs nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from logbench.app.signing import SigningKey
from logbench.app.window import MainWindow
from logbench.job.keys import Keys, fingerprint, public_of


def test_a_key_is_shown_copied_lost_and_put_back(
    window: MainWindow, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    part = SigningKey()
    assert "none yet" in part.toolTip()
    assert not Keys().file.exists()  # looking makes none
    first = fingerprint(public_of(Keys().own()))
    part.show_key()
    assert first in part.toolTip()
    part.back_up_to(tmp_path / "copy.pem")
    Keys().file.write_text("damaged", encoding="utf-8")
    part.show_key()
    assert "restore a copy, or a new one is made" in part.trouble.text()
    part.restore_from(tmp_path / "copy.pem")
    assert first in part.toolTip()
    (tmp_path / "text.pem").write_text("no key", encoding="utf-8")
    part.restore_from(tmp_path / "text.pem")
    assert "holds no key of this program" in part.trouble.text()
    assert first in part.toolTip()
    part.back_up_to(tmp_path / "copy.pem")
    assert "exists already" in part.trouble.text()
