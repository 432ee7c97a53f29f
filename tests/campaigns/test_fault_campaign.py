"""A sample of the fault campaign: `fault_campaign.py` does a thousand and more."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

CAMPAIGN = Path(__file__).with_name("fault_campaign.py")
RUNS = 50

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux") or shutil.which("cc") is None,
    reason="needs Linux and a C compiler",
)


def test_one_failure_costs_nothing():
    command = [sys.executable, str(CAMPAIGN), "--runs", str(RUNS)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"{RUNS} runs, 0 with a breach" in done.stdout


def test_what_is_lost_is_noticed():
    """The judges themselves: a file that is cut short, and somebody's file that is gone."""
    code = f"""
import sys
sys.path.insert(0, {str(CAMPAIGN.parent)!r})
import fault_campaign as c, fault_scenarios as s
from pathlib import Path
import tempfile
folder = Path(tempfile.mkdtemp())
scene = s.Import(folder / "drives")
scene.folder.mkdir()
scene.prepare()
said = scene.act()
made = next(scene.out.glob("*.parquet"))
made.write_bytes(made.read_bytes()[:-200])
(folder / "before.json").write_text('{{"log.csv": "another"}}')
(scene.folder / "accounts.journal").write_bytes(b"")
print(*c._judge(scene, {{"said": said, "told": {{}}}}), sep="\\n")
"""
    command = [sys.executable, "-c", code]
    told = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    for words in ("log.csv was touched", "accounts.journal was touched", "damaged"):
        assert words in told.stdout, told.stdout + told.stderr
